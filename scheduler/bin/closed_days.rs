//! `leeside closed-days`: the facility manager's edits of the house calendar.

use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use chrono::{DateTime, NaiveDate, Utc};
use leeside_config::closed_days::{
    Author, Change, Entry, NewEntry, Objection, Recurrence, Refusal, Which, edit_file,
    house_calendar, list, read_file, revision,
};
use serde_json::json;

use crate::exit::{BROKEN, FAILED};
use crate::given;

/// Show and edit the days on which the house is closed.
#[derive(Debug, clap::Subcommand)]
pub(crate) enum ClosedDaysArgs {
    /// Add a day or several
    Add(AddArgs),
    /// List what the calendar holds
    List(ListArgs),
    /// Remove an entry
    Remove(RemoveArgs),
}

/// Arguments of `add`.
#[derive(Debug, clap::Args)]
pub(crate) struct AddArgs {
    /// The house calendar (.ics), or the site file that names it (.toml)
    file: PathBuf,
    /// First day, e.g. 2027-12-24
    #[arg(value_parser = day)]
    first: NaiveDate,
    /// Last day, included; without it, one day
    #[arg(long, value_parser = day, value_name = "DAY")]
    until: Option<NaiveDate>,
    /// What the day is called
    #[arg(long)]
    name: String,
    /// On the same days each year
    #[arg(long)]
    yearly: bool,
    /// Last year of --yearly
    #[arg(long, value_name = "YEAR", requires = "yearly")]
    last_year: Option<i32>,
    /// The special day that it stands for, e.g. cleaning
    #[arg(long)]
    category: Option<String>,
    /// Begin the file if it does not exist
    #[arg(long)]
    create: bool,
    /// Only if the file still has this revision (see `list --format json`)
    #[arg(long)]
    revision: Option<String>,
}

/// Arguments of `list`.
#[derive(Debug, clap::Args)]
pub(crate) struct ListArgs {
    /// The house calendar (.ics), or the site file that names it (.toml)
    file: PathBuf,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Arguments of `remove`.
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("which").required(true).args(["uid", "begins"])))]
pub(crate) struct RemoveArgs {
    /// The house calendar (.ics), or the site file that names it (.toml)
    file: PathBuf,
    /// The entry with this uid, with all that belongs to it
    #[arg(long)]
    uid: Option<String>,
    /// The entry that begins on this day
    #[arg(long, value_parser = day, value_name = "DAY")]
    begins: Option<NaiveDate>,
    /// ... and is called so
    #[arg(long, requires = "begins")]
    name: Option<String>,
    /// Only if the file still has this revision
    #[arg(long)]
    revision: Option<String>,
}

/// How to print.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs
    Json,
}

fn day(text: &str) -> Result<NaiveDate, String> {
    NaiveDate::parse_from_str(text, "%Y-%m-%d")
        .map_err(|_| "expected a day of the calendar as YYYY-MM-DD, e.g. 2027-12-24".to_owned())
}

/// Runs the command. `now` stamps what is added.
pub(crate) fn run(args: &ClosedDaysArgs, now: DateTime<Utc>) -> anyhow::Result<ExitCode> {
    let result = match args {
        ClosedDaysArgs::List(args) => listed(&args.file, args.format),
        ClosedDaysArgs::Add(args) => added(args, now),
        ClosedDaysArgs::Remove(args) => removed(args, now),
    };
    match result {
        Ok(text) => {
            given::print(&text)?;
            Ok(ExitCode::SUCCESS)
        }
        Err(refusal) => {
            writeln!(std::io::stderr().lock(), "{refusal}")?;
            Ok(ExitCode::from(match refusal {
                // A file that is not there, or a folder, was named wrongly.
                Refusal::File { error, .. } if is_not_a_file(&error) => BROKEN,
                Refusal::File { .. } | Refusal::Conflict { .. } => FAILED,
                Refusal::Unreadable(_) | Refusal::Nonsense { .. } => BROKEN,
            }))
        }
    }
}

fn is_not_a_file(error: &std::io::Error) -> bool {
    matches!(
        error.kind(),
        ErrorKind::NotFound | ErrorKind::IsADirectory | ErrorKind::NotADirectory
    )
}

/// The calendar itself, where the site file was named.
fn calendar_of(path: &Path) -> Result<PathBuf, Refusal> {
    if path.extension().is_none_or(|extension| extension != "toml") {
        return Ok(path.to_owned());
    }
    let (site, _) = read_file(path)?;
    house_calendar(&site).map(|file| path.with_file_name(file))
}

fn listed(path: &Path, format: Format) -> Result<String, Refusal> {
    let path = &calendar_of(path)?;
    let (text, revision) = read_file(path)?;
    let mut entries = list(&path.display().to_string(), &text)?;
    entries.sort_by_key(|entry| (entry.first, entry.line));
    Ok(match format {
        Format::Text => entries.iter().map(|entry| format!("{entry}\n")).collect(),
        Format::Json => format!(
            "{:#}\n",
            json!({ "revision": revision, "entries": entries.iter().map(machine_form).collect::<Vec<_>>() })
        ),
    })
}

fn machine_form(entry: &Entry) -> serde_json::Value {
    let (yearly, last_year) = match entry.recurrence {
        Recurrence::Once => (json!(false), None),
        Recurrence::Yearly(last) => (json!(true), last),
        // Recurs, but not simply by the year.
        Recurrence::Each(..) | Recurrence::Other => (json!(null), None),
    };
    json!({
        "uid": entry.uid,
        "first": entry.first.to_string(),
        "last": entry.last.to_string(),
        "name": entry.name,
        "yearly": yearly,
        "last_year": last_year,
        "categories": entry.categories,
        "all_day": entry.all_day,
        "cancelled": entry.cancelled,
        "line": entry.line,
    })
}

/// Whoever types, by the word of their shell.
fn author(now: DateTime<Utc>) -> Author {
    let user = std::env::var("USER").unwrap_or_default();
    let by = if user.is_empty() {
        "command line".to_owned()
    } else {
        format!("{user} (command line)")
    };
    Author { by, at: now }
}

fn added(args: &AddArgs, now: DateTime<Utc>) -> Result<String, Refusal> {
    let last = args.until.unwrap_or(args.first);
    // Unlike all others: made from what is added, when, and by which process.
    let seed = format!(
        "{} {last} {} {} {}",
        args.first,
        args.name,
        now.timestamp_nanos_opt().unwrap_or_default(),
        std::process::id()
    );
    let uid = format!("{}@leeside", revision(&seed).get(..32).unwrap_or_default());
    let change = Change::Add(NewEntry {
        first: args.first,
        last,
        name: args.name.clone(),
        times: None,
        recurrence: if args.yearly {
            Recurrence::Yearly(args.last_year)
        } else {
            Recurrence::Once
        },
        category: args.category.clone(),
        uid,
        stamp: now,
    });
    edit_file(
        &calendar_of(&args.file)?,
        args.revision.as_deref(),
        args.create,
        &change,
        &author(now),
    )
    .map(|edit| format!("{}\n", edit.done))
}

fn removed(args: &RemoveArgs, now: DateTime<Utc>) -> Result<String, Refusal> {
    let which = match (&args.uid, args.begins) {
        (Some(uid), _) => Which::Uid(uid.clone()),
        (None, Some(date)) => Which::Begins {
            date,
            name: args.name.clone(),
        },
        (None, None) => {
            return Err(Refusal::Nonsense {
                objection: Objection::NoSuchEntry,
                message: "say which entry".to_owned(),
                hint: "--uid or --begins".to_owned(),
            });
        }
    };
    edit_file(
        &calendar_of(&args.file)?,
        args.revision.as_deref(),
        false,
        &Change::Remove(which),
        &author(now),
    )
    .map(|edit| format!("{}\n", edit.done))
}

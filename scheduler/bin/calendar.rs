//! `leeside calendar`: public holidays of a region, occurrences in a calendar file,
//! or the class of every day at a site.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context as _;
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use chrono_tz::Tz;
use leeside_config::calendar::{Calendar, Occurrence, beyond_zone_data, usable, zone_named};
use leeside_config::{LoadOptions, holidays, load_site};
use leeside_core::time::LocalKind;
use serde_json::{Value, json};

use crate::exit::BROKEN;
use crate::given;

/// Show what the calendar rules make of days.
///
/// Give one of: a site file, --region, --ics.
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("source").required(true).args(["site", "region", "ics"])))]
pub(crate) struct CalendarArgs {
    /// Site file: the class of every day of --year, and why
    #[arg(requires = "year")]
    site: Option<PathBuf>,

    /// Region (ISO 3166-2, e.g. DE-BY): its public holidays in --year
    #[arg(long, requires = "year")]
    region: Option<String>,

    /// Calendar file: the occurrences that begin from --from on and before --to
    #[arg(long, value_name = "FILE", requires_all = ["from", "to", "zone"])]
    ics: Option<PathBuf>,

    /// The year
    #[arg(long, conflicts_with = "ics")]
    year: Option<i32>,

    /// Begin of the range, included (RFC 3339, e.g. 2027-01-01T00:00:00+01:00)
    #[arg(long, value_parser = instant, value_name = "TIME", requires = "ics")]
    from: Option<DateTime<Utc>>,

    /// End of the range, not included (RFC 3339)
    #[arg(long, value_parser = instant, value_name = "TIME", requires = "ics")]
    to: Option<DateTime<Utc>>,

    /// Zone of local times (IANA, e.g. Europe/Berlin); times without a zone are read in it
    #[arg(long, value_parser = zone_named, requires = "ics")]
    zone: Option<Tz>,

    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// How to print.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs
    Json,
}

fn instant(text: &str) -> Result<DateTime<Utc>, String> {
    DateTime::parse_from_rfc3339(text)
        .map(|at| at.to_utc())
        .map_err(|_| "expected RFC 3339, e.g. 2027-01-01T00:00:00+01:00".to_owned())
}

/// Runs the command. Problems go to standard error, results to standard output.
pub(crate) fn run(args: &CalendarArgs) -> anyhow::Result<ExitCode> {
    let output = match args {
        CalendarArgs { region: Some(region), year: Some(year), .. } => of_region(region, *year, args.format),
        CalendarArgs { ics: Some(file), from: Some(from), to: Some(to), zone: Some(zone), .. } => of_file(file, (*from, *to), *zone, args.format)?,
        CalendarArgs { site: Some(site), year: Some(year), .. } => of_site(site, *year, args.format),
        // clap has asked for one of these; said again for whoever calls this otherwise.
        _ => Err("give --region and --year, or --ics, --from, --to and --zone, or a site file and --year".to_owned()),
    };
    match output {
        Ok(text) => {
            given::print(&text)?;
            Ok(ExitCode::SUCCESS)
        }
        Err(problem) => {
            writeln!(std::io::stderr().lock(), "{problem}")?;
            Ok(ExitCode::from(BROKEN))
        }
    }
}

fn printed(list: Vec<Value>) -> String {
    format!("{:#}\n", Value::Array(list))
}

fn of_region(region: &str, year: i32, format: Format) -> Result<String, String> {
    let days = holidays::holidays(region, year).map_err(|error| error.to_string())?;
    Ok(match format {
        Format::Json => printed(days.iter().map(|day| json!({ "date": day.date.to_string(), "name": day.name, "substitute": day.substitute })).collect()),
        Format::Text => days.iter().map(|day| format!("{}  {}  [{}]\n", shown(day.date), day.name, day.source)).collect(),
    })
}

fn shown(date: NaiveDate) -> String {
    date.format("%Y-%m-%d %a").to_string()
}

fn of_file(
    file: &Path,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    zone: Tz,
    format: Format,
) -> anyhow::Result<Result<String, String>> {
    let name = file.display().to_string();
    if to <= from {
        return Ok(Err("--to must be later than --from".to_owned()));
    }
    let bytes = match std::fs::read(file) {
        Ok(bytes) => bytes,
        Err(error) => {
            return Ok(Err(format!(
                "{name}: cannot be read: {error} (hint: check the name)"
            )));
        }
    };
    let (calendar, mut problems) = Calendar::parse(&name, bytes);
    let mut list = Vec::new();
    if usable(&problems) {
        let expansion = calendar.occurrences(from, to, zone);
        problems.extend(expansion.diagnostics);
        list = expansion.occurrences;
    }
    let latest = list.iter().rfind(|occurrence| !occurrence.all_day);
    let beyond = latest.and_then(|latest| beyond_zone_data(zone, latest.start_local.year()));
    let said: Vec<String> = problems.iter().map(ToString::to_string).collect();
    if !usable(&problems) {
        return Ok(Err(said.join("\n")));
    }
    for problem in said {
        writeln!(std::io::stderr().lock(), "{problem}")
            .context("cannot write to standard error")?;
    }
    if let Some(beyond) = beyond {
        writeln!(std::io::stderr().lock(), "{name}: warning: {beyond}")
            .context("cannot write to standard error")?;
    }
    Ok(Ok(match format {
        Format::Json => printed(list.iter().map(machine_form).collect()),
        Format::Text => list
            .iter()
            .map(|occurrence| plain_form(occurrence, zone))
            .collect(),
    }))
}

/// The form that is fixed for programs: dates for whole days, local times without
/// offset, and UTC only where the event itself fixes the instant.
fn machine_form(occurrence: &Occurrence) -> Value {
    let local = |at: chrono::NaiveDateTime| {
        at.format(if occurrence.all_day {
            "%Y-%m-%d"
        } else {
            "%Y-%m-%dT%H:%M:%S"
        })
        .to_string()
    };
    let utc = |at: Option<DateTime<Utc>>| at.map(|at| at.format("%Y-%m-%dT%H:%M:%SZ").to_string());
    json!({
        "summary": occurrence.summary,
        "start_local": local(occurrence.start_local),
        "start_utc": utc(occurrence.start_utc()),
        "end_local": local(occurrence.end_local),
        "end_utc": utc(occurrence.end_utc()),
        "all_day": occurrence.all_day,
    })
}

fn plain_form(occurrence: &Occurrence, zone: Tz) -> String {
    let Occurrence {
        summary,
        start_local,
        end_local,
        ..
    } = occurrence;
    let name = if summary.is_empty() {
        "(no name)"
    } else {
        summary
    };
    if occurrence.all_day {
        let (first, end) = occurrence.dates();
        let last = end.pred_opt().unwrap_or(end);
        let span = if last > first {
            format!("{} to {}", shown(first), shown(last))
        } else {
            shown(first)
        };
        return format!("{span}  {name}\n");
    }
    let note = match occurrence.reading {
        LocalKind::Unique => String::new(),
        LocalKind::Gap => format!(
            " (skipped by the clock; read as {})",
            occurrence.start.with_timezone(&zone).format("%H:%M")
        ),
        LocalKind::Overlap => " (comes twice; the first is meant)".to_owned(),
    };
    let kind = if occurrence.floating {
        "no zone of its own".to_owned()
    } else {
        occurrence.start.format("%Y-%m-%d %H:%M UTC").to_string()
    };
    format!(
        "{} {}{note} to {} ({kind})  {name}\n",
        shown(start_local.date()),
        start_local.format("%H:%M"),
        end_local.format("%Y-%m-%d %H:%M")
    )
}

fn of_site(path: &Path, year: i32, format: Format) -> Result<String, String> {
    let joined = |problems: Vec<leeside_config::Diagnostic>| {
        problems
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("\n")
    };
    let (site, warnings) = load_site(path, &LoadOptions { years: year..=year }).map_err(joined)?;
    // Where the rules of holidays do not reach, say, the list below is not the whole truth.
    for warning in warnings {
        let _ = writeln!(std::io::stderr().lock(), "{warning}");
    }
    let model = &site.model;
    let first = NaiveDate::from_ymd_opt(year, 1, 1)
        .ok_or_else(|| format!("{year} is not a year of the calendar"))?;
    let days = first.iter_days().take_while(|day| day.year() == year);
    let rows = days.map(|day| {
        (
            day,
            model.day_class(model.days.class(day)),
            model.days.entry(day).map_or("", |entry| entry.why.as_str()),
        )
    });
    Ok(match format {
        Format::Json => printed(
            rows.map(
                |(day, class, why)| json!({ "date": day.to_string(), "class": class, "why": why }),
            )
            .collect(),
        ),
        Format::Text => rows
            .map(|(day, class, why)| {
                // The class stands there already.
                let why = why.strip_prefix(class).unwrap_or(why);
                let why = why.strip_prefix(": ").unwrap_or(why);
                match why {
                    // Nothing but the day of the week makes it so.
                    "" => format!("{}  {class}\n", shown(day)),
                    why => format!("{}  {class:<10}  {why}\n", shown(day)),
                }
            })
            .collect(),
    })
}

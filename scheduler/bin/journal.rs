//! `leeside journal`: what the service recorded, checked, exported, and a
//! person's name taken out of it.

use crate::dry_run::write_to;
use crate::exit::{Broken, FINDINGS};
use crate::given::{self, Moment};
use anyhow::Context;
use chrono::{SecondsFormat, Utc};
use chrono_tz::Tz;
use clap::{Args, Subcommand, ValueEnum};
use leeside_core::time::{Now, Steady, Wall};
use leeside_journal::chain::{Hash, hash_of_hex};
use leeside_journal::{Entry, Error, Journal, Kind};
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Check, export and clean what the service recorded.
#[derive(Debug, Subcommand)]
pub(crate) enum JournalArgs {
    Verify(VerifyArgs),
    Head(HeadArgs),
    Export(ExportArgs),
    Erase(EraseArgs),
}

/// Follow the journal's chain from its first row to its last
///
/// Each row is bound to the one before by a hash, so an altered, removed or
/// inserted row is found. What was cut off at the end, or written anew as a
/// whole, is found with --head: a head noted elsewhere (printed by `journal
/// head`, or from the service's log) must still be in the chain.
///
/// Exit codes: 0 the chain holds, 2 no journal, 3 it does not hold.
#[derive(Debug, Args)]
pub(crate) struct VerifyArgs {
    /// The journal
    journal: PathBuf,
    /// A head noted earlier: ID:HASH, or the hash alone
    #[arg(long, value_name = "HEAD", value_parser = noted)]
    head: Option<Noted>,
}

/// Print the last row and its hash, to be noted elsewhere
#[derive(Debug, Args)]
pub(crate) struct HeadArgs {
    /// The journal
    journal: PathBuf,
}

/// Write rows of the journal as CSV or JSON
///
/// Reads beside a running service. The body of each row is JSON, as recorded.
#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// The journal
    journal: PathBuf,
    /// The form
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    format: Format,
    /// From this moment on: RFC 3339, or without an offset as UTC
    #[arg(long, value_name = "A", value_parser = Moment::read)]
    from: Option<Moment>,
    /// Before this moment
    #[arg(long, value_name = "B", value_parser = Moment::read)]
    to: Option<Moment>,
    /// Only rows of this kind, like command, lockout, alarm; may be given again
    #[arg(long, value_name = "KIND", value_parser = kind)]
    kind: Vec<Kind>,
    /// Write to this file instead of standard output
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// Take a person's name out of every row and state
///
/// The rows stay, and so does the chain; a row of its own says which were
/// changed. Lockouts and holds by hand go on. The service must not run
/// meanwhile. Without --yes nothing is changed.
///
/// Exit codes: 0 the name does not stand in the journal (any more), 1 it could
/// not be taken out, 2 no journal, 3 it stands there and --yes was not given.
#[derive(Debug, Args)]
pub(crate) struct EraseArgs {
    /// The journal
    journal: PathBuf,
    /// The name, as it stands in the rows
    #[arg(long, value_name = "NAME")]
    person: String,
    /// Do it: what was taken out cannot be brought back
    #[arg(long)]
    yes: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// One row a line, for spreadsheets
    Csv,
    /// One object a row, for programs
    Json,
}

/// A head that somebody noted.
#[derive(Debug, Clone, Copy)]
struct Noted {
    id: Option<i64>,
    hash: Hash,
}

fn noted(text: &str) -> Result<Noted, String> {
    let (id, hash) = match text.split_once(':') {
        Some((id, hash)) => (id.parse().map(Some).ok(), hash),
        None => (Some(None), text),
    };
    id.zip(hash_of_hex(hash))
        .map(|(id, hash)| Noted { id, hash })
        .ok_or_else(|| {
            "expected a head as `leeside journal head` prints it: ID:HASH, or the hash alone, 64 hexadecimal digits"
                .to_owned()
        })
}

fn kind(text: &str) -> Result<Kind, String> {
    Kind::named(text).ok_or_else(|| {
        let all: Vec<&str> = Kind::ALL.into_iter().map(Kind::as_str).collect();
        format!("no such kind; there are {}", all.join(", "))
    })
}

/// Runs the command.
pub(crate) fn run(args: &JournalArgs) -> anyhow::Result<ExitCode> {
    match args {
        JournalArgs::Verify(args) => verify(args),
        JournalArgs::Head(args) => {
            let head = opened(&args.journal, Journal::open_read_only)?.head();
            given::print(&format!("{}:{}\n", head.id, head.hex()))?;
            Ok(ExitCode::SUCCESS)
        }
        JournalArgs::Export(args) => export(args),
        JournalArgs::Erase(args) => erase(args),
    }
}

/// The journal, or what is wrong with what was given.
fn opened(
    path: &Path,
    open: impl FnOnce(&Path) -> Result<Journal, Error>,
) -> anyhow::Result<Journal> {
    if !path.is_file() {
        return Err(Broken(format!("{}: no such journal", path.display())).into());
    }
    open(path).map_err(|error| {
        let broken = error.is_damage() || matches!(error, Error::Newer { .. });
        if broken {
            Broken(format!("{}: {error}", path.display())).into()
        } else {
            anyhow::Error::new(error).context(format!("{} cannot be opened", path.display()))
        }
    })
}

fn verify(args: &VerifyArgs) -> anyhow::Result<ExitCode> {
    let name = args.journal.display();
    let journal = opened(&args.journal, Journal::open_read_only)?;
    let found = journal
        .verify()
        .with_context(|| format!("{name} cannot be read to its end"))?;
    let mut told = format!("{name}: {} rows, ", found.rows);
    if let Some((row, fault)) = found.fault {
        told.push_str(&format!(
            "then the chain breaks: row {row} does not hold, because {fault}\n"
        ));
        given::print(&told)?;
        return Ok(ExitCode::from(FINDINGS));
    }
    told.push_str("the chain holds\n");
    if let Some(up_to) = journal.pruned_up_to()? {
        told.push_str(&format!(
            "rows up to {up_to} were removed by age or size; the hash of the last of them is kept\n"
        ));
    }
    if found.erased > 0 {
        told.push_str(&format!(
            "a name was taken out of {} rows, as rows of their own say\n",
            found.erased
        ));
    }
    told.push_str(&format!("head {}:{}\n", found.head.id, found.head.hex()));
    let mut code = ExitCode::SUCCESS;
    if let Some(noted) = args.head {
        let row = journal.row_of(&noted.hash)?;
        let same = row.filter(|row| noted.id.is_none_or(|id| id == *row));
        match same {
            Some(row) => told.push_str(&format!(
                "the noted head is row {row} of it: nothing up to there was altered since\n"
            )),
            None => {
                code = ExitCode::from(FINDINGS);
                let pruned = noted
                    .id
                    .zip(journal.pruned_up_to()?)
                    .is_some_and(|(id, up_to)| id < up_to);
                told.push_str(if pruned {
                    "the noted head is among the rows that were removed: nothing can be said about it\n"
                } else {
                    "the noted head is not in it: rows were cut off at the end or written anew, or it is another journal\n"
                });
            }
        }
    }
    given::print(&told)?;
    Ok(code)
}

fn export(args: &ExportArgs) -> anyhow::Result<ExitCode> {
    let journal = opened(&args.journal, Journal::open_read_only)?;
    let from = args.from.map_or(Wall(i64::MIN), |from| from.at(Tz::UTC));
    let to = args.to.map_or(Wall(i64::MAX), |to| to.at(Tz::UTC));
    if from >= to {
        return Err(Broken(
            "the span ends before it begins: --from must lie before --to".to_owned(),
        )
        .into());
    }
    // After a clock step the rows between may lie outside: looked at again one by one.
    let span = journal.span_of(from, to)?;
    let rows = span.into_iter().flat_map(|span| journal.entries(span));
    let rows = rows.filter(|row| {
        row.as_ref().map_or(true, |row| {
            (from..to).contains(&row.now.wall)
                && (args.kind.is_empty() || args.kind.contains(&row.kind))
        })
    });
    write_to(args.output.as_deref(), |out| {
        match args.format {
            Format::Csv => as_csv(rows, out)?,
            Format::Json => as_json(&journal, rows, out)?,
        }
        out.flush()?;
        Ok(())
    })?;
    Ok(ExitCode::SUCCESS)
}

fn as_csv(
    rows: impl Iterator<Item = Result<Entry, Error>>,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record([
        "id",
        "run",
        "at_utc",
        "steady_ms",
        "kind",
        "subject",
        "body",
    ])?;
    for row in rows {
        let row = row?;
        csv.write_record([
            row.id.to_string().as_str(),
            &row.run.to_string(),
            &stamp(row.now.wall),
            &row.now.steady.0.to_string(),
            row.kind.as_str(),
            &row.subject,
            &row.body,
        ])?;
    }
    csv.flush()?;
    Ok(())
}

fn as_json(
    journal: &Journal,
    rows: impl Iterator<Item = Result<Entry, Error>>,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let head = journal.head();
    write!(
        out,
        "{{\"format_version\":1,\"head\":{{\"id\":{},\"hash\":\"{}\"}},\"rows\":[",
        head.id,
        head.hex()
    )?;
    let mut between = "\n";
    for row in rows {
        let row = row?;
        // Every body is JSON; one that somebody altered into something else is told as text.
        let body = serde_json::from_str(&row.body).unwrap_or(Value::String(row.body));
        let row = json!({
            "id": row.id,
            "run": row.run,
            "at_utc": stamp(row.now.wall),
            "steady_ms": row.now.steady.0,
            "kind": row.kind.as_str(),
            "subject": row.subject,
            "body": body,
        });
        write!(out, "{between}{row}")?;
        between = ",\n";
    }
    out.write_all(b"\n]}\n")?;
    Ok(())
}

fn stamp(at: Wall) -> String {
    at.utc().to_rfc3339_opts(SecondsFormat::Millis, true)
}

fn erase(args: &EraseArgs) -> anyhow::Result<ExitCode> {
    let name = args.journal.display();
    if args.person.trim().is_empty() {
        return Err(
            Broken("--person: expected a name, as it stands in the rows".to_owned()).into(),
        );
    }
    let rows = opened(&args.journal, Journal::open_read_only)?.naming(&args.person)?;
    if rows == 0 {
        given::print(&format!("{name}: {:?} stands in no row\n", args.person))?;
        return Ok(ExitCode::SUCCESS);
    }
    if !args.yes {
        given::print(&format!(
            "{name}: {:?} stands in {rows} rows; nothing was changed. With --yes it is taken out for good.\n",
            args.person
        ))?;
        return Ok(ExitCode::from(FINDINGS));
    }
    let mut journal = opened(&args.journal, Journal::open)?;
    // The steady count stands while the service does.
    let wall = Wall::from_utc(Utc::now());
    let steady = journal.last_moment()?.map_or(Steady(0), |last| last.steady);
    let changed = journal
        .erase(Now { wall, steady }, &args.person)
        .with_context(|| format!("{name}: nothing was changed"))?;
    let head = journal.head();
    given::print(&format!(
        "{name}: {:?} was taken out of {changed} rows; the chain holds, its head is now {}:{}\n",
        args.person,
        head.id,
        head.hex()
    ))?;
    Ok(ExitCode::SUCCESS)
}

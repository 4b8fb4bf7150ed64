//! `leeside dry-run`: a span of time on paper.

mod lived;
pub(crate) mod progress;
pub(crate) mod span;

use anyhow::Context;
use clap::{Args, ValueEnum};
use leeside_core::time::{HOUR, Wall};
use leeside_dryrun::html::HtmlReport;
use leeside_dryrun::ics::IcsSink;
use leeside_dryrun::replay::{Nothing, PlantKind, Setting, Sink, Stopped, Tally, replay};
use leeside_dryrun::report::{CsvSink, Head, JsonSink, OutputFile, summary};
use progress::Progress;
use span::SpanArgs;
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// A year (or any span) on paper: every planned movement and its reason
///
/// Replays weather through the same core that runs the building, minute by
/// minute, and prints a summary by month and group, every movement as CSV or
/// JSON, a calendar, or a page to print. What the data cannot say stands at the
/// top of it.
#[derive(Args, Debug)]
pub(crate) struct DryRunArgs {
    /// The site file
    site: PathBuf,
    #[command(flatten)]
    span: SpanArgs,
    /// Tell what the service recorded in this journal, instead of replaying weather:
    /// what was lived through, decided anew and held against what was recorded
    #[arg(long, value_name = "FILE", conflicts_with_all = ["weather", "gusts", "plant", "occupied"])]
    journal: Option<PathBuf>,
    /// What carries the commands out
    #[arg(long, value_enum, default_value_t = Plant::Ideal)]
    plant: Plant,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write to this file instead of standard output
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Plant {
    /// Every device is at once where it was told to be.
    Ideal,
    /// Devices take the times of their make-up.
    Simulated,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// A summary for people.
    Text,
    /// Every movement as a row.
    Csv,
    /// Everything for programs.
    Json,
    /// Lockouts, phases and special days for a calendar program.
    Ics,
    /// A page for people, to print: carpets of the year, tables, sun paths.
    Html,
}

/// Replays and prints. Exit codes: 0 well, 1 the run failed or was stopped,
/// 2 site file, weather or span are broken, 3 a journal tells otherwise than it is
/// decided now.
pub(crate) fn run(args: &DryRunArgs) -> anyhow::Result<ExitCode> {
    let site = args.span.site(&args.site)?;
    if let Some(journal) = &args.journal {
        return lived::run(args, &site, journal);
    }
    let plant = match args.plant {
        Plant::Ideal => PlantKind::Ideal,
        Plant::Simulated => PlantKind::Simulated,
    };
    let setting = args.span.setting(&site, plant)?;
    let head = Head::of(&setting, &site.fingerprint);
    write_to(args.output.as_deref(), |out| {
        write(args.format, &setting, &head, out, &|sink| {
            let progress = Progress::over(days(&setting, setting.to));
            let told = |at| progress.at(days(&setting, at));
            Ok(replay(&setting, sink, &mut |at| told(at))?)
        })
    })?;
    Ok(ExitCode::SUCCESS)
}

/// Days from the begin of the span.
fn days(setting: &Setting, at: Wall) -> u64 {
    u64::try_from((at.0 - setting.from.0) / (24 * HOUR)).unwrap_or(0)
}

/// Writes to a file that is there whole or not at all, or to standard output,
/// where a reader that has seen enough is no failure.
pub(crate) fn write_to(
    output: Option<&Path>,
    write: impl FnOnce(&mut dyn Write) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let Some(path) = output else {
        return match write(&mut BufWriter::new(io::stdout().lock())) {
            Err(error) if is_broken_pipe(&error) => Ok(()),
            other => other,
        };
    };
    let name = || format!("{} cannot be written", path.display());
    let mut file = OutputFile::create(path).with_context(name)?;
    write(&mut file)?;
    file.finish().with_context(name)
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| {
        let io = cause.downcast_ref::<io::Error>().or_else(|| {
            match cause.downcast_ref::<Stopped>()? {
                Stopped::Sink(io) => Some(io),
                Stopped::Asked(_) | Stopped::Step(_) | Stopped::NoSensor(..) => None,
            }
        });
        io.is_some_and(|io| io.kind() == ErrorKind::BrokenPipe)
    })
}

/// Runs the story through the sink of a format. `told` tells it, with a progress bar
/// that Ctrl-C stops.
fn write(
    format: Format,
    setting: &Setting,
    head: &Head,
    out: &mut dyn Write,
    told: &dyn Fn(&mut dyn Sink) -> anyhow::Result<Tally>,
) -> anyhow::Result<()> {
    match format {
        Format::Text => {
            let tally = told(&mut Nothing)?;
            out.write_all(summary(&setting.model, head, &tally).as_bytes())?;
        }
        Format::Csv => {
            let mut sink = CsvSink::new(&mut *out, head)?;
            told(&mut sink)?;
            sink.finish()?;
        }
        Format::Json => {
            let mut sink = JsonSink::new(&mut *out, head)?;
            let tally = told(&mut sink)?;
            sink.finish(&setting.model, &tally)?;
        }
        Format::Ics => {
            let (from, to) = (setting.from, setting.to);
            let mut sink = IcsSink::new(&mut *out, head, &setting.model, from, to);
            told(&mut sink)?;
            sink.finish(&setting.model)?;
        }
        Format::Html => {
            let mut sink = HtmlReport::new(setting, head);
            let tally = told(&mut sink)?;
            out.write_all(sink.finish(&tally).as_bytes())?;
        }
    }
    out.flush()?;
    Ok(())
}

//! `leeside dry-run`: a span of time on paper.

use crate::exit::Broken;
use crate::given;
use anyhow::Context;
use chrono::{Datelike, Days, NaiveDate, NaiveDateTime};
use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use leeside_config::Site;
use leeside_core::model::Model;
use leeside_core::time::{HOUR, MINUTE, Wall, to_utc};
use leeside_dryrun::ics::IcsSink;
use leeside_dryrun::replay::{LEAD_IN_MS, Nothing, Occupancy, PlantKind, Setting, Sink, Sky, Stopped, Tally, replay};
use leeside_dryrun::report::{CsvSink, Head, JsonSink, OutputFile, summary};
use leeside_dryrun::weather::read;
use std::io::{self, BufWriter, ErrorKind, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// The word for made-up weather in place of a file.
const CLEAR_SKY_CALM: &str = "clear-sky-calm";

/// A year (or any span) on paper: every planned movement and its reason
///
/// Replays weather through the same core that runs the building, minute by
/// minute, and prints a summary by month and group, or every movement as CSV or
/// JSON. What the data cannot say stands at the top of it.
#[derive(Args, Debug)]
pub(crate) struct DryRunArgs {
    /// The site file
    site: PathBuf,
    /// The calendar year to replay, in the site's zone
    #[arg(long, value_name = "Y", conflicts_with_all = ["from", "to"], required_unless_present_all = ["from", "to"])]
    year: Option<i32>,
    /// First date (2027-07-01) or local time (2027-07-01T06:00) to replay
    #[arg(long, value_name = "A", requires = "to")]
    from: Option<String>,
    /// Last date (included) or local time (excluded)
    #[arg(long, value_name = "B", requires = "from")]
    to: Option<String>,
    /// Weather: a TMY3, EPW or CSV file (gzip too), or clear-sky-calm for a
    /// made-up sky without clouds, wind and rain
    #[arg(long, value_name = "FILE")]
    weather: Option<PathBuf>,
    /// What carries the commands out
    #[arg(long, value_enum, default_value_t = Plant::Ideal)]
    plant: Plant,
    /// When rooms are occupied: always, never, or times on workdays
    #[arg(long, value_name = "WHEN", value_parser = occupancy, default_value = "08:00-18:00")]
    occupied: Occupancy,
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
}

/// Replays and prints. Exit codes: 0 well, 1 the run failed or was stopped,
/// 2 site file, weather or span are broken.
pub(crate) fn run(args: &DryRunArgs) -> anyhow::Result<ExitCode> {
    let site = site(args)?;
    let setting = setting(args, &site)?;
    let head = Head::of(&setting, &site.fingerprint);
    let outcome = match &args.output {
        Some(path) => {
            let mut file = OutputFile::create(path).with_context(|| format!("{} cannot be written", path.display()))?;
            write(args.format, &setting, &head, &mut file)
                .and_then(|()| file.finish().with_context(|| format!("{} cannot be written", path.display())))
        }
        None => write(args.format, &setting, &head, &mut BufWriter::new(io::stdout().lock())),
    };
    match outcome {
        // Whoever reads has seen enough.
        Err(error) if is_broken_pipe(&error) => Ok(ExitCode::SUCCESS),
        other => other.map(|()| ExitCode::SUCCESS),
    }
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| {
        let io = cause.downcast_ref::<io::Error>().or_else(|| match cause.downcast_ref::<Stopped>()? {
            Stopped::Sink(io) => Some(io),
            Stopped::Asked(_) | Stopped::Step(_) => None,
        });
        io.is_some_and(|io| io.kind() == ErrorKind::BrokenPipe)
    })
}

fn site(args: &DryRunArgs) -> anyhow::Result<Site> {
    let first = args.from.as_deref().and_then(|from| from.get(..4)).and_then(|year| year.parse().ok());
    given::site(&args.site, args.year.or(first).unwrap_or(2027))
}

fn setting(args: &DryRunArgs, site: &Site) -> anyhow::Result<Setting> {
    let (from, to) = span(args, &site.model)?;
    let Some(file) = &args.weather else {
        return Err(Broken(format!(
            "a dry run needs weather: give --weather FILE (TMY3, EPW or CSV), or --weather {CLEAR_SKY_CALM} for \
             what sun and timetable alone would do"
        ))
        .into());
    };
    let sky = if file.as_os_str() == CLEAR_SKY_CALM { Sky::ClearAndCalm } else { rows(file, from, to)? };
    Ok(Setting {
        model: site.model.clone(),
        sky,
        from,
        to,
        step_ms: MINUTE,
        plant: match args.plant {
            Plant::Ideal => PlantKind::Ideal,
            Plant::Simulated => PlantKind::Simulated,
        },
        occupancy: args.occupied,
    })
}

fn rows(file: &Path, from: Wall, to: Wall) -> anyhow::Result<Sky> {
    let weather = read(file).map_err(|error| Broken(error.to_string()))?;
    // The span itself must be there; its lead-in need not.
    weather.over(from, to).map_err(|error| Broken(error.to_string()))?;
    let series = weather.over(from.plus(-LEAD_IN_MS), to).or_else(|_| weather.over(from, to));
    Ok(Sky::Rows(series.map_err(|error| Broken(error.to_string()))?))
}

fn span(args: &DryRunArgs, model: &Model) -> anyhow::Result<(Wall, Wall)> {
    let start_of = |date: NaiveDate| Wall::from_utc(to_utc(model.site.zone, date.and_time(chrono::NaiveTime::MIN)).utc);
    let (from, to) = match (args.year, &args.from, &args.to) {
        (Some(year), _, _) => {
            let first = |year| NaiveDate::from_ymd_opt(year, 1, 1).filter(|date| (1990..=2100).contains(&date.year()));
            let (Some(from), Some(to)) = (first(year), first(year + 1)) else {
                return Err(Broken(format!("--year {year}: expected a year from 1990 to 2099")).into());
            };
            (start_of(from), start_of(to))
        }
        (None, Some(from), Some(to)) => (edge(from, "--from", false, model)?, edge(to, "--to", true, model)?),
        (None, _, _) => return Err(Broken("give --year, or --from and --to".to_owned()).into()),
    };
    if from >= to {
        return Err(Broken("the span ends before it begins: --from must lie before --to".to_owned()).into());
    }
    Ok((from, to))
}

/// One end of the span. A date means its start, or for the last date its end.
fn edge(text: &str, option: &str, last: bool, model: &Model) -> anyhow::Result<Wall> {
    let local = if let Ok(date) = text.parse::<NaiveDate>() {
        let date = if last { date.checked_add_days(Days::new(1)).unwrap_or(date) } else { date };
        Some(date.and_time(chrono::NaiveTime::MIN))
    } else {
        ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"].iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
    };
    let local = local
        .filter(|local| (1990..=2100).contains(&local.year()))
        .ok_or_else(|| Broken(format!("{option} {text}: expected a date like 2027-07-01 or a time like 2027-07-01T06:00")))?;
    Ok(Wall::from_utc(to_utc(model.site.zone, local).utc))
}

fn write(format: Format, setting: &Setting, head: &Head, out: &mut dyn Write) -> anyhow::Result<()> {
    match format {
        Format::Text => {
            let tally = replayed(setting, &mut Nothing)?;
            out.write_all(summary(&setting.model, head, &tally).as_bytes())?;
        }
        Format::Csv => {
            let mut sink = CsvSink::new(&mut *out, head)?;
            replayed(setting, &mut sink)?;
            sink.finish()?;
        }
        Format::Json => {
            let mut sink = JsonSink::new(&mut *out, head)?;
            let tally = replayed(setting, &mut sink)?;
            sink.finish(&setting.model, &tally)?;
        }
        Format::Ics => {
            let (from, to) = (setting.from, setting.to);
            let mut sink = IcsSink::new(&mut *out, head, &setting.model, from, to);
            replayed(setting, &mut sink)?;
            sink.finish(&setting.model)?;
        }
    }
    out.flush()?;
    Ok(())
}

/// The replay with a progress bar (on a terminal only) that Ctrl-C stops.
fn replayed(setting: &Setting, sink: &mut dyn Sink) -> anyhow::Result<Tally> {
    let days = u64::try_from((setting.to.0 - setting.from.0) / (24 * HOUR)).unwrap_or(0);
    let bar = ProgressBar::new(days);
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {pos}/{len} days, {eta} left") {
        bar.set_style(style);
    }
    let stop = interrupted();
    let tally = replay(setting, sink, &mut |at| {
        bar.set_position(u64::try_from((at.0 - setting.from.0) / (24 * HOUR)).unwrap_or(0));
        if stop.load(Ordering::Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    });
    bar.finish_and_clear();
    Ok(tally?)
}

/// Set once somebody pressed Ctrl-C, so that the run can end without leaving
/// half a file.
fn interrupted() -> Arc<AtomicBool> {
    let stop = Arc::new(AtomicBool::new(false));
    let told = stop.clone();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        if let Ok(runtime) = runtime
            && runtime.block_on(tokio::signal::ctrl_c()).is_ok()
        {
            told.store(true, Ordering::Relaxed);
        }
    });
    stop
}

/// `always`, `never`, or local times on workdays.
fn occupancy(text: &str) -> Result<Occupancy, String> {
    let minute = |text: &str| {
        let (hour, minute) = text.split_once(':')?;
        let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
        (hour <= 24 && minute < 60 && hour * 60 + minute <= 24 * 60).then_some(hour * 60 + minute)
    };
    match text {
        "always" => Ok(Occupancy::Always),
        "never" => Ok(Occupancy::Never),
        times => times
            .split_once('-')
            .and_then(|(from, to)| Some((minute(from)?, minute(to)?)))
            .filter(|(from_min, to_min)| from_min < to_min)
            .map(|(from_min, to_min)| Occupancy::Workdays { from_min, to_min })
            .ok_or_else(|| "expected always, never, or times like 08:00-18:00".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn occupancy_is_read_as_people_write_it() {
        let table = [
            ("always", Some(Occupancy::Always)),
            ("never", Some(Occupancy::Never)),
            ("07:30-17:00", Some(Occupancy::Workdays { from_min: 450, to_min: 1020 })),
            ("00:00-24:00", Some(Occupancy::Workdays { from_min: 0, to_min: 1440 })),
            ("18:00-08:00", None),
            ("8-18", None),
            ("sometimes", None),
        ];
        for (text, want) in table {
            assert_eq!(occupancy(text).ok(), want, "{text}");
        }
    }
}

//! `leeside run`: the daemon, with a real plant or a simulated one.

mod aside;

use crate::exit::Broken;
use anyhow::{Context, anyhow, bail};
use aside::Aside;
use chrono::{DateTime, Datelike, NaiveDate, NaiveDateTime, NaiveTime, Utc};
use clap::{Args, ValueEnum};
use leeside_config::{LoadOptions, Site, site};
use leeside_core::model::Model;
use leeside_core::time::{HOUR, MINUTE, Now, Wall, to_utc};
use leeside_daemon::clock::Clock;
use leeside_daemon::door::door;
use leeside_daemon::keeper::{Origin, Reload, Reloads};
use leeside_daemon::lines::Lines;
use leeside_daemon::service::{self, Options, Reloading, Seen};
use leeside_daemon::simulated::{self, Fitting, Simulation};
use leeside_daemon::versions::{self, Fit};
use leeside_dryrun::replay::Sky;
use leeside_dryrun::weather::{self, Series, Weather};
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{oneshot, watch};

/// The storm comes so long after the beginning, simulated.
const LEAD_MS: i64 = 30 * MINUTE;
/// So much of a typical year is laid out for a simulation, from its beginning.
const AHEAD_MS: i64 = 30 * 24 * HOUR;

/// Run the service: read sensors, decide, command the drives over MQTT
///
/// At a real plant machinery then moves by itself, without warning: make sure
/// beforehand that nobody works at a facade or stands under an awning, and that
/// wind, fire and people have hard-wired, independent means.
///
/// With --plant simulated, drives and sensors of a simulated plant talk to the
/// same broker as real ones would, and a weather file is what they feel.
#[derive(Debug, Args)]
pub(crate) struct RunArgs {
    /// The site file.
    site: PathBuf,
    /// The journal file, in place of the one that the site file names. With a
    /// simulated plant none is kept unless it is named here.
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
    /// Which plant carries commands out.
    #[arg(long, value_enum, default_value_t = PlantChoice::Real)]
    plant: PlantChoice,
    /// The weather that the simulated plant's sensors measure: TMY3, EPW or CSV.
    #[arg(long, value_name = "FILE")]
    weather: Option<PathBuf>,
    /// How many times as fast as real time a simulation runs.
    #[arg(long, value_name = "N", default_value_t = 60, value_parser = clap::value_parser!(u32).range(1..=3600))]
    speed: u32,
    /// When a simulation begins, as local time of the site (2013-03-06T12:00) or
    /// with an offset. Default: half an hour before a storm of the weather file.
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Prints nothing of what goes by.
    #[arg(long)]
    quiet: bool,
    /// How the log is written to standard error [default: text, or what LEESIDE_LOG says]
    #[arg(long, value_enum, value_name = "FORM")]
    log: Option<LogForm>,
    /// From which weight on [default: info]
    #[arg(long, value_enum, value_name = "LEVEL", default_value_t = LogLevel::Info, hide_default_value = true)]
    log_level: LogLevel,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum LogForm {
    /// Lines for people.
    Text,
    /// One JSON object a line.
    Json,
}

impl LogForm {
    /// As asked for on the command line, or else by the environment.
    fn chosen(asked: Option<Self>) -> anyhow::Result<Self> {
        let from_environment = || match std::env::var("LEESIDE_LOG") {
            Ok(word) if !word.is_empty() => Self::from_str(&word, true).map_err(|_| {
                anyhow!(Broken(format!(
                    "LEESIDE_LOG is {word:?}; it is text or json"
                )))
            }),
            Ok(_) | Err(_) => Ok(Self::Text),
        };
        asked.map_or_else(from_environment, Ok)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum LogLevel {
    /// What went wrong.
    Error,
    /// ... and what somebody should look at.
    Warn,
    /// ... and what goes its way.
    Info,
    /// ... and what helps to find a fault.
    Debug,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum PlantChoice {
    /// The drives and sensors of the building.
    Real,
    /// Simulated drives and sensors on the same broker.
    Simulated,
}

/// A simulation that is ready to begin.
struct Prepared {
    site: Site,
    sky: Sky,
    clock: Arc<Clock>,
    step_ms: i64,
    /// What the simulation makes of every site that it reads.
    fit: Fit,
}

/// Runs the daemon until it is told to stop (SIGTERM or SIGINT).
///
/// Exit codes: 0 stopped in order, 1 could not run, 2 the site file is broken.
pub(crate) fn run(args: RunArgs) -> anyhow::Result<ExitCode> {
    let quiet = args.quiet;
    let (log, lines) = (Aside::new(std::io::stderr()), Aside::new(std::io::stdout()));
    log_to(log.clone(), LogForm::chosen(args.log)?, args.log_level);
    let outcome = run_with(args, (!quiet).then(|| lines.clone()));
    lines.settle();
    log.settle();
    outcome
}

fn run_with(args: RunArgs, lines: Option<Aside>) -> anyhow::Result<ExitCode> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("the runtime could not be started")?;
    match args.plant {
        PlantChoice::Real => {
            if args.weather.is_some() || args.from.is_some() {
                bail!(Broken(
                    "--weather and --from are for a simulation: add --plant simulated".to_owned()
                ));
            }
            let (site, broken) = load_or_last(&args)?;
            let journal = args
                .journal
                .or_else(|| Some(site.wire.journal.file.clone()));
            runtime.block_on(serve(
                &site,
                Arc::new(Clock::machine()),
                journal,
                lines,
                None,
                Origin {
                    path: args.site,
                    fit: Arc::new(|site| site),
                    broken,
                },
            ))?;
        }
        PlantChoice::Simulated => {
            let Prepared {
                site,
                sky,
                clock,
                step_ms,
                fit,
            } = prepare(&args)?;
            runtime.block_on(serve(
                &site,
                clock,
                args.journal,
                lines,
                Some((sky, step_ms)),
                Origin {
                    path: args.site,
                    fit,
                    broken: None,
                },
            ))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Logs go to standard error; what goes by goes to standard output.
fn log_to(log: Aside, form: LogForm, level: LogLevel) {
    use tracing_subscriber::Layer;
    use tracing_subscriber::filter::{LevelFilter, Targets};
    use tracing_subscriber::layer::SubscriberExt;
    use tracing_subscriber::util::SubscriberInitExt;
    let lines = tracing_subscriber::fmt::layer()
        .with_writer(move || log.clone())
        .with_target(false);
    let layer = match form {
        LogForm::Text => lines.with_ansi(std::io::stderr().is_terminal()).boxed(),
        LogForm::Json => lines.json().flatten_event(true).boxed(),
    };
    let level = match level {
        LogLevel::Error => LevelFilter::ERROR,
        LogLevel::Warn => LevelFilter::WARN,
        LogLevel::Info => LevelFilter::INFO,
        LogLevel::Debug => LevelFilter::DEBUG,
    };
    // The embedded broker tells every client's coming and going.
    let quiet = Targets::new()
        .with_default(level)
        .with_target("mqtt5", LevelFilter::ERROR)
        .with_target("rumqttc", LevelFilter::ERROR);
    // Set already: a test that runs two in one process.
    let _ = tracing_subscriber::registry()
        .with(layer)
        .with(quiet)
        .try_init();
}

/// The site on disk; where that is broken, the one that was last in force, out of
/// the journal, and what is wrong with the one on disk. A cabinet that comes back
/// after a power cut while somebody was editing must not stand without its guards.
fn load_or_last(args: &RunArgs) -> anyhow::Result<(Site, Option<String>)> {
    let year = Utc::now().year();
    let broken = match load(&args.site, year) {
        Ok(site) => return Ok((site, None)),
        Err(broken) => broken,
    };
    let named = || site::journal_named(&args.site);
    let journal = args.journal.clone().unwrap_or_else(named);
    let options = LoadOptions::around(year);
    let Some(last) = versions::last_in_force(&journal, &args.site, &options) else {
        return Err(broken);
    };
    let short: String = last.fingerprint.chars().take(12).collect();
    tracing::error!("{broken}");
    let said = format!(
        "{} was broken at the start: the site that was last in force runs, out of the journal (fingerprint {short}); mend \
         the file and load it anew",
        args.site.display()
    );
    tracing::error!("{said}");
    Ok((last, Some(said)))
}

fn load(path: &Path, year: i32) -> anyhow::Result<Site> {
    let outcome = site::load(path, &LoadOptions::around(year));
    let Some(site) = outcome.site else {
        let all: Vec<String> = outcome
            .diagnostics
            .iter()
            .map(|problem| problem.render(&outcome.text, false))
            .collect();
        bail!(Broken(format!(
            "the site file is broken\n{}",
            all.join("\n")
        )));
    };
    Ok(site)
}

fn prepare(args: &RunArgs) -> anyhow::Result<Prepared> {
    let path = args.weather.as_ref().ok_or_else(|| {
        anyhow!(Broken(
            "a simulated plant needs weather for its sensors: --weather FILE".to_owned()
        ))
    })?;
    let weather = weather::read(path).map_err(|error| anyhow!(Broken(error.to_string())))?;
    let first = load(&args.site, Utc::now().year())?;
    let from = match &args.from {
        Some(text) => moment(&first.model, text)?,
        None => before_storm(&first.model, &weather)?,
    };
    let site = load(&args.site, from.local_date(first.model.site.zone).year())?;
    let series = weather_from(weather, from)?;
    let step_ms = simulated::step_ms(&site.model, args.speed);
    let fitting = Fitting {
        resolution_ms: series.about.resolution_ms,
        step_ms,
        speed: args.speed,
    };
    let fit: Fit = Arc::new(move |site| fitting.site(site));
    let site = fit(site);
    let clock = Arc::new(Clock::simulated(from, args.speed));
    Ok(Prepared {
        site,
        sky: Sky::Rows(series),
        clock,
        step_ms,
        fit,
    })
}

/// The rows of the weather that a simulation from this moment on goes through.
fn weather_from(weather: Weather, from: Wall) -> anyhow::Result<Series> {
    let series = if let Weather::Real(series) = weather {
        series
    } else {
        let laid_out = weather.over(from, from.plus(AHEAD_MS));
        laid_out.map_err(|error| anyhow!(Broken(error.to_string())))?
    };
    let (first, last) = (series.rows.first(), series.rows.last());
    if first.is_none_or(|row| from < row.start) || last.is_none_or(|row| from >= row.end) {
        let ends = first.zip(last).map_or_else(String::new, |(first, last)| {
            format!(
                ", which goes from {} to {}",
                first.start.utc(),
                last.end.utc()
            )
        });
        bail!(Broken(format!(
            "{} is not in the weather file{ends}",
            from.utc()
        )));
    }
    Ok(series)
}

/// A moment of the command line.
fn moment(model: &Model, text: &str) -> anyhow::Result<Wall> {
    if let Ok(at) = DateTime::parse_from_rfc3339(text) {
        return Ok(Wall::from_utc(at.to_utc()));
    }
    let local = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"]
        .iter()
        .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok());
    let local = local.ok_or_else(|| {
        anyhow!(Broken(format!(
            "--from {text:?} is no moment; write 2013-03-06T12:00, local time of the site"
        )))
    })?;
    Ok(Wall::from_utc(to_utc(model.site.zone, local).utc))
}

fn before_storm(model: &Model, weather: &Weather) -> anyhow::Result<Wall> {
    let found = if let Weather::Real(series) = weather {
        simulated::before_storm(model, series, LEAD_MS)
    } else {
        // Of no year of its own: laid out over this one.
        let year = Utc::now().year();
        let start = |year| {
            NaiveDate::from_ymd_opt(year, 1, 1).map(|date| date.and_time(NaiveTime::MIN).and_utc())
        };
        let (Some(from), Some(to)) = (start(year), start(year + 1)) else {
            bail!("the year {year} has no days")
        };
        let series = weather.over(Wall::from_utc(from), Wall::from_utc(to));
        series
            .ok()
            .and_then(|series| simulated::before_storm(model, &series, LEAD_MS))
    };
    found.ok_or_else(|| {
        let what = "the weather file has no wind as strong as the limits of the site";
        anyhow!(Broken(format!("{what}; say where to begin with --from")))
    })
}

async fn serve(
    site: &Site,
    clock: Arc<Clock>,
    journal: Option<PathBuf>,
    lines: Option<Aside>,
    simulation: Option<(Sky, i64)>,
    origin: Origin,
) -> anyhow::Result<()> {
    let (stopper, stop) = watch::channel(false);
    let mut terminate = signal(SignalKind::terminate()).context("SIGTERM cannot be listened to")?;
    let mut interrupt = signal(SignalKind::interrupt()).context("SIGINT cannot be listened to")?;
    let signals = tokio::spawn(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        // The service has ended by itself: nobody to tell.
        let _ = stopper.send(true);
    });
    let (looks_in, porter) = door(&site.model, &site.fingerprint, clock.now());
    let site_file = origin.path.clone();
    let (reloading, reloads) = Reloading::new(origin);
    let page = tokio::spawn(leeside_page::run(leeside_page::Options {
        site: site_file,
        settings: site.wire.page.clone(),
        door: looks_in,
        reloads: reloads.clone(),
        clock: Arc::clone(&clock),
        journal: journal.clone(),
        stop: stop.clone(),
    }));
    let hangups = tokio::spawn(on_hangup(reloads));
    let (ready, is_ready) = oneshot::channel();
    let simulated = simulation.map(|(sky, step_ms)| {
        let (root, model) = (site.wire.broker.root.clone(), Arc::clone(&site.model));
        let (clock, stop) = (Arc::clone(&clock), stop.clone());
        tokio::spawn(async move {
            // Not ready: the service could not start, and says why itself.
            let Ok(place) = is_ready.await else { return };
            simulated::run(Simulation {
                place,
                root,
                model,
                sky,
                clock,
                step_ms,
                stop,
            })
            .await;
        })
    });
    let watch = printer(&site.model, lines);
    let options = Options {
        journal,
        watch,
        ready: Some(ready),
        reloading: Some(reloading),
        porter: Some(porter),
        ..Options::new(clock, stop)
    };
    let ended = service::run(site, options).await;
    page.abort();
    if let Some(simulated) = simulated {
        simulated.abort();
    }
    signals.abort();
    hangups.abort();
    Ok(ended?)
}

/// SIGHUP loads the site file anew. What became of it is logged and alarmed by
/// the service itself: nobody waits for an answer here.
async fn on_hangup(door: Reloads) {
    let Ok(mut hangup) = signal(SignalKind::hangup()) else {
        return;
    };
    while hangup.recv().await.is_some() {
        let (asked, answer) = oneshot::channel();
        if door.send(Reload(asked)).await.is_err() {
            return;
        }
        // Ended meanwhile: nothing to tell.
        if let Ok(answer) = answer.await
            && answer.accepted
        {
            tracing::info!("{}", answer.said);
        }
    }
}

/// Prints what goes by.
fn printer(model: &Arc<Model>, to: Option<Aside>) -> service::Watch {
    let Some(mut to) = to else {
        return Box::new(|_, _| {});
    };
    let mut lines = Lines::new(Arc::clone(model));
    Box::new(move |now: Now, seen: &Seen<'_>| {
        if let Some(line) = lines.line(now, seen) {
            // In one piece, so that it is left out in one piece; it never fails.
            let _ = to.write_all(format!("{line}\n").as_bytes());
        }
    })
}

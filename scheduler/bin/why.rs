//! `leeside why`: the reason of one movement, past or planned; and everything
//! that moved in front of a room.

use crate::exit::Broken;
use crate::given::{self, Moment};
use crate::weather::{Given, WeatherArgs, step_ms};
use anyhow::Context;
use chrono_tz::IANA_TZDB_VERSION;
use clap::{ArgGroup, Args, ValueEnum};
use leeside_config::Site;
use leeside_core::ids::RoomId;
use leeside_core::model::Model;
use leeside_core::time::Wall;
use leeside_daemon::versions::Versions;
use leeside_dryrun::replay::{Occupancy, PlantKind, Setting};
use leeside_dryrun::report::Head;
use leeside_dryrun::weather::{Series, Weather, moment};
use leeside_dryrun::why::{
    AROUND_MS, Basis, Lived, LivedError, Story, WhyError, complaint, complaint_json,
    complaint_plain, complaint_text, json, plain, text, version_at, why,
};
use leeside_journal::Journal;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// The reason of one movement, past or planned, or everything that moved in
/// front of a room
///
/// With --group and --at: the verdict of that moment, every rank with its
/// numbers or with what would have had to be different, when the course last
/// changed and when it changes next. With --room, --from and --to: all
/// movements in front of that room with their reasons.
///
/// Worked out by the core itself: from a weather file, from a made-up clear and
/// calm sky (the default), or from what the service recorded (--journal).
#[derive(Args, Debug)]
#[command(group(ArgGroup::new("about").required(true).args(["group", "room"])))]
pub(crate) struct WhyArgs {
    /// The site file
    site: PathBuf,
    /// The group that moved, or did not
    #[arg(long, value_name = "NAME", requires = "at")]
    group: Option<String>,
    /// The moment: RFC 3339, or local to the site; without seconds, the whole minute
    #[arg(long, value_name = "T", value_parser = Moment::read, requires = "group")]
    at: Option<Moment>,
    /// The room of a complaint
    #[arg(long, value_name = "NAME", requires_all = ["from", "to"])]
    room: Option<String>,
    /// From this moment on
    #[arg(long, value_name = "A", value_parser = Moment::read, requires = "room")]
    from: Option<Moment>,
    /// Until this moment
    #[arg(long, value_name = "B", value_parser = Moment::read, requires = "room")]
    to: Option<Moment>,
    #[command(flatten)]
    weather: WeatherArgs,
    /// What the service recorded
    #[arg(long, value_name = "FILE", conflicts_with_all = ["weather", "gusts"])]
    journal: Option<PathBuf>,
    /// A few sentences for a tenant
    #[arg(long)]
    plain: bool,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs
    Json,
}

/// What is asked, with its moments on the site's clock.
enum Question {
    Moment { group: String, at: Wall },
    Room { room: String, from: Wall, to: Wall },
}

/// Answers on standard output.
pub(crate) fn run(args: WhyArgs) -> anyhow::Result<ExitCode> {
    let year = args.at.or(args.from).map_or(2027, Moment::year);
    let site = given::site(&args.site, year)?;
    let question = question(&args, &site)?;
    let told = match &args.journal {
        Some(file) => from_journal(&args, &site, file, &question)?,
        None => from_weather(&args, &site, &question)?,
    };
    given::print(&told)?;
    Ok(ExitCode::SUCCESS)
}

fn question(args: &WhyArgs, site: &Site) -> Result<Question, Broken> {
    let zone = site.model.site.zone;
    match (&args.group, args.at, &args.room, args.from, args.to) {
        (Some(group), Some(at), ..) => Ok(Question::Moment {
            group: group.clone(),
            at: at.end(zone),
        }),
        (_, _, Some(room), Some(from), Some(to)) => {
            let (from, to) = (from.at(zone), to.at(zone));
            if from >= to {
                return Err(Broken(
                    "the span ends before it begins: --from must lie before --to".to_owned(),
                ));
            }
            Ok(Question::Room {
                room: room.clone(),
                from,
                to,
            })
        }
        _ => Err(Broken(
            "give --group and --at, or --room, --from and --to".to_owned(),
        )),
    }
}

impl Question {
    /// The moment whose version of the site names groups and rooms.
    const fn asked(&self) -> Wall {
        match self {
            Self::Moment { at, .. } => *at,
            Self::Room { to, .. } => *to,
        }
    }

    /// The span that has to be known, and the span in which something is looked for.
    const fn spans(&self) -> ((Wall, Wall), (Wall, Wall)) {
        match self {
            Self::Moment { at, .. } => {
                ((*at, at.plus(1)), (at.plus(-AROUND_MS), at.plus(AROUND_MS)))
            }
            Self::Room { from, to, .. } => ((*from, *to), (*from, *to)),
        }
    }
}

fn from_weather(args: &WhyArgs, site: &Site, question: &Question) -> anyhow::Result<String> {
    let (must, (mut from, mut to)) = question.spans();
    let given = args
        .weather
        .read(&site.model)?
        .unwrap_or(Given::ClearAndCalm);
    if let Given::Data(weather, _) = &given
        && let Weather::Real(series) = weather.as_ref()
    {
        let (first, last) = ends(series, must)?;
        (from, to) = (from.max(first), to.min(last));
    }
    let sky = given.over(from, to)?;
    let setting = Setting {
        model: site.model.clone(),
        from,
        to,
        step_ms: step_ms(&sky),
        sky,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::OFFICE,
    };
    let basis = Basis::Told(Box::new(Head::of(&setting, &site.fingerprint)));
    answer(args, &site.model, &Story::Told(&setting), &basis, question)
}

/// The first and the last moment of a series, which must speak of a span.
fn ends(series: &Series, must: (Wall, Wall)) -> Result<(Wall, Wall), Broken> {
    let first = series.rows.first().map_or(Wall(0), |row| row.start);
    let last = series.rows.last().map_or(Wall(0), |row| row.end);
    if must.0 < first || must.1 > last {
        return Err(Broken(format!(
            "{} speaks of {} to {} only: ask for a moment or span within it",
            series.about.file,
            moment(first),
            moment(last)
        )));
    }
    Ok((first, last))
}

fn from_journal(
    args: &WhyArgs,
    site: &Site,
    file: &Path,
    question: &Question,
) -> anyhow::Result<String> {
    if !file.is_file() {
        return Err(Broken(format!("{}: no such journal", file.display())).into());
    }
    let journal = Journal::open_read_only(file)
        .with_context(|| format!("{} cannot be opened", file.display()))?;
    let (_, (from, to)) = question.spans();
    let mut versions = Versions::new(site, Some(&journal));
    let then = version_at(&journal, &mut versions, question.asked()).map_err(untold)?;
    let model = then.unwrap_or_else(|| site.model.clone());
    let lived = Lived::of(&journal, model.clone(), &mut versions, from, to).map_err(untold)?;
    let short = site.fingerprint.get(..12).unwrap_or(&site.fingerprint);
    let program = env!("CARGO_PKG_VERSION");
    let basis = Basis::Lived {
        journal: file
            .file_name()
            .map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
        fingerprint: format!("site {short}, leeside {program}, zone data {IANA_TZDB_VERSION}"),
        notes: lived.notes().to_vec(),
    };
    answer(args, &model, &Story::Lived(&lived), &basis, question)
}

fn untold(error: LivedError) -> anyhow::Error {
    match error {
        LivedError::Nothing { .. } => anyhow::Error::new(Broken(error.to_string())),
        LivedError::Journal(_)
        | LivedError::Row { .. }
        | LivedError::Sink(_)
        | LivedError::Stopped(_) => error.into(),
    }
}

fn answer(
    args: &WhyArgs,
    model: &Model,
    story: &Story<'_>,
    basis: &Basis,
    question: &Question,
) -> anyhow::Result<String> {
    match question {
        Question::Moment { group, at } => {
            let group = given::group(model, group)?;
            let why = why(story, group, *at).map_err(failed)?;
            // With the limits and phases of then.
            let model = &why.model;
            Ok(match (args.format, args.plain) {
                (Format::Json, _) => format!("{:#}\n", json(model, basis, &why)),
                (Format::Text, true) => format!("{}\n", plain(model, basis, &why)),
                (Format::Text, false) => text(model, basis, &why),
            })
        }
        Question::Room { room, from, to } => {
            let room = self::room(model, room)?;
            let found = complaint(story, model, room, *from, *to).map_err(failed)?;
            Ok(match (args.format, args.plain) {
                (Format::Json, _) => format!("{:#}\n", complaint_json(model, basis, &found)),
                (Format::Text, true) => complaint_plain(model, basis, &found),
                (Format::Text, false) => complaint_text(model, basis, &found),
            })
        }
    }
}

/// Why there is no answer; what was given in vain is told apart from what failed.
fn failed(error: WhyError) -> anyhow::Error {
    match error {
        WhyError::Outside(_) => Broken(error.to_string()).into(),
        WhyError::Stopped(stopped) => stopped.into(),
        WhyError::Lived(lived) => lived.into(),
    }
}

fn room(model: &Model, name: &str) -> Result<RoomId, Broken> {
    let names = || given::names(model.rooms.iter().map(|room| room.name.as_str()));
    model.room_named(name).ok_or_else(|| {
        Broken(format!(
            "--room {name}: no such room; there are {}",
            names()
        ))
    })
}

//! Works a year out: the dry run, its storm audit, and a trial beside it.

use super::trial::Trial;
use super::weather::{Choice, of_file};
use crate::failure::{Failure, site_broken};
use crate::house::App;
use crate::work::Progress;
use chrono::{Datelike, Days, NaiveDate, NaiveTime};
use chrono_tz::Tz;
use core::ops::ControlFlow;
use leeside_config::{LoadOptions, load_site};
use leeside_core::Core;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange};
use leeside_core::time::{HOUR, MINUTE, SECOND, Wall, to_utc};
use leeside_dryrun::audit::{Audit, audit_by};
use leeside_dryrun::diff::{Behaviour, Exposure, GroupBehaviour, GroupDiff, Step, compare};
use leeside_dryrun::html::{Carpets, HtmlReport};
use leeside_dryrun::ics::IcsSink;
use leeside_dryrun::note::Note;
use leeside_dryrun::replay::{LEAD_IN_MS, Occupancy, PlantKind, Setting, Sink, Sky, Tally, replay};
use leeside_dryrun::report::{CsvSink, Head, JsonSink};
use leeside_dryrun::told::Movement;
use leeside_dryrun::weather::{Weather, recorded};
use std::io;
use std::path::PathBuf;
use std::sync::Arc;

/// A span longer than this is refused, days: two years.
pub(super) const MOST_DAYS: u64 = 731;
/// Without dates, so many days of what was recorded, days.
const RECORDED_DAYS: u64 = 30;
/// A replay of more steps than this is refused: two years of minutes.
const MOST_STEPS: i64 = 1_100_000;

/// What is asked.
#[derive(Clone, Debug)]
pub struct Question {
    /// The running house.
    pub model: Arc<Model>,
    /// Its site file, hashed.
    pub fingerprint: String,
    /// The site file.
    pub site: PathBuf,
    /// The folder with weather files.
    pub folder: PathBuf,
    /// The journal, where one is kept.
    pub journal: Option<PathBuf>,
    /// What time it is.
    pub now: Wall,
    /// Which weather.
    pub choice: Choice,
    /// A file that was sent, where it is that.
    pub sent: Option<Arc<Weather>>,
    /// First day; `None`: what the weather suggests.
    pub first: Option<NaiveDate>,
    /// Last day.
    pub last: Option<NaiveDate>,
    /// Whether the audit lets things fail.
    pub faults: bool,
    /// The trial.
    pub trial: Option<Trial>,
}

/// In which form a report is taken away.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Form {
    /// The year as one page, to print.
    Html,
    /// Every movement as a row.
    Csv,
    /// Everything for programs.
    Json,
    /// For a calendar program.
    Ics,
}

impl Form {
    /// All of them, in the order in which they are offered.
    pub const ALL: [Self; 4] = [Self::Html, Self::Csv, Self::Json, Self::Ics];

    /// The ending of its file.
    #[must_use]
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Html => "html",
            Self::Csv => "csv",
            Self::Json => "json",
            Self::Ics => "ics",
        }
    }

    /// Its media type.
    #[must_use]
    pub const fn kind(self) -> &'static str {
        match self {
            Self::Html => "text/html; charset=utf-8",
            Self::Csv => "text/csv; charset=utf-8",
            Self::Json => "application/json",
            Self::Ics => "text/calendar; charset=utf-8",
        }
    }
}

/// What came of it.
#[derive(Debug)]
pub enum Answer {
    /// To be looked at.
    Shown(Box<Shown>),
    /// To be taken away.
    File(Vec<u8>),
}

/// A year to be looked at.
#[derive(Debug)]
pub struct Shown {
    /// The house as it is.
    pub model: Arc<Model>,
    /// On what it rests.
    pub head: Head,
    /// First day, and the first after the last.
    pub days: (NaiveDate, NaiveDate),
    /// As it is.
    pub as_is: Year,
    /// As it would be.
    pub trial: Option<Tried>,
}

/// One year.
#[derive(Debug)]
pub struct Year {
    /// What was counted.
    pub tally: Tally,
    /// What the carpets are woven of.
    pub carpets: Carpets,
    /// Every movement.
    pub behaviour: Behaviour,
    /// The storm audit, by the rules in force.
    pub audit: Audit,
}

/// A year with the trial in it.
#[derive(Debug)]
pub struct Tried {
    /// What is tried.
    pub trial: Trial,
    /// The year with it.
    pub year: Year,
    /// What differs.
    pub differences: Vec<GroupDiff>,
}

/// The span asked for or suggested, as days of the site.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Dates {
    first: NaiveDate,
    after: NaiveDate,
}

/// Which file lies where, for the next request.
pub(super) fn question_of(app: &App, choice: Choice) -> Question {
    let present = app.present();
    let sent = match &choice {
        Choice::Sent(sum) => app.uploads.find(sum),
        Choice::Calm | Choice::Recorded | Choice::File(_) => None,
    };
    Question {
        model: Arc::clone(&present.model),
        fingerprint: present.fingerprint.clone(),
        site: app.given.site.clone(),
        folder: app.given.settings.weather_folder.clone(),
        journal: app.given.journal.clone(),
        now: present.at.wall,
        sent,
        choice,
        first: None,
        last: None,
        faults: false,
        trial: None,
    }
}

/// Works out what is shown.
pub(super) fn shown(question: &Question, progress: &Progress<'_>) -> Result<Answer, Failure> {
    let replays = if question.trial.is_some() { 4.0 } else { 2.0 };
    let part = |number: f64| move |share: f64| progress.at((number + share) / replays);
    let (setting, days) = setting(question, progress)?;
    let head = Head::of(&setting, &question.fingerprint);
    let rules = Arc::clone(&setting.model);
    let as_is = year(
        &setting,
        &rules,
        question.faults,
        &head,
        &part(0.0),
        &part(1.0),
    )?;
    let tried = question.trial.as_ref().map(|trial| {
        let other = Setting {
            model: trial.on(&rules),
            ..setting.clone()
        };
        let year = year(
            &other,
            &rules,
            question.faults,
            &head,
            &part(2.0),
            &part(3.0),
        )?;
        Ok::<_, Failure>(Tried {
            differences: compare(&as_is.behaviour, &year.behaviour),
            trial: trial.clone(),
            year,
        })
    });
    Ok(Answer::Shown(Box::new(Shown {
        trial: tried.transpose()?,
        model: rules,
        days,
        head,
        as_is,
    })))
}

/// Works out what is taken away: the year with the trial in it, where there is one.
pub(super) fn file(
    question: &Question,
    form: Form,
    progress: &Progress<'_>,
) -> Result<Answer, Failure> {
    let (mut setting, _) = setting(question, progress)?;
    let mut fingerprint = question.fingerprint.clone();
    if let Some(trial) = &question.trial {
        setting.model = trial.on(&setting.model);
        // Not what the site file says: nobody shall take it for that.
        fingerprint = format!("trial-{fingerprint}");
    }
    let mut head = Head::of(&setting, &fingerprint);
    if question.trial.is_some() {
        head.cautions.insert(0, Note::Trial);
    }
    let whole = setting.to.0 - setting.from.0;
    let mut at = |at: Wall| progress.at(share(at.0 - setting.from.0, whole));
    let model = Arc::clone(&setting.model);
    let bytes = match form {
        Form::Html => {
            let mut sink = HtmlReport::new(&setting, &head);
            let tally = replay(&setting, &mut sink, &mut at)?;
            sink.finish(&tally).into_bytes()
        }
        Form::Csv => {
            let mut sink = CsvSink::new(Vec::new(), &head)?;
            replay(&setting, &mut sink, &mut at)?;
            sink.finish()?
        }
        Form::Json => {
            let mut sink = JsonSink::new(Vec::new(), &head)?;
            let tally = replay(&setting, &mut sink, &mut at)?;
            sink.finish(&model, &tally)?
        }
        Form::Ics => {
            let mut sink = IcsSink::new(Vec::new(), &head, &model, setting.from, setting.to);
            replay(&setting, &mut sink, &mut at)?;
            sink.finish(&model)?
        }
    };
    Ok(Answer::File(bytes))
}

fn year(
    setting: &Setting,
    rules: &Model,
    faults: bool,
    head: &Head,
    progress: &(dyn Fn(f64) -> ControlFlow<()> + Sync),
    audit_progress: &(dyn Fn(f64) -> ControlFlow<()> + Sync),
) -> Result<Year, Failure> {
    let whole = setting.to.0 - setting.from.0;
    let mut sink = Woven {
        report: HtmlReport::new(setting, head),
        steps: vec![Vec::new(); setting.model.groups.len()],
    };
    let tally = replay(setting, &mut sink, &mut |at| {
        progress(share(at.0 - setting.from.0, whole))
    })?;
    let (carpets, steps) = (sink.report.carpets(), sink.steps);
    let moving = Setting {
        plant: PlantKind::Simulated,
        ..setting.clone()
    };
    // On one thread: the other cores are the house's.
    let audit = audit_by(rules, &moving, faults, 1, audit_progress)?;
    let groups = setting.model.groups.iter().zip(steps).enumerate();
    let behaviour = Behaviour {
        groups: groups
            .map(|(index, (group, steps))| GroupBehaviour {
                name: group.name.clone(),
                steps,
                account: tally.group(GroupId::of(index)),
                exposure: exposure(&audit, GroupId::of(index)),
            })
            .collect(),
    };
    Ok(Year {
        tally,
        carpets,
        behaviour,
        audit,
    })
}

/// How long the devices of a group were exposed while nothing fails.
fn exposure(audit: &Audit, group: GroupId) -> Exposure {
    let storms = audit
        .shown
        .first()
        .map_or(&[][..], |shown| &shown.storms[..]);
    let stays = storms
        .iter()
        .filter(|storm| storm.group == group)
        .flat_map(|storm| &storm.devices);
    stays.fold(Exposure::default(), |sum, stay| Exposure {
        all_ms: sum.all_ms + stay.exposed_ms,
        longest_ms: sum.longest_ms.max(stay.exposed_ms),
    })
}

/// Gathers what the page draws and what the comparison needs in one replay.
struct Woven<'a> {
    report: HtmlReport<'a>,
    steps: Vec<Vec<Step>>,
}

impl Sink for Woven<'_> {
    fn movement(&mut self, model: &Model, command: &Command) -> io::Result<()> {
        let movement = Movement::of(command);
        self.steps[movement.group.index()].push(Step {
            at: movement.at.wall,
            pose: movement.pose,
            word: movement.decided_by,
            reason: leeside_core::say::because(model, &movement.because),
        });
        self.report.movement(model, command)
    }

    fn lockout(&mut self, model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.report.lockout(model, change)
    }

    fn alarm(&mut self, model: &Model, alarm: &Alarm) -> io::Result<()> {
        self.report.alarm(model, alarm)
    }

    fn look_at(&self) -> Option<Wall> {
        self.report.look_at()
    }

    fn look(&mut self, core: &Core, at: Wall) -> io::Result<()> {
        self.report.look(core, at)
    }
}

/// The replay that is asked for, and its days.
fn setting(
    question: &Question,
    progress: &Progress<'_>,
) -> Result<(Setting, (NaiveDate, NaiveDate)), Failure> {
    let zone = question.model.site.zone;
    let today = question.now.local_date(zone);
    let weather = match &question.choice {
        Choice::Calm | Choice::Recorded => None,
        Choice::File(name) => Some(of_file(&question.folder, name)?),
        Choice::Sent(_) => Some(
            question
                .sent
                .clone()
                .ok_or_else(|| Failure::of("weather.no_longer_kept"))?,
        ),
    };
    let days = days(question, weather.as_deref(), today)?;
    let (from, mut to) = (midnight(zone, days.first), midnight(zone, days.after));
    let model = model_for(question, days.first.year())?;
    let sky = match (&question.choice, &weather) {
        (Choice::Recorded, _) => {
            let path = question.journal.as_ref();
            let path = path.ok_or_else(|| Failure::of("weather.no_journal"))?;
            to = to.min(question.now);
            if from >= to {
                return Err(Failure::of("weather.to_come"));
            }
            let begin = from.plus(-LEAD_IN_MS);
            let series = recorded(path, &model, (begin, to), &mut |_| progress.at(0.0));
            Sky::Rows(series?)
        }
        (_, Some(weather)) => {
            // The span itself must be there; its lead-in need not.
            weather.over(from, to)?;
            let series = weather
                .over(from.plus(-LEAD_IN_MS), to)
                .or_else(|_| weather.over(from, to));
            Sky::Rows(series?)
        }
        (_, None) => Sky::ClearAndCalm,
    };
    let step_ms = match &sky {
        Sky::Rows(series) => series.about.resolution_ms.clamp(SECOND, MINUTE),
        Sky::ClearAndCalm => MINUTE,
    };
    if (to.0 - from.0) / step_ms > MOST_STEPS {
        return Err(Failure::of("weather.too_fine"));
    }
    let setting = Setting {
        model,
        sky,
        from,
        to,
        step_ms,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::OFFICE,
    };
    Ok((setting, (days.first, days.after)))
}

/// When a day of the site begins.
fn midnight(zone: Tz, date: NaiveDate) -> Wall {
    Wall::from_utc(to_utc(zone, date.and_time(NaiveTime::MIN)).utc)
}

/// The first and the last day of the site that lie whole within a span; data that begin
/// at midnight elsewhere begin in the middle of a day here. Shorter than a day: its day.
fn whole_days(zone: Tz, begin: Wall, end: Wall) -> (NaiveDate, NaiveDate) {
    let (day, eve) = (begin.local_date(zone), end.local_date(zone));
    let first = if midnight(zone, day) < begin {
        day.succ_opt().unwrap_or(day)
    } else {
        day
    };
    let last = eve.pred_opt().unwrap_or(eve);
    if first <= last {
        (first, last)
    } else {
        (day, day)
    }
}

fn days(
    question: &Question,
    weather: Option<&Weather>,
    today: NaiveDate,
) -> Result<Dates, Failure> {
    let zone = question.model.site.zone;
    let whole_year = || {
        let first = NaiveDate::from_ymd_opt(today.year(), 1, 1).unwrap_or(today);
        let last = NaiveDate::from_ymd_opt(today.year(), 12, 31).unwrap_or(today);
        (first, last)
    };
    let (first, last) = match weather {
        _ if question.choice == Choice::Recorded => {
            let first = today
                .checked_sub_days(Days::new(RECORDED_DAYS - 1))
                .unwrap_or(today);
            (first, today)
        }
        Some(Weather::Real(series)) => {
            let (Some(begin), Some(end)) = (series.rows.first(), series.rows.last()) else {
                return Err(Failure::of("weather.no_rows"));
            };
            let (first, last) = whole_days(zone, begin.start, end.end);
            // Of years of data the first one.
            let year = first.checked_add_days(Days::new(365)).unwrap_or(first);
            (first, last.min(year))
        }
        Some(Weather::Typical(_) | Weather::MadeUp(_)) | None => whole_year(),
    };
    let (first, last) = match (question.first, question.last) {
        (Some(first), Some(last)) => (first, last),
        (Some(given), None) => (given, last.max(given)),
        (None, Some(given)) => (first.min(given), given),
        (None, None) => (first, last),
    };
    let after = last.succ_opt().unwrap_or(last);
    let length = u64::try_from(after.signed_duration_since(first).num_days()).unwrap_or(0);
    if length == 0 {
        return Err(Failure::of("year.ends_before"));
    }
    if length > MOST_DAYS {
        return Err(Failure::of("year.too_many_days")
            .with("days", length)
            .with("most", MOST_DAYS));
    }
    Ok(Dates { first, after })
}

/// The running model, or for years of which it may not know the days the site file
/// read anew.
fn model_for(question: &Question, year: i32) -> Result<Arc<Model>, Failure> {
    let this = question.now.local_date(question.model.site.zone).year();
    if (this - 1..this + 2).contains(&year) {
        return Ok(Arc::clone(&question.model));
    }
    match load_site(&question.site, &LoadOptions::around(year)) {
        Ok((site, _)) => Ok(site.model),
        Err(problems) => Err(site_broken(&problems)),
    }
}

#[expect(clippy::cast_precision_loss, reason = "a century is 3e12 ms")]
fn share(done: i64, whole: i64) -> f64 {
    // An hour at least, so that nothing is divided by nothing.
    done as f64 / whole.max(HOUR) as f64
}

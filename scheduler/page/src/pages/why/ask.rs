//! Works an answer out: from the journal what was, from a replay what is planned.

use crate::draw::Day;
use crate::failure::{Failure, site_broken};
use chrono::Datelike;
use leeside_config::{LoadOptions, load_site};
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::time::{HOUR, MINUTE, Now, SECOND, Wall};
use leeside_daemon::versions::Versions;
use leeside_dryrun::replay::{LEAD_IN_MS, Occupancy, PlantKind, Setting, Sky};
use leeside_dryrun::told::Movement;
use leeside_dryrun::weather::Weather;
use leeside_dryrun::why::{Lived, LivedError, Story, Timeline, timeline};
use leeside_journal::Journal;
use leeside_solar::{Sun, SunPath};
use std::path::PathBuf;
use std::sync::Arc;

/// From glance to glance.
pub(super) const EVERY_MS: i64 = 5 * MINUTE;
/// Movements before and after the moment are looked for so far beyond its day.
const AROUND_MS: i64 = 24 * HOUR;
/// Years around the present one that the running service knows the days of.
const KNOWN_YEARS: (i32, i32) = (1, 3);

/// What is asked.
#[derive(Clone, Debug)]
pub(super) struct Question {
    /// The running house.
    pub(super) model: Arc<Model>,
    /// Its site file, hashed.
    pub(super) fingerprint: String,
    /// The site file.
    pub(super) site: PathBuf,
    /// Name of the group.
    pub(super) group: String,
    /// The moment.
    pub(super) at: Wall,
    /// What time it is.
    pub(super) now: Wall,
    /// The journal, where one is kept.
    pub(super) journal: Option<PathBuf>,
    /// Weather to ask under, in place of what was recorded and of a clear sky: as it
    /// stands in the address, and the way to read it.
    pub(super) weather: Option<(String, Reader)>,
}

/// Reads a weather file when its turn has come.
#[derive(Clone)]
pub(super) struct Reader(pub(super) Arc<dyn Fn() -> Result<Arc<Weather>, Failure> + Send + Sync>);

impl core::fmt::Debug for Reader {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("Reader")
    }
}

/// On what an answer rests.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Basis {
    /// On the journal.
    Recorded {
        /// The site file was another one then.
        other_site: bool,
    },
    /// On a replay under a clear and calm sky.
    Planned,
    /// The same for a moment that has passed: nothing is recorded of it.
    Unrecorded,
    /// On a replay under the weather of a file.
    Weather,
}

/// A group, a moment, and the day around it.
#[derive(Debug)]
pub struct Answer {
    /// The house that it speaks of.
    pub model: Arc<Model>,
    /// Which group.
    pub group: GroupId,
    /// The moment.
    pub at: Wall,
    /// What time it was when it was worked out.
    pub now: Wall,
    /// Its day.
    pub day: Day,
    /// On what the verdict rests.
    pub basis: Basis,
    /// The weather file that was asked for, as it stands in the address; else empty.
    pub weather: String,
    /// The story that reaches the moment.
    pub told: Timeline,
    /// Of today, the other part of the day: planned or recorded.
    pub rest: Option<Timeline>,
    /// Where the sun stands, every five minutes.
    pub suns: Vec<(Wall, Sun)>,
}

impl Answer {
    /// Where what is planned goes on otherwise than what was recorded stands: the
    /// movement that a clear and calm sky would bring from now on.
    pub(super) fn joint(&self) -> Option<Movement> {
        let plan = self.rest.as_ref().filter(|_| {
            matches!(self.basis, Basis::Recorded { .. }) && self.at.plus(MINUTE) >= self.now
        })?;
        let stands = self
            .told
            .glances
            .iter()
            .rfind(|one| one.at <= self.now)?
            .pose;
        let planned = plan.movements.iter().rfind(|one| one.at.wall <= self.now)?;
        (stands != Some(planned.pose)).then(|| Movement {
            at: Now {
                wall: self.now,
                ..planned.at
            },
            ..planned.clone()
        })
    }
}

/// Works it out.
pub(super) fn work(question: &Question) -> Result<Answer, Failure> {
    let model = model_for(question)?;
    let group = model
        .group_named(&question.group)
        .ok_or_else(|| Failure::of("why.no_such_group").with("group", &question.group))?;
    let day = Day::of(&model, question.at);
    let asked = Asked {
        question,
        model: &model,
        group,
        day,
    };
    let past = question.at <= question.now;
    let today = day.from <= question.now && question.now < day.to;
    let lived = if day.from <= question.now && question.weather.is_none() {
        asked.lived(past)?
    } else {
        None
    };
    let (basis, told, rest) = match lived {
        _ if question.weather.is_some() => {
            (Basis::Weather, asked.planned(Some(question.at))?, None)
        }
        Some((told, other_site)) if past => {
            let rest = today.then(|| asked.planned(None)).transpose()?;
            (Basis::Recorded { other_site }, told, rest)
        }
        lived => {
            let basis = if past {
                Basis::Unrecorded
            } else {
                Basis::Planned
            };
            let told = asked.planned(Some(question.at))?;
            (basis, told, lived.map(|(rest, _)| rest))
        }
    };
    // The numbers of a recorded verdict are those of the site of then.
    let then = told.asked.as_ref().map(|asked| Arc::clone(&asked.model));
    let model = then.unwrap_or(model);
    Ok(Answer {
        suns: suns(&model, &day),
        weather: question
            .weather
            .as_ref()
            .map_or_else(String::new, |(value, _)| value.clone()),
        group,
        at: question.at,
        now: question.now,
        day,
        basis,
        told,
        rest,
        model,
    })
}

/// The running model, or for years of which it does not know the days the site
/// file read anew.
fn model_for(question: &Question) -> Result<Arc<Model>, Failure> {
    let zone = question.model.site.zone;
    let year = question.at.local_date(zone).year();
    let this = question.now.local_date(zone).year();
    if (this - KNOWN_YEARS.0..this + KNOWN_YEARS.1).contains(&year) {
        return Ok(Arc::clone(&question.model));
    }
    match load_site(&question.site, &LoadOptions::around(year)) {
        Ok((site, _)) => Ok(site.model),
        Err(problems) => Err(site_broken(&problems)),
    }
}

/// Where the sun stands through a day.
pub fn suns(model: &Model, day: &Day) -> Vec<(Wall, Sun)> {
    let mut path = SunPath::new(model.site.location, model.site.atmosphere);
    (0..)
        .map(|n| day.from.plus(n * EVERY_MS))
        .take_while(|at| *at < day.to)
        .map(|at| (at, path.at(at.0)))
        .collect()
}

struct Asked<'a> {
    question: &'a Question,
    model: &'a Arc<Model>,
    group: GroupId,
    day: Day,
}

impl Asked<'_> {
    /// What the journal tells, up to now; with the moment, where it lies in it.
    /// And whether the site file was another. `None`: it does not tell.
    fn lived(&self, with_moment: bool) -> Result<Option<(Timeline, bool)>, Failure> {
        let Some(path) = &self.question.journal else {
            return Ok(None);
        };
        let question = self.question;
        let journal = Journal::open_read_only(path)?;
        let (from, to) = (
            self.day.from.plus(-AROUND_MS),
            self.day.to.plus(AROUND_MS).min(question.now.plus(1)),
        );
        let model = Arc::clone(self.model);
        let mut versions = Versions::running(self.model, &question.fingerprint, &journal);
        let lived = match Lived::of(&journal, model, &mut versions, from, to) {
            Ok(lived) => lived,
            Err(LivedError::Nothing { .. }) => return Ok(None),
            Err(error) => return Err(error.into()),
        };
        let other_site = lived.is_of_another_site();
        let told = timeline(
            &Story::Lived(&lived),
            self.group,
            with_moment.then_some(question.at),
            (self.day.from, self.day.to.min(question.now)),
            EVERY_MS,
        )?;
        if with_moment && told.asked.is_none() {
            return Ok(None);
        }
        Ok(Some((told, other_site)))
    }

    /// What sun and timetable alone would do.
    fn planned(&self, at: Option<Wall>) -> Result<Timeline, Failure> {
        let begins = if at.is_some() {
            self.day.from
        } else {
            // The rest of today.
            let gone = (self.question.now.0 - self.day.from.0).div_euclid(EVERY_MS) + 1;
            self.day.from.plus(gone * EVERY_MS)
        };
        let setting = match &self.question.weather {
            Some((_, reader)) => self.under((reader.0)()?.as_ref())?,
            None => clear_and_calm(
                self.model,
                self.day.from.plus(-AROUND_MS),
                self.day.to.plus(AROUND_MS),
            ),
        };
        let told = timeline(
            &Story::Told(&setting),
            self.group,
            at,
            (begins, self.day.to),
            EVERY_MS,
        );
        Ok(told?)
    }
}

impl Asked<'_> {
    /// A replay under the weather of a file: the day, and as much around it as there is.
    fn under(&self, weather: &Weather) -> Result<Setting, Failure> {
        let wide = (self.day.from.plus(-AROUND_MS), self.day.to.plus(AROUND_MS));
        let day = (self.day.from, self.day.to);
        let over = |(from, to): (Wall, Wall)| {
            weather
                .over(from.plus(-LEAD_IN_MS), to)
                .or_else(|_| weather.over(from, to))
        };
        let (series, (from, to)) = match over(wide) {
            Ok(series) => (series, wide),
            Err(_) => (over(day)?, day),
        };
        let step_ms = series.about.resolution_ms.clamp(SECOND, MINUTE);
        Ok(Setting {
            step_ms,
            sky: Sky::Rows(series),
            ..clear_and_calm(self.model, from, to)
        })
    }
}

/// A replay under a clear and calm sky.
pub fn clear_and_calm(model: &Arc<Model>, from: Wall, to: Wall) -> Setting {
    Setting {
        model: Arc::clone(model),
        sky: Sky::ClearAndCalm,
        from,
        to,
        step_ms: MINUTE,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::OFFICE,
    }
}

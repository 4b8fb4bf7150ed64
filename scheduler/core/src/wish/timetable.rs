//! The timetable: which phase applies, and when the next begins.
//!
//! A phase belongs to its local date: a start that would fall outside the date
//! (sunset plus hours in midsummer, a spread over midnight) is moved to the
//! date's edge, so that a closed day starts as a closed day.

use crate::ids::TimetableId;
use crate::model::{Anchor, DayPlan, IfNone, Model, Phase, SunEvent, Timetable};
use crate::time::{MINUTE, Wall, to_utc};
use chrono::{Datelike, Days, NaiveDate, NaiveTime};
use leeside_solar::{Almanac, CIVIL_ELEVATION_DEG, Crossing, SUNRISE_ELEVATION_DEG};
use serde::{Deserialize, Serialize};

/// How many days back a phase may have begun that still applies.
const LOOK_BACK_DAYS: i32 = 8;

/// A start of a phase on a date.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Start {
    pub(crate) at: Wall,
    pub(crate) plan: u16,
    pub(crate) phase: u16,
    /// Twilight: may start from this moment on, when the reading says so.
    pub(crate) window_from: Option<Wall>,
}

/// A timetable's state: the phases of the local date it last looked at.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct TimetableState {
    pub(crate) id: TimetableId,
    /// The local date, as days from the common era.
    day: Option<i32>,
    starts: Vec<Start>,
    /// The phase that went on from the days before, and the day it began on.
    carried: Option<(u16, u16)>,
    #[serde(default)]
    carried_on: Option<i32>,
    pub(crate) current: Option<(u16, u16)>,
    /// When to look again: the next start, or the next local date.
    pub(crate) next: Wall,
}

impl TimetableState {
    pub(crate) const fn new(id: TimetableId) -> Self {
        Self {
            id,
            day: None,
            starts: Vec::new(),
            carried: None,
            carried_on: None,
            current: None,
            next: Wall(i64::MIN),
        }
    }

    /// Brings the state to `at`; says whether the current phase changed.
    pub(crate) fn look(&mut self, model: &Model, almanac: &mut Almanac, at: Wall) -> bool {
        let zone = model.site.zone;
        let date = at.local_date(zone);
        let day = date.num_days_from_ce();
        if self.day != Some(day) {
            let timetable = model.timetable(self.id);
            self.carry(model, almanac, timetable, date);
            self.starts = starts_of(model, almanac, timetable, date);
            self.day = Some(day);
        }
        let before = self.current;
        self.current = self
            .starts
            .iter()
            .rev()
            .find(|s| s.at <= at)
            .map_or(self.carried, |s| Some((s.plan, s.phase)));
        let tomorrow = start_of(zone, date.checked_add_days(Days::new(1)).unwrap_or(date));
        self.next = self
            .starts
            .iter()
            .map(|s| s.at)
            .find(|start| *start > at)
            .map_or(tomorrow, |start| start.min(tomorrow));
        before != self.current
    }

    /// What goes on from the days before `date`. Where the day before was the one
    /// looked at, that is known without working out its phases again: the last of
    /// them, where light may have moved them about, or what went on over it too.
    fn carry(
        &mut self,
        model: &Model,
        almanac: &mut Almanac,
        timetable: &Timetable,
        date: NaiveDate,
    ) {
        let day = date.num_days_from_ce();
        let yesterday = self.day == Some(day - 1);
        let known = match (self.starts.last(), self.carried, self.carried_on) {
            _ if !yesterday => None,
            (Some(last), ..) => Some((Some((last.plan, last.phase)), Some(day - 1))),
            (None, None, _) => Some((None, None)),
            (None, carried, Some(on)) if day.saturating_sub(on) <= LOOK_BACK_DAYS => {
                Some((carried, Some(on)))
            }
            (None, Some(_), _) => None,
        };
        (self.carried, self.carried_on) = known.unwrap_or_else(|| {
            let found = carried(model, almanac, timetable, date);
            (found.map(|(phase, _)| phase), found.map(|(_, on)| on))
        });
    }

    /// After a clock step the date's starts are worked out anew.
    pub(crate) fn forget(&mut self) {
        self.day = None;
        self.starts.clear();
    }

    /// A light sensor spoke: a twilight phase whose window is open may start now.
    pub(crate) fn twilight(
        &mut self,
        model: &Model,
        sensor: crate::ids::SensorId,
        value: f64,
        at: Wall,
    ) -> bool {
        self.come(model, at, |phase| match phase.start {
            Anchor::Twilight(rule) if rule.dusk => rule.sensor == sensor && value <= rule.value,
            Anchor::Twilight(rule) => rule.sensor == sensor && value >= rule.value,
            Anchor::Time(_) | Anchor::Sun { .. } => false,
        })
    }

    /// Those twilight phases start at a moment within their window; whether there are any.
    pub(crate) fn come(&mut self, model: &Model, at: Wall, says: impl Fn(&Phase) -> bool) -> bool {
        let timetable = model.timetable(self.id);
        let mut moved = false;
        for start in &mut self.starts {
            let open = start.window_from.is_some_and(|from| from <= at) && at < start.at;
            if open && says(phase_of(timetable, start.plan, start.phase)) {
                start.at = at;
                start.window_from = None;
                moved = true;
            }
        }
        if moved {
            self.starts.sort_by_key(|s| s.at);
        }
        moved
    }

    /// The twilight phases of the date looked at that light has brought, and when.
    pub(crate) fn brought<'m>(&self, model: &'m Model) -> impl Iterator<Item = (&'m Phase, Wall)> {
        let timetable = model.timetable(self.id);
        let by_light = self.starts.iter().filter(|s| s.window_from.is_none());
        by_light
            .map(|s| (phase_of(timetable, s.plan, s.phase), s.at))
            .filter(|(phase, _)| matches!(phase.start, Anchor::Twilight(_)))
    }

    /// When the phase that applies began, where that was on the local date looked at.
    pub(crate) fn since(&self, at: Wall) -> Option<Wall> {
        let begun = |s: &&Start| s.at <= at && Some((s.plan, s.phase)) == self.current;
        self.starts.iter().rev().find(begun).map(|s| s.at)
    }

    /// Whether what was kept is of this timetable.
    pub(crate) fn fits(&self, model: &Model, id: TimetableId) -> bool {
        let plans = &model.timetable(id).plans;
        let has = |plan: u16, phase: u16| {
            let plan = plans.get(usize::from(plan));
            plan.is_some_and(|plan| usize::from(phase) < plan.phases.len())
        };
        let phases = self.carried.iter().chain(&self.current);
        self.id == id
            && phases.into_iter().all(|(plan, phase)| has(*plan, *phase))
            && self.starts.iter().all(|s| has(s.plan, s.phase))
    }

    /// The phase that applies.
    pub(crate) fn phase<'m>(&self, model: &'m Model) -> Option<&'m Phase> {
        let (plan, phase) = self.current?;
        Some(phase_of(model.timetable(self.id), plan, phase))
    }
}

fn phase_of(timetable: &Timetable, plan: u16, phase: u16) -> &Phase {
    &timetable.plans[usize::from(plan)].phases[usize::from(phase)]
}

/// The plan of a date.
fn plan_of<'m>(
    model: &Model,
    timetable: &'m Timetable,
    date: NaiveDate,
) -> Option<(u16, &'m DayPlan)> {
    let class = model.days.class(date);
    let index = timetable.plans.iter().position(|p| p.class == class)?;
    Some((u16::try_from(index).ok()?, &timetable.plans[index]))
}

/// The last phase of the latest day before `date` that had one, and that day.
fn carried(
    model: &Model,
    almanac: &mut Almanac,
    timetable: &Timetable,
    date: NaiveDate,
) -> Option<((u16, u16), i32)> {
    (1..=LOOK_BACK_DAYS.unsigned_abs())
        .filter_map(|back| date.checked_sub_days(Days::new(u64::from(back))))
        .find_map(|day| {
            let starts = starts_of(model, almanac, timetable, day);
            let last = starts.last()?;
            Some(((last.plan, last.phase), day.num_days_from_ce()))
        })
}

/// The starts of a date's phases, in order of time; of two at one moment the
/// later in the file comes last and so wins.
pub(crate) fn starts_of(
    model: &Model,
    almanac: &mut Almanac,
    timetable: &Timetable,
    date: NaiveDate,
) -> Vec<Start> {
    match plan_of(model, timetable, date) {
        Some((plan, day)) => starts_by(model, almanac, plan, day, date),
        None => Vec::new(),
    }
}

/// The starts of a plan's phases on a date, whatever class the date is of.
pub(crate) fn starts_by(
    model: &Model,
    almanac: &mut Almanac,
    plan: u16,
    day: &DayPlan,
    date: NaiveDate,
) -> Vec<Start> {
    let zone = model.site.zone;
    let from = start_of(zone, date);
    let to = start_of(zone, date.checked_add_days(Days::new(1)).unwrap_or(date));
    let mut starts = Vec::with_capacity(day.phases.len());
    for (index, phase) in (0u16..).zip(&day.phases) {
        let Some((at, window_from)) = anchor(model, almanac, &phase.start, date, (from, to)) else {
            continue;
        };
        let spread = spread_ms(phase, date);
        let at = Wall((at.0 + spread).clamp(from.0, to.0 - 1));
        starts.push(Start {
            at,
            plan,
            phase: index,
            window_from,
        });
    }
    starts.sort_by_key(|s| s.at);
    starts
}

/// The moment of an anchor on a date, and the start of its window if it has one.
fn anchor(
    model: &Model,
    almanac: &mut Almanac,
    anchor: &Anchor,
    date: NaiveDate,
    span: (Wall, Wall),
) -> Option<(Wall, Option<Wall>)> {
    let minute = |m: u16| local_minute(model.site.zone, date, m);
    match anchor {
        Anchor::Time(m) => Some((minute(*m), None)),
        Anchor::Sun {
            event,
            offset_min,
            not_before,
            not_after,
            if_none,
        } => {
            let Some(event) = sun_event(almanac, *event, span) else {
                return match if_none {
                    IfNone::Skip => None,
                    IfNone::At(m) => Some((minute(*m), None)),
                };
            };
            let mut at = event.plus(i64::from(*offset_min) * MINUTE);
            if let Some(m) = not_before {
                at = at.max(minute(*m));
            }
            if let Some(m) = not_after {
                at = at.min(minute(*m));
            }
            Some((at, None))
        }
        Anchor::Twilight(rule) => {
            let through = |deg: f64| {
                if rule.dusk {
                    SunEvent::FallingThrough(deg)
                } else {
                    SunEvent::RisingThrough(deg)
                }
            };
            let open = sun_event(almanac, through(rule.from_elevation_deg), span)?;
            let latest = sun_event(almanac, through(rule.at_latest_elevation_deg), span)?;
            Some((latest, Some(open)))
        }
    }
}

/// The first such event of the local date.
pub(crate) fn sun_event(
    almanac: &mut Almanac,
    event: SunEvent,
    (from, to): (Wall, Wall),
) -> Option<Wall> {
    let (elevation, wanted) = match event {
        SunEvent::Sunrise => (SUNRISE_ELEVATION_DEG, Crossing::Rising),
        SunEvent::Sunset => (SUNRISE_ELEVATION_DEG, Crossing::Falling),
        SunEvent::CivilDawn => (CIVIL_ELEVATION_DEG, Crossing::Rising),
        SunEvent::CivilDusk => (CIVIL_ELEVATION_DEG, Crossing::Falling),
        SunEvent::RisingThrough(deg) => (deg, Crossing::Rising),
        SunEvent::FallingThrough(deg) => (deg, Crossing::Falling),
    };
    almanac
        .crossings(elevation, from.0, to.0)
        .into_iter()
        .find(|(_, way)| *way == wanted)
        .map(|(at, _)| Wall(at))
}

/// Midnight of a local date (or the first moment of it, where midnight is skipped).
pub(crate) fn start_of(zone: chrono_tz::Tz, date: NaiveDate) -> Wall {
    Wall::from_utc(to_utc(zone, date.and_time(NaiveTime::MIN)).utc)
}

/// A local minute of a date; 1440 is the next midnight.
fn local_minute(zone: chrono_tz::Tz, date: NaiveDate, minute: u16) -> Wall {
    let local = date.and_time(NaiveTime::MIN) + chrono::TimeDelta::minutes(i64::from(minute));
    Wall::from_utc(to_utc(zone, local).utc)
}

/// The seeded spread of a phase on a date: the same on every machine and run.
fn spread_ms(phase: &Phase, date: NaiveDate) -> i64 {
    if phase.jitter_min == 0 {
        return 0;
    }
    let day = u64::from(date.num_days_from_ce().unsigned_abs());
    let span = 2 * i64::from(phase.jitter_min) * MINUTE + 1;
    let drawn = mix(phase.jitter_seed ^ day.wrapping_mul(0x9E37_79B9_7F4A_7C15));
    let within = i64::try_from(drawn % span.unsigned_abs()).unwrap_or(0);
    within - i64::from(phase.jitter_min) * MINUTE
}

/// SplitMix64's finalizer (Steele, Lea & Flood 2014): spreads neighbouring seeds.
const fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

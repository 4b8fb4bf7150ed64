//! From events to the times at which they take place.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;
use leeside_core::time::{LocalKind, to_utc};

use super::event::Event;
use super::expand::{Budget, Series};
use super::moment::{Length, Moment};
use super::rule::{Rule, Until};
use super::zone::Zone;

/// One time at which an event takes place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Occurrence {
    /// The event's UID.
    pub uid: String,
    /// What it is called; may be empty.
    pub summary: String,
    /// Its categories, e.g. the special day it stands for.
    pub categories: Vec<String>,
    /// Whether it covers whole days (DTSTART is a date).
    pub all_day: bool,
    /// Whether its times have no zone of their own (dates have none either).
    pub floating: bool,
    /// Begin as wall time of the asked zone. A time that the event itself gives in
    /// that zone stays as written, even where the clock skips it.
    pub start_local: NaiveDateTime,
    /// First moment no longer covered, as wall time of the asked zone.
    pub end_local: NaiveDateTime,
    /// Begin; what floats is read in the asked zone.
    pub start: DateTime<Utc>,
    /// First moment no longer covered; what floats is read in the asked zone.
    pub end: DateTime<Utc>,
    /// How `start_local` had to be read.
    pub reading: LocalKind,
    /// Line of the event in its file.
    pub line: usize,
}

impl Occurrence {
    /// Begin, where the event itself fixes the instant.
    #[must_use]
    pub fn start_utc(&self) -> Option<DateTime<Utc>> {
        (!self.floating).then_some(self.start)
    }

    /// End, where the event itself fixes the instant.
    #[must_use]
    pub fn end_utc(&self) -> Option<DateTime<Utc>> {
        (!self.floating).then_some(self.end)
    }

    /// The local dates that it touches, as a half-open range. A moment without
    /// length touches its day.
    #[must_use]
    pub fn dates(&self) -> (NaiveDate, NaiveDate) {
        let first = self.start_local.date();
        let midnight = self.end_local.time() == NaiveTime::MIN;
        let last = self.end_local.date();
        let end = if midnight && last > first {
            last
        } else {
            last.checked_add_days(Days::new(1)).unwrap_or(last)
        };
        (first, end)
    }
}

/// All that one UID stands for.
#[derive(Debug, Clone)]
pub(crate) struct Family {
    pub(crate) masters: Vec<Event>,
    pub(crate) overrides: Vec<Event>,
}

/// What is asked for.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Window {
    pub(crate) from: DateTime<Utc>,
    pub(crate) to: DateTime<Utc>,
    pub(crate) site: Tz,
    /// Take what overlaps the window, not only what begins in it.
    pub(crate) overlapping: bool,
}

/// Wall clocks stay within a day of UTC (±26 h with room for odd zones).
const MARGIN_DAYS: i64 = 2;

impl Family {
    /// Adds the occurrences in the window. Answers the line of the rule at which
    /// the budget ran out, if it did.
    pub(crate) fn expand(
        &self,
        window: Window,
        budget: &mut Budget,
        out: &mut Vec<Occurrence>,
    ) -> Option<usize> {
        let mut excluded = Named::default();
        if let Some(master) = self.masters.first() {
            excluded.add_all(&master.excluded, &master.start, window.site);
        }
        for event in &self.overrides {
            // An occurrence that EXDATE takes out is gone, changed or not (§3.8.5.1).
            if let (Some(master), Some(replaces)) = (self.masters.first(), &event.replaces)
                && excluded.contains(replaces.of.wall_in(&master.start.zone(), window.site))
            {
                continue;
            }
            let future = event.replaces.as_ref().is_some_and(|r| r.this_and_future);
            if !event.cancelled && (!future || self.masters.is_empty()) {
                push(
                    event,
                    &event.start,
                    event.start.wall(),
                    event.length,
                    window,
                    out,
                );
            }
        }
        for (index, master) in self.masters.iter().enumerate() {
            if master.cancelled {
                continue;
            }
            // Overrides belong to the series; where a UID is used twice, to the first.
            let overrides = if index == 0 {
                self.overrides.as_slice()
            } else {
                &[]
            };
            let spent = SeriesOf {
                master,
                overrides,
                window,
            }
            .expand(budget, out);
            if spent.is_some() {
                return spent;
            }
        }
        None
    }
}

/// Moments named by EXDATE or RECURRENCE-ID, in the master's wall time.
#[derive(Default)]
struct Named {
    walls: BTreeSet<NaiveDateTime>,
    /// Whole days, where the master has times but the property a date.
    days: BTreeSet<NaiveDate>,
}

impl Named {
    fn add(&mut self, moment: &Moment, master: &Moment, site: Tz) {
        match moment {
            Moment::Day(date) if !master.is_day() => {
                self.days.insert(*date);
            }
            Moment::Day(_) | Moment::Time { .. } => {
                self.walls.insert(moment.wall_in(&master.zone(), site));
            }
        }
    }

    fn add_all(&mut self, moments: &[Moment], master: &Moment, site: Tz) {
        for moment in moments {
            self.add(moment, master, site);
        }
    }

    fn contains(&self, wall: NaiveDateTime) -> bool {
        self.walls.contains(&wall) || self.days.contains(&wall.date())
    }
}

struct SeriesOf<'a> {
    master: &'a Event,
    overrides: &'a [Event],
    window: Window,
}

/// An override of this and all later occurrences.
struct Change<'a> {
    from: NaiveDateTime,
    event: &'a Event,
}

impl SeriesOf<'_> {
    fn expand(&self, budget: &mut Budget, out: &mut Vec<Occurrence>) -> Option<usize> {
        let Self { master, window, .. } = *self;
        let zone = master.start.zone();
        let mut excluded = Named::default();
        excluded.add_all(&master.excluded, &master.start, window.site);
        let mut replaced = Named::default();
        let mut changes = Vec::new();
        for event in self.overrides {
            let Some(replaces) = &event.replaces else {
                continue;
            };
            if replaces.this_and_future {
                changes.push(Change {
                    from: replaces.of.wall_in(&zone, window.site),
                    event,
                });
            } else {
                replaced.add(&replaces.of, &master.start, window.site);
            }
        }
        changes.sort_by_key(|change| change.from);

        let (from, to) = self.wall_range(&changes);
        let mut walls: BTreeMap<NaiveDateTime, Option<Length>> = BTreeMap::new();
        let mut add = |wall: NaiveDateTime, length: Option<Length>| {
            if wall >= from && wall < to {
                let slot = walls.entry(wall).or_default();
                *slot = length.or(*slot);
            }
        };
        if !master.ended_before_start {
            add(master.start.wall(), None);
        }
        for change in &changes {
            add(change.from, None);
        }
        let mut spent = None;
        for (rule, line) in &master.rules {
            let start = master.start.wall();
            let bound = until_bound(rule).map_or(to, |bound| bound.min(to));
            Series { rule, start }.visit(from, bound, budget, &mut |wall| {
                if within_until(rule, wall, &zone, window.site) {
                    add(wall, None);
                }
            });
            if budget.exhausted() {
                spent = Some(*line);
                break;
            }
        }
        for extra in &master.extras {
            add(extra.start.wall_in(&zone, window.site), extra.length);
        }

        let mut seen = BTreeSet::new();
        for (wall, length) in walls {
            // Two wall times around a gap can be one instant, hence one occurrence.
            if excluded.contains(wall)
                || replaced.contains(wall)
                || !seen.insert(zone.instant(wall, window.site))
            {
                continue;
            }
            self.place(wall, length, &changes, out);
        }
        spent
    }

    /// Puts one occurrence where the latest change that concerns it puts it.
    fn place(
        &self,
        wall: NaiveDateTime,
        length: Option<Length>,
        changes: &[Change<'_>],
        out: &mut Vec<Occurrence>,
    ) {
        let master = self.master;
        match changes.iter().rev().find(|change| change.from <= wall) {
            None => push(
                master,
                &master.start,
                wall,
                length.unwrap_or(master.length),
                self.window,
                out,
            ),
            Some(change) if change.event.cancelled => {}
            Some(Change { from, event }) => {
                // The distance from the changed occurrence is kept in wall time.
                if let Some(moved) = event.start.wall().checked_add_signed(wall - *from) {
                    push(event, &event.start, moved, event.length, self.window, out);
                }
            }
        }
    }

    /// The range of the master's wall times that can matter to the window.
    fn wall_range(&self, changes: &[Change<'_>]) -> (NaiveDateTime, NaiveDateTime) {
        let Self { master, window, .. } = self;
        let mut back = 0;
        if window.overlapping {
            let own = self
                .overrides
                .iter()
                .map(|e| e.length)
                .chain([master.length]);
            let extra = master.extras.iter().filter_map(|e| e.length);
            back = own.chain(extra).map(Length::at_most).max().unwrap_or(0);
        }
        let shifts = || {
            changes
                .iter()
                .map(|c| (c.event.start.wall() - c.from).num_seconds())
        };
        let later = shifts().max().unwrap_or(0).max(0);
        let earlier = shifts().min().unwrap_or(0).min(0);
        let margin = MARGIN_DAYS * 86_400;
        let shift = |at: DateTime<Utc>, seconds: i64, otherwise: NaiveDateTime| {
            TimeDelta::try_seconds(seconds)
                .and_then(|delta| at.naive_utc().checked_add_signed(delta))
                .unwrap_or(otherwise)
        };
        (
            shift(window.from, -(margin + back + later), NaiveDateTime::MIN),
            shift(window.to, margin - earlier, NaiveDateTime::MAX),
        )
    }
}

/// A wall time at which the rule has surely ended.
fn until_bound(rule: &Rule) -> Option<NaiveDateTime> {
    let last = match rule.until? {
        Until::Date(date) => date.and_time(NaiveTime::MIN),
        Until::Wall(wall) | Until::Utc(wall) => wall,
    };
    last.checked_add_signed(TimeDelta::days(MARGIN_DAYS))
}

/// Whether UNTIL, which is inclusive, still allows this occurrence.
fn within_until(rule: &Rule, wall: NaiveDateTime, zone: &Zone, site: Tz) -> bool {
    match rule.until {
        None => true,
        Some(Until::Date(date)) => wall.date() <= date,
        Some(Until::Wall(last)) => wall <= last,
        Some(Until::Utc(last)) => zone.instant(wall, site) <= last.and_utc(),
    }
}

/// Adds one occurrence of `event` beginning at `wall`, if the window wants it.
fn push(
    event: &Event,
    kind: &Moment,
    wall: NaiveDateTime,
    length: Length,
    window: Window,
    out: &mut Vec<Occurrence>,
) {
    let (zone, site) = (kind.zone(), window.site);
    let start = zone.instant(wall, site);
    let later = |from: NaiveDateTime, seconds: i64| {
        TimeDelta::try_seconds(seconds)
            .and_then(|d| from.checked_add_signed(d))
            .unwrap_or(from)
    };
    // The end in the event's own zone, and as an instant.
    let (end_wall, end) = match length {
        Length::Exact(seconds) if zone.is_fixed() => {
            let end = later(start.naive_utc(), seconds).and_utc();
            (zone.wall(end, site), end)
        }
        Length::Exact(seconds) => {
            let end_wall = later(wall, seconds);
            (end_wall, zone.instant(end_wall, site))
        }
        // §3.3.6: days by the calendar first, then the exact part.
        Length::Nominal(duration) => {
            let days = later(wall, duration.days * 86_400);
            let end = later(zone.instant(days, site).naive_utc(), duration.seconds).and_utc();
            (
                if duration.seconds == 0 {
                    days
                } else {
                    zone.wall(end, site)
                },
                end,
            )
        }
    };
    let wanted = if window.overlapping && end > start {
        start < window.to && end > window.from
    } else {
        start >= window.from && start < window.to
    };
    if !wanted {
        return;
    }
    let local = |instant: DateTime<Utc>, written: NaiveDateTime| {
        if zone.is_same_as(site) {
            written
        } else {
            instant.with_timezone(&site).naive_local()
        }
    };
    let start_local = local(start, wall);
    let empty = end == start;
    out.push(Occurrence {
        uid: event.uid.clone(),
        summary: event.summary.clone(),
        categories: event.categories.clone(),
        all_day: kind.is_day(),
        floating: !zone.is_fixed(),
        start_local,
        end_local: if empty {
            start_local
        } else {
            local(end, end_wall)
        },
        start,
        end,
        reading: if zone.is_same_as(site) {
            to_utc(site, start_local).kind
        } else {
            LocalKind::Unique
        },
        line: event.first_line,
    });
}

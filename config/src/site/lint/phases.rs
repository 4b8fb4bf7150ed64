//! Timetables over the days of a year: phases that never apply, that change
//! places, days that nothing decides.

use crate::site::build::place_of;
use crate::site::form::Kind;
use crate::site::node::Span;
use crate::site::read::{Reader, Tree};
use chrono::{Datelike, NaiveDate};
use leeside_core::ids::{DayClassId, TimetableId};
use leeside_core::model::{DayPlan, Model};
use leeside_core::phases::phase_starts;
use leeside_core::time::Wall;
use leeside_solar::Almanac;
use std::collections::BTreeSet;
use std::ops::RangeInclusive;

/// Every so many days of a year are looked at: the sun's events move by minutes
/// from one to the next.
const EVERY_DAYS: usize = 4;

pub(crate) fn lint(
    reader: &mut Reader<'_>,
    tree: &Tree,
    model: &Model,
    years: &RangeInclusive<i32>,
) {
    let year = if years.contains(&(years.start() + 1)) {
        years.start() + 1
    } else {
        *years.start()
    };
    let Some(first) = NaiveDate::from_ymd_opt(year, 1, 1) else {
        return;
    };
    let dates: Vec<NaiveDate> = first
        .iter_days()
        .step_by(EVERY_DAYS)
        .take_while(|d| d.year() == year)
        .collect();
    let mut almanac = Almanac::new(model.site.location);
    for (index, timetable) in model.timetables.iter().enumerate() {
        let id = TimetableId::of(index);
        if !reader.is_used(Kind::Timetable, index) {
            continue;
        }
        without_plan(reader, tree, model, id);
        for plan in &timetable.plans {
            // Classes that share phases are looked at once.
            if place_of(tree, id, plan.class, 0).is_some() {
                of_plan(reader, tree, model, &mut almanac, (id, plan), &dates);
            }
        }
    }
}

/// Day classes that occur and have no phases: the day before would go on for ever.
fn without_plan(reader: &mut Reader<'_>, tree: &Tree, model: &Model, id: TimetableId) {
    let timetable = model.timetable(id);
    let (first, count) = model.days.span();
    let mut seen: BTreeSet<DayClassId> = BTreeSet::new();
    for date in first.iter_days().take(count) {
        let Some(entry) = model.days.entry(date) else {
            continue;
        };
        let planned = timetable.plans.iter().any(|plan| plan.class == entry.class);
        if planned || !seen.insert(entry.class) {
            continue;
        }
        let span = tree
            .all("timetable")
            .get(id.index())
            .map_or(0..0, |node| node.at("name"));
        let class = model.day_class(entry.class);
        reader.warn(
            &span,
            format!(
                "the timetable `{}` has no phases for the day class `{class}`, which is first met on {date} ({}); the phase of the day before would go on",
                timetable.name, entry.why
            ),
            format!("add `{class} = [...]`, or `{class} = \"workday\"` to share"),
        );
    }
}

fn of_plan(
    reader: &mut Reader<'_>,
    tree: &Tree,
    model: &Model,
    almanac: &mut Almanac,
    (id, plan): (TimetableId, &DayPlan),
    dates: &[NaiveDate],
) {
    let days: Vec<(NaiveDate, Vec<(Wall, usize)>)> = dates
        .iter()
        .map(|date| (*date, phase_starts(model, almanac, plan, *date)))
        .collect();
    let place = |phase: usize| place_of(tree, id, plan.class, phase).unwrap_or(0..0);
    let name = |phase: usize| plan.phases.get(phase).map_or("", |p| p.name.as_str());
    for phase in 0..plan.phases.len() {
        let applies = |starts: &[(Wall, usize)]| {
            starts.iter().enumerate().any(|(at, start)| {
                start.1 == phase && starts.get(at + 1).is_none_or(|next| next.0 > start.0)
            })
        };
        if !days.iter().any(|(_, starts)| applies(starts)) {
            reader.warn(
                &place(phase),
                format!("the phase `{}` never applies: on every day its start is missing, or another phase starts at the same moment", name(phase)),
                "mend its `at`, or leave it out",
            );
        }
    }
    swapped(reader, model, &days, &place, &name);
    if let Some((date, _)) = days.iter().find(|(_, starts)| starts.is_empty()) {
        reader.warn(
            &place(0),
            format!("no phase starts on {date}: `{}` leaves that day undecided, and the phase of the day before goes on", model.day_class(plan.class)),
            "give a phase a time of day, or `if_none = \"00:00\"`",
        );
    }
}

/// Phases that come in another order than in the file on some day.
fn swapped<'n>(
    reader: &mut Reader<'_>,
    model: &Model,
    days: &[(NaiveDate, Vec<(Wall, usize)>)],
    place: &dyn Fn(usize) -> Span,
    name: &dyn Fn(usize) -> &'n str,
) {
    let mut told: BTreeSet<(usize, usize)> = BTreeSet::new();
    for (date, starts) in days {
        for pair in starts.windows(2) {
            let [(early_at, early), (late_at, late)] = pair else {
                continue;
            };
            if early < late || !told.insert((*early, *late)) {
                continue;
            }
            let clock = |at: &Wall| {
                at.utc()
                    .with_timezone(&model.site.zone)
                    .format("%H:%M")
                    .to_string()
            };
            reader.warn(
                &place(*early),
                format!(
                    "on {date} the phase `{}` starts at {}, before `{}` at {}, which stands above it: they overlap",
                    name(*early),
                    clock(early_at),
                    name(*late),
                    clock(late_at)
                ),
                "bound it with not_before or not_after, or put the phases in the order of the day",
            );
        }
    }
}

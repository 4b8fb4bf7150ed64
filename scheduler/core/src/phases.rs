//! When the phases of a day plan start on a date, for those who check or print a
//! timetable without running it.

use crate::model::{DayPlan, Model};
use crate::time::Wall;
use crate::wish::timetable::starts_by;
use chrono::NaiveDate;
use leeside_solar::Almanac;

/// The moment at which each phase of `plan` starts on `date`, with the phase's
/// index, in order of time; of two at one moment the later in the list wins. A
/// phase whose event does not take place that day is left out, and one that
/// waits for a light sensor stands at its latest moment. `almanac` is one of the
/// model's site.
#[must_use]
pub fn phase_starts(
    model: &Model,
    almanac: &mut Almanac,
    plan: &DayPlan,
    date: NaiveDate,
) -> Vec<(Wall, usize)> {
    let starts = starts_by(model, almanac, 0, plan, date);
    starts
        .into_iter()
        .map(|start| (start.at, usize::from(start.phase)))
        .collect()
}

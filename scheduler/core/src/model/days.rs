//! Which day is of which class, and the special days of groups.

use crate::ids::{DayClassId, GroupId};
use crate::pose::Pose;
use crate::time::Wall;
use chrono::{Datelike, NaiveDate};

/// One date's class, and why.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct DayEntry {
    /// The class.
    pub class: DayClassId,
    /// What made it so ("holiday: New Year's Day", "weekend", ...).
    pub why: String,
}

/// The class of every date in a span.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct DayTable {
    first: NaiveDate,
    entries: Vec<DayEntry>,
    /// Classes for dates outside the span: Monday … Sunday.
    by_weekday: [DayClassId; 7],
}

impl DayTable {
    /// A table of consecutive dates from `first` on; dates outside it go by weekday.
    #[must_use]
    pub const fn new(
        first: NaiveDate,
        entries: Vec<DayEntry>,
        by_weekday: [DayClassId; 7],
    ) -> Self {
        Self {
            first,
            entries,
            by_weekday,
        }
    }

    /// The entry of a date, `None` outside the span.
    #[must_use]
    pub fn entry(&self, date: NaiveDate) -> Option<&DayEntry> {
        let days = date.signed_duration_since(self.first).num_days();
        self.entries.get(usize::try_from(days).ok()?)
    }

    /// The class of a date.
    #[must_use]
    pub fn class(&self, date: NaiveDate) -> DayClassId {
        self.entry(date).map_or_else(
            || self.by_weekday[date.weekday().num_days_from_monday() as usize],
            |entry| entry.class,
        )
    }

    /// First date and number of dates covered.
    #[must_use]
    pub const fn span(&self) -> (NaiveDate, usize) {
        (self.first, self.entries.len())
    }
}

/// A special day (cleaning, performance, night with windows open) of some groups:
/// it takes the place of the timetable's phase while it lasts.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SpecialDay {
    /// What people call it.
    pub name: String,
    /// The groups it concerns.
    pub groups: Vec<GroupId>,
    /// From this moment.
    pub from: Wall,
    /// Until this moment.
    pub to: Wall,
    /// The base pose.
    pub pose: Pose,
    /// Whether sun is allowed.
    pub sun: bool,
}

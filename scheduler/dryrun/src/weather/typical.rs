//! A typical year, and how it is laid on a calendar year.

use super::series::{About, Row, Series, Values};
use crate::note::Note;
use chrono::{Datelike, NaiveDate, TimeDelta, Timelike};
use leeside_core::time::{HOUR, Wall};

/// Hours of a year without 29 February.
pub(super) const HOURS: usize = 365 * 24;

/// A year put together from months of different years. It has no 29 February
/// and repeats for ever.
#[derive(Clone, PartialEq, Debug)]
pub struct Typical {
    /// Where it comes from.
    pub about: About,
    /// The file's clock minus UTC, ms. Standard time, all year round.
    pub(super) offset_ms: i64,
    /// The hours of the year from 1 January 0 h on, on the file's clock.
    pub(super) hours: Vec<Option<Values>>,
}

impl Typical {
    /// Index of the hour that begins at `hour` (0..=23) on a date that is not
    /// 29 February.
    pub(super) fn index(month: u32, day: u32, hour: u32) -> Option<usize> {
        // Any year without 29 February has the right ordinals.
        let date = NaiveDate::from_ymd_opt(2001, month, day)?;
        usize::try_from(date.ordinal0() * 24 + hour)
            .ok()
            .filter(|index| *index < HOURS)
    }

    /// Hours of which the file says nothing.
    #[must_use]
    pub fn missing_hours(&self) -> usize {
        self.hours.iter().filter(|hour| hour.is_none()).count()
    }

    /// The hours of the typical year, in order.
    #[must_use]
    pub fn hours(&self) -> &[Option<Values>] {
        &self.hours
    }

    /// The typical year laid on the calendar, by date and hour on the file's
    /// own clock (standard time). 29 February gets the hours of 28 February
    /// again; the notes say so where the span has one.
    #[must_use]
    pub fn over(&self, from: Wall, to: Wall) -> Series {
        let mut about = self.about.clone();
        let (mut rows, mut leap) = (Vec::new(), None);
        let mut start = Wall((from.0 + self.offset_ms).div_euclid(HOUR) * HOUR - self.offset_ms);
        while start < to {
            let local = (start.utc() + TimeDelta::milliseconds(self.offset_ms)).naive_utc();
            let is_leap = (local.month(), local.day()) == (2, 29);
            let day = if is_leap { 28 } else { local.day() };
            if is_leap {
                leap = Some(local.year());
            }
            let values =
                Self::index(local.month(), day, local.hour()).and_then(|index| self.hours[index]);
            if let Some(values) = values {
                rows.push(Row {
                    start,
                    end: start.plus(HOUR),
                    values,
                });
            }
            start = start.plus(HOUR);
        }
        if let Some(year) = leap {
            about.notes.push(Note::LeapDay(year));
        }
        Series {
            about,
            rows,
            failing: Vec::new(),
        }
    }
}

//! Time as values. The core never asks what time it is; it is told.
//!
//! Two clocks with two jobs: [`Wall`] answers calendar and sun, [`Steady`]
//! answers hold times and staleness, so that a step of the wall clock neither
//! shortens nor prolongs a lockout.

use chrono::{DateTime, LocalResult, NaiveDate, NaiveDateTime, Offset, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// Milliseconds in a second.
pub const SECOND: i64 = 1_000;
/// Milliseconds in a minute.
pub const MINUTE: i64 = 60 * SECOND;
/// Milliseconds in an hour.
pub const HOUR: i64 = 60 * MINUTE;

/// The first moment after the last that the core counts to: the year 10000 as wall
/// time, as much as a count. What lies beyond it (or before its negative) is taken
/// as this, so that no sum or difference of moments overflows.
pub const END_OF_TIME: i64 = 253_402_300_800_000;

/// Wall time: milliseconds since 1970-01-01T00:00:00Z, without leap seconds.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct Wall(pub i64);

/// Steady time: milliseconds since some start, never stepped, never going back.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct Steady(pub i64);

/// One moment on both clocks.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Now {
    /// For calendar and sun.
    pub wall: Wall,
    /// For hold times and staleness.
    pub steady: Steady,
}

impl Wall {
    /// The moment as chrono's UTC type (clamped to what chrono can hold).
    #[must_use]
    pub fn utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_millis(self.0).unwrap_or(if self.0 < 0 {
            DateTime::<Utc>::MIN_UTC
        } else {
            DateTime::<Utc>::MAX_UTC
        })
    }

    /// The moment of a chrono UTC time.
    #[must_use]
    pub fn from_utc(at: DateTime<Utc>) -> Self {
        Self(at.timestamp_millis())
    }

    /// This moment moved by `ms` milliseconds (see [`END_OF_TIME`]).
    #[must_use]
    pub const fn plus(self, ms: i64) -> Self {
        Self(within(self.0.saturating_add(ms)))
    }

    /// The local date in `zone`.
    #[must_use]
    pub fn local_date(self, zone: Tz) -> NaiveDate {
        self.utc().with_timezone(&zone).date_naive()
    }
}

impl Steady {
    /// This moment moved by `ms` milliseconds (see [`END_OF_TIME`]).
    #[must_use]
    pub const fn plus(self, ms: i64) -> Self {
        Self(within(self.0.saturating_add(ms)))
    }
}

/// A count within what the core counts to.
const fn within(ms: i64) -> i64 {
    if ms > END_OF_TIME {
        END_OF_TIME
    } else if ms < -END_OF_TIME {
        -END_OF_TIME
    } else {
        ms
    }
}

impl Now {
    /// This moment, within what the core counts to (see [`END_OF_TIME`]): there is
    /// always a day before and after it.
    pub(crate) fn within(self) -> Self {
        const LAST: i64 = END_OF_TIME - 10 * 24 * HOUR;
        Self {
            wall: Wall(self.wall.0.clamp(-LAST, LAST)),
            steady: Steady(self.steady.0.clamp(-LAST, LAST)),
        }
    }

    /// A moment at which both clocks show the same count: how a dry run counts.
    #[must_use]
    pub const fn both(ms: i64) -> Self {
        Self {
            wall: Wall(ms),
            steady: Steady(ms),
        }
    }

    /// This moment moved by `ms` milliseconds on both clocks.
    #[must_use]
    pub const fn plus(self, ms: i64) -> Self {
        Self {
            wall: self.wall.plus(ms),
            steady: self.steady.plus(ms),
        }
    }
}

/// How a local time had to be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LocalKind {
    /// It exists once.
    Unique,
    /// It does not exist (clocks go forward over it); read with the offset before the gap.
    Gap,
    /// It exists twice (clocks go back over it); the first is taken.
    Overlap,
}

/// A local time and the instant it was read as.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct LocalReading {
    /// The instant.
    pub utc: DateTime<Utc>,
    /// How it had to be read.
    pub kind: LocalKind,
}

/// The instant of a local wall time: RFC 5545 §3.3.5 (a time in a gap is read
/// with the offset before the gap, so 02:30 becomes 03:30; of a time that
/// occurs twice the first is meant).
#[must_use]
pub fn to_utc(zone: Tz, local: NaiveDateTime) -> LocalReading {
    match zone.from_local_datetime(&local) {
        LocalResult::Single(at) => LocalReading {
            utc: at.to_utc(),
            kind: LocalKind::Unique,
        },
        LocalResult::Ambiguous(first, second) => LocalReading {
            utc: first.to_utc().min(second.to_utc()),
            kind: LocalKind::Overlap,
        },
        LocalResult::None => {
            // No zone has changed its offset by more than a day, and none twice
            // within one: the offset a day and a bit earlier is the one before the gap.
            let before = zone
                .offset_from_utc_datetime(&(local - TimeDelta::hours(26)))
                .fix()
                .local_minus_utc();
            let utc = (local - TimeDelta::seconds(i64::from(before))).and_utc();
            LocalReading {
                utc,
                kind: LocalKind::Gap,
            }
        }
    }
}

/// The earlier of two moments, of which either may be missing.
#[inline]
pub(crate) fn earlier(a: Option<Steady>, b: Option<Steady>) -> Option<Steady> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    }
}

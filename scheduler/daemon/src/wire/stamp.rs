//! Moments in messages: RFC 3339, UTC, milliseconds.

use chrono::{DateTime, SecondsFormat};
use leeside_core::time::Wall;

/// A moment as it stands in messages, `2027-01-31T08:15:00.000Z`.
#[must_use]
pub fn stamp(at: Wall) -> String {
    at.utc().to_rfc3339_opts(SecondsFormat::Millis, true)
}

/// The moment that an RFC 3339 text means, with any offset.
#[must_use]
pub fn parse(text: &str) -> Option<Wall> {
    DateTime::parse_from_rfc3339(text)
        .ok()
        .map(|at| Wall(at.timestamp_millis()))
}

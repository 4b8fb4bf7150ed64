//! Moments in messages: RFC 3339, UTC, milliseconds.

use chrono::{DateTime, Datelike as _, SecondsFormat};
use leeside_core::say;
use leeside_core::time::Wall;

/// A moment as it stands in messages, `2027-01-31T08:15:00.000Z`.
#[must_use]
pub fn stamp(at: Wall) -> String {
    let moment = at.utc();
    if !(0..=9_999).contains(&moment.year()) {
        return moment.to_rfc3339_opts(SecondsFormat::Millis, true);
    }
    let mut text = String::with_capacity(24);
    say::write_moment(&mut text, moment.naive_utc(), 'T');
    let millis = moment.timestamp_subsec_millis();
    text.push('.');
    for digit in [millis / 100, millis / 10 % 10, millis % 10] {
        text.push(char::from_digit(digit, 10).unwrap_or('0'));
    }
    text.push('Z');
    text
}

/// The moment that an RFC 3339 text means, with any offset.
#[must_use]
pub fn parse(text: &str) -> Option<Wall> {
    DateTime::parse_from_rfc3339(text)
        .ok()
        .map(|at| Wall(at.timestamp_millis()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_written_as_chrono_writes_it() {
        let mut ms = -62_200_000_000_000_i64;
        while ms < 260_000_000_000_000 {
            let at = Wall(ms);
            let theirs = at.utc().to_rfc3339_opts(SecondsFormat::Millis, true);
            assert_eq!(stamp(at), theirs);
            ms += 7_654_321_987;
        }
    }
}

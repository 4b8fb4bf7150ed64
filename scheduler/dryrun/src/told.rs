//! Small things that several reports say in the same way: moments, poses,
//! movements.

use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Command, Lost, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::say;
use leeside_core::time::{Now, Wall};
use serde_json::{Map, Value, json};

/// A command as reports need it.
#[derive(Clone, PartialEq, Debug)]
pub struct Movement {
    /// When.
    pub at: Now,
    /// Which group.
    pub group: GroupId,
    /// Where to.
    pub pose: Pose,
    /// How many drives it moves.
    pub drives: usize,
    /// Which guard or wish decided.
    pub decided_by: Word,
    /// Why.
    pub because: Because,
    /// What else asked and lost, highest rank first.
    pub lost: std::sync::Arc<[Lost]>,
    /// What ends it.
    pub release: Release,
}

impl Movement {
    /// What a command does.
    #[must_use]
    pub fn of(command: &Command) -> Self {
        Self {
            at: command.at,
            group: command.group,
            pose: command.pose,
            drives: command.orders.len(),
            decided_by: command.decided_by,
            because: command.because.clone(),
            lost: command.lost.clone(),
            release: command.release,
        }
    }

    /// As an object of a JSON report.
    #[must_use]
    pub fn to_json(&self, model: &Model) -> Map<String, Value> {
        let mut told = Map::new();
        told.insert("at_local".to_owned(), json!(iso_local(model, self.at.wall)));
        told.insert("at_utc".to_owned(), json!(iso_utc(self.at.wall)));
        told.insert("group".to_owned(), json!(model.group(self.group).name));
        pose_json(&mut told, Some(self.pose));
        told.insert("decided_by".to_owned(), json!(self.decided_by.as_str()));
        told.insert(
            "reason".to_owned(),
            json!(say::because(model, &self.because)),
        );
        let release = say::release(model, &self.release, self.at);
        told.insert("release".to_owned(), json!(release));
        told
    }
}

/// `extension_pct` and `tilt_deg`; null where there is none.
pub(crate) fn pose_json(into: &mut Map<String, Value>, pose: Option<Pose>) {
    into.insert(
        "extension_pct".to_owned(),
        json!(pose.map(|p| p.extension_pct)),
    );
    into.insert("tilt_deg".to_owned(), json!(pose.and_then(|p| p.tilt_deg)));
}

/// Site time with its offset, ISO 8601, to the second.
#[must_use]
pub fn iso_local(model: &Model, at: Wall) -> String {
    let local = at.utc().with_timezone(&model.site.zone);
    local.format("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

/// UTC, ISO 8601, to the second.
#[must_use]
pub fn iso_utc(at: Wall) -> String {
    at.utc().format("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// Site time as people read it: `Thu 1 Jul 2027 10:14`, with seconds where
/// there are any.
#[must_use]
pub fn day_and_clock(model: &Model, at: Wall) -> String {
    let local = at.utc().with_timezone(&model.site.zone);
    format!("{} {}", local.format("%a %-d %b %Y"), clock(model, at))
}

/// The local clock: `10:14`, with seconds where there are any.
#[must_use]
pub fn clock(model: &Model, at: Wall) -> String {
    let local = at.utc().with_timezone(&model.site.zone);
    let form = if at.0.div_euclid(1_000) % 60 == 0 {
        "%H:%M"
    } else {
        "%H:%M:%S"
    };
    local.format(form).to_string()
}

/// The clock in UTC: `14:14 UTC`, with the weekday where it is another than at
/// the site.
#[must_use]
pub fn utc_clock(model: &Model, at: Wall) -> String {
    let (utc, date) = (at.utc(), at.local_date(model.site.zone));
    let form = if utc.date_naive() == date {
        "%H:%M UTC"
    } else {
        "%a %H:%M UTC"
    };
    utc.format(form).to_string()
}

/// What decided and why: `wind: gust 13.1 m/s ...`. A reason that begins with
/// the word itself is not told twice.
#[must_use]
pub fn decided(model: &Model, word: Word, because: &Because) -> String {
    let reason = say::because(model, because);
    let after = reason.strip_prefix(word.as_str());
    if after.is_some_and(|rest| !rest.starts_with(char::is_alphanumeric)) {
        reason
    } else {
        format!("{}: {reason}", word.as_str())
    }
}

/// Whether a lockout that is told of with this reason had engaged before.
pub(crate) const fn goes_on(because: &Because) -> bool {
    matches!(
        because,
        Because::WindHolding { .. }
            | Because::HailHolding
            | Because::FrostHolding { .. }
            | Because::RainHolding
    )
}

/// A span of time from one moment to a later one, to the minute from an hour on:
/// `2 h 14 min`, `3 d 4 h`.
#[must_use]
pub fn distance(from: Wall, to: Wall) -> String {
    const MINUTE: i64 = 60_000;
    const DAY: i64 = 24 * 60 * MINUTE;
    let ms = (to.0 - from.0).max(0);
    match ms {
        0 => "at once".to_owned(),
        _ if ms >= DAY => {
            let hours = ms % DAY / (60 * MINUTE);
            let rest = if hours == 0 {
                String::new()
            } else {
                format!(" {hours} h")
            };
            format!("{} d{rest}", ms / DAY)
        }
        _ if ms >= 60 * MINUTE => say::span(ms / MINUTE * MINUTE),
        _ if ms >= 1_000 => say::span(ms / 1_000 * 1_000),
        _ => say::span(ms),
    }
}

/// Wraps a text at words: the first line begins with `first`, the others with
/// as many spaces.
pub(crate) fn wrapped(into: &mut String, first: &str, text: &str, width: usize) {
    let indent = first.chars().count();
    into.push_str(first);
    let mut column = indent;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column > indent && column + 1 + length > width {
            into.push('\n');
            into.extend(std::iter::repeat_n(' ', indent));
            column = indent;
        } else if column > indent {
            into.push(' ');
            column += 1;
        }
        into.push_str(word);
        column += length;
    }
    into.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_are_told_as_people_would() {
        let table = [
            (0, "at once"),
            (400, "400 ms"),
            (59_999, "59 s"),
            (61_000, "1 min 1 s"),
            (3_600_000, "1 h"),
            (8_077_000, "2 h 14 min"),
            (86_400_000, "1 d"),
            (100_800_000, "1 d 4 h"),
            (-5, "at once"),
        ];
        for (ms, want) in table {
            assert_eq!(distance(Wall(1_000), Wall(1_000 + ms)), want);
        }
    }

    #[test]
    fn long_lines_hang_under_their_first_word() {
        let mut out = String::new();
        wrapped(&mut out, "  - ", "one two three", 12);
        assert_eq!(out, "  - one two\n    three\n");
    }
}

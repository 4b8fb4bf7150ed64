//! Zones that a file defines itself (RFC 5545 §3.6.5 VTIMEZONE).

use chrono::{DateTime, NaiveDate, NaiveDateTime, TimeDelta, Utc};

use super::component::Component;
use super::diagnostic::Report;
use super::expand::{Budget, Series};
use super::rule::{self, Until};
use super::value::{self, Stamp};

/// One change of offset.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Onset {
    /// The instant, in UTC.
    at: NaiveDateTime,
    /// Seconds east before it.
    before: i64,
    /// Seconds east from it on.
    after: i64,
}

/// A zone as a sorted list of changes of offset.
#[derive(Debug)]
pub(crate) struct OwnZone {
    onsets: Vec<Onset>,
    /// The offset before the first change.
    first: i64,
}

/// Onsets are worked out up to this year; after it the last offset stays. The
/// same horizon as that of the holiday rules.
const HORIZON_YEAR: i32 = 2200;

impl OwnZone {
    /// Seconds east of Greenwich at an instant.
    pub(crate) fn offset_at(&self, utc: NaiveDateTime) -> i64 {
        let index = self.onsets.partition_point(|onset| onset.at <= utc);
        index
            .checked_sub(1)
            .and_then(|i| self.onsets.get(i))
            .map_or(self.first, |onset| onset.after)
    }

    /// The instant of a wall time, with gaps and overlaps read as §3.3.5 has it.
    pub(crate) fn instant(&self, wall: NaiveDateTime) -> DateTime<Utc> {
        let shifted = |seconds: i64| {
            wall.checked_sub_signed(TimeDelta::seconds(seconds))
                .unwrap_or(wall)
        };
        // Offsets lie within a day of Greenwich: only onsets that near matter.
        let day = TimeDelta::days(1);
        let near = self.onsets.iter().filter(|o| {
            o.at >= wall.checked_sub_signed(day).unwrap_or(wall)
                && o.at <= wall.checked_add_signed(day).unwrap_or(wall)
        });
        let mut offsets = vec![self.offset_at(wall)];
        for onset in near {
            offsets.extend([onset.before, onset.after]);
        }
        let exact = offsets
            .iter()
            .filter(|o| self.offset_at(shifted(**o)) == **o)
            .map(|o| shifted(*o))
            .min();
        // No offset fits: a gap. Counted back by the largest offset, the instant
        // falls before the change, where the offset "before the gap" rules.
        let gap = || {
            let largest = offsets.iter().copied().max().unwrap_or(self.first);
            shifted(self.offset_at(shifted(largest)))
        };
        exact.unwrap_or_else(gap).and_utc()
    }
}

/// Reads a VTIMEZONE; answers `None` when it has no usable observance.
pub(crate) fn read(component: &Component, report: &mut Report) -> Option<OwnZone> {
    let mut onsets: Vec<Onset> = Vec::new();
    let mut budget = Budget::new(1_000_000, 20_000);
    let mut observances = 0;
    for child in &component.children {
        if child.name != "STANDARD" && child.name != "DAYLIGHT" {
            continue;
        }
        observances += 1;
        read_observance(child, &mut onsets, &mut budget, report)?;
    }
    if observances == 0 {
        report.error(
            component.at,
            "VTIMEZONE",
            "the zone has neither a STANDARD nor a DAYLIGHT part",
            "give an IANA name as TZID, or add the parts",
        );
        return None;
    }
    if budget.exhausted() {
        report.error(
            component.at,
            "VTIMEZONE",
            "the zone changes its offset too often to be worked out",
            "give an IANA name as TZID",
        );
        return None;
    }
    onsets.sort_by_key(|onset| onset.at);
    onsets.dedup();
    let first = onsets.first().map_or(0, |onset| onset.before);
    Some(OwnZone { onsets, first })
}

fn read_observance(
    child: &Component,
    onsets: &mut Vec<Onset>,
    budget: &mut Budget,
    report: &mut Report,
) -> Option<()> {
    let mut offset = |name: &str| {
        let Some(line) = child.property(name) else {
            report.error(
                child.at,
                name,
                format!("{} lacks {name}", child.name),
                "add it, e.g. +0100",
            );
            return None;
        };
        value::offset(&line.value)
            .map_err(|message| report.error(line.value_at(), name, message, ""))
            .ok()
    };
    let before = offset("TZOFFSETFROM")?;
    let after = offset("TZOFFSETTO")?;
    let Some(line) = child.property("DTSTART") else {
        report.error(
            child.at,
            "DTSTART",
            format!("{} lacks DTSTART", child.name),
            "add the local time of the first change",
        );
        return None;
    };
    let start = match value::stamp(&line.value) {
        Ok(Stamp::Time { wall, utc: false }) => wall,
        Ok(Stamp::Time { utc: true, .. } | Stamp::Date(_)) => {
            report.error(
                line.value_at(),
                "DTSTART",
                "a zone's DTSTART must be a local time without Z",
                "e.g. 19961027T030000",
            );
            return None;
        }
        Err(message) => {
            report.error(line.value_at(), "DTSTART", message, "");
            return None;
        }
    };
    // §3.6.5: onsets are local times, to be read with the offset before them.
    let mut add = |wall: NaiveDateTime| {
        if let Some(at) = wall.checked_sub_signed(TimeDelta::seconds(before)) {
            onsets.push(Onset { at, before, after });
        }
    };
    add(start);
    let horizon = NaiveDate::from_ymd_opt(HORIZON_YEAR, 1, 1)?.and_hms_opt(0, 0, 0)?;
    for line in child.properties_named("RRULE") {
        let rule = rule::read(line, false, report)?;
        let until = match rule.until {
            None => None,
            Some(Until::Utc(utc)) => utc.checked_add_signed(TimeDelta::seconds(before)),
            Some(Until::Wall(wall)) => Some(wall),
            Some(Until::Date(date)) => date.and_hms_opt(23, 59, 59),
        };
        Series { rule: &rule, start }.visit(start, horizon, budget, &mut |wall| {
            if until.is_none_or(|until| wall <= until) {
                add(wall);
            }
        });
    }
    for line in child.properties_named("RDATE") {
        for part in line.value.split(',') {
            match value::stamp(part) {
                Ok(Stamp::Time { wall, utc: false }) => add(wall),
                Ok(_) => report.error(
                    line.value_at(),
                    "RDATE",
                    "a zone's RDATE must be local times without Z",
                    "",
                ),
                Err(message) => report.error(line.value_at(), "RDATE", message, ""),
            }
        }
    }
    Some(())
}

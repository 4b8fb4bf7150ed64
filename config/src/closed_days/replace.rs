//! What an entry keeps when another takes its place: everything that our forms do not
//! ask for, line by line as it stands there.

use crate::calendar::Calendar;

use super::{NewEntry, Recurrence};

/// Properties that are always written anew.
const OURS: [&str; 7] = [
    "UID",
    "DTSTAMP",
    "LAST-MODIFIED",
    "DTSTART",
    "DTEND",
    "DURATION",
    "SUMMARY",
];
/// What says when it comes again.
const RULES: [&str; 4] = ["RRULE", "RDATE", "EXDATE", "EXRULE"];

/// Lines of the old entry that stay, unfolded, and the zone of its times.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Kept {
    pub(super) lines: Vec<String>,
    pub(super) zone: Option<String>,
}

impl Kept {
    /// Of the entry with this UID, when `new` takes its place.
    pub(super) fn of(text: &str, calendar: &Calendar, uid: &str, new: &NewEntry) -> Self {
        let old = calendar.events().into_iter();
        let Some(old) = old
            .into_iter()
            .find(|event| event.uid == uid && event.replaces.is_none())
        else {
            return Self::default();
        };
        let mut kept = Self::default();
        let mut depth = 0_i32;
        for line in unfolded(text, old.first_line, old.last_line) {
            let name_ends = line.find([':', ';']).unwrap_or(line.len());
            let name = line
                .get(..name_ends)
                .unwrap_or_default()
                .to_ascii_uppercase();
            // The event's own frame is depth one.
            let ends = name == "END";
            depth += i32::from(name == "BEGIN");
            let inside = depth > 1;
            depth -= i32::from(ends);
            let frame = !inside && (ends || name == "BEGIN");
            if !inside && name == "DTSTART" {
                kept.zone = zone(&line);
            }
            let rule = RULES.contains(&name.as_str()) && new.recurrence != Recurrence::Other;
            let category = name == "CATEGORIES" && new.category.is_some();
            let anew = !inside && (OURS.contains(&name.as_str()) || rule || category);
            if !frame && !anew {
                kept.lines.push(line);
            }
        }
        kept
    }

    /// Whether a rule is among what stays.
    pub(super) fn has_rule(&self) -> bool {
        self.lines.iter().any(|line| {
            let name = line.split([':', ';']).next().unwrap_or_default();
            RULES.iter().any(|rule| name.eq_ignore_ascii_case(rule))
        })
    }
}

/// Lines from `first` to `last`, counted from 1, each with what is folded onto it.
fn unfolded(text: &str, first: usize, last: usize) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for (index, line) in text.lines().enumerate().skip(first.saturating_sub(1)) {
        let folded = line.strip_prefix([' ', '\t']);
        if folded.is_none() && index + 1 > last {
            break;
        }
        match (folded, out.last_mut()) {
            (Some(more), Some(before)) => before.push_str(more.trim_end_matches('\r')),
            _ => out.push(line.trim_end_matches('\r').to_owned()),
        }
    }
    out
}

/// The zone that a DTSTART names: its TZID, or UTC.
fn zone(line: &str) -> Option<String> {
    if line.ends_with('Z') {
        return Some("UTC".to_owned());
    }
    let (params, _) = line.rsplit_once(':')?;
    params.split(';').find_map(|param| {
        let (name, value) = param.split_once('=')?;
        name.eq_ignore_ascii_case("TZID")
            .then(|| value.trim_matches('"').to_owned())
    })
}

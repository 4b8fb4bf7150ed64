//! iCalendar files (RFC 5545): which days and times they name.
//!
//! The path from text to times: content lines (`line`) → components
//! (`component`) → events (`event`) with rules (`rule`) → occurrences
//! (`occurrences`), where wall time is worked out first (`expand`) and turned
//! into instants last (`zone`, `vtimezone`).
//!
//! What stands undecided in RFC 5545 is decided as follows:
//! - Floating times and dates are read in the zone that the caller gives, the site's.
//! - A DTSTART that its own rule does not yield is the first occurrence all the
//!   same and counts for COUNT (§3.8.5.3, §3.3.10), with a warning.
//! - A DTEND fixes the elapsed time of every occurrence, a DURATION its days by the
//!   calendar (§3.8.5.3).
//! - An override counts for what it says, even if the series does not know the
//!   occurrence that it names; but not if EXDATE takes that occurrence out.
//! - A `TZID` that is an IANA name, or leads to one, means the IANA zone, whatever
//!   VTIMEZONE stands beside it.

mod component;
mod diagnostic;
mod event;
mod expand;
mod line;
mod moment;
mod occurrences;
mod plan;
mod rule;
mod value;
mod vtimezone;
mod windows_zones;
mod zone;

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

pub use diagnostic::{Diagnostic, Severity, usable};
pub use occurrences::Occurrence;
pub use zone::beyond_zone_data;

use component::Component;
use diagnostic::Report;
pub(crate) use event::Event;
use expand::Budget;
use moment::OwnZones;
pub(crate) use moment::{Length, Moment};
use occurrences::{Family, Window};
pub(crate) use rule::{ByDay, Frequency, Rule, Until};
pub(crate) use zone::Zone;

/// Larger files are refused: a house calendar has some kilobytes.
pub const MAX_BYTES: usize = 8 * 1024 * 1024;

/// More events are refused.
pub const MAX_EVENTS: usize = 10_000;

/// More zones of its own a file may not define.
const MAX_OWN_ZONES: usize = 20;

/// Periods, days and times that one expansion may look at, all events together.
const MAX_STEPS: u64 = 20_000_000;

/// Occurrences that one expansion may yield, all events together.
const MAX_OCCURRENCES: u64 = 200_000;

/// A calendar that has been read.
#[derive(Debug, Clone)]
pub struct Calendar {
    name: String,
    families: Vec<Family>,
    /// Line of the last `END:VCALENDAR`.
    end_line: Option<usize>,
}

/// The occurrences in a range of time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expansion {
    /// In order of their begin, then of their place in the file.
    pub occurrences: Vec<Occurrence>,
    /// Not empty when the work had to be cut short; the list is then incomplete.
    pub diagnostics: Vec<Diagnostic>,
}

impl Calendar {
    /// Reads a calendar. `name` is what diagnostics call the file. Everything that
    /// is wrong is reported in one pass; if one of the diagnostics is an error (see
    /// [`usable`]) the calendar is incomplete and must not be put into force.
    #[must_use]
    pub fn parse(name: &str, text: impl AsRef<[u8]>) -> (Self, Vec<Diagnostic>) {
        let mut report = Report::new(name);
        let (events, end_line) = read_events(text.as_ref(), &mut report);
        let families = families(events, &mut report);
        let name = name.to_owned();
        (
            Self {
                name,
                families,
                end_line,
            },
            report.finish(),
        )
    }

    /// The name it was read under.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The occurrences that begin in `[from, to)`. What floats is read in `zone`,
    /// and local times are those of `zone`.
    #[must_use]
    pub fn occurrences(&self, from: DateTime<Utc>, to: DateTime<Utc>, zone: Tz) -> Expansion {
        self.expand(Window {
            from,
            to,
            site: zone,
            overlapping: false,
        })
    }

    /// The occurrences of which some part lies in `[from, to)`.
    #[must_use]
    pub fn overlapping(&self, from: DateTime<Utc>, to: DateTime<Utc>, zone: Tz) -> Expansion {
        self.expand(Window {
            from,
            to,
            site: zone,
            overlapping: true,
        })
    }

    /// Line of the last `END:VCALENDAR`, before which an event can be added.
    pub(crate) fn end_line(&self) -> Option<usize> {
        self.end_line
    }

    /// All events, overrides included, in file order.
    pub(crate) fn events(&self) -> Vec<&Event> {
        let mut events: Vec<&Event> = self
            .families
            .iter()
            .flat_map(|f| f.masters.iter().chain(&f.overrides))
            .collect();
        events.sort_by_key(|event| event.first_line);
        events
    }

    fn expand(&self, window: Window) -> Expansion {
        let mut budget = Budget::new(MAX_STEPS, MAX_OCCURRENCES);
        let mut occurrences = Vec::new();
        let mut report = Report::new(&self.name);
        if window.from < window.to {
            for family in &self.families {
                if let Some(line) = family.expand(window, &mut budget, &mut occurrences) {
                    report.error(
                        (line, 1),
                        "RRULE",
                        format!("the rule recurs too often to be worked out within {MAX_STEPS} steps and {MAX_OCCURRENCES} occurrences"),
                        "use a longer FREQ or INTERVAL, or ask for a shorter range",
                    );
                    break;
                }
            }
        }
        occurrences.sort_by_key(|o| (o.start, o.line, o.end));
        Expansion {
            occurrences,
            diagnostics: report.finish(),
        }
    }
}

/// The zone of an IANA name.
///
/// # Errors
/// That there is no such zone, and the name most like it.
pub fn zone_named(name: &str) -> Result<Tz, String> {
    name.parse().map_err(|_| {
        let hint = zone::nearest(name).map_or_else(
            || "an IANA name such as Europe/Berlin".to_owned(),
            |near| format!("did you mean {near}?"),
        );
        format!(
            "the zone `{}` is unknown (hint: {hint})",
            value::shorten(name)
        )
    })
}

/// Reads all events of a file; answers them and the line of its last `END:VCALENDAR`.
fn read_events(bytes: &[u8], report: &mut Report) -> (Vec<Event>, Option<usize>) {
    if bytes.len() > MAX_BYTES {
        report.error(
            (1, 1),
            "",
            format!("the file is larger than {MAX_BYTES} bytes"),
            "export only the events that are needed",
        );
        return (Vec::new(), None);
    }
    let lines = line::read_lines(bytes, report);
    let roots = component::build(lines, report);
    if !roots.iter().any(|root| root.name == "VCALENDAR") {
        report.error(
            (1, 1),
            "VCALENDAR",
            "this is not an iCalendar file: BEGIN:VCALENDAR is missing",
            "export the calendar as .ics",
        );
        return (Vec::new(), None);
    }
    let mut events = Vec::new();
    let end_line = roots
        .iter()
        .filter(|root| root.name == "VCALENDAR")
        .map(|root| root.last_line)
        .max();
    for root in &roots {
        if root.name != "VCALENDAR" {
            report.error(
                root.at,
                &root.name,
                "this component stands outside VCALENDAR",
                "move it inside",
            );
            continue;
        }
        check_version(root, report);
        let zones = own_zones(root, report);
        for child in root.children.iter().filter(|child| child.name == "VEVENT") {
            if events.len() >= MAX_EVENTS {
                report.error(
                    child.at,
                    "VEVENT",
                    format!("more than {MAX_EVENTS} events"),
                    "export only the events that are needed",
                );
                return (events, end_line);
            }
            events.extend(event::read(child, &zones, report));
        }
    }
    (events, end_line)
}

/// RFC 5545 §3.7.4; version 1.0 has other rules and would be misread.
fn check_version(root: &Component, report: &mut Report) {
    match root.property("VERSION") {
        Some(line) if line.value.trim() == "2.0" => {}
        Some(line) => report.error(
            line.value_at(),
            "VERSION",
            "only iCalendar 2.0 is read",
            "export the calendar as iCalendar 2.0",
        ),
        None => report.warning(
            root.at,
            "VERSION",
            "the calendar lacks VERSION:2.0; read as that",
            "add VERSION:2.0",
        ),
    }
    if let Some(line) = root.property("CALSCALE")
        && !line.value.trim().eq_ignore_ascii_case("GREGORIAN")
    {
        report.error(
            line.value_at(),
            "CALSCALE",
            "only the Gregorian calendar is read",
            "",
        );
    }
}

/// The zones that have no IANA name, read by their own rules.
fn own_zones(root: &Component, report: &mut Report) -> OwnZones {
    let mut zones = BTreeMap::new();
    for child in root
        .children
        .iter()
        .filter(|child| child.name == "VTIMEZONE")
    {
        let Some(tzid) = child.property("TZID") else {
            report.error(child.at, "TZID", "the VTIMEZONE has no TZID", "add one");
            continue;
        };
        if zone::iana(&tzid.value).is_none() && zones.len() < MAX_OWN_ZONES {
            zones.insert(
                tzid.value.trim().to_owned(),
                vtimezone::read(child, report).map(Arc::new),
            );
        }
    }
    zones
}

/// Gathers the events of each UID, in file order of their first event.
fn families(events: Vec<Event>, report: &mut Report) -> Vec<Family> {
    let mut order: Vec<String> = Vec::new();
    let mut by_uid: BTreeMap<String, Family> = BTreeMap::new();
    for event in events {
        let family = by_uid.entry(event.uid.clone()).or_insert_with(|| {
            order.push(event.uid.clone());
            Family {
                masters: Vec::new(),
                overrides: Vec::new(),
            }
        });
        if event.replaces.is_some() {
            add_override(family, event);
        } else {
            add_master(family, event, report);
        }
    }
    order.iter().filter_map(|uid| by_uid.remove(uid)).collect()
}

/// Of two overrides of one occurrence the higher SEQUENCE counts, then the later.
fn add_override(family: &mut Family, event: Event) {
    let names = |event: &Event| {
        event
            .replaces
            .as_ref()
            .map(|r| (r.of.wall(), r.of.zone().is_fixed(), r.this_and_future))
    };
    match family
        .overrides
        .iter_mut()
        .find(|other| names(other) == names(&event))
    {
        Some(other) if other.sequence <= event.sequence => *other = event,
        Some(_) => {}
        None => family.overrides.push(event),
    }
}

/// Of two events with one UID the higher SEQUENCE counts. Where they are equal
/// both do: a closed day too many is better than one forgotten.
fn add_master(family: &mut Family, event: Event, report: &mut Report) {
    let Some(highest) = family.masters.iter().map(|m| m.sequence).max() else {
        family.masters.push(event);
        return;
    };
    let (kept, line) = if event.sequence == highest {
        ("both are kept", event.first_line)
    } else {
        ("the one with the higher SEQUENCE is kept", event.first_line)
    };
    report.warning(
        (line, 1),
        "UID",
        format!("this UID is used twice; {kept}"),
        "give each event a UID of its own",
    );
    if event.sequence > highest {
        family.masters.clear();
    }
    if event.sequence >= highest {
        family.masters.push(event);
    }
}

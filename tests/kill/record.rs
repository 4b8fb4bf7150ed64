//! What stands in the journal: nothing released early, nothing extended before
//! the weather was known.
//!
//! Rows are what the program says it heard and did, in order; the limits and
//! times are those of `tests/sites/quick.toml`, written down here once more.

use crate::building::GROUPS;
use leeside_core::input::{Input, Part, Sample};
use leeside_journal::{Entry, Journal, Kind, Span};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Calm this long before a lockout ends, ms.
const HOLD_MS: i64 = 3_000;
/// Weather known this long before a wish moves anything, ms.
const KNOWN_MS: i64 = 1_000;

/// Per group: its limit, m/s, the sensors of its wind, and what else it must know.
const RULES: [(f64, [&str; 2], &[&str]); 3] = [
    (12.0, ["wind south", "wind roof"], &[]),
    (14.0, ["wind west", "wind roof"], &[]),
    (7.0, ["wind south", "wind roof"], &["rain"]),
];

/// What the journal says of a group so far.
#[derive(Clone, Copy, Default)]
struct Group {
    /// When a gust over its limit was last heard, in any run.
    over: Option<i64>,
    /// A gust engaged its guard, and nothing has released it.
    locked: bool,
    /// That was so when this run began.
    locked_before: bool,
    extension: u64,
}

/// What was found.
pub(crate) struct Record {
    /// Payloads of all commands.
    pub(crate) commands: BTreeSet<String>,
    pub(crate) released: u32,
    pub(crate) extensions: u32,
    pub(crate) wrong: Vec<String>,
}

/// Reads the whole journal.
pub(crate) fn judge(path: &Path) -> Record {
    let journal = Journal::open_read_only(path).unwrap();
    let mut reader = Reader {
        groups: [Group::default(); 3],
        first: BTreeMap::new(),
        record: Record {
            commands: BTreeSet::new(),
            released: 0,
            extensions: 0,
            wrong: Vec::new(),
        },
    };
    for entry in journal.entries(Span::ALL) {
        reader.row(&entry.unwrap());
    }
    reader.record
}

struct Reader {
    groups: [Group; 3],
    /// When each sensor was first heard in this run.
    first: BTreeMap<String, i64>,
    record: Record,
}

impl Reader {
    #[expect(
        clippy::wildcard_enum_match_arm,
        reason = "only these kinds are judged"
    )]
    fn row(&mut self, entry: &Entry) {
        match entry.kind {
            Kind::Run => {
                self.first.clear();
                for group in &mut self.groups {
                    group.locked_before = group.locked;
                }
            }
            Kind::Reading => self.reading(entry),
            Kind::Lockout => self.lockout(entry),
            Kind::Command => self.command(entry),
            Kind::Gap => self
                .record
                .wrong
                .push(format!("rows are missing: {}", entry.body)),
            _ => {}
        }
    }

    fn reading(&mut self, entry: &Entry) {
        let now = entry.now.wall.0;
        self.first.entry(entry.subject.clone()).or_insert(now);
        let Input::Reading(reading) = entry.input().unwrap() else {
            return;
        };
        let Sample::Wind {
            gust: Part::Value(gust),
            ..
        } = reading.sample
        else {
            return;
        };
        for (group, (limit, sensors, _)) in self.groups.iter_mut().zip(RULES) {
            if gust >= limit && sensors.contains(&entry.subject.as_str()) {
                (group.over, group.locked) = (Some(now), true);
            }
        }
    }

    fn lockout(&mut self, entry: &Entry) {
        let body: Value = serde_json::from_str(&entry.body).unwrap();
        if body["guard"] != "wind" || body["engaged"] != false {
            return;
        }
        let Some(index) = crate::group_of(body["group"].as_str().unwrap()) else {
            return;
        };
        self.calm_enough(index, entry, "released");
        self.record.released += 1;
        (self.groups[index].locked, self.groups[index].locked_before) = (false, false);
    }

    fn command(&mut self, entry: &Entry) {
        self.record.commands.insert(entry.body.clone());
        let body: Value = serde_json::from_str(&entry.body).unwrap();
        let Some(index) = crate::group_of(body["group"].as_str().unwrap()) else {
            return;
        };
        let Some(extension) = body["pose"]["extension_pct"].as_u64() else {
            return;
        };
        let before = std::mem::replace(&mut self.groups[index].extension, extension);
        if extension <= before {
            return;
        }
        self.record.extensions += 1;
        self.calm_enough(index, entry, "extended");
        let (_, winds, others) = RULES[index];
        for sensor in winds.iter().chain(others) {
            let known = self.first.get(*sensor).map(|at| entry.now.wall.0 - at);
            if known.is_none_or(|ms| ms < KNOWN_MS) {
                self.record.wrong.push(format!(
                    "row {}: {} extended, \"{sensor}\" known for {known:?} ms",
                    entry.id, GROUPS[index]
                ));
            }
        }
    }

    /// The hold has passed since the last gust that was heard; and after a
    /// restart in a lockout, calm has been heard for as long from every sensor.
    fn calm_enough(&mut self, index: usize, entry: &Entry, what: &str) {
        let (now, group) = (entry.now.wall.0, self.groups[index]);
        if let Some(ms) = group.over.map(|at| now - at).filter(|ms| *ms < HOLD_MS) {
            self.record.wrong.push(format!(
                "row {}: {} {what} {ms} ms after a gust",
                entry.id, GROUPS[index]
            ));
        }
        if !group.locked_before {
            return;
        }
        for sensor in RULES[index].1 {
            let calm = self.first.get(sensor).map(|at| now - at);
            if calm.is_none_or(|ms| ms < HOLD_MS) {
                self.record.wrong.push(format!(
                    "row {}: {} {what} after a restart in a lockout, \"{sensor}\" calm for {calm:?} ms",
                    entry.id, GROUPS[index]
                ));
            }
        }
    }
}

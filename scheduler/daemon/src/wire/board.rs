//! What is shown as present state: lockouts and alarms that stand, by name, so
//! that it outlives a restart and a changed site file.

use super::stamp::stamp;
use leeside_core::model::Model;
use leeside_core::output::{Alarm, AlarmWord, LockoutChange, Word};
use leeside_core::say;
use leeside_core::time::Wall;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A lockout that stands.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Held {
    /// Since when.
    pub since: Wall,
    /// Why.
    pub reason: String,
    /// What releases it.
    pub release: String,
}

/// An alarm that stands.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Raised {
    /// Its word, as it stands in messages.
    pub word: String,
    /// Since when.
    pub since: Wall,
    /// Why.
    pub reason: String,
    /// Who has seen it.
    pub acknowledged_by: Option<String>,
}

/// Lockouts and alarms that stand.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Board {
    /// By group, then by guard.
    pub lockouts: BTreeMap<String, BTreeMap<Word, Held>>,
    /// By key.
    pub alarms: BTreeMap<String, Raised>,
}

/// The word of an alarm as it stands in messages.
pub(super) fn word_of(word: AlarmWord) -> String {
    let value = serde_json::to_value(word).ok();
    value
        .as_ref()
        .and_then(serde_json::Value::as_str)
        .unwrap_or_default()
        .to_owned()
}

#[derive(Serialize)]
struct GuardOut<'a> {
    guard: &'static str,
    since: String,
    reason: &'a str,
    release: &'a str,
}

#[derive(Serialize)]
struct LockoutOut<'a> {
    group: &'a str,
    engaged: bool,
    at: String,
    guards: Vec<GuardOut<'a>>,
}

impl Board {
    /// Takes a change in, and returns whether it changed anything.
    pub fn lockout(&mut self, model: &Model, change: &LockoutChange) -> bool {
        let guards = self
            .lockouts
            .entry(model.group(change.group).name.clone())
            .or_default();
        if !change.engaged {
            return guards.remove(&change.word).is_some();
        }
        let held = Held {
            // A changed reason does not begin a new lockout.
            since: guards
                .get(&change.word)
                .map_or(change.at.wall, |held| held.since),
            reason: say::because(model, &change.because),
            release: say::release(model, &change.release, change.at),
        };
        guards.insert(change.word, held.clone()) != Some(held)
    }

    /// Takes an alarm in.
    pub fn alarm(&mut self, model: &Model, alarm: &Alarm) {
        if !alarm.active {
            self.alarms.remove(&alarm.key);
            return;
        }
        let raised = Raised {
            word: word_of(alarm.word),
            since: self
                .alarms
                .get(&alarm.key)
                .map_or(alarm.at.wall, |raised| raised.since),
            reason: say::because(model, &alarm.because),
            acknowledged_by: alarm.acknowledged_by.clone(),
        };
        self.alarms.insert(alarm.key.clone(), raised);
    }

    /// The state of a group's lockouts as a message.
    #[must_use]
    pub fn lockout_payload(&self, group: &str, at: Wall) -> String {
        let guards: Vec<GuardOut<'_>> = self
            .lockouts
            .get(group)
            .into_iter()
            .flatten()
            .map(|(word, held)| GuardOut {
                guard: word.as_str(),
                since: stamp(held.since),
                reason: &held.reason,
                release: &held.release,
            })
            .collect();
        super::encode::json(&LockoutOut {
            group,
            engaged: !guards.is_empty(),
            at: stamp(at),
            guards,
        })
    }
}

//! Alarms: raised, seen by someone named, cleared.

use super::Core;
use crate::ids::{GroupId, SensorId};
use crate::output::{Alarm, AlarmWord, Output, Word};
use crate::reason::{Because, Fault};
use crate::sensor;
use serde::{Deserialize, Serialize};

/// An alarm that stands.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(super) struct Standing {
    pub(super) word: AlarmWord,
    pub(super) because: Because,
    pub(super) acknowledged_by: Option<String>,
    pub(super) since: crate::time::Wall,
}

impl Core {
    /// Raises or clears an alarm; says so only when that is news.
    pub(super) fn set_alarm(
        &mut self,
        key: String,
        word: AlarmWord,
        active: bool,
        because: Because,
    ) {
        let standing = self.alarms.get(&key);
        let news = match (standing, active) {
            (None, active) => active,
            (Some(_), false) => true,
            (Some(old), true) => {
                core::mem::discriminant(&old.because) != core::mem::discriminant(&because)
            }
        };
        if !news {
            return;
        }
        if active {
            let standing = Standing {
                word,
                because: because.clone(),
                acknowledged_by: None,
                since: self.now.wall,
            };
            self.alarms.insert(key.clone(), standing);
        } else {
            self.alarms.remove(&key);
        }
        self.note_group_alarms();
        let alarm = Alarm {
            key,
            word,
            at: self.now,
            active,
            acknowledged_by: None,
            because,
        };
        self.say(Output::Alarm(alarm));
    }

    /// Somebody has seen an alarm.
    pub(super) fn acknowledge(&mut self, key: &str, by: &str) {
        let Some(standing) = self.alarms.get_mut(key) else {
            return;
        };
        standing.acknowledged_by = Some(by.to_owned());
        let alarm = Alarm {
            key: key.to_owned(),
            word: standing.word,
            at: self.now,
            active: true,
            acknowledged_by: standing.acknowledged_by.clone(),
            because: standing.because.clone(),
        };
        self.say(Output::Alarm(alarm));
        self.power_seen(key);
        if key == super::input::STATE_LOST {
            self.set_alarm(key.to_owned(), AlarmWord::StateLost, false, Because::Rest);
        }
    }

    /// The alarm of a sensor follows its standing.
    pub(super) fn sensor_alarm(&mut self, id: SensorId) {
        let state = &self.sensors[id.index()];
        let fault = match state.standing() {
            sensor::Standing::Fault(fault) => Some(fault),
            sensor::Standing::Good | sensor::Standing::Waiting => None,
        };
        if fault.is_none() && self.alarms.is_empty() {
            return;
        }
        let name = &self.model.sensor(id).name;
        let key = format!("sensor_fault/{name}");
        if fault.is_none() && !self.alarms.contains_key(&key) {
            return;
        }
        let told = fault.unwrap_or(Fault::Silent);
        let because = Because::SensorUnknown {
            sensor: id,
            fault: told,
        };
        self.set_alarm(key, AlarmWord::SensorFault, fault.is_some(), because);
    }

    /// Notes whether any alarm stands that follows from a group's guards.
    pub(super) fn note_group_alarms(&mut self) {
        self.group_alarms_stand = self.alarms.values().any(|standing| {
            matches!(
                standing.word,
                AlarmWord::WindDuringService | AlarmWord::Frozen | AlarmWord::FireActive
            )
        });
    }

    /// Alarms that follow from a group's guards: wind while service holds it,
    /// fire, and a device that may be frozen.
    pub(super) fn group_alarms(&mut self, group: GroupId) {
        let state = &self.groups[group.index()];
        let wind = self
            .guard(group, Word::Wind)
            .and_then(|g| g.engaged.as_ref());
        let exposed = wind
            .filter(|_| state.service.is_some())
            .map(|e| e.because.clone());
        let frozen = state.ice.frozen.then(|| {
            let ice = state.ice.guard.engaged.as_ref();
            ice.map_or(Because::FrostHolding { above_c: 0.0 }, |e| {
                e.because.clone()
            })
        });
        let fire = self.fire(group).map(|contact| Because::Fire { contact });
        let any = exposed.is_some() || frozen.is_some() || fire.is_some();
        if !any && !self.group_alarms_stand {
            return;
        }
        let name = &self.model.group(group).name;
        let all = [
            (
                format!("wind_during_service/{name}"),
                AlarmWord::WindDuringService,
                exposed,
            ),
            (format!("frozen/{name}"), AlarmWord::Frozen, frozen),
            (format!("fire_active/{name}"), AlarmWord::FireActive, fire),
        ];
        for (key, word, because) in all {
            let active = because.is_some();
            if active || self.alarms.contains_key(&key) {
                self.set_alarm(key, word, active, because.unwrap_or(Because::Rest));
            }
        }
    }
}

//! The state that must survive: guards and their timers, holds by hand, service,
//! last poses, sequence numbers.

use super::{ContactState, Core, GroupState, alarms, apply};
use crate::drives::{DriveState, FeederState};
use crate::model::Model;
use crate::sensor::SensorState;
use crate::time::Now;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Everything that must survive a restart, by the names of the site file.
///
/// The steady count goes on from `taken.steady`: a shell that starts again
/// counts from there plus the wall time that has passed (never less than 0).
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Snapshot {
    /// When it was taken.
    pub taken: Now,
    sequence: u64,
    clock_trusted: bool,
    sensors: BTreeMap<String, SensorState>,
    contacts: BTreeMap<String, ContactState>,
    gateways_lost: BTreeMap<String, bool>,
    groups: BTreeMap<String, GroupState>,
    drives: BTreeMap<String, (DriveState, apply::Confirm)>,
    feeders: BTreeMap<String, FeederState>,
    alarms: BTreeMap<String, alarms::Standing>,
    /// Names by index: reasons carry indices, and a changed site file may have moved them.
    order: Vec<String>,
}

impl Core {
    /// The state that must survive.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        let model = &self.model;
        Snapshot {
            taken: self.now,
            sequence: self.sequence,
            clock_trusted: self.clock_trusted,
            sensors: named(model.sensors.iter().map(|s| &s.name), &self.sensors),
            contacts: named(model.contacts.iter().map(|c| &c.name), &self.contacts),
            gateways_lost: named(model.gateways.iter().map(|g| &g.name), &self.gateways_lost),
            groups: named(model.groups.iter().map(|g| &g.name), &self.groups),
            drives: model
                .devices
                .iter()
                .zip(self.drives.iter().zip(&self.confirms))
                .map(|(d, (drive, confirm))| (d.name.clone(), (drive.clone(), confirm.clone())))
                .collect(),
            feeders: named(model.feeders.iter().map(|f| &f.name), &self.feeders),
            alarms: self.alarms.clone(),
            order: order(model),
        }
    }

    /// A core that goes on from a snapshot, as of the moment it was taken. Alone
    /// it decides as the one that took it would have; a program that starts again
    /// sends [`RestartCause::Started`](crate::input::RestartCause) next.
    #[must_use]
    pub fn restore(model: Arc<Model>, snapshot: &Snapshot) -> Self {
        let mut core = Self::new(model.clone(), snapshot.taken);
        core.sequence = snapshot.sequence;
        core.clock_trusted = snapshot.clock_trusted;
        take(
            &mut core.sensors,
            model.sensors.iter().map(|s| &s.name),
            &snapshot.sensors,
        );
        take(
            &mut core.contacts,
            model.contacts.iter().map(|c| &c.name),
            &snapshot.contacts,
        );
        let gateways = model.gateways.iter().map(|g| &g.name);
        take(&mut core.gateways_lost, gateways, &snapshot.gateways_lost);
        take(
            &mut core.groups,
            model.groups.iter().map(|g| &g.name),
            &snapshot.groups,
        );
        take(
            &mut core.feeders,
            model.feeders.iter().map(|f| &f.name),
            &snapshot.feeders,
        );
        for (index, device) in model.devices.iter().enumerate() {
            if let Some((drive, confirm)) = snapshot.drives.get(&device.name) {
                core.drives[index] = drive.clone();
                core.confirms[index] = confirm.clone();
            }
        }
        core.alarms = snapshot.alarms.clone();
        if snapshot.order != order(&model) {
            core.renumber();
        }
        core.rearm();
        core
    }

    /// Indices in kept reasons may point elsewhere now: reasons are worked out anew.
    fn renumber(&mut self) {
        for (index, state) in self.groups.iter_mut().enumerate() {
            let rules = &self.model.groups[index];
            let wind = rules.wind.as_ref().map(crate::guard::wind::holding);
            for (guard, because) in [
                (
                    &mut state.wind,
                    wind.unwrap_or(crate::reason::Because::Rest),
                ),
                (&mut state.hail, crate::reason::Because::HailHolding),
                (
                    &mut state.ice.guard,
                    crate::reason::Because::FrostHolding { above_c: 0.0 },
                ),
                (&mut state.rain, crate::reason::Because::RainHolding),
            ] {
                if let Some(engaged) = &mut guard.engaged {
                    engaged.because = because;
                }
            }
            state.device_holds.clear();
        }
        for sensor in &mut self.sensors {
            sensor.bypass = None;
        }
        self.alarms.clear();
    }

    /// Timers follow from the state.
    fn rearm(&mut self) {
        self.timers = crate::timers::Timers::default();
        self.begin();
        for index in 0..self.groups.len() {
            let group = crate::ids::GroupId::of(index);
            self.arm_hand(group);
            self.arm_service(group);
            for word in super::settle::WEATHER {
                let times = self.guard_times(group, word);
                let due = self.guard(group, word).and_then(|g| g.due(times));
                self.arm_guard(group, word, due);
            }
        }
    }
}

fn named<'a, T: Clone>(names: impl Iterator<Item = &'a String>, of: &[T]) -> BTreeMap<String, T> {
    names.cloned().zip(of.iter().cloned()).collect()
}

fn take<'a, T: Clone>(
    into: &mut [T],
    names: impl Iterator<Item = &'a String>,
    from: &BTreeMap<String, T>,
) {
    for (slot, name) in into.iter_mut().zip(names) {
        if let Some(kept) = from.get(name) {
            *slot = kept.clone();
        }
    }
}

/// All names in their order, kinds apart.
fn order(model: &Model) -> Vec<String> {
    let sensors = model.sensors.iter().map(|s| format!("sensor {}", s.name));
    let contacts = model.contacts.iter().map(|c| format!("contact {}", c.name));
    let devices = model.devices.iter().map(|d| format!("device {}", d.name));
    let gateways = model.gateways.iter().map(|g| format!("gateway {}", g.name));
    let timetables = model
        .timetables
        .iter()
        .map(|t| format!("timetable {}", t.name));
    sensors
        .chain(contacts)
        .chain(devices)
        .chain(gateways)
        .chain(timetables)
        .collect()
}

//! Another model under the same state: a site file loaded anew, or taken up by
//! names after a start.

use super::alarms::Standing;
use super::{Core, GroupState, Stale};
use crate::ids::{ContactId, DeviceId, GatewayId, GroupId, SensorId, TimetableId};
use crate::input::{Input, RestartCause};
use crate::model::{Anchor, Model, Phase, Timetable, Twilight};
use crate::output::{Alarm, AlarmWord, Output, WakeFor};
use crate::reason::Because;
use std::sync::Arc;

impl Core {
    /// The same state under another model (a site file loaded anew): lockouts,
    /// holds and fresh readings stay, and nothing moves that need not. Lockouts
    /// and service follow the devices into groups of another name.
    #[must_use]
    pub fn reload(&self, model: Arc<Model>) -> Self {
        let mut core = Self::going_on(model, &self.snapshot());
        core.carry_over(self);
        // What had not been asked for yet comes before what follows from the change.
        let mut out = self.out.clone();
        out.append(&mut core.out);
        core.out = out;
        core.handle(self.now, Input::Restart(RestartCause::Reloaded));
        core.keep_twilight(self);
        core
    }

    /// What light has brought today does not go back with another site file, where the
    /// phase is the same by its name, its timetable's and its rule.
    fn keep_twilight(&mut self, old: &Self) {
        let (model, was) = (self.model.clone(), &old.model);
        for (index, timetable) in model.timetables.iter().enumerate() {
            let same = |known: &Timetable| known.name == timetable.name;
            let Some(known) = was.timetables.iter().position(same) else {
                continue;
            };
            let mut comes = false;
            for (phase, at) in old.timetables[known].brought(was) {
                let same = |new: &Phase| {
                    new.name == phase.name && twilight_of(&model, new) == twilight_of(was, phase)
                };
                comes |= self.timetables[index].come(&model, at, same);
            }
            if comes {
                self.look_timetable(TimetableId::of(index));
            }
        }
    }

    /// Groups that the old model did not know take up what held their devices
    /// there: everything, where one group was renamed; its guards and service,
    /// where devices of several groups come together.
    fn carry_over(&mut self, old: &Self) {
        let model = self.model.clone();
        for (index, rules) in model.groups.iter().enumerate() {
            let group = GroupId::of(index);
            let same = old.model.group_named(&rules.name);
            let mut from: Vec<GroupId> = rules
                .devices
                .iter()
                .filter_map(|id| old.model.device_named(&model.device(*id).name))
                .filter_map(|id| old.topology.device_group[id.index()])
                .collect();
            from.sort_unstable();
            from.dedup();
            let before = self.engaged_of(group);
            if let (None, [one]) = (same, from.as_slice()) {
                let mut state = old.groups[one.index()].clone();
                state.verdict = None;
                state.stale = 0;
                state.device_holds.clear();
                self.groups[index] = state;
            } else {
                from.retain(|source| Some(*source) != same);
                let ice = rules.ice.is_some();
                for source in &from {
                    self.groups[index].inherit(&old.groups[source.index()], ice);
                }
            }
            if same.is_none() || !from.is_empty() {
                self.say_generally(group);
                self.say_lockouts(group, &before, self.now);
            }
        }
        self.rearm_groups();
    }

    /// The reasons of lockouts in words that hold under every model: the next
    /// look fills in the numbers.
    fn say_generally(&mut self, group: GroupId) {
        let rules = &self.model.groups[group.index()];
        let wind = rules.wind.as_ref().map(crate::guard::wind::holding);
        let state = &mut self.groups[group.index()];
        for (guard, because) in [
            (&mut state.wind, wind.unwrap_or(Because::Rest)),
            (&mut state.hail, Because::HailHolding),
            (&mut state.ice.guard, Because::FrostHolding { above_c: 0.0 }),
            (&mut state.rain, Because::RainHolding),
        ] {
            if let Some(engaged) = &mut guard.engaged {
                engaged.because = because;
            }
        }
    }

    /// Indices in what was kept may point elsewhere now. `order` has the names by
    /// index as they were: what can be found again by its name stays.
    pub(super) fn renumber(&mut self, order: &[String]) {
        let model = self.model.clone();
        let device = |id: DeviceId| {
            let name = nth(order, "device ", id.index())?;
            model.device_named(name)
        };
        let sensor = |id: SensorId| {
            let name = nth(order, "sensor ", id.index())?;
            model.sensor_named(name)
        };
        for index in 0..self.groups.len() {
            self.say_generally(GroupId::of(index));
            let state = &mut self.groups[index];
            state.device_holds = core::mem::take(&mut state.device_holds)
                .into_iter()
                .filter_map(|(id, hold)| Some((device(id)?, hold)))
                .filter(|(id, _)| model.groups[index].devices.contains(id))
                .collect();
            state.stale = 0;
            state.verdict = None;
        }
        for feeder in &mut self.feeders {
            feeder.renumber(device);
        }
        for state in &mut self.sensors {
            let substitute = state.bypass.as_ref().and_then(|b| b.substitute);
            match (substitute.map(sensor), &mut state.bypass) {
                (Some(Some(id)), Some(bypass)) => bypass.substitute = Some(id),
                // Whoever stood in for it is gone: it speaks for itself again.
                (Some(None), bypass) => *bypass = None,
                (None, _) | (_, None) => {}
            }
        }
        for (key, standing) in core::mem::take(&mut self.alarms) {
            let word = standing.word;
            if let Some(standing) = self.still(&key, standing) {
                self.alarms.insert(key, standing);
            } else {
                self.say(Output::Alarm(Alarm {
                    key,
                    word,
                    at: self.now,
                    active: false,
                    acknowledged_by: None,
                    because: Because::Rest,
                }));
            }
        }
        self.note_group_alarms();
        // The worst of this moment is to be forgotten once it has been looked at.
        let sensors = (0..self.sensors.len()).map(SensorId::of);
        let peaks = sensors.filter(|id| self.sensors[id.index()].peak.is_some());
        self.stale = Stale {
            peaks: peaks.collect(),
            ..Stale::default()
        };
    }

    /// A standing alarm under this model; `None` where what it is about is gone.
    fn still(&self, key: &str, mut standing: Standing) -> Option<Standing> {
        let model = &self.model;
        let name = key.split_once('/').map_or("", |(_, name)| name);
        match standing.word {
            AlarmWord::SensorFault => {
                let id = model.sensor_named(name)?;
                let Because::SensorUnknown { sensor, .. } = &mut standing.because else {
                    return None;
                };
                *sensor = id;
            }
            AlarmWord::SensorBypassed => {
                let id = model.sensor_named(name)?;
                self.sensors[id.index()].bypass.as_ref()?;
            }
            AlarmWord::GatewayLost => {
                let index = model.gateways.iter().position(|g| g.name == name)?;
                let gateway = GatewayId::of(index);
                standing.because = Because::GatewayLost { gateway };
            }
            AlarmWord::DriveUnconfirmed | AlarmWord::DrivePower | AlarmWord::DriveDuty => {
                model.device_named(name)?;
            }
            AlarmWord::ServiceOverdue => {
                model.group_named(name)?;
            }
            AlarmWord::NotInRefuge
            | AlarmWord::WindDuringService
            | AlarmWord::Frozen
            | AlarmWord::FireActive => {
                // Their reasons are worked out anew with the group.
                model.group_named(name)?;
                standing.because = Because::Rest;
            }
            AlarmWord::ClockUntrusted | AlarmWord::StateLost => {}
        }
        Some(standing)
    }

    /// Timers follow from the state.
    pub(super) fn rearm(&mut self) {
        self.timers = crate::timers::Timers::default();
        self.begin();
        self.rearm_groups();
        for index in 0..self.drives.len() {
            // One that is not due sets itself anew.
            let why = WakeFor::Drive(DeviceId::of(index));
            self.timers.set(why, self.now.steady);
        }
    }

    fn rearm_groups(&mut self) {
        for index in 0..self.groups.len() {
            let group = GroupId::of(index);
            self.arm_hand(group);
            self.arm_service(group);
            for word in super::settle::WEATHER {
                let times = self.guard_times(group, word);
                let due = self.guard(group, word).and_then(|g| g.due(times));
                self.arm_guard(group, word, due);
            }
        }
    }

    /// The rules may be others now, so every moment that hangs on them is set anew.
    pub(super) fn reloaded(&mut self) {
        self.begin_wall();
        self.mark_all(super::stale_bits::ALL);
        for index in 0..self.sensors.len() {
            let id = SensorId::of(index);
            // One that comes early sets itself anew, and that of silence with it.
            self.timers.set(WakeFor::SensorCheck(id), self.now.steady);
        }
        for index in 0..self.contacts.len() {
            let id = ContactId::of(index);
            let pending = self.timers.at(WakeFor::Contact(id));
            // What is due at this very moment acts when it has passed.
            if pending.is_none_or(|at| at > self.now.steady) {
                self.arm_contact(id);
            }
        }
        if !self.alarms.is_empty() {
            for index in 0..self.groups.len() {
                self.group_alarms(GroupId::of(index));
            }
        }
    }
}

impl GroupState {
    /// Takes up what held devices that have come from another group.
    fn inherit(&mut self, other: &Self, ice: bool) {
        for (mine, theirs) in [
            (&mut self.wind, &other.wind),
            (&mut self.hail, &other.hail),
            (&mut self.ice.guard, &other.ice.guard),
            (&mut self.rain, &other.rain),
        ] {
            if mine.engaged.is_none() {
                mine.engaged.clone_from(&theirs.engaged);
                mine.unheard |= theirs.unheard;
            }
        }
        self.ice.frozen |= ice && other.ice.frozen;
        if self.service.is_none() {
            self.service.clone_from(&other.service);
        }
    }
}

/// The rule of a twilight phase, and its sensor by its name.
fn twilight_of<'m>(model: &'m Model, phase: &Phase) -> Option<(&'m str, Twilight)> {
    let Anchor::Twilight(rule) = phase.start else {
        return None;
    };
    let sensor = SensorId(0);
    Some((&model.sensor(rule.sensor).name, Twilight { sensor, ..rule }))
}

/// The name of the `index`th thing of a kind.
fn nth<'a>(order: &'a [String], kind: &str, index: usize) -> Option<&'a str> {
    order
        .iter()
        .filter_map(|name| name.strip_prefix(kind))
        .nth(index)
}

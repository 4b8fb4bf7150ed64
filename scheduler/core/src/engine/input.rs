//! Taking one input.

use super::{Core, Known, stale_bits};
use crate::ids::{ContactId, DeviceId, GatewayId, GroupId, SensorId};
use crate::input::{Ask, Input, Origin, Reading, Request, RestartCause, Until};
use crate::model::ContactKind;
use crate::output::{AlarmWord, WakeFor};
use crate::reason::{Because, Fault};
use crate::sensor::{Bypass, Standing};
use crate::time::Wall;

impl Core {
    pub(super) fn take(&mut self, input: Input) {
        match input {
            Input::Reading(reading) => {
                self.reading(&reading);
            }
            Input::Garbled { sensor } => {
                if let Some(state) = self.sensors.get_mut(sensor.index()) {
                    state.garbled();
                }
            }
            Input::Contact { contact, active } => self.contact(contact, active),
            Input::Request(request) => self.request(&request),
            Input::Report(report) => self.report(&report),
            Input::Connected => self.connected(),
            Input::Disconnected => {
                self.offline_since.get_or_insert(self.now.steady);
            }
            Input::Tick => {}
            Input::Gateway { gateway, present } => self.gateway(gateway, present),
            Input::Restart(cause) => self.restart(cause),
            Input::Clock { trusted } => self.clock(trusted),
        }
    }

    /// Takes a reading; whether anything may have followed from it.
    pub(super) fn reading(&mut self, reading: &Reading) -> bool {
        let Some(sensor) = self.model.sensors.get(reading.sensor.index()) else {
            return false;
        };
        let (at, within);
        at = reading.at.plus(0);
        let reading = if at == reading.at {
            reading
        } else {
            within = Reading { at, ..*reading };
            &within
        };
        let through = sensor.gateway;
        if through.is_some_and(|g| self.gateways_lost[g.index()]) {
            return false;
        }
        let state = &mut self.sensors[reading.sensor.index()];
        if state.again(sensor, reading, self.now) {
            // What waits for the same too often waits already.
            self.put_off_silence(reading.sensor);
            return self.twilight(reading.sensor);
        }
        let checks = sensor.validity.stuck_ms.is_some() || sensor.validity.zero.is_some();
        let before = (state.standing, state.value, state.gust, state.direction);
        if !state.take(sensor, reading, self.now) {
            return false;
        }
        let after = (state.standing, state.value, state.gust, state.direction);
        let peak = state.peak.is_some();
        let zero_at = state.zero_at(sensor);
        let still = zero_at.is_some_and(|at| at <= self.now.steady);
        if peak && !self.stale.peaks.contains(&reading.sensor) {
            self.stale.peaks.push(reading.sensor);
            self.stale.at.get_or_insert(self.now.steady);
        }
        self.put_off_silence(reading.sensor);
        // It may have been silent: from now on it can be silent again.
        if before.0 != Standing::Good && !self.timers.has(WakeFor::SensorSilent(reading.sensor)) {
            self.arm_sensor(reading.sensor);
        }
        // One that has just fallen to zero may have to be looked at before it is stuck.
        let due = self.timers.at(WakeFor::SensorCheck(reading.sensor));
        if checks && due.is_none_or(|due| zero_at.is_some_and(|zero| zero < due)) {
            self.arm_check(reading.sensor);
        }
        // Back without any wind, while a neighbour may be blowing all along: that one says
        // nothing new by which this one would be looked at.
        if before.0 != Standing::Good && still {
            let why = WakeFor::SensorCheck(reading.sensor);
            self.timers.set(why, self.now.steady);
        }
        if before != after {
            self.sensor_changed(reading.sensor);
        }
        self.twilight(reading.sensor);
        true
    }

    /// A sensor that is heard at the very moment at which it would be silent need not be
    /// looked at for that once the moment has passed. That comes often, since silence
    /// is mostly set in multiples of how often a sensor speaks. (What comes earlier is
    /// left: the look finds by itself when the next is due.)
    #[inline]
    fn put_off_silence(&mut self, id: SensorId) {
        let (why, now) = (WakeFor::SensorSilent(id), self.now.steady);
        if self.timers.at(why) == Some(now) {
            let silent = self.sensors[id.index()].silent_at(self.model.sensor(id));
            if silent > now {
                self.timers.set(why, silent);
            }
        }
    }

    /// Timetables with a twilight phase hear of every reading of its sensor; whether
    /// there are any.
    #[inline]
    fn twilight(&mut self, sensor: SensorId) -> bool {
        let any = !self.topology.twilight_by[sensor.index()].is_empty();
        if any {
            self.say_light(sensor);
        }
        any
    }

    fn say_light(&mut self, sensor: SensorId) {
        let state = &self.sensors[sensor.index()];
        let (Standing::Good, Some(value)) = (state.standing, state.value) else {
            return;
        };
        let (topology, model) = (self.topology.clone(), self.model.clone());
        for &timetable in &topology.twilight_by[sensor.index()] {
            let state = &mut self.timetables[timetable.index()];
            if state.twilight(&model, sensor, value, self.now.wall) {
                self.look_timetable(timetable);
            }
        }
    }

    /// The plant is reached again: what was told of late may not have arrived, and
    /// where those drives stand nobody knows until they say so.
    fn connected(&mut self) {
        if let Some(since) = self.offline_since.take() {
            let from = since.plus(-self.model.policy.command_lifetime_ms);
            for drive in &mut self.drives {
                if drive.told.is_some_and(|told| told >= from) {
                    drive.lost();
                }
            }
        }
        self.mark_all(stale_bits::ALL | stale_bits::REPEAT);
    }

    fn contact(&mut self, id: ContactId, active: bool) {
        let now = self.now.steady;
        let Some(contact) = self.model.contacts.get(id.index()) else {
            return;
        };
        let (kind, latch) = (contact.kind, contact.latch_ms);
        // What comes through a lost gateway may tell of danger, never of its end.
        let lost = contact
            .gateway
            .is_some_and(|g| self.gateways_lost[g.index()]);
        if lost && !active {
            return;
        }
        let before = self.contact_active(id);
        let state = &mut self.contacts[id.index()];
        let was = state.heard.is_some() && state.active;
        let first = state.heard.is_none();
        state.heard = Some(now);
        state.active = active;
        if kind == ContactKind::Door && was && !active && latch > 0 {
            state.latched_until = Some(now.plus(latch));
        }
        self.arm_contact(id);
        if kind == ContactKind::Switch {
            self.switch(id, was, active);
        } else if first || was != active || before != self.contact_active(id) {
            self.contact_changed(id);
        }
    }

    pub(super) fn arm_contact(&mut self, id: ContactId) {
        let now = self.now.steady;
        // What ends at this very moment is told when it has passed, whatever comes in it.
        if self.timers.at(WakeFor::Contact(id)) == Some(now) {
            return;
        }
        let contact = self.model.contact(id);
        let state = &self.contacts[id.index()];
        let silent = contact
            .silence_ms
            .map(|ms| state.heard.unwrap_or(now).plus(ms));
        let long = contact.switch.and_then(|rule| {
            let pressed = state.pressed.filter(|_| !state.long)?;
            Some(pressed.plus(rule.long_press_ms))
        });
        let due = [silent, state.latched_until, long].into_iter().flatten();
        match due.filter(|at| *at > now).min() {
            Some(at) => self.timers.set(WakeFor::Contact(id), at),
            None => self.timers.clear(WakeFor::Contact(id)),
        }
    }

    pub(super) fn contact_due(&mut self, id: ContactId) {
        let now = self.now.steady;
        let rule = self.model.contact(id).switch;
        let state = &mut self.contacts[id.index()];
        if state.latched_until.is_some_and(|at| at <= now) {
            state.latched_until = None;
        }
        // Never heard at all: from now on it is known to be silent.
        let silence = self.model.contact(id).silence_ms;
        if state.heard.is_none() && silence.is_some() {
            state.heard = Some(now.plus(-silence.unwrap_or(0)));
        }
        if let (Some(rule), Some(pressed)) = (rule, state.pressed)
            && !state.long
            && now.0 - pressed.0 >= rule.long_press_ms
        {
            state.long = true;
            self.pressed(id, Some(rule.extend));
        }
        self.arm_contact(id);
        self.contact_changed(id);
    }

    fn contact_changed(&mut self, id: ContactId) {
        for &group in &self.topology.clone().contact_groups[id.index()] {
            self.mark(
                group,
                stale_bits::SUN | stale_bits::DECIDE | stale_bits::DEVICES,
            );
            self.group_alarms(group);
        }
    }

    /// A plain switch input (common practice, no source): a short press runs the
    /// whole way, or halts what runs; a long one runs while it is pressed.
    fn switch(&mut self, id: ContactId, was: bool, active: bool) {
        let now = self.now.steady;
        let Some(rule) = self.model.contact(id).switch else {
            return;
        };
        let state = &mut self.contacts[id.index()];
        match (was, active) {
            (false, true) => {
                state.pressed = Some(now);
                state.long = false;
                self.arm_contact(id);
            }
            (true, false) => {
                let long = state.long;
                state.pressed = None;
                state.long = false;
                let runs = self
                    .model
                    .group(rule.group)
                    .devices
                    .iter()
                    .any(|d| self.drives[d.index()].moving(now).is_some());
                self.pressed(
                    id,
                    if long || runs {
                        None
                    } else {
                        Some(rule.extend)
                    },
                );
            }
            _ => {}
        }
    }

    /// What a switch asks for: run one way, or halt.
    fn pressed(&mut self, id: ContactId, run: Option<bool>) {
        let contact = self.model.contact(id);
        let Some(rule) = contact.switch else { return };
        let room = self.model.group(rule.group).rooms.first().copied();
        let from = room.map_or(Origin::Centre, Origin::Room);
        let by = contact.name.clone();
        let until = Until::Rule;
        let group = rule.group;
        let ask = match run {
            Some(extend) => Ask::Pose {
                group,
                extension_pct: Some(if extend { 100 } else { 0 }),
                tilt_deg: None,
                until,
            },
            None => Ask::Halt { group, until },
        };
        self.request(&Request { by, from, ask });
    }

    pub(super) fn bypass(
        &mut self,
        by: &str,
        id: SensorId,
        substitute: Option<SensorId>,
        until: Option<Wall>,
    ) {
        let Some(until) = until.filter(|u| *u > self.now.wall) else {
            self.end_bypass(id);
            return;
        };
        // A sensor cannot stand in for itself, nor one of another kind.
        let substitute = substitute.filter(|other| {
            *other != id
                && self.model.sensors.get(other.index()).map(|s| s.kind)
                    == Some(self.model.sensor(id).kind)
        });
        let bypass = Bypass {
            by: by.to_owned(),
            substitute,
            until: until.plus(0),
        };
        self.sensors[id.index()].bypass = Some(bypass);
        let key = format!("sensor_bypassed/{}", self.model.sensor(id).name);
        let because = Because::Bypassed {
            by: by.to_owned(),
            until,
        };
        self.set_alarm(key, AlarmWord::SensorBypassed, true, because);
        self.arm_check(id);
        self.sensor_changed(id);
    }

    pub(super) fn end_bypass(&mut self, id: SensorId) {
        if self.sensors[id.index()].bypass.take().is_none() {
            return;
        }
        let key = format!("sensor_bypassed/{}", self.model.sensor(id).name);
        self.set_alarm(key, AlarmWord::SensorBypassed, false, Because::Rest);
        self.sensor_changed(id);
    }

    fn gateway(&mut self, id: GatewayId, present: bool) {
        let lost = !present;
        if self
            .gateways_lost
            .get(id.index())
            .is_none_or(|was| *was == lost)
        {
            return;
        }
        self.gateways_lost[id.index()] = lost;
        let key = format!("gateway_lost/{}", self.model.gateways[id.index()].name);
        let because = Because::GatewayLost { gateway: id };
        self.set_alarm(key, AlarmWord::GatewayLost, lost, because);
        for index in 0..self.sensors.len() {
            let sensor = SensorId::of(index);
            if lost
                && self.model.sensor(sensor).gateway == Some(id)
                && self.sensors[index].fail(Fault::GatewayLost)
            {
                self.sensor_changed(sensor);
            }
        }
        for index in 0..self.contacts.len() {
            if lost && self.model.contacts[index].gateway == Some(id) {
                self.contacts[index].unhear();
                self.arm_contact(ContactId::of(index));
                self.contact_changed(ContactId::of(index));
            }
        }
        for index in 0..self.drives.len() {
            let device = DeviceId::of(index);
            if self.model.device(device).drive.gateway == Some(id) {
                self.drives[index].lost();
                if let (false, Some(group)) = (lost, self.topology.device_group[index]) {
                    self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
                }
            }
        }
    }

    fn restart(&mut self, cause: RestartCause) {
        if cause == RestartCause::Reloaded {
            self.reloaded();
            return;
        }
        let now = self.now;
        let starts = matches!(cause, RestartCause::Started | RestartCause::StateLost);
        if starts {
            self.sequence = first_number(self.sequence, now.wall);
            if cause == RestartCause::StateLost {
                self.sequence = self.sequence.saturating_add(AHEAD);
            }
        }
        for state in &mut self.sensors {
            state.restart(now);
        }
        for index in 0..self.sensors.len() {
            let bypass = self.sensors[index].bypass.as_ref();
            if bypass.is_some_and(|bypass| bypass.until <= now.wall) {
                self.end_bypass(SensorId::of(index));
            }
        }
        for state in &mut self.contacts {
            state.unhear();
        }
        for state in &mut self.groups {
            state.wind.restart();
            state.hail.restart();
            state.rain.restart();
            state.ice.guard.restart();
            state.sun.restart();
            state.known = Known::No;
            // Ends of holds are kept by the wall clock over a restart.
            for hold in state
                .hand
                .as_deref_mut()
                .into_iter()
                .chain(state.device_holds.iter_mut().map(|d| &mut d.1))
            {
                let by_wall = now.steady.plus((hold.ends.wall.0 - now.wall.0).max(0));
                // A clock that stands in 1970 must not make an hour of fifty years: the
                // steady count goes on over a start, too.
                hold.ends.steady = hold.ends.steady.min(by_wall);
            }
        }
        // What a drive was last told is no reason to tell it again, nor not to. What
        // it was told after the state was kept, nobody knows.
        for drive in &mut self.drives {
            if starts {
                drive.lost();
            } else {
                drive.forget_target();
            }
        }
        if cause == RestartCause::StateLost {
            self.state_lost();
        }
        self.begin();
        self.offline_since.get_or_insert(now.steady);
        for index in 0..self.groups.len() {
            self.arm_hand(GroupId::of(index));
            self.arm_service(GroupId::of(index));
        }
    }

    /// Nobody knows what was locked out: everything that the weather may harm is,
    /// until it has been calm for its hold time. Whether anything is frozen is asked
    /// of the first temperature; until then what may be frozen stays where it is.
    fn state_lost(&mut self) {
        let (now, model) = (self.now, self.model.clone());
        for (index, rules) in model.groups.iter().enumerate() {
            let group = GroupId::of(index);
            let before = self.engaged_of(group);
            let state = &mut self.groups[index];
            for (guard, has) in [
                (&mut state.wind, rules.wind.is_some()),
                (&mut state.hail, rules.hail.is_some()),
                (&mut state.rain, rules.rain.is_some()),
            ] {
                if has {
                    guard.engage(now, Because::StateLost, 0.0);
                }
            }
            if rules.ice.is_some() {
                crate::guard::ice::lost(&mut state.ice, now);
            }
            self.say_lockouts(group, &before, now);
        }
        let (key, word) = (STATE_LOST.to_owned(), AlarmWord::StateLost);
        self.set_alarm(key, word, true, Because::StateLost);
    }

    fn clock(&mut self, trusted: bool) {
        if self.clock_trusted == trusted {
            return;
        }
        self.clock_trusted = trusted;
        let key = "clock_untrusted".to_owned();
        self.set_alarm(
            key,
            AlarmWord::ClockUntrusted,
            !trusted,
            Because::ClockUntrusted,
        );
        self.begin_wall();
        self.mark_all(stale_bits::DECIDE);
    }
}

/// The key of the alarm that the state of the run before was lost.
pub(super) const STATE_LOST: &str = "state_lost";

/// Where what was kept is lost, the run before may have numbered further than the seconds
/// since 1970: by a thousand for each start that it went on from. So many are left for that (enough
/// where it is not lost again within a day).
const AHEAD: u64 = 100_000;

/// What a program that starts again numbers its commands from. The last commands of
/// the run before may have gone out without their trace (the power failed), so a span
/// is left for them. Where nothing at all was kept, the seconds since 1970 stand in:
/// fewer than one command a second, over the years, stay below them.
fn first_number(last: u64, wall: Wall) -> u64 {
    const LEFT: u64 = 1_000;
    let kept = last
        .saturating_add(LEFT)
        .div_ceil(LEFT)
        .saturating_mul(LEFT);
    kept.max(u64::try_from(wall.0 / 1_000).unwrap_or(0))
}

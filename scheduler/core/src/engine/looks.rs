//! Timers that fire, and looks at sensors, timetables and quiet times.

use super::{Core, Known, stale_bits};
use crate::guard::{Heard, hear};
use crate::ids::{ContactId, FacadeId, GroupId, SensorId, TimetableId};
use crate::model::Group;
use crate::output::{WakeFor, Word};
use crate::reason::Fault;
use crate::sensor::Standing;
use crate::time::{MINUTE, Wall};

impl Core {
    /// The first timers and looks.
    pub(super) fn begin(&mut self) {
        for index in 0..self.sensors.len() {
            self.arm_sensor(SensorId::of(index));
        }
        for index in 0..self.contacts.len() {
            self.arm_contact(ContactId::of(index));
        }
        self.begin_wall();
        self.mark_all(stale_bits::ALL);
    }

    /// Everything that hangs on the wall clock, worked out anew.
    pub(super) fn begin_wall(&mut self) {
        self.dawn = None;
        self.part();
        for index in 0..self.timetables.len() {
            self.timetables[index].forget();
            self.look_timetable(TimetableId::of(index));
        }
        self.look_specials();
        for index in 0..self.facades.len() {
            self.facades[index].cell = None;
            if self.facades[index].wanted {
                self.timers
                    .set(WakeFor::Facade(FacadeId::of(index)), self.now.steady);
            }
        }
        for index in 0..self.groups.len() {
            self.arm_quiet(GroupId::of(index));
        }
    }

    /// A timer is due.
    pub(super) fn due(&mut self, why: WakeFor) {
        match why {
            WakeFor::SensorSilent(sensor) | WakeFor::SensorCheck(sensor) => self.check(sensor),
            WakeFor::Guard(group, _) | WakeFor::WeatherKnown(group) => {
                self.mark(group, stale_bits::GUARDS);
            }
            WakeFor::Contact(contact) => self.contact_due(contact),
            WakeFor::Hand(group) => self.hand_due(group),
            WakeFor::Facade(facade) => self.facade_due(facade),
            WakeFor::Sun(group) => self.mark(group, stale_bits::SUN),
            WakeFor::Phase(timetable) => self.look_timetable(timetable),
            WakeFor::Special => self.look_specials(),
            WakeFor::Quiet(group) => {
                self.arm_quiet(group);
                self.mark(group, stale_bits::DECIDE);
            }
            WakeFor::Drive(device) => self.drive_due(device),
            WakeFor::Service(group) => self.service_due(group),
            WakeFor::Settle => {}
        }
    }

    pub(super) fn arm_sensor(&mut self, id: SensorId) {
        let silent = self.sensors[id.index()].silent_at(self.model.sensor(id));
        self.timers.set(WakeFor::SensorSilent(id), silent);
        self.arm_check(id);
    }

    /// Sets the timer of the slower checks; one that comes early sets itself anew.
    pub(super) fn arm_check(&mut self, id: SensorId) {
        let (state, sensor) = (&self.sensors[id.index()], self.model.sensor(id));
        let due = [
            state.stuck_at(sensor),
            state.zero_at(sensor),
            self.bypass_ends(id),
        ];
        let now = self.now.steady;
        // A neighbour has asked for a check once this moment has passed.
        if self.timers.at(WakeFor::SensorCheck(id)) == Some(now) {
            return;
        }
        match due.into_iter().flatten().filter(|at| *at > now).min() {
            Some(at) => self.timers.set(WakeFor::SensorCheck(id), at),
            None => self.timers.clear(WakeFor::SensorCheck(id)),
        }
    }

    fn bypass_ends(&self, id: SensorId) -> Option<crate::time::Steady> {
        let until = self.sensors[id.index()].bypass.as_ref()?.until;
        Some(self.steady_of(until))
    }

    /// Silence, stuck value, zero while a neighbour blows, end of a bypass.
    pub(super) fn check(&mut self, id: SensorId) {
        let now = self.now.steady;
        let model = self.model.clone();
        let sensor = model.sensor(id);
        if self.bypass_ends(id).is_some_and(|end| end <= now) {
            self.end_bypass(id);
        }
        let state = &self.sensors[id.index()];
        let silent_at = state.silent_at(sensor);
        let fault = if silent_at <= now {
            Some(Fault::Silent)
        } else if state.stuck_at(sensor).is_some_and(|at| at <= now) && state.wind().is_some() {
            Some(Fault::Stuck)
        } else if state.zero_at(sensor).is_some_and(|at| at <= now) && self.neighbour_blows(id) {
            Some(Fault::ZeroWhileNeighbourBlows)
        } else {
            None
        };
        if silent_at > now {
            self.timers.set(WakeFor::SensorSilent(id), silent_at);
        }
        self.arm_check(id);
        if let Some(fault) = fault
            && self.sensors[id.index()].fail(fault)
        {
            self.sensor_changed(id);
        }
    }

    fn neighbour_blows(&self, id: SensorId) -> bool {
        let Some(zero) = self.model.sensor(id).validity.zero else {
            return false;
        };
        let neighbour = &self.sensors[zero.neighbour.index()];
        neighbour.standing == Standing::Good
            && neighbour
                .wind()
                .is_some_and(|(speed, _)| speed >= zero.neighbour_mps)
    }

    /// A sensor's value or standing changed: tell those who listen.
    pub(super) fn sensor_changed(&mut self, id: SensorId) {
        self.sensor_alarm(id);
        // While the sun is down no light on a facade asks for anything.
        let up = self.dawn.is_none_or(|dawn| dawn <= self.now.wall);
        if up && !self.topology.lit_by[id.index()].is_empty() {
            let topology = self.topology.clone();
            for &facade in &topology.lit_by[id.index()] {
                self.mark_facade(facade);
            }
        }
        let (at, groups, stale) = (self.now.steady, &mut self.groups, &mut self.stale);
        for &group in &self.topology.guarded_by[id.index()] {
            stale.mark(groups, group, stale_bits::GUARDS, at);
        }
        for &group in &self.topology.warmed_by[id.index()] {
            stale.mark(groups, group, stale_bits::SUN, at);
        }
        // Whoever has this one as a substitute listens too.
        for (index, sensor) in self.sensors.iter().enumerate() {
            let bypass = sensor.bypass.as_ref();
            if bypass.is_some_and(|b| b.substitute == Some(id)) {
                for &group in &self.topology.guarded_by[index] {
                    stale.mark(groups, group, stale_bits::GUARDS, at);
                }
            }
        }
        for &other in &self.topology.neighbours[id.index()] {
            let sensor = self.model.sensor(other);
            let due = self.sensors[other.index()].zero_at(sensor);
            // Once this moment has passed: the other's own reading of it comes first.
            if due.is_some_and(|due| due <= at) {
                self.timers.set(WakeFor::SensorCheck(other), at);
            }
        }
    }

    pub(super) fn look_timetable(&mut self, id: TimetableId) {
        let model = self.model.clone();
        let state = &mut self.timetables[id.index()];
        let changed = state.look(&model, &mut self.almanac, self.now.wall);
        let next = state.next;
        let due = self.steady_of(next).max(self.now.steady.plus(1));
        self.timers.set(WakeFor::Phase(id), due);
        if changed {
            let topology = self.topology.clone();
            for &group in &topology.timetable_groups[id.index()] {
                self.mark(group, stale_bits::DECIDE);
            }
        }
    }

    pub(super) fn look_specials(&mut self) {
        let model = self.model.clone();
        let wall = self.now.wall;
        let mut next: Option<Wall> = None;
        let mut present = vec![None; model.groups.len()];
        for (index, special) in (0u32..).zip(&model.specials) {
            for edge in [special.from, special.to] {
                if edge > wall && next.is_none_or(|n| edge < n) {
                    next = Some(edge);
                }
            }
            if special.from <= wall && wall < special.to {
                // Of two at once the later in the file wins.
                for group in &special.groups {
                    present[group.index()] = Some(index);
                }
            }
        }
        for (index, special) in present.into_iter().enumerate() {
            if self.specials[index] != special {
                self.specials[index] = special;
                self.mark(GroupId::of(index), stale_bits::DECIDE);
            }
        }
        match next {
            Some(at) => self.timers.set(WakeFor::Special, self.steady_of(at)),
            None => self.timers.clear(WakeFor::Special),
        }
    }

    /// Whether a look at a group's sun wish may change something even where the light
    /// gives the wish the answers of before: where it is [decided upon by
    /// hand](Self::decide_by_hand), or waits for a new day to have its moves again.
    pub(super) fn counts_looks(&self, rules: &Group, group: GroupId) -> bool {
        let state = &self.groups[group.index()];
        state.sun.capped || self.decides_at_looks(rules, group)
    }

    /// Whether a local quiet time covers this moment, and when that changes.
    pub(super) fn quiet(&self, group: GroupId) -> Option<(bool, Wall)> {
        use chrono::Timelike;
        let quiet = self.model.group(group).quiet?;
        let local = self.now.wall.utc().with_timezone(&self.model.site.zone);
        let minute = local.hour() * 60 + local.minute();
        let (from, to) = (u32::from(quiet.from_min), u32::from(quiet.to_min));
        let inside = if from <= to {
            (from..to).contains(&minute)
        } else {
            minute >= from || minute < to
        };
        let edge = if inside { to } else { from };
        let wait = (edge + 24 * 60 - minute) % (24 * 60);
        let wait = if wait == 0 { 24 * 60 } else { wait };
        // A change of offset in between is met by looking again at least hourly.
        let whole = self.now.wall.0.div_euclid(MINUTE) * MINUTE;
        Some((inside, Wall(whole + i64::from(wait.min(60)) * MINUTE)))
    }

    fn arm_quiet(&mut self, group: GroupId) {
        if let Some((_, next)) = self.quiet(group) {
            self.timers.set(WakeFor::Quiet(group), self.steady_of(next));
        }
    }

    /// Whether a group's weather is known; sets the timer that ends the wait.
    pub(super) fn look_known(&mut self, group: GroupId) {
        let heard = self.topology.needs[group.index()]
            .iter()
            .all(|s| !matches!(hear(&self.sensors, *s), Heard::Waiting));
        let state = &mut self.groups[group.index()];
        let known_for = self.model.policy.known_for_ms;
        state.known = match state.known {
            _ if !heard => Known::No,
            Known::Yes => Known::Yes,
            Known::No => Known::Since(self.now.steady),
            Known::Since(since) => Known::Since(since),
        };
        if let Known::Since(since) = state.known {
            if self.now.steady.0 - since.0 >= known_for {
                state.known = Known::Yes;
            } else {
                self.timers
                    .set(WakeFor::WeatherKnown(group), since.plus(known_for));
            }
        }
    }

    /// Sets or clears the timer of a weather guard.
    pub(super) fn arm_guard(
        &mut self,
        group: GroupId,
        word: Word,
        due: Option<crate::time::Steady>,
    ) {
        let why = WakeFor::Guard(group, word);
        match due {
            Some(at) if at > self.now.steady => self.timers.set(why, at),
            _ => self.timers.clear(why),
        }
    }
}

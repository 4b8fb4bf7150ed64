//! Timers that fire, and looks at sun and light.

use super::{Core, Known, Together, stale_bits};
use crate::guard::{Heard, hear};
use crate::ids::{ContactId, FacadeId, GroupId, SensorId, TimetableId};
use crate::model::{Facade, Group, Model, SensorKind};
use crate::output::{WakeFor, Word};
use crate::reason::{Fault, LightSource};
use crate::sensor::Standing;
use crate::time::{HOUR, MINUTE, Steady, Wall};
use crate::wish::sun::FacadeLight;
use leeside_solar::light::irradiance_of_lx;
use leeside_solar::trig::sin;
use leeside_solar::{Crossing, SUNRISE_ELEVATION_DEG, Sun};

/// Sine by which the sun may still lack to the elevation of sunrise and count as
/// there: about a second of its rise.
const LIMB_MARGIN: f64 = 1e-4;

/// Sine of the true elevation from which the sun's upper limb counts as up.
fn limb() -> f64 {
    sin(SUNRISE_ELEVATION_DEG.to_radians()) - LIMB_MARGIN
}

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

    /// Looks at the sun and the light of a facade.
    pub(super) fn look_facade(&mut self, model: &Model, id: FacadeId) {
        let facade = model.facade(id);
        let (at, path) = (self.now.wall.0, &mut self.sun_path);
        let (raw, sun) = self.suns.of(at, || path.both(at));
        let sunlit = facade.plane.sunlit(&sun) && !facade.obstructions.hidden_by_horizon(&sun);
        let (source, irradiance_wm2) = self.light_on(facade, &sun, &raw);
        let state = &mut self.facades[id.index()];
        state.sun = sun;
        state.stale = false;
        state.light = Some(FacadeLight {
            source,
            irradiance_wm2,
            sunlit,
        });
        // From the upper limb on, each minute: the dawn that was waited for must
        // not be looked for again, or the next one found would be tomorrow's.
        let next = if sun.is_up() || raw.up >= limb() {
            self.next_minute()
        } else {
            self.next_dawn()
        };
        let next = self.steady_of(next).max(self.now.steady.plus(1));
        self.look_next(id, next);
        // Groups are looked at only when the light passed one of their thresholds
        // or the sun came onto or left one of their openings: in between nothing
        // about their wishes can change but by their own timers.
        let cell = self.topology.thresholds[id.index()].cell(facade, &sun, sunlit, irradiance_wm2);
        let before = self.facades[id.index()].cell.replace(cell);
        if before == Some(cell) {
            return;
        }
        let topology = self.topology.clone();
        for &group in &topology.facade_groups[id.index()] {
            let asks = topology.asks[group.index()];
            let same = before.is_some_and(|before| {
                before.sunlit == cell.sunlit && asks.answers(before) == asks.answers(cell)
            });
            let Some(rule) = &model.group(group).sun else {
                continue;
            };
            if !same || rule.heat.is_some() || self.counts_looks(model.group(group), group) {
                self.mark(group, stale_bits::SUN);
            }
        }
    }

    /// Whether a look at a group's sun wish may change something even where the light
    /// gives the wish the answers of before: where it is [decided upon by
    /// hand](Self::decide_by_hand), or waits for a new day to have its moves again.
    fn counts_looks(&self, rules: &Group, group: GroupId) -> bool {
        let state = &self.groups[group.index()];
        state.sun.capped || self.decides_at_looks(rules, group)
    }

    /// A facade is looked at again at this moment. By day that is the same minute for
    /// all of them: the timer of the first stands for all that wait with it.
    fn look_next(&mut self, id: FacadeId, at: Steady) {
        let (why, together) = (WakeFor::Facade(id), &mut self.together);
        let waits = &mut self.facades[id.index()].together;
        if together.at == Some(at) {
            if !*waits {
                *waits = true;
                together.facades.push(id);
                self.timers.clear(why);
            }
            return;
        }
        if together.at.is_none() {
            *waits = true;
            together.at = Some(at);
            together.facades.push(id);
        } else if together.facades.first() == Some(&id) {
            self.part();
        } else if *waits {
            *waits = false;
            together.facades.retain(|other| *other != id);
        }
        self.timers.set(why, at);
    }

    /// Each facade waits by itself again.
    fn part(&mut self) {
        let Together { at, facades } = core::mem::take(&mut self.together);
        for id in facades {
            self.facades[id.index()].together = false;
            if let Some(at) = at {
                self.timers.set(WakeFor::Facade(id), at);
            }
        }
    }

    /// A facade is looked at, with those that wait with it.
    fn facade_due(&mut self, id: FacadeId) {
        if self.together.facades.first() != Some(&id) {
            self.mark_facade(id);
            return;
        }
        let Together { mut facades, .. } = core::mem::take(&mut self.together);
        for id in facades.drain(..) {
            self.facades[id.index()].together = false;
            self.mark_facade(id);
        }
        self.together.facades = facades;
    }

    fn next_minute(&self) -> Wall {
        Wall((self.now.wall.0.div_euclid(MINUTE) + 1) * MINUTE)
    }

    /// The minute in which the sun next comes up, or a day on where it does not.
    fn next_dawn(&mut self) -> Wall {
        let wall = self.now.wall;
        if let Some(dawn) = self.dawn.filter(|d| *d > wall) {
            return dawn;
        }
        let to = wall.plus(25 * HOUR);
        let rising = self
            .almanac
            .crossings(SUNRISE_ELEVATION_DEG, wall.0, to.0)
            .into_iter()
            .find(|(_, way)| *way == Crossing::Rising)
            .map_or(to, |(at, _)| Wall(at));
        // The upper limb comes first, the centre a few minutes later: each minute is looked at.
        let next = rising.max(self.next_minute());
        self.dawn = Some(next);
        next
    }

    /// The light on a facade, from the best sensor that is to be believed.
    fn light_on(&mut self, facade: &Facade, sun: &Sun, raw: &Sun) -> (LightSource, f64) {
        let mut ghi = None;
        for &sensor in &facade.light {
            let Heard::Good(sensor, state) = hear(&self.sensors, sensor) else {
                continue;
            };
            let Some(value) = state.value else { continue };
            match self.model.sensor(sensor).kind {
                SensorKind::PlaneIrradiance => return (LightSource::Measured(sensor), value),
                SensorKind::PlaneIlluminance => {
                    return (LightSource::Measured(sensor), irradiance_of_lx(value));
                }
                SensorKind::GlobalHorizontal => ghi = Some((sensor, value)),
                SensorKind::HorizontalIlluminance => {
                    ghi = Some((sensor, irradiance_of_lx(value)));
                }
                SensorKind::Wind
                | SensorKind::Rain
                | SensorKind::Hail
                | SensorKind::Temperature
                | SensorKind::Humidity
                | SensorKind::SurfaceTemperature
                | SensorKind::RoomTemperature => {}
            }
            if ghi.is_some() {
                break;
            }
        }
        let source = ghi.map_or(LightSource::ClearSky, |(sensor, _)| {
            LightSource::Transposed(sensor)
        });
        let (at, ghi) = (self.now.wall, ghi.map(|(_, value)| value));
        let sky = self.skies.sky(at, (raw, sun), ghi, &self.model.site);
        (source, sky.on_plane(&facade.plane, sun).total())
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

//! Settling a moment that has passed: guards first, then wishes, then verdicts,
//! weather before comfort.

use super::{Core, Known, stale_bits};
use crate::drives::FeederState;
use crate::guard::{self, Engaged, GuardState, Look, Times};
use crate::ids::GroupId;
use crate::model::{Group, IceRule, Model};
use crate::output::{LockoutChange, Output, Stage, WakeFor, Word};
use crate::reason::Because;
use crate::sensor::Standing;
use crate::time::Now;
use crate::wish::ahead::Outlook;
use crate::wish::sun;
use chrono::NaiveDate;

impl Core {
    /// Decides upon everything that came at this moment; carrying it out is left to
    /// [`carry_out_next`](Self::carry_out_next), and as polled, where that comes to the
    /// same, so is deciding.
    pub(super) fn settle(&mut self, model: &Model, as_polled: bool) {
        self.carry_out_all();
        self.stale.at = None;
        let mut facades = core::mem::take(&mut self.stale.facades);
        self.look_facades(model, &facades);
        facades.clear();
        // Lists are used again: a moment need not ask for memory.
        if self.stale.facades.is_empty() {
            self.stale.facades = facades;
        }
        // Looking at facades marks groups of this same moment.
        self.stale.at = None;
        let mut groups = core::mem::take(&mut self.stale.groups);
        // They come in stretches that are in order.
        groups.sort();
        self.all_heard = self
            .sensors
            .iter()
            .all(|sensor| sensor.standing != Standing::Waiting);
        self.calm.clear();
        self.calm.resize(self.topology.rules, None);
        (self.wind, self.ice) = (None, None);
        self.lost_to_comfort.clear();
        self.decided_at = self.now;
        if as_polled && !groups.is_empty() && self.wind_goes_first(&groups) {
            groups.reverse();
            self.looking = groups;
            self.stage = Stage::Taking;
            return;
        }
        let mut decided = core::mem::take(&mut self.decided);
        // Groups ask nothing of each other before their drives are told, so all of one
        // is done while its state is at hand: guards first, then wishes, then the verdict.
        for &group in &groups {
            decided.extend(self.look_group(model, group));
        }
        self.decided = decided;
        self.looked(groups);
    }

    /// Looks at all of a group, and decides; which word did, if there is news.
    #[inline(always)]
    fn look_group(&mut self, model: &Model, group: GroupId) -> Option<(Word, GroupId, bool)> {
        if self.groups[group.index()].stale & stale_bits::GUARDS != 0 {
            self.stage = Stage::Guards(group);
            self.look_guards(model, group, self.all_heard);
        }
        if self.groups[group.index()].stale & stale_bits::SUN != 0 {
            self.look_sun(model, group);
        }
        let bits = core::mem::take(&mut self.groups[group.index()].stale);
        if bits & stale_bits::DECIDES == 0 {
            return None;
        }
        self.look_if_dozing(model, group);
        let word = self.decide_if_new(model, group, bits)?;
        self.give_up_starts(model, group);
        Some((word, group, bits & stale_bits::REPEAT != 0))
    }

    /// All groups of the moment have been looked at.
    fn looked(&mut self, mut groups: Vec<GroupId>) {
        for sensor in self.stale.peaks.drain(..) {
            self.sensors[sensor.index()].peak = None;
        }
        // Lists are used again, as above.
        groups.clear();
        if self.stale.groups.is_empty() {
            self.stale.groups = groups;
        }
        // Weather goes first: its drives take the first starts on a shared feeder.
        // They stand in the order of groups, and the next one is taken from the end.
        self.decided.sort_by_key(|(word, ..)| *word);
        self.decided.reverse();
        self.stage = Stage::Taking;
    }

    /// Whether what wind decides for a group can be carried out before later groups are
    /// looked at, and comes to the same: nothing that outranks it speaks, so it would be
    /// the first anyway, and no start is still to come on any feeder, so that no later
    /// group gives up one whose place it might take.
    fn wind_goes_first(&mut self, groups: &[GroupId]) -> bool {
        let now = self.now.steady;
        if self.last_start > now {
            let starts = self.feeders.iter().filter_map(FeederState::last_start);
            self.last_start = starts.max().unwrap_or(now);
        }
        let fires = &self.topology.fires;
        self.last_start <= now
            && !fires.iter().any(|contact| self.contact_active(*contact))
            && !groups
                .iter()
                .any(|group| self.groups[group.index()].service.is_some())
    }

    /// Looks at the next group of a moment that is settled as it is polled, and carries
    /// out at once what wind decides.
    fn look_at_next(&mut self) {
        let Some(group) = self.looking.pop() else {
            return;
        };
        let model = self.model.clone();
        let called = core::mem::replace(&mut self.now, self.decided_at);
        let next = self.look_group(&model, group);
        self.stage = Stage::Taking;
        self.now = called;
        match next {
            Some(next) if next.0 <= Word::Wind => self.carry_out_one(&model, next),
            next => self.decided.extend(next),
        }
        if self.looking.is_empty() {
            let groups = core::mem::take(&mut self.looking);
            self.looked(groups);
        }
    }

    /// Carries out all verdicts of the moment that was settled last.
    #[inline]
    pub(super) fn carry_out_all(&mut self) {
        if !self.decided.is_empty() || !self.looking.is_empty() {
            self.carry_out_rest(&self.model.clone());
        }
    }

    pub(super) fn carry_out_rest(&mut self, model: &Model) {
        while !self.looking.is_empty() {
            self.look_at_next();
        }
        self.out.reserve(self.decided.len());
        while let Some(next) = self.decided.pop() {
            self.carry_out_one(model, next);
        }
    }

    /// Looks at the next group, or carries out the next verdict, of the moment that was
    /// settled last; whether there was any left.
    pub(super) fn carry_out_next(&mut self) -> bool {
        if !self.looking.is_empty() {
            self.look_at_next();
            return true;
        }
        let Some(next) = self.decided.pop() else {
            return false;
        };
        let model = self.model.clone();
        self.carry_out_one(&model, next);
        true
    }

    fn carry_out_one(&mut self, model: &Model, (word, group, repeat): (Word, GroupId, bool)) {
        let called = core::mem::replace(&mut self.now, self.decided_at);
        self.stage = Stage::Verdict(word, group);
        // Its drives are told while it is out of its place, so that it need not be
        // copied; nothing reads it meanwhile.
        if let Some(verdict) = self.groups[group.index()].verdict.take() {
            self.carry_out(model, &verdict, repeat);
            self.groups[group.index()].verdict = Some(verdict);
        }
        self.stage = Stage::Taking;
        self.now = called;
    }

    /// Looks at the guards of a group, and asks for a new decision if what they
    /// say has changed: what a guard says is its reason's kind, whether the group
    /// is frozen and whether its weather is known.
    fn look_guards(&mut self, model: &Model, group: GroupId, all_heard: bool) {
        let rules = model.group(group);
        let now = self.now;
        let at_rest = all_heard && self.at_rest(rules, group);
        let before = if at_rest {
            [None; WEATHER.len()]
        } else {
            self.engaged_of(group)
        };
        let state = &self.groups[group.index()];
        let (known, frozen) = (state.known, state.ice.frozen);
        // Ice counts from look to look, so it has to have each of them.
        if let Some(rule) = &rules.ice {
            self.step_ice(rule, group);
        }
        if at_rest && self.groups[group.index()].ice.guard.engaged.is_none() {
            self.decide_by_hand(rules, group);
            return;
        }
        let unheard = self.unheard_of(group);
        if let Some(rule) = &rules.wind {
            let times = guard::wind::times(rule);
            let holding = guard::wind::holding(rule);
            let state = &mut self.groups[group.index()].wind;
            // Groups with the same rules see the same.
            let number = self.topology.rules_of[group.index()];
            let seen = self.wind.take().filter(|(of, _)| *of == number);
            let (_, looks) = self
                .wind
                .insert(seen.unwrap_or_else(|| (number, guard::wind::looks(rule, &self.sensors))));
            if let Some(peak) = &looks.peak {
                state.step(peak, now, times, &holding);
            }
            state.step(&looks.present, now, times, &holding);
            self.arm(group, Word::Wind, times);
        }
        if let Some(rule) = &rules.hail {
            let times = guard::level::hail_times(rule);
            let look = guard::level::hail(rule, &self.sensors);
            self.step(group, Word::Hail, look, times, &Because::HailHolding);
        }
        if let Some(rule) = &rules.rain {
            let times = guard::level::rain_times(rule);
            let look = guard::level::rain(rule, &self.sensors);
            self.step(group, Word::Rain, look, times, &Because::RainHolding);
        }
        if let Some(rule) = &rules.ice {
            let state = &self.groups[group.index()].ice;
            let dry = guard::ice::dries_at(state, rule, now);
            let due = state.guard.due(guard::ice::times(rule));
            self.arm_guard(group, Word::Ice, due.into_iter().chain(dry).min());
        }
        self.look_known(group);
        let changed = self.say_lockouts(group, &before, now);
        let state = &mut self.groups[group.index()];
        if changed || state.known != known || state.ice.frozen != frozen {
            // A lower guard may have begun, or ceased, to take what a higher one lets be.
            state.stale |= stale_bits::DECIDE | stale_bits::DEVICES;
        }
        self.decide_by_hand(rules, group);
        if unheard != self.unheard_of(group) {
            // What a kept lockout could not do on unknown weather it may do now.
            self.groups[group.index()].stale |= stale_bits::DEVICES;
        }
        let state = &self.groups[group.index()];
        if state.service.is_some() || state.ice.frozen || !self.alarms.is_empty() {
            self.group_alarms(group);
        }
    }

    /// A look at ice. It is made of the rule, the sensors and the state, so groups with
    /// the same rule that stand where one stood before come to where that one came.
    fn step_ice(&mut self, rule: &IceRule, group: GroupId) {
        let number = self.topology.ice_of[group.index()];
        let state = &mut self.groups[group.index()].ice;
        if let Some((of, before, after)) = &self.ice
            && *of == number
            && before == state
        {
            state.clone_from(after);
            return;
        }
        // Only what is soon compared and copied is worth it.
        let before = state.is_idle().then(|| state.clone());
        guard::ice::step(state, rule, &self.sensors, self.now);
        if let Some(before) = before.filter(|_| state.is_idle()) {
            self.ice = Some((number, before, state.clone()));
        }
    }

    /// Whether no guard of a group holds or counts, and none of their sensors says
    /// anything to make them: then a look at wind, hail and rain changes nothing.
    /// All sensors have been heard.
    fn at_rest(&mut self, rules: &Group, group: GroupId) -> bool {
        let state = &self.groups[group.index()];
        state.known == Known::Yes
            && state.wind.is_idle()
            && state.hail.is_idle()
            && state.rain.is_idle()
            && state.ice.is_idle()
            && state.service.is_none()
            && !self.group_alarms_stand
            && self.calm_by_rules(rules, group)
    }

    /// Whether no sensor or fire contact says anything to make a group's guards
    /// engage or count: asked once a moment for all groups with the same rules.
    fn calm_by_rules(&mut self, rules: &Group, group: GroupId) -> bool {
        let number = self.topology.rules_of[group.index()];
        if let Some(calm) = self.calm[number] {
            return calm;
        }
        let (wind, hail, rain) = (&rules.wind, &rules.hail, &rules.rain);
        let sensors = &self.sensors;
        let calm = self.fire(group).is_none()
            && wind.iter().all(|rule| guard::wind::below(rule, sensors))
            && hail
                .iter()
                .all(|rule| guard::level::hail(rule, sensors) == Look::Calm)
            && rain
                .iter()
                .all(|rule| guard::level::rain(rule, sensors) == Look::Calm);
        self.calm[number] = Some(calm);
        calm
    }

    /// What a hand leaves open follows where the drives are, and quiet hours follow
    /// the clock: such a group is decided upon at every look.
    fn decide_by_hand(&mut self, rules: &Group, group: GroupId) {
        if self.decides_at_looks(rules, group) {
            self.groups[group.index()].stale |= stale_bits::DECIDE;
        }
    }

    pub(super) fn decides_at_looks(&self, rules: &Group, group: GroupId) -> bool {
        let state = &self.groups[group.index()];
        state.hand.is_some() || !state.device_holds.is_empty() || rules.quiet.is_some()
    }

    fn unheard_of(&self, group: GroupId) -> [bool; 4] {
        self.weather_guards(group).map(|guard| guard.unheard)
    }

    fn step(&mut self, group: GroupId, word: Word, look: Look, times: Times, holding: &Because) {
        let now = self.now;
        if let Some(state) = self.guard_mut(group, word) {
            state.step(&look, now, times, holding);
        }
        self.arm(group, word, times);
    }

    fn arm(&mut self, group: GroupId, word: Word, times: Times) {
        let due = self.guard(group, word).and_then(|state| state.due(times));
        self.arm_guard(group, word, due);
    }

    /// The states of all weather guards, in the order of [`WEATHER`].
    fn weather_guards(&self, group: GroupId) -> [&GuardState; WEATHER.len()] {
        let state = &self.groups[group.index()];
        [&state.wind, &state.hail, &state.ice.guard, &state.rain]
    }

    /// The state of a weather guard.
    pub(super) fn guard(&self, group: GroupId, word: Word) -> Option<&GuardState> {
        let state = &self.groups[group.index()];
        match word {
            Word::Wind => Some(&state.wind),
            Word::Hail => Some(&state.hail),
            Word::Ice => Some(&state.ice.guard),
            Word::Rain => Some(&state.rain),
            Word::Service
            | Word::Fire
            | Word::Door
            | Word::Drive
            | Word::Hand
            | Word::Sun
            | Word::Timetable
            | Word::Rest => None,
        }
    }

    fn guard_mut(&mut self, group: GroupId, word: Word) -> Option<&mut GuardState> {
        let state = &mut self.groups[group.index()];
        match word {
            Word::Wind => Some(&mut state.wind),
            Word::Hail => Some(&mut state.hail),
            Word::Ice => Some(&mut state.ice.guard),
            Word::Rain => Some(&mut state.rain),
            Word::Service
            | Word::Fire
            | Word::Door
            | Word::Drive
            | Word::Hand
            | Word::Sun
            | Word::Timetable
            | Word::Rest => None,
        }
    }

    /// The two times of a weather guard of a group.
    pub(super) fn guard_times(&self, group: GroupId, word: Word) -> Times {
        let rules = self.model.group(group);
        let none = Times {
            persistence_ms: 0,
            hold_ms: 0,
        };
        match word {
            Word::Wind => rules.wind.as_ref().map_or(none, guard::wind::times),
            Word::Hail => rules.hail.as_ref().map_or(none, guard::level::hail_times),
            Word::Ice => rules.ice.as_ref().map_or(none, guard::ice::times),
            Word::Rain => rules.rain.as_ref().map_or(none, guard::level::rain_times),
            Word::Service
            | Word::Fire
            | Word::Door
            | Word::Drive
            | Word::Hand
            | Word::Sun
            | Word::Timetable
            | Word::Rest => none,
        }
    }

    /// Somebody has looked at a frozen device: it is free.
    pub(super) fn frost_cleared(&mut self, group: GroupId) {
        let before = self.engaged_of(group);
        guard::ice::cleared(&mut self.groups[group.index()].ice);
        self.say_lockouts(group, &before, self.now);
    }

    pub(super) fn engaged_of(&self, group: GroupId) -> [Option<Discriminant>; 4] {
        self.weather_guards(group).map(|guard| {
            let engaged = guard.engaged.as_ref()?;
            Some(core::mem::discriminant(&engaged.because))
        })
    }

    /// Tells which lockouts began, changed their reason or ended; whether any did.
    pub(super) fn say_lockouts(
        &mut self,
        group: GroupId,
        before: &[Option<Discriminant>; 4],
        at: Now,
    ) -> bool {
        let mut changed = false;
        let after = self.engaged_of(group);
        for (index, word) in WEATHER.into_iter().enumerate() {
            if before[index] == after[index] {
                continue;
            }
            changed = true;
            let times = self.guard_times(group, word);
            let Some(state) = self.guard(group, word) else {
                continue;
            };
            let (engaged, because) = match state.engaged.as_deref() {
                Some(Engaged { because, .. }) => (true, because.clone()),
                None => (false, Because::Rest),
            };
            let release = state.release(times);
            self.say(Output::Lockout(LockoutChange {
                group,
                word,
                at,
                engaged,
                because,
                release,
            }));
        }
        changed
    }

    /// Looks at the sun wish of a group, and asks for a new decision if it asks for
    /// anything else than before.
    fn look_sun(&mut self, model: &Model, group: GroupId) {
        let rules = model.group(group);
        self.decide_by_hand(rules, group);
        let Some(rule) = &rules.sun else { return };
        let facade = rules.facade;
        let Some(light) = self.facades[facade.index()].light else {
            return;
        };
        let Some(cell) = self.facades[facade.index()].cell else {
            return;
        };
        let lit = cell.lit(self.topology.asks[group.index()].opening);
        let date = self.today();
        let now = self.now;
        let heat = self.heat(group, &light);
        sun::new_day(&mut self.groups[group.index()].sun, date);
        let state = &mut self.groups[group.index()].sun;
        let before = (sun::asks(state), state.travels, state.tilts);
        sun::step_heat(state, rule, heat, now);
        let mut outlook = Outlook {
            path: &mut self.sun_path,
            suns: &mut self.suns,
            plane: model.facade(facade).plane,
            alike: self.topology.alike[group.index()],
            wall: now.wall,
            ahead: &mut self.facades[facade.index()].ahead,
        };
        sun::step(state, rules, rule, &light, lit, now, &mut outlook);
        let counted = (state.travels, state.tilts) != (before.1, before.2);
        if sun::asks(state) != before.0 {
            self.groups[group.index()].stale |= stale_bits::DECIDE;
        }
        match sun::due(&self.groups[group.index()].sun, rule) {
            Some(at) if at > now.steady => self.timers.set(WakeFor::Sun(group), at),
            _ => self.timers.clear(WakeFor::Sun(group)),
        }
        if counted && !self.sun_moves(group) {
            let state = &mut self.groups[group.index()].sun;
            (state.travels, state.tilts) = (before.1, before.2);
        }
    }

    /// Whether what the sun wish asks for can move the group: moves that cannot happen
    /// are not counted, where no sun is allowed, or a guard or somebody's hand decides
    /// anyway.
    fn sun_moves(&self, group: GroupId) -> bool {
        let verdict = self.groups[group.index()].verdict.as_ref();
        let outranked = verdict.is_some_and(|v| v.decided_by < Word::Sun);
        self.sun_allowed(group) && !outranked
    }

    /// The local date, worked out once a moment.
    fn today(&mut self) -> NaiveDate {
        let wall = self.now.wall;
        match self.today {
            Some((at, date)) if at == wall => date,
            _ => {
                let date = wall.local_date(self.model.site.zone);
                self.today = Some((wall, date));
                date
            }
        }
    }

    /// What heat asks for, if nobody is in and somebody measures the room.
    fn heat(&self, group: GroupId, light: &sun::FacadeLight) -> Option<sun::HeatAsk> {
        let rules = self.model.group(group);
        let heat = rules.sun.as_ref()?.heat.as_ref()?;
        if self.occupied(group) {
            return None;
        }
        let value = |id: crate::ids::SensorId| match guard::hear(&self.sensors, id) {
            guard::Heard::Good(_, state) => state.value,
            guard::Heard::Fault(..) | guard::Heard::Waiting | guard::Heard::LeftOut => None,
        };
        let rooms = rules.rooms.iter().map(|r| &self.model.rooms[r.index()]);
        let warmest = rooms.filter_map(|r| value(r.temperature?)).reduce(f64::max);
        sun::heat(heat, light, warmest, heat.outdoor.and_then(value))
    }

    /// Whether somebody is, or may be, behind the group.
    pub(super) fn occupied(&self, group: GroupId) -> bool {
        let rooms = &self.model.group(group).rooms;
        rooms.is_empty()
            || rooms.iter().any(|room| {
                self.model.rooms[room.index()]
                    .occupancy
                    .is_none_or(|c| self.contact_active(c))
            })
    }
}

pub(super) type Discriminant = core::mem::Discriminant<Because>;

/// The weather guards, highest rank first.
pub(super) const WEATHER: [Word; 4] = [Word::Wind, Word::Hail, Word::Ice, Word::Rain];

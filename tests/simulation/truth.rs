//! What the guards ought to know and hold, reckoned again from what was
//! delivered. Written apart from the core, in another shape: each sensor is an
//! account of the moments it was heard, each guard two moments.

use crate::account::{Account, Says, Standing};
use crate::looks::Look;
use crate::power::Meter;
use crate::site::{HAIL, RAIN, THERMO};
use leeside_core::ids::{ContactId, SensorId};
use leeside_core::input::{Ask, Input, RestartCause};
use leeside_core::model::{ContactKind, Group, Model, Moisture};
use leeside_core::output::Word;
use leeside_core::time::Now;

/// The weather guards, in their order of rank.
pub(crate) const GUARDS: [Word; 4] = [Word::Wind, Word::Hail, Word::Ice, Word::Rain];

#[derive(Clone, Debug, Default)]
pub(crate) struct Guard {
    engaged: bool,
    pub(crate) calm_from: Option<i64>,
    pub(crate) over_from: Option<i64>,
    /// Whether its sensors have said anything since the last restart.
    pub(crate) heard: bool,
    /// Engaged for not knowing, at the last look.
    pub(crate) unknown: bool,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct GroupTruth {
    pub(crate) guards: [Guard; 4],
    pub(crate) frozen: bool,
    /// Frost is feared for lack of any knowledge, until a temperature is heard.
    lost: bool,
    cleared: bool,
    pub(crate) trusted_c: Option<f64>,
    pub(crate) wet: Option<i64>,
    pub(crate) raining: bool,
    pub(crate) known_from: Option<i64>,
    pub(crate) known: bool,
    pub(crate) service: bool,
}

#[derive(Clone, Debug)]
pub(crate) struct Contact {
    pub(crate) heard: bool,
    active: bool,
    pub(crate) latched: i64,
}

/// Everything there is to know.
#[derive(Clone, Debug)]
pub(crate) struct Truth {
    pub(crate) accounts: Vec<Account>,
    pub(crate) groups: Vec<GroupTruth>,
    pub(crate) contacts: Vec<Contact>,
    pub(crate) gateway_lost: bool,
    pub(crate) clock_trusted: bool,
    /// What was heard of the drives' power.
    pub(crate) meters: Vec<Meter>,
    /// The last moment whose inputs have been reckoned with.
    pub(crate) now: Now,
}

impl Truth {
    pub(crate) fn new(model: &Model, now: Now) -> Self {
        let account = Account {
            standing: Standing::Unheard,
            measured: now.steady.0,
            last_at: None,
            said: None,
            value: None,
            gust: None,
            direction: None,
            changed: now.steady.0,
            zero_from: None,
            left_out: None,
        };
        let contact = Contact {
            heard: false,
            active: false,
            latched: i64::MIN,
        };
        Self {
            accounts: vec![account; model.sensors.len()],
            groups: vec![GroupTruth::default(); model.groups.len()],
            contacts: vec![contact; model.contacts.len()],
            gateway_lost: false,
            clock_trusted: true,
            meters: vec![Meter::default(); model.devices.len()],
            now,
        }
    }

    /// One input, at a moment not before the last one.
    pub(crate) fn take(&mut self, model: &Model, now: Now, input: &Input) {
        if matches!(
            input,
            Input::Restart(RestartCause::Started | RestartCause::StateLost)
        ) {
            // Nobody was there to see what lapsed meanwhile.
            self.now = now;
        } else {
            self.lapse(model, now);
        }
        match input {
            Input::Reading(reading) => self.reading(model, now, reading),
            Input::Contact { contact, active } => {
                let rule = model.contact(*contact);
                let state = &mut self.contacts[contact.index()];
                if rule.gateway.is_some() && self.gateway_lost && !active {
                    return;
                }
                if rule.kind == ContactKind::Door && state.heard && state.active && !active {
                    state.latched = now.steady.0 + rule.latch_ms;
                }
                state.heard = true;
                state.active = *active;
            }
            Input::Request(request) => match &request.ask {
                Ask::Service { group, on, .. } => self.groups[group.index()].service = *on,
                Ask::FrostCleared { group } => {
                    let state = &mut self.groups[group.index()];
                    state.guards[2] = Guard::default();
                    state.frozen = false;
                    state.lost = false;
                    state.cleared = true;
                }
                Ask::Bypass {
                    sensor,
                    substitute,
                    until,
                } => {
                    let until = until.filter(|u| *u > now.wall);
                    let same =
                        |other: &SensorId| model.sensor(*other).kind == model.sensor(*sensor).kind;
                    let other = substitute.filter(|o| o != sensor && same(o));
                    self.accounts[sensor.index()].left_out = until.map(|u| (other, u.0));
                }
                Ask::Pose { .. }
                | Ask::Device { .. }
                | Ask::Halt { .. }
                | Ask::Release { .. }
                | Ask::Arrange { .. }
                | Ask::Acknowledge { .. } => {}
            },
            Input::Gateway { present, .. } => self.gateway(model, *present),
            Input::Restart(RestartCause::Started | RestartCause::ClockJump) => self.restart(now),
            Input::Restart(RestartCause::StateLost) => {
                self.restart(now);
                self.lose(model);
            }
            Input::Clock { trusted } => self.clock_trusted = *trusted,
            Input::Report(report) => {
                if let Some(power_w) = report.power_w {
                    self.meters[report.device.index()].hear(now.steady.0, power_w);
                }
            }
            Input::Garbled { .. }
            | Input::Connected
            | Input::Disconnected
            | Input::Restart(RestartCause::Reloaded)
            | Input::Tick => {}
        }
    }

    /// What was locked out nobody knows any more: all that there is a guard for.
    fn lose(&mut self, model: &Model) {
        for (state, rules) in self.groups.iter_mut().zip(&model.groups) {
            let has = [
                rules.wind.is_some(),
                rules.hail.is_some(),
                rules.ice.is_some(),
                rules.rain.is_some(),
            ];
            for (guard, has) in state.guards.iter_mut().zip(has) {
                guard.engaged = has;
            }
            (state.frozen, state.lost) = (rules.ice.is_some(), rules.ice.is_some());
        }
    }

    /// Draws the conclusions of the moment `now` once it has passed, and of every
    /// deadline up to it.
    pub(crate) fn settle(&mut self, model: &Model, now: Now) {
        self.now = now;
        for (index, rules) in model.groups.iter().enumerate() {
            let looks = [
                self.wind(rules),
                self.level(rules.hail.as_ref().map(|r| (&r.sensors[..], r.from, true))),
                self.ice(index, rules.ice.as_ref()),
                self.level(
                    rules
                        .rain
                        .as_ref()
                        .map(|r| (&r.sensors[..], r.above, false)),
                ),
            ];
            let holds = holds(rules);
            let persistence = rules.wind.as_ref().map_or(0, |r| r.persistence_ms);
            let state = &mut self.groups[index];
            // What was looked at stays cleared as long as that same frost lasts.
            state.cleared &= matches!(looks[2], Some(Look::Over { .. } | Look::Waiting));
            if state.lost && !matches!(looks[2], Some(Look::Waiting | Look::Unknown)) {
                state.guards[2] = Guard::default();
                (state.frozen, state.lost) = (false, false);
            }
            // Known to be silent it is a doubt like any other.
            state.lost &= looks[2] != Some(Look::Unknown);
            let was = state.guards[2].engaged;
            for (place, guard) in state.guards.iter_mut().enumerate() {
                if place != 2 || !state.cleared {
                    let persistence = if place == 0 { persistence } else { 0 };
                    guard.step(looks[place], now.steady.0, holds[place], persistence);
                }
            }
            let limit = rules
                .ice
                .as_ref()
                .map_or(f64::INFINITY, |rule| rule.below_c);
            let cold = |limit: f64| state.trusted_c.is_none_or(|t| t <= limit);
            state.frozen = state.guards[2].engaged
                && (state.frozen
                    || match looks[2] {
                        Some(Look::Unknown) => !was && cold(limit),
                        _ => state.trusted_c.is_some() && cold(0.0),
                    });
            let needed = needs(rules);
            let unheard = needed
                .iter()
                .any(|s| matches!(self.says(*s), Says::Unheard));
            let state = &mut self.groups[index];
            if unheard {
                state.known = false;
                state.known_from = None;
            } else {
                let from = *state.known_from.get_or_insert(now.steady.0);
                state.known |= now.steady.0 - from >= model.policy.known_for_ms;
            }
        }
    }

    /// The moments before `until` at which something lapses or ends by itself.
    pub(crate) fn deadlines(&self, model: &Model, until: i64) -> Vec<i64> {
        let mut moments = Vec::new();
        for (account, sensor) in self.accounts.iter().zip(&model.sensors) {
            moments.push(account.measured + sensor.validity.silence_ms);
            moments.extend(sensor.validity.stuck_ms.map(|ms| account.changed + ms));
            let zero = account.zero_from.zip(sensor.validity.zero);
            moments.extend(zero.map(|(from, rule)| from + rule.for_ms));
            moments.extend(
                account
                    .left_out
                    .map(|(_, wall)| wall - self.now.wall.0 + self.now.steady.0),
            );
        }
        for (state, rules) in self.groups.iter().zip(&model.groups) {
            for (guard, hold) in state.guards.iter().zip(holds(rules)) {
                moments.extend(guard.calm_from.map(|from| from + hold));
                moments.extend(
                    guard
                        .over_from
                        .zip(rules.wind.as_ref())
                        .map(|(f, r)| f + r.persistence_ms),
                );
            }
            moments.extend(
                state
                    .known_from
                    .map(|from| from + model.policy.known_for_ms),
            );
            let within = rules
                .ice
                .iter()
                .flat_map(|rule| &rule.moisture)
                .find_map(|m| match m {
                    Moisture::Rain { within_ms, .. } => Some(*within_ms),
                    Moisture::Humidity { .. } | Moisture::Always => None,
                });
            moments.extend(state.wet.zip(within).map(|(wet, within)| wet + within + 1));
        }
        moments.retain(|at| *at > self.now.steady.0 && *at < until);
        moments.sort_unstable();
        moments.dedup();
        moments
    }

    /// Lets time pass up to, not including, `now`.
    pub(crate) fn pass(&mut self, model: &Model, now: Now) {
        // What fell due in the very moment of the last inputs acts after them.
        if now.steady > self.now.steady {
            let here = self.now;
            self.lapse(model, here.plus(1));
            self.settle(model, here);
        }
        loop {
            let Some(at) = self.deadlines(model, now.steady.0).first().copied() else {
                return;
            };
            let here = Now {
                wall: self.now.wall.plus(at - self.now.steady.0),
                steady: leeside_core::time::Steady(at),
            };
            // A deadline acts when time passes it.
            self.lapse(model, here.plus(1));
            self.settle(model, here);
        }
    }

    /// Which guards of a group hold, as far as this tells.
    pub(crate) fn holds(&self, group: usize) -> [bool; 4] {
        core::array::from_fn(|i| self.groups[group].guards[i].engaged)
    }

    /// Whether a contact has to be taken as open, alarm or occupied.
    pub(crate) fn active(&self, model: &Model, contact: ContactId, now: Now) -> bool {
        let state = &self.contacts[contact.index()];
        match model.contact(contact).kind {
            ContactKind::Fire => state.active,
            ContactKind::Door | ContactKind::Occupancy | ContactKind::Window => {
                !state.heard || state.active || now.steady.0 < state.latched
            }
            ContactKind::Switch => false,
        }
    }

    /// Whether one of a guard's sensors is heard and believed.
    pub(crate) fn hears(&self, rules: &Group, guard: Word) -> bool {
        let of = |sensors: &[SensorId]| {
            sensors
                .iter()
                .any(|s| matches!(self.says(*s), Says::Good(_)))
        };
        match guard {
            Word::Wind => rules.wind.as_ref().is_some_and(|r| {
                r.links
                    .iter()
                    .any(|l| matches!(self.says(l.sensor), Says::Good(_)))
            }),
            Word::Hail => of(&[HAIL]),
            Word::Ice => of(&[THERMO]),
            Word::Rain => of(&[RAIN]),
            Word::Service
            | Word::Fire
            | Word::Door
            | Word::Drive
            | Word::Hand
            | Word::Sun
            | Word::Timetable
            | Word::Rest => true,
        }
    }
}

impl Guard {
    fn step(&mut self, look: Option<Look>, now: i64, hold: i64, persistence: i64) {
        let Some(look) = look else { return };
        self.heard |= look != Look::Waiting;
        self.unknown = look == Look::Unknown || (self.unknown && look == Look::Waiting);
        match look {
            Look::Over { at_once } => {
                let from = *self.over_from.get_or_insert(now);
                self.engaged |= at_once || now - from >= persistence;
            }
            Look::Unknown => self.engaged = true,
            Look::Calm | Look::Between | Look::Waiting => {}
        }
        if !matches!(look, Look::Over { .. } | Look::Unknown) || self.engaged {
            self.over_from = None;
        }
        match look {
            Look::Calm if self.engaged => {
                let from = *self.calm_from.get_or_insert(now);
                if now - from >= hold {
                    self.engaged = false;
                    self.calm_from = None;
                }
            }
            Look::Calm | Look::Between | Look::Over { .. } | Look::Unknown | Look::Waiting => {
                self.calm_from = None
            }
        }
    }
}

fn holds(rules: &Group) -> [i64; 4] {
    [
        rules.wind.as_ref().map_or(0, |r| r.hold_ms),
        rules.hail.as_ref().map_or(0, |r| r.hold_ms),
        rules.ice.as_ref().map_or(0, |r| r.hold_ms),
        rules.rain.as_ref().map_or(0, |r| r.hold_ms),
    ]
}

fn needs(rules: &Group) -> Vec<SensorId> {
    let mut needs: Vec<SensorId> = Vec::new();
    needs.extend(
        rules
            .wind
            .iter()
            .flat_map(|r| r.links.iter().map(|l| l.sensor)),
    );
    needs.extend(rules.hail.iter().flat_map(|r| r.sensors.iter().copied()));
    needs.extend(rules.rain.iter().flat_map(|r| r.sensors.iter().copied()));
    if let Some(rule) = &rules.ice {
        needs.extend(&rule.sensors);
        needs.extend(rule.moisture.iter().filter_map(|m| match m {
            Moisture::Rain { sensor, .. } | Moisture::Humidity { sensor, .. } => Some(*sensor),
            Moisture::Always => None,
        }));
    }
    needs
}

//! Ice: to refuge *before* it freezes, then nothing moves until warmth has lasted.
//!
//! With a temperature above freezing the device still reaches its refuge; once
//! the temperature is at or below 0 °C it may be frozen in its guides and holds.
//! An unknown temperature counts as frost: to refuge if the last trusted value
//! was above the limit, else hold and alarm.

use super::{Engaged, GuardState, Heard, Look, Times, hear};
use crate::model::{IceRule, Moisture};
use crate::reason::Because;
use crate::sensor::SensorState;
use crate::time::{Now, Steady};
use serde::{Deserialize, Serialize};

/// At or below this a wet device may be frozen, °C.
const FREEZING_C: f64 = 0.0;

/// The ice guard's state.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct IceState {
    pub(crate) guard: GuardState,
    /// May be frozen: nothing moves it but what the site's policy says.
    pub(crate) frozen: bool,
    /// The coldest trusted temperature at the last look, °C.
    trusted_c: Option<f64>,
    /// When moisture was last seen.
    moist: Option<Steady>,
    /// It rained at the last look.
    raining: bool,
    /// Somebody has looked and found it free: no frost lockout for the frost that
    /// was looked at. The next one, or not knowing, engages as ever.
    cleared: bool,
}

impl IceState {
    /// Neither engaged nor frozen nor looked at by somebody.
    pub(crate) const fn is_idle(&self) -> bool {
        self.guard.is_idle() && !self.frozen && !self.cleared
    }
}

pub(crate) const fn times(rule: &IceRule) -> Times {
    Times {
        persistence_ms: 0,
        hold_ms: rule.hold_ms,
    }
}

pub(crate) fn step(state: &mut IceState, rule: &IceRule, sensors: &[SensorState], now: Now) {
    let moist = moist(state, rule, sensors, now);
    let look = look(state, rule, sensors, moist);
    state.cleared &= matches!(look, Look::Over { .. } | Look::Waiting);
    if state.cleared {
        return;
    }
    let lost = |engaged: &Engaged| engaged.because == Because::StateLost;
    let heard = !matches!(look, Look::Waiting | Look::Unknown { .. });
    if heard && state.guard.engaged.as_deref().is_some_and(lost) {
        // That it may be frozen was said for lack of any knowledge: now there is some.
        state.guard = GuardState::default();
        state.frozen = false;
    }
    let was_engaged = state.guard.engaged.is_some();
    let unknown = matches!(look, Look::Unknown { .. });
    state.guard.step(
        &look,
        now,
        times(rule),
        &Because::FrostHolding {
            above_c: rule.above_c,
        },
    );
    if state.guard.engaged.is_none() {
        state.frozen = false;
    } else if unknown {
        // Above the limit when last trusted: it can still go. Otherwise it may already sit fast.
        let could_move = state.trusted_c.is_some_and(|t| t > rule.below_c);
        state.frozen |= !was_engaged && !could_move;
    } else {
        state.frozen |= state.trusted_c.is_some_and(|t| t <= FREEZING_C);
    }
}

/// When the frost that was cleared is over because what was wet has dried. Until
/// then no reading need come.
pub(crate) fn dries_at(state: &IceState, rule: &IceRule, now: Now) -> Option<Steady> {
    let wet = state.moist.filter(|_| state.cleared)?;
    let within = rule.moisture.iter().filter_map(|moisture| match moisture {
        Moisture::Rain { within_ms, .. } => Some(*within_ms),
        Moisture::Humidity { .. } | Moisture::Always => None,
    });
    let dry = wet.plus(within.max()?).plus(1);
    (dry > now.steady).then_some(dry)
}

fn look(state: &mut IceState, rule: &IceRule, sensors: &[SensorState], moist: bool) -> Look {
    let mut coldest: Option<(f64, crate::ids::SensorId)> = None;
    let (mut waiting, mut unknown, mut left_out) = (false, None, None);
    for &id in &rule.sensors {
        match hear(sensors, id) {
            Heard::Good(id, sensor) => match sensor.value {
                Some(t) if coldest.is_none_or(|(c, _)| t < c) => coldest = Some((t, id)),
                Some(_) => {}
                None => waiting = true,
            },
            Heard::Fault(sensor, fault) => {
                unknown.get_or_insert(Look::Unknown { sensor, fault });
            }
            Heard::Waiting => waiting = true,
            Heard::LeftOut => left_out = Some(left_out.unwrap_or(id)),
        }
    }
    if let Some((t, sensor)) = coldest
        && t < rule.below_c
        && moist
    {
        state.trusted_c = Some(t);
        let because = Because::Frost {
            sensor,
            temperature_c: t,
            below_c: rule.below_c,
        };
        return Look::Over {
            because,
            level: -t,
            at_once: true,
        };
    }
    if let Some(unknown) = unknown {
        return unknown;
    }
    match coldest {
        _ if waiting => Look::Waiting,
        // Every sensor left out: nobody measures it.
        None => left_out.map_or(Look::Waiting, Look::left_out),
        Some((t, _)) => {
            state.trusted_c = Some(t);
            if t > rule.above_c {
                Look::Calm
            } else {
                Look::Between
            }
        }
    }
}

/// Whether there is something to freeze. A moisture sensor that is not to be
/// believed counts as moist, and so do they where all of them are left out: a group is
/// not talked out of its only one.
fn moist(state: &mut IceState, rule: &IceRule, sensors: &[SensorState], now: Now) -> bool {
    let (mut moist, mut left_out) = (false, 0);
    for source in &rule.moisture {
        moist |= match *source {
            Moisture::Always => true,
            Moisture::Humidity { sensor, from_pct } => match hear(sensors, sensor) {
                Heard::Good(_, s) => s.value.is_none_or(|rh| rh >= from_pct),
                Heard::Fault(..) | Heard::Waiting => true,
                Heard::LeftOut => {
                    left_out += 1;
                    false
                }
            },
            Moisture::Rain { sensor, within_ms } => match hear(sensors, sensor) {
                Heard::Good(_, s) => {
                    // Between two looks it rained on, if it did at the first.
                    let rains = s.value.is_some_and(|v| v > 0.0);
                    if rains || state.raining {
                        state.moist = Some(now.steady);
                    }
                    state.raining = rains;
                    state
                        .moist
                        .is_some_and(|at| now.steady.0 - at.0 <= within_ms)
                }
                Heard::Fault(..) | Heard::Waiting => true,
                Heard::LeftOut => {
                    left_out += 1;
                    false
                }
            },
        };
    }
    moist || (left_out > 0 && left_out == rule.moisture.len())
}

/// Nothing is known of what was: it may be frozen, until a temperature is heard.
pub(crate) fn lost(state: &mut IceState, now: Now) {
    state.guard.engage(now, Because::StateLost, 0.0);
    state.frozen = true;
}

/// Somebody has looked: the device is free.
pub(crate) fn cleared(state: &mut IceState) {
    state.frozen = false;
    state.guard = GuardState::default();
    state.cleared = true;
}

//! Hail and rain: any of a group's sensors above a level engages; all of them
//! at or below it for the hold time releases.

use super::{Heard, Look, Times, hear};
use crate::ids::SensorId;
use crate::model::{HailRule, RainRule};
use crate::reason::Because;
use crate::sensor::SensorState;

pub(crate) const fn rain_times(rule: &RainRule) -> Times {
    Times {
        persistence_ms: 0,
        hold_ms: rule.hold_ms,
    }
}

pub(crate) const fn hail_times(rule: &HailRule) -> Times {
    Times {
        persistence_ms: 0,
        hold_ms: rule.hold_ms,
    }
}

pub(crate) fn rain(rule: &RainRule, sensors: &[SensorState]) -> Look {
    look(
        &rule.sensors,
        sensors,
        |v| v > rule.above,
        |sensor, value| Because::Rain { sensor, value },
    )
}

pub(crate) fn hail(rule: &HailRule, sensors: &[SensorState]) -> Look {
    look(
        &rule.sensors,
        sensors,
        |v| v >= rule.from,
        |sensor, _| Because::Hail { sensor },
    )
}

fn look(
    ids: &[SensorId],
    sensors: &[SensorState],
    over: impl Fn(f64) -> bool,
    because: impl Fn(SensorId, f64) -> Because,
) -> Look {
    let (mut unknown, mut left_out) = (None, None);
    let (mut waiting, mut calm) = (false, false);
    for &id in ids {
        match hear(sensors, id) {
            Heard::Good(id, state) => match state.value {
                Some(value) if over(value) => {
                    return Look::Over {
                        because: because(id, value),
                        level: value,
                        at_once: true,
                    };
                }
                Some(_) => calm = true,
                None => waiting = true,
            },
            Heard::Fault(sensor, fault) => {
                unknown.get_or_insert(Look::Unknown { sensor, fault });
            }
            Heard::Waiting => waiting = true,
            Heard::LeftOut => left_out = Some(left_out.unwrap_or(id)),
        }
    }
    match unknown {
        Some(unknown) => unknown,
        None if waiting => Look::Waiting,
        None if calm => Look::Calm,
        // Every sensor left out: nobody speaks of it.
        None => left_out.map_or(Look::Waiting, Look::left_out),
    }
}

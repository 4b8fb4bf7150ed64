//! Wind: engages on gust (or on mean where no gust comes) at the group's limit;
//! releases only after gust *and* mean have stayed below limit minus
//! hysteresis for the hold time. The worst of a group's sensors counts, each
//! with its factor.

use super::{Heard, Look, Times, hear};
use crate::model::WindRule;
use crate::reason::{Because, WindPart};
use crate::sensor::SensorState;

pub(crate) const fn times(rule: &WindRule) -> Times {
    Times {
        persistence_ms: rule.persistence_ms,
        hold_ms: rule.hold_ms,
    }
}

pub(crate) fn holding(rule: &WindRule) -> Because {
    Because::WindHolding {
        peak_mps: 0.0,
        limit_mps: rule.limit_mps,
        calm_below_mps: rule.limit_mps - rule.hysteresis_mps,
    }
}

/// What there is to see of the wind at one moment.
#[derive(Clone, Debug)]
pub(crate) struct WindLooks {
    /// The worst since the last look, where that is anything else than what is now.
    pub(crate) peak: Option<Look>,
    /// What is now.
    pub(crate) present: Look,
}

/// Looks at the worst of what came since the last look, and at what is now: a gust
/// that came and went is not lost, and calm counts from now.
pub(crate) fn looks(rule: &WindRule, sensors: &[SensorState]) -> WindLooks {
    let peak = look(rule, sensors, true);
    let present = look(rule, sensors, false);
    WindLooks {
        peak: (peak != present).then_some(peak),
        present,
    }
}

/// Looks at the sensors. With `peak`, at the worst of what came since the last look.
fn look(rule: &WindRule, sensors: &[SensorState], peak: bool) -> Look {
    let mut worst: Option<(f64, Because)> = None;
    let (mut waiting, mut measured) = (false, false);
    let (mut unknown, mut left_out) = (None, None);
    for link in &rule.links {
        match hear(sensors, link.sensor) {
            Heard::Good(id, state) => {
                let Some((mut speed, mut part)) = state.wind() else {
                    waiting |= !link.advisory;
                    continue;
                };
                if let (true, Some(top)) = (peak, state.peak)
                    && top > speed
                {
                    (speed, part) = (top, WindPart::Gust);
                }
                measured |= !link.advisory;
                let factor = link.factor_for(state.direction);
                let here = speed * factor;
                if worst.as_ref().is_none_or(|(level, _)| here > *level) {
                    let because = Because::WindAbove {
                        sensor: id,
                        part,
                        speed_mps: speed,
                        factor,
                        limit_mps: rule.limit_mps,
                    };
                    worst = Some((here, because));
                }
            }
            Heard::Fault(..) | Heard::Waiting if link.advisory => {}
            Heard::Fault(sensor, fault) => {
                unknown.get_or_insert(Look::Unknown { sensor, fault });
            }
            Heard::Waiting => waiting = true,
            Heard::LeftOut if link.advisory => {}
            Heard::LeftOut => left_out = Some(left_out.unwrap_or(link.sensor)),
        }
    }
    let at_once = unknown.is_some();
    match (worst, unknown) {
        (Some((level, because)), _) if level >= rule.limit_mps => Look::Over {
            because,
            level,
            at_once,
        },
        (_, Some(unknown)) => unknown,
        _ if waiting => Look::Waiting,
        // Every sensor left out, or only forecasts: nobody measures the wind.
        _ if !measured => left_out.map_or(Look::Waiting, Look::left_out),
        (Some((level, _)), None) if level < rule.limit_mps - rule.hysteresis_mps => Look::Calm,
        (Some(_), None) => Look::Between,
        (None, None) => Look::Waiting,
    }
}

/// Whether [`look`] is sure to find calm, or what lies between calm and the limit,
/// for the present values and for the worst since the last look.
pub(crate) fn below(rule: &WindRule, sensors: &[SensorState]) -> bool {
    let mut measured = false;
    for link in &rule.links {
        match hear(sensors, link.sensor) {
            Heard::Good(_, state) => {
                let Some((speed, _)) = state.wind() else {
                    return false;
                };
                let worst = state.peak.map_or(speed, |peak| peak.max(speed));
                if worst * link.factor_for(state.direction) >= rule.limit_mps {
                    return false;
                }
                measured |= !link.advisory;
            }
            Heard::Fault(..) | Heard::Waiting | Heard::LeftOut if link.advisory => {}
            Heard::Fault(..) | Heard::Waiting | Heard::LeftOut => return false,
        }
    }
    measured
}

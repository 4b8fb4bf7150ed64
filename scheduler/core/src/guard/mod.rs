//! Weather guards: each looks at its sensors, engages, holds and releases.
//!
//! A guard that has engaged is a *lockout*. All of them share one small machine
//! ([`GuardState`]); what differs is only how a guard looks at its sensors.

pub(crate) mod ice;
pub(crate) mod level;
pub(crate) mod wind;

use crate::ids::SensorId;
use crate::reason::{Because, Fault, Release};
use crate::sensor::{SensorState, Standing};
use crate::time::{Now, Steady};
use serde::{Deserialize, Serialize};

/// What a guard sees when it looks at its sensors.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Look {
    /// Calm enough to count toward release.
    Calm,
    /// Not to engage, not calm enough to release.
    Between,
    /// At or above the limit.
    Over {
        /// Why, with the numbers.
        because: Because,
        /// The level, for the peak.
        level: f64,
        /// Another sensor is not to be believed: it need not last.
        at_once: bool,
    },
    /// A sensor is not to be believed: as good as over the limit.
    Unknown {
        /// The sensor.
        sensor: SensorId,
        /// What is wrong with it.
        fault: Fault,
    },
    /// A sensor has not been heard since the restart.
    Waiting,
}

impl Look {
    /// Every sensor of the guard is left out by somebody's word.
    pub(crate) const fn left_out(sensor: SensorId) -> Self {
        Self::Unknown {
            sensor,
            fault: Fault::LeftOut,
        }
    }
}

/// A guard that has engaged.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Engaged {
    pub(crate) since: Now,
    pub(crate) because: Because,
    /// The highest level since it engaged.
    pub(crate) peak: f64,
    /// Since when it has been calm without a break.
    pub(crate) calm_since: Option<Steady>,
}

/// The machine that all weather guards share.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct GuardState {
    pub(crate) engaged: Option<Box<Engaged>>,
    /// Over the limit since, while that has not lasted long enough to engage.
    pub(crate) over_since: Option<Steady>,
    /// Engaged by what was known before a restart; nothing has been heard since.
    pub(crate) unheard: bool,
}

/// The two times of a guard.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Times {
    /// Over the limit for so long before it engages, ms.
    pub(crate) persistence_ms: i64,
    /// Calm for so long before it releases, ms.
    pub(crate) hold_ms: i64,
}

impl GuardState {
    /// Neither engaged nor counting: a look that is calm, or between calm and the
    /// limit, leaves it as it is.
    pub(crate) const fn is_idle(&self) -> bool {
        self.engaged.is_none() && self.over_since.is_none() && !self.unheard
    }

    /// One look. `holding` is the reason while it waits for calm to last.
    pub(crate) fn step(&mut self, look: &Look, now: Now, times: Times, holding: &Because) {
        self.unheard &= *look == Look::Waiting;
        match look {
            Look::Over {
                because,
                level,
                at_once,
            } => {
                if let Some(engaged) = &mut self.engaged {
                    engaged.because = because.clone();
                    engaged.peak = engaged.peak.max(*level);
                    engaged.calm_since = None;
                    return;
                }
                let since = *self.over_since.get_or_insert(now.steady);
                if *at_once || now.steady.0 - since.0 >= times.persistence_ms {
                    self.engage(now, because.clone(), *level);
                }
            }
            &Look::Unknown { sensor, fault } => {
                let because = Because::SensorUnknown { sensor, fault };
                match &mut self.engaged {
                    Some(engaged) => {
                        engaged.because = because;
                        engaged.calm_since = None;
                    }
                    None => self.engage(now, because, 0.0),
                }
            }
            Look::Waiting => {
                self.over_since = None;
                if let Some(engaged) = &mut self.engaged {
                    engaged.calm_since = None;
                }
            }
            Look::Between => {
                self.over_since = None;
                if let Some(engaged) = &mut self.engaged {
                    engaged.because = held(holding, engaged.peak);
                    engaged.calm_since = None;
                }
            }
            Look::Calm => {
                self.over_since = None;
                if let Some(engaged) = &mut self.engaged {
                    engaged.because = held(holding, engaged.peak);
                    engaged.calm_since.get_or_insert(now.steady);
                }
                self.release_if_due(now, times);
            }
        }
    }

    /// Engages, whatever is seen.
    pub(crate) fn engage(&mut self, now: Now, because: Because, level: f64) {
        self.over_since = None;
        self.engaged = Some(Box::new(Engaged {
            since: now,
            because,
            peak: level,
            calm_since: None,
        }));
    }

    /// Releases when calm has lasted; called when its timer is due.
    pub(crate) fn release_if_due(&mut self, now: Now, times: Times) {
        if self
            .calm_until(times)
            .is_some_and(|until| until <= now.steady)
        {
            self.engaged = None;
        }
    }

    fn calm_until(&self, times: Times) -> Option<Steady> {
        Some(self.engaged.as_ref()?.calm_since?.plus(times.hold_ms))
    }

    /// When it has to be looked at again without any reading.
    pub(crate) fn due(&self, times: Times) -> Option<Steady> {
        match (&self.engaged, self.over_since) {
            (Some(_), _) => self.calm_until(times),
            (None, Some(since)) => Some(since.plus(times.persistence_ms)),
            (None, None) => None,
        }
    }

    /// What releases it.
    pub(crate) fn release(&self, times: Times) -> Release {
        match (self.calm_until(times), self.engaged.as_deref()) {
            (Some(until), _) => Release::EarliestIfCalm(until),
            (
                None,
                Some(Engaged {
                    because: Because::SensorUnknown { sensor, .. },
                    ..
                }),
            ) => Release::SensorRecovers(*sensor),
            _ => Release::AfterCalm(times.hold_ms),
        }
    }

    /// After a restart calm has to be shown anew: what was counted before may be stale.
    pub(crate) fn restart(&mut self) {
        self.over_since = None;
        self.unheard = true;
        if let Some(engaged) = &mut self.engaged {
            engaged.calm_since = None;
        }
    }
}

/// The holding reason with the peak filled in.
fn held(holding: &Because, peak: f64) -> Because {
    let mut because = holding.clone();
    if let Because::WindHolding { peak_mps, .. } = &mut because {
        *peak_mps = peak;
    }
    because
}

/// What a sensor has to say to a guard, bypass and substitute considered.
pub(crate) enum Heard<'a> {
    /// Believed: look at this state.
    Good(SensorId, &'a SensorState),
    /// Not to be believed.
    Fault(SensorId, Fault),
    /// Not heard since the restart.
    Waiting,
    /// Left out by somebody's word.
    LeftOut,
}

/// Resolves a sensor for a guard.
pub(crate) fn hear(sensors: &[SensorState], id: SensorId) -> Heard<'_> {
    let state = &sensors[id.index()];
    match &state.bypass {
        Some(bypass) => match bypass.substitute {
            Some(other) => plain(&sensors[other.index()], other),
            None => Heard::LeftOut,
        },
        None => plain(state, id),
    }
}

const fn plain(state: &SensorState, id: SensorId) -> Heard<'_> {
    match state.standing {
        Standing::Good => Heard::Good(id, state),
        Standing::Fault(fault) => Heard::Fault(id, fault),
        Standing::Waiting => Heard::Waiting,
    }
}

//! How a group's sensors look to each weather guard, reckoned apart from the core.

use crate::account::Says;
use crate::site::{HYGRO, RAIN, THERMO};
use crate::truth::Truth;
use leeside_core::ids::SensorId;
use leeside_core::model::{Group, IceRule, Moisture};

/// How the group's sensors look to one guard.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Look {
    Calm,
    Between,
    Over { at_once: bool },
    Unknown,
    Waiting,
}

impl Truth {
    pub(crate) fn wind(&self, rules: &Group) -> Option<Look> {
        let rule = rules.wind.as_ref()?;
        let (mut worst, mut bad, mut unheard, mut heard) = (f64::NEG_INFINITY, false, false, false);
        for link in &rule.links {
            match self.says(link.sensor) {
                Says::Good(account) => {
                    heard = true;
                    let speed = account
                        .gust
                        .into_iter()
                        .chain(account.value.map(|v| v.0))
                        .fold(0.0, f64::max);
                    let inside = |from: f64, to: f64| {
                        account.direction.is_none_or(|d| {
                            if from <= to {
                                (from..=to).contains(&d)
                            } else {
                                d >= from || d <= to
                            }
                        })
                    };
                    let sectors = link.sectors.iter().filter(|s| inside(s.from_deg, s.to_deg));
                    let tightest = sectors.map(|s| s.factor).fold(1.0, f64::max);
                    worst = worst.max(speed * (link.factor * tightest));
                }
                Says::Bad => bad = true,
                Says::Unheard => unheard = true,
                Says::LeftOut => {}
            }
        }
        Some(if worst >= rule.limit_mps {
            Look::Over { at_once: bad }
        } else if bad || (!heard && !unheard) {
            Look::Unknown
        } else if unheard {
            Look::Waiting
        } else if worst < rule.limit_mps - rule.hysteresis_mps {
            Look::Calm
        } else {
            Look::Between
        })
    }

    pub(crate) fn level(&self, rule: Option<(&[SensorId], f64, bool)>) -> Option<Look> {
        let (sensors, limit, at_it) = rule?;
        let (mut bad, mut unheard, mut heard) = (false, false, false);
        for sensor in sensors {
            match self.says(*sensor) {
                Says::Good(account) => {
                    heard = true;
                    let over = |v: f64| v > limit || (at_it && v >= limit);
                    if account.value.is_some_and(|v| over(v.0)) {
                        return Some(Look::Over { at_once: true });
                    }
                }
                Says::Bad => bad = true,
                Says::Unheard => unheard = true,
                Says::LeftOut => {}
            }
        }
        Some(if bad || (!heard && !unheard) {
            Look::Unknown
        } else if unheard {
            Look::Waiting
        } else {
            Look::Calm
        })
    }

    pub(crate) fn ice(&mut self, group: usize, rule: Option<&IceRule>) -> Option<Look> {
        let rule = rule?;
        let moist = self.moist(group, rule);
        let (cold, state) = match self.says(THERMO) {
            Says::Good(account) => (account.value.map(|v| v.0), None),
            Says::Bad | Says::LeftOut => (None, Some(Look::Unknown)),
            Says::Unheard => (None, Some(Look::Waiting)),
        };
        if let Some(look) = state {
            return Some(look);
        }
        let t = cold?;
        self.groups[group].trusted_c = Some(t);
        Some(if t < rule.below_c && moist {
            Look::Over { at_once: true }
        } else if t > rule.above_c {
            Look::Calm
        } else {
            Look::Between
        })
    }

    fn moist(&mut self, group: usize, rule: &IceRule) -> bool {
        let now = self.now.steady.0;
        // Nobody makes it dry by leaving out all that could say otherwise.
        let gone = |moisture: &Moisture| {
            let sensor = match moisture {
                Moisture::Always => return false,
                Moisture::Humidity { .. } => HYGRO,
                Moisture::Rain { .. } => RAIN,
            };
            matches!(self.says(sensor), Says::LeftOut)
        };
        if !rule.moisture.is_empty() && rule.moisture.iter().all(gone) {
            return true;
        }
        rule.moisture.iter().any(|moisture| match moisture {
            Moisture::Always => true,
            Moisture::Humidity { from_pct, .. } => match self.says(HYGRO) {
                Says::Good(account) => account.value.is_none_or(|v| v.0 >= *from_pct),
                Says::Bad | Says::Unheard => true,
                Says::LeftOut => false,
            },
            Moisture::Rain { within_ms, .. } => {
                let rains = match self.says(RAIN) {
                    Says::Good(account) => account.value.is_some_and(|v| v.0 > 0.0),
                    Says::Bad | Says::Unheard => return true,
                    Says::LeftOut => return false,
                };
                let state = &mut self.groups[group];
                if rains || state.raining {
                    state.wet = Some(now);
                }
                state.raining = rains;
                state.wet.is_some_and(|wet| now - wet <= *within_ms)
            }
        })
    }
}

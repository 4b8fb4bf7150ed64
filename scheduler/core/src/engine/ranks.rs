//! Every rank with what it says, or why it keeps quiet: the full answer to
//! "why did it move, and what would have had to be different?".

use super::Core;
use super::voices::RANKS;
use crate::guard::{Heard, hear};
use crate::ids::{GroupId, SensorId};
use crate::output::{Course, Word};
use crate::reason::{Because, Release, WindPart};

/// One place in the order of precedence.
#[derive(Clone, PartialEq, Debug)]
pub struct RankView {
    /// Its word.
    pub word: Word,
    /// What it says.
    pub says: Says,
}

/// What a rank says.
#[derive(Clone, PartialEq, Debug)]
pub enum Says {
    /// It speaks.
    Speaks {
        /// What it asks or allows.
        course: Course,
        /// Why.
        because: Because,
        /// What ends it.
        release: Release,
    },
    /// It keeps quiet, and this would have to be different.
    Quiet(Quiet),
}

/// Why a rank keeps quiet.
#[derive(Clone, PartialEq, Debug)]
pub enum Quiet {
    /// The site file gives this group no such rule.
    NoRule,
    /// Nobody has set it.
    NotSet,
    /// Its contact is not active.
    ContactAtRest,
    /// The worst wind at the group, below the limit.
    WindBelow {
        /// The sensor that reads the worst.
        sensor: SensorId,
        /// Gust or mean.
        part: WindPart,
        /// Speed at the group (with the factor), m/s.
        here_mps: f64,
        /// The limit, m/s.
        limit_mps: f64,
    },
    /// Its sensor's value does not reach its limit.
    ValueBelow {
        /// The sensor.
        sensor: SensorId,
        /// What it reads.
        value: f64,
        /// The limit.
        limit: f64,
    },
    /// Too warm for ice, or nothing moist.
    NoFrost {
        /// The coldest sensor.
        sensor: SensorId,
        /// What it reads, °C.
        temperature_c: f64,
        /// The limit, °C.
        below_c: f64,
    },
    /// The phase or special day does not allow sun.
    SunNotAllowed,
    /// The sun is not on the facade, or hidden.
    SunNotThere {
        /// Irradiance on the facade, W/m².
        irradiance_wm2: f64,
    },
    /// The sun is on the facade but not bright (for long) enough.
    SunTooDim {
        /// Irradiance on the facade, W/m².
        irradiance_wm2: f64,
        /// Threshold, W/m².
        on_wm2: f64,
    },
    /// The day's comfort moves are used up.
    SunCapped {
        /// Travels so far.
        travels: u16,
        /// Tilt steps so far.
        tilts: u16,
    },
    /// No phase applies.
    NoPhase,
}

impl Core {
    /// Every rank from the highest down, as of the last moment told.
    #[must_use]
    pub fn ranks(&self, group: GroupId) -> Vec<RankView> {
        let mut views: Vec<RankView> = Vec::with_capacity(RANKS.len());
        for rank in RANKS {
            let speaks = self.voice(group, rank).map(|voice| RankView {
                word: voice.word,
                says: Says::Speaks {
                    course: voice.course,
                    because: voice.because,
                    release: voice.release,
                },
            });
            match (speaks, rank.word()) {
                (Some(view), _) => views.push(view),
                (None, Some(word)) => {
                    let says = Says::Quiet(self.quiet_because(group, word));
                    views.push(RankView { word, says });
                }
                // A second place of a word says nothing when it does not speak.
                (None, None) => {}
            }
        }
        views
    }

    fn quiet_because(&self, group: GroupId, word: Word) -> Quiet {
        let rules = self.model.group(group);
        match word {
            Word::Service | Word::Hand => Quiet::NotSet,
            Word::Fire if rules.fire.is_none() => Quiet::NoRule,
            Word::Fire | Word::Door | Word::Drive => Quiet::ContactAtRest,
            Word::Wind => rules.wind.as_ref().map_or(Quiet::NoRule, |rule| {
                self.worst_wind(rule).unwrap_or(Quiet::NotSet)
            }),
            Word::Hail => rules
                .hail
                .as_ref()
                .map_or(Quiet::NoRule, |rule| self.highest(&rule.sensors, rule.from)),
            Word::Rain => rules.rain.as_ref().map_or(Quiet::NoRule, |rule| {
                self.highest(&rule.sensors, rule.above)
            }),
            Word::Ice => rules.ice.as_ref().map_or(Quiet::NoRule, |rule| {
                let coldest = self.extreme(&rule.sensors, |a, b| a < b);
                coldest.map_or(Quiet::NotSet, |(sensor, temperature_c)| Quiet::NoFrost {
                    sensor,
                    temperature_c,
                    below_c: rule.below_c,
                })
            }),
            Word::Sun => self.sun_quiet(group),
            Word::Timetable | Word::Rest => Quiet::NoPhase,
        }
    }

    fn worst_wind(&self, rule: &crate::model::WindRule) -> Option<Quiet> {
        let mut worst: Option<(f64, SensorId, WindPart)> = None;
        for link in &rule.links {
            let Heard::Good(sensor, state) = hear(&self.sensors, link.sensor) else {
                continue;
            };
            let Some((speed, part)) = state.wind() else {
                continue;
            };
            let here = speed * link.factor_for(state.direction);
            if worst.is_none_or(|(w, ..)| here > w) {
                worst = Some((here, sensor, part));
            }
        }
        let (here_mps, sensor, part) = worst?;
        Some(Quiet::WindBelow {
            sensor,
            part,
            here_mps,
            limit_mps: rule.limit_mps,
        })
    }

    fn highest(&self, sensors: &[SensorId], limit: f64) -> Quiet {
        self.extreme(sensors, |a, b| a > b)
            .map_or(Quiet::NotSet, |(sensor, value)| Quiet::ValueBelow {
                sensor,
                value,
                limit,
            })
    }

    fn extreme(&self, sensors: &[SensorId], more: fn(f64, f64) -> bool) -> Option<(SensorId, f64)> {
        let mut found: Option<(SensorId, f64)> = None;
        for &id in sensors {
            let Heard::Good(sensor, state) = hear(&self.sensors, id) else {
                continue;
            };
            let Some(value) = state.value else { continue };
            if found.is_none_or(|(_, best)| more(value, best)) {
                found = Some((sensor, value));
            }
        }
        found
    }

    fn sun_quiet(&self, group: GroupId) -> Quiet {
        let rules = self.model.group(group);
        let Some(rule) = &rules.sun else {
            return Quiet::NoRule;
        };
        if !self.sun_allowed(group) {
            return Quiet::SunNotAllowed;
        }
        let state = &self.groups[group.index()].sun;
        let light = self.told_light(rules.facade).map(|(_, light)| light);
        let irradiance_wm2 = light.map_or(0.0, |l| l.irradiance_wm2);
        if state.capped {
            return Quiet::SunCapped {
                travels: state.travels,
                tilts: state.tilts,
            };
        }
        if light.is_none_or(|l| !l.sunlit) {
            return Quiet::SunNotThere { irradiance_wm2 };
        }
        Quiet::SunTooDim {
            irradiance_wm2,
            on_wm2: rule.on_wm2,
        }
    }
}

//! Looks at the sun and the light of facades.

use super::skies::Skies;
use super::{Core, Together, stale_bits};
use crate::guard::{Heard, hear};
use crate::ids::{FacadeId, GroupId, SensorId};
use crate::model::{Model, SensorKind};
use crate::output::WakeFor;
use crate::reason::LightSource;
use crate::sensor::SensorState;
use crate::time::{HOUR, MINUTE, Steady, Wall};
use crate::wish::sun::{self, FacadeLight};
use leeside_solar::light::{Sky, irradiance_of_lx};
use leeside_solar::trig::sin;
use leeside_solar::{Crossing, Plane, SUNRISE_ELEVATION_DEG, Sun};

/// Sine by which the sun may still lack to the elevation of sunrise and count as
/// there: about a second of its rise.
const LIMB_MARGIN: f64 = 1e-4;

/// Sine of the true elevation from which the sun's upper limb counts as up.
fn limb() -> f64 {
    sin(SUNRISE_ELEVATION_DEG.to_radians()) - LIMB_MARGIN
}

/// What the light on a plane is known by.
enum Shines {
    /// A sensor in the plane itself, W/m².
    Measured(f64),
    /// The sky above all planes.
    From(Sky),
}

impl Shines {
    /// Irradiance on a plane on which the sun falls with this cosine of incidence, W/m².
    #[inline]
    fn on(&self, plane: &Plane, cos_incidence: f64) -> f64 {
        match self {
            Self::Measured(value) => *value,
            Self::From(sky) => sky.at_incidence(plane, cos_incidence).total(),
        }
    }
}

impl Core {
    /// Looks at the sun and the light of facades. Where the sun stands, when to look
    /// again and what a list of sensors says is the same for all of one moment.
    pub(super) fn look_facades(&mut self, model: &Model, facades: &[FacadeId]) {
        if facades.is_empty() {
            return;
        }
        let (at, path) = (self.now.wall.0, &mut self.sun_path);
        let (raw, sun) = self.suns.of(at, || path.both(at));
        // From the upper limb on, each minute: the dawn that was waited for must
        // not be looked for again, or the next one found would be tomorrow's.
        let next = if sun.is_up() || raw.up >= limb() {
            self.next_minute()
        } else {
            self.next_dawn()
        };
        let next = self.steady_of(next).max(self.now.steady.plus(1));
        let wall = self.now.wall;
        let topology = self.topology.clone();
        let mut light = None;
        for &id in facades {
            let thresholds = &topology.thresholds[id.index()];
            let (source, shines) = match &light {
                Some((by, source, shines)) if *by == thresholds.light => (source, shines),
                _ => {
                    let toward = (wall, &raw, &sun);
                    let sensors = (&model.facade(id).light[..], &self.sensors[..]);
                    let (source, shines) = light_by(model, sensors, &mut self.skies, toward);
                    let (_, source, shines) = light.insert((thresholds.light, source, shines));
                    (&*source, &*shines)
                }
            };
            let cos_incidence = thresholds.plane.cos_incidence(&sun);
            let sunlit = sun.is_up()
                && cos_incidence > 0.0
                && !(thresholds.horizon && model.facade(id).obstructions.hidden_by_horizon(&sun));
            let irradiance_wm2 = shines.on(&thresholds.plane, cos_incidence);
            // Where the sun stays behind it nothing can change but the numbers, and those
            // are worked out where somebody asks for them.
            let dozes_ms = if sunlit {
                0
            } else {
                raw.stays_behind_ms(&thresholds.plane)
            };
            let dozes = dozes_ms >= 2 * MINUTE;
            let state = &mut self.facades[id.index()];
            state.sun = sun;
            state.stale = false;
            state.dozes = dozes.then_some(wall);
            state.light = Some(FacadeLight {
                source: *source,
                irradiance_wm2,
                sunlit,
            });
            // Groups are looked at only when the light passed one of their thresholds
            // or the sun came onto or left one of their openings: in between nothing
            // about their wishes can change but by their own timers.
            let light = (sunlit, irradiance_wm2);
            let cell = thresholds.cell((wall, &sun), light, &mut state.sure);
            let before = state.cell.replace(cell);
            if dozes {
                let wakes = self.steady_of(minute_of(wall.plus(dozes_ms)));
                self.look_alone(id, wakes);
            } else {
                self.look_next(id, next);
            }
            if before == Some(cell) {
                continue;
            }
            for &group in &topology.facade_groups[id.index()] {
                let asks = topology.asks[group.index()];
                let same = before.is_some_and(|before| {
                    before.sunlit == cell.sunlit && asks.answers(before) == asks.answers(cell)
                });
                let rules = model.group(group);
                let Some(rule) = &rules.sun else { continue };
                if !same || rule.heat.is_some() || self.counts_looks(rules, group) {
                    self.mark(group, stale_bits::SUN);
                }
            }
        }
    }

    /// The light on a facade that dozes, for a group whose sun wish has something to
    /// say and will name it: as if the facade had been looked at each minute. What its
    /// sensors say has not changed since, or it would have been looked at then.
    pub(super) fn look_if_dozing(&mut self, model: &Model, group: GroupId) {
        if sun::asks(&self.groups[group.index()].sun).is_none() {
            return;
        }
        let id = model.group(group).facade;
        let Some(minute) = self.outdated(id, self.now.wall) else {
            return;
        };
        let path = &mut self.sun_path;
        let (raw, sun) = self.suns.of(minute.0, || path.both(minute.0));
        let facade = model.facade(id);
        let (sensors, toward) = ((&facade.light[..], &self.sensors[..]), (minute, &raw, &sun));
        let (source, shines) = light_by(model, sensors, &mut self.skies, toward);
        let irradiance_wm2 = shines.on(&facade.plane, facade.plane.cos_incidence(&sun));
        let state = &mut self.facades[id.index()];
        state.sun = sun;
        state.dozes = Some(minute);
        state.light = Some(FacadeLight {
            source,
            irradiance_wm2,
            sunlit: false,
        });
    }

    /// The minute of which the light on a facade should be known at a moment, where it
    /// is not because the facade dozes.
    fn outdated(&self, id: FacadeId, at: Wall) -> Option<Wall> {
        let (looked, minute) = (self.facades[id.index()].dozes?, minute_of(at));
        (looked < minute).then_some(minute)
    }

    /// The sun seen from a facade and its light, at the last minute that has passed.
    pub(super) fn told_light(&self, id: FacadeId) -> Option<(Sun, FacadeLight)> {
        let state = &self.facades[id.index()];
        let light = state.light?;
        let Some(minute) = self.outdated(id, self.now.wall.plus(-1)) else {
            return Some((state.sun, light));
        };
        let (raw, sun) = self.sun_path.clone().both(minute.0);
        let facade = self.model.facade(id);
        let (sensors, toward) = ((&facade.light[..], &self.sensors[..]), (minute, &raw, &sun));
        let (source, shines) = light_by(&self.model, sensors, &mut self.skies.clone(), toward);
        let irradiance_wm2 = shines.on(&facade.plane, facade.plane.cos_incidence(&sun));
        let light = FacadeLight {
            source,
            irradiance_wm2,
            ..light
        };
        Some((sun, light))
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
        if together.at.is_some() {
            self.look_alone(id, at);
            return;
        }
        *waits = true;
        together.at = Some(at);
        together.facades.push(id);
        self.timers.set(why, at);
    }

    /// A facade is looked at again at this moment, which is its own.
    fn look_alone(&mut self, id: FacadeId, at: Steady) {
        if self.together.facades.first() == Some(&id) {
            self.part();
        } else if core::mem::take(&mut self.facades[id.index()].together) {
            self.together.facades.retain(|other| *other != id);
        }
        self.timers.set(WakeFor::Facade(id), at);
    }

    /// Each facade waits by itself again.
    pub(super) fn part(&mut self) {
        let Together { at, facades } = core::mem::take(&mut self.together);
        for id in facades {
            self.facades[id.index()].together = false;
            if let Some(at) = at {
                self.timers.set(WakeFor::Facade(id), at);
            }
        }
    }

    /// A facade is looked at, with those that wait with it.
    pub(super) fn facade_due(&mut self, id: FacadeId) {
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
        minute_of(self.now.wall).plus(MINUTE)
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
}

/// The light of a moment under its true and apparent sun, from the best of these sensors
/// that is to be believed.
fn light_by(
    model: &Model,
    (sensors, states): (&[SensorId], &[SensorState]),
    skies: &mut Skies,
    (at, raw, sun): (Wall, &Sun, &Sun),
) -> (LightSource, Shines) {
    let mut ghi = None;
    for &sensor in sensors {
        let Heard::Good(sensor, state) = hear(states, sensor) else {
            continue;
        };
        let Some(value) = state.value else { continue };
        let measured = LightSource::Measured(sensor);
        match model.sensor(sensor).kind {
            SensorKind::PlaneIrradiance => return (measured, Shines::Measured(value)),
            SensorKind::PlaneIlluminance => {
                return (measured, Shines::Measured(irradiance_of_lx(value)));
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
    let ghi = ghi.map(|(_, value)| value);
    let sky = skies.sky(at, (raw, sun), ghi, &model.site);
    (source, Shines::From(sky))
}

/// The whole minute that a moment is in.
fn minute_of(at: Wall) -> Wall {
    Wall(at.0.div_euclid(MINUTE) * MINUTE)
}

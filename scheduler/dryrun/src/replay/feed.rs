//! From rows of weather to readings of a site's sensors.

use super::Sky;
use crate::weather::{Quantity, Values};
use leeside_core::ids::SensorId;
use leeside_core::input::{Part, Reading, Sample};
use leeside_core::model::{Facade, Model, SensorKind};
use leeside_core::time::{HOUR, Wall};
use leeside_solar::light::{
    Components, Sky as Light, SkyModel, Source, erbs, extraterrestrial, illuminance_lx, ineichen,
};
use leeside_solar::{Plane, Sun, SunPath};
use std::sync::Arc;

/// By how much a surface is colder than the air while the sun is down, K
/// (common practice, no source).
const COLD_SURFACE_K: f64 = 3.0;

/// A mild and calm day.
const CALM: Values = Values {
    ghi: None,
    dni: None,
    dhi: None,
    temperature: Some(20.0),
    humidity: Some(50.0),
    mean: Some(0.0),
    gust: Some(0.0),
    direction: None,
    rain: Some(0.0),
    pressure: None,
    hail: Some(0.0),
};

/// Some sun, where it is no matter which.
const BELOW: Sun = Sun {
    east: 0.0,
    north: 0.0,
    up: -1.0,
};

/// Feeds a site's sensors.
pub struct Feed<'a> {
    model: Arc<Model>,
    sky: &'a Sky,
    path: SunPath,
    /// The planes of the facades, and whether a skyline may hide the sun from them:
    /// what each look needs of them, side by side.
    planes: Vec<(Plane, bool)>,
    /// Per sensor, the facade that it looks out from.
    facade_of: Vec<Option<usize>>,
    /// Per facade, whether the sun is on it.
    lit: Vec<bool>,
    /// The row that speaks of the moment looked at, or the next one.
    row: usize,
    rain_in_data: bool,
    hail_in_data: bool,
    /// The moment looked at, its true and apparent sun once that was asked for, and
    /// whether the sun is up.
    at: Wall,
    sun: Option<(Sun, Sun)>,
    up: bool,
    /// From a moment to another, between which the sun is sure to be down.
    night: (Wall, Wall),
    /// Irradiance above the air, and the UTC day for which it holds.
    extra: (i64, f64),
    readings: Vec<Reading>,
}

impl<'a> Feed<'a> {
    /// A feed at its beginning.
    #[must_use]
    pub fn new(model: Arc<Model>, sky: &'a Sky) -> Self {
        let facade_of = (0..model.sensors.len()).map(|index| {
            model
                .facades
                .iter()
                .position(|facade| facade.light.contains(&SensorId::of(index)))
        });
        let in_data = |quantity| match sky {
            Sky::Rows(series) => series.speaks_of(quantity),
            Sky::ClearAndCalm => true,
        };
        let plane = |facade: &Facade| (facade.plane, facade.obstructions.horizon().is_some());
        Self {
            planes: model.facades.iter().map(plane).collect(),
            path: SunPath::new(model.site.location, model.site.atmosphere),
            facade_of: facade_of.collect(),
            lit: vec![false; model.facades.len()],
            readings: Vec::with_capacity(model.sensors.len()),
            row: 0,
            rain_in_data: in_data(Quantity::Rain),
            hail_in_data: in_data(Quantity::Hail),
            at: Wall(i64::MIN),
            sun: None,
            up: false,
            night: (Wall(0), Wall(0)),
            extra: (i64::MIN, 0.0),
            sky,
            model,
        }
    }

    /// Looks at the sun of a moment; says on which facades it is.
    pub fn look(&mut self, at: Wall) -> &[bool] {
        (self.at, self.sun) = (at, None);
        let was_up = std::mem::take(&mut self.up);
        if !(self.night.0 <= at && at < self.night.1) {
            let (raw, sun) = self.sun();
            self.up = sun.is_up();
            self.night = (at, at.plus(raw.stays_down_ms()));
            if self.up {
                let facades = self.model.facades.iter().zip(&self.planes);
                for (lit, (facade, (plane, horizon))) in self.lit.iter_mut().zip(facades) {
                    let hidden = || *horizon && facade.obstructions.hidden_by_horizon(&sun);
                    *lit = plane.sunlit(&sun) && !hidden();
                }
            }
        }
        if was_up && !self.up {
            self.lit.fill(false);
        }
        &self.lit
    }

    /// True and apparent sun of the moment looked at.
    fn sun(&mut self) -> (Sun, Sun) {
        let (path, at) = (&mut self.path, self.at);
        *self.sun.get_or_insert_with(|| path.both(at.0))
    }

    /// The readings of the moment last looked at, in the order of the site file.
    /// Moments must not go back.
    pub fn readings(&mut self, at: Wall) -> &[Reading] {
        self.readings.clear();
        let Some(values) = self.values(at) else {
            return &self.readings;
        };
        let light = self.light(at, &values);
        for index in 0..self.model.sensors.len() {
            let sensor = &self.model.sensors[index];
            let sample = match sensor.kind {
                SensorKind::Wind => wind(&values),
                SensorKind::Rain => {
                    let rain = if self.rain_in_data {
                        values.rain
                    } else {
                        Some(0.0)
                    };
                    // A sensor that only says yes or no says yes to any rain.
                    let yes_or_no = sensor.validity.max <= 1.0;
                    rain.map(|rain| {
                        if yes_or_no {
                            f64::from(rain > 0.0)
                        } else {
                            rain
                        }
                    })
                    .map(Sample::Value)
                }
                SensorKind::Hail if self.hail_in_data => values.hail.map(Sample::Value),
                SensorKind::Hail => Some(Sample::Value(0.0)),
                SensorKind::Temperature => values.temperature.map(Sample::Value),
                SensorKind::Humidity => values.humidity.map(Sample::Value),
                SensorKind::SurfaceTemperature => values.temperature.map(|air| {
                    let colder = if self.up { 0.0 } else { COLD_SURFACE_K };
                    Sample::Value(air - colder)
                }),
                SensorKind::RoomTemperature => None,
                SensorKind::GlobalHorizontal => light
                    .as_ref()
                    .map(|light| Sample::Value(light.components().ghi)),
                SensorKind::HorizontalIlluminance => light
                    .as_ref()
                    .map(|light| Sample::Value(illuminance_lx(light.components().ghi))),
                SensorKind::PlaneIrradiance => {
                    self.on_plane(index, light.as_ref()).map(Sample::Value)
                }
                SensorKind::PlaneIlluminance => self
                    .on_plane(index, light.as_ref())
                    .map(|irradiance| Sample::Value(illuminance_lx(irradiance))),
            };
            if let Some(sample) = sample {
                self.readings.push(Reading {
                    sensor: SensorId::of(index),
                    at,
                    sample,
                });
            }
        }
        &self.readings
    }

    /// The apparent sun of the moment last looked at and the light of its sky;
    /// `None` where nothing is known of it. Moments must not go back.
    pub fn light_of(&mut self, at: Wall) -> (Sun, Option<Light>) {
        let values = self.values(at);
        let light = values.and_then(|values| self.light(at, &values));
        (self.sun().1, light)
    }

    /// What is known of a moment; `None` in a gap.
    fn values(&mut self, at: Wall) -> Option<Values> {
        match self.sky {
            Sky::ClearAndCalm => Some(CALM),
            Sky::Rows(series) => {
                while series.rows.get(self.row).is_some_and(|row| row.end <= at) {
                    self.row += 1;
                }
                series
                    .rows
                    .get(self.row)
                    .filter(|row| row.start <= at)
                    .map(|row| row.values)
            }
        }
    }

    /// The light of a moment; `None` where nothing is known of it.
    fn light(&mut self, at: Wall, values: &Values) -> Option<Light> {
        let day = at.0.div_euclid(24 * HOUR);
        if self.extra.0 != day {
            self.extra = (day, extraterrestrial(at.0));
        }
        let extra = self.extra.1;
        let (source, components) = match self.sky {
            Sky::ClearAndCalm => {
                let (_, sun) = self.sun();
                let site = &self.model.site;
                let (pressure, altitude) =
                    (site.atmosphere.pressure_hpa, site.location.altitude_m());
                (
                    Source::ClearSky,
                    ineichen(&sun, site.linke_turbidity, pressure, altitude, extra),
                )
            }
            Sky::Rows(_) => {
                let ghi = values.ghi?;
                let components = match (values.dni, values.dhi) {
                    (Some(dni), Some(dhi)) => Components { ghi, dni, dhi },
                    _ => erbs(ghi, self.sun().0.up, extra),
                };
                (Source::Measured, components)
            }
        };
        // An even sky is the same wherever the sun stands.
        let (even, sun, albedo) = (SkyModel::Isotropic, &BELOW, self.model.site.albedo);
        Some(Light::new(source, components, sun, extra, even, albedo))
    }

    /// Irradiance on the plane that a sensor looks out from; on level ground for
    /// one that no facade names.
    fn on_plane(&mut self, sensor: usize, light: Option<&Light>) -> Option<f64> {
        let light = light?;
        let components = light.components();
        let parts = [components.ghi, components.dni, components.dhi];
        if parts.iter().all(|part| *part <= 0.0) {
            return Some(0.0);
        }
        let Some(index) = self.facade_of[sensor] else {
            return Some(components.ghi);
        };
        let (_, sun) = self.sun();
        let facade = &self.model.facades[index];
        let on_plane = light.on_plane(&facade.plane, &sun);
        // Behind the skyline there is no beam. Of a sun that is up that was asked when
        // it was looked at.
        let hidden = on_plane.direct > 0.0
            && if self.up {
                !self.lit[index]
            } else {
                facade.obstructions.hidden_by_horizon(&sun)
            };
        let share = if hidden { 0.0 } else { 1.0 };
        Some(on_plane.total_with_lit_share(share))
    }
}

fn wind(values: &Values) -> Option<Sample> {
    let part = |value: Option<f64>| value.map_or(Part::Absent, Part::Value);
    values.gust.or(values.mean)?;
    let (gust, mean, direction) = (part(values.gust), part(values.mean), part(values.direction));
    Some(Sample::Wind {
        gust,
        mean,
        direction,
    })
}

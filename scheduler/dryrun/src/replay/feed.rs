//! From rows of weather to readings of a site's sensors.

use super::Sky;
use crate::weather::{Quantity, Values};
use leeside_core::ids::SensorId;
use leeside_core::input::{Part, Reading, Sample};
use leeside_core::model::{Model, SensorKind};
use leeside_core::time::{HOUR, Wall};
use leeside_solar::light::{
    Components, Sky as Light, SkyModel, Source, erbs, extraterrestrial, illuminance_lx, ineichen,
};
use leeside_solar::{Sun, SunPath};
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

/// Feeds a site's sensors.
pub struct Feed<'a> {
    model: Arc<Model>,
    sky: &'a Sky,
    path: SunPath,
    /// Per sensor, the facade that it looks out from.
    facade_of: Vec<Option<usize>>,
    /// Per facade, whether the sun is on it.
    lit: Vec<bool>,
    /// The row that speaks of the moment looked at, or the next one.
    row: usize,
    rain_in_data: bool,
    hail_in_data: bool,
    /// True and apparent sun.
    sun: (Sun, Sun),
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
        let below = Sun {
            east: 0.0,
            north: 0.0,
            up: -1.0,
        };
        let in_data = |quantity| match sky {
            Sky::Rows(series) => series.speaks_of(quantity),
            Sky::ClearAndCalm => true,
        };
        Self {
            path: SunPath::new(model.site.location, model.site.atmosphere),
            facade_of: facade_of.collect(),
            lit: vec![false; model.facades.len()],
            readings: Vec::with_capacity(model.sensors.len()),
            row: 0,
            rain_in_data: in_data(Quantity::Rain),
            hail_in_data: in_data(Quantity::Hail),
            sun: (below, below),
            extra: (i64::MIN, 0.0),
            sky,
            model,
        }
    }

    /// Looks at the sun of a moment; says on which facades it is.
    pub fn look(&mut self, at: Wall) -> &[bool] {
        let was_up = self.sun.1.is_up();
        self.sun = self.path.both(at.0);
        let sun = &self.sun.1;
        if sun.is_up() {
            for (lit, facade) in self.lit.iter_mut().zip(&self.model.facades) {
                *lit = facade.plane.sunlit(sun) && !facade.obstructions.hidden_by_horizon(sun);
            }
        } else if was_up {
            self.lit.fill(false);
        }
        &self.lit
    }

    /// The readings of the moment last looked at, in the order of the site file.
    /// Moments must not go back.
    pub fn readings(&mut self, at: Wall) -> &[Reading] {
        self.readings.clear();
        let Some(values) = self.values(at) else {
            return &self.readings;
        };
        let light = self.light(at, &values);
        for (index, sensor) in self.model.sensors.iter().enumerate() {
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
                    let colder = if self.sun.1.is_up() {
                        0.0
                    } else {
                        COLD_SURFACE_K
                    };
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
        (self.sun.1, light)
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
        let (extra, site, (raw, sun)) = (self.extra.1, &self.model.site, &self.sun);
        let (source, components) = match self.sky {
            Sky::ClearAndCalm => {
                let (pressure, altitude) =
                    (site.atmosphere.pressure_hpa, site.location.altitude_m());
                (
                    Source::ClearSky,
                    ineichen(sun, site.linke_turbidity, pressure, altitude, extra),
                )
            }
            Sky::Rows(_) => {
                let ghi = values.ghi?;
                let components = match (values.dni, values.dhi) {
                    (Some(dni), Some(dhi)) => Components { ghi, dni, dhi },
                    _ => erbs(ghi, raw.up, extra),
                };
                (Source::Measured, components)
            }
        };
        Some(Light::new(
            source,
            components,
            sun,
            extra,
            SkyModel::Isotropic,
            site.albedo,
        ))
    }

    /// Irradiance on the plane that a sensor looks out from; on level ground for
    /// one that no facade names.
    fn on_plane(&self, sensor: usize, light: Option<&Light>) -> Option<f64> {
        let light = light?;
        let Some(index) = self.facade_of[sensor] else {
            return Some(light.components().ghi);
        };
        let facade = &self.model.facades[index];
        let on_plane = light.on_plane(&facade.plane, &self.sun.1);
        // Behind the skyline there is no beam.
        let share = if facade.obstructions.hidden_by_horizon(&self.sun.1) {
            0.0
        } else {
            1.0
        };
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

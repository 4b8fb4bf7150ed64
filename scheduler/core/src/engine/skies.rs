//! The sky of one moment, worked out once for all facades that look at it.

use crate::model::Site;
use crate::time::{HOUR, Wall};
use leeside_solar::Sun;
use leeside_solar::light::{Sky, SkyModel, Source, erbs, extraterrestrial, ineichen};

/// The skies of the last moment asked for.
#[derive(Clone, Debug, Default)]
pub(super) struct Skies {
    /// UTC day and irradiance above the air on it, W/m²: the same all day.
    extra: Option<(i64, f64)>,
    at: Option<Wall>,
    /// By global horizontal irradiance; `None`: the clear sky.
    known: Vec<(Option<f64>, Sky)>,
}

impl Skies {
    /// The sky at a moment whose sun is this (true and apparent), by the global
    /// horizontal irradiance that was measured, or a clear one.
    pub(super) fn sky(
        &mut self,
        at: Wall,
        (raw, sun): (&Sun, &Sun),
        ghi: Option<f64>,
        site: &Site,
    ) -> Sky {
        if self.at != Some(at) {
            self.at = Some(at);
            self.known.clear();
        }
        let bits = |ghi: Option<f64>| ghi.map(f64::to_bits);
        let known = self.known.iter().find(|(g, _)| bits(*g) == bits(ghi));
        if let Some((_, sky)) = known {
            return *sky;
        }
        let extra = self.extra(at);
        let (source, components) = match ghi {
            Some(ghi) => (Source::Measured, erbs(ghi, raw.up, extra)),
            None => {
                let (turbidity, pressure) = (site.linke_turbidity, site.atmosphere.pressure_hpa);
                let altitude = site.location.altitude_m();
                let clear = ineichen(sun, turbidity, pressure, altitude, extra);
                (Source::ClearSky, clear)
            }
        };
        let even = SkyModel::Isotropic;
        let sky = Sky::new(source, components, sun, extra, even, site.albedo);
        self.known.push((ghi, sky));
        sky
    }

    fn extra(&mut self, at: Wall) -> f64 {
        let day = at.0.div_euclid(24 * HOUR);
        match self.extra {
            Some((of, extra)) if of == day => extra,
            _ => {
                let extra = extraterrestrial(at.0);
                self.extra = Some((day, extra));
                extra
            }
        }
    }
}

//! How much light: clear sky, decomposition, transposition, illuminance.
//!
//! One pyranometer or lux sensor on the roof serves every facade: its global
//! irradiance is split into beam and diffuse ([`erbs`]), and those are carried
//! onto each plane ([`Sky::on_plane`]). A place without any sensor falls back to
//! a clear sky ([`haurwitz`], [`ineichen`]), and the [`Sky`] says which it is.
//!
//! Constants, air mass and guards are those of pvlib 0.16.1 (BSD-3), which the
//! tests compare with line by line; the papers are named at each formula.
//! Irradiances are W/m², and every function here gives 0 rather than a negative
//! or no number.

mod clear;
mod gain;
mod sky;

pub use clear::{haurwitz, ineichen};
pub use gain::Glazing;
pub use sky::{PlaneIrradiance, Sky, SkyModel, Source};

use chrono::{DateTime, Datelike};

use crate::Sun;
use crate::range::limit;
use crate::trig::{acos, cos, pow, sin};

/// Mean of the solar constant as Spencer's series is used with, W/m².
const SOLAR_CONSTANT: f64 = 1366.1;

/// Luminous efficacy of daylight, lm/W: 50 klx for 450 W/m², as Reinhart &
/// Voss (2003) took for facades; between 100 (clear beam) and 120 (overcast).
pub const EFFICACY_LM_PER_W: f64 = 111.0;

/// The greatest irradiance that is believed of a sensor, W/m².
const MOST: f64 = 3000.0;

/// Irradiance on the level ground in its three parts, W/m².
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Components {
    /// Global horizontal.
    pub ghi: f64,
    /// Direct normal: the beam, on a plane that faces the sun.
    pub dni: f64,
    /// Diffuse horizontal.
    pub dhi: f64,
}

/// Irradiance above the air on a plane that faces the sun, W/m², by the UTC
/// day of the moment.
///
/// Source: Spencer (1971), as `pvlib.irradiance.get_extra_radiation`.
#[must_use]
pub fn extraterrestrial(unix_ms: i64) -> f64 {
    let day = DateTime::from_timestamp_millis(unix_ms).map_or(1, |t| t.ordinal());
    let b = std::f64::consts::TAU * (f64::from(day) - 1.0) / 365.0;
    SOLAR_CONSTANT
        * (1.000_11
            + 0.034_221 * cos(b)
            + 0.001_28 * sin(b)
            + 0.000_719 * cos(2.0 * b)
            + 0.000_077 * sin(2.0 * b))
}

/// Relative air mass under the apparent sun: 1 at the zenith, 38 on the
/// horizon; `None` where the sun is not up.
///
/// Source: Kasten & Young (1989).
#[must_use]
pub fn airmass(apparent: &Sun) -> Option<f64> {
    if apparent.up <= 0.0 {
        return None;
    }
    let zenith_deg = acos(apparent.up).to_degrees();
    Some(1.0 / (apparent.up.min(1.0) + 0.505_72 * pow(96.079_95 - zenith_deg, -1.6364)))
}

/// Splits a global irradiance into beam and diffuse.
///
/// `true_up` is the sine of the *true* elevation ([`crate::SunPath::without_refraction`]),
/// `extraterrestrial` of [`extraterrestrial`]. Above a zenith angle of 87
/// degrees all of it counts as diffuse.
///
/// Source: Erbs, Klein & Duffie (1982), with pvlib's guards (least cosine of
/// the zenith angle 0.065, clearness at most 1).
#[must_use]
pub fn erbs(ghi: f64, true_up: f64, extraterrestrial: f64) -> Components {
    let ghi = limit(ghi, 0.0, MOST);
    let all_diffuse = Components {
        ghi,
        dni: 0.0,
        dhi: ghi,
    };
    // sin 3 degrees: a zenith angle of 87.
    if true_up.is_nan() || true_up < 0.052_335_956_242_943_835 || extraterrestrial.is_nan() {
        return all_diffuse;
    }
    let kt = (ghi / (extraterrestrial.max(1.0) * true_up.max(0.065))).min(1.0);
    let diffuse_share = if kt <= 0.22 {
        1.0 - 0.09 * kt
    } else if kt <= 0.8 {
        0.9511 + kt * (-0.1604 + kt * (4.388 + kt * (-16.638 + kt * 12.336)))
    } else {
        0.165
    };
    let dhi = diffuse_share * ghi;
    Components {
        ghi,
        dni: (ghi - dhi) / true_up,
        dhi,
    }
}

/// Illuminance in lux of an irradiance in W/m².
#[must_use]
pub fn illuminance_lx(irradiance: f64) -> f64 {
    irradiance.max(0.0) * EFFICACY_LM_PER_W
}

/// Irradiance in W/m² of an illuminance in lux, so that a lux sensor can stand
/// in for a pyranometer.
#[must_use]
pub fn irradiance_of_lx(illuminance_lx: f64) -> f64 {
    illuminance_lx.max(0.0) / EFFICACY_LM_PER_W
}

//! The sun's position by the full algorithm: NREL SPA.
//!
//! Source: Reda & Andreas, *Solar position algorithm for solar radiation
//! applications*, NREL/TP-560-34302 (2008), as the crate `solar-positioning`
//! (MIT) carries it out; its own accuracy is 0.0003 degrees.

use chrono::{DateTime, Datelike};
use solar_positioning::time::JulianDate;
use solar_positioning::{SolarPositions, delta_t};

use crate::trig::tan;
use crate::{Atmosphere, Location};

/// First moment this crate answers for, 1800-01-01T00:00Z; earlier ones are
/// answered as this one.
pub const VALID_FROM_MS: i64 = -5_364_662_400_000;
/// Last moment this crate answers for, 2200-12-31T00:00Z; later ones are
/// answered as this one.
pub const VALID_TO_MS: i64 = 7_289_568_000_000;

/// True elevation of the centre in degrees at which the upper limb touches the
/// refracted horizon; below it SPA applies no refraction (0.26667 + 0.5667).
pub(crate) const REFRACTION_FROM_DEG: f64 = -0.833_37;

pub(crate) const DAY_MS: i64 = 86_400_000;

/// Where the sun is, by the full algorithm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// Elevation of the centre above the level horizon without refraction, degrees.
    pub elevation_deg: f64,
    /// The same with refraction, degrees: where the sun is seen. Below a true
    /// elevation of -0.833 degrees the two are the same.
    pub apparent_elevation_deg: f64,
    /// Azimuth, 0 = true north, clockwise, 0 (included) .. 360 (excluded) degrees.
    pub azimuth_deg: f64,
}

/// The sun's topocentric position by NREL SPA.
///
/// `delta_t_s` is TT - UT1 in seconds ([`delta_t_estimate`] where it is not
/// known better; a wrong second moves the sun by 0.00001 degrees). Values
/// beyond ±10,000 s are brought to that limit, NaN to the estimate. The moment
/// is brought into [`VALID_FROM_MS`]..=[`VALID_TO_MS`].
#[must_use]
pub fn position(unix_ms: i64, loc: Location, atm: Atmosphere, delta_t_s: f64) -> Position {
    let unix_ms = unix_ms.clamp(VALID_FROM_MS, VALID_TO_MS);
    let delta_t_s = if delta_t_s.is_nan() {
        delta_t_estimate(unix_ms)
    } else {
        delta_t_s.clamp(-10_000.0, 10_000.0)
    };
    let (azimuth_deg, elevation_deg) = topocentric(
        unix_ms,
        delta_t_s,
        loc.latitude_deg(),
        loc.longitude_deg(),
        loc.altitude_m(),
    )
    .map_or((0.0, 0.0), |found| (found.azimuth_deg, found.elevation_deg));
    Position {
        elevation_deg,
        apparent_elevation_deg: elevation_deg
            + refraction_deg(elevation_deg, atm.refraction_factor()),
        azimuth_deg,
    }
}

/// TT - UT1 in seconds at a moment, estimated.
///
/// Source: Espenak & Meeus' polynomials with Espenak's 2014 update and a fit to
/// IERS observations until 2026, as `solar-positioning` carries them; beyond
/// that an extrapolation, wrong by some ten seconds in 2050.
#[must_use]
pub fn delta_t_estimate(unix_ms: i64) -> f64 {
    let unix_ms = unix_ms.clamp(VALID_FROM_MS, VALID_TO_MS);
    let year = DateTime::from_timestamp_millis(unix_ms).map_or(2000.0, |t| {
        f64::from(t.year()) + (f64::from(t.ordinal()) - 0.5) / 365.25
    });
    // 1800..2201 is within the polynomials' own range.
    delta_t::estimate(year).unwrap_or(69.0)
}

/// Refraction in degrees at a true elevation in degrees, SPA eq. 42.
pub(crate) fn refraction_deg(elevation_deg: f64, factor: f64) -> f64 {
    if elevation_deg < REFRACTION_FROM_DEG {
        return 0.0;
    }
    let bent = (elevation_deg + 10.3 / (elevation_deg + 5.11)).to_radians();
    factor * 1.02 / (60.0 * tan(bent))
}

/// What the crate finds for one observer at one moment, without refraction.
pub(crate) struct Topocentric {
    pub(crate) azimuth_deg: f64,
    pub(crate) elevation_deg: f64,
    /// Distance to the sun, astronomical units.
    pub(crate) distance_au: f64,
}

/// `None` only for input that the callers have already ruled out.
pub(crate) fn topocentric(
    unix_ms: i64,
    delta_t_s: f64,
    latitude: f64,
    longitude: f64,
    altitude_m: f64,
) -> Option<Topocentric> {
    let prepared = JulianDate::new(julian_day(unix_ms), delta_t_s)
        .and_then(|time| SolarPositions::new().for_time_from_julian(time))
        .ok()?;
    let place = solar_positioning::Location {
        latitude,
        longitude,
    };
    let found = prepared.at(place, altitude_m, None).ok()?;
    Some(Topocentric {
        azimuth_deg: found.azimuth(),
        elevation_deg: found.elevation_angle(),
        distance_au: prepared.earth_radius_vector()?,
    })
}

/// Julian day of a moment; exact to 0.02 ms.
fn julian_day(unix_ms: i64) -> f64 {
    2_440_587.5 + day_number(unix_ms) + day_fraction(unix_ms)
}

/// Whole days since 1970-01-01 as a number.
#[expect(
    clippy::cast_precision_loss,
    reason = "callers keep to 1800..2200: at most 85,000 days"
)]
pub(crate) fn day_number(unix_ms: i64) -> f64 {
    unix_ms.div_euclid(DAY_MS) as f64
}

/// Part of the UTC day that has passed, 0 (included) .. 1 (excluded).
#[expect(
    clippy::cast_precision_loss,
    reason = "at most 86,400,000, exact in a double"
)]
#[inline]
pub(crate) fn day_fraction(unix_ms: i64) -> f64 {
    unix_ms.rem_euclid(DAY_MS) as f64 / DAY_MS as f64
}

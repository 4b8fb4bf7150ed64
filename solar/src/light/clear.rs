//! Clear skies.

use super::{Components, airmass};
use crate::Sun;
use crate::range::limit;
use crate::trig::exp;

/// Global irradiance under a clear sky, W/m², from the apparent sun alone; 0
/// where it is not up.
///
/// Source: Haurwitz (1945): 1098 cos(z) exp(-0.059 / cos(z)).
#[must_use]
pub fn haurwitz(apparent: &Sun) -> f64 {
    if apparent.up > 0.0 {
        1098.0 * apparent.up * exp(-0.059 / apparent.up)
    } else {
        0.0
    }
}

/// Beam and diffuse under a clear sky of a given turbidity.
///
/// `linke_turbidity` is about 2 in clean mountain air, 3 in clear rural air,
/// 5 over a hazy city (1..20; brought to that range); `pressure_hpa` the local
/// pressure; `altitude_m` above sea level; `extraterrestrial` of
/// [`super::extraterrestrial`].
///
/// Source: Ineichen & Perez (2002), as `pvlib.clearsky.ineichen` without
/// enhancement.
#[must_use]
pub fn ineichen(
    apparent: &Sun,
    linke_turbidity: f64,
    pressure_hpa: f64,
    altitude_m: f64,
    extraterrestrial: f64,
) -> Components {
    let Some(relative) = airmass(apparent) else {
        return Components::default();
    };
    let turbidity = limit(linke_turbidity, 1.0, 20.0);
    let altitude = limit(altitude_m, -500.0, 9000.0);
    let air = relative * limit(pressure_hpa, 0.0, 1200.0) / 1013.25;
    let up = apparent.up;

    let (fh1, fh2) = (exp(-altitude / 8000.0), exp(-altitude / 1250.0));
    let cg1 = 5.09e-5 * altitude + 0.868;
    let cg2 = 3.92e-5 * altitude + 0.0387;
    let ghi = cg1 * extraterrestrial * up * exp(-cg2 * air * (fh1 + fh2 * (turbidity - 1.0)));

    let b = 0.664 + 0.163 / fh1;
    let by_air = b * exp(-0.09 * air * (turbidity - 1.0)) * extraterrestrial;
    let by_global = (1.0 - (0.1 - 0.2 * exp(-turbidity)) / (0.1 + 0.882 / fh1)) / up * ghi;
    let dni = by_air.min(by_global).max(0.0);
    Components {
        ghi,
        dni,
        dhi: (ghi - dni * up).max(0.0),
    }
}

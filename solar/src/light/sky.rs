//! The sky of one moment, made ready once and carried onto every plane.

use super::{Components, airmass};
use crate::range::limit;
use crate::trig::acos;
use crate::{Plane, Sun};

/// How diffuse light from the sky is spread over it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SkyModel {
    /// Evenly.
    Isotropic,
    /// A bright ring about the sun on an even sky: Hay & Davies (1980).
    HayDavies,
    /// Ring, even sky and bright horizon: Perez et al. (1990), coefficients of
    /// all sites.
    Perez,
}

/// What the irradiance of a sky rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// A sensor.
    Measured,
    /// The assumption that there are no clouds; to be said in every reason.
    ClearSky,
}

/// Irradiance on a plane by where it comes from, W/m².
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PlaneIrradiance {
    /// The beam; 0 where the sun is behind the plane. Obstructions left aside.
    pub direct: f64,
    /// Diffuse from the sky.
    pub sky: f64,
    /// Reflected by the ground.
    pub ground: f64,
}

impl PlaneIrradiance {
    /// All three.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.direct + self.sky + self.ground
    }

    /// All three, with the beam on a share of the plane only (0..1).
    #[must_use]
    pub fn total_with_lit_share(&self, share: f64) -> f64 {
        self.direct * limit(share, 0.0, 1.0) + self.sky + self.ground
    }
}

/// The sky over a place at one moment: what is the same for all its planes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sky {
    source: Source,
    components: Components,
    /// Albedo times global irradiance.
    ground: f64,
    /// Diffuse irradiance of the even sky, of the ring about the sun (per
    /// cosine of incidence) and of the horizon.
    even: f64,
    ring: f64,
    horizon: f64,
}

impl Sky {
    /// `apparent`: the sun; `extraterrestrial` of [`super::extraterrestrial`];
    /// `albedo` of the ground before the facade, 0..1 (0.2 where nothing is
    /// known).
    ///
    /// Where the sun is not up the sky counts as even.
    #[must_use]
    pub fn new(
        source: Source,
        components: Components,
        apparent: &Sun,
        extraterrestrial: f64,
        model: SkyModel,
        albedo: f64,
    ) -> Self {
        let [ghi, dni, dhi] = [components.ghi, components.dni, components.dhi]
            .map(|part| limit(part, 0.0, super::MOST));
        let mut sky = Self {
            source,
            components: Components { ghi, dni, dhi },
            ground: ghi * limit(albedo, 0.0, 1.0),
            even: dhi,
            ring: 0.0,
            horizon: 0.0,
        };
        let above_air = extraterrestrial.max(1.0);
        // An even sky needs no air mass, and a power is dear.
        let air = match model {
            SkyModel::Isotropic => None,
            SkyModel::HayDavies | SkyModel::Perez => airmass(apparent),
        };
        match (model, air) {
            (SkyModel::Isotropic, _) | (_, None) => {}
            (SkyModel::HayDavies, Some(_)) => {
                // More beam than above the air is a broken sensor's word.
                let anisotropy = (dni / above_air).min(1.0);
                sky.even = dhi * (1.0 - anisotropy);
                // cos 89 degrees, as pvlib has it.
                sky.ring = dhi * anisotropy / apparent.up.max(0.01745);
            }
            (SkyModel::Perez, Some(air)) => {
                let (ring, horizon) = perez(dni, dhi, apparent, air / above_air);
                sky.even = dhi * (1.0 - ring);
                // cos 85 degrees.
                sky.ring = dhi * ring / apparent.up.max(0.087_155_742_747_658_14);
                sky.horizon = dhi * horizon;
            }
        }
        sky
    }

    /// Whether it was measured or assumed.
    #[must_use]
    pub const fn source(&self) -> Source {
        self.source
    }

    /// Its parts on the level ground.
    #[must_use]
    pub const fn components(&self) -> Components {
        self.components
    }

    /// What falls on a plane under the same sun.
    #[inline]
    #[must_use]
    pub fn on_plane(&self, plane: &Plane, apparent: &Sun) -> PlaneIrradiance {
        self.at_incidence(plane, plane.cos_incidence(apparent))
    }

    /// The same, for who knows the [cosine of incidence](Plane::cos_incidence) of the
    /// sky's sun on the plane already.
    #[inline]
    #[must_use]
    pub fn at_incidence(&self, plane: &Plane, cos_incidence: f64) -> PlaneIrradiance {
        let (sin_tilt, cos_tilt) = plane.sin_cos_tilt();
        let cos_incidence = cos_incidence.max(0.0);
        let seen_sky = f64::midpoint(1.0, cos_tilt);
        PlaneIrradiance {
            direct: self.components.dni * cos_incidence,
            sky: (self.even * seen_sky + self.ring * cos_incidence + self.horizon * sin_tilt)
                .max(0.0),
            ground: self.ground * (1.0 - seen_sky),
        }
    }
}

/// Upper limits of the clearness bins, and their coefficients F11 F12 F13 F21
/// F22 F23: Perez et al. (1990), table 6, all sites.
const CLEARNESS: [f64; 7] = [1.065, 1.23, 1.5, 1.95, 2.8, 4.5, 6.2];
const COEFFICIENTS: [[f64; 6]; 8] = [
    [-0.008, 0.588, -0.062, -0.060, 0.072, -0.022],
    [0.130, 0.683, -0.151, -0.019, 0.066, -0.029],
    [0.330, 0.487, -0.221, 0.055, -0.064, -0.026],
    [0.568, 0.187, -0.295, 0.109, -0.152, -0.014],
    [0.873, -0.392, -0.362, 0.226, -0.462, 0.001],
    [1.132, -1.237, -0.412, 0.288, -0.823, 0.056],
    [1.060, -1.600, -0.359, 0.264, -1.127, 0.131],
    [0.678, -0.327, -0.250, 0.156, -1.377, 0.251],
];

/// The shares of ring and horizon; `air` is air mass over extraterrestrial
/// irradiance.
fn perez(dni: f64, dhi: f64, apparent: &Sun, air: f64) -> (f64, f64) {
    if dhi <= 0.0 {
        return (0.0, 0.0);
    }
    let zenith = acos(apparent.up);
    let cubed = 1.041 * zenith * zenith * zenith;
    let clearness = ((dhi + dni) / dhi + cubed) / (1.0 + cubed);
    let bin = CLEARNESS
        .iter()
        .take_while(|top| clearness >= **top)
        .count();
    let [f11, f12, f13, f21, f22, f23] = COEFFICIENTS[bin];
    // More than 1 would be more than shines on the air above: a broken sensor.
    let brightness = (dhi * air).min(1.0);
    (
        (f11 + f12 * brightness + f13 * zenith).max(0.0),
        f21 + f22 * brightness + f23 * zenith,
    )
}

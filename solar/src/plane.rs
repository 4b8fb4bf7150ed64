//! A facade's plane and what the sun does to it.

use crate::trig::{atan2, sin_cos, wrap_180};
use crate::{RangeError, Sun};

/// A plane that faces an azimuth and is tilted from the horizontal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    azimuth_deg: f64,
    tilt_deg: f64,
    /// Outward horizontal direction (east, north).
    facing: (f64, f64),
    /// Sine and cosine of the tilt.
    tilt: (f64, f64),
}

impl Plane {
    /// `azimuth_deg` 0..360: where the outward normal points, 0 = true north,
    /// clockwise; `tilt_deg` 0..180: 0 = facing up, 90 = vertical wall.
    ///
    /// # Errors
    /// The first of the two that is out of range or not a number.
    pub fn new(azimuth_deg: f64, tilt_deg: f64) -> Result<Self, RangeError> {
        let azimuth_deg =
            RangeError::check("facade azimuth", azimuth_deg, (0.0, 360.0), "degrees")?;
        let tilt_deg = RangeError::check("facade tilt", tilt_deg, (0.0, 180.0), "degrees")?;
        Ok(Self {
            azimuth_deg,
            tilt_deg,
            facing: sin_cos(azimuth_deg.to_radians()),
            tilt: sin_cos(tilt_deg.to_radians()),
        })
    }

    /// Where the outward normal points, degrees clockwise from true north.
    #[must_use]
    pub const fn azimuth_deg(&self) -> f64 {
        self.azimuth_deg
    }

    /// Tilt from facing up, degrees; 90 = vertical.
    #[must_use]
    pub const fn tilt_deg(&self) -> f64 {
        self.tilt_deg
    }

    /// Cosine of the angle of incidence, the angle between the sun and the
    /// outward normal: 1 = head on, 0 = grazing, negative = behind the plane.
    ///
    /// sin(el) cos(tilt) + cos(el) cos(hsa) sin(tilt), as a dot product.
    #[inline]
    #[must_use]
    pub fn cos_incidence(&self, sun: &Sun) -> f64 {
        let (sin_tilt, cos_tilt) = self.tilt;
        sun.up * cos_tilt + self.toward(sun) * sin_tilt
    }

    /// Whether direct sun falls on the plane, obstructions left aside: the sun
    /// is up and in front of it.
    #[inline]
    #[must_use]
    pub fn sunlit(&self, sun: &Sun) -> bool {
        sun.is_up() && self.cos_incidence(sun) > 0.0
    }

    /// Horizontal shadow angle: the sun's azimuth less the facade's, -180
    /// (included) .. 180 (excluded) degrees; positive = the sun stands
    /// clockwise of the normal, which is to the right of one who looks out.
    #[must_use]
    pub fn horizontal_shadow_angle_deg(&self, sun: &Sun) -> f64 {
        wrap_180(atan2(self.beside(sun), self.toward(sun)).to_degrees())
    }

    /// Profile angle (vertical shadow angle): the sun's elevation projected on
    /// the vertical section through the normal, -180..180 degrees.
    ///
    /// 0 = level in front, 90 = overhead; 90..180: up, but behind the vertical
    /// through the facade; negative: below the horizon. The tilt of the plane
    /// plays no part. atan2(sin(el), cos(el) cos(hsa)).
    #[must_use]
    pub fn profile_angle_deg(&self, sun: &Sun) -> f64 {
        atan2(sun.up, self.toward(sun)).to_degrees()
    }

    /// The sun's component along the outward horizontal direction:
    /// cos(el) cos(hsa).
    #[inline]
    pub(crate) fn toward(&self, sun: &Sun) -> f64 {
        sun.east * self.facing.0 + sun.north * self.facing.1
    }

    /// The sun's component along the plane's horizontal, positive clockwise of
    /// the normal: cos(el) sin(hsa).
    #[inline]
    pub(crate) fn beside(&self, sun: &Sun) -> f64 {
        sun.east * self.facing.1 - sun.north * self.facing.0
    }

    /// The sun's component up the slope of the plane; on a vertical wall the
    /// sine of the elevation.
    #[inline]
    pub(crate) fn upslope(&self, sun: &Sun) -> f64 {
        let (sin_tilt, cos_tilt) = self.tilt;
        sun.up * sin_tilt - self.toward(sun) * cos_tilt
    }

    /// Sine and cosine of the tilt.
    #[inline]
    pub(crate) const fn sin_cos_tilt(&self) -> (f64, f64) {
        self.tilt
    }
}

#[cfg(test)]
mod tests {
    use super::Plane;
    use crate::Sun;

    #[test]
    fn signs() {
        let south = Plane::new(180.0, 90.0).expect("in range");
        let morning = Sun::from_angles(30.0, 120.0);
        assert!(south.sunlit(&morning));
        // Morning sun stands anticlockwise of a south wall's normal.
        assert!((south.horizontal_shadow_angle_deg(&morning) + 60.0).abs() < 1e-9);
        assert!(south.profile_angle_deg(&morning) > 30.0);
        assert!(!south.sunlit(&Sun::from_angles(30.0, 0.0)));
        assert!(!south.sunlit(&Sun::from_angles(-1.0, 180.0)));
        let roof = Plane::new(0.0, 0.0).expect("in range");
        assert!((roof.cos_incidence(&morning) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn refuses() {
        assert!(Plane::new(-1.0, 90.0).is_err());
        assert!(Plane::new(180.0, f64::NAN).is_err());
    }
}

//! How deep the sun reaches, and how far a curtain or an awning must come out
//! to stop it.
//!
//! All in the vertical section through the facade's normal, so the profile
//! angle is all of the sun that matters: a ray falls `tan(profile)` for each
//! metre inwards. Extension is 0 (retracted) .. 1 (fully extended).

use crate::RangeError;
use crate::trig::{sin_cos, tan};

/// Depths beyond this are given as this, m: the sun is on the horizon.
pub const DEEPEST_M: f64 = 1000.0;

/// A section through an opening and the room behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    head_m: f64,
    sill_m: f64,
    work_plane_m: f64,
    wall_m: f64,
}

impl Section {
    /// Heights above the floor (0..100 m, the head above the sill): head and
    /// sill of the glass, and the plane the sun must be kept off (a desk at
    /// 0.75, the floor at 0). `wall_m` 0..10: from the glass to the inner face
    /// of the wall, from which depths are counted.
    ///
    /// # Errors
    /// The first number that is out of range or not a number.
    pub fn new(
        head_m: f64,
        sill_m: f64,
        work_plane_m: f64,
        wall_m: f64,
    ) -> Result<Self, RangeError> {
        let sill_m = RangeError::check("sill height", sill_m, (0.0, 99.9), "m")?;
        Ok(Self {
            head_m: RangeError::check("head height", head_m, (sill_m + 0.01, 100.0), "m")?,
            sill_m,
            work_plane_m: RangeError::check("work plane height", work_plane_m, (0.0, 100.0), "m")?,
            wall_m: RangeError::check("wall depth", wall_m, (0.0, 10.0), "m")?,
        })
    }

    /// How deep direct sun reaches into the room at the height of the work
    /// plane, m from the inner face of the wall, 0..[`DEEPEST_M`].
    ///
    /// `shaded_m`: how much of the glass, from the head down, lies in shadow or
    /// behind a curtain.
    #[must_use]
    pub fn penetration_m(&self, profile_deg: f64, shaded_m: f64) -> f64 {
        let Some(fall) = fall(profile_deg) else {
            return 0.0;
        };
        let top = self.head_m - shaded_m.max(0.0);
        let above = top - self.work_plane_m;
        if top <= self.sill_m || above <= 0.0 {
            return 0.0;
        }
        (above / fall - self.wall_m).clamp(0.0, DEEPEST_M)
    }

    /// The extension of a shutter or screen that comes down from the head at
    /// which direct sun reaches no deeper than `depth_m` (less than 0 counts as
    /// 0) at the height of the work plane. 0 where the shadow on the upper
    /// `shaded_m` of the glass does that already; 1 where it must close.
    #[must_use]
    pub fn extension_for_depth(&self, profile_deg: f64, shaded_m: f64, depth_m: f64) -> f64 {
        let Some(fall) = fall(profile_deg) else {
            return 0.0;
        };
        // The ray that just reaches the depth passes the glass at this height.
        let edge = self.work_plane_m + (depth_m.max(0.0) + self.wall_m) * fall;
        if edge >= self.head_m - shaded_m.max(0.0) {
            return 0.0;
        }
        ((self.head_m - edge) / (self.head_m - self.sill_m)).clamp(0.0, 1.0)
    }
}

/// An awning that comes out from the wall and down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Awning {
    mount_m: f64,
    projection_m: f64,
    valance_m: f64,
    /// Sine and cosine of the pitch.
    pitch: (f64, f64),
}

/// How far to extend an awning, and whether that is enough.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AwningReach {
    /// 0 (retracted) .. 1 (fully extended).
    pub extension: f64,
    /// Whether the sun is kept off as asked; where not, `extension` is 1.
    pub sufficient: bool,
}

impl Awning {
    /// `mount_m` 0..100: height of the mounting above the terrace or floor;
    /// `projection_m` 0.1..20: length of the cloth at full extension;
    /// `pitch_deg` 0..90: how steeply it falls (0 = level); `valance_m` 0..5:
    /// how far a straight valance hangs down from its front edge.
    ///
    /// # Errors
    /// The first number that is out of range or not a number.
    pub fn new(
        mount_m: f64,
        projection_m: f64,
        pitch_deg: f64,
        valance_m: f64,
    ) -> Result<Self, RangeError> {
        let pitch_deg = RangeError::check("awning pitch", pitch_deg, (0.0, 90.0), "degrees")?;
        Ok(Self {
            mount_m: RangeError::check("awning mounting height", mount_m, (0.0, 100.0), "m")?,
            projection_m: RangeError::check("awning projection", projection_m, (0.1, 20.0), "m")?,
            valance_m: RangeError::check("awning valance", valance_m, (0.0, 5.0), "m")?,
            pitch: sin_cos(pitch_deg.to_radians()),
        })
    }

    /// Keeps direct sun off the terrace from the wall out to `depth_m`, at
    /// `plane_m` above it (a table, or 0).
    #[must_use]
    pub fn extension_for_terrace(
        &self,
        profile_deg: f64,
        depth_m: f64,
        plane_m: f64,
    ) -> AwningReach {
        self.extension_for(profile_deg, depth_m.max(0.0), plane_m)
    }

    /// Keeps direct sun in the room behind no deeper than `depth_m` from the
    /// inner face of a wall `wall_m` thick, at `plane_m` above the floor.
    #[must_use]
    pub fn extension_for_room(
        &self,
        profile_deg: f64,
        depth_m: f64,
        wall_m: f64,
        plane_m: f64,
    ) -> AwningReach {
        self.extension_for(profile_deg, -(depth_m.max(0.0) + wall_m.max(0.0)), plane_m)
    }

    /// The shadow of the front edge must fall at least `out_m` outwards of the
    /// glass at the height of the plane.
    fn extension_for(&self, profile_deg: f64, out_m: f64, plane_m: f64) -> AwningReach {
        let enough = AwningReach {
            extension: 0.0,
            sufficient: true,
        };
        let Some(fall) = fall(profile_deg) else {
            return enough;
        };
        let (sin_pitch, cos_pitch) = self.pitch;
        let wanted = self.mount_m - self.valance_m - plane_m.max(0.0) + out_m * fall;
        let at_full = self.projection_m * (cos_pitch * fall + sin_pitch);
        if wanted <= 0.0 {
            enough
        } else if wanted <= at_full {
            AwningReach {
                extension: wanted / at_full,
                sufficient: true,
            }
        } else {
            AwningReach {
                extension: 1.0,
                sufficient: false,
            }
        }
    }
}

/// How far a ray falls for each metre inwards; nothing where no direct sun
/// comes from in front.
fn fall(profile_deg: f64) -> Option<f64> {
    (profile_deg > 0.0 && profile_deg < 90.0).then(|| tan(profile_deg.to_radians()))
}

#[cfg(test)]
mod tests {
    use super::{Awning, Section};

    /// Source: derived from the NREL SPA example instant on a south wall,
    /// profile 40.783 degrees; head 2.5, desk 0.75 m: 2.029 m.
    #[test]
    fn depth_of_the_worked_example() {
        let room = Section::new(2.5, 0.9, 0.75, 0.0).expect("in range");
        let depth = room.penetration_m(40.783, 0.0);
        assert!((depth - 2.029).abs() < 0.001, "{depth}");
        // A curtain at the extension for half that depth leaves half.
        let extension = room.extension_for_depth(40.783, 0.0, depth / 2.0);
        let left = room.penetration_m(40.783, extension * 1.6);
        assert!((left - depth / 2.0).abs() < 1e-9, "{left}");
    }

    #[test]
    fn a_low_sun_is_deep_but_finite() {
        let room = Section::new(2.5, 0.9, 0.75, 0.3).expect("in range");
        assert!((room.penetration_m(1e-12, 0.0) - super::DEEPEST_M).abs() < 1e-9);
        assert!(room.penetration_m(-1.0, 0.0).abs() < 1e-12);
        assert!((room.extension_for_depth(1e-12, 0.0, 1.0) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn awning_by_similar_triangles() {
        // Level cloth at 3 m, profile 45 degrees: shade on the ground moves out
        // metre for metre, from 3 m behind the wall.
        let awning = Awning::new(3.0, 4.0, 0.0, 0.0).expect("in range");
        let reach = awning.extension_for_terrace(45.0, 0.5, 0.0);
        assert!(reach.sufficient && (reach.extension - 3.5 / 4.0).abs() < 1e-12);
        assert!(!awning.extension_for_terrace(45.0, 2.0, 0.0).sufficient);
        // The same sun in the room: at 3 m inside it is out of the cloth's reach.
        let room = awning.extension_for_room(45.0, 2.0, 0.0, 0.0);
        assert!((room.extension - 0.25).abs() < 1e-12);
    }
}

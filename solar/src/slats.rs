//! Slats: which tilt keeps direct sun out, and what passes where none does.
//!
//! Flat, thin, opaque slats with horizontal axes in a vertical curtain, width
//! `w`, spacing `s`, tilt `b` (0 = horizontal, positive = outer edge down), seen
//! under the profile angle `p`. A beam passes where
//! `w |sin(b + p)| < s cos p`, so with `k = s cos(p) / w`
//!
//! - `k <= 1`: blocked for `b` from `asin(k) - p` to `180 - asin(k) - p`, and,
//!   with the inner edge down, from `-(asin(k) + p)` downwards;
//! - `k > 1`: no tilt blocks; least passes at `b = 90 - p`, and it is `1 - 1/k`.
//!
//! Sources: direct-to-direct transmittance from the EnergyPlus Engineering
//! Reference (window blinds), cut-off from ZEMCH 2012 eq. 11 and Papamichael's
//! quadratic of 1993 (Radiance `blinds.cal`), which agree.
//!
//! Curved slats are met by a margin: a tilt counts as blocking only where every
//! tilt within `margin_deg` of it blocks by the flat formula. That margin is
//! common practice, no source.

use crate::trig::{asin, atan2, cos, sin, sin_cos, sqrt};
use crate::{Plane, RangeError, Sun};

/// The slats of one blind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slats {
    width_mm: f64,
    spacing_mm: f64,
    tilt_min_deg: f64,
    tilt_max_deg: f64,
    margin_deg: f64,
    /// Spacing over width.
    pitch: f64,
    /// Sine and cosine of the margin.
    margin: (f64, f64),
}

/// The tilt that keeps direct sun out, of those from 0 upwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cutoff {
    /// No direct sun comes from in front: nothing to keep out.
    NoDirectSun,
    /// Level slats already block.
    HorizontalSuffices,
    /// The smallest blocking tilt in degrees.
    Angle(f64),
    /// No tilt within reach blocks.
    NotBlockable {
        /// The tilt in degrees at which least passes.
        tilt_deg: f64,
        /// The share of the beam that passes there at worst, within the margin
        /// for curved slats and over the moments asked for, 0..1.
        leak: f64,
    },
}

/// Direct sun as slats see it, worked out once for all of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beam {
    profile_deg: f64,
    /// Cosine of the profile angle.
    cos: f64,
}

impl Beam {
    /// The beam under a profile angle in degrees ([`Plane::profile_angle_deg`]).
    #[must_use]
    pub fn under(profile_deg: f64) -> Self {
        Self {
            profile_deg,
            cos: cos(profile_deg.to_radians()),
        }
    }

    /// Its profile angle, degrees.
    #[must_use]
    pub const fn profile_deg(&self) -> f64 {
        self.profile_deg
    }
}

/// What slats can do about several beams.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Over {
    /// The tilt that blocks all of them, or the best there is.
    pub cutoff: Cutoff,
    /// From where to where a tilt blocks all of them, a thousandth of a degree and
    /// more inside its bounds: there the share that passes is less than 0 by more than
    /// the last bits could change.
    sure: Option<(f64, f64)>,
}

impl Over {
    /// Whether it is certain that nothing passes at a tilt in degrees, at any of the
    /// beams; `false` says nothing.
    #[must_use]
    pub fn surely_blocks(&self, tilt_deg: f64) -> bool {
        let within = |(from, to)| from <= tilt_deg && tilt_deg <= to;
        self.sure.is_some_and(within)
    }
}

impl Slats {
    /// `width_mm` and `spacing_mm` 1..1000; tilts -90..90 degrees, the least
    /// not above the greatest and the greatest not below 0 (outer edge down is
    /// the side that cut-off works on); `margin_deg` 0..30, 0 for flat slats.
    ///
    /// # Errors
    /// The first number that is out of range or not a number.
    pub fn new(
        width_mm: f64,
        spacing_mm: f64,
        tilt_min_deg: f64,
        tilt_max_deg: f64,
        margin_deg: f64,
    ) -> Result<Self, RangeError> {
        let width_mm = RangeError::check("slat width", width_mm, (1.0, 1000.0), "mm")?;
        let spacing_mm = RangeError::check("slat spacing", spacing_mm, (1.0, 1000.0), "mm")?;
        let tilt_max_deg =
            RangeError::check("greatest slat tilt", tilt_max_deg, (0.0, 90.0), "degrees")?;
        let tilt_min_deg = RangeError::check(
            "least slat tilt",
            tilt_min_deg,
            (-90.0, tilt_max_deg),
            "degrees",
        )?;
        let margin_deg = RangeError::check("slat tilt margin", margin_deg, (0.0, 30.0), "degrees")?;
        Ok(Self {
            width_mm,
            spacing_mm,
            tilt_min_deg,
            tilt_max_deg,
            margin_deg,
            pitch: spacing_mm / width_mm,
            margin: sin_cos(margin_deg.to_radians()),
        })
    }

    /// Width of a slat, mm.
    #[must_use]
    pub const fn width_mm(&self) -> f64 {
        self.width_mm
    }

    /// Vertical spacing from slat to slat, mm.
    #[must_use]
    pub const fn spacing_mm(&self) -> f64 {
        self.spacing_mm
    }

    /// Mechanical limits of the tilt, degrees.
    #[must_use]
    pub const fn tilt_limits_deg(&self) -> (f64, f64) {
        (self.tilt_min_deg, self.tilt_max_deg)
    }

    /// The smallest tilt from 0 upwards that blocks under a profile angle in
    /// degrees ([`Plane::profile_angle_deg`]). Outside 0..90 (both excluded),
    /// or NaN, there is no direct sun.
    #[must_use]
    pub fn cutoff(&self, profile_deg: f64) -> Cutoff {
        if !from_in_front(profile_deg) {
            return Cutoff::NoDirectSun;
        }
        let (sin_p, cos_p) = sin_cos(profile_deg.to_radians());
        self.cutoff_of(sin_p, cos_p)
    }

    /// [`Slats::cutoff`] straight from the sun's direction, without computing
    /// the profile angle where level slats suffice.
    #[must_use]
    pub fn cutoff_at(&self, plane: &Plane, sun: &Sun) -> Cutoff {
        let toward = plane.toward(sun);
        // A vertical curtain: the facade's own tilt plays no part.
        if sun.up <= 0.0 || toward <= 0.0 {
            return Cutoff::NoDirectSun;
        }
        let length = sqrt(sun.up * sun.up + toward * toward);
        self.cutoff_of(sun.up / length, toward / length)
    }

    fn cutoff_of(&self, sin_p: f64, cos_p: f64) -> Cutoff {
        let k = self.pitch * cos_p;
        let (sin_m, cos_m) = self.margin;
        let blockable = k <= cos_m;
        // asin(k) + margin <= p, in sines.
        if blockable && self.tilt_min_deg <= 0.0 && k <= sin_p * cos_m - cos_p * sin_m {
            return Cutoff::HorizontalSuffices;
        }
        let profile_deg = atan2(sin_p, cos_p).to_degrees();
        if blockable {
            let (from, to) = self.blocking(k, profile_deg);
            let tilt = from.max(self.least_tilt());
            if tilt <= to.min(self.tilt_max_deg) {
                return Cutoff::Angle(tilt);
            }
        }
        let tilt_deg = (90.0 - profile_deg)
            .max(self.least_tilt())
            .min(self.tilt_max_deg);
        Cutoff::NotBlockable {
            tilt_deg,
            leak: self.worst_leak(&Beam::under(profile_deg), tilt_deg),
        }
    }

    /// The blocking tilt with the *inner* edge down: the greatest tilt from 0
    /// downwards that blocks, where there is one within the limits.
    #[must_use]
    pub fn cutoff_inner_edge_down(&self, profile_deg: f64) -> Option<f64> {
        if !from_in_front(profile_deg) {
            return None;
        }
        let k = self.pitch * cos(profile_deg.to_radians());
        let tilt = -(asin(k).to_degrees() + profile_deg + self.margin_deg);
        (k <= self.margin.1 && tilt >= self.tilt_min_deg).then_some(tilt)
    }

    /// The smallest tilt from 0 upwards that blocks at *every* one of the given
    /// profile angles, as between two moves: the intersection of their blocking
    /// intervals. Where that is empty, the tilt whose worst leak is least.
    ///
    /// For flat slats the intersection begins at the largest single cut-off;
    /// with a margin that tilt may be too steep for another of the angles.
    /// Angles without direct sun ask for nothing.
    #[must_use]
    pub fn cutoff_over(&self, profiles_deg: impl Iterator<Item = f64>) -> Cutoff {
        let beams: Vec<Beam> = profiles_deg.map(Beam::under).collect();
        self.over(&beams).cutoff
    }

    /// As [`cutoff_over`](Self::cutoff_over), with what else that shows.
    #[must_use]
    pub fn over(&self, beams: &[Beam]) -> Over {
        let lit = beams.iter().filter(|beam| from_in_front(beam.profile_deg));
        let only = |cutoff| Over { cutoff, sure: None };
        let (least, greatest) = (self.least_tilt(), self.tilt_max_deg);
        if lit.clone().next().is_none() {
            return only(Cutoff::NoDirectSun);
        }
        if let Some((from, sure)) = self.blocked_from(lit.clone()) {
            let cutoff = if from > 0.0 {
                Cutoff::Angle(from)
            } else {
                Cutoff::HorizontalSuffices
            };
            // Of a sun from below nothing was asked.
            let below = |beam: &Beam| beam.profile_deg <= 0.0;
            let sure = sure.filter(|_| !beams.iter().any(below));
            return Over { cutoff, sure };
        }
        let worst = |tilt: f64| {
            lit.clone()
                .map(|beam| self.worst_leak(beam, tilt))
                .fold(f64::NEG_INFINITY, f64::max)
        };
        let tilt_deg = least_of(worst, least, greatest);
        only(Cutoff::NotBlockable {
            tilt_deg,
            leak: worst(tilt_deg).clamp(0.0, 1.0),
        })
    }

    /// The smallest tilt from 0 upwards, within the limits, that blocks at all of these
    /// profile angles, each between 0 and 90 degrees, and from where to where tilts are
    /// sure to block; `None` where none does.
    ///
    /// The lower the sun, the steeper the least tilt that blocks it: asin(k cos p) - p
    /// falls by at least a degree for each degree that p rises. So of the arc sines,
    /// which are dear, that of the lowest sun decides, and one more mostly shows that
    /// the tilt is not too steep for the others. What a thousandth of a degree could
    /// change is worked out in full.
    fn blocked_from<'a>(
        &self,
        lit: impl Iterator<Item = &'a Beam> + Clone,
    ) -> Option<(f64, Option<(f64, f64)>)> {
        const NEAR_DEG: f64 = 1e-3;
        let open = |beam: &Beam| self.pitch * beam.cos;
        let (mut lowest, mut highest, mut most_open) = (f64::INFINITY, 0.0_f64, 0.0_f64);
        for beam in lit.clone() {
            let k = open(beam);
            if k > self.margin.1 {
                return None;
            }
            (lowest, highest) = (lowest.min(beam.profile_deg), highest.max(beam.profile_deg));
            most_open = most_open.max(k);
        }
        let (mut from, mut blocks_from) = (self.least_tilt(), f64::NEG_INFINITY);
        for beam in lit.clone() {
            if beam.profile_deg <= lowest + NEAR_DEG {
                blocks_from = blocks_from.max(self.blocking(open(beam), beam.profile_deg).0);
            }
        }
        from = from.max(blocks_from);
        let (_, at_least) = self.blocking(most_open, highest);
        let mut lit = lit;
        let blocks = from <= self.tilt_max_deg
            && (from <= at_least - NEAR_DEG
                || lit.all(|beam| from <= self.blocking(open(beam), beam.profile_deg).1));
        let sure = (blocks_from + NEAR_DEG, at_least - NEAR_DEG);
        blocks.then_some((from, (sure.0 <= sure.1).then_some(sure)))
    }

    /// The share of the direct beam that passes unreflected, 0..1, at a profile
    /// angle and a tilt in degrees. 0 where the beam does not come from in
    /// front (|profile| >= 90). A sun from below (as reflected by water) has a
    /// negative profile angle.
    #[must_use]
    pub fn transmittance(&self, profile_deg: f64, tilt_deg: f64) -> f64 {
        self.passes(&Beam::under(profile_deg), tilt_deg)
    }

    /// [`transmittance`](Self::transmittance) of a beam.
    #[must_use]
    pub fn passes(&self, beam: &Beam, tilt_deg: f64) -> f64 {
        if beam.profile_deg.abs() < 90.0 && tilt_deg.is_finite() {
            self.passing(beam, tilt_deg).max(0.0)
        } else {
            0.0
        }
    }

    /// 1 - w |sin(b + p)| / (s cos p); negative where slats overlap.
    fn passing(&self, beam: &Beam, tilt_deg: f64) -> f64 {
        let open = self.pitch * beam.cos;
        if open <= 0.0 {
            return 0.0;
        }
        1.0 - sin((tilt_deg + beam.profile_deg).to_radians()).abs() / open
    }

    /// The most that passes within the margin around a tilt; may be negative,
    /// which keeps the search for the least of it from stalling.
    fn worst_leak(&self, beam: &Beam, tilt_deg: f64) -> f64 {
        if (tilt_deg + beam.profile_deg).abs() < self.margin_deg {
            return 1.0;
        }
        self.passing(beam, tilt_deg - self.margin_deg)
            .max(self.passing(beam, tilt_deg + self.margin_deg))
    }

    /// The tilts that block, inside the margin, degrees.
    fn blocking(&self, k: f64, profile_deg: f64) -> (f64, f64) {
        let asin_k = asin(k).to_degrees();
        (
            asin_k - profile_deg + self.margin_deg,
            180.0 - asin_k - profile_deg - self.margin_deg,
        )
    }

    /// Cut-off tilts are sought from level slats upwards.
    fn least_tilt(&self) -> f64 {
        self.tilt_min_deg.max(0.0)
    }
}

/// The beam comes from above and from in front of the curtain.
fn from_in_front(profile_deg: f64) -> bool {
    profile_deg > 0.0 && profile_deg < 90.0
}

/// Where `f`, falling then rising, is least between `low` and `high`: golden
/// section, to 1e-7 degrees; level stretches lie only at the low end.
fn least_of(f: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    const SHORTER: f64 = 0.381_966_011_250_105;
    let mut near = low + SHORTER * (high - low);
    let mut far = high - SHORTER * (high - low);
    let (mut at_near, mut at_far) = (f(near), f(far));
    for _ in 0..45 {
        if at_near < at_far {
            high = far;
            (far, at_far) = (near, at_near);
            near = low + SHORTER * (high - low);
            at_near = f(near);
        } else {
            low = near;
            (near, at_near) = (far, at_far);
            far = high - SHORTER * (high - low);
            at_far = f(far);
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::{Beam, Cutoff, Slats};

    fn slats(width: f64, spacing: f64, max: f64, margin: f64) -> Slats {
        Slats::new(width, spacing, -90.0, max, margin).expect("in range")
    }

    #[test]
    fn an_interval_is_blocked_by_its_steepest_cutoff() {
        // Spacing 90, width 80: at 27.3 degrees only 61.28..64.12 blocks.
        let s = slats(80.0, 90.0, 90.0, 0.0);
        let Cutoff::Angle(one) = s.cutoff(27.3) else {
            panic!("27.3 degrees is blockable")
        };
        assert!((one - 61.28).abs() < 0.01, "{one}");
        assert_eq!(s.cutoff_over([27.3, 35.0].into_iter()), Cutoff::Angle(one));
        // Two degrees of margin on each side are more than those 2.84.
        let curved = slats(80.0, 90.0, 90.0, 2.0);
        assert!(matches!(
            curved.cutoff_over([27.3, 35.0].into_iter()),
            Cutoff::NotBlockable { .. }
        ));
    }

    /// To the last bit what going through all angles gives.
    #[test]
    fn an_interval_is_decided_by_few_of_its_angles() {
        let mut drawn = 7_u32;
        let mut draw = |from: f64, to: f64| {
            drawn = drawn.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            from + (to - from) * f64::from(drawn >> 8) / f64::from(1_u32 << 24)
        };
        let (mut blocked, mut leaky, mut sure) = (0, 0, 0);
        for _ in 0..20_000 {
            let width = draw(50.0, 110.0);
            let margin = if draw(0.0, 1.0) < 0.5 {
                0.0
            } else {
                draw(0.0, 12.0)
            };
            let slats = slats(width, draw(40.0, 120.0), draw(20.0, 90.0), margin);
            // Many steps are tiny.
            let slow = [
                draw(0.0, 1.0),
                draw(0.0, 1.0),
                draw(0.0, 1.0),
                draw(0.0, 0.1),
            ];
            let step = slow.iter().product::<f64>() * draw(-20.0, 20.0);
            let first = draw(-2.0, 92.0);
            let profiles: Vec<f64> = (0..12_u8)
                .map(|minute| first + f64::from(minute) * step)
                .filter(|profile| super::from_in_front(*profile))
                .collect();
            let (mut from, mut to) = (slats.least_tilt(), slats.tilt_max_deg);
            let mut blockable = true;
            for profile in &profiles {
                let k = slats.pitch * super::cos(profile.to_radians());
                blockable &= k <= slats.margin.1;
                let (a, b) = slats.blocking(k, *profile);
                (from, to) = (from.max(a), to.min(b));
            }
            let want = (blockable && from <= to).then_some(from.to_bits());
            let beams: Vec<Beam> = profiles.iter().copied().map(Beam::under).collect();
            let got = slats.blocked_from(beams.iter()).map(|(from, _)| from);
            assert_eq!(got.map(f64::to_bits), want, "{slats:?} {profiles:?}");
            // Where it is sure to block, from the very bounds on, nothing passes.
            let over = slats.over(&beams);
            let tilts = over.sure.map_or([0.0; 3], |(low, high)| {
                [low, high, draw(0.0, 1.0) * (high - low) + low]
            });
            for tilt in tilts.into_iter().filter(|tilt| over.surely_blocks(*tilt)) {
                let passes = |beam: &Beam| slats.passes(beam, tilt) > 0.0;
                assert!(!beams.iter().any(passes), "{slats:?} {profiles:?} {tilt}");
                sure += 1;
            }
            blocked += u32::from(want.is_some());
            leaky += u32::from(want.is_none());
        }
        assert!(blocked > 2_000 && leaky > 2_000, "{blocked} {leaky}");
        assert!(sure > 2_000, "{sure}");
    }

    #[test]
    fn mechanical_limit() {
        let s = slats(80.0, 72.0, 45.0, 0.0);
        let Cutoff::NotBlockable { tilt_deg, leak } = s.cutoff(10.0) else {
            panic!("52.42 degrees is beyond 45")
        };
        assert!((tilt_deg - 45.0).abs() < 1e-12);
        assert!((leak - s.transmittance(10.0, 45.0)).abs() < 1e-12 && leak > 0.0);
    }

    #[test]
    fn nothing_in_front_asks_for_nothing() {
        let s = slats(80.0, 72.0, 90.0, 0.0);
        for profile in [0.0, -5.0, 90.0, 120.0, f64::NAN] {
            assert_eq!(s.cutoff(profile), Cutoff::NoDirectSun);
        }
        assert_eq!(s.cutoff_over([-3.0, 95.0].into_iter()), Cutoff::NoDirectSun);
        assert_eq!(
            s.cutoff_over([60.0, 95.0].into_iter()),
            Cutoff::HorizontalSuffices
        );
    }
}

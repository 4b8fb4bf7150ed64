//! What casts a shadow on an opening, and how much of it stays lit.
//!
//! Closed forms for long shades, in the plane of the glass (ASHRAE Fundamentals,
//! fenestration, exterior shading): an overhang of depth `P` throws a shadow
//! `P tan(profile)` downwards, a fin of depth `F` one of `F |tan(hsa)|`
//! sideways. Both are taken as reaching on beyond the opening, so what a short
//! overhang lets past its ends is left out. On a tilted plane the same holds
//! with depths along its normal. The opposite building is long and parallel.
//!
//! Left and right are those of one who stands inside and looks out.

use crate::trig::sin;
use crate::{Plane, RangeError, Sun};

/// A rectangular opening in a facade, its glass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Opening {
    width_m: f64,
    height_m: f64,
}

impl Opening {
    /// Width and height (up the slope on a tilted plane), 0.01..100 m.
    ///
    /// # Errors
    /// The first of the two that is out of range or not a number.
    pub fn new(width_m: f64, height_m: f64) -> Result<Self, RangeError> {
        Ok(Self {
            width_m: RangeError::check("opening width", width_m, (0.01, 100.0), "m")?,
            height_m: RangeError::check("opening height", height_m, (0.01, 100.0), "m")?,
        })
    }

    /// Width, m.
    #[must_use]
    pub const fn width_m(&self) -> f64 {
        self.width_m
    }

    /// Height, m.
    #[must_use]
    pub const fn height_m(&self) -> f64 {
        self.height_m
    }
}

/// A plate that stands out from the facade beside or above the opening.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Plate {
    depth_m: f64,
    gap_m: f64,
}

impl Plate {
    fn new(
        (depth, gap): (&'static str, &'static str),
        depth_m: f64,
        gap_m: f64,
    ) -> Result<Self, RangeError> {
        Ok(Self {
            depth_m: RangeError::check(depth, depth_m, (0.0, 50.0), "m")?,
            gap_m: RangeError::check(gap, gap_m, (0.0, 50.0), "m")?,
        })
    }

    /// How far its shadow reaches over the glass, `slope` m for each m of depth.
    fn shadow(self, reveal_m: f64, slope: f64) -> f64 {
        (self.depth_m + reveal_m) * slope - self.gap_m
    }
}

/// Everything that stands between the sun and an opening. The default is none.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Obstructions {
    reveal_m: f64,
    overhang: Option<Plate>,
    fin_left: Option<Plate>,
    fin_right: Option<Plate>,
    /// Height above the sill and distance from the glass.
    opposite: Option<(f64, f64)>,
    horizon: Option<Horizon>,
}

impl Obstructions {
    /// The glass lies `depth_m` (0..10) behind the face of the facade, and the
    /// jambs, the head and the sill shade it.
    ///
    /// # Errors
    /// Out of range or not a number.
    pub fn with_reveal(mut self, depth_m: f64) -> Result<Self, RangeError> {
        self.reveal_m = RangeError::check("reveal depth", depth_m, (0.0, 10.0), "m")?;
        Ok(self)
    }

    /// An overhang that stands out `depth_m` from the face of the facade,
    /// `gap_m` above the head of the opening (both 0..50).
    ///
    /// # Errors
    /// Out of range or not a number.
    pub fn with_overhang(mut self, depth_m: f64, gap_m: f64) -> Result<Self, RangeError> {
        let plate = Plate::new(("overhang depth", "overhang gap"), depth_m, gap_m)?;
        self.overhang = Some(plate);
        Ok(self)
    }

    /// A fin on the left of one who looks out, `depth_m` out from the face of
    /// the facade, `gap_m` beside the opening (both 0..50).
    ///
    /// # Errors
    /// Out of range or not a number.
    pub fn with_left_fin(mut self, depth_m: f64, gap_m: f64) -> Result<Self, RangeError> {
        self.fin_left = Some(Plate::new(("fin depth", "fin gap"), depth_m, gap_m)?);
        Ok(self)
    }

    /// A fin on the right of one who looks out; see [`Self::with_left_fin`].
    ///
    /// # Errors
    /// Out of range or not a number.
    pub fn with_right_fin(mut self, depth_m: f64, gap_m: f64) -> Result<Self, RangeError> {
        self.fin_right = Some(Plate::new(("fin depth", "fin gap"), depth_m, gap_m)?);
        Ok(self)
    }

    /// A long building parallel to the facade, its top `height_m` (-100..1000)
    /// above the sill of the opening, `distance_m` (0.1..10,000) in front of
    /// the glass.
    ///
    /// # Errors
    /// Out of range or not a number.
    pub fn with_opposite(mut self, height_m: f64, distance_m: f64) -> Result<Self, RangeError> {
        self.opposite = Some((
            RangeError::check(
                "height of the opposite building",
                height_m,
                (-100.0, 1000.0),
                "m",
            )?,
            RangeError::check(
                "distance of the opposite building",
                distance_m,
                (0.1, 10_000.0),
                "m",
            )?,
        ));
        Ok(self)
    }

    /// The skyline by azimuth.
    #[must_use]
    pub fn with_horizon(mut self, horizon: Horizon) -> Self {
        self.horizon = Some(horizon);
        self
    }

    /// The skyline, where there is one.
    #[must_use]
    pub const fn horizon(&self) -> Option<&Horizon> {
        self.horizon.as_ref()
    }

    /// Whether the skyline hides the sun.
    #[must_use]
    pub fn hidden_by_horizon(&self, sun: &Sun) -> bool {
        self.horizon.as_ref().is_some_and(|h| h.hides(sun))
    }

    /// The share of the opening that direct sun falls on, 0..1; 0 where the
    /// plane is not sunlit or the skyline hides the sun.
    #[must_use]
    pub fn lit_share(&self, plane: &Plane, sun: &Sun, opening: &Opening) -> f64 {
        if !plane.sunlit(sun) || self.hidden_by_horizon(sun) {
            return 0.0;
        }
        let aspect = Aspect::of(plane, sun);
        let (up, across) = (
            self.lit_height(&aspect, opening),
            self.lit_width(&aspect, opening),
        );
        let lit = |length: f64, of: f64| (length / of).clamp(0.0, 1.0);
        lit(up, opening.height_m) * lit(across, opening.width_m)
    }

    /// Whether direct sun falls on any of the opening, its plane being sunlit, the
    /// skyline left aside.
    #[must_use]
    pub fn lights_any_of(&self, opening: &Opening, aspect: &Aspect) -> bool {
        self.lit_height(aspect, opening) > 0.0 && self.lit_width(aspect, opening) > 0.0
    }

    /// Whether [`lights_any_of`](Self::lights_any_of), and this skyline, say the same
    /// of all suns that differ from this one by `moved` or less in any component of
    /// their direction: whether sun falls on the opening then; `None` where it is not
    /// sure. `moved` must be more than the last bits of a component.
    #[must_use]
    pub fn lights_about(&self, opening: &Opening, aspect: &Aspect, moved: f64) -> Option<bool> {
        let cos_incidence = Span::about(aspect.cos_incidence, moved);
        let clear = |skyline: &Horizon| aspect.up - moved > skyline.highest;
        if cos_incidence.low <= 0.0 || !self.horizon.as_ref().is_none_or(clear) {
            return None;
        }
        let up = Span::about(aspect.upslope, moved).over(cos_incidence);
        let side = Span::about(aspect.beside, moved).over(cos_incidence);
        let head = |slope| self.shadow(self.overhang, slope);
        // Of both fins where the sun may come from either side, none or the longer one.
        let (fin_left, fin_right) = (
            Span {
                low: self.shadow(self.fin_left, (-side.high).max(0.0)),
                high: self.shadow(self.fin_left, (-side.low).max(0.0)),
            },
            Span {
                low: self.shadow(self.fin_right, side.low.max(0.0)),
                high: self.shadow(self.fin_right, side.high.max(0.0)),
            },
        );
        let fin = if side.low > 0.0 {
            fin_right
        } else if side.high < 0.0 {
            fin_left
        } else {
            Span {
                low: 0.0,
                high: fin_left.high.max(fin_right.high),
            }
        };
        let sill = self.sill_about(aspect, moved, up, cos_incidence);
        let (height, width) = (opening.height_m, opening.width_m);
        if height - head(up.high) - sill.high > 0.0 && width - fin.high > 0.0 {
            Some(true)
        } else if height - head(up.low) - sill.low <= 0.0 || width - fin.low <= 0.0 {
            Some(false)
        } else {
            None
        }
    }

    /// The least and the most of [`shadow_from_sill`](Self::shadow_from_sill).
    fn sill_about(&self, aspect: &Aspect, moved: f64, up: Span, cos_incidence: Span) -> Span {
        let sill = (self.reveal_m * -up.high, self.reveal_m * -up.low);
        let opposite = self.opposite.map_or((0.0, 0.0), |(height, distance)| {
            let (toward, above) = (
                Span::about(aspect.toward, moved),
                Span::about(aspect.up, moved),
            );
            let (a, b) = (height * toward.low, height * toward.high);
            let reaches = Span {
                low: a.min(b) - distance * above.high,
                high: a.max(b) - distance * above.low,
            };
            let shadow = reaches.over(cos_incidence);
            // A sun from behind the vertical passes over the building.
            if toward.low > 0.0 {
                (shadow.low, shadow.high)
            } else {
                (shadow.low.min(0.0), shadow.high.max(0.0))
            }
        });
        let shadow = |of: (f64, f64)| of.0.max(of.1).clamp(0.0, 1000.0);
        Span {
            low: shadow((sill.0, opposite.0)),
            high: shadow((sill.1, opposite.1)),
        }
    }

    /// How much of the height no shadow covers, m; negative where shadows overlap.
    fn lit_height(&self, aspect: &Aspect, opening: &Opening) -> f64 {
        let top = opening.height_m - self.shadow(self.overhang, aspect.down);
        top - self.shadow_from_sill(aspect)
    }

    /// How much of the width no shadow covers, m.
    fn lit_width(&self, aspect: &Aspect, opening: &Opening) -> f64 {
        let fin = if aspect.sideways > 0.0 {
            self.fin_right
        } else {
            self.fin_left
        };
        opening.width_m - self.shadow(fin, aspect.sideways.abs())
    }

    /// How far the shadow of overhang and reveal reaches down from the head of
    /// the opening, m along the plane; 0 where there is none or no sun.
    #[must_use]
    pub fn shadow_from_head(&self, plane: &Plane, sun: &Sun) -> f64 {
        if plane.sunlit(sun) {
            let slope = plane.upslope(sun) / plane.cos_incidence(sun);
            self.shadow(self.overhang, slope)
        } else {
            0.0
        }
    }

    /// The reveal and one plate, whichever reaches further over the glass.
    fn shadow(&self, plate: Option<Plate>, slope: f64) -> f64 {
        let reveal = self.reveal_m * slope;
        let plate = plate.map_or(0.0, |p| p.shadow(self.reveal_m, slope));
        // A grazing sun has an endless shadow; a finite one is easier to print.
        reveal.max(plate).clamp(0.0, 1000.0)
    }

    /// Shadow from below: the opposite building, and on a roof window the sill.
    fn shadow_from_sill(&self, aspect: &Aspect) -> f64 {
        // What does not reach above the sill is no shadow: mostly nothing is divided.
        let reach = |over: f64| {
            if over > 0.0 {
                over / aspect.cos_incidence
            } else {
                0.0
            }
        };
        let sill = reach(self.reveal_m * -aspect.upslope);
        let opposite = self.opposite.map_or(0.0, |(height, distance)| {
            // A sun from behind the vertical passes over the building.
            if aspect.toward > 0.0 {
                reach(height * aspect.toward - distance * aspect.up)
            } else {
                0.0
            }
        });
        sill.max(opposite).min(1000.0)
    }
}

/// How the sun stands to a plane that it falls on, worked out once for all the
/// openings in it.
#[derive(Debug, Clone, Copy)]
pub struct Aspect {
    cos_incidence: f64,
    upslope: f64,
    toward: f64,
    beside: f64,
    up: f64,
    /// How far a shadow reaches down, and to the left (negative: right), m for
    /// each m of depth.
    down: f64,
    sideways: f64,
}

impl Aspect {
    /// The sun as a plane sees it that is [sunlit](Plane::sunlit).
    #[must_use]
    pub fn of(plane: &Plane, sun: &Sun) -> Self {
        let (cos_incidence, upslope) = (plane.cos_incidence(sun), plane.upslope(sun));
        let beside = plane.beside(sun);
        Self {
            beside,
            cos_incidence,
            upslope,
            toward: plane.toward(sun),
            up: sun.up,
            down: upslope / cos_incidence,
            sideways: beside / cos_incidence,
        }
    }
}

/// From the least to the most that something may be.
#[derive(Debug, Clone, Copy)]
struct Span {
    low: f64,
    high: f64,
}

impl Span {
    fn about(value: f64, by: f64) -> Self {
        Self {
            low: value - by,
            high: value + by,
        }
    }

    /// Divided by something above 0.
    fn over(self, by: Self) -> Self {
        let of = |part: f64, least: f64, most: f64| part / if part < 0.0 { least } else { most };
        Self {
            low: of(self.low, by.low, by.high),
            high: of(self.high, by.high, by.low),
        }
    }
}

/// A skyline: its elevation by azimuth, straight from point to point.
#[derive(Debug, Clone, PartialEq)]
pub struct Horizon {
    /// Azimuth and elevation, degrees, rising azimuth.
    points: Vec<(f64, f64)>,
    /// Sine of the highest point: a sun above it is seen at once.
    highest: f64,
}

impl Horizon {
    /// `points`: azimuth (0..360 degrees, each greater than the one before, so
    /// 360 only where 0 is missing) and elevation (0..90 degrees). Between two
    /// points, and from the last round to the first, the skyline is straight.
    /// No points: a level horizon.
    ///
    /// # Errors
    /// The first number that is out of range, out of order or not a number.
    pub fn new(points: &[(f64, f64)]) -> Result<Self, RangeError> {
        let mut above = 0.0;
        for (i, (azimuth, elevation)) in points.iter().enumerate() {
            RangeError::check("horizon azimuth", *azimuth, (above, 360.0), "degrees")?;
            if i > 0 && *azimuth <= points[i - 1].0 {
                return Err(RangeError {
                    what: "horizon azimuth, equal to the one before,",
                    value: *azimuth,
                    min: above,
                    max: 360.0,
                    unit: "degrees (ends excluded)",
                });
            }
            RangeError::check("horizon elevation", *elevation, (0.0, 90.0), "degrees")?;
            above = *azimuth;
        }
        let highest = points.iter().fold(0.0, |high: f64, (_, e)| high.max(*e));
        Ok(Self {
            points: points.to_vec(),
            highest: sin(highest.to_radians()),
        })
    }

    /// The points it was made from: azimuth and elevation, degrees.
    #[must_use]
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// Elevation of the skyline at an azimuth (0..360), degrees.
    #[must_use]
    pub fn elevation_deg(&self, azimuth_deg: f64) -> f64 {
        let (Some(first), Some(last)) = (self.points.first(), self.points.last()) else {
            return 0.0;
        };
        let next = self.points.partition_point(|(a, _)| *a < azimuth_deg);
        let before = match next.checked_sub(1) {
            Some(i) => self.points[i],
            None => (last.0 - 360.0, last.1),
        };
        let after = match self.points.get(next) {
            Some(point) => *point,
            None => (first.0 + 360.0, first.1),
        };
        let width = after.0 - before.0;
        if width <= 0.0 {
            return before.1;
        }
        before.1 + (after.1 - before.1) * ((azimuth_deg - before.0) / width)
    }

    /// Whether the sun's centre is below the skyline.
    #[must_use]
    pub fn hides(&self, sun: &Sun) -> bool {
        sun.up <= self.highest && sun.up < sin(self.elevation_deg(sun.azimuth_deg()).to_radians())
    }
}

#[cfg(test)]
mod tests {
    use super::{Aspect, Horizon, Obstructions, Opening};
    use crate::{Plane, Sun};

    #[test]
    fn skyline_goes_round() {
        let h = Horizon::new(&[(90.0, 10.0), (270.0, 20.0)]).expect("in range");
        for (azimuth, elevation) in [
            (90.0, 10.0),
            (180.0, 15.0),
            (0.0, 15.0),
            (350.0, 15.555_556),
        ] {
            assert!(
                (h.elevation_deg(azimuth) - elevation).abs() < 1e-5,
                "{azimuth}"
            );
        }
        assert!(h.hides(&Sun::from_angles(14.9, 180.0)));
        assert!(!h.hides(&Sun::from_angles(15.1, 180.0)));
        assert!(Horizon::new(&[(90.0, 1.0), (90.0, 2.0)]).is_err());
        assert!(Horizon::new(&[(90.0, 1.0), (80.0, 2.0)]).is_err());
        assert!(Horizon::new(&[(90.0, f64::NAN)]).is_err());
    }

    #[test]
    fn the_fin_on_the_right_shades_from_the_right() {
        let south = Plane::new(180.0, 90.0).expect("in range");
        let window = Opening::new(1.0, 1.0).expect("in range");
        let fin = Obstructions::default()
            .with_right_fin(0.5, 0.0)
            .expect("in range");
        // Looking south, the afternoon sun (southwest) stands to the right.
        let share = |azimuth| fin.lit_share(&south, &Sun::from_angles(20.0, azimuth), &window);
        assert!((share(225.0) - 0.5).abs() < 1e-9);
        assert!((share(135.0) - 1.0).abs() < 1e-9);
    }

    /// Wherever the sun goes within the bounds for which an answer is given, it stays.
    #[test]
    fn an_answer_for_suns_about_holds_for_all_of_them() {
        let mut drawn = 11_u32;
        let mut draw = |from: f64, to: f64| {
            drawn = drawn.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            from + (to - from) * f64::from(drawn >> 8) / f64::from(1_u32 << 24)
        };
        let (mut lit, mut shaded, mut unsure) = (0, 0, 0);
        for _ in 0..30_000 {
            let plane = Plane::new(draw(0.0, 360.0), draw(40.0, 120.0)).expect("in range");
            let opening = Opening::new(draw(0.2, 3.0), draw(0.2, 3.0)).expect("in range");
            let mut by = Obstructions::default();
            for plate in 0..6 {
                if draw(0.0, 1.0) < 0.6 {
                    continue;
                }
                let (depth, gap) = (draw(0.0, 2.0), draw(0.0, 0.6));
                by = match plate {
                    0 => by.with_reveal(depth / 4.0),
                    1 => by.with_overhang(depth, gap),
                    2 => by.with_left_fin(depth, gap),
                    3 => by.with_right_fin(depth, gap),
                    4 => by.with_opposite(draw(-5.0, 30.0), draw(5.0, 40.0)),
                    _ => Ok(by.with_horizon(
                        Horizon::new(&[(40.0, draw(0.0, 20.0)), (200.0, draw(0.0, 20.0))])
                            .expect("in range"),
                    )),
                }
                .expect("in range");
            }
            let (elevation, azimuth) = (draw(0.0, 80.0), draw(0.0, 360.0));
            let sun = Sun::from_angles(elevation, azimuth);
            let moved = draw(0.0, 1.0) * draw(0.0, 0.1) + 1e-9;
            if !plane.sunlit(&sun) {
                continue;
            }
            let aspect = Aspect::of(&plane, &sun);
            let Some(answer) = by.lights_about(&opening, &aspect, moved) else {
                unsure += 1;
                continue;
            };
            (lit, shaded) = (lit + u32::from(answer), shaded + u32::from(!answer));
            for _ in 0..20 {
                // An angle of so much moves no component by more.
                let way = moved.to_degrees();
                let other = Sun::from_angles(
                    elevation + draw(-0.7, 0.7) * way,
                    azimuth + draw(-0.7, 0.7) * way,
                );
                if plane.sunlit(&other) {
                    let there = !by.hidden_by_horizon(&other)
                        && by.lights_any_of(&opening, &Aspect::of(&plane, &other));
                    assert_eq!(
                        there, answer,
                        "{by:?} {opening:?} {plane:?} {sun:?} {other:?}"
                    );
                }
            }
        }
        assert!(lit > 3_000 && shaded > 1_000, "{lit} {shaded} {unsure}");
        assert!(unsure > 1_000 && unsure < 10_000, "{lit} {shaded} {unsure}");
    }
}

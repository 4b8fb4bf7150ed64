//! The sun's direction minute by minute: the full algorithm once a day, the
//! rest interpolated.
//!
//! Seen from the turning earth the sun goes round once a day, less evenly than
//! a clock by the equation of time and the change of declination. Turn its
//! direction back by the *clock's* even turn, and what remains moves by less
//! than half a degree a day and so smoothly that a cubic through four midnights
//! follows it to a few millionths of a degree. So NREL SPA is asked at 0 h UTC
//! of each day, and every moment between costs a cubic, one sine and cosine,
//! the observer's parallax (as a vector, as SPA's own formulas have it) and the
//! refraction from a table.
//!
//! The midnights are fixed, so what comes out depends on the moment alone,
//! never on what was asked before.
//!
//! Stated error against the full algorithm, 1990 to 2050: at most
//! 0.00001 degrees (`tests/fast_path.rs`).

use std::f64::consts::TAU;

use crate::spa::{self, DAY_MS, VALID_FROM_MS, VALID_TO_MS, delta_t_estimate};
use crate::trig::{asin, atan2, cos, sin, sin_cos, sin_cos_turns, sqrt, tan};
use crate::{Atmosphere, Location, Plane};

/// The direction to the sun's centre as a unit vector: what a facade needs,
/// without an arc function in sight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sun {
    /// Component towards true east.
    pub east: f64,
    /// Component towards true north.
    pub north: f64,
    /// Component towards the zenith: the sine of the elevation.
    pub up: f64,
}

impl Sun {
    /// The direction with this elevation and azimuth in degrees.
    #[must_use]
    pub fn from_angles(elevation_deg: f64, azimuth_deg: f64) -> Self {
        let (up, level) = sin_cos(elevation_deg.to_radians());
        let (east, north) = sin_cos(azimuth_deg.to_radians());
        Self {
            east: level * east,
            north: level * north,
            up,
        }
    }

    /// Elevation above the level horizon, -90..90 degrees.
    #[must_use]
    pub fn elevation_deg(&self) -> f64 {
        // The arc sine is quicker, but blurred towards the zenith.
        if self.up.abs() < 0.9 {
            asin(self.up).to_degrees()
        } else {
            atan2(self.up, self.level()).to_degrees()
        }
    }

    /// Azimuth, 0 = true north, clockwise, 0 (included) .. 360 (excluded) degrees.
    #[must_use]
    pub fn azimuth_deg(&self) -> f64 {
        let azimuth = atan2(self.east, self.north).to_degrees();
        if azimuth >= 0.0 {
            azimuth
        } else {
            let turned = azimuth + 360.0;
            // A tiny negative angle rounds up to 360 itself.
            if turned < 360.0 { turned } else { 0.0 }
        }
    }

    /// Whether the centre is above the level horizon.
    #[must_use]
    pub fn is_up(&self) -> bool {
        self.up > 0.0
    }

    /// The level component: the cosine of the elevation.
    #[inline]
    pub(crate) fn level(&self) -> f64 {
        sqrt(self.east * self.east + self.north * self.north)
    }
}

/// The sun over one place, for many moments.
///
/// Keeps the days asked for lately, so it is quickest on moments in order, but
/// the answer never depends on the order.
#[derive(Debug, Clone)]
pub struct SunPath {
    track: Track,
    refraction: Refraction,
    /// The last moment that both were asked for: many planes ask for the same.
    last: Option<(i64, Sun, Sun)>,
}

impl SunPath {
    /// A path over `location`, seen through `atmosphere`.
    #[must_use]
    pub fn new(location: Location, atmosphere: Atmosphere) -> Self {
        Self {
            track: Track::new(location),
            refraction: Refraction::new(atmosphere),
            last: None,
        }
    }

    /// The apparent (refracted) direction to the sun at a moment.
    ///
    /// The moment is brought into [`VALID_FROM_MS`]..=[`VALID_TO_MS`].
    #[inline]
    #[must_use]
    pub fn at(&mut self, unix_ms: i64) -> Sun {
        let sun = self.track.at(unix_ms);
        self.refraction.lift(sun)
    }

    /// The true direction, without refraction: what rise, set and the
    /// decomposition of irradiance are reckoned from.
    #[inline]
    #[must_use]
    pub fn without_refraction(&mut self, unix_ms: i64) -> Sun {
        self.track.at(unix_ms)
    }

    /// Both: the true and the apparent direction.
    #[inline]
    #[must_use]
    pub fn both(&mut self, unix_ms: i64) -> (Sun, Sun) {
        if let Some((_, raw, apparent)) = self.last.filter(|(at, ..)| *at == unix_ms) {
            return (raw, apparent);
        }
        let sun = self.track.at(unix_ms);
        let apparent = self.refraction.lift(sun);
        self.last = Some((unix_ms, sun, apparent));
        (sun, apparent)
    }
}

/// How quickly the sine of the sun's elevation can change, or any other component of
/// its direction, per millisecond: a turn of the sky in a sidereal day (86,164 s), and
/// a part in a hundred for the sun's own way, parallax and the unevenness of its turn.
/// Refraction slows the apparent sun down where it lifts it.
const FASTEST_RISE: f64 = 1.01 * TAU / 86_164_000.0;

/// By how much refraction changes any component of the sun's direction, at most.
const MOST_LIFTED: f64 = 0.02;

impl Sun {
    /// By how much any component of the direction to a sun that stays up can change
    /// in so many milliseconds.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "a rounded count of milliseconds is within the part in a hundred"
    )]
    pub fn moves_within(ms: i64) -> f64 {
        ms as f64 * FASTEST_RISE
    }

    /// For how many milliseconds at least a sun with this *true* direction stays above
    /// the horizon but behind a plane, refraction considered; 0 where it may not.
    #[must_use]
    pub fn stays_behind_ms(&self, plane: &Plane) -> i64 {
        let lacks = -MOST_LIFTED - plane.cos_incidence(self);
        #[expect(
            clippy::cast_possible_truncation,
            reason = "at most a few hours, and nothing where it is not a number"
        )]
        let ms = (lacks.min(self.up) / FASTEST_RISE) as i64;
        ms.max(0)
    }

    /// For how many milliseconds at least a sun with this *true* direction stays
    /// below the horizon, refraction considered; 0 where it may be up.
    #[must_use]
    pub fn stays_down_ms(&self) -> i64 {
        // Below this there is no refraction: the apparent sun is where the true is.
        let lacks = sin(spa::REFRACTION_FROM_DEG.to_radians()) - self.up;
        #[expect(
            clippy::cast_possible_truncation,
            reason = "at most a few hours, and nothing where it is not a number"
        )]
        let ms = (lacks / FASTEST_RISE) as i64;
        ms.max(0)
    }
}

/// How many days are kept; a power of two. A replay that looks a day or two
/// ahead and goes back finds its days still there.
const KEPT: usize = 16;
const KEPT_DAYS: i64 = 16;

/// The sun's geocentric direction at 0 h UTC of one day in the observer's
/// equatorial frame (to the meridian, to the east, to the pole), and the sine
/// of its horizontal parallax.
type Node = [f64; 4];

/// The cubics of one day in the day's fraction: for each power from 0 to 3 the
/// coefficients of the four parts of a node, side by side.
#[derive(Debug, Clone, Copy)]
struct Day {
    number: i64,
    cubic: [[f64; 4]; 4],
}

impl Day {
    /// No day yet: a number that no moment has.
    const NONE: Self = Self {
        number: i64::MIN,
        cubic: [[0.0; 4]; 4],
    };
}

/// The true direction of the sun over one place.
#[derive(Debug, Clone)]
pub(crate) struct Track {
    /// Sine and cosine of the latitude.
    latitude: (f64, f64),
    /// Sine and cosine of the longitude.
    longitude: (f64, f64),
    /// The observer in earth radii, from the axis and from the equator's plane.
    observer: (f64, f64),
    days: [Day; KEPT],
    nodes: [Option<(i64, Node)>; KEPT],
}

impl Track {
    pub(crate) fn new(location: Location) -> Self {
        // SPA eqs. 34 to 36: the flattened earth, the observer's height on it.
        let (sin_lat, cos_lat) = sin_cos(location.latitude_deg().to_radians());
        let reduced = atan2(0.996_647_19 * sin_lat, cos_lat);
        let height = location.altitude_m() / 6_378_140.0;
        Self {
            latitude: (sin_lat, cos_lat),
            longitude: sin_cos(location.longitude_deg().to_radians()),
            observer: (
                cos(reduced) + height * cos_lat,
                0.996_647_19 * sin(reduced) + height * sin_lat,
            ),
            days: [Day::NONE; KEPT],
            nodes: [None; KEPT],
        }
    }

    #[inline]
    pub(crate) fn at(&mut self, unix_ms: i64) -> Sun {
        let unix_ms = unix_ms.clamp(VALID_FROM_MS, VALID_TO_MS);
        let fraction = spa::day_fraction(unix_ms);
        let [x, y, pole, parallax] = self.interpolated(unix_ms.div_euclid(DAY_MS), fraction);
        // The even turn of the day carries the sun westward.
        let (s, c) = sin_cos_turns(fraction);
        let meridian = x * c + y * s - parallax * self.observer.0;
        let east = y * c - x * s;
        let pole = pole - parallax * self.observer.1;
        let (sin_lat, cos_lat) = self.latitude;
        let scale = 1.0 / sqrt(meridian * meridian + east * east + pole * pole);
        Sun {
            east: east * scale,
            north: (cos_lat * pole - sin_lat * meridian) * scale,
            up: (cos_lat * meridian + sin_lat * pole) * scale,
        }
    }

    /// Geocentric local hour angle in turns, -0.5..0.5, positive after transit.
    pub(crate) fn hour_angle_turns(&mut self, unix_ms: i64) -> f64 {
        let unix_ms = unix_ms.clamp(VALID_FROM_MS, VALID_TO_MS);
        let fraction = spa::day_fraction(unix_ms);
        let [x, y, _, _] = self.interpolated(unix_ms.div_euclid(DAY_MS), fraction);
        let (s, c) = sin_cos_turns(fraction);
        atan2(x * s - y * c, x * c + y * s) / TAU
    }

    #[inline]
    fn interpolated(&mut self, day: i64, u: f64) -> Node {
        let slot = slot(day);
        if self.days[slot].number != day {
            self.compute_day(day);
        }
        let [c0, c1, c2, c3] = &self.days[slot].cubic;
        let mut parts = [0.0; 4];
        for (i, part) in parts.iter_mut().enumerate() {
            *part = c0[i] + u * (c1[i] + u * (c2[i] + u * c3[i]));
        }
        parts
    }

    #[cold]
    fn compute_day(&mut self, day: i64) {
        let [before, start, end, after] = [day - 1, day, day + 1, day + 2].map(|d| self.node(d));
        let mut cubic = [[0.0; 4]; 4];
        for i in 0..4 {
            // Lagrange through u = -1, 0, 1, 2, sorted by powers of u.
            let (p, q, r, s) = (before[i], start[i], end[i], after[i]);
            cubic[0][i] = q;
            cubic[1][i] = r - q / 2.0 - p / 3.0 - s / 6.0;
            cubic[2][i] = f64::midpoint(p, r) - q;
            cubic[3][i] = (s - p) / 6.0 + (q - r) / 2.0;
        }
        self.days[slot(day)] = Day { number: day, cubic };
    }

    fn node(&mut self, day: i64) -> Node {
        match self.nodes[slot(day)] {
            Some((number, node)) if number == day => node,
            Some(_) | None => {
                let node = self.turned_to_meridian(greenwich(day * DAY_MS));
                self.nodes[slot(day)] = Some((day, node));
                node
            }
        }
    }

    /// From the Greenwich meridian's frame into the observer's.
    fn turned_to_meridian(&self, [x, y, pole, parallax]: Node) -> Node {
        let (s, c) = self.longitude;
        [x * c + y * s, y * c - x * s, pole, parallax]
    }
}

/// Where a day is kept.
#[expect(
    clippy::cast_possible_truncation,
    reason = "rem_euclid by a small positive number is small and not negative"
)]
fn slot(day: i64) -> usize {
    day.rem_euclid(KEPT_DAYS) as usize
}

/// The sun's geocentric direction at a moment in the earth's frame (Greenwich
/// meridian, 90 degrees east, pole) and the sine of its parallax.
///
/// The crate tells right ascension and declination but not the sidereal time
/// that would give the hour angle; so an observer on the equator at 90 degrees
/// east is asked, whose sun stands near the horizon at 0 h UTC, where azimuth
/// and elevation are well-conditioned, and the parallax is taken off again.
fn greenwich(unix_ms: i64) -> Node {
    let Some(seen) = spa::topocentric(unix_ms, delta_t_estimate(unix_ms), 0.0, 90.0, 0.0) else {
        // Ruled out by the clamp in `at`; the mean sun at midnight is the
        // nearest thing to an answer.
        return [-1.0, 0.0, 0.0, 0.0];
    };
    let Sun { east, north, up } = Sun::from_angles(seen.elevation_deg, seen.azimuth_deg);
    // SPA eq. 33.
    let parallax = sin((8.794 / (3600.0 * seen.distance_au)).to_radians());
    // geocentric = stretch * topocentric + parallax * observer, of length one.
    let across = parallax * parallax * (1.0 - up * up);
    let stretch = sqrt(1.0 - across) - parallax * up;
    [
        -east * stretch,
        up * stretch + parallax,
        north * stretch,
        parallax,
    ]
}

/// Divisions are what the hot path spends its time on.
const THIRD: f64 = 1.0 / 3.0;

/// Intervals of the refraction table.
const STEPS: usize = 1024;

/// Refraction as a table over the tangent of half the elevation, which is even
/// enough from horizon to zenith and costs one division.
#[derive(Debug, Clone)]
struct Refraction {
    /// Radians at `from + (i - 1) / per_step`, one spare at each end.
    table: Vec<f64>,
    from: f64,
    steps_per_unit: f64,
    /// Sine of the true elevation below which there is none.
    least_up: f64,
}

impl Refraction {
    fn new(atmosphere: Atmosphere) -> Self {
        let factor = atmosphere.refraction_factor();
        let lowest = spa::REFRACTION_FROM_DEG.to_radians();
        let from = tan(lowest / 2.0);
        let step = (1.0 - from) / 1024.0;
        let table = (0_u16..=1026)
            .map(|i| {
                let half = atan2(from + (f64::from(i) - 1.0) * step, 1.0);
                // The spare point below the cut-off continues the same curve.
                let elevation = (2.0 * half).to_degrees().max(-1.5);
                refraction_curve(elevation, factor)
            })
            .collect();
        Self {
            table,
            from,
            steps_per_unit: 1.0 / step,
            least_up: sin(lowest),
        }
    }

    /// The direction in which a sun at this true direction is seen.
    #[inline]
    fn lift(&self, sun: Sun) -> Sun {
        if sun.up < self.least_up {
            return sun;
        }
        let level = sun.level();
        if level < 1e-9 {
            // At the zenith there is no direction to lift it in.
            return sun;
        }
        let r = self.radians((sun.up / (1.0 + level) - self.from) * self.steps_per_unit);
        // Refraction is below 0.02: these series are good to 1e-12.
        let rr = r * r;
        let sin_r = r * (1.0 - 0.5 * THIRD * rr);
        let cos_r = 1.0 - 0.5 * rr * (1.0 - 0.25 * THIRD * rr);
        let scale = cos_r - sun.up / level * sin_r;
        Sun {
            east: sun.east * scale,
            north: sun.north * scale,
            up: sun.up * cos_r + level * sin_r,
        }
    }

    /// The table at a place between its entries, by the cubic through four.
    #[inline]
    fn radians(&self, place: f64) -> f64 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a place in the table, and saturating where it is not"
        )]
        let i = (place as usize).min(STEPS - 1);
        #[expect(clippy::cast_precision_loss, reason = "at most 1023")]
        let u = place - i as f64;
        let [p, q, r, s] = [0, 1, 2, 3].map(|k| self.table[i + k]);
        let (c1, c2, c3) = (
            r - 0.5 * q - THIRD * p - 0.5 * THIRD * s,
            0.5 * (p + r) - q,
            0.5 * THIRD * (s - p) + 0.5 * (q - r),
        );
        q + u * (c1 + u * (c2 + u * c3))
    }
}

/// SPA's refraction in radians, continued below its cut-off.
fn refraction_curve(elevation_deg: f64, factor: f64) -> f64 {
    let bent = (elevation_deg + 10.3 / (elevation_deg + 5.11)).to_radians();
    (factor * 1.02 / (60.0 * tan(bent))).to_radians()
}

//! When the sun passes an elevation or the meridian.
//!
//! The elevation's sine is sampled on a fixed grid of UTC hours. A change of
//! side within an hour is solved to the millisecond, starting from the guess of
//! the crate `sunrise` (MIT), whose error of seconds to minutes is then gone;
//! and where a sample is a local extreme near the elevation, the extreme is
//! sought first, so that a sun that dips below the horizon for a minute at the
//! edge of the polar day is not missed. No solution is an ordinary answer.
//!
//! The grid is fixed, so splitting a span into two loses and doubles nothing.

use std::collections::VecDeque;

use chrono::{DateTime, Duration, NaiveDate};
use sunrise::{Coordinates, SolarDay, SolarEvent};

use crate::Location;
use crate::path::Track;
use crate::spa::{DAY_MS, VALID_FROM_MS, VALID_TO_MS};
use crate::trig::sin;

/// True elevation of the sun's centre at sunrise and sunset, degrees: 34' of
/// refraction and 16' of semidiameter, the almanacs' convention.
pub const SUNRISE_ELEVATION_DEG: f64 = -0.8333;
/// True elevation of the sun's centre at civil dawn and dusk, degrees.
pub const CIVIL_ELEVATION_DEG: f64 = -6.0;

const HOUR_MS: i64 = 3_600_000;

/// Which way the sun passes an elevation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Crossing {
    /// Upwards: sunrise, dawn.
    Rising,
    /// Downwards: sunset, dusk.
    Falling,
}

/// Where the sun keeps itself over a span of time, seen from one elevation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Above it all the time: polar day.
    Above,
    /// Below it all the time: polar night.
    Below,
    /// It passes at least once.
    Passes,
}

/// All moments in `from_ms..to_ms` at which the true elevation of the sun's
/// centre passes `elevation_deg`, in order; none where it stays on one side.
///
/// `elevation_deg` beyond ±90 is never passed. Moments outside
/// [`VALID_FROM_MS`]..=[`VALID_TO_MS`] have no crossings.
#[must_use]
pub fn crossings(
    loc: Location,
    elevation_deg: f64,
    from_ms: i64,
    to_ms: i64,
) -> Vec<(i64, Crossing)> {
    Almanac::new(loc).crossings(elevation_deg, from_ms, to_ms)
}

/// Crossings over one place, for many spans: it keeps the days of the sun that it
/// was asked for lately, which changes no answer.
#[derive(Debug, Clone)]
pub struct Almanac {
    loc: Location,
    track: Track,
    /// The last answers, oldest first: many ask for the same day.
    told: VecDeque<Told>,
}

/// An answer, and what was asked for: elevation (its bits) and span.
type Told = ((u64, i64, i64), Vec<(i64, Crossing)>);

/// How many answers are kept.
const KEPT: usize = 8;

impl Almanac {
    /// An almanac of a place.
    #[must_use]
    pub fn new(loc: Location) -> Self {
        Self {
            loc,
            track: Track::new(loc),
            told: VecDeque::new(),
        }
    }

    /// As [`crossings`].
    #[must_use]
    pub fn crossings(
        &mut self,
        elevation_deg: f64,
        from_ms: i64,
        to_ms: i64,
    ) -> Vec<(i64, Crossing)> {
        if !(-90.0..=90.0).contains(&elevation_deg) {
            return Vec::new();
        }
        let asked = (elevation_deg.to_bits(), from_ms, to_ms);
        if let Some((_, answer)) = self.told.iter().find(|(to, _)| *to == asked) {
            return answer.clone();
        }
        let mut search = Search {
            track: &mut self.track,
            loc: self.loc,
            elevation_deg,
            level: sin(elevation_deg.to_radians()),
            found: Vec::new(),
        };
        search.run(from_ms.max(VALID_FROM_MS), to_ms.min(VALID_TO_MS));
        let mut found = search.found;
        found.retain(|(at, _)| (from_ms..to_ms).contains(at));
        if self.told.len() == KEPT {
            self.told.pop_front();
        }
        self.told.push_back((asked, found.clone()));
        found
    }
}

/// Whether the sun stays above or below `elevation_deg` all through
/// `from_ms..to_ms`: what an empty answer of [`crossings`] means.
#[must_use]
pub fn standing(loc: Location, elevation_deg: f64, from_ms: i64, to_ms: i64) -> Standing {
    if crossings(loc, elevation_deg, from_ms, to_ms).is_empty() {
        let up = Track::new(loc).at(from_ms).up;
        if up >= sin(elevation_deg.to_radians()) {
            Standing::Above
        } else {
            Standing::Below
        }
    } else {
        Standing::Passes
    }
}

/// All moments in `from_ms..to_ms` at which the sun passes the meridian at its
/// highest (geocentric local hour angle 0): solar noon, once a day everywhere.
#[must_use]
pub fn transits(loc: Location, from_ms: i64, to_ms: i64) -> Vec<i64> {
    let from = from_ms.max(VALID_FROM_MS);
    let to = to_ms.min(VALID_TO_MS);
    let mut track = Track::new(loc);
    let mut found = Vec::new();
    // Mean noon at this longitude; the true one is within 17 minutes.
    let first = from.div_euclid(DAY_MS) - 1;
    let last = to.div_euclid(DAY_MS) + 1;
    for day in first..=last {
        let mut at = day * DAY_MS + of_a_day(0.5 - loc.longitude_deg() / 360.0);
        for _ in 0..3 {
            at -= of_a_day(track.hour_angle_turns(at));
        }
        if (from..to).contains(&at) {
            found.push(at);
        }
    }
    found
}

/// A part of a day in milliseconds, rounded.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a few turns at most, and saturating"
)]
fn of_a_day(turns: f64) -> i64 {
    (turns * 86_400_000.0).round() as i64
}

struct Search<'a> {
    track: &'a mut Track,
    loc: Location,
    elevation_deg: f64,
    /// Sine of the elevation.
    level: f64,
    found: Vec<(i64, Crossing)>,
}

/// A moment and how far the sine of the elevation is above the level there.
type Sample = (i64, f64);

impl Search<'_> {
    fn run(&mut self, from: i64, to: i64) {
        if from >= to {
            return;
        }
        let mut at = from.div_euclid(HOUR_MS) * HOUR_MS;
        let mut before = self.sample(at - HOUR_MS);
        let mut here = self.sample(at);
        while at < to {
            at += HOUR_MS;
            let after = self.sample(at);
            self.dip(before, here, after);
            self.side(here, after);
            (before, here) = (here, after);
        }
        // The last hour may end on a dip that its neighbour makes an extreme.
        let after = self.sample(at + HOUR_MS);
        self.dip(before, here, after);
        self.found.sort_unstable_by_key(|(at, _)| *at);
    }

    fn sample(&mut self, at: i64) -> Sample {
        (at, self.track.at(at).up - self.level)
    }

    /// Solves the hour from `a` to `b` where its ends are on different sides.
    fn side(&mut self, a: Sample, b: Sample) {
        if above(a) != above(b) {
            let crossing = if above(b) {
                Crossing::Rising
            } else {
                Crossing::Falling
            };
            let at = self.solve(a, b, crossing);
            self.found.push((at, crossing));
        }
    }

    /// Where `b` is an extreme of three samples on one side and near enough to
    /// the level that the true extreme may lie beyond it, seeks that one.
    fn dip(&mut self, a: Sample, b: Sample, c: Sample) {
        let sign = if above(b) { -1.0 } else { 1.0 };
        let extreme = sign * (b.1 - a.1) >= 0.0 && sign * (b.1 - c.1) > 0.0;
        // In the half hour to the true extreme the sine gains at most
        // 1 - cos 7.5 degrees = 0.0086.
        if above(a) != above(b) || above(b) != above(c) || !extreme || b.1.abs() > 0.01 {
            return;
        }
        let (mut low, mut high) = (a.0, c.0);
        while high - low > 3 {
            let third = (high - low) / 3;
            let (m, n) = (self.sample(low + third), self.sample(high - third));
            if above(m) != above(b) || above(n) != above(b) {
                let peak = if above(m) == above(b) { n } else { m };
                self.side(a, peak);
                self.side(peak, c);
                return;
            }
            if sign * m.1 < sign * n.1 {
                low = m.0;
            } else {
                high = n.0;
            }
        }
    }

    /// The first millisecond on `b`'s side, `a` and `b` being on different
    /// sides: false position (Illinois) from the guess, never out of the bracket.
    fn solve(&mut self, mut a: Sample, mut b: Sample, crossing: Crossing) -> i64 {
        let far = above(b);
        let mut weight = (1.0, 1.0);
        let mut next = self.guess(a.0, crossing);
        let mut tries = 0;
        while b.0 - a.0 > 1 {
            let at = next
                .filter(|guess| (a.0 + 1..b.0).contains(guess) && tries < 40)
                .unwrap_or_else(|| i64::midpoint(a.0, b.0));
            tries += 1;
            let sample = self.sample(at);
            if above(sample) == far {
                b = sample;
                weight = (weight.0 / 2.0, 1.0);
            } else {
                a = sample;
                weight = (1.0, weight.1 / 2.0);
            }
            next = Some(between(a, b, weight));
        }
        b.0
    }

    /// The crate's idea of the crossing nearest after `at`, if it has one.
    fn guess(&self, at: i64, crossing: Crossing) -> Option<i64> {
        let place = Coordinates::new(self.loc.latitude_deg(), self.loc.longitude_deg())?;
        let event = SolarEvent::Elevation {
            // The crate counts this angle downwards.
            elevation: -self.elevation_deg.to_radians(),
            morning: crossing == Crossing::Rising,
        };
        let local = at + of_a_day(self.loc.longitude_deg() / 360.0);
        let date: NaiveDate = DateTime::from_timestamp_millis(local)?.date_naive();
        [-1, 0, 1].into_iter().find_map(|days| {
            let date = date.checked_add_signed(Duration::days(days))?;
            let guess = SolarDay::new(place, date)
                .event_time(event)?
                .timestamp_millis();
            (at..at + HOUR_MS).contains(&guess).then_some(guess)
        })
    }
}

fn above(sample: Sample) -> bool {
    sample.1 >= 0.0
}

/// Where the weighted line through two samples meets the level, rounded, and
/// kept inside the two.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    reason = "at most an hour apart"
)]
fn between(a: Sample, b: Sample, weight: (f64, f64)) -> i64 {
    let (fa, fb) = (a.1 * weight.0, b.1 * weight.1);
    let share = fa / (fa - fb);
    let step = (share * (b.0 - a.0) as f64).round() as i64;
    // Two neighbouring milliseconds have nothing between them: not clamp.
    (a.0 + step).min(b.0 - 1).max(a.0 + 1)
}

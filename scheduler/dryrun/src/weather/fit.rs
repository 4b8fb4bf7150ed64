//! Whether the light of a weather file fits the sun over a place: a wrong zone,
//! a wrong label or a wrong longitude shows as a shift.

use super::series::Series;
use leeside_core::time::MINUTE;
use leeside_solar::light::haurwitz;
use leeside_solar::{Atmosphere, Location, SunPath};

/// Rows looked at, at most.
const ROWS: usize = 9_000;

/// By how much the rows would have to be moved, in minutes (positive: later),
/// for their irradiance to follow the sun over `location` best; within half a
/// day, to ten minutes. `None` where the data have no irradiance.
///
/// The measure is the correlation of the irradiance with that of a clear sky at
/// the middle of each row.
#[must_use]
pub fn shift_to_sun_min(series: &Series, location: Location) -> Option<i64> {
    let every = series.rows.len() / ROWS + 1;
    let rows = series.rows.iter().step_by(every);
    let points: Vec<(i64, f64)> = rows
        .filter_map(|row| Some((i64::midpoint(row.start.0, row.end.0), row.values.ghi?)))
        .collect();
    if points.iter().filter(|(_, ghi)| *ghi > 20.0).count() < 24 {
        return None;
    }
    let mut clear = Clear::over(location);
    let half_hours: Vec<i64> = (-24..=24).map(|half_hours| half_hours * 30).collect();
    let coarse = best(&points, &half_hours, &mut clear);
    let tens: Vec<i64> = (-3..=3).map(|tens| coarse + tens * 10).collect();
    Some(best(&points, &tens, &mut clear))
}

/// The shift that follows the sun best; of equals the one nearest to no shift.
fn best(points: &[(i64, f64)], shifts: &[i64], clear: &mut Clear) -> i64 {
    let mut sums = vec![Sums::default(); shifts.len()];
    // All shifts of one point together: neighbours share their moments.
    for (at, ghi) in points {
        for (sums, minutes) in sums.iter_mut().zip(shifts) {
            sums.add(clear.at(at + minutes * MINUTE), *ghi);
        }
    }
    sums.iter()
        .map(Sums::correlation)
        .zip(shifts)
        .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.abs().cmp(&a.1.abs())))
        .map_or(0, |(_, minutes)| *minutes)
}

/// The global irradiance of a clear sky, with the moments asked for lately.
struct Clear {
    path: SunPath,
    /// In places that a later moment takes over, by ten minutes.
    known: Vec<(i64, f64)>,
}

/// How many moments are kept: more ten minutes than a day has.
const KEPT: i64 = 256;

impl Clear {
    fn over(location: Location) -> Self {
        Self {
            path: SunPath::new(location, Atmosphere::standard(location.altitude_m())),
            known: (0..KEPT).map(|_| (i64::MIN, 0.0)).collect(),
        }
    }

    /// W/m²: a function of the moment alone.
    fn at(&mut self, ms: i64) -> f64 {
        let place = ms.div_euclid(10 * MINUTE).rem_euclid(KEPT);
        let known = &mut self.known[usize::try_from(place).unwrap_or(0)];
        if known.0 != ms {
            *known = (ms, haurwitz(&self.path.at(ms)));
        }
        known.1
    }
}

/// What Pearson's correlation is made of.
#[derive(Clone, Default)]
struct Sums {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    yy: f64,
    xy: f64,
}

impl Sums {
    fn add(&mut self, a: f64, b: f64) {
        self.n += 1.0;
        self.x += a;
        self.y += b;
        self.xx += a * a;
        self.yy += b * b;
        self.xy += a * b;
    }

    /// The correlation; 0 where one side does not vary.
    fn correlation(&self) -> f64 {
        let Self {
            n,
            x,
            y,
            xx,
            yy,
            xy,
        } = self;
        let spread = (n * xx - x * x) * (n * yy - y * y);
        if spread > 0.0 {
            (n * xy - x * y) / leeside_solar::trig::sqrt(spread)
        } else {
            0.0
        }
    }
}

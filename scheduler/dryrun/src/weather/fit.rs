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
    let mut path = SunPath::new(location, Atmosphere::standard(location.altitude_m()));
    let mut score = |minutes: i64| {
        let clear = points
            .iter()
            .map(|(at, ghi)| (haurwitz(&path.at(at + minutes * MINUTE)), *ghi));
        correlation(clear)
    };
    let mut best = |candidates: &mut dyn Iterator<Item = i64>| {
        // Of equals the one nearest to no shift.
        candidates
            .map(|minutes| (score(minutes), minutes))
            .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.abs().cmp(&a.1.abs())))
            .map_or(0, |(_, minutes)| minutes)
    };
    let coarse = best(&mut (-24..=24).map(|half_hours| half_hours * 30));
    Some(best(&mut (-3..=3).map(|tens| coarse + tens * 10)))
}

/// Pearson's correlation; 0 where one side does not vary.
fn correlation(pairs: impl Iterator<Item = (f64, f64)>) -> f64 {
    let (mut n, mut x, mut y, mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (a, b) in pairs {
        n += 1.0;
        x += a;
        y += b;
        xx += a * a;
        yy += b * b;
        xy += a * b;
    }
    let spread = (n * xx - x * x) * (n * yy - y * y);
    if spread > 0.0 {
        (n * xy - x * y) / leeside_solar::trig::sqrt(spread)
    } else {
        0.0
    }
}

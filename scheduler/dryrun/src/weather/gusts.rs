//! Gusts made up within hourly means, the same for the same seed.
//!
//! A row with a mean wind U longer than a minute becomes minutes. Around U the
//! wind varies as a Gaussian process with standard deviation σ = I·U, where I
//! is the turbulence intensity (EN 1991-1-4 §4.4: I = 1/ln(z/z₀), 0.18 at 10 m
//! over z₀ = 0.05 m; from memory) and an exponential autocorrelation whose time
//! is T = L/U with the length scale L = 100 m (EN 1991-1-4 annex B gives
//! 300·(z/200)^(0.67+0.05·ln z₀) ≈ 65 m at 10 m; the range over open ground is
//! 50 to 150 m; from memory).
//!
//! * Means over a minute (τ = 60 s) have the variance
//!   σ²·2(T/τ)²(τ/T − 1 + e^(−τ/T)), that of an average of such a process, and
//!   follow each other as AR(1) with ρ = e^(−τ/T). Over the row they are moved
//!   so that their mean is U.
//! * What is left of the variance (above means of 3 s, the gust's duration by
//!   WMO-8) blows within the minute: the gust is the minute's mean plus the
//!   largest of twenty independent means of 3 s, a Gumbel value with mode
//!   √(2 ln 20) and scale 1/√(2 ln 20) (Davenport 1964; from memory).
//! * A gust that the data report is the highest of its row: all gusts of the row
//!   are stretched about their means until it is.
//!
//! What this cannot know: squalls, fronts, and the gusts at the building.

use super::WeatherError;
use super::series::{Row, Series};
use crate::note::{Note, Source};
use leeside_core::time::{MINUTE, Wall};
use leeside_solar::trig::{exp, ln, sqrt};

/// How gusts are made up.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Gusts {
    /// Which of the endless possible sequences.
    pub seed: u64,
    /// Standard deviation of the wind over its hourly mean.
    pub intensity: f64,
}

/// Length scale of the turbulence, m.
const SCALE_M: f64 = 100.0;

impl Gusts {
    /// Open country at 10 m.
    const INTENSITY: f64 = 0.18;

    /// Reads `seed=7,intensity=0.18`.
    ///
    /// # Errors
    /// [`WeatherError::Form`] that says what was expected.
    pub fn read(text: &str) -> Result<Self, WeatherError> {
        let wrong = |found: String| WeatherError::Form {
            file: "--gusts".to_owned(),
            found,
            hint: "seed=7,intensity=0.18 (the intensity may be left out)".to_owned(),
        };
        let (mut seed, mut intensity) = (None, Self::INTENSITY);
        for part in text.split(',').map(str::trim) {
            match part.split_once('=') {
                Some(("seed", value)) => {
                    let read = value.parse().ok();
                    seed = Some(read.ok_or_else(|| {
                        wrong(format!("seed: expected a whole number, found {value:?}"))
                    })?);
                }
                Some(("intensity", value)) => {
                    let read = value.parse().ok().filter(|i| (0.01..=0.6).contains(i));
                    intensity = read.ok_or_else(|| {
                        wrong(format!(
                            "intensity: expected a number from 0.01 to 0.6, found {value:?}"
                        ))
                    })?;
                }
                Some(_) | None => {
                    return Err(wrong(format!(
                        "found {part:?}, expected seed=N or intensity=I"
                    )));
                }
            }
        }
        let seed = seed.ok_or_else(|| {
            wrong("expected seed=N: the seed makes the run repeatable".to_owned())
        })?;
        Ok(Self { seed, intensity })
    }

    /// Whether gusts are made up in a row: it has a mean of more than a minute.
    #[must_use]
    pub const fn fit(row: &Row) -> bool {
        row.values.mean.is_some() && row.end.0 - row.start.0 > MINUTE
    }

    /// The series with gusts.
    #[must_use]
    pub fn over(self, series: &Series) -> Series {
        let mut rows = Vec::new();
        for row in &series.rows {
            match row.values.mean {
                Some(mean) if Self::fit(row) => self.row(row, mean, &mut rows),
                _ => rows.push(*row),
            }
        }
        let mut about = series.about.clone();
        about.gusts = Some(Box::new(self));
        about.source = Box::new(Source::WithGusts(about.source, self.seed));
        let note = Note::SyntheticGusts {
            seed: self.seed,
            intensity: self.intensity,
        };
        about.notes.insert(0, note);
        Series {
            about,
            rows,
            failing: series.failing.clone(),
        }
    }

    fn row(self, row: &Row, mean: f64, into: &mut Vec<Row>) {
        let spread = Spread::of(mean, self.intensity);
        let (first, mut minutes) = (into.len(), 0_u32);
        // Each row has its own stream, so that a minute does not depend on the span.
        let mut random = Random(
            self.seed
                ^ row
                    .start
                    .0
                    .unsigned_abs()
                    .wrapping_mul(0x9E37_79B9_7F4A_7C15),
        );
        let mut deviation = random.normal();
        let (mut sum, mut at) = (0.0, row.start);
        while at < row.end {
            let end = at.plus(MINUTE).min(row.end);
            let own = spread.minutes * deviation;
            let peak = spread.within * random.gumbel(20.0);
            sum += own;
            let mut values = row.values;
            values.mean = Some(own);
            values.gust = Some(peak);
            into.push(Row {
                start: at,
                end,
                values,
            });
            deviation = spread.memory * deviation
                + sqrt(1.0 - spread.memory * spread.memory) * random.normal();
            minutes += 1;
            at = Wall(end.0);
        }
        let shift = mean - sum / f64::from(minutes.max(1));
        let made = &mut into[first..];
        for row in &mut *made {
            let own = (row.values.mean.unwrap_or(0.0) + shift).max(0.0);
            row.values.mean = Some(own);
            row.values.gust = row.values.gust.map(|peak| own + peak.max(0.0));
        }
        if let Some(reported) = row.values.gust {
            stretch(made, mean, reported);
        }
    }
}

/// Moves the gusts of a row so that the highest is the reported one.
fn stretch(rows: &mut [Row], mean: f64, reported: f64) {
    let highest = rows
        .iter()
        .filter_map(|row| row.values.gust)
        .fold(mean, f64::max);
    if highest <= mean {
        return;
    }
    let by = ((reported - mean) / (highest - mean)).max(0.0);
    for row in rows {
        let (Some(own), Some(gust)) = (row.values.mean, row.values.gust) else {
            continue;
        };
        let stretched = mean + (gust - mean) * by;
        row.values.gust = Some(stretched.max(own.min(reported)));
        row.values.mean = Some(own.min(reported));
    }
}

/// How a mean wind varies.
struct Spread {
    /// Standard deviation of minutes' means, m/s.
    minutes: f64,
    /// Standard deviation of 3 s means about their minute's, m/s.
    within: f64,
    /// Correlation of neighbouring minutes.
    memory: f64,
}

impl Spread {
    fn of(mean: f64, intensity: f64) -> Self {
        let (sigma, time) = (intensity * mean, SCALE_M / mean.max(0.1));
        // Share of the variance that averages over `tau` seconds keep.
        let kept = |tau: f64| {
            let r = tau / time;
            2.0 / (r * r) * (r - 1.0 + exp(-r))
        };
        Self {
            minutes: sigma * sqrt(kept(60.0).clamp(0.0, 1.0)),
            within: sigma * sqrt((kept(3.0) - kept(60.0)).clamp(0.0, 1.0)),
            memory: exp(-60.0 / time),
        }
    }
}

/// SplitMix64 (Steele, Lea and Flood 2014), the same on every machine.
struct Random(u64);

impl Random {
    /// Evenly in 0..1, never 0 nor 1.
    #[expect(clippy::cast_precision_loss, reason = "52 bits fit")]
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        ((z >> 12) as f64 + 0.5) / 4_503_599_627_370_496.0
    }

    /// Normal: Box and Muller (1958).
    fn normal(&mut self) -> f64 {
        let radius = sqrt(-2.0 * ln(self.even()));
        radius * leeside_solar::trig::cos(core::f64::consts::TAU * self.even())
    }

    /// The largest of so many independent normal values (Gumbel's limit).
    fn gumbel(&mut self, of: f64) -> f64 {
        let mode = sqrt(2.0 * ln(of));
        mode - ln(-ln(self.even())) / mode
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::super::{About, Values};
    use super::*;
    use leeside_core::time::HOUR;

    fn hours(mean: f64, gust: Option<f64>, count: i64) -> Series {
        let about = About {
            file: String::new(),
            sha256: String::new(),
            source: Box::new(Source::Named(String::new())),
            place: None,
            gusts: None,
            resolution_ms: HOUR,
            notes: vec![],
        };
        let values = Values {
            mean: Some(mean),
            gust,
            ..Values::default()
        };
        Series::of(
            about,
            (0..count).map(|hour| (Wall(hour * HOUR), values)).collect(),
        )
    }

    /// The mean of each hour stays, and the gust factor of an hour at 10 m over
    /// open ground lies where it should: the 3 s gust of an hour is 1.4 to 1.7
    /// times its mean (Durst 1960 has 1.52 to 1.53; from memory).
    #[test]
    fn means_stay_and_gusts_are_as_strong_as_over_open_ground() {
        let series = Gusts::read("seed=1").unwrap().over(&hours(12.0, None, 500));
        assert_eq!(series.rows.len(), 500 * 60);
        let mut factors = 0.0;
        for hour in series.rows.chunks(60) {
            let mean = hour.iter().map(|row| row.values.mean.unwrap()).sum::<f64>() / 60.0;
            assert!((mean - 12.0).abs() < 0.05, "{mean}");
            factors += hour
                .iter()
                .map(|row| row.values.gust.unwrap())
                .fold(0.0, f64::max)
                / 12.0;
        }
        let factor = factors / 500.0;
        assert!((1.4..1.7).contains(&factor), "{factor}");
        let of_seed = |text: &str| Gusts::read(text).unwrap().over(&hours(12.0, None, 3)).rows;
        assert_eq!(of_seed("seed=1"), series.rows[..180]);
        assert_ne!(of_seed("seed=2"), series.rows[..180]);
    }

    #[test]
    fn a_reported_gust_is_the_highest_of_its_hour() {
        let series =
            Gusts::read("seed=5,intensity=0.25")
                .unwrap()
                .over(&hours(8.0, Some(17.0), 50));
        for hour in series.rows.chunks(60) {
            let highest = hour
                .iter()
                .map(|row| row.values.gust.unwrap())
                .fold(0.0, f64::max);
            assert!((highest - 17.0).abs() < 1e-9, "{highest}");
        }
    }

    #[test]
    fn what_is_wrong_is_said() {
        for (text, want) in [
            ("intensity=0.2", "expected seed=N"),
            ("seed=x", "seed: expected a whole number"),
            ("seed=1,intensity=2", "from 0.01 to 0.6"),
            ("seed=1,length=5", "found \"length=5\""),
        ] {
            let error = Gusts::read(text).unwrap_err().to_string();
            assert!(error.contains(want), "{text}: {error}");
        }
    }
}

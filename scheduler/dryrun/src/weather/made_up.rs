//! A made-up storm, described in a line.
//!
//! ```text
//! storm:at=2027-03-14T10:00-04:00,peak=24,rise=2h,fall=3h,from=200,shift=40,rain=8,fail=mast slip@10:14
//! ```
//!
//! | key | means | without it |
//! |---|---|---|
//! | `at` | when it is worst: a time with its offset from UTC | must be given |
//! | `peak` | gust at its worst, m/s | must be given |
//! | `rise`, `fall` | how long the wind grows and drops, evenly: `30s`, `90m`, `2h` | 1 h, 2 h |
//! | `base` | mean wind before and after, m/s | 2 |
//! | `gustiness` | gust over mean | 1.5 (common practice for open ground, no source) |
//! | `from` | where the wind comes from before, degrees, N = 0, clockwise | 240 |
//! | `shift` | by how much it veers (or, negative, backs) from beginning to end, degrees | 0 |
//! | `rain` | mm/h while it lasts | 0 |
//! | `hail` | how long it hails, from the worst on | none |
//! | `air` | air temperature, °C | 12 |
//! | `step` | from value to value: `1s` to `1h` | 1m |
//! | `fail` | sensor@when, silent from then on; `fail=mast slip@10:14 stuck` or `zero` for others; may be repeated | none fails |
//!
//! The wind before and after breathes by a twentieth, so that no sensor seems stuck.

use super::series::{About, Row, Series, Values, moment};
use super::{WeatherError, sha256_hex};
use crate::note::{Note, Source};
use crate::replay::Failing;
use chrono::{DateTime, NaiveTime};
use leeside_core::time::{HOUR, MINUTE, SECOND, Wall};

/// What such a description begins with.
pub const STORM: &str = "storm:";

/// More rows than this are refused: a year of minutes ten times over.
const MOST_ROWS: i64 = 5_256_000;

/// A sensor that fails.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fails {
    /// Its name in the site file.
    pub sensor: String,
    /// From this moment on.
    pub from: Wall,
    /// How.
    pub how: Failing,
}

/// A made-up storm.
#[derive(Clone, PartialEq, Debug)]
pub struct Storm {
    /// What is to be said about it.
    pub about: About,
    at: Wall,
    peak: f64,
    rise_ms: i64,
    fall_ms: i64,
    base: f64,
    gustiness: f64,
    from_deg: f64,
    shift_deg: f64,
    rain: f64,
    hail_ms: i64,
    air: f64,
    fails: Vec<Fails>,
}

/// Reads a description.
///
/// # Errors
/// [`WeatherError::Form`] that says which key is wrong and what was expected.
pub(super) fn storm(text: &str) -> Result<Storm, WeatherError> {
    let body = text.strip_prefix(STORM).unwrap_or(text);
    let mut given: Vec<(&str, &str)> = Vec::new();
    for part in body
        .split(',')
        .map(str::trim)
        .filter(|part| !part.is_empty())
    {
        let (key, value) = part
            .split_once('=')
            .ok_or_else(|| wrong(format!("{part:?} has no =; expected key=value")))?;
        let (key, value) = (key.trim(), value.trim());
        if !KEYS.contains(&key) {
            return Err(wrong(format!(
                "there is no key {key:?}; expected one of {}",
                KEYS.join(", ")
            )));
        }
        if key != "fail" && given.iter().any(|(other, _)| *other == key) {
            return Err(wrong(format!("{key} is given twice")));
        }
        given.push((key, value));
    }
    let find = |key: &str| {
        given
            .iter()
            .find(|(k, _)| *k == key)
            .map(|(_, value)| *value)
    };
    let number =
        |key: &str, without: Option<f64>, range: (f64, f64)| -> Result<f64, WeatherError> {
            let expected = format!("{key}: expected a number from {} to {}", range.0, range.1);
            let Some(text) = find(key) else {
                return without.ok_or_else(|| wrong(format!("{expected}, found none")));
            };
            text.parse()
                .ok()
                .filter(|value| (range.0..=range.1).contains(value))
                .ok_or_else(|| wrong(format!("{expected}, found {text:?}")))
        };
    let length = |key: &str, without: i64| find(key).map_or(Ok(without), |text| span(key, text));
    let at = find("at").unwrap_or_default();
    let at = time(at).ok_or_else(|| {
        wrong(format!("at: expected a time with its offset like 2027-03-14T10:00-04:00 or 2027-03-14T14:00Z, found {at:?}"))
    })?;
    let step_ms = length("step", MINUTE)?;
    if !(SECOND..=HOUR).contains(&step_ms) {
        return Err(wrong("step: expected 1s to 1h".to_owned()));
    }
    let fails = given
        .iter()
        .filter(|(key, _)| *key == "fail")
        .map(|(_, value)| fails(value, at))
        .collect::<Result<_, _>>()?;
    let at_wall = Wall::from_utc(at.to_utc());
    Ok(Storm {
        about: About {
            file: "made-up storm".to_owned(),
            sha256: sha256_hex(text.as_bytes()),
            source: Box::new(Source::Storm(text.to_owned())),
            place: None,
            gusts: None,
            resolution_ms: step_ms,
            notes: vec![Note::MadeUpStorm],
        },
        at: at_wall,
        peak: number("peak", None, (0.0, 100.0))?,
        rise_ms: length("rise", HOUR)?,
        fall_ms: length("fall", 2 * HOUR)?,
        base: number("base", Some(2.0), (0.0, 100.0))?,
        gustiness: number("gustiness", Some(1.5), (1.0, 5.0))?,
        from_deg: number("from", Some(240.0), (0.0, 360.0))?,
        shift_deg: number("shift", Some(0.0), (-180.0, 180.0))?,
        rain: number("rain", Some(0.0), (0.0, 500.0))?,
        hail_ms: length("hail", 0)?,
        air: number("air", Some(12.0), (-60.0, 60.0))?,
        fails,
    })
}

const KEYS: [&str; 13] = [
    "at",
    "peak",
    "rise",
    "fall",
    "base",
    "gustiness",
    "from",
    "shift",
    "rain",
    "hail",
    "air",
    "step",
    "fail",
];

impl Storm {
    /// The rows of a span.
    ///
    /// # Errors
    /// Where the storm lies outside the span, or the step is too fine for it.
    pub fn over(&self, from: Wall, to: Wall) -> Result<Series, WeatherError> {
        let (begins, ends) = (self.at.plus(-self.rise_ms), self.at.plus(self.fall_ms));
        if ends <= from || begins >= to {
            return Err(WeatherError::Span {
                file: self.about.file.clone(),
                asked: format!("{} to {}", moment(from), moment(to)),
                first: moment(begins),
                last: moment(ends),
                hint: "ask for a span in which the storm blows, or move it with at=".to_owned(),
            });
        }
        let step = self.about.resolution_ms;
        if (to.0 - from.0) / step > MOST_ROWS {
            return Err(wrong(format!(
                "step: so fine a step over {} to {} gives more than {MOST_ROWS} values; ask for a shorter span or a longer step",
                moment(from),
                moment(to)
            )));
        }
        let first = from.0.div_euclid(step);
        let rows = (first..)
            .map(|index| index * step)
            .take_while(|at| *at < to.0)
            .map(|at| Row {
                start: Wall(at),
                end: Wall(at + step),
                values: self.values(Wall(at)),
            });
        Ok(Series {
            about: self.about.clone(),
            rows: rows.collect(),
            failing: self.fails.clone(),
        })
    }

    fn values(&self, at: Wall) -> Values {
        let before = self.at.0 - at.0;
        // From 0 (calm) to 1 (worst) and back, and how much of the storm has passed.
        let strength = if before >= 0 {
            1.0 - ratio(before, self.rise_ms)
        } else {
            1.0 - ratio(-before, self.fall_ms)
        };
        let strength = strength.max(0.0);
        let passed = ratio(self.rise_ms - before, self.rise_ms + self.fall_ms).clamp(0.0, 1.0);
        let breath = if at.0.div_euclid(self.about.resolution_ms) % 2 == 0 {
            1.0
        } else {
            1.05
        };
        let base = self.base * breath;
        let mean = (base + (self.peak / self.gustiness - self.base).max(0.0) * strength).max(0.0);
        let direction = leeside_solar::trig::wrap_360(self.from_deg + self.shift_deg * passed);
        Values {
            temperature: Some(self.air),
            humidity: Some(if strength > 0.0 && self.rain > 0.0 {
                95.0
            } else {
                70.0
            }),
            mean: Some(mean),
            gust: Some((mean * self.gustiness).min(self.peak.max(base * self.gustiness))),
            direction: Some(direction),
            rain: Some(if strength > 0.0 { self.rain } else { 0.0 }),
            hail: Some(f64::from(u8::from(before <= 0 && -before < self.hail_ms))),
            ..Values::default()
        }
    }
}

/// One of two lengths over the other; a storm without a rise is at once at its worst.
#[expect(
    clippy::cast_precision_loss,
    reason = "spans of a storm are far below 2^53 ms"
)]
fn ratio(part: i64, of: i64) -> f64 {
    if part == 0 {
        0.0
    } else if of <= 0 {
        1.0
    } else {
        part as f64 / of as f64
    }
}

fn time(text: &str) -> Option<DateTime<chrono::FixedOffset>> {
    let text = text
        .strip_suffix('Z')
        .map_or_else(|| text.to_owned(), |text| format!("{text}+00:00"));
    ["%Y-%m-%dT%H:%M%:z", "%Y-%m-%dT%H:%M:%S%:z"]
        .iter()
        .find_map(|form| DateTime::parse_from_str(&text, form).ok())
}

/// `30s`, `90m`, `2h`, `1.5h`.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a few days at most, checked"
)]
fn span(key: &str, text: &str) -> Result<i64, WeatherError> {
    let units = [('s', 1_000.0), ('m', 60_000.0), ('h', 3_600_000.0)];
    let ms = units
        .iter()
        .find_map(|(unit, ms)| Some(text.strip_suffix(*unit)?.parse::<f64>().ok()? * ms));
    ms.filter(|ms| (0.0..=7.0 * 86_400_000.0).contains(ms))
        .map(|ms| ms.round() as i64)
        .ok_or_else(|| {
            wrong(format!(
                "{key}: expected a length like 30s, 90m or 2h up to a week, found {text:?}"
            ))
        })
}

/// `sensor@10:14`, on the day and with the offset of the storm, or with a whole time.
fn fails(text: &str, storm: DateTime<chrono::FixedOffset>) -> Result<Fails, WeatherError> {
    let expected = || {
        wrong(format!(
            "fail: expected sensor@10:14 (or a whole time with offset), then silent, stuck or zero; found {text:?}"
        ))
    };
    let (sensor, when) = text.rsplit_once('@').ok_or_else(expected)?;
    let (when, how) = match when.trim().split_once(' ') {
        None => (when.trim(), Failing::Silent),
        Some((when, "silent")) => (when, Failing::Silent),
        Some((when, "stuck")) => (when, Failing::Stuck),
        Some((when, "zero")) => (when, Failing::Zero),
        Some(_) => return Err(expected()),
    };
    let local = NaiveTime::parse_from_str(when, "%H:%M")
        .ok()
        .and_then(|time| {
            storm
                .date_naive()
                .and_time(time)
                .and_local_timezone(*storm.offset())
                .single()
        });
    let at = local.or_else(|| self::time(when)).ok_or_else(expected)?;
    let sensor = sensor.trim().trim_matches('"').to_owned();
    Ok(Fails {
        sensor,
        from: Wall::from_utc(at.to_utc()),
        how,
    })
}

fn wrong(found: String) -> WeatherError {
    WeatherError::Form {
        file: "--weather storm:".to_owned(),
        found,
        hint: "storm:at=2027-03-14T10:00-04:00,peak=24,rise=2h,fall=3h,from=200,shift=40,rain=8 is a whole one".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;

    #[test]
    fn it_rises_peaks_veers_and_falls() {
        let storm = storm(
            "storm:at=2027-03-14T14:00Z,peak=24,rise=2h,fall=3h,base=3,from=350,shift=40,rain=8",
        )
        .unwrap();
        let at = |h: i64, m: i64| storm.values(storm.at.plus(h * HOUR + m * MINUTE));
        let close =
            |a: Option<f64>, b: f64| assert!((a.unwrap() - b).abs() < 0.2, "{a:?} is not {b}");
        close(at(0, 0).gust, 24.0);
        close(at(0, 0).mean, 16.0);
        close(at(-1, 0).mean, 9.5);
        close(at(-5, 0).mean, 3.0);
        close(at(4, 0).mean, 3.0);
        close(at(-3, 0).direction, 350.0);
        close(at(0, 0).direction, 6.0);
        close(at(3, 0).direction, 30.0);
        close(at(-1, 0).rain, 8.0);
        close(at(-3, 0).rain, 0.0);
        let storm = self::storm("storm:at=2027-03-14T14:00Z,peak=24,hail=10m").unwrap();
        let hail = |m: i64| storm.values(storm.at.plus(m * MINUTE)).hail;
        assert_eq!(
            [-1, 0, 9, 10].map(hail),
            [Some(0.0), Some(1.0), Some(1.0), Some(0.0)]
        );
    }

    #[test]
    fn what_is_wrong_is_said_with_what_was_expected() {
        let table = [
            ("storm:peak=24", "at: expected a time with its offset"),
            (
                "storm:at=2027-03-14T10:00,peak=24",
                "at: expected a time with its offset",
            ),
            (
                "storm:at=2027-03-14T10:00Z",
                "peak: expected a number from 0 to 100, found none",
            ),
            ("storm:at=2027-03-14T10:00Z,peak=fast", "found \"fast\""),
            (
                "storm:at=2027-03-14T10:00Z,peak=24,rise=2",
                "rise: expected a length like 30s",
            ),
            (
                "storm:at=2027-03-14T10:00Z,peak=24,snow=2",
                "there is no key \"snow\"",
            ),
            (
                "storm:at=2027-03-14T10:00Z,peak=24,peak=25",
                "peak is given twice",
            ),
            (
                "storm:at=2027-03-14T10:00Z,peak=24,fail=mast",
                "fail: expected sensor@10:14",
            ),
            (
                "storm:at=2027-03-14T10:00Z,peak=24,step=2h",
                "step: expected 1s to 1h",
            ),
        ];
        for (text, want) in table {
            let error = storm(text).unwrap_err().to_string();
            assert!(error.contains(want), "{text}: {error}");
        }
    }

    #[test]
    fn a_failing_sensor_is_read_on_the_day_of_the_storm() {
        let storm = storm("storm:at=2027-03-14T10:00-04:00,peak=24,fail=mast slip@10:14,fail=roof@2027-03-14T15:00Z stuck").unwrap();
        let told: Vec<_> = storm
            .fails
            .iter()
            .map(|f| (f.sensor.as_str(), moment(f.from), f.how))
            .collect();
        assert_eq!(
            told,
            [
                (
                    "mast slip",
                    "2027-03-14T14:14:00Z".to_owned(),
                    Failing::Silent
                ),
                ("roof", "2027-03-14T15:00:00Z".to_owned(), Failing::Stuck)
            ]
        );
    }
}

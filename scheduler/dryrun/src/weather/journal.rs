//! The weather that a building's own sensors recorded, out of the service's
//! journal.
//!
//! A row speaks of a minute. In it stand the strongest gust and mean of all wind
//! sensors with the direction of the strongest, the heaviest rain and hail, the
//! lowest air temperature, the highest humidity, and the global irradiance of a
//! sensor that looks at the whole sky. A sensor speaks until it speaks again or
//! has been silent for longer than its site file allows; a minute of which no
//! wind sensor speaks, where the site has one, is a gap. What a sensor says that
//! is not to be believed (beyond its range) does not count.

use super::WeatherError;
use super::series::{About, Row, Series, Values};
use super::sha256_hex;
use crate::note::{Note, Source};
use leeside_core::input::{Input, Part, Sample};
use leeside_core::model::{Model, SensorKind};
use leeside_core::time::{MINUTE, Wall};
use leeside_journal::{Entry, Journal, Kind, Span};
use leeside_solar::light::illuminance_lx;
use std::ops::ControlFlow;
use std::path::Path;

/// What an SQLite file begins with (SQLite file format, §1.3).
const MAGIC: &[u8] = b"SQLite format 3\0";
/// A sensor whose silence the site file does not bound speaks for so long, ms.
const SPEAKS_FOR_MS: i64 = 15 * MINUTE;

/// Whether a file is a journal by its first bytes.
#[must_use]
pub fn is_journal(path: &Path) -> bool {
    use std::io::Read as _;
    let mut begins = [0; MAGIC.len()];
    std::fs::File::open(path)
        .and_then(|mut file| file.read_exact(&mut begins))
        .is_ok_and(|()| begins == MAGIC)
}

/// The weather of a journal, read with the site that it was written at.
///
/// # Errors
/// [`WeatherError::Form`] where it cannot be read or holds no readings.
pub fn from_journal(path: &Path, model: &Model) -> Result<Series, WeatherError> {
    let file = path
        .file_name()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let wrong = |found: String| WeatherError::Form {
        file: path.display().to_string(),
        found,
        hint: "the journal of a service that ran with this site file".to_owned(),
    };
    let journal = Journal::open_read_only(path).map_err(|error| wrong(error.to_string()))?;
    let mut minutes = Minutes::new(model);
    for entry in journal.entries(Span::ALL) {
        let entry = entry.map_err(|error| wrong(error.to_string()))?;
        minutes.entry(&entry).map_err(&wrong)?;
    }
    let head = journal.verify().map_err(|error| wrong(error.to_string()))?;
    let rows = minutes.finish();
    if rows.is_empty() {
        return Err(wrong("it holds no readings of weather".to_owned()));
    }
    let about = About {
        file,
        sha256: head.head.hex(),
        source: Box::new(Source::Sensors),
        place: None,
        resolution_ms: MINUTE,
        gusts: None,
        notes: vec![Note::Recorded { whole: true }],
    };
    Ok(Series {
        about,
        rows,
        failing: vec![],
    })
}

/// The weather of a span of a journal that may still be written, without a look at
/// the rest of it. `progress` is told the moment reached about once an hour of it,
/// and may stop the reading.
///
/// # Errors
/// [`WeatherError::Form`] where it cannot be read or holds no weather of that span.
pub fn recorded(
    path: &Path,
    model: &Model,
    (from, to): (Wall, Wall),
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Series, WeatherError> {
    let wrong = |found: String| WeatherError::Form {
        file: path
            .file_name()
            .map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
        found,
        hint: "ask for days on which the service ran".to_owned(),
    };
    let nothing = || {
        let (from, to) = (super::moment(from), super::moment(to));
        wrong(format!(
            "it holds no readings of weather from {from} to {to}"
        ))
    };
    let journal = Journal::open_read_only(path).map_err(|error| wrong(error.to_string()))?;
    let span = journal
        .span_of(from, to)
        .map_err(|error| wrong(error.to_string()))?;
    let span = span.ok_or_else(nothing)?;
    let mut minutes = Minutes::new(model);
    let mut told = from;
    for entry in journal.entries(span) {
        let entry = entry.map_err(|error| wrong(error.to_string()))?;
        if entry.now.wall.0 - told.0 > 60 * MINUTE {
            told = entry.now.wall;
            if progress(told).is_break() {
                return Err(wrong("the reading was stopped".to_owned()));
            }
        }
        minutes.entry(&entry).map_err(&wrong)?;
    }
    let rows = minutes.finish();
    if rows.is_empty() {
        return Err(nothing());
    }
    let about = About {
        file: "journal".to_owned(),
        sha256: sha256_hex(format!("{from:?} {to:?} {span:?}").as_bytes()),
        source: Box::new(Source::Sensors),
        place: None,
        resolution_ms: MINUTE,
        gusts: None,
        notes: vec![Note::Recorded { whole: false }],
    };
    Ok(Series {
        about,
        rows,
        failing: vec![],
    })
}

/// What a sensor said last.
#[derive(Clone, Copy)]
struct Said {
    at: Wall,
    sample: Sample,
}

/// Readings on their way into minutes.
struct Minutes<'m> {
    model: &'m Model,
    said: Vec<Option<Said>>,
    has_wind: bool,
    /// The minute that is being filled.
    minute: Option<Wall>,
    rows: Vec<Row>,
}

impl<'m> Minutes<'m> {
    fn new(model: &'m Model) -> Self {
        let has_wind = model
            .sensors
            .iter()
            .any(|sensor| sensor.kind == SensorKind::Wind);
        Self {
            model,
            said: vec![None; model.sensors.len()],
            has_wind,
            minute: None,
            rows: vec![],
        }
    }

    fn entry(&mut self, entry: &Entry) -> Result<(), String> {
        if entry.kind != Kind::Reading {
            return Ok(());
        }
        let input = entry.input().map_err(|error| error.to_string())?;
        let Input::Reading(reading) = input else {
            return Ok(());
        };
        // By its name, since another version of the site file may have had it at
        // another place; a row that gives none is taken by its place.
        let sensor = if entry.subject.is_empty() {
            let place = reading.sensor;
            let known = place.index() < self.said.len();
            let unknown = || {
                format!(
                    "row {} is of a sensor that this site does not have",
                    entry.id
                )
            };
            known.then_some(place).ok_or_else(unknown)?
        } else {
            let Some(named) = self.model.sensor_named(&entry.subject) else {
                // It was taken out of the site file since.
                return Ok(());
            };
            named
        };
        let at = entry.now.wall;
        let minute = Wall(at.0.div_euclid(MINUTE) * MINUTE);
        self.until(minute);
        self.said[sensor.index()] = Some(Said {
            at,
            sample: reading.sample,
        });
        Ok(())
    }

    /// Closes the minutes before this one. A long silence is not filled.
    fn until(&mut self, minute: Wall) {
        let Some(mut at) = self.minute.replace(minute) else {
            return;
        };
        while at < minute {
            self.rows.extend(self.row(at));
            at = at.plus(MINUTE);
        }
    }

    fn finish(mut self) -> Vec<Row> {
        if let Some(last) = self.minute {
            self.until(last.plus(MINUTE));
        }
        self.rows
    }

    /// A minute as it stood at its end.
    fn row(&self, start: Wall) -> Option<Row> {
        let end = start.plus(MINUTE);
        let mut values = Values::default();
        for (sensor, said) in self.model.sensors.iter().zip(&self.said) {
            let silence = sensor.validity.silence_ms.min(SPEAKS_FOR_MS);
            let Some(said) = said.filter(|said| end.0 - said.at.0 <= silence.max(MINUTE)) else {
                continue;
            };
            let believed =
                |value: &f64| (sensor.validity.min..=sensor.validity.max).contains(value);
            match said.sample {
                Sample::Wind {
                    gust,
                    mean,
                    direction,
                } => wind(&mut values, [gust, mean, direction].map(part), believed),
                Sample::Value(value) if believed(&value) => {
                    single(&mut values, sensor.kind, value);
                }
                Sample::Value(_) => {}
            }
        }
        let speaks = if self.has_wind {
            values.mean.or(values.gust).is_some()
        } else {
            values != Values::default()
        };
        speaks.then_some(Row { start, end, values })
    }
}

const fn part(part: Part) -> Option<f64> {
    match part {
        Part::Value(value) => Some(value),
        Part::Unsaid | Part::Absent => None,
    }
}

fn most(of: &mut Option<f64>, value: f64) {
    *of = Some(of.map_or(value, |of| of.max(value)));
}

fn wind(
    values: &mut Values,
    [gust, mean, direction]: [Option<f64>; 3],
    believed: impl Fn(&f64) -> bool,
) {
    let before = values.gust.into_iter().chain(values.mean).reduce(f64::max);
    let (gust, mean) = (gust.filter(&believed), mean.filter(&believed));
    let now = gust.into_iter().chain(mean).reduce(f64::max);
    if now > before || values.direction.is_none() {
        values.direction = direction.or(values.direction);
    }
    if let Some(gust) = gust {
        most(&mut values.gust, gust);
    }
    if let Some(mean) = mean {
        most(&mut values.mean, mean);
    }
}

fn single(values: &mut Values, kind: SensorKind, value: f64) {
    match kind {
        SensorKind::Rain => most(&mut values.rain, value),
        SensorKind::Hail => most(&mut values.hail, value),
        SensorKind::Temperature => {
            values.temperature = Some(values.temperature.map_or(value, |t| t.min(value)));
        }
        SensorKind::Humidity => most(&mut values.humidity, value),
        SensorKind::GlobalHorizontal => most(&mut values.ghi, value),
        SensorKind::HorizontalIlluminance => most(&mut values.ghi, value / illuminance_lx(1.0)),
        // What looks from a facade, at a surface or into a room is no weather.
        SensorKind::Wind
        | SensorKind::SurfaceTemperature
        | SensorKind::RoomTemperature
        | SensorKind::PlaneIrradiance
        | SensorKind::PlaneIlluminance => {}
    }
}

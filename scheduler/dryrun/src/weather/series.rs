//! What weather files become: rows of values, each speaking of an interval.

use super::WeatherError;
use super::gusts::Gusts;
use super::made_up::{Fails, Storm};
use super::typical::Typical;
use crate::note::{Note, Source};
use leeside_core::time::{HOUR, MINUTE, SECOND, Wall};

/// The values of one interval. `None`: the data do not say.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Values {
    /// Global horizontal irradiance, W/m².
    pub ghi: Option<f64>,
    /// Direct normal irradiance, W/m².
    pub dni: Option<f64>,
    /// Diffuse horizontal irradiance, W/m².
    pub dhi: Option<f64>,
    /// Outdoor air temperature, °C.
    pub temperature: Option<f64>,
    /// Relative humidity, %.
    pub humidity: Option<f64>,
    /// Mean wind, m/s.
    pub mean: Option<f64>,
    /// Gust, m/s.
    pub gust: Option<f64>,
    /// Direction the wind blows from, degrees, N = 0, clockwise.
    pub direction: Option<f64>,
    /// Rain, mean intensity over the interval, mm/h.
    pub rain: Option<f64>,
    /// Station pressure, hPa.
    pub pressure: Option<f64>,
    /// Hail as a sensor or warning service says it: 0 none, 1 hail, or a level.
    pub hail: Option<f64>,
}

impl Values {
    /// One of them.
    #[must_use]
    pub const fn get(&self, quantity: Quantity) -> Option<f64> {
        match quantity {
            Quantity::Ghi => self.ghi,
            Quantity::Dni => self.dni,
            Quantity::Dhi => self.dhi,
            Quantity::Temperature => self.temperature,
            Quantity::Humidity => self.humidity,
            Quantity::Mean => self.mean,
            Quantity::Gust => self.gust,
            Quantity::Direction => self.direction,
            Quantity::Rain => self.rain,
            Quantity::Pressure => self.pressure,
            Quantity::Hail => self.hail,
        }
    }

    /// Sets one of them.
    pub const fn set(&mut self, quantity: Quantity, value: Option<f64>) {
        *match quantity {
            Quantity::Ghi => &mut self.ghi,
            Quantity::Dni => &mut self.dni,
            Quantity::Dhi => &mut self.dhi,
            Quantity::Temperature => &mut self.temperature,
            Quantity::Humidity => &mut self.humidity,
            Quantity::Mean => &mut self.mean,
            Quantity::Gust => &mut self.gust,
            Quantity::Direction => &mut self.direction,
            Quantity::Rain => &mut self.rain,
            Quantity::Pressure => &mut self.pressure,
            Quantity::Hail => &mut self.hail,
        } = value;
    }
}

/// What a value is about.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Quantity {
    /// Global horizontal irradiance.
    Ghi,
    /// Direct normal irradiance.
    Dni,
    /// Diffuse horizontal irradiance.
    Dhi,
    /// Outdoor air temperature.
    Temperature,
    /// Relative humidity.
    Humidity,
    /// Mean wind.
    Mean,
    /// Gust.
    Gust,
    /// Wind direction.
    Direction,
    /// Rain.
    Rain,
    /// Pressure.
    Pressure,
    /// Hail.
    Hail,
}

impl Quantity {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::Ghi,
        Self::Dni,
        Self::Dhi,
        Self::Temperature,
        Self::Humidity,
        Self::Mean,
        Self::Gust,
        Self::Direction,
        Self::Rain,
        Self::Pressure,
        Self::Hail,
    ];

    /// In words.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ghi => "global horizontal irradiance",
            Self::Dni => "direct normal irradiance",
            Self::Dhi => "diffuse horizontal irradiance",
            Self::Temperature => "temperature",
            Self::Humidity => "humidity",
            Self::Mean => "mean wind",
            Self::Gust => "gusts",
            Self::Direction => "wind direction",
            Self::Rain => "rain",
            Self::Pressure => "pressure",
            Self::Hail => "hail",
        }
    }
}

/// The values of one interval, and the interval.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Row {
    /// From this moment (included).
    pub start: Wall,
    /// Until this moment (excluded).
    pub end: Wall,
    /// What is known of it.
    pub values: Values,
}

/// A span of which the data say nothing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Gap {
    /// From this moment.
    pub from: Wall,
    /// Until this moment.
    pub to: Wall,
}

/// Where the data were taken.
#[derive(Clone, PartialEq, Debug)]
pub struct Place {
    /// What the file calls it.
    pub name: String,
    /// Latitude, degrees, north positive.
    pub latitude_deg: f64,
    /// Longitude, degrees, east positive.
    pub longitude_deg: f64,
}

/// What is to be said about a weather file.
#[derive(Clone, PartialEq, Debug)]
pub struct About {
    /// Name of the file, without folders.
    pub file: String,
    /// SHA-256 of the file as it lies there.
    pub sha256: String,
    /// What it is and where it comes from.
    pub source: Box<Source>,
    /// Where it was taken, where the file says so.
    pub place: Option<Place>,
    /// Usual length of a row, ms.
    pub resolution_ms: i64,
    /// How gusts were made up within its means.
    pub gusts: Option<Box<Gusts>>,
    /// How it had to be read, and what it cannot say.
    pub notes: Vec<Note>,
}

/// A weather file.
#[derive(Clone, PartialEq, Debug)]
pub enum Weather {
    /// Of real dates.
    Real(Series),
    /// Of a typical year, which can be laid on any calendar year.
    Typical(Typical),
    /// A storm out of a description.
    MadeUp(Storm),
}

impl Weather {
    /// What is to be said about it.
    #[must_use]
    pub const fn about(&self) -> &About {
        match self {
            Self::Real(series) => &series.about,
            Self::Typical(typical) => &typical.about,
            Self::MadeUp(storm) => &storm.about,
        }
    }

    /// The rows that speak of the span from `from` (included) to `to` (excluded).
    ///
    /// # Errors
    /// [`WeatherError::Span`] where less than nine tenths of the span lie
    /// between the first and the last row of data of real dates. A smaller part
    /// missing at an end becomes a gap like any other.
    pub fn over(&self, from: Wall, to: Wall) -> Result<Series, WeatherError> {
        match self {
            Self::Real(series) => series.over(from, to),
            Self::Typical(typical) => Ok(typical.over(from, to)),
            Self::MadeUp(storm) => storm.over(from, to),
        }
    }
}

/// Rows in order of time, none overlapping.
#[derive(Clone, PartialEq, Debug)]
pub struct Series {
    /// Where they come from.
    pub about: About,
    /// The rows.
    pub rows: Vec<Row>,
    /// Sensors that fail, where the weather is made up so.
    pub failing: Vec<Fails>,
}

impl Series {
    /// Rows that begin at `starts`, in order, each speaking of `resolution_ms`
    /// or until the next begins.
    #[must_use]
    pub fn of(about: About, starts: Vec<(Wall, Values)>) -> Self {
        let ends = starts
            .iter()
            .skip(1)
            .map(|(start, _)| *start)
            .chain([Wall(i64::MAX)]);
        let rows = starts.iter().zip(ends).map(|((start, values), next)| Row {
            start: *start,
            end: start.plus(about.resolution_ms).min(next),
            values: *values,
        });
        Self {
            rows: rows.collect(),
            failing: Vec::new(),
            about,
        }
    }

    /// The commonest distance between neighbours; an hour where there is none.
    pub(super) fn commonest_step(starts: &[(Wall, Values)]) -> i64 {
        let mut steps: Vec<i64> = starts
            .windows(2)
            .map(|pair| pair[1].0.0 - pair[0].0.0)
            .collect();
        steps.sort_unstable();
        let runs = steps.chunk_by(|a, b| a == b);
        // Of equally common ones the shorter: it claims less for each row.
        runs.max_by_key(|run| (run.len(), std::cmp::Reverse(run[0])))
            .map_or(HOUR, |run| run[0])
    }

    /// Spans between rows of which nothing is known.
    #[must_use]
    pub fn gaps(&self) -> Vec<Gap> {
        let pairs = self
            .rows
            .windows(2)
            .filter(|pair| pair[0].end < pair[1].start);
        pairs
            .map(|pair| Gap {
                from: pair[0].end,
                to: pair[1].start,
            })
            .collect()
    }

    /// Gaps of a span, those at its ends included.
    #[must_use]
    pub fn gaps_over(&self, from: Wall, to: Wall) -> Vec<Gap> {
        let first = self.rows.first().map_or(to, |row| row.start);
        let last = self.rows.last().map_or(to, |row| row.end);
        let mut gaps = self.gaps();
        gaps.insert(
            0,
            Gap {
                from,
                to: first.min(to),
            },
        );
        gaps.push(Gap {
            from: last.max(from),
            to,
        });
        let clipped = gaps.iter().map(|gap| Gap {
            from: gap.from.max(from),
            to: gap.to.min(to),
        });
        clipped.filter(|gap| gap.from < gap.to).collect()
    }

    /// Whether any row says something of `quantity`.
    #[must_use]
    pub fn speaks_of(&self, quantity: Quantity) -> bool {
        self.rows
            .iter()
            .any(|row| row.values.get(quantity).is_some())
    }

    fn over(&self, from: Wall, to: Wall) -> Result<Self, WeatherError> {
        let first = self.rows.first().map_or(Wall(0), |row| row.start);
        let last = self.rows.last().map_or(Wall(0), |row| row.end);
        let covered = last.min(to).0 - first.max(from).0;
        if self.rows.is_empty() || covered < (to.0 - from.0) / 10 * 9 {
            return Err(WeatherError::Span {
                file: self.about.file.clone(),
                asked: format!("{} to {}", moment(from), moment(to)),
                first: moment(first),
                last: moment(last),
                hint: "ask for a span within the data with --from and --to; only a typical year (TMY3, EPW of \
                       several years) can be laid on another calendar year"
                    .to_owned(),
            });
        }
        let begin = self.rows.partition_point(|row| row.end <= from);
        let end = self.rows.partition_point(|row| row.start < to);
        Ok(Self {
            about: self.about.clone(),
            rows: self.rows[begin..end].to_vec(),
            failing: self.failing.clone(),
        })
    }
}

/// A moment as ISO 8601 in UTC, to the second.
#[must_use]
pub fn moment(at: Wall) -> String {
    at.utc().format("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// A length of time in the unit a person would take.
#[must_use]
pub fn duration(ms: i64) -> String {
    match ms {
        _ if ms % HOUR == 0 => format!("{} h", ms / HOUR),
        _ if ms % MINUTE == 0 => format!("{} min", ms / MINUTE),
        _ if ms % SECOND == 0 => format!("{} s", ms / SECOND),
        _ => format!("{ms} ms"),
    }
}

//! What the columns of a CSV file mean: said by its header, or by a small TOML
//! file beside it.
//!
//! ```toml
//! source = "Roof station 2024, our own logger"   # printed in every report
//! missing = ["NA", "-9999"]                      # cells that mean "no value"; an empty cell always does
//!
//! [time]
//! column = "time"
//! zone = "Europe/Berlin"      # "UTC", "-05:00" or a zone's name
//! label = "start"             # the time names the "start" or the "end" of what the row speaks of
//! step = "10min"              # how long that is; left out: the commonest distance of rows
//!
//! [columns.mean]              # mean, gust, direction, rain, hail, temperature, humidity, pressure, ghi, dni, dhi
//! column = "ws_avg"
//! unit = "km/h"               # never left out
//! ```

use super::WeatherError;
use super::series::Quantity;
use crate::note::{ColumnRead, Note};
use chrono::FixedOffset;
use chrono_tz::Tz;
use leeside_core::time::{HOUR, MINUTE, SECOND};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What a CSV file's columns mean.
pub(super) struct Mapping {
    pub(super) source: Option<String>,
    pub(super) missing: Vec<String>,
    pub(super) time_column: String,
    pub(super) zone: Zone,
    pub(super) label_is_end: bool,
    pub(super) step_ms: Option<i64>,
    pub(super) columns: Vec<Column>,
}

/// One column.
pub(super) struct Column {
    pub(super) name: String,
    pub(super) quantity: Quantity,
    pub(super) unit: Unit,
}

/// The clock that the times are read on.
#[derive(Clone, Copy)]
pub(super) enum Zone {
    Fixed(FixedOffset),
    Named(Tz),
}

/// A unit and how it becomes ours.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Unit {
    pub(super) name: &'static str,
    factor: f64,
    offset: f64,
    /// A sum over the row rather than a rate.
    pub(super) sum: bool,
}

impl Unit {
    const fn scaled(name: &'static str, factor: f64) -> Self {
        Self {
            name,
            factor,
            offset: 0.0,
            sum: false,
        }
    }

    const fn sum(name: &'static str, factor: f64) -> Self {
        Self {
            name,
            factor,
            offset: 0.0,
            sum: true,
        }
    }

    /// A value in our unit (m/s, degrees, mm/h, °C, %, hPa, W/m², level of hail).
    pub(super) fn to_ours(self, value: f64) -> f64 {
        (value - self.offset) * self.factor
    }

    /// Units known for a quantity, ours first.
    fn known(quantity: Quantity) -> &'static [Self] {
        // Exact by definition: 1 mile = 1609.344 m, 1 inch = 25.4 mm, 1 nautical mile = 1852 m.
        const SPEED: [Unit; 4] = [
            Unit::scaled("m/s", 1.0),
            Unit::scaled("km/h", 1.0 / 3.6),
            Unit::scaled("mph", 0.447_04),
            Unit::scaled("kn", 1852.0 / 3600.0),
        ];
        const RAIN: [Unit; 4] = [
            Unit::scaled("mm/h", 1.0),
            Unit::sum("mm", 1.0),
            Unit::sum("inch", 25.4),
            Unit::scaled("inch/h", 25.4),
        ];
        const TEMPERATURE: [Unit; 3] = [
            Unit::scaled("degC", 1.0),
            Unit {
                name: "degF",
                factor: 1.0 / 1.8,
                offset: 32.0,
                sum: false,
            },
            Unit {
                name: "K",
                factor: 1.0,
                offset: 273.15,
                sum: false,
            },
        ];
        const HUMIDITY: [Unit; 2] = [Unit::scaled("%", 1.0), Unit::scaled("1", 100.0)];
        const PRESSURE: [Unit; 4] = [
            Unit::scaled("hPa", 1.0),
            Unit::scaled("mbar", 1.0),
            Unit::scaled("Pa", 0.01),
            Unit::scaled("kPa", 10.0),
        ];
        const IRRADIANCE: [Unit; 2] = [Unit::scaled("W/m2", 1.0), Unit::scaled("kW/m2", 1000.0)];
        const HAIL: [Unit; 2] = [Unit::scaled("0/1", 1.0), Unit::scaled("level", 1.0)];
        const ANGLE: [Unit; 1] = [Unit::scaled("deg", 1.0)];
        match quantity {
            Quantity::Ghi | Quantity::Dni | Quantity::Dhi => &IRRADIANCE,
            Quantity::Temperature => &TEMPERATURE,
            Quantity::Humidity => &HUMIDITY,
            Quantity::Mean | Quantity::Gust => &SPEED,
            Quantity::Direction => &ANGLE,
            Quantity::Rain => &RAIN,
            Quantity::Pressure => &PRESSURE,
            Quantity::Hail => &HAIL,
        }
    }

    fn named(quantity: Quantity, name: &str) -> Option<Self> {
        Self::known(quantity)
            .iter()
            .find(|unit| unit.name == name)
            .copied()
    }
}

/// Headings that say by themselves what they mean.
const SELF_EXPLAINING: [(&str, Quantity, &str); 11] = [
    ("mean_ms", Quantity::Mean, "m/s"),
    ("gust_ms", Quantity::Gust, "m/s"),
    ("wind_dir_deg", Quantity::Direction, "deg"),
    ("precip_mm", Quantity::Rain, "mm"),
    ("temp_C", Quantity::Temperature, "degC"),
    ("humidity_pct", Quantity::Humidity, "%"),
    ("pressure_hPa", Quantity::Pressure, "hPa"),
    ("hail_level", Quantity::Hail, "level"),
    ("ghi_wm2", Quantity::Ghi, "W/m2"),
    ("dni_wm2", Quantity::Dni, "W/m2"),
    ("dhi_wm2", Quantity::Dhi, "W/m2"),
];

/// The TOML file as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    source: Option<String>,
    #[serde(default)]
    missing: Vec<String>,
    time: WrittenTime,
    columns: BTreeMap<String, WrittenColumn>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenTime {
    column: String,
    zone: String,
    label: Label,
    step: Option<String>,
}

#[derive(Deserialize, Clone, Copy, PartialEq)]
#[serde(rename_all = "lowercase")]
enum Label {
    Start,
    End,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenColumn {
    column: String,
    unit: Option<String>,
}

/// Names under `[columns]`.
const NAMES: [(&str, Quantity); 11] = [
    ("mean", Quantity::Mean),
    ("gust", Quantity::Gust),
    ("direction", Quantity::Direction),
    ("rain", Quantity::Rain),
    ("temperature", Quantity::Temperature),
    ("humidity", Quantity::Humidity),
    ("pressure", Quantity::Pressure),
    ("hail", Quantity::Hail),
    ("ghi", Quantity::Ghi),
    ("dni", Quantity::Dni),
    ("dhi", Quantity::Dhi),
];

impl Mapping {
    /// What a header says by itself: a column `utc` and headings with units in
    /// their names. Other columns are left aside. Times name the moment from
    /// which the row's values hold.
    pub(super) fn by_header(headings: &[String]) -> Option<Self> {
        let has = |name: &str| headings.iter().any(|heading| heading == name);
        if !has("utc") {
            return None;
        }
        let known = SELF_EXPLAINING.iter().filter(|(name, ..)| has(name));
        let columns = known.filter_map(|(name, quantity, unit)| {
            Some(Column {
                name: (*name).to_owned(),
                quantity: *quantity,
                unit: Unit::named(*quantity, unit)?,
            })
        });
        let columns: Vec<Column> = columns.collect();
        (!columns.is_empty()).then(|| Self {
            source: None,
            missing: vec![],
            time_column: "utc".to_owned(),
            zone: Zone::Named(Tz::UTC),
            label_is_end: false,
            step_ms: None,
            columns,
        })
    }

    /// Where the description of a CSV file may lie: its name with `.toml` added,
    /// also without `.gz`.
    pub(super) fn beside(csv: &Path) -> Option<PathBuf> {
        let with_toml = |path: &Path| {
            let mut name = path.as_os_str().to_owned();
            name.push(".toml");
            PathBuf::from(name)
        };
        let unpacked = csv
            .extension()
            .filter(|ending| *ending == "gz")
            .map(|_| csv.with_extension(""));
        let candidates = [Some(with_toml(csv)), unpacked.as_deref().map(with_toml)];
        candidates.into_iter().flatten().find(|path| path.is_file())
    }

    /// Reads a description.
    pub(super) fn read(path: &Path) -> Result<Self, WeatherError> {
        let text = std::fs::read_to_string(path).map_err(|source| WeatherError::Read {
            file: path.to_owned(),
            source,
        })?;
        Self::parse(path, &text)
    }

    fn parse(path: &Path, text: &str) -> Result<Self, WeatherError> {
        let broken = |found: String, hint: String| WeatherError::Mapping {
            file: path.to_owned(),
            found,
            hint,
        };
        let written: Written = toml::from_str(text).map_err(|error| {
            let line = error.span().map_or(1, |span| text[..span.start.min(text.len())].matches('\n').count() + 1);
            broken(
                format!("line {line}: {}", error.message()),
                "a description has source, missing, [time] with column, zone and label, and [columns.…] with column \
                 and unit"
                    .to_owned(),
            )
        })?;
        let zone = Zone::named(&written.time.zone).ok_or_else(|| {
            broken(
                format!("[time] zone = {:?} is no zone", written.time.zone),
                "write \"UTC\", an offset like \"-05:00\", or a zone like \"Europe/Berlin\""
                    .to_owned(),
            )
        })?;
        let step_ms = match written.time.step.as_deref() {
            None => None,
            Some(step) => Some(step_ms(step).ok_or_else(|| {
                broken(
                    format!("[time] step = {step:?} is no length of time from 1 s to 1 h"),
                    "write it like \"1s\", \"10min\" or \"1h\"".to_owned(),
                )
            })?),
        };
        let mut columns = Vec::new();
        for (name, column) in written.columns {
            let Some((_, quantity)) = NAMES.iter().find(|(known, _)| *known == name) else {
                let known: Vec<&str> = NAMES.iter().map(|(known, _)| *known).collect();
                return Err(broken(
                    format!("[columns.{name}] is not known"),
                    format!("one of {}", known.join(", ")),
                ));
            };
            let known: Vec<&str> = Unit::known(*quantity)
                .iter()
                .map(|unit| unit.name)
                .collect();
            let hint = format!("unit = one of {}", known.join(", "));
            let Some(unit) = column.unit else {
                return Err(broken(format!("[columns.{name}] has no unit"), hint));
            };
            let unit = Unit::named(*quantity, &unit).ok_or_else(|| {
                broken(
                    format!("[columns.{name}] unit = {unit:?} is not known"),
                    hint,
                )
            })?;
            columns.push(Column {
                name: column.column,
                quantity: *quantity,
                unit,
            });
        }
        columns.sort_by_key(|column| column.quantity);
        Ok(Self {
            source: written.source,
            missing: written.missing,
            time_column: written.time.column,
            zone,
            label_is_end: written.time.label == Label::End,
            step_ms,
            columns,
        })
    }

    /// How the columns are read, in words.
    pub(super) fn note(&self, row_ms: i64) -> Note {
        let columns = self.columns.iter().map(|column| ColumnRead {
            quantity: column.quantity,
            name: column.name.clone(),
            unit: column.unit.name,
            sum: column.unit.sum,
        });
        Note::Columns {
            columns: columns.collect(),
            label_is_end: self.label_is_end,
            row_ms,
        }
    }
}

impl Zone {
    fn named(name: &str) -> Option<Self> {
        if let Ok(zone) = name.parse::<Tz>() {
            return Some(Self::Named(zone));
        }
        let (sign, rest) = match name.split_at_checked(1)? {
            ("+", rest) => (1, rest),
            ("-", rest) => (-1, rest),
            _ => return None,
        };
        let (hours, minutes) = rest.split_once(':')?;
        let (hours, minutes): (i32, i32) = (hours.parse().ok()?, minutes.parse().ok()?);
        if !(0..=14).contains(&hours) || !(0..60).contains(&minutes) {
            return None;
        }
        FixedOffset::east_opt(sign * (hours * 3600 + minutes * 60)).map(Self::Fixed)
    }
}

/// "1s", "10min", "1h".
fn step_ms(text: &str) -> Option<i64> {
    let digits = text.find(|c: char| !c.is_ascii_digit())?;
    let count: i64 = text[..digits].parse().ok()?;
    let unit = match text[digits..].trim() {
        "s" => SECOND,
        "min" => MINUTE,
        "h" => HOUR,
        _ => return None,
    };
    count
        .checked_mul(unit)
        .filter(|ms| (SECOND..=HOUR).contains(ms))
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    #[test]
    fn units_become_ours() {
        let table = [
            (Quantity::Mean, "mph", 1.0, 0.44704),
            (Quantity::Gust, "kn", 1.0, 0.514_444_444),
            (Quantity::Gust, "km/h", 36.0, 10.0),
            (Quantity::Temperature, "degF", 212.0, 100.0),
            (Quantity::Temperature, "K", 273.15, 0.0),
            (Quantity::Rain, "inch", 1.0, 25.4),
            (Quantity::Pressure, "Pa", 101_325.0, 1013.25),
            (Quantity::Humidity, "1", 0.5, 50.0),
        ];
        for (quantity, name, value, ours) in table {
            let unit = Unit::named(quantity, name).unwrap();
            assert!((unit.to_ours(value) - ours).abs() < 1e-8, "{value} {name}");
        }
        assert_eq!(Unit::named(Quantity::Rain, "m/s"), None);
    }

    #[test]
    fn descriptions_that_leave_something_out_are_refused() {
        let head = "[time]\ncolumn = \"t\"\nzone = \"UTC\"\nlabel = \"start\"\n";
        let table = [
            (
                "[columns.gust]\ncolumn = \"g\"\n",
                "[columns.gust] has no unit",
            ),
            (
                "[columns.gust]\ncolumn = \"g\"\nunit = \"W/m2\"\n",
                "unit = \"W/m2\" is not known",
            ),
            (
                "[columns.gusts]\ncolumn = \"g\"\nunit = \"m/s\"\n",
                "[columns.gusts] is not known",
            ),
            (
                "[columns.gust]\ncolumn = \"g\"\nunits = \"m/s\"\n",
                "line 7: unknown field `units`",
            ),
        ];
        for (columns, complaint) in table {
            let text = format!("{head}{columns}");
            let error = Mapping::parse(Path::new("x.csv.toml"), &text)
                .map(|_| ())
                .unwrap_err()
                .to_string();
            assert!(error.contains(complaint), "{error}");
        }
        for zone in ["Mars/North", "5", "+25:00", "+5"] {
            let text =
                format!("[time]\ncolumn = \"t\"\nzone = {zone:?}\nlabel = \"end\"\n[columns]\n");
            let error = Mapping::parse(Path::new("x.csv.toml"), &text)
                .map(|_| ())
                .unwrap_err()
                .to_string();
            assert!(error.contains("is no zone"), "{error}");
        }
    }
}

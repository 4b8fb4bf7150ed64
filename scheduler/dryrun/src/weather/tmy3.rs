//! TMY3: typical years of US stations.
//!
//! Source of the form: Wilcox & Marion, *Users Manual for TMY3 Data Sets*,
//! NREL/TP-581-43156 (2008), from memory. Times name the **end** of the hour on
//! the local **standard** clock, 01:00 … 24:00. Irradiance and rain speak of the
//! hour that ends then; temperature, humidity, wind and pressure are read at
//! that moment, so here they hold from then until the next reading.

use super::WeatherError;
use super::series::{About, Place, Quantity, Values, Weather};
use super::text::{Cell, Line, Text};
use super::typical::{HOURS, Typical};
use crate::note::{Note, Source};
use chrono::{Datelike, NaiveDate};
use leeside_core::time::HOUR;
use std::collections::BTreeSet;

const FIRST_HEADING: &str = "Date (MM/DD/YYYY)";

/// Values from here down mean "missing" (-9900 by the manual; nothing that is
/// measured goes there).
const MISSING_TO: f64 = -900.0;

/// Headings of the columns that are read.
const COLUMNS: [(&str, Quantity, &str, Speaks); 9] = [
    (
        "GHI (W/m^2)",
        Quantity::Ghi,
        "W/m²",
        Speaks::OfTheHourBefore,
    ),
    (
        "DNI (W/m^2)",
        Quantity::Dni,
        "W/m²",
        Speaks::OfTheHourBefore,
    ),
    (
        "DHI (W/m^2)",
        Quantity::Dhi,
        "W/m²",
        Speaks::OfTheHourBefore,
    ),
    (
        "Dry-bulb (C)",
        Quantity::Temperature,
        "°C",
        Speaks::FromThenOn,
    ),
    ("RHum (%)", Quantity::Humidity, "%", Speaks::FromThenOn),
    (
        "Pressure (mbar)",
        Quantity::Pressure,
        "hPa",
        Speaks::FromThenOn,
    ),
    (
        "Wdir (degrees)",
        Quantity::Direction,
        "degrees",
        Speaks::FromThenOn,
    ),
    ("Wspd (m/s)", Quantity::Mean, "m/s", Speaks::FromThenOn),
    (
        "Lprecip depth (mm)",
        Quantity::Rain,
        "mm",
        Speaks::OfTheHourBefore,
    ),
];
const RAIN_HOURS: &str = "Lprecip quantity (hr)";

#[derive(Clone, Copy, PartialEq, Eq)]
enum Speaks {
    OfTheHourBefore,
    FromThenOn,
}

pub(super) fn is_tmy3(text: &Text) -> bool {
    text.lines()
        .nth(1)
        .is_some_and(|line| line.text.starts_with(FIRST_HEADING))
}

/// One line as it stands in the file.
struct Record {
    /// Index of the hour that ends at its time.
    index: usize,
    date: NaiveDate,
    values: Values,
    /// Hours over which the rain was collected.
    rain_hours: usize,
}

pub(super) fn read(text: &Text) -> Result<Weather, WeatherError> {
    let mut lines = text.lines();
    let (Some(first), Some(headings)) = (lines.next(), lines.next()) else {
        return Err(form(text, "it has no two lines of headings"));
    };
    let (place, station, offset_hours) = station(first)?;
    let columns = Columns::find(headings)?;
    let mut records = Vec::with_capacity(HOURS + 1);
    let mut cells = Vec::new();
    for line in lines.filter(|line| !line.text.trim().is_empty()) {
        line.cells(&mut cells)?;
        if let Some(record) = columns.record(line, &cells)? {
            records.push(record);
        }
    }
    let mut notes = vec![Note::Tmy3];
    drop_leading_copy(&mut records, &mut notes);
    mend_tenths(&mut records, &mut notes);
    let hours = lay_out(text, &records)?;
    notes.push(months_note(&records));
    let about = About {
        file: text.name.clone(),
        sha256: text.sha256.clone(),
        source: Box::new(Source::Tmy3(station, place.name.clone())),
        place: Some(place),
        gusts: None,
        resolution_ms: HOUR,
        notes,
    };
    let typical = Typical {
        about,
        offset_ms: offset_hours,
        hours,
    };
    Ok(Weather::Typical(typical))
}

fn form(text: &Text, found: &str) -> WeatherError {
    WeatherError::Form {
        file: text.name.clone(),
        found: format!("taken for TMY3, but {found}"),
        hint: "take the file as NREL gives it: a line with the station, a line of headings, 8760 hours".to_owned(),
    }
}

/// The first line: number, name, state, zone, latitude, longitude, altitude.
fn station(line: Line<'_>) -> Result<(Place, String, i64), WeatherError> {
    let mut cells = Vec::new();
    line.cells(&mut cells)?;
    // Some copies have put the whole line into one pair of quotes.
    let unwrapped = if cells.len() == 1 {
        cells[0].text.to_string()
    } else {
        line.text.to_owned()
    };
    let inner = Line {
        text: &unwrapped,
        ..line
    };
    let mut cells = Vec::new();
    inner.cells(&mut cells)?;
    let number = |index: usize, name: &str, unit: &str, bounds: (f64, f64)| {
        let cell = inner.cell(&cells, index, name)?;
        let value = inner.number(cell, name, unit)?;
        if (bounds.0..=bounds.1).contains(&value) {
            Ok(value)
        } else {
            Err(inner.broken_cell(cell, name, format!("{} to {} {unit}", bounds.0, bounds.1)))
        }
    };
    let zone = number(3, "zone", "hours", (-14.0, 14.0))?;
    let place = Place {
        name: inner
            .cell(&cells, 1, "name of the station")?
            .text
            .to_string(),
        latitude_deg: number(4, "latitude", "degrees", (-90.0, 90.0))?,
        longitude_deg: number(5, "longitude", "degrees", (-180.0, 180.0))?,
    };
    Ok((place, cells[0].text.to_string(), zone_ms(zone)))
}

/// Hours as milliseconds, to the minute.
#[expect(clippy::cast_possible_truncation, reason = "a zone is within 14 hours")]
pub(super) fn zone_ms(hours: f64) -> i64 {
    (hours * 60.0).round() as i64 * (HOUR / 60)
}

/// Where the columns stand in this file.
struct Columns {
    values: Vec<(usize, &'static str, Quantity, &'static str)>,
    rain_hours: usize,
}

impl Columns {
    fn find(headings: Line<'_>) -> Result<Self, WeatherError> {
        let mut cells = Vec::new();
        headings.cells(&mut cells)?;
        let place = |wanted: &str| {
            cells
                .iter()
                .position(|cell| cell.text == wanted)
                .ok_or_else(|| {
                    headings.broken(
                        format!("there is no column {wanted:?}"),
                        "the headings of TMY3, spelled as NREL does",
                    )
                })
        };
        let mut values = Vec::with_capacity(COLUMNS.len());
        for (heading, quantity, unit, _) in COLUMNS {
            values.push((place(heading)?, heading, quantity, unit));
        }
        Ok(Self {
            values,
            rain_hours: place(RAIN_HOURS)?,
        })
    }

    /// A line; `None` for 29 February, which typical years do not have.
    fn record(&self, line: Line<'_>, cells: &[Cell<'_>]) -> Result<Option<Record>, WeatherError> {
        let day = line.cell(cells, 0, FIRST_HEADING)?;
        let date = NaiveDate::parse_from_str(&day.text, "%m/%d/%Y").map_err(|_| {
            line.broken_cell(day, FIRST_HEADING, "a date as month/day/year, 07/31/1999")
        })?;
        let time = line.cell(cells, 1, "Time (HH:MM)")?;
        let hour = time
            .text
            .strip_suffix(":00")
            .and_then(|hour| hour.parse::<u32>().ok());
        let hour = hour.filter(|hour| (1..=24).contains(hour)).ok_or_else(|| {
            line.broken_cell(time, "Time (HH:MM)", "a full hour from 01:00 to 24:00")
        })?;
        let mut values = Values::default();
        for &(index, heading, quantity, unit) in &self.values {
            values.set(quantity, measured(line, cells, index, heading, unit)?);
        }
        let rain_hours =
            measured(line, cells, self.rain_hours, RAIN_HOURS, "hours")?.unwrap_or(1.0);
        // Up to a day: what is summed over longer says nothing of an hour.
        let rain_hours = (1_u8..=24)
            .find(|hours| f64::from(*hours) >= rain_hours)
            .map_or(24, usize::from);
        Ok(
            Typical::index(date.month(), date.day(), hour - 1).map(|index| Record {
                index,
                date,
                values,
                rain_hours,
            }),
        )
    }
}

fn measured(
    line: Line<'_>,
    cells: &[Cell<'_>],
    index: usize,
    heading: &str,
    unit: &str,
) -> Result<Option<f64>, WeatherError> {
    let cell = line.cell(cells, index, heading)?;
    if cell.text.is_empty() {
        return Ok(None);
    }
    let value = line.number(cell, heading, unit)?;
    Ok((value > MISSING_TO).then_some(value))
}

/// Some copies begin with a line from the year's end, so that interpolation has
/// something to begin with. It is one line too many.
fn drop_leading_copy(records: &mut Vec<Record>, notes: &mut Vec<Note>) {
    if let [first, second, ..] = records.as_slice()
        && first.index == HOURS - 1
        && second.index == 0
    {
        let copies = records
            .iter()
            .skip(1)
            .any(|r| r.index == first.index && r.date == first.date);
        if copies {
            records.remove(0);
            notes.push(Note::LeadingCopy);
        }
    }
}

/// Whether rain stands in tenths of a millimetre though the heading says
/// millimetres: stations measure hundredths of an inch, and rounded to tenths of
/// a millimetre those are 3, 5, 8, 10, 13 ... and hardly ever (only as sums of
/// rounded parts) 1, 2, 4, 6, 7 ...; of whole millimetres four in ten would be.
fn mend_tenths(records: &mut [Record], notes: &mut Vec<Note>) {
    let wet: Vec<f64> = records
        .iter()
        .filter_map(|r| r.values.rain)
        .filter(|depth| *depth > 0.0)
        .collect();
    let on_grid =
        |depth: f64| (1..2000).any(|n| ((f64::from(n) * 2.54).round() - depth).abs() < 1e-9);
    let fitting = wet.iter().filter(|depth| on_grid(**depth)).count();
    if wet.len() < 20 || fitting * 20 < wet.len() * 19 {
        return;
    }
    for record in records {
        record.values.rain = record.values.rain.map(|depth| depth / 10.0);
    }
    notes.push(Note::RainInTenths {
        fitting,
        wet: wet.len(),
    });
}

/// Each hour once, each value in the hour it speaks of.
fn lay_out(text: &Text, records: &[Record]) -> Result<Vec<Option<Values>>, WeatherError> {
    let mut hours: Vec<Option<Values>> = vec![None; HOURS];
    let mut seen = vec![false; HOURS];
    for record in records {
        if std::mem::replace(&mut seen[record.index], true) {
            let (day, hour) = (record.date.format("%m/%d"), record.index % 24 + 1);
            return Err(form(
                text,
                &format!("{day} {hour:02}:00 stands there twice"),
            ));
        }
        for (_, quantity, _, speaks) in COLUMNS {
            let Some(value) = record.values.get(quantity) else {
                continue;
            };
            if quantity == Quantity::Rain {
                spread_rain(&mut hours, record.index, value, record.rain_hours);
                continue;
            }
            let index = match speaks {
                Speaks::OfTheHourBefore => record.index,
                Speaks::FromThenOn => (record.index + 1) % HOURS,
            };
            hours[index]
                .get_or_insert_default()
                .set(quantity, Some(value));
        }
    }
    Ok(hours)
}

/// Rain collected over several hours is spread evenly over those of them that
/// have no reading of their own.
fn spread_rain(hours: &mut [Option<Values>], index: usize, depth_mm: f64, over: usize) {
    let share = u32::try_from(over.max(1)).map_or(depth_mm, |over| depth_mm / f64::from(over));
    for back in 0..over.max(1) {
        let hour = hours[(index + HOURS - back) % HOURS].get_or_insert_default();
        if back == 0 || hour.rain.is_none() {
            hour.rain = Some(share);
        }
    }
}

fn months_note(records: &[Record]) -> Note {
    let months: BTreeSet<(u32, i32)> = records
        .iter()
        .map(|r| (r.date.month(), r.date.year()))
        .collect();
    Note::TypicalOf(months.into_iter().collect())
}

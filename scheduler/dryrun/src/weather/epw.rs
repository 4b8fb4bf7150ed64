//! EPW, the weather files of building simulation.
//!
//! Source of the form: *Auxiliary Programs*, chapter "Weather Data Format
//! Definition", of EnergyPlus (from memory). Eight lines of heading, then hours
//! 1 … 24 that name the **end** of the hour in the **standard** zone of the
//! heading. Irradiance and rain speak of the hour that ends then; the rest is
//! read at that moment, so here it holds from then until the next reading.
//!
//! Files made by PVGIS are an exception: their rows are UTC, whatever zone the
//! heading claims, and all values of a row belong to one moment within its hour.

use super::WeatherError;
use super::series::{About, Place, Quantity, Series, Values, Weather};
use super::text::{Cell, Line, Text};
use super::tmy3::zone_ms;
use super::typical::{HOURS, Typical};
use crate::note::{Note, Source};
use chrono::{Datelike, NaiveDate};
use leeside_core::time::{HOUR, Wall};
use std::collections::BTreeSet;

/// Cell, name, unit, what it becomes, "missing" from here on, whether it is read
/// at the end of the hour.
const CELLS: [(usize, &str, &str, Quantity, f64, bool); 9] = [
    (
        6,
        "dry bulb temperature",
        "°C",
        Quantity::Temperature,
        99.9,
        true,
    ),
    (8, "relative humidity", "%", Quantity::Humidity, 999.0, true),
    (
        9,
        "atmospheric station pressure",
        "Pa",
        Quantity::Pressure,
        999_999.0,
        true,
    ),
    (
        13,
        "global horizontal radiation",
        "Wh/m²",
        Quantity::Ghi,
        9999.0,
        false,
    ),
    (
        14,
        "direct normal radiation",
        "Wh/m²",
        Quantity::Dni,
        9999.0,
        false,
    ),
    (
        15,
        "diffuse horizontal radiation",
        "Wh/m²",
        Quantity::Dhi,
        9999.0,
        false,
    ),
    (
        20,
        "wind direction",
        "degrees",
        Quantity::Direction,
        999.0,
        true,
    ),
    (21, "wind speed", "m/s", Quantity::Mean, 999.0, true),
    (
        33,
        "liquid precipitation depth",
        "mm",
        Quantity::Rain,
        999.0,
        false,
    ),
];

pub(super) fn is_epw(text: &Text) -> bool {
    text.body
        .trim_start_matches('\u{feff}')
        .starts_with("LOCATION,")
}

/// What stands in the heading.
struct Heading {
    place: Place,
    source: String,
    offset_ms: i64,
    /// Made by PVGIS.
    pvgis: bool,
    notes: Vec<Note>,
}

struct Record {
    date: NaiveDate,
    /// 0..=23, the hour that the row speaks of.
    hour: u32,
    values: Values,
}

pub(super) fn read(text: &Text) -> Result<Weather, WeatherError> {
    let mut lines = text.lines();
    let mut heading = None;
    let mut pvgis_offset = None;
    for line in lines.by_ref() {
        if line.text.starts_with("LOCATION,") {
            heading = Some(location(line)?);
        } else if line.text.starts_with("COMMENTS") {
            pvgis_offset = pvgis_offset.or_else(|| irradiance_offset(line.text));
        } else if line.text.starts_with("DATA PERIODS,") {
            data_periods(line)?;
            break;
        }
    }
    let Some(mut heading) = heading else {
        return Err(form(text, "there is no LOCATION line"));
    };
    settle_zone(&mut heading, pvgis_offset);
    let mut records = Vec::with_capacity(HOURS);
    let mut cells = Vec::new();
    for line in lines.filter(|line| !line.text.trim().is_empty()) {
        line.cells(&mut cells)?;
        records.push(record(line, &cells)?);
    }
    if records.is_empty() {
        return Err(form(text, "there are no hours after the DATA PERIODS line"));
    }
    lay_out(text, heading, &records)
}

fn form(text: &Text, found: &str) -> WeatherError {
    WeatherError::Form {
        file: text.name.clone(),
        found: format!("taken for EPW, but {found}"),
        hint: "an EPW file has eight lines of heading (LOCATION … DATA PERIODS) and then one line an hour".to_owned(),
    }
}

fn location(line: Line<'_>) -> Result<Heading, WeatherError> {
    let mut cells = Vec::new();
    line.cells(&mut cells)?;
    let number = |index: usize, name: &str, unit: &str, most: f64| {
        let cell = line.cell(&cells, index, name)?;
        let value = line.number(cell, name, unit)?;
        if value.abs() <= most {
            Ok(value)
        } else {
            Err(line.broken_cell(cell, name, format!("{} to {most} {unit}", -most)))
        }
    };
    let (latitude_deg, longitude_deg) = (
        number(6, "latitude", "degrees", 90.0)?,
        number(7, "longitude", "degrees", 180.0)?,
    );
    let zone_hours = number(8, "time zone", "hours", 14.0)?;
    let source = cells[4].text.to_string();
    Ok(Heading {
        place: Place {
            name: cells[1].text.to_string(),
            latitude_deg,
            longitude_deg,
        },
        pvgis: source.starts_with("ECMWF/ERA"),
        source,
        offset_ms: zone_ms(zone_hours),
        notes: Vec::new(),
    })
}

/// "Irradiance Time Offset (h):-0.8239" stands in files made by PVGIS: when in
/// its hour the irradiance was taken, counted from the end.
fn irradiance_offset(comment: &str) -> Option<f64> {
    let (_, value) = comment.split_once("Irradiance Time Offset (h):")?;
    value
        .trim()
        .parse()
        .ok()
        .filter(|hours: &f64| (-1.0..=1.0).contains(hours))
}

fn settle_zone(heading: &mut Heading, pvgis_offset: Option<f64>) {
    heading.pvgis |= pvgis_offset.is_some();
    if heading.pvgis {
        let claimed = heading.offset_ms / HOUR;
        heading.offset_ms = 0;
        heading.notes.push(Note::EpwOfPvgis(claimed));
        if let Some(hours) = pvgis_offset {
            let minute = ((1.0 + hours) * 60.0).round();
            heading.notes.push(Note::OneMoment(minute));
        }
    } else {
        heading.notes.push(Note::Epw);
    }
}

fn data_periods(line: Line<'_>) -> Result<(), WeatherError> {
    let mut cells = Vec::new();
    line.cells(&mut cells)?;
    let cell = line.cell(&cells, 2, "records per hour")?;
    if cell.text == "1" {
        Ok(())
    } else {
        Err(line.broken_cell(cell, "records per hour", "1 (bring finer data as CSV)"))
    }
}

fn record(line: Line<'_>, cells: &[Cell<'_>]) -> Result<Record, WeatherError> {
    let whole = |index: usize, name: &str, from, to| {
        line.whole(line.cell(cells, index, name)?, name, from, to)
    };
    let (year, month, day) = (
        whole(0, "year", 1900, 2200)?,
        whole(1, "month", 1, 12)?,
        whole(2, "day", 1, 31)?,
    );
    let hour = whole(3, "hour", 1, 24)? - 1;
    let date = i32::try_from(year)
        .ok()
        .and_then(|year| NaiveDate::from_ymd_opt(year, month, day));
    // Typical Februaries keep 28 days whatever their year; the reverse may happen in hand-made files.
    let date = date.ok_or_else(|| {
        line.broken_cell(
            &cells[2],
            "day",
            format!("a day that {year}-{month:02} has"),
        )
    })?;
    let mut values = Values::default();
    for (index, name, unit, quantity, missing, _) in CELLS {
        let Some(cell) = cells.get(index) else {
            // The last columns came with a later edition of the form.
            if index >= 32 {
                continue;
            }
            return Err(line.broken(
                format!("the line has only {} cells", cells.len()),
                "at least 32",
            ));
        };
        if cell.text.is_empty() {
            continue;
        }
        let value = line.number(cell, name, unit)?;
        values.set(quantity, (value < missing).then_some(value));
    }
    values.pressure = values.pressure.map(|pascal| pascal / 100.0);
    Ok(Record { date, hour, values })
}

fn lay_out(text: &Text, mut heading: Heading, records: &[Record]) -> Result<Weather, WeatherError> {
    let years: BTreeSet<i32> = records.iter().map(|r| r.date.year()).collect();
    let typical = years.len() > 1;
    let count = records.len();
    // Where each record stands on a line of hours, and the values of the record before it.
    let previous = |index: usize| {
        if index > 0 {
            Some(&records[index - 1])
        } else {
            typical.then(|| &records[count - 1])
        }
    };
    let values = |index: usize| {
        let mut values = records[index].values;
        if !heading.pvgis {
            for (_, _, _, quantity, _, at_the_end) in CELLS {
                if at_the_end {
                    values.set(
                        quantity,
                        previous(index).and_then(|record| record.values.get(quantity)),
                    );
                }
            }
        }
        values
    };
    let mut about = About {
        file: text.name.clone(),
        sha256: text.sha256.clone(),
        source: Box::new(Source::Epw(
            heading.source.clone(),
            heading.place.name.clone(),
        )),
        place: Some(heading.place.clone()),
        gusts: None,
        resolution_ms: HOUR,
        notes: std::mem::take(&mut heading.notes),
    };
    if typical {
        let mut hours = vec![None; HOURS];
        for (index, record) in records.iter().enumerate() {
            if let Some(slot) = Typical::index(record.date.month(), record.date.day(), record.hour)
            {
                if hours[slot].is_some() {
                    let twice = format!(
                        "{} hour {} stands there twice",
                        record.date.format("%d %b"),
                        record.hour + 1
                    );
                    return Err(form(text, &twice));
                }
                hours[slot] = Some(values(index));
            }
        }
        about.notes.push(months_note(records));
        Ok(Weather::Typical(Typical {
            about,
            offset_ms: heading.offset_ms,
            hours,
        }))
    } else {
        let mut starts = Vec::with_capacity(count);
        for (index, record) in records.iter().enumerate() {
            let local = record
                .date
                .and_hms_opt(record.hour, 0, 0)
                .unwrap_or_default()
                .and_utc();
            starts.push((
                Wall::from_utc(local).plus(-heading.offset_ms),
                values(index),
            ));
        }
        if let Some(pair) = starts.windows(2).position(|pair| pair[1].0 <= pair[0].0) {
            let twice = format!(
                "hour {} of its data does not come after the one before",
                pair + 2
            );
            return Err(form(text, &twice));
        }
        Ok(Weather::Real(Series::of(about, starts)))
    }
}

fn months_note(records: &[Record]) -> Note {
    let months: BTreeSet<(u32, i32)> = records
        .iter()
        .map(|r| (r.date.month(), r.date.year()))
        .collect();
    Note::TypicalOf(months.into_iter().collect())
}

//! The events of one local date. There may be none of a kind, or two.

use std::io::Write;

use chrono::{DateTime, Days, NaiveDate, NaiveTime};
use leeside_core::time::to_utc;
use leeside_solar::{
    CIVIL_ELEVATION_DEG, Crossing, Location, SUNRISE_ELEVATION_DEG, Standing, VALID_FROM_MS,
    VALID_TO_MS, crossings, standing, transits,
};
use serde_json::json;

use super::Format;
use super::subject::Subject;
use crate::exit::Broken;

pub(super) fn tell(
    date: NaiveDate,
    subject: &Subject,
    format: Format,
    out: &mut impl Write,
) -> anyhow::Result<()> {
    let (from, to) = span(date, subject)?;
    // Rise and set are those of a level horizon at sea level, as in almanacs.
    let place = subject.location;
    let place = Location::new(place.latitude_deg(), place.longitude_deg(), 0.0)?;
    let sun = crossings(place, SUNRISE_ELEVATION_DEG, from, to);
    let civil = crossings(place, CIVIL_ELEVATION_DEG, from, to);
    let of = |events: &[(i64, Crossing)], wanted| -> Vec<i64> {
        events
            .iter()
            .filter_map(|(at, kind)| (*kind == wanted).then_some(*at))
            .collect()
    };
    let events = [
        ("sunrise", of(&sun, Crossing::Rising)),
        ("transit", transits(place, from, to)),
        ("sunset", of(&sun, Crossing::Falling)),
        ("civil_dawn", of(&civil, Crossing::Rising)),
        ("civil_dusk", of(&civil, Crossing::Falling)),
    ];
    let stands = standing(place, SUNRISE_ELEVATION_DEG, from, to);
    match format {
        Format::Json => {
            let mut object = serde_json::Map::new();
            object.insert("date".into(), json!(date.to_string()));
            object.insert("zone".into(), json!(subject.zone.name()));
            for (name, moments) in events {
                let moments: Vec<String> = moments.into_iter().map(tenths).collect();
                object.insert(name.into(), json!(moments));
            }
            object.insert(
                "sun".into(),
                json!(match stands {
                    Standing::Above => "stays_up",
                    Standing::Below => "stays_down",
                    Standing::Passes => "rises_or_sets",
                }),
            );
            writeln!(out, "{}", serde_json::Value::Object(object))?;
        }
        Format::Text => {
            writeln!(out, "{}, {date} ({})", subject.name, subject.zone.name())?;
            for (name, moments) in events {
                let clock: Vec<String> = moments
                    .iter()
                    .filter_map(|at| DateTime::from_timestamp_millis(*at))
                    .map(|at| {
                        at.with_timezone(&subject.zone)
                            .format("%H:%M:%S")
                            .to_string()
                    })
                    .collect();
                let clock = if clock.is_empty() {
                    "none".to_owned()
                } else {
                    clock.join(", ")
                };
                writeln!(out, "  {:<12} {clock}", name.replace('_', " "))?;
            }
            match stands {
                Standing::Above => writeln!(out, "  the sun does not set")?,
                Standing::Below => writeln!(out, "  the sun does not rise")?,
                Standing::Passes => {}
            }
        }
    }
    Ok(())
}

/// From local midnight to the next, in milliseconds.
fn span(date: NaiveDate, subject: &Subject) -> Result<(i64, i64), Broken> {
    let outside = || Broken(format!("--date: {date} is outside the years 1800 to 2200"));
    let next = date.checked_add_days(Days::new(1)).ok_or_else(outside)?;
    // Far enough from both ends that no zone reaches over them.
    let years = chrono::Datelike::year(&date);
    if !(1800..=2200).contains(&years) {
        return Err(outside());
    }
    let [from, to] = [date, next].map(|date| {
        to_utc(subject.zone, date.and_time(NaiveTime::MIN))
            .utc
            .timestamp_millis()
    });
    if from < VALID_FROM_MS || to > VALID_TO_MS {
        return Err(outside());
    }
    Ok((from, to))
}

/// UTC with tenths of a second, rounded.
fn tenths(at: i64) -> String {
    let rounded = (at + 50).div_euclid(100) * 100;
    DateTime::from_timestamp_millis(rounded)
        .map_or_else(String::new, |at| {
            at.format("%Y-%m-%dT%H:%M:%S%.3f").to_string()
        })
        .get(..21)
        .map_or_else(String::new, |text| format!("{text}Z"))
}

#[cfg(test)]
mod tests {
    #[test]
    fn tenths_are_rounded() {
        assert_eq!(super::tenths(1_000_000_049_949), "2001-09-09T01:47:29.9Z");
        assert_eq!(super::tenths(1_000_000_049_950), "2001-09-09T01:47:30.0Z");
    }
}

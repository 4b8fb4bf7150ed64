//! A small house and two days of weather for it, both made up, so that every
//! moment of a storm can be worked out by hand.

use leeside_config::{LoadOptions, load_site};
use leeside_core::time::Wall;
use leeside_dryrun::replay::{Occupancy, PlantKind, Setting, Sky};
use leeside_dryrun::weather::{About, Series, Values};
use std::path::Path;

pub(crate) fn utc(text: &str) -> Wall {
    Wall::from_utc(text.parse().unwrap())
}

/// Two days of June in ten-minute rows: calm and sunny by day, but on the second
/// - from 10:00 to 10:20 UTC a gust of 9 m/s, above the awning's limit of 8 and
///   below the blinds' of 12,
/// - from 12:00 to 12:10 UTC rain,
/// - from 14:00 to 15:00 UTC no data at all.
pub(crate) fn weather() -> Series {
    let first = utc("2027-06-20T00:00:00Z");
    let gap = (utc("2027-06-22T14:00:00Z"), utc("2027-06-22T15:00:00Z"));
    let gust = (utc("2027-06-22T10:00:00Z"), utc("2027-06-22T10:20:00Z"));
    let rain = (utc("2027-06-22T12:00:00Z"), utc("2027-06-22T12:10:00Z"));
    let within = |at: Wall, (from, to): (Wall, Wall)| from <= at && at < to;
    let starts = (0..3 * 144)
        .map(|row| first.plus(row * 600_000))
        .filter(|at| !within(*at, gap));
    let rows = starts.map(|at| {
        let by_day = (6 * 60..17 * 60).contains(&(at.0 / 60_000 % (24 * 60)));
        let values = Values {
            ghi: Some(if by_day { 700.0 } else { 0.0 }),
            dni: Some(if by_day { 700.0 } else { 0.0 }),
            dhi: Some(if by_day { 120.0 } else { 0.0 }),
            temperature: Some(22.0),
            humidity: Some(50.0),
            mean: Some(2.0),
            gust: Some(if within(at, gust) { 9.0 } else { 3.0 }),
            direction: None,
            rain: Some(if within(at, rain) { 6.0 } else { 0.0 }),
            pressure: None,
            hail: None,
        };
        (at, values)
    });
    let about = About {
        file: "made_up.csv".to_owned(),
        sha256: "0".repeat(64),
        source: Box::new(leeside_dryrun::note::Source::Named(
            "made up for this test".to_owned(),
        )),
        place: None,
        gusts: None,
        resolution_ms: 600_000,
        notes: vec![],
    };
    Series::of(about, rows.collect())
}

/// 21 and 22 June 2027, local days of the house.
pub(crate) fn setting(plant: PlantKind) -> Setting {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/house/site.toml");
    let (site, _) = load_site(&file, &LoadOptions::around(2027)).unwrap();
    Setting {
        model: site.model,
        sky: Sky::Rows(weather()),
        from: utc("2027-06-20T22:00:00Z"),
        to: utc("2027-06-22T22:00:00Z"),
        step_ms: 60_000,
        plant,
        occupancy: Occupancy::OFFICE,
    }
}

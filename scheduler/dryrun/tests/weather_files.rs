//! The readers against the real files of `tests/weather`.
//!
//! Sums and single values were taken from the same files with Python's `csv`
//! module, independently of the readers; what the times mean is checked against
//! the sun.
#![expect(clippy::unwrap_used, reason = "tests")]

use leeside_core::time::{HOUR, Wall};
use leeside_dryrun::note::Note;
use leeside_dryrun::weather::{
    Quantity, Row, Series, Typical, Values, Weather, moment, read, shift_to_sun_min,
};
use leeside_solar::Location;
use std::path::{Path, PathBuf};

fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../tests/weather")
        .join(name)
}

fn typical(name: &str) -> Typical {
    match read(&file(name)).unwrap() {
        Weather::Typical(typical) => typical,
        Weather::Real(_) | Weather::MadeUp(_) => panic!("{name} is a typical year"),
    }
}

fn real(name: &str) -> Series {
    match read(&file(name)).unwrap() {
        Weather::Real(series) => series,
        Weather::Typical(_) | Weather::MadeUp(_) => panic!("{name} is of real dates"),
    }
}

const TMY3: &str = "tmy3_744860_new_york_jfk.csv.gz";
const EPW: &str = "pvgis_tmy_45N_8E_2005-2023.epw.gz";

fn utc(text: &str) -> Wall {
    Wall::from_utc(text.parse().unwrap())
}

fn sum(rows: &[Row], quantity: Quantity) -> f64 {
    rows.iter().filter_map(|row| row.values.get(quantity)).sum()
}

fn close(got: f64, want: f64) {
    assert!(
        (got - want).abs() < 1e-6 * want.abs().max(1.0),
        "{got} is not {want}"
    );
}

/// Sums of a quantity by month of the file's own clock.
fn monthly(typical: &Typical, quantity: Quantity) -> Vec<f64> {
    let days = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let mut from = 0;
    days.iter()
        .map(|days| {
            let hours = &typical.hours()[from..from + days * 24];
            from += days * 24;
            hours
                .iter()
                .flatten()
                .filter_map(|values: &Values| values.get(quantity))
                .sum()
        })
        .collect()
}

fn words(notes: &[Note]) -> String {
    let notes: Vec<String> = notes.iter().map(ToString::to_string).collect();
    notes.join("\n")
}

#[test]
fn tmy3_sums_equal_those_of_the_file() {
    let jfk = typical(TMY3);
    assert_eq!(jfk.missing_hours(), 0);
    let ghi = [
        51006.0, 72676.0, 114_032.0, 134_034.0, 171_322.0, 179_561.0, 179_296.0, 184_561.0,
        125_054.0, 111_141.0, 61170.0, 46551.0,
    ];
    for (got, want) in monthly(&jfk, Quantity::Ghi).iter().zip(ghi) {
        close(*got, want);
    }
    let year: Vec<&Values> = jfk.hours().iter().flatten().collect();
    let sum = |quantity| {
        year.iter()
            .filter_map(|values| values.get(quantity))
            .sum::<f64>()
    };
    close(sum(Quantity::Dni), 1_347_512.0);
    close(sum(Quantity::Dhi), 645_532.0);
    close(sum(Quantity::Mean), 42_981.0); // without the leading copy of the last hour
    close(sum(Quantity::Temperature), 109_976.2);
    close(sum(Quantity::Rain), 424.8); // 4248 tenths of a millimetre
    let notes = words(&jfk.about.notes);
    for words in [
        "repeats the last hour",
        "read as tenths",
        "put together from Jan 1999, Feb 1995",
    ] {
        assert!(notes.contains(words), "{notes}");
    }
    assert!(
        jfk.about.source.to_string().contains("744860"),
        "{}",
        jfk.about.source
    );
}

#[test]
fn tmy3_hours_end_at_their_time_in_eastern_standard_time() {
    let series = typical(TMY3).over(utc("2027-07-04T00:00:00Z"), utc("2027-07-05T12:00:00Z"));
    // 07/04/1994,12:00: GHI 919; 11:00: wind 4.6 m/s, 27.8 °C; so that wind holds from 11:00 to 12:00 EST.
    let noon = series
        .rows
        .iter()
        .find(|row| row.start == utc("2027-07-04T16:00:00Z"))
        .unwrap();
    assert_eq!(moment(noon.end), "2027-07-04T17:00:00Z");
    close(noon.values.ghi.unwrap(), 919.0);
    close(noon.values.mean.unwrap(), 4.6);
    close(noon.values.temperature.unwrap(), 27.8);
    assert_eq!(noon.values.gust, None);
}

#[test]
fn the_first_hour_of_a_typical_year_takes_its_readings_from_the_last() {
    let series = typical(TMY3).over(utc("2027-01-01T05:00:00Z"), utc("2027-01-01T07:00:00Z"));
    // 12/31/1997,24:00: 9.3 m/s, -8.3 °C; 01/01/1999,01:00: 7.2 m/s.
    close(series.rows[0].values.mean.unwrap(), 9.3);
    close(series.rows[0].values.temperature.unwrap(), -8.3);
    close(series.rows[1].values.mean.unwrap(), 7.2);
}

#[test]
fn the_29th_of_february_gets_the_28th_again_and_says_so() {
    let jfk = typical(TMY3);
    let leap = jfk.over(utc("2028-02-28T05:00:00Z"), utc("2028-03-01T05:00:00Z"));
    assert_eq!(leap.rows.len(), 48);
    for (first, second) in leap.rows[..24].iter().zip(&leap.rows[24..]) {
        assert_eq!(first.values, second.values);
        assert_eq!(second.start.0 - first.start.0, 24 * HOUR);
    }
    assert!(leap.about.notes.contains(&Note::LeapDay(2028)));
    let plain = jfk.over(utc("2027-02-28T05:00:00Z"), utc("2027-03-02T05:00:00Z"));
    assert!(
        !plain
            .about
            .notes
            .iter()
            .any(|note| matches!(note, Note::LeapDay(_)))
    );
    assert_ne!(plain.rows[0].values, plain.rows[24].values);
}

#[test]
fn a_typical_year_covers_any_year_without_gaps() {
    let jfk = typical(TMY3);
    for year in [2026, 2027, 2028] {
        let (from, to) = (
            utc(&format!("{year}-01-01T05:00:00Z")),
            utc(&format!("{}-01-01T05:00:00Z", year + 1)),
        );
        let series = jfk.over(from, to);
        assert_eq!(series.gaps_over(from, to), []);
        assert_eq!(series.rows.len(), if year == 2028 { 8784 } else { 8760 });
    }
}

#[test]
fn pvgis_rows_are_utc_whatever_their_heading_says() {
    let po = typical(EPW);
    let ghi = [
        47848.0, 67017.0, 118_552.0, 121_411.0, 149_824.0, 216_152.0, 205_188.0, 178_507.0,
        135_486.0, 89031.0, 60631.0, 46214.0,
    ];
    for (got, want) in monthly(&po, Quantity::Ghi).iter().zip(ghi) {
        close(*got, want);
    }
    let series = po.over(utc("2027-01-01T00:00:00Z"), utc("2028-01-01T00:00:00Z"));
    close(sum(&series.rows, Quantity::Dni), 1_591_565.16);
    close(sum(&series.rows, Quantity::Dhi), 570_947.0);
    assert!(!series.speaks_of(Quantity::Rain) && !series.speaks_of(Quantity::Gust));
    let greatest = series
        .rows
        .iter()
        .filter_map(|row| row.values.mean)
        .fold(0.0, f64::max);
    close(greatest, 7.5);
    // First row of the file: 2018,1,1,1: 2.04 °C, 94.38 %, 99870 Pa, from 257°, 0.7 m/s.
    let first = series.rows[0].values;
    for (got, want) in [
        (first.temperature, 2.04),
        (first.humidity, 94.38),
        (first.pressure, 998.7),
        (first.direction, 257.0),
        (first.mean, 0.7),
    ] {
        close(got.unwrap(), want);
    }
    let notes = words(&po.about.notes);
    assert!(
        notes.contains("the heading says zone 1") && notes.contains("about minute 11"),
        "{notes}"
    );
}

#[test]
fn the_light_of_each_file_follows_the_sun_over_its_place() {
    let year = (utc("2027-01-01T05:00:00Z"), utc("2028-01-01T05:00:00Z"));
    let jfk = Location::new(40.65, -73.8, 5.0).unwrap();
    let po = Location::new(45.0, 8.0, 250.0).unwrap();
    // End-of-hour labels in EST, read as such, fit to within the ten minutes asked for.
    let shift = shift_to_sun_min(&typical(TMY3).over(year.0, year.1), jfk).unwrap();
    assert!(shift.abs() <= 10, "{shift}");
    // Values of minute 11 stand for the whole hour: twenty minutes early, not an hour off.
    let shift = shift_to_sun_min(&typical(EPW).over(year.0, year.1), po).unwrap();
    assert!((-30..=0).contains(&shift), "{shift}");
    // The wrong place shows: over the Po valley the sun is five and a half hours earlier.
    let wrong = shift_to_sun_min(&typical(TMY3).over(year.0, year.1), po).unwrap();
    assert!((-340..=-310).contains(&wrong), "{wrong}");
}

#[test]
fn hourly_station_reports_keep_gusts_gaps_and_missing_values() {
    let jfk = real("jfk_2013_hourly.csv.gz");
    assert_eq!(
        (jfk.rows.len(), jfk.about.resolution_ms, jfk.gaps().len()),
        (8706, HOUR, 14)
    );
    let count = |quantity| {
        jfk.rows
            .iter()
            .filter(|row| row.values.get(quantity).is_some())
            .count()
    };
    // Counts by the first lines of storm_summary.csv.
    assert_eq!((count(Quantity::Gust), count(Quantity::Mean)), (1507, 8703));
    assert_eq!(moment(jfk.rows[0].start), "2013-01-01T06:00:00Z");
    assert_eq!(moment(jfk.rows.last().unwrap().end), "2013-12-31T00:00:00Z");
    let longest = jfk
        .gaps()
        .iter()
        .map(|gap| gap.to.0 - gap.from.0)
        .max()
        .unwrap();
    assert_eq!(longest, 5 * HOUR); // six hours from reading to reading, the first of which is known
}

#[test]
fn a_described_file_in_other_units_says_the_same_as_the_one_made_from_it() {
    let (raw, si) = (
        real("nycflights13_jfk_2013.csv.gz"),
        real("jfk_2013_hourly.csv.gz"),
    );
    assert_eq!(raw.rows.len(), si.rows.len());
    for (raw, si) in raw.rows.iter().zip(&si.rows) {
        assert_eq!((raw.start, raw.end), (si.start, si.end));
        for quantity in Quantity::ALL {
            match (raw.values.get(quantity), si.values.get(quantity)) {
                (None, None) => {}
                (Some(raw), Some(si)) => {
                    assert!((raw - si).abs() < 1e-6 * si.abs().max(1.0), "{raw} {si}")
                }
                (raw, si) => panic!("{quantity:?}: {raw:?} and {si:?}"),
            }
        }
    }
}

#[test]
fn ten_minute_means_and_maxima_of_a_mast() {
    let mast = real("mast40m_2016_06_2017_05_10min.csv.gz");
    assert_eq!(
        (mast.rows.len(), mast.about.resolution_ms, mast.gaps().len()),
        (52560, HOUR / 6, 0)
    );
    // 2016-06-01T00:00:00Z,5.121,7.869,1.015,25.79,0.0,9.15,97.8
    let first = mast.rows[0].values;
    let pairs = [
        (first.mean, 5.121),
        (first.gust, 7.869),
        (first.direction, 25.79),
        (first.temperature, 9.15),
    ];
    for (got, want) in pairs {
        close(got.unwrap(), want);
    }
}

#[test]
fn a_span_outside_the_data_is_refused_with_the_span_that_there_is() {
    let jfk = read(&file("jfk_2013_hourly.csv.gz")).unwrap();
    let error = jfk
        .over(utc("2014-01-01T05:00:00Z"), utc("2015-01-01T05:00:00Z"))
        .unwrap_err()
        .to_string();
    for words in [
        "2014-01-01T05:00:00Z to 2015-01-01T05:00:00Z",
        "from 2013-01-01T06:00:00Z to 2013-12-31T00:00:00Z",
    ] {
        assert!(error.contains(words), "{error}");
    }
    // An hour and a bit more than a day missing at the ends of the year are gaps.
    let (from, to) = (utc("2013-01-01T05:00:00Z"), utc("2014-01-01T05:00:00Z"));
    let series = jfk.over(from, to).unwrap();
    let gaps = series.gaps_over(from, to);
    assert_eq!(gaps.len(), 16);
    assert_eq!(
        (gaps[0].from, gaps[0].to),
        (from, utc("2013-01-01T06:00:00Z"))
    );
}

#[test]
fn a_broken_line_of_a_real_file_is_named_with_its_place() {
    use std::io::Read as _;
    let folder = tempfile::tempdir().unwrap();
    let mut text = String::new();
    let packed = std::fs::read(file(TMY3)).unwrap();
    flate2::read::GzDecoder::new(packed.as_slice())
        .read_to_string(&mut text)
        .unwrap();
    let path = folder.path().join("jfk.csv");
    let check = |from: &str, to: &str, complaint: &str| {
        assert!(text.contains(from), "{from}");
        std::fs::write(&path, text.replacen(from, to, 1)).unwrap();
        let error = read(&path).unwrap_err().to_string();
        assert!(error.contains(complaint), "{error}");
    };
    check(
        "01/01/1999,02:00,0,0,0,",
        "01/01/1999,02:00,0,0,O,",
        "jfk.csv:5:22: GHI (W/m^2): found \"O\", expected a number in W/m²",
    );
    check(
        "01/01/1999,02:00",
        "01/01/1999,25:00",
        "jfk.csv:5:12: Time (HH:MM): found \"25:00\", expected a full hour",
    );
    check(
        "01/01/1999,02:00",
        "31/01/1999,02:00",
        "jfk.csv:5:1: Date (MM/DD/YYYY)",
    );
    check(
        "Dry-bulb (C)",
        "Temp (C)",
        "jfk.csv:2: there is no column \"Dry-bulb (C)\"",
    );
    check(
        ",-5.0,40.650,",
        ",-5.0,140.650,",
        "latitude: found \"140.650\", expected -90 to 90 degrees",
    );
    check(
        "01/01/1999,03:00",
        "01/01/1999,02:00",
        "01/01 02:00 stands there twice",
    );
}

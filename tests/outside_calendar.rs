//! `leeside calendar` as a whole program against the reference tables: what an
//! outside check would see. The tables, their sources and licences stand in
//! `config/tests/reference/README.md`; the crate's own tests ask the same of the
//! library, and more finely.
#![expect(clippy::expect_used, reason = "a failed expectation is a failed test")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use chrono::{DateTime, NaiveDate, NaiveDateTime, TimeDelta, Utc};
use serde_json::Value;

type Row = BTreeMap<String, String>;

fn rows(table: &str) -> Vec<Row> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(table.as_bytes());
    let rows: Vec<Row> = reader
        .deserialize()
        .map(|row| row.expect("a well-formed row"))
        .collect();
    assert!(!rows.is_empty(), "an empty table checks nothing");
    rows
}

/// The list that the machine form is, of a run that went well.
fn asked(arguments: &[&str]) -> Vec<Value> {
    let output = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .arg("calendar")
        .args(arguments)
        .args(["--format", "json"])
        .output()
        .expect("the program starts");
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {said}");
    assert_eq!(said, "", "{arguments:?}");
    let list: Value = serde_json::from_slice(&output.stdout).expect("one JSON value");
    list.as_array().expect("a list").clone()
}

fn fields(object: &Value) -> Vec<&str> {
    let object = object.as_object().expect("an object");
    object.keys().map(String::as_str).collect()
}

fn text<'a>(object: &'a Value, name: &str) -> &'a str {
    object[name].as_str().expect("a text")
}

/// Date, name, substitute.
type Day = (String, String, bool);

fn holidays(region: &str, year: i32) -> Vec<Day> {
    asked(&["--region", region, "--year", &year.to_string()])
        .iter()
        .map(|day| {
            assert_eq!(fields(day), ["date", "name", "substitute"]);
            (
                text(day, "date").to_owned(),
                text(day, "name").to_owned(),
                day["substitute"].as_bool().expect("true or false"),
            )
        })
        .collect()
}

/// Holidays of a table by region and year, those that a rule gives.
type Table = BTreeMap<(String, i32), Vec<Day>>;

fn put(table: &mut Table, region: &str, row: &Row, substitute: &str) {
    let date = row["date"].clone();
    let year = date[..4].parse().expect("a year");
    let days = table.entry((region.to_owned(), year)).or_default();
    if row["one_off"] == "0" {
        days.push((date, row["name"].clone(), row[substitute] == "1"));
    }
}

/// Nine regions in the even years 2024 to 2034 (holidays 0.109): exact in date, name
/// and substitute. Days decreed for one year are no rules and left out.
#[test]
fn holidays_of_nine_regions_are_those_of_the_table() {
    let mut table = Table::new();
    for row in rows(include_str!(
        "../config/tests/reference/holidays_nine_regions.csv"
    )) {
        let region = match row["subdiv"].as_str() {
            "" => row["country"].clone(),
            part => format!("{}-{part}", row["country"]),
        };
        put(&mut table, &region, &row, "observed");
    }
    assert_eq!(table.len(), 9 * 6);
    let decreed: usize = 585 - table.values().map(Vec::len).sum::<usize>();
    assert!(decreed < 10, "{decreed} decreed days are hardly one-off");
    for ((region, year), wanted) in table {
        assert_eq!(holidays(&region, year), wanted, "{region} {year}");
    }
}

/// Every region of the wider table, 2020 to 2036 (holidays 0.109). In two years
/// Scotland differs in names only: the substitute for New Year's Day is the 3rd and
/// the 2nd is a holiday in itself (Banking and Financial Dealings Act 1971, schedule 1
/// paragraph 2).
#[test]
fn holidays_of_all_regions_are_those_of_the_table() {
    let mut table = Table::new();
    for row in rows(include_str!(
        "../config/tests/reference/holidays_all_regions.csv"
    )) {
        let region = row["region"].clone();
        put(&mut table, &region, &row, "substitute");
    }
    let regions: BTreeSet<&str> = table.keys().map(|(region, _)| region.as_str()).collect();
    for state in [
        "BB", "BE", "BW", "BY", "HB", "HE", "HH", "MV", "NI", "NW", "RP", "SH", "SL", "SN", "ST",
        "TH",
    ] {
        assert!(regions.contains(format!("DE-{state}").as_str()), "{state}");
    }
    for region in [
        "AT", "CH-ZH", "CH-BE", "CH-BS", "CH-GE", "CH-TI", "FR", "GB-ENG", "GB-SCT", "GB-WLS",
        "GB-NIR", "NL", "BE", "IT", "PL", "SE", "US",
    ] {
        assert!(regions.contains(region), "{region}");
    }
    assert_eq!(table.len(), regions.len() * 17, "each region in each year");
    for ((region, year), mut wanted) in table {
        if region == "GB-SCT" && (year == 2023 || year == 2034) {
            let of = |day: u32| format!("{year}-01-0{day}");
            wanted.retain(|day| day.0 != of(2) && day.0 != of(3));
            let ours = [
                (of(2), "New Year Holiday".to_owned(), false),
                (of(3), "New Year's Day (observed)".to_owned(), true),
            ];
            wanted.extend(ours);
            wanted.sort();
        }
        assert_eq!(holidays(&region, year), wanted, "{region} {year}");
    }
}

/// Easter Sunday is a public holiday in Brandenburg (Feiertagsgesetz § 2): the rules
/// are stated from 2000 on, and the table (python-dateutil) goes to 2199. The
/// century before is held to the table in `config/tests/holidays.rs`.
#[test]
fn easter_of_two_centuries_is_that_of_the_table() {
    let table = rows(include_str!(
        "../config/tests/reference/easter_all_years.csv"
    ));
    let mut compared = 0;
    for row in table {
        let year: i32 = row["year"].parse().expect("a year");
        if year < 2000 {
            continue;
        }
        let days = holidays("DE-BB", year);
        let found = days.iter().find(|day| day.1 == "Easter Sunday");
        assert_eq!(found.map(|day| &day.0), Some(&row["easter"]), "{year}");
        compared += 1;
    }
    assert_eq!(compared, 200);
}

fn written(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).expect("a folder to write in");
    path.to_str().expect("UTF-8").to_owned()
}

fn occurrences(file: &str, from: &str, to: &str, zone: &str) -> Vec<Value> {
    let list = asked(&["--ics", file, "--from", from, "--to", to, "--zone", zone]);
    for row in &list {
        assert_eq!(
            fields(row),
            [
                "summary",
                "start_local",
                "start_utc",
                "end_local",
                "end_utc",
                "all_day"
            ]
        );
    }
    list
}

fn strings(list: &Value) -> Vec<&str> {
    let list = list.as_array().map(Vec::as_slice).unwrap_or_default();
    list.iter().map(|v| v.as_str().expect("a text")).collect()
}

/// The 44 recurrence cases (the examples of RFC 5545 §3.8.5.3, and zones, gaps,
/// overlaps, EXDATE, RDATE, UNTIL, all-day and floating events; python-dateutil,
/// libical and recurring-ical-events agree on them), 662 occurrences in all. UTC
/// stands where the event itself fixes an instant, and is null elsewhere.
#[test]
fn the_44_recurrence_cases_agree() {
    let table: Value =
        serde_json::from_str(include_str!("../config/tests/reference/rrule_cases.json"))
            .expect("JSON");
    let cases = table["cases"].as_array().expect("a list");
    let folder = tempfile::tempdir().expect("a folder");
    let (mut compared, mut kinds) = (0, BTreeSet::new());
    for case in cases {
        let id = text(case, "id");
        let file = written(folder.path(), &format!("{id}.ics"), text(case, "ics"));
        let zone = case["tzid"].as_str();
        let wanted = strings(&case["occurrences_local"]);
        let complete = case["complete"] == true;
        // A complete list is all there is; a cut one is asked up to beyond its end.
        let to = if complete {
            "2199-01-01T00:00:00Z".to_owned()
        } else {
            format!("{}T23:59:59-12:00", &wanted[wanted.len() - 1][..10])
        };
        let mut got = occurrences(
            &file,
            "1900-01-01T00:00:00Z",
            &to,
            zone.unwrap_or("Europe/Berlin"),
        );
        if !complete {
            assert!(got.len() >= wanted.len(), "{id}");
            got.truncate(wanted.len());
        }
        let local: Vec<&str> = got.iter().map(|row| text(row, "start_local")).collect();
        assert_eq!(local, wanted, "{id}");
        let utc: Vec<&str> = got
            .iter()
            .filter_map(|row| row["start_utc"].as_str())
            .collect();
        assert_eq!(utc, strings(&case["occurrences_utc"]), "{id}");
        let all_day = wanted[0].len() == "2027-01-01".len();
        for row in &got {
            assert_eq!(row["all_day"], all_day, "{id}");
            assert_eq!(row["start_utc"].is_null(), zone.is_none(), "{id}: {row}");
            assert_eq!(row["end_utc"].is_null(), zone.is_none(), "{id}: {row}");
            assert_eq!(text(row, "end_local").len(), wanted[0].len(), "{id}: {row}");
        }
        kinds.insert((all_day, zone.is_some()));
        compared += got.len();
    }
    assert_eq!((cases.len(), compared), (44, 662));
    assert_eq!(kinds.len(), 3, "timed, floating and all-day ones");
}

/// Wall times in gaps and overlaps (Python zoneinfo on tzdata 2026.6, fold 0, which is
/// RFC 5545 §3.3.5): as times with a zone, and as floating ones asked for in it.
#[test]
fn local_times_are_read_as_the_table_has_them() {
    let table = rows(include_str!("../config/tests/reference/local_time.csv"));
    assert_eq!(table.len(), 78);
    let folder = tempfile::tempdir().expect("a folder");
    for row in table {
        let (zone, local) = (&row["zone"], &row["local"]);
        let at: NaiveDateTime = local.parse().expect("a local time");
        let stamp = at.format("%Y%m%dT%H%M%S");
        let event = |summary: &str, dtstart: String| {
            format!(
                "BEGIN:VEVENT\r\nUID:{summary}\r\nDTSTAMP:20250101T000000Z\r\nDTSTART{dtstart}\r\n\
                 SUMMARY:{summary}\r\nEND:VEVENT\r\n"
            )
        };
        let file = written(
            folder.path(),
            "local.ics",
            &format!(
                "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//tests//EN\r\n{}{}END:VCALENDAR\r\n",
                event("a zoned", format!(";TZID={zone}:{stamp}")),
                event("b floating", format!(":{stamp}")),
            ),
        );
        let utc = &row["utc_fold0"];
        let instant: DateTime<Utc> = utc.parse().expect("an instant");
        // Starting in [from, to): this second only.
        let to = (instant + TimeDelta::seconds(1)).to_rfc3339();
        let mut got = occurrences(&file, utc, &to, zone);
        got.sort_by_key(|row| text(row, "summary").to_owned());
        let told: Vec<(&str, &str, Option<&str>)> = got
            .iter()
            .map(|row| {
                (
                    text(row, "summary"),
                    text(row, "start_local"),
                    row["start_utc"].as_str(),
                )
            })
            .collect();
        assert_eq!(
            told,
            [
                ("a zoned", local.as_str(), Some(utc.as_str())),
                ("b floating", local.as_str(), None)
            ],
            "{zone}"
        );
        let before = (instant - TimeDelta::seconds(1)).to_rfc3339();
        assert!(
            occurrences(&file, &before, utc, zone).is_empty(),
            "{zone} {local}: `to` is not included"
        );
    }
}

/// Days a person would count by hand: nothing is shifted by the zone asked in.
#[test]
fn whole_days_keep_their_date_in_every_zone() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = written(
        folder.path(),
        "days.ics",
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//tests//EN\r\nBEGIN:VEVENT\r\nUID:1\r\n\
         DTSTAMP:20270101T000000Z\r\nDTSTART;VALUE=DATE:20270327\r\nDTEND;VALUE=DATE:20270330\r\n\
         SUMMARY:closed\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n",
    );
    for zone in ["Pacific/Kiritimati", "Europe/Berlin", "Pacific/Pago_Pago"] {
        let got = occurrences(&file, "2027-03-01T00:00:00Z", "2027-05-01T00:00:00Z", zone);
        assert_eq!(got.len(), 1, "{zone}");
        let days = [text(&got[0], "start_local"), text(&got[0], "end_local")];
        assert_eq!(days, ["2027-03-27", "2027-03-30"], "{zone}");
        let parsed: Vec<NaiveDate> = days.iter().filter_map(|d| d.parse().ok()).collect();
        assert_eq!(parsed.len(), 2);
    }
}

//! `leeside calendar`: the two machine forms that outside checks rely on, and the
//! days of a site. The rules themselves are tested in `config/tests/`.

use crate::support::{SITE, broken, keys, leeside, leeside_in, text};
use serde_json::Value;
use std::fs;

fn region(region: &str, year: &str) -> Vec<Value> {
    let told = leeside(&[
        "calendar", "--region", region, "--year", year, "--format", "json",
    ])
    .json();
    let days = told.as_array().unwrap().clone();
    for day in &days {
        assert_eq!(keys(day), ["date", "name", "substitute"]);
    }
    days
}

#[test]
fn holidays_of_a_region_in_their_machine_form() {
    let days = region("DE-BY", "2027");
    let dates: Vec<&str> = days.iter().map(|day| text(day, "date")).collect();
    assert!(dates.is_sorted());
    // Easter Sunday of 2027 is 28 March (published tables of Easter); Corpus Christi is 60 days later.
    for date in ["2027-03-26", "2027-03-29", "2027-05-27", "2027-11-01"] {
        assert!(dates.contains(&date), "{date}");
    }
    assert!(
        !dates.contains(&"2027-10-31"),
        "Reformation Day is none in Bavaria"
    );
    assert!(days.iter().all(|day| day["substitute"] == false));
}

#[test]
fn substitute_days_say_so() {
    // Banking and Financial Dealings Act 1971, schedule 1: 2 January 2027 is a Saturday,
    // Christmas Day too, Boxing Day a Sunday.
    let days = region("GB-SCT", "2027");
    let moved = days.iter().filter(|day| day["substitute"] == true);
    let moved: Vec<&str> = moved.map(|day| text(day, "date")).collect();
    assert_eq!(moved, ["2027-01-04", "2027-12-27", "2027-12-28"]);
}

#[test]
fn for_people_each_holiday_has_its_source() {
    let told = leeside(&["calendar", "--region", "US", "--year", "2027"]).well();
    assert!(
        told.contains("2027-07-05 Mon  Independence Day (observed)  ["),
        "{told}"
    );
    assert!(told.lines().all(|line| line.ends_with(']')), "{told}");
}

/// One event of each kind of time. The local times in the gap and the overlap of
/// 2027 in New York are read as RFC 5545 §3.3.5 has it.
const EVENTS: &str = "BEGIN:VCALENDAR\r
VERSION:2.0\r
PRODID:-//tests//EN\r
BEGIN:VEVENT\r
UID:gap\r
DTSTAMP:20270101T000000Z\r
DTSTART;TZID=America/New_York:20270314T023000\r
DURATION:PT1H\r
SUMMARY:In the gap\r
END:VEVENT\r
BEGIN:VEVENT\r
UID:floating\r
DTSTAMP:20270101T000000Z\r
DTSTART:20270601T090000\r
DTEND:20270601T100000\r
SUMMARY:Floating\r
END:VEVENT\r
BEGIN:VEVENT\r
UID:utc\r
DTSTAMP:20270101T000000Z\r
DTSTART:20270602T090000Z\r
DURATION:PT30M\r
SUMMARY:In UTC\r
END:VEVENT\r
BEGIN:VEVENT\r
UID:day\r
DTSTAMP:20270101T000000Z\r
DTSTART;VALUE=DATE:20270603\r
SUMMARY:All day\r
END:VEVENT\r
BEGIN:VEVENT\r
UID:overlap\r
DTSTAMP:20270101T000000Z\r
DTSTART;TZID=America/New_York:20271107T013000\r
DURATION:PT15M\r
SUMMARY:In the overlap\r
END:VEVENT\r
END:VCALENDAR\r
";

#[test]
fn occurrences_of_a_file_in_their_machine_form() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("events.ics"), EVENTS).unwrap();
    let words = [
        "calendar",
        "--ics",
        "events.ics",
        "--zone",
        "America/New_York",
        "--format",
        "json",
    ];
    let ask = |from: &str, to: &str| {
        leeside_in(
            folder.path(),
            &[&words[..], &["--from", from, "--to", to]].concat(),
            "",
        )
        .json()
    };
    let told = ask("2027-01-01T00:00:00Z", "2028-01-01T00:00:00Z");
    let rows: Vec<Vec<&Value>> = told
        .as_array()
        .unwrap()
        .iter()
        .map(|row| {
            assert_eq!(
                keys(row),
                [
                    "summary",
                    "start_local",
                    "start_utc",
                    "end_local",
                    "end_utc",
                    "all_day"
                ]
            );
            row.as_object().unwrap().values().collect()
        })
        .collect();
    let want = serde_json::json!([
        [
            "In the gap",
            "2027-03-14T02:30:00",
            "2027-03-14T07:30:00Z",
            "2027-03-14T04:30:00",
            "2027-03-14T08:30:00Z",
            false
        ],
        [
            "Floating",
            "2027-06-01T09:00:00",
            null,
            "2027-06-01T10:00:00",
            null,
            false
        ],
        [
            "In UTC",
            "2027-06-02T05:00:00",
            "2027-06-02T09:00:00Z",
            "2027-06-02T05:30:00",
            "2027-06-02T09:30:00Z",
            false
        ],
        ["All day", "2027-06-03", null, "2027-06-04", null, true],
        [
            "In the overlap",
            "2027-11-07T01:30:00",
            "2027-11-07T05:30:00Z",
            "2027-11-07T01:45:00",
            "2027-11-07T05:45:00Z",
            false
        ],
    ]);
    assert_eq!(serde_json::json!(rows), want);
    // From is included, to is not.
    let from_there = ask("2027-06-02T09:00:00Z", "2027-06-02T09:00:01Z");
    assert_eq!(from_there.as_array().unwrap().len(), 1);
    let until_there = ask("2027-06-02T08:00:00Z", "2027-06-02T09:00:00Z");
    assert_eq!(until_there.as_array().unwrap().len(), 0);
}

#[test]
fn every_day_of_a_site_has_a_class_and_a_reason() {
    let told = leeside(&["calendar", SITE, "--year", "2028", "--format", "json"]).json();
    let days = told.as_array().unwrap();
    assert_eq!(days.len(), 366, "a leap year");
    assert_eq!(keys(&days[0]), ["date", "class", "why"]);
    let of = |date: &str| days.iter().find(|day| day["date"] == date).unwrap();
    for (date, class, why) in [
        // The house's own closed day is stronger than the holiday on the same day.
        ("2028-01-01", "closed", "Closed over the year's end"),
        // 5 U.S.C. 6103 (a): the third Monday in January.
        ("2028-01-17", "holiday", "Martin Luther King"),
        ("2028-02-29", "workday", ""),
        ("2028-03-04", "weekend", ""),
        ("2028-04-04", "closed", "Stocktaking 2028"),
        // The third Friday in July.
        ("2028-07-21", "closed", "House outing"),
    ] {
        assert_eq!(of(date)["class"], class, "{date}");
        assert!(text(of(date), "why").contains(why), "{date}: {}", of(date));
    }
    let told = leeside(&["calendar", SITE, "--year", "2028"]).well();
    assert_eq!(told.lines().count(), 366);
    assert!(
        told.contains("2028-04-04 Tue  closed      Stocktaking 2028\n"),
        "{told}"
    );
    assert!(told.contains("2028-02-29 Tue  workday\n"), "{told}");
}

#[test]
fn what_the_rules_do_not_cover_is_said() {
    let said = leeside(&["calendar", SITE, "--year", "1900"]);
    assert!(
        said.err
            .contains("the holiday rules of US are stated for 2000 to 2199"),
        "{}",
        said.err
    );
    assert_eq!(said.well().lines().count(), 365);
}

/// The zone data end with 2099. Where somebody asks beyond, it is said, and the class
/// of a day stays what it is.
#[test]
fn clock_changes_after_2099_are_not_known_and_that_is_said() {
    const SAID: &str = "the clock changes of America/New_York are known up to 2099";
    let within = leeside(&["calendar", SITE, "--year", "2099"]);
    assert_eq!(within.err, "");
    let beyond = leeside(&["calendar", SITE, "--year", "2100"]);
    assert!(
        beyond.err.contains("warning: ") && beyond.err.contains(SAID),
        "{}",
        beyond.err
    );
    assert_eq!(beyond.well().lines().count(), 365, "2100 is no leap year");

    let folder = tempfile::tempdir().unwrap();
    let event = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTART;TZID=America/New_York:\
                 20990701T120000\r\nRRULE:FREQ=YEARLY\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n";
    fs::write(folder.path().join("noon.ics"), event).unwrap();
    let ask = |to: &str, zone: &str| {
        let from = "2099-01-01T00:00:00Z";
        let words = [
            "calendar", "--ics", "noon.ics", "--from", from, "--to", to, "--zone", zone,
            "--format", "json",
        ];
        leeside_in(folder.path(), &words, "")
    };
    assert_eq!(ask("2100-01-01T00:00:00Z", "America/New_York").err, "");
    let said = ask("2101-01-01T00:00:00Z", "America/New_York");
    assert!(
        said.err.starts_with("noon.ics: warning: the clock changes"),
        "{}",
        said.err
    );
    let starts = said.json();
    let starts: Vec<&str> = starts
        .as_array()
        .unwrap()
        .iter()
        .map(|row| text(row, "start_utc"))
        .collect();
    // Once the data go further, the second is 16:00 too and the warning can go.
    assert_eq!(starts, ["2099-07-01T16:00:00Z", "2100-07-01T17:00:00Z"]);
}

#[test]
fn what_is_broken_is_named() {
    const SPAN: [&str; 4] = [
        "--from",
        "2027-01-01T00:00:00Z",
        "--to",
        "2028-01-01T00:00:00Z",
    ];
    let [from, a, to, b] = SPAN;
    broken(&[
        (&["calendar"], "--region"),
        (&["calendar", SITE], "--year"),
        (&["calendar", "--region", "DE-BY"], "--year"),
        (
            &["calendar", "--region", "de-by", "--year", "2027"],
            "did you mean DE-BY?",
        ),
        (
            &["calendar", "--region", "DE-XX", "--year", "2027"],
            "known: DE, DE-BB,",
        ),
        (
            &["calendar", "--region", "XX", "--year", "2027"],
            "known countries: AT, BE, CH,",
        ),
        (
            &["calendar", "--region", "AT", "--year", "1850"],
            "stated for 2000 to 2199, not for 1850",
        ),
        (
            &["calendar", SITE, "--year", "999999"],
            "999999 is not a year of the calendar",
        ),
        (
            &["calendar", "nowhere.toml", "--year", "2027"],
            "nowhere.toml:1:1: error: the site file cannot be read",
        ),
        (
            &[
                "calendar",
                "--ics",
                "nowhere.ics",
                from,
                a,
                to,
                b,
                "--zone",
                "UTC",
            ],
            "nowhere.ics: cannot be read",
        ),
        (&["calendar", "--ics", "x.ics", from, a, to, b], "--zone"),
        (
            &[
                "calendar",
                "--ics",
                "x.ics",
                from,
                "2027-01-01",
                to,
                b,
                "--zone",
                "UTC",
            ],
            "expected RFC 3339",
        ),
        (
            &[
                "calendar", "--ics", "x.ics", from, b, to, a, "--zone", "UTC",
            ],
            "--to must be later than --from",
        ),
        (
            &[
                "calendar",
                "--ics",
                "x.ics",
                from,
                a,
                to,
                b,
                "--zone",
                "Sea/Bottom",
            ],
            "`Sea/Bottom` is unknown",
        ),
        (
            &[
                "calendar",
                "--ics",
                "config/tests/broken_calendars/06-no-such-day.ics",
                from,
                a,
                to,
                b,
                "--zone",
                "UTC",
            ],
            "06-no-such-day.ics:5:20: error: DTSTART: `20270230` is not a day of the calendar",
        ),
    ]);
}

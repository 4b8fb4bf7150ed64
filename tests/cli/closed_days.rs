//! `leeside closed-days`: the facility manager's edits, on a copy of the example,
//! and that the building follows them.

use crate::support::{Said, copied_example, keys, leeside_in, text};
use std::fs;
use std::path::Path;

fn closed_days(folder: &Path, words: &[&str]) -> Said {
    leeside_in(folder, &[&["closed-days"], words].concat(), "")
}

fn house(folder: &Path) -> String {
    fs::read_to_string(folder.join("house.ics")).unwrap()
}

const REPAIR: [&str; 7] = [
    "add",
    "site.toml",
    "2027-08-03",
    "--until",
    "2027-08-04",
    "--name",
    "Pump repair",
];

#[test]
fn what_was_added_is_listed_and_removing_it_restores_every_byte() {
    let folder = copied_example();
    let folder = folder.path();
    let before = house(folder);
    let added = closed_days(folder, &REPAIR).well();
    assert!(
        added.starts_with("added 2027-08-03 to 2027-08-04 Pump repair (uid "),
        "{added}"
    );
    let after = house(folder);
    // What it did not write stays: all but the last line of the file as it was.
    let kept = before.strip_suffix("END:VCALENDAR\r\n").unwrap();
    assert!(after.starts_with(kept), "{after}");
    assert!(after.len() > before.len());

    let told = closed_days(folder, &["list", "site.toml", "--format", "json"]).json();
    let entries = told["entries"].as_array().unwrap();
    let entry = entries
        .iter()
        .find(|entry| entry["name"] == "Pump repair")
        .unwrap();
    assert_eq!(
        keys(entry),
        [
            "uid",
            "first",
            "last",
            "name",
            "yearly",
            "last_year",
            "categories",
            "all_day",
            "cancelled",
            "line"
        ]
    );
    assert_eq!(
        (text(entry, "first"), text(entry, "last")),
        ("2027-08-03", "2027-08-04")
    );
    assert_eq!(entry["yearly"], false);
    let listed = closed_days(folder, &["list", "house.ics"]).well();
    assert!(
        listed.contains("2027-08-03 to 2027-08-04 Pump repair"),
        "{listed}"
    );

    let removed = closed_days(
        folder,
        &["remove", "site.toml", "--uid", text(entry, "uid")],
    )
    .well();
    assert!(
        removed.starts_with("removed 2027-08-03 to 2027-08-04 Pump repair"),
        "{removed}"
    );
    assert_eq!(house(folder), before);
}

#[test]
fn the_building_follows_a_day_that_was_just_added() {
    let folder = copied_example();
    let folder = folder.path();
    let next = |count: &str| {
        let words = [
            "next",
            "site.toml",
            "--group",
            "harbour offices 1",
            "--from",
            "2027-08-02T23:00",
            "--format",
            "json",
        ];
        leeside_in(folder, &[&words[..], &["--count", count]].concat(), "").json()
    };
    let usual = next("1");
    assert_eq!(
        usual["groups"][0]["next"][0]["decided_by"], "sun",
        "a workday"
    );

    let _ = closed_days(folder, &REPAIR).well();
    let _ = leeside_in(folder, &["check", "--strict", "site.toml"], "").well();
    let days = leeside_in(folder, &["calendar", "site.toml", "--year", "2027"], "").well();
    assert!(
        days.contains("2027-08-04 Wed  closed      Pump repair\n2027-08-05 Thu  workday\n"),
        "{days}"
    );
    let told = next("2");
    let [closed, open] = &told["groups"][0]["next"].as_array().unwrap()[..] else {
        unreachable!("two movements: {told}")
    };
    // The example: closed days begin at midnight, extended with the slats at 75°; that
    // stays so over both days whatever the sun does, until the first phase of Thursday.
    assert_eq!(closed["at_local"], "2027-08-03T00:00:00-04:00");
    assert_eq!(closed["in_s"], 3600);
    assert_eq!(closed["extension_pct"], 100);
    assert_eq!(closed["tilt_deg"], 75);
    assert_eq!(closed["decided_by"], "timetable");
    assert_eq!(open["at_local"], "2027-08-05T06:30:00-04:00");
    assert_eq!(open["extension_pct"], 0);
}

#[test]
fn days_that_come_each_year_do() {
    let folder = copied_example();
    let folder = folder.path();
    let words = [
        "add",
        "site.toml",
        "2027-08-16",
        "--name",
        "Regatta",
        "--yearly",
        "--last-year",
        "2029",
    ];
    let _ = closed_days(folder, &words).well();
    for (year, closed) in [("2027", true), ("2029", true), ("2030", false)] {
        let days = leeside_in(folder, &["calendar", "site.toml", "--year", year], "").well();
        assert_eq!(days.contains("closed      Regatta\n"), closed, "{year}");
    }
}

#[test]
fn whoever_has_seen_another_state_is_told_and_nothing_is_lost() {
    let folder = copied_example();
    let folder = folder.path();
    let seen = closed_days(folder, &["list", "site.toml", "--format", "json"]).json();
    let seen = text(&seen, "revision");
    let with = |name: &str| {
        closed_days(
            folder,
            &[
                "add",
                "site.toml",
                "2027-08-09",
                "--name",
                name,
                "--revision",
                seen,
            ],
        )
    };
    let _ = with("Regatta").well();
    let present = house(folder);
    let err = with("Regatta, second day").refused(1);
    assert!(
        err.starts_with("somebody changed the calendar meanwhile"),
        "{err}"
    );
    assert!(
        err.contains("wanted: add 2027-08-09 Regatta, second day"),
        "{err}"
    );
    assert!(
        err.contains("2027-08-09 Regatta (uid "),
        "what is there now: {err}"
    );
    assert_eq!(house(folder), present);
}

#[test]
fn a_file_is_begun_only_when_asked_to() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let err = closed_days(
        folder,
        &["add", "new.ics", "2027-08-09", "--name", "Regatta"],
    )
    .refused(2);
    assert!(err.contains("there is no file new.ics"), "{err}");
    let _ = closed_days(
        folder,
        &[
            "add",
            "new.ics",
            "2027-08-09",
            "--name",
            "Regatta",
            "--create",
        ],
    )
    .well();
    let listed = closed_days(folder, &["list", "new.ics"]).well();
    assert!(listed.starts_with("2027-08-09 Regatta (uid "), "{listed}");
}

/// What is typed, and what is said.
const NONSENSE: [(&[&str], &str); 15] = [
    (
        &["add", "site.toml", "2027-02-30", "--name", "x"],
        "expected a day of the calendar as YYYY-MM-DD",
    ),
    (
        &["add", "site.toml", "9.8.2027", "--name", "x"],
        "expected a day of the calendar as YYYY-MM-DD",
    ),
    (&["add", "site.toml", "2027-08-09"], "--name"),
    (
        &["add", "site.toml", "2027-08-09", "--name", ""],
        "the name is empty",
    ),
    (
        &[
            "add",
            "site.toml",
            "2027-08-09",
            "--until",
            "2027-08-02",
            "--name",
            "x",
        ],
        "the end comes before the start",
    ),
    (
        &["add", "site.toml", "1027-08-09", "--name", "x"],
        "not within the years 1900 to 2199",
    ),
    (
        &[
            "add",
            "site.toml",
            "2027-08-09",
            "--until",
            "2029-08-09",
            "--name",
            "x",
        ],
        "longer than a year",
    ),
    (
        &[
            "add",
            "site.toml",
            "2027-08-09",
            "--name",
            "x",
            "--yearly",
            "--last-year",
            "2020",
        ],
        "each year until 2020, but the first time is 2027-08-09",
    ),
    (
        &[
            "add",
            "site.toml",
            "2027-08-09",
            "--name",
            "x",
            "--last-year",
            "2030",
        ],
        "--yearly",
    ),
    (
        &[
            "add",
            "site.toml",
            "2027-04-05",
            "--until",
            "2027-04-06",
            "--name",
            "Stocktaking 2027",
        ],
        "has this already",
    ),
    (&["remove", "site.toml"], "--uid"),
    (
        &["remove", "site.toml", "--uid", "nobody"],
        "no entry with uid nobody",
    ),
    (
        &["remove", "site.toml", "--begins", "2027-12-25"],
        "it may lie within 2025-12-24 to 2026-01-01",
    ),
    (&["list", "nowhere.toml"], "nowhere.toml: No such file"),
    (
        &["add", "not.ics", "2027-08-09", "--name", "x"],
        "the file is left as it is",
    ),
];

#[test]
fn nonsense_is_refused_and_changes_nothing() {
    let folder = copied_example();
    let folder = folder.path();
    fs::write(folder.join("not.ics"), "closed on Mondays\n").unwrap();
    let before = house(folder);
    for (words, said) in NONSENSE {
        let err = closed_days(folder, words).refused(2);
        assert!(err.contains(said), "{words:?}: {err}");
    }
    assert_eq!(house(folder), before);
    assert_eq!(
        fs::read_to_string(folder.join("not.ics")).unwrap(),
        "closed on Mondays\n"
    );
}

//! `leeside lockouts` on a series of a few hours, worked out by hand.

use crate::support::{JFK_2013, Said, TMY3, keys, leeside, leeside_in};
use std::fs;
use tempfile::TempDir;

/// An hour each. With a limit of 11 m/s, 2 m/s of hysteresis and half an hour of hold:
/// 01:00 at 12 engages. 02:00 at 9 is not below 9. 03:00 has no gust, and its mean of 9
/// is not below 9 either. From 04:00 it is calm: released at 04:30. 05:00 says nothing.
/// 08:00 at 11 engages, at the limit itself, and the data end at 09:00.
const WIND: &str = "utc,mean_ms,gust_ms
2027-01-31T20:00:00Z,3,4
2027-01-31T21:00:00Z,3,12
2027-01-31T22:00:00Z,3,9
2027-01-31T23:00:00Z,9,
2027-02-01T00:00:00Z,3,4
2027-02-01T01:00:00Z,,
2027-02-01T02:00:00Z,3,4
2027-02-01T03:00:00Z,3,4
2027-02-01T04:00:00Z,3,11
";

fn folder() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("wind.csv"), WIND).unwrap();
    folder
}

fn ask(folder: &TempDir, more: &[&str]) -> Said {
    let words = [
        "lockouts",
        "--series",
        "wind.csv",
        "--limit",
        "11",
        "--hysteresis",
        "2",
        "--hold",
        "30m",
    ];
    leeside_in(folder.path(), &[&words[..], more].concat(), "")
}

/// Start, end, still open, peak, by a gap.
type Row = (&'static str, &'static str, bool, f64, bool);

const BLOW: Row = (
    "2027-01-31T21:00:00Z",
    "2027-02-01T00:30:00Z",
    false,
    12.0,
    false,
);
const LAST: Row = (
    "2027-02-01T04:00:00Z",
    "2027-02-01T05:00:00Z",
    true,
    11.0,
    false,
);
/// Unknown from 01:00 to 02:00; then calm, which has to last half an hour.
const GAP: Row = (
    "2027-02-01T01:00:00Z",
    "2027-02-01T02:30:00Z",
    false,
    4.0,
    true,
);

#[test]
fn a_few_hours_by_hand_in_their_machine_form() {
    let folder = folder();
    let held: &[Row] = &[BLOW, LAST];
    let unknown: &[Row] = &[BLOW, GAP, LAST];
    for (on_gap, rows, january, february) in
        [("hold", held, 3.5, 1.0), ("unknown", unknown, 3.5, 2.5)]
    {
        let told = ask(&folder, &["--on-gap", on_gap, "--format", "json"]).json();
        assert_eq!(
            keys(&told),
            [
                "format_version",
                "program",
                "series",
                "limit_mps",
                "hysteresis_mps",
                "rain",
                "hold_s",
                "on_gap",
                "lockouts",
                "total_hours",
                "by_month"
            ]
        );
        let want = rows.iter().map(|(start, end, open, peak, by_gap)| {
            serde_json::json!({
                "start_utc": start, "end_utc": end, "open": open, "peak_mps": peak, "by_gap": by_gap,
            })
        });
        assert_eq!(
            told["lockouts"],
            want.collect::<serde_json::Value>(),
            "{on_gap}"
        );
        assert_eq!(told["on_gap"], on_gap);
        assert_eq!(told["hold_s"], 1800);
        assert_eq!(told["total_hours"], january + february);
        // Each belongs to the month in which it began.
        assert_eq!(told["by_month"]["2027-01"]["hours"], january);
        assert_eq!(told["by_month"]["2027-02"]["hours"], february);
        assert_eq!(told["by_month"]["2027-02"]["lockouts"], rows.len() - 1);
        // One row of the nine says nothing of the wind.
        assert_eq!(told["series"]["readings"], 8);
        assert_eq!(told["series"]["gaps"], 1);
        assert_eq!(told["series"]["gap_hours"], 1.0);
        assert_eq!(told["series"]["resolution_s"], 3600);
    }
}

#[test]
fn for_people_it_says_what_a_gap_meant_and_that_means_hide_gusts() {
    let folder = folder();
    let told = ask(&folder, &["--on-gap", "hold"]).well();
    for words in [
        "Lockouts of wind at or above 11 m/s, released below 9.0 m/s for 30 min\n",
        "Gaps:  1 (1.0 h): the last reading holds through them",
        "a gust in 7 of 9 rows only; elsewhere the mean counts, and means hide gusts",
        "\n2027-01         1      3.5\n",
        "\nall             2      4.5\n",
        "  1:00 h  2027-02-01T04:00:00Z  2027-02-01T05:00:00Z  11.0 m/s, still locked where the data end\n",
    ] {
        assert!(told.contains(words), "{words:?} is not in\n{told}");
    }
    // Unless told otherwise a gap is taken as a building takes it.
    let told = ask(&folder, &[]).well();
    assert!(
        told.contains("Gaps:  1 (1.0 h): unknown, so locked"),
        "{told}"
    );
    assert!(told.contains("4.0 m/s, engaged by a gap"), "{told}");
}

#[test]
fn rain_locks_until_it_has_stayed_dry() {
    // Rain in the hours from 01:00 and 04:00; dry from 02:00 and from 05:00 on, each
    // for longer than the hold of an hour and a half; the data end at 08:00.
    let folder = tempfile::tempdir().unwrap();
    let hours = ["0", "1.2", "0", "0", "0.3", "0", "0", "0"];
    let rows = hours
        .iter()
        .enumerate()
        .map(|(hour, mm)| format!("2027-01-01T0{hour}:00:00Z,{mm}\n"));
    fs::write(
        folder.path().join("rain.csv"),
        format!("utc,precip_mm\n{}", rows.collect::<String>()),
    )
    .unwrap();
    let words = [
        "lockouts", "--series", "rain.csv", "--rain", "--hold", "1h30m", "--format", "json",
    ];
    let told = leeside_in(folder.path(), &words, "").json();
    let spans: Vec<[&str; 2]> = told["lockouts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|of| {
            [
                of["start_utc"].as_str().unwrap(),
                of["end_utc"].as_str().unwrap(),
            ]
        })
        .collect();
    assert_eq!(
        spans,
        [
            ["2027-01-01T01:00:00Z", "2027-01-01T03:30:00Z"],
            ["2027-01-01T04:00:00Z", "2027-01-01T06:30:00Z"]
        ]
    );
    assert_eq!(told["rain"], true);
    assert!(told["limit_mps"].is_null());
    assert_eq!(told["lockouts"][0]["peak_mm_h"], 1.2);
}

#[test]
fn a_stricter_limit_never_locks_for_shorter() {
    let hours = |limit: &str| {
        let words = [
            "lockouts", "--series", JFK_2013, "--limit", limit, "--format", "json",
        ];
        leeside(&words).json()["total_hours"].as_f64().unwrap()
    };
    let all: Vec<f64> = ["20", "14", "10", "7"].into_iter().map(hours).collect();
    assert!(all.is_sorted() && all[0] < all[3], "{all:?}");
}

#[test]
fn what_cannot_be_answered_is_refused() {
    let folder = folder();
    for (words, said) in [
        (
            &["--limit", "5", "--hysteresis", "9"][..],
            "expected less than the limit of 5 m/s",
        ),
        (&["--limit", "-1"], "expected a speed from 0 to 100 m/s"),
        (
            &["--limit", "11", "--hold", "soon"],
            "expected a time like 90s, 30m",
        ),
        (
            &["--limit", "11", "--on-gap", "calm"],
            "[possible values: hold, unknown]",
        ),
        (&["--limit", "11", "--rain"], "cannot be used with"),
        (
            &["--rain"],
            "wind.csv: none of its rows says anything of what was asked about",
        ),
    ] {
        let words = [&["lockouts", "--series", "wind.csv"], words].concat();
        let err = leeside_in(folder.path(), &words, "").refused(2);
        assert!(err.contains(said), "{words:?}: {err}");
    }
    crate::support::broken(&[
        (
            &["lockouts", "--series", "nowhere.csv", "--limit", "9"],
            "nowhere.csv: cannot be read",
        ),
        (
            &["lockouts", "--series", "deploy", "--limit", "9"],
            "deploy: cannot be read",
        ),
        (
            &["lockouts", "--series", TMY3, "--limit", "9"],
            "a typical year has no dates",
        ),
    ]);
}

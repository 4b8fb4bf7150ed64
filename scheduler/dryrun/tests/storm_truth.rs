//! Lockouts of a limit against the shared storm truth.
//!
//! Source: `tests/weather/storm_*.csv`, computed from the same two wind years by
//! two independent Python programs that agree episode by episode (what exactly
//! is counted stands in the first lines of `storm_summary.csv`).
#![expect(clippy::unwrap_used, reason = "tests")]

use leeside_dryrun::lockouts::{Answer, Limit, OnGap, Question, ask};
use leeside_dryrun::weather::{Series, Weather, moment, read};
use std::path::{Path, PathBuf};

fn weather(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../tests/weather")
        .join(file)
}

fn series(name: &str) -> Series {
    let file = match name {
        "JFK-2013" => "jfk_2013_hourly.csv.gz",
        "mast40m_2016_06_2017_05" => "mast40m_2016_06_2017_05_10min.csv.gz",
        other => panic!("no file for {other}"),
    };
    match read(&weather(file)).unwrap() {
        Weather::Real(series) => series,
        Weather::Typical(_) | Weather::MadeUp(_) => panic!("{file} is of real dates"),
    }
}

/// Rows of a truth table as name-value pairs in the order of its header.
fn table(file: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_path(weather(file))
        .unwrap();
    reader
        .records()
        .map(|row| row.unwrap().iter().map(str::to_owned).collect())
        .collect()
}

fn answer(series: &Series, kind: &str, threshold: &str, on_gap: OnGap) -> Answer {
    let limit = match kind {
        "wind" => Limit::Wind {
            limit_mps: threshold.parse().unwrap(),
            hysteresis_mps: 2.0,
        },
        _ => Limit::Rain,
    };
    ask(
        series,
        &Question {
            limit,
            hold_ms: 30 * 60_000,
            on_gap,
        },
    )
}

fn hours(ms: i64) -> String {
    assert_eq!(ms % 60_000, 0, "lockouts of this truth are whole minutes");
    format!(
        "{:.4}",
        f64::from(i32::try_from(ms / 60_000).unwrap()) / 60.0
    )
}

#[test]
fn counts_hours_months_and_every_episode_equal_the_truth() {
    let (summary, monthly, episodes) = (
        table("storm_summary.csv"),
        table("storm_monthly.csv"),
        table("storm_episodes.csv"),
    );
    assert_eq!(
        (summary.len(), monthly.len(), episodes.len()),
        (10, 120, 2503)
    );
    for name in ["JFK-2013", "mast40m_2016_06_2017_05"] {
        let series = series(name);
        for row in summary.iter().filter(|row| row[0] == name) {
            let (kind, threshold) = (row[1].as_str(), row[2].as_str());
            let got = answer(&series, kind, threshold, OnGap::Hold);
            let case = format!("{name} {kind} {threshold}");
            assert_eq!(got.lockouts.len().to_string(), row[3], "{case}: lockouts");
            assert_eq!(hours(got.locked_ms()), row[4], "{case}: hours");
            let open = got.lockouts.iter().filter(|lockout| lockout.open).count();
            assert_eq!(open.to_string(), row[5], "{case}: open at the end");
            assert_eq!(got.readings.to_string(), row[10], "{case}: readings");

            let same = |other: &&Vec<String>| other[..3] == row[..3];
            let months: Vec<[String; 3]> = got
                .by_month
                .iter()
                .map(|((year, month), of)| {
                    [
                        format!("{year}-{month:02}"),
                        of.lockouts.to_string(),
                        hours(of.locked_ms),
                    ]
                })
                .collect();
            let want: Vec<[String; 3]> = monthly
                .iter()
                .filter(same)
                .map(|r| [r[3].clone(), r[4].clone(), r[5].clone()])
                .collect();
            assert_eq!(months, want, "{case}: months");

            let wanted: Vec<&Vec<String>> = episodes.iter().filter(same).collect();
            assert_eq!(wanted.len(), got.lockouts.len());
            for (want, lockout) in wanted.iter().zip(&got.lockouts) {
                let found = [
                    moment(lockout.start),
                    moment(lockout.end),
                    u8::from(lockout.open).to_string(),
                ];
                assert_eq!(found, want[4..7], "{case}: episode {}", want[3]);
                if kind == "wind" {
                    let peak: f64 = want[8].parse().unwrap();
                    assert!(
                        (lockout.peak.unwrap() - peak).abs() < 1e-4,
                        "{case}: peak of episode {}",
                        want[3]
                    );
                }
            }
        }
    }
}

#[test]
fn gaps_taken_as_unknown_lock_from_where_the_last_reading_ends() {
    let series = series("JFK-2013");
    let gaps = series.gaps();
    assert_eq!(gaps.len(), 14); // by the header of storm_summary.csv
    let got = answer(&series, "wind", "100", OnGap::Unknown);
    // Nothing blows 100 m/s: what locks is the gaps and the three rows without wind,
    // each until 30 minutes after the next reading.
    assert_eq!(got.lockouts.len(), 14 + 3);
    for gap in &gaps {
        let lockout = got
            .lockouts
            .iter()
            .find(|lockout| lockout.start == gap.from)
            .unwrap();
        assert_eq!(lockout.end, gap.to.plus(30 * 60_000));
        assert!(lockout.by_gap && !lockout.open);
    }
}

#[test]
fn json_says_what_was_asked_and_what_came_of_it() {
    let series = series("JFK-2013");
    let question = Question {
        limit: Limit::Wind {
            limit_mps: 17.2,
            hysteresis_mps: 2.0,
        },
        hold_ms: 1_800_000,
        on_gap: OnGap::Hold,
    };
    let answer = ask(&series, &question);
    let text = leeside_dryrun::lockouts::json(&series, &question, &answer);
    let value: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(value["format_version"], 1);
    assert_eq!(value["lockouts"].as_array().unwrap().len(), 25);
    assert_eq!(value["total_hours"], 122.5);
    assert_eq!(value["lockouts"][0]["start_utc"], "2013-01-20T21:00:00Z");
    assert_eq!(value["by_month"].as_object().unwrap().len(), 12);
    let hours: f64 = value["by_month"]
        .as_object()
        .unwrap()
        .values()
        .map(|month| month["hours"].as_f64().unwrap())
        .sum();
    assert!((hours - 122.5).abs() < 1e-9);
    assert_eq!(
        text,
        leeside_dryrun::lockouts::json(&series, &question, &ask(&series, &question))
    );
}

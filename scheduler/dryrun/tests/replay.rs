//! The replay and its reports, on a small house whose storm can be worked out by
//! hand, and against the full sun position algorithm.
#![expect(clippy::unwrap_used, reason = "tests")]

mod house;

use house::{setting, utc};
use leeside_core::model::Model;
use leeside_core::output::{Command, LockoutChange, Word};
use leeside_dryrun::replay::{Nothing, PlantKind, Setting, Sink, Stopped, Tally, replay};
use leeside_dryrun::report::{CsvSink, Head, JsonSink, summary};
use leeside_dryrun::weather::moment;
use leeside_solar::{Plane, Sun, delta_t_estimate, position};
use std::io;
use std::ops::ControlFlow;

const SHA: &str = "abc";

fn run(setting: &Setting, sink: &mut dyn Sink) -> Tally {
    replay(setting, sink, &mut |_| ControlFlow::Continue(())).unwrap()
}

fn csv(setting: &Setting) -> String {
    let mut sink = CsvSink::new(Vec::new(), &Head::of(setting, SHA)).unwrap();
    run(setting, &mut sink);
    String::from_utf8(sink.finish().unwrap()).unwrap()
}

fn json(setting: &Setting) -> String {
    let mut sink = JsonSink::new(Vec::new(), &Head::of(setting, SHA)).unwrap();
    let tally = run(setting, &mut sink);
    String::from_utf8(sink.finish(&setting.model, &tally).unwrap()).unwrap()
}

fn text(setting: &Setting) -> String {
    let tally = run(setting, &mut Nothing);
    summary(&setting.model, &Head::of(setting, SHA), &tally)
}

/// Keeps what came: moment, group, extension, word.
#[derive(Default)]
struct Kept {
    movements: Vec<(String, u32, u8, Word)>,
    lockouts: Vec<(String, u32, Word, bool)>,
}

impl Sink for Kept {
    fn movement(&mut self, _model: &Model, command: &Command) -> io::Result<()> {
        let (at, group) = (moment(command.at.wall), command.group.0);
        self.movements
            .push((at, group, command.pose.extension_pct, command.decided_by));
        Ok(())
    }

    fn lockout(&mut self, _model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.lockouts.push((
            moment(change.at.wall),
            change.group.0,
            change.word,
            change.engaged,
        ));
        Ok(())
    }
}

#[test]
fn guards_engage_and_release_at_the_moments_worked_out_by_hand() {
    let mut kept = Kept::default();
    run(&setting(PlantKind::Ideal), &mut kept);
    let at = |time: &str| format!("2027-06-22T{time}Z");
    // A gust of 9 m/s from 10:00 to 10:20: at 10:20 it is calm, 30 minutes later released.
    // Rain from 12:00 to 12:10: dry at 12:10, 20 minutes later released.
    // No data from 14:00: the last reading is of 13:59, silence after two steps (the mast)
    // and five minutes (the rain sensor); readings again at 15:00, believed after a minute
    // of good ones, then 30 and 20 minutes of calm. The gap concerns both groups.
    let expected = [
        (at("10:00:00"), 1, Word::Wind, true),
        (at("10:20:00"), 1, Word::Wind, true), // now only holding
        (at("10:50:00"), 1, Word::Wind, false),
        (at("12:00:00"), 1, Word::Rain, true),
        (at("12:10:00"), 1, Word::Rain, true),
        (at("12:30:00"), 1, Word::Rain, false),
        (at("14:01:00"), 0, Word::Wind, true),
        (at("14:01:00"), 1, Word::Wind, true),
        (at("14:04:00"), 1, Word::Rain, true),
        (at("15:01:00"), 0, Word::Wind, true),
        (at("15:01:00"), 1, Word::Wind, true),
        (at("15:01:00"), 1, Word::Rain, true),
        (at("15:21:00"), 1, Word::Rain, false),
        (at("15:31:00"), 0, Word::Wind, false),
        (at("15:31:00"), 1, Word::Wind, false),
    ];
    assert_eq!(kept.lockouts, expected);
    // And each of them pulls the awning in at that very moment.
    let pulled: Vec<_> = kept
        .movements
        .iter()
        .filter(|(_, group, extension, word)| (*group, *extension) == (1, 0) && word.is_guard())
        .collect();
    let moments: Vec<&str> = pulled.iter().map(|(at, ..)| at.as_str()).collect();
    assert_eq!(moments, [at("10:00:00"), at("12:00:00"), at("14:01:00")]);
}

#[test]
fn the_sun_brings_blinds_down_and_takes_them_up_again() {
    let mut kept = Kept::default();
    run(&setting(PlantKind::Ideal), &mut kept);
    let by_sun: Vec<_> = kept
        .movements
        .iter()
        .filter(|(_, group, _, word)| (*group, *word) == (0, Word::Sun))
        .collect();
    assert!(
        by_sun.iter().any(|(_, _, extension, _)| *extension == 100),
        "{by_sun:?}"
    );
    // The night's phase allows no sun.
    for (at, ..) in &by_sun {
        let hour = &at[11..13];
        assert!(("05".."18").contains(&hour), "{at}");
    }
}

#[test]
fn sunlit_hours_equal_those_of_the_full_algorithm_minute_by_minute() {
    let setting = setting(PlantKind::Ideal);
    let site = &setting.model.site;
    let south = Plane::new(180.0, 90.0).unwrap();
    let minutes = (setting.from.0..setting.to.0).step_by(60_000).filter(|at| {
        let full = position(*at, site.location, site.atmosphere, delta_t_estimate(*at));
        let sun = Sun::from_angles(full.apparent_elevation_deg, full.azimuth_deg);
        south.sunlit(&sun)
    });
    let expected = i64::try_from(minutes.count()).unwrap() * 60_000;
    let tally = run(&setting, &mut Nothing);
    let sunlit: i64 = tally
        .months
        .iter()
        .map(|month| month.groups[0].sunlit_ms)
        .sum();
    assert_eq!(sunlit, expected);
    assert!(
        tally
            .months
            .iter()
            .all(|month| month.groups[0].shaded_ms <= month.groups[0].sunlit_ms)
    );
}

#[test]
fn two_runs_give_the_same_bytes() {
    for plant in [PlantKind::Ideal, PlantKind::Simulated] {
        let setting = setting(plant);
        assert_eq!(csv(&setting), csv(&setting));
        assert_eq!(json(&setting), json(&setting));
        assert_eq!(text(&setting), text(&setting));
    }
}

#[test]
fn csv_has_the_columns_and_one_row_a_movement() {
    let setting = setting(PlantKind::Ideal);
    let text = csv(&setting);
    let head: Vec<&str> = text
        .lines()
        .take_while(|line| line.starts_with('#'))
        .collect();
    assert!(head.iter().any(|line| line.contains("format 1")));
    assert!(
        head.iter()
            .any(|line| line.contains("site abc, weather 000000000000, leeside")),
        "{head:?}"
    );
    assert!(
        head.iter().any(|line| line.contains("gaps: 1 (1.0 h)")),
        "{head:?}"
    );
    let mut reader = ::csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let columns: Vec<String> = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_owned)
        .collect();
    assert_eq!(
        columns,
        [
            "at_local",
            "at_utc",
            "group",
            "extension_pct",
            "tilt_deg",
            "decided_by",
            "reason",
            "lost"
        ]
    );
    let rows: Vec<::csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let tally = run(&setting, &mut Nothing);
    let counted: u32 = tally
        .months
        .iter()
        .flat_map(|month| &month.groups)
        .map(|group| group.moved())
        .sum();
    assert_eq!(rows.len(), usize::try_from(counted).unwrap());
    let mut last = String::new();
    for row in &rows {
        assert!(row[1] >= *last, "rows are in order of time");
        last = row[1].to_owned();
        let local: chrono::DateTime<chrono::FixedOffset> = row[0].parse().unwrap();
        assert_eq!(
            local,
            row[1].parse::<chrono::DateTime<chrono::Utc>>().unwrap()
        );
        assert_eq!(local.offset().local_minus_utc(), 2 * 3600); // summer in Berlin
        assert!(
            ["offices", "terrace, left"].contains(&&row[2]),
            "{}",
            &row[2]
        );
        assert!((0..=100).contains(&row[3].parse::<i32>().unwrap()));
        assert!(row[4].is_empty() || (0..=80).contains(&row[4].parse::<i32>().unwrap()));
        assert!(
            Word::ALL.iter().any(|word| word.as_str() == &row[5]),
            "{}",
            &row[5]
        );
        assert!(!row[6].is_empty());
    }
    let gust = rows
        .iter()
        .find(|row| &row[1] == "2027-06-22T10:00:00Z")
        .unwrap();
    assert_eq!(
        (&gust[2], &gust[3], &gust[5]),
        ("terrace, left", "0", "wind")
    );
    assert!(
        gust[6].contains("gust 9.0 m/s at mast, limit 8.0 m/s"),
        "{}",
        &gust[6]
    );
    assert!(gust[7].starts_with("sun: extended"), "{}", &gust[7]);
}

#[test]
fn json_carries_the_same_movements() {
    let setting = setting(PlantKind::Simulated);
    let value: serde_json::Value = serde_json::from_str(&json(&setting)).unwrap();
    assert_eq!(value["format_version"], 1);
    let rows = csv(&setting)
        .lines()
        .filter(|line| !line.starts_with('#'))
        .count()
        - 1;
    let movements = value["movements"].as_array().unwrap();
    assert_eq!(movements.len(), rows);
    let gust = movements
        .iter()
        .find(|m| m["at_utc"] == "2027-06-22T10:00:00Z")
        .unwrap();
    assert_eq!(gust["orders"][0]["device"], "A-1");
    assert_eq!(gust["lost"][0]["word"], "sun");
    assert_eq!(value["head"]["gaps"], 1);
    assert_eq!(value["summary"]["months"][0]["month"], "2027-06");
    assert_eq!(value["summary"]["groups"][1]["lockouts"]["wind"], 2);
    assert_eq!(value["summary"]["groups"][1]["lockouts"]["rain"], 2);
}

#[test]
fn the_summary_reads_as_it_did() {
    insta::assert_snapshot!("two_days_ideal", text(&setting(PlantKind::Ideal)));
}

#[test]
fn a_simulated_plant_arrives_later_than_an_ideal_one() {
    let (ideal, simulated) = (
        run(&setting(PlantKind::Ideal), &mut Nothing),
        run(&setting(PlantKind::Simulated), &mut Nothing),
    );
    let refuge = |tally: &Tally| {
        tally
            .months
            .iter()
            .map(|month| month.groups[1].refuge_ms)
            .sum::<i64>()
    };
    // Three times 45 s of travel; in the gap the two blinds start first, one second
    // apart on the same feeder.
    assert_eq!(refuge(&ideal) - refuge(&simulated), 3 * 45_000 + 2 * 1_000);
}

#[test]
fn a_run_can_be_stopped_and_a_step_that_does_not_work_is_refused() {
    let stopped = replay(&setting(PlantKind::Ideal), &mut Nothing, &mut |_| {
        ControlFlow::Break(())
    });
    match stopped {
        Err(Stopped::Asked(at)) => assert!(at < utc("2027-06-22T22:00:00Z")),
        other => panic!("{other:?}"),
    }
    for step_ms in [0, 500, 3_600_001] {
        let broken = Setting {
            step_ms,
            ..setting(PlantKind::Ideal)
        };
        let refused = replay(&broken, &mut Nothing, &mut |_| ControlFlow::Continue(()));
        assert!(matches!(refused, Err(Stopped::Step(_))), "{refused:?}");
    }
}

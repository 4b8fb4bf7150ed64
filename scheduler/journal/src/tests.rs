//! What a journal promises: order, exactness, the chain, bounds, faults as values.
#![expect(clippy::unwrap_used, reason = "tests")]

use crate::{Batch, Durability, Error, Fault, Journal, Kind, Snapshot, Span};
use leeside_core::ids::{ContactId, DeviceId, GatewayId, GroupId, RoomId, SensorId};
use leeside_core::input::{
    Ask, DriveState, Input, Origin, Part, Reading, Report, Request, RestartCause, Sample, Until,
};
use leeside_core::pose::Pose;
use leeside_core::time::{Now, Steady, Wall};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

pub(crate) fn place() -> (TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.sqlite");
    (dir, path)
}

pub(crate) fn at(ms: i64) -> Now {
    Now {
        wall: Wall(1_800_000_000_000 + ms),
        steady: Steady(ms),
    }
}

fn wind(gust: f64) -> Input {
    Input::Reading(Reading {
        sensor: SensorId(1),
        at: Wall(5),
        sample: Sample::Wind {
            gust: Part::Value(gust),
            mean: Part::Absent,
            direction: Part::Unsaid,
        },
    })
}

fn request(by: &str) -> Input {
    Input::Request(Request {
        by: by.to_owned(),
        from: Origin::Room(RoomId(2)),
        ask: Ask::Pose {
            group: GroupId(0),
            extension_pct: Some(40),
            tilt_deg: None,
            until: Until::Rule,
        },
    })
}

/// One input of each kind.
fn all_inputs() -> Vec<Input> {
    vec![
        Input::Restart(RestartCause::Started),
        Input::Connected,
        wind(0.1 + 0.2),
        Input::Reading(Reading {
            sensor: SensorId(0),
            at: Wall(-1),
            sample: Sample::Value(-3.25),
        }),
        Input::Garbled {
            sensor: SensorId(7),
        },
        Input::Contact {
            contact: ContactId(3),
            active: true,
        },
        request("panel \"north\" ü"),
        Input::Report(Report {
            device: DeviceId(4),
            sequence: Some(9),
            state: DriveState::Moving,
            pose: Some(Pose::slats(100, -15)),
            power_w: Some(128.5),
        }),
        Input::Gateway {
            gateway: GatewayId(0),
            present: false,
        },
        Input::Clock { trusted: false },
        Input::Tick,
        Input::Disconnected,
    ]
}

/// A raw connection to the same file: somebody tampering with it.
pub(crate) fn tamper(path: &Path, sql: &str) {
    let db = rusqlite::Connection::open(path).unwrap();
    db.execute_batch(sql).unwrap();
}

#[test]
fn inputs_come_back_exactly_and_in_order() {
    let (_dir, path) = place();
    let inputs = all_inputs();
    {
        let mut journal = Journal::open(&path).unwrap();
        for (input, ms) in inputs.iter().zip(0..) {
            journal.append(at(ms), "x", input).unwrap();
            journal
                .append_output(at(ms), Kind::Command, "g", format!("{{\"n\":{ms}}}"))
                .unwrap();
        }
    }
    let journal = Journal::open_read_only(&path).unwrap();
    let back: Vec<_> = journal.inputs(Span::ALL).map(Result::unwrap).collect();
    assert_eq!(
        back.iter().map(|row| row.input.clone()).collect::<Vec<_>>(),
        inputs
    );
    for (row, ms) in back.iter().zip(0..) {
        assert_eq!(row.now, at(ms));
    }
    assert_eq!(journal.entries(Span::ALL).count(), inputs.len() * 2);
}

#[test]
fn numbers_come_back_as_the_same_bits() {
    let (_dir, path) = place();
    let mut journal = Journal::open(&path).unwrap();
    // Values whose decimal form is known to trip parsers that round twice.
    let hard = [
        0.1 + 0.2,
        1.0 / 3.0,
        5e-324,
        1.797_693_134_862_315_7e308,
        9_007_199_254_740_993.0,
        6.2e-17,
        8.41e21,
    ];
    for value in hard {
        journal.append(at(0), "", &wind(value)).unwrap();
    }
    let back: Vec<u64> = journal
        .inputs(Span::ALL)
        .map(|row| {
            let input = row.unwrap().input;
            let Input::Reading(Reading {
                sample: Sample::Wind { gust, .. },
                ..
            }) = input
            else {
                panic!("not what was written: {input:?}");
            };
            gust.value().unwrap().to_bits()
        })
        .collect();
    assert_eq!(back, hard.map(f64::to_bits));
}

#[test]
fn iteration_crosses_pages() {
    let (_dir, path) = place();
    let mut journal = Journal::open(&path).unwrap();
    let mut batch = Batch::new();
    for ms in 0..2_500 {
        batch.input(at(ms), "", &Input::Tick).unwrap();
    }
    journal.write(&batch).unwrap();
    let ids: Vec<i64> = journal
        .inputs(Span { from: 3, to: 2_400 })
        .map(|row| row.unwrap().id)
        .collect();
    assert_eq!(ids, (3..=2_400).collect::<Vec<_>>());
    let span = journal.span_of(at(10).wall, at(20).wall).unwrap().unwrap();
    assert_eq!(span, Span { from: 11, to: 20 });
}

#[test]
fn a_batch_stands_or_falls_as_a_whole_when_the_disk_is_full() {
    let (_dir, path) = place();
    let mut journal = Journal::open(&path).unwrap();
    journal.append(at(0), "", &Input::Tick).unwrap();
    let before = journal.head();
    // SQLite's own "disk full": no more pages than there are.
    let pages: i64 = journal
        .db
        .query_row("PRAGMA page_count", [], |row| row.get(0))
        .unwrap();
    journal
        .db
        .query_row(
            &format!("PRAGMA max_page_count = {}", pages + 1),
            [],
            |_| Ok(()),
        )
        .unwrap();
    let mut batch = Batch::new();
    batch.input(at(1), "", &wind(20.0)).unwrap();
    batch.row(at(1), Kind::Command, "g", "x".repeat(100_000));
    assert!(matches!(journal.write(&batch), Err(Error::Sqlite(_))));
    assert_eq!(journal.head(), before);
    assert_eq!(journal.entries(Span::ALL).count(), 1);
    // Once there is room again it goes on, and the chain holds.
    journal
        .db
        .query_row("PRAGMA max_page_count = 1000000", [], |_| Ok(()))
        .unwrap();
    journal.write(&batch).unwrap();
    let verified = journal.verify().unwrap();
    assert_eq!((verified.rows, verified.fault), (3, None));
}

#[test]
fn the_last_snapshot_is_of_its_batch() {
    let (_dir, path) = place();
    let mut journal = Journal::open(&path).unwrap();
    for n in 0..40 {
        let mut batch = Batch::new();
        batch.input(at(n), "", &Input::Tick).unwrap();
        batch.snapshot(
            at(n),
            Snapshot {
                fingerprint: "f".to_owned(),
                body: format!("{n}"),
            },
        );
        batch.at_least(Durability::Power);
        journal.write(&batch).unwrap();
    }
    let (after, now, snapshot) = journal.snapshot_before(i64::MAX).unwrap().unwrap();
    assert_eq!((after, now, snapshot.body.as_str()), (40, at(39), "39"));
    let (after, _, snapshot) = journal.snapshot_before(30).unwrap().unwrap();
    assert_eq!((after, snapshot.body.as_str()), (30, "29"));
    assert!(
        journal.snapshot_before(5).unwrap().is_none(),
        "old ones are let go"
    );
}

#[test]
fn runs_are_told_apart() {
    let (_dir, path) = place();
    for start in [0, 100] {
        let mut journal = Journal::open(&path).unwrap();
        journal
            .append_output(at(start), Kind::Run, "", "{}".to_owned())
            .unwrap();
        journal
            .append(at(start + 1), "", &Input::Restart(RestartCause::Started))
            .unwrap();
    }
    let journal = Journal::open_read_only(&path).unwrap();
    let runs: Vec<i64> = journal
        .entries(Span::ALL)
        .map(|row| row.unwrap().run)
        .collect();
    assert_eq!(runs, [1, 1, 3, 3]);
    assert_eq!(journal.last_moment().unwrap(), Some(at(101)));
}

/// The log is moved into the file beside the writer, who goes on, and is kept small.
#[test]
fn a_large_log_is_moved_into_the_file() {
    let (_dir, path) = place();
    let log = path.with_extension("sqlite-wal");
    let size = |path: &Path| std::fs::metadata(path).unwrap().len();
    let mut journal = Journal::open(&path).unwrap();
    let fill = |journal: &mut Journal| {
        for n in 0..30 {
            journal
                .append_output(at(n), Kind::Alarm, "x", "y".repeat(100_000))
                .unwrap();
        }
    };
    fill(&mut journal);
    crate::sync(&path).unwrap();
    let (large, before) = (size(&log), size(&path));
    assert!(large > 2_500_000, "{large}");
    crate::checkpoint(&path, crate::LARGE_LOG).unwrap();
    assert!(size(&path) > before + 2_500_000);
    journal.append(at(99), "", &Input::Tick).unwrap();
    assert!(size(&log) < large, "begun anew");
    assert_eq!(journal.verify().unwrap().fault, None);
    crate::checkpoint(&path, crate::LARGE_LOG).unwrap();
}

pub(crate) fn filled(path: &Path) -> Journal {
    let mut journal = Journal::open(path).unwrap();
    for n in 0..6 {
        journal.append(at(n), "roof", &wind(10.0)).unwrap();
        journal
            .append_output(at(n), Kind::Command, "south", format!("{{\"n\":{n}}}"))
            .unwrap();
    }
    journal
}

#[test]
fn each_way_of_altering_a_row_is_found() {
    let table = [
        (
            "UPDATE entry SET body = '{\"n\":99}' WHERE id = 4",
            4,
            Fault::Body,
        ),
        (
            "UPDATE entry SET wall_ms = wall_ms + 1 WHERE id = 5",
            5,
            Fault::Link,
        ),
        (
            "UPDATE entry SET kind = 'tick' WHERE id = 3",
            3,
            Fault::Link,
        ),
        (
            "UPDATE entry SET subject = 'north' WHERE id = 2",
            2,
            Fault::Link,
        ),
        ("UPDATE entry SET run = 7 WHERE id = 2", 2, Fault::Link),
        ("DELETE FROM entry WHERE id = 6", 7, Fault::Gap),
        ("DELETE FROM entry WHERE id <= 2", 3, Fault::Gap),
        (
            "UPDATE entry SET body = 'x', erased = 3, salt = x'' WHERE id = 2",
            2,
            Fault::Erasure,
        ),
        (
            "UPDATE entry SET id = 1000 WHERE id = 3; UPDATE entry SET id = 3 WHERE id = 5; UPDATE entry SET id = 5 WHERE id = 1000",
            3,
            Fault::Link,
        ),
        (
            "INSERT OR REPLACE INTO pruned VALUES (1, 2, zeroblob(32)); DELETE FROM entry WHERE id <= 2",
            3,
            Fault::Link,
        ),
    ];
    for (sql, row, fault) in table {
        let (_dir, path) = place();
        let journal = filled(&path);
        assert_eq!(journal.verify().unwrap().fault, None);
        tamper(&path, sql);
        assert_eq!(journal.verify().unwrap().fault, Some((row, fault)), "{sql}");
    }
}

#[test]
fn cutting_off_the_end_shows_against_a_noted_head() {
    let (_dir, path) = place();
    let journal = filled(&path);
    let noted = journal.head();
    tamper(&path, "DELETE FROM entry WHERE id > 8");
    assert_eq!(journal.row_of(&noted.hash).unwrap(), None);
    let verified = journal.verify().unwrap();
    assert_eq!(verified.fault, None);
    assert_ne!(verified.head, noted);
    assert_eq!(journal.row_of(&verified.head.hash).unwrap(), Some(8));
}

#[test]
fn a_pruned_journal_is_still_checkable() {
    let (_dir, path) = place();
    let mut journal = filled(&path);
    assert_eq!(
        journal.prune(at(50), at(3).wall).unwrap(),
        None,
        "nothing goes before there is a snapshot"
    );
    let mut batch = Batch::new();
    batch.snapshot(
        at(6),
        Snapshot {
            fingerprint: String::new(),
            body: "{}".to_owned(),
        },
    );
    journal.write(&batch).unwrap();
    let pruned = journal.prune(at(50), at(3).wall).unwrap().unwrap();
    assert_eq!((pruned.up_to, pruned.rows), (6, 6));
    let verified = journal.verify().unwrap();
    assert_eq!((verified.rows, verified.fault), (7, None));
    let last = journal.entries(Span::ALL).last().unwrap().unwrap();
    assert_eq!(last.kind, Kind::Pruned);
}

#[test]
fn pruning_to_a_size_keeps_what_the_last_snapshot_needs() {
    let (_dir, path) = place();
    let mut journal = Journal::open(&path).unwrap();
    let mut batch = Batch::new();
    for n in 0..5_000 {
        batch.input(at(n), "roof", &wind(3.0)).unwrap();
    }
    batch.snapshot(
        at(5_000),
        Snapshot {
            fingerprint: String::new(),
            body: "{}".to_owned(),
        },
    );
    journal.write(&batch).unwrap();
    journal.append(at(5_001), "roof", &wind(4.0)).unwrap();
    let full = journal.size().unwrap();
    journal.prune_to_size(at(6_000), full / 4).unwrap().unwrap();
    assert!(
        journal.size().unwrap() < full / 3,
        "{} of {full}",
        journal.size().unwrap()
    );
    assert!(
        journal
            .inputs(Span::ALL)
            .any(|row| row.unwrap().now == at(5_001))
    );
    assert_eq!(journal.verify().unwrap().fault, None);
    assert!(journal.snapshot_before(i64::MAX).unwrap().is_some());
}

#[test]
fn a_name_can_be_taken_out_and_the_chain_still_holds() {
    let (dir, path) = place();
    let mut journal = filled(&path);
    journal
        .append(at(20), "south", &request("A. Person"))
        .unwrap();
    journal
        .append(at(21), "south", &request("A. Personage"))
        .unwrap();
    journal
        .append_output(
            at(22),
            Kind::Command,
            "south",
            r#"{"reason":"by hand (A. Person)"}"#.to_owned(),
        )
        .unwrap();
    // A state in which the same words name a group as well: that stays.
    let state = r#"{"groups":{"A. Person":{"hand":{"by":"A. Person","n":0.1}}},"order":["group A. Person"]}"#;
    let mut batch = Batch::new();
    let snapshot = Snapshot {
        fingerprint: "f".to_owned(),
        body: state.to_owned(),
    };
    batch.snapshot(at(22), snapshot);
    journal.write(&batch).unwrap();
    assert_eq!(journal.naming("A. Person").unwrap(), 2);
    assert_eq!(journal.erase(at(23), "A. Person").unwrap(), 2);
    assert_eq!(journal.naming("A. Person").unwrap(), 0);
    assert_eq!(journal.naming("").unwrap(), 0);
    let (_, _, kept) = journal.snapshot_before(i64::MAX).unwrap().unwrap();
    assert_eq!(
        kept.body,
        state.replace(r#""by":"A. Person""#, r#""by":"(erased)""#),
        "a hold goes on without its name"
    );
    tamper(&path, "DELETE FROM snapshot; VACUUM");
    let verified = journal.verify().unwrap();
    assert_eq!((verified.erased, verified.fault), (2, None));
    let bodies: Vec<String> = journal
        .entries(Span::ALL)
        .map(|row| row.unwrap().body)
        .collect();
    assert_eq!(
        bodies
            .iter()
            .filter(|body| body.contains("A. Person\"") || body.contains("A. Person)"))
            .count(),
        0
    );
    assert_eq!(
        bodies
            .iter()
            .filter(|body| body.contains("A. Personage"))
            .count(),
        1
    );
    let redacted = journal
        .inputs(Span::after(12))
        .next()
        .unwrap()
        .unwrap()
        .input;
    assert_eq!(
        redacted,
        request("(erased)"),
        "the rest of the row stays readable"
    );
    drop(journal);
    for file in std::fs::read_dir(dir.path()).unwrap() {
        let bytes = std::fs::read(file.unwrap().path()).unwrap();
        let hit = bytes
            .windows(10)
            .any(|window| window == b"A. Person\"" || window == b"A. Person)");
        assert!(!hit, "the name is still in the file");
    }
}

#[test]
fn faults_of_the_file_are_values() {
    let (dir, path) = place();
    let journal = Journal::open(&path).unwrap();
    assert!(matches!(Journal::open(&path), Err(Error::InUse { .. })));
    drop(journal);
    Journal::open(&path).unwrap();

    let text = dir.path().join("notes.txt");
    std::fs::write(
        &text,
        "this is no database, and long enough to have a header of its own".repeat(40),
    )
    .unwrap();
    assert!(Journal::open(&text).unwrap_err().is_damage());

    let other = dir.path().join("other.sqlite");
    tamper(&other, "CREATE TABLE t (x)");
    assert!(matches!(
        Journal::open(&other),
        Err(Error::NotAJournal { .. })
    ));

    let missing = dir.path().join("no/such/folder/journal.sqlite");
    assert!(matches!(Journal::open(&missing), Err(Error::Open { .. })));
    assert!(matches!(
        Journal::open_read_only(&missing),
        Err(Error::Open { .. })
    ));

    tamper(&path, "PRAGMA user_version = 99");
    assert!(matches!(
        Journal::open(&path),
        Err(Error::Newer { found: 99, .. })
    ));
}

#[test]
fn a_row_of_an_unknown_kind_is_an_error_with_its_number() {
    let (_dir, path) = place();
    let journal = filled(&path);
    tamper(
        &path,
        "UPDATE entry SET kind = 'mystery' WHERE id = 3; UPDATE entry SET body = '{' WHERE id = 5",
    );
    assert!(matches!(
        journal.inputs(Span::ALL).last().unwrap(),
        Err(Error::Row { id: 3, .. })
    ));
    let mut after = journal.inputs(Span::after(4));
    assert!(matches!(
        after.next().unwrap(),
        Err(Error::Row { id: 5, .. })
    ));
}

#[test]
fn kinds_have_names_of_their_own() {
    for kind in Kind::ALL {
        assert_eq!(Kind::named(kind.as_str()), Some(kind));
    }
    for input in all_inputs() {
        assert!(Kind::of(&input).is_input());
    }
}

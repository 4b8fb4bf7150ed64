//! `leeside journal`: the chain followed, rows exported, a name taken out.

use crate::support::{Said, broken, leeside};
use leeside_core::ids::{GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin, Reading, Request, Sample, Until};
use leeside_core::time::{Now, Steady, Wall};
use leeside_journal::{Batch, Error, Journal, Kind, Snapshot, Span};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tempfile::TempDir;

/// 2027-01-15T08:00:00Z.
const BEGIN: i64 = 1_800_000_000_000;

fn at(s: i64) -> Now {
    Now {
        wall: Wall(BEGIN + s * 1_000),
        steady: Steady(s * 1_000),
    }
}

/// Opens for writing. Another test's child process holds a copy of the lock for the
/// moment between its fork and its exec.
fn open(path: &Path) -> Journal {
    for _ in 0..200 {
        match Journal::open(path) {
            Err(Error::InUse { .. }) => std::thread::sleep(Duration::from_millis(10)),
            other => return other.unwrap(),
        }
    }
    panic!("{} stays in use", path.display());
}

/// A minute in the life of a house: a reading, a request of somebody, a command.
fn recorded() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("house.sqlite");
    let mut journal = open(&path);
    let mut batch = Batch::new();
    batch.row(at(0), Kind::Run, "House", "{\"version\":\"x\"}");
    let reading = Input::Reading(Reading {
        sensor: SensorId(0),
        at: at(10).wall,
        sample: Sample::Value(3.5),
    });
    batch.input(at(10), "roof, north", &reading).unwrap();
    let request = Input::Request(Request {
        by: "R. Tenant".to_owned(),
        from: Origin::Centre,
        ask: Ask::Halt {
            group: GroupId(0),
            until: Until::Rule,
        },
    });
    batch.input(at(20), "", &request).unwrap();
    let command = "{\"sequence\":1,\"reason\":\"by hand (R. Tenant)\"}";
    batch.row(at(20), Kind::Command, "south", command);
    let state = Snapshot {
        fingerprint: "f".to_owned(),
        body: "{\"groups\":{\"south\":{\"hand\":{\"by\":\"R. Tenant\"}}}}".to_owned(),
    };
    batch.snapshot(at(20), state);
    journal.write(&batch).unwrap();
    (folder, path)
}

fn journal(path: &Path, verb: &str, more: &[&str]) -> Said {
    leeside(&[&["journal", verb, path.to_str().unwrap()], more].concat())
}

fn tamper(path: &Path, sql: &str) {
    let db = rusqlite::Connection::open(path).unwrap();
    db.execute_batch(sql).unwrap();
}

#[test]
fn a_sound_chain_is_well_and_a_noted_head_is_found_in_it() {
    let (_folder, path) = recorded();
    let head = journal(&path, "head", &[]).well();
    let head = head.trim();
    let (id, hash) = head.split_once(':').unwrap();
    assert_eq!((id, hash.len()), ("4", 64));
    let told = journal(&path, "verify", &[]).well();
    assert!(told.contains("4 rows, the chain holds"), "{told}");
    assert!(told.contains(&format!("head {head}")), "{told}");
    // Rows that came later do not matter to a head noted before.
    let mut open = open(&path);
    open.append_output(at(30), Kind::Alarm, "x", "{}".to_owned())
        .unwrap();
    drop(open);
    for noted in [head, hash] {
        let told = journal(&path, "verify", &["--head", noted]).well();
        assert!(told.contains("the noted head is row 4 of it"), "{told}");
    }
}

#[test]
fn what_was_altered_or_cut_off_is_a_finding() {
    let (_folder, path) = recorded();
    let head = journal(&path, "head", &[]).well();
    tamper(&path, "UPDATE entry SET body = '{}' WHERE id = 4");
    let said = journal(&path, "verify", &[]);
    assert_eq!(said.code, Some(3), "{said:?}");
    let why = "row 4 does not hold, because its content is not what was sealed";
    assert!(said.out.contains(why), "{said:?}");
    tamper(&path, "DELETE FROM entry WHERE id = 4");
    assert_eq!(journal(&path, "verify", &[]).code, Some(0));
    let said = journal(&path, "verify", &["--head", head.trim()]);
    assert_eq!(said.code, Some(3), "{said:?}");
    assert!(
        said.out.contains("rows were cut off at the end"),
        "{said:?}"
    );
}

#[test]
fn a_head_among_rows_that_were_removed_cannot_be_judged() {
    let (_folder, path) = recorded();
    let head = journal(&path, "head", &[]).well();
    let mut open = open(&path);
    for s in 30..40 {
        let mut batch = Batch::new();
        batch.input(at(s), "", &Input::Tick).unwrap();
        batch.snapshot(
            at(s),
            Snapshot {
                fingerprint: "f".to_owned(),
                body: "{}".to_owned(),
            },
        );
        open.write(&batch).unwrap();
    }
    open.prune(at(50), at(35).wall).unwrap().unwrap();
    drop(open);
    let said = journal(&path, "verify", &["--head", head.trim()]);
    assert_eq!(said.code, Some(3), "{said:?}");
    assert!(said.out.contains("the chain holds"), "{said:?}");
    assert!(said.out.contains("rows up to 9 were removed"), "{said:?}");
    assert!(said.out.contains("nothing can be said"), "{said:?}");
}

#[test]
fn rows_come_out_as_csv_and_as_json() {
    let (folder, path) = recorded();
    let told = journal(&path, "export", &[]).well();
    let mut csv = csv::Reader::from_reader(told.as_bytes());
    let names: Vec<String> = csv.headers().unwrap().iter().map(String::from).collect();
    assert_eq!(
        names,
        [
            "id",
            "run",
            "at_utc",
            "steady_ms",
            "kind",
            "subject",
            "body"
        ]
    );
    let rows: Vec<csv::StringRecord> = csv.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 4);
    assert_eq!(
        (&rows[1][2], &rows[1][4], &rows[1][5]),
        ("2027-01-15T08:00:10.000Z", "reading", "roof, north")
    );
    // The body is what was recorded, to the byte.
    assert_eq!(
        &rows[3][6],
        "{\"sequence\":1,\"reason\":\"by hand (R. Tenant)\"}"
    );

    let json = journal(&path, "export", &["--format", "json"]).json();
    assert_eq!(json["format_version"], 1);
    assert_eq!(json["head"]["id"], 4);
    let rows = json["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 4);
    assert_eq!(rows[3]["body"]["sequence"], 1);

    // To a file that is there whole or not at all.
    let out = folder.path().join("out.csv");
    let words = ["--output", out.to_str().unwrap()];
    assert_eq!(journal(&path, "export", &words).well(), "");
    assert_eq!(std::fs::read_to_string(&out).unwrap(), told);
}

#[test]
fn only_what_was_asked_for_comes_out() {
    let (_folder, path) = recorded();
    let table: [(&[&str], &[i64]); 7] = [
        (&["--kind", "command"], &[4]),
        (&["--kind", "command", "--kind", "run"], &[1, 4]),
        (&["--from", "2027-01-15T08:00:10"], &[2, 3, 4]),
        (&["--from", "2027-01-15T09:00:10+01:00"], &[2, 3, 4]),
        (&["--to", "2027-01-15T08:00:20Z"], &[1, 2]),
        (
            &["--from", "2027-01-15T08:00:10", "--kind", "request"],
            &[3],
        ),
        (&["--from", "2028-01-01"], &[]),
    ];
    for (words, ids) in table {
        let words = [&["--format", "json"], words].concat();
        let json = journal(&path, "export", &words).json();
        let rows = json["rows"].as_array().unwrap();
        let found: Vec<i64> = rows.iter().map(|row| row["id"].as_i64().unwrap()).collect();
        assert_eq!(found, ids, "{words:?}");
    }
}

#[test]
fn a_name_is_taken_out_only_when_it_was_meant() {
    let (_folder, path) = recorded();
    let before = std::fs::read(&path).unwrap();
    let said = journal(&path, "erase", &["--person", "R. Tenant"]);
    assert_eq!(said.code, Some(3), "{said:?}");
    assert!(said.out.contains("stands in 2 rows; nothing was changed"));
    assert_eq!(std::fs::read(&path).unwrap(), before);

    let told = journal(&path, "erase", &["--person", "R. Tenant", "--yes"]).well();
    assert!(told.contains("taken out of 2 rows"), "{told}");
    let told = journal(&path, "erase", &["--person", "R. Tenant"]).well();
    assert!(told.contains("stands in no row"), "{told}");
    let told = journal(&path, "verify", &[]).well();
    assert!(told.contains("5 rows, the chain holds"), "{told}");
    assert!(told.contains("a name was taken out of 2 rows"), "{told}");
    let told = journal(&path, "export", &[]).well();
    assert!(!told.contains("Tenant") && told.contains("by hand ((erased))"));
    // The state goes on: a hold by hand must not end because its name was taken out.
    let open = Journal::open_read_only(&path).unwrap();
    let (_, _, state) = open.snapshot_before(i64::MAX).unwrap().unwrap();
    assert!(state.body.contains("\"hand\":{\"by\":\"(erased)\"}"));
    assert_eq!(open.entries(Span::ALL).count(), 5);
}

#[test]
fn a_running_service_keeps_its_journal_to_itself() {
    let (_folder, path) = recorded();
    let _service = Journal::open(&path).unwrap();
    let err = journal(&path, "erase", &["--person", "R. Tenant", "--yes"]).refused(1);
    assert!(err.contains("in use by another process"), "{err}");
    // Looking is always allowed.
    journal(&path, "verify", &[]).well();
    journal(&path, "export", &[]).well();
}

#[test]
fn what_is_no_journal_is_named() {
    let (folder, path) = recorded();
    let text = folder.path().join("notes.txt");
    std::fs::write(&text, "no database at all, but long enough".repeat(300)).unwrap();
    let other = folder.path().join("other.sqlite");
    tamper(&other, "CREATE TABLE t (x)");
    let newer = folder.path().join("newer.sqlite");
    drop(Journal::open(&newer).unwrap());
    tamper(&newer, "PRAGMA user_version = 99");
    let [text, other, newer, path] = [&text, &other, &newer, &path].map(|p| p.to_str().unwrap());
    broken(&[
        (&["journal", "verify", "nowhere.sqlite"], "no such journal"),
        (&["journal", "head", "nowhere.sqlite"], "no such journal"),
        (&["journal", "export", "nowhere.sqlite"], "no such journal"),
        (
            &["journal", "erase", "nowhere.sqlite", "--person", "x"],
            "no such journal",
        ),
        (&["journal", "verify", text], "notes.txt"),
        (
            &["journal", "verify", other],
            "not a journal of this program",
        ),
        (&["journal", "verify", newer], "has format 99"),
        (&["journal", "verify", path, "--head", "12:ab"], "ID:HASH"),
        (
            &["journal", "export", path, "--kind", "gust"],
            "no such kind; there are run, site, reading",
        ),
        (
            &[
                "journal",
                "export",
                path,
                "--from",
                "2027-02-01",
                "--to",
                "2027-01-01",
            ],
            "the span ends before it begins",
        ),
        (
            &["journal", "erase", path, "--person", " "],
            "expected a name",
        ),
    ]);
}

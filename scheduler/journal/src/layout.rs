//! What lies in the file beside the rows: indices and salts.
#![expect(clippy::unwrap_used, reason = "tests")]

use crate::tests::{at, filled, place, tamper};
use crate::{Batch, Journal, Kind, Span};

/// Every row has a place in every index: a file of before gets rid of what is asked
/// by nobody, and then has those of a new one.
#[test]
fn a_file_of_before_gets_the_indices_of_a_new_one() {
    let (_dir, path) = place();
    let indices = || -> Vec<String> {
        let db = rusqlite::Connection::open(&path).unwrap();
        let list = "SELECT name FROM sqlite_schema WHERE type = 'index' AND tbl_name = 'entry' ORDER BY name";
        let mut statement = db.prepare(list).unwrap();
        let names = statement.query_map([], |row| row.get(0)).unwrap();
        names.map(Result::unwrap).collect()
    };
    drop(filled(&path));
    let new = indices();
    assert_eq!(new, ["entry_version", "entry_wall"]);
    tamper(
        &path,
        "DROP INDEX entry_version; CREATE INDEX entry_kind ON entry (kind, id);
         CREATE INDEX entry_subject ON entry (subject, id)",
    );
    assert_ne!(indices(), new);
    let readable = Journal::open_read_only(&path).unwrap();
    let versions = readable.versions(Span::ALL).unwrap();
    drop(readable);
    assert_ne!(indices(), new, "reading changes nothing");
    let journal = Journal::open(&path).unwrap();
    assert_eq!(journal.versions(Span::ALL).unwrap(), versions);
    assert_eq!(journal.verify().unwrap().fault, None);
    drop(journal);
    assert_eq!(indices(), new);
}

/// No two rows have the same salt, however many are written at once.
#[test]
fn every_row_that_may_name_a_person_has_a_salt_of_its_own() {
    let (_dir, path) = place();
    let mut journal = Journal::open(&path).unwrap();
    let mut batch = Batch::new();
    for n in 0..100 {
        batch.row(at(n), Kind::Command, "south", "{}");
        batch.row(at(n), Kind::Gap, "", "{}");
    }
    journal.write(&batch).unwrap();
    journal
        .append_output(at(100), Kind::Alarm, "", "{}".to_owned())
        .unwrap();
    let count = "SELECT count(DISTINCT salt), count(salt), min(length(salt)) FROM entry";
    let found: (i64, i64, i64) = journal
        .db
        .query_row(count, [], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .unwrap();
    assert_eq!(found, (101, 101, 16));
}

/// The log is begun anew once, when all of it lies in the file: the row that comes after
/// that goes on in it, and need not wait for the disk.
#[test]
fn the_log_is_begun_anew_before_anybody_waits_for_it() {
    let (_dir, path) = place();
    let mut journal = filled(&path);
    // Bytes 12 to 24 of its header count how often it was begun (SQLite, "WAL-mode file format").
    let begun = || {
        let log = std::fs::read(path.with_extension("sqlite-wal")).unwrap();
        log[12..24].to_vec()
    };
    let first = begun();
    assert!(crate::checkpoint(&path, 0).unwrap());
    assert_eq!(begun(), first, "moving it leaves it as it is");
    let head = journal.head();
    journal.begin_log().unwrap();
    let second = begun();
    assert_ne!(second, first);
    assert_eq!(journal.head(), head, "nothing was said by it");
    journal
        .append_output(at(101), Kind::Alarm, "", "{}".to_owned())
        .unwrap();
    assert_eq!(begun(), second, "a row goes on in it");
    assert!(!crate::checkpoint(&path, 1_000_000).unwrap(), "it is small");
    drop(journal);
    let journal = Journal::open(&path).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
}

/// Rows come out of a batch as they went in, whatever was in it before and whatever is
/// put after them.
#[test]
fn a_batch_that_is_used_again_holds_what_was_put_in_since() {
    let write = |batch: &mut Batch, from: i64| {
        for n in from..from + 3 {
            batch.row(
                at(n),
                Kind::Alarm,
                &format!("ß{n}"),
                "é".repeat(usize::try_from(n).unwrap()),
            );
        }
    };
    let said = |batch: &Batch| -> Vec<(String, String)> {
        let rows = batch.rows();
        rows.map(|row| (row.subject.to_owned(), row.body.to_owned()))
            .collect()
    };
    let mut whole = Batch::new();
    write(&mut whole, 0);
    write(&mut whole, 3);
    let (mut first, mut second) = (Batch::new(), Batch::new());
    write(&mut second, 7);
    let mut second = second.emptied();
    assert_eq!(second, Batch::new());
    write(&mut first, 0);
    write(&mut second, 3);
    first.append(second);
    assert_eq!(first, whole);
    assert_eq!(said(&first)[4], ("ß4".to_owned(), "éééé".to_owned()));
    // What a rare one took is given back.
    let mut large = Batch::new();
    large.row(at(1), Kind::Alarm, "", "x".repeat(8_000_000));
    assert!(large.emptied().room() < 2_000_000);
}

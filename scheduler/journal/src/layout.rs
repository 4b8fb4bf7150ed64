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
        batch.row(at(n), Kind::Command, "south", "{}".to_owned());
        batch.row(at(n), Kind::Gap, "", "{}".to_owned());
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

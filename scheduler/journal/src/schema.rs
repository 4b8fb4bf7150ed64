//! The tables, and how a file of an older format is brought up to date.

use crate::error::Error;
use rusqlite::Connection;
use std::path::Path;

/// SQLite's `application_id` of a journal: the letters "Lee1".
pub(crate) const APPLICATION_ID: i64 = 0x4c65_6531;

/// The newest format; `user_version` of the file.
pub(crate) const FORMAT: i64 = 2;

const FORMAT_1: &str = "
CREATE TABLE entry (
  id        INTEGER PRIMARY KEY,   -- counts up by one, never reused
  run       INTEGER NOT NULL,      -- id of the row that began this run of the program
  wall_ms   INTEGER NOT NULL,      -- wall time, ms since 1970 UTC
  steady_ms INTEGER NOT NULL,      -- steady count, ms
  kind      TEXT NOT NULL,
  subject   TEXT NOT NULL,         -- name of the sensor, group, ...; may be empty
  body      TEXT NOT NULL,         -- JSON
  salt      BLOB,                  -- of rows that may name a person
  seal      BLOB NOT NULL,
  hash      BLOB NOT NULL,
  erased    INTEGER                -- id of the erasure that changed the body
) STRICT;
CREATE INDEX entry_wall ON entry (wall_ms);
CREATE INDEX entry_version ON entry (id) WHERE kind IN ('run', 'site');
CREATE TABLE snapshot (
  after_id    INTEGER PRIMARY KEY, -- the state after this row
  wall_ms     INTEGER NOT NULL,
  steady_ms   INTEGER NOT NULL,
  fingerprint TEXT NOT NULL,       -- of the site file it belongs to
  body        TEXT NOT NULL        -- JSON
) STRICT;
CREATE TABLE pruned (
  only   INTEGER PRIMARY KEY CHECK (only = 1),
  up_to  INTEGER NOT NULL,         -- rows up to this one were removed
  hash   BLOB NOT NULL             -- hash of that row
) STRICT;
CREATE VIEW history AS
  SELECT id, strftime('%Y-%m-%dT%H:%M:%fZ', wall_ms / 1000.0, 'unixepoch') AS at_utc,
         kind, subject, body
  FROM entry ORDER BY id;
";

/// Since format 2: the files of every site that rows were decided by.
const FORMAT_2: &str = "
CREATE TABLE site (
  fingerprint TEXT PRIMARY KEY,    -- as rows of kind run and site have it
  files       TEXT NOT NULL        -- JSON: name and sha256 of each file, the site file first
) STRICT;
CREATE TABLE file (
  sha256  TEXT PRIMARY KEY,        -- hex
  content BLOB NOT NULL
) STRICT;
";

/// Indices that every row had a place in, and that nothing here asks: a row took twice
/// as long. Whoever asks a file of millions of rows by kind or subject waits seconds.
const NO_MORE: &str = "
DROP INDEX IF EXISTS entry_kind;
DROP INDEX IF EXISTS entry_subject;
CREATE INDEX IF NOT EXISTS entry_version ON entry (id) WHERE kind IN ('run', 'site');
";

/// Makes the tables of a new file, or checks those of an old one.
pub(crate) fn prepare(db: &Connection, path: &Path) -> Result<(), Error> {
    let application: i64 = db.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    let format: i64 = db.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    if tables == 0 && application == 0 {
        // Must be set before the first table, or it has no effect.
        db.execute_batch("PRAGMA auto_vacuum = INCREMENTAL")?;
        db.execute_batch("PRAGMA journal_mode = WAL")?;
        db.execute_batch(&format!(
            "BEGIN; PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {FORMAT}; {FORMAT_1} {FORMAT_2} COMMIT;"
        ))?;
        return Ok(());
    }
    if application != APPLICATION_ID {
        return Err(Error::NotAJournal {
            path: path.to_owned(),
            what: "it is an SQLite file of another program".to_owned(),
        });
    }
    if format == 1 && !db.is_readonly("main")? {
        db.execute_batch(&format!(
            "BEGIN; PRAGMA user_version = {FORMAT}; {FORMAT_2} COMMIT;"
        ))?;
    }
    if format <= FORMAT && !db.is_readonly("main")? {
        // A full disk keeps them, which costs time only.
        let _ = db.execute_batch(&format!("BEGIN; {NO_MORE} COMMIT;"));
        if !db.is_autocommit() {
            db.execute_batch("ROLLBACK")?;
        }
    }
    if format > FORMAT {
        return Err(Error::Newer {
            path: path.to_owned(),
            found: format,
            known: FORMAT,
        });
    }
    Ok(())
}

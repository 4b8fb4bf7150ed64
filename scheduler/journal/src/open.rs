//! Opening a journal, and writing to it.

use crate::batch::{Batch, Row};
use crate::chain::{Hash, Head, Header, link, seal};
use crate::error::Error;
use crate::kind::Kind;
use crate::schema;
use leeside_core::input::Input;
use leeside_core::time::Now;
use rusqlite::{
    CachedStatement, Connection, OpenFlags, OptionalExtension, Transaction, TransactionBehavior,
    params,
};
use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a writer waits for a reader that holds it up.
const BUSY: Duration = Duration::from_millis(500);
/// A write-ahead log of this size, bytes, is worth moving into the file.
pub const LARGE_LOG: u64 = 2 * 1024 * 1024;

/// One of this size, bytes, is not left to grow, whatever else there is to do. (The
/// rows of a gust over ten thousand groups are half of it.)
pub const HUGE_LOG: u64 = 16 * LARGE_LOG;

/// An open journal.
#[derive(Debug)]
pub struct Journal {
    pub(crate) db: Connection,
    pub(crate) head: Head,
    run: i64,
    path: PathBuf,
    /// Held while this journal may write; the system lets go of it with the process.
    _lock: Option<Lock>,
}

impl Journal {
    /// Opens the journal for writing, making the file where there is none.
    ///
    /// # Errors
    /// Where the file cannot be opened, belongs to something else, is damaged, or
    /// is in use by another process.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let lock = lock(path)?;
        let db = Connection::open(path)?;
        // A lost race against a reader is waited for, not an error.
        db.busy_timeout(BUSY)?;
        // Moving the log into the file waits for the disk: done in a commit only where
        // nobody does it beside (`checkpoint`). The rows of a gust fit into the cache.
        db.execute_batch(&format!(
            "PRAGMA wal_autocheckpoint = 16384; PRAGMA cache_size = -8192; PRAGMA journal_size_limit = {}",
            LARGE_LOG / 2
        ))?;
        Self::prepared(db, path, Some(lock))
    }

    /// Opens an existing journal for reading only, also while another process writes.
    ///
    /// # Errors
    /// Where the file cannot be opened, belongs to something else or is damaged.
    pub fn open_read_only(path: &Path) -> Result<Self, Error> {
        if !path.exists() {
            let source = std::io::Error::from(std::io::ErrorKind::NotFound);
            return Err(Error::Open {
                path: path.to_owned(),
                source,
            });
        }
        let db = Connection::open_with_flags(
            path,
            OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )?;
        db.busy_timeout(BUSY)?;
        Self::prepared(db, path, None)
    }

    fn prepared(db: Connection, path: &Path, lock: Option<Lock>) -> Result<Self, Error> {
        schema::prepare(&db, path)?;
        // WAL mode stays with the file; how sure a commit is belongs to the connection.
        db.execute_batch("PRAGMA synchronous = NORMAL; PRAGMA foreign_keys = ON")?;
        let head = head(&db)?;
        let run = db
            .query_row(
                "SELECT max(id) FROM entry WHERE kind IN ('run', 'site') AND kind = 'run'",
                [],
                |row| row.get::<_, Option<i64>>(0),
            )?
            .unwrap_or(0);
        Ok(Self {
            db,
            head,
            run,
            path: path.to_owned(),
            _lock: lock,
        })
    }

    /// Where the file is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The last row and its hash.
    #[must_use]
    pub const fn head(&self) -> Head {
        self.head
    }

    /// Writes a batch in one transaction. A row of kind [`Kind::Run`] begins a
    /// new run, to which it and the rows after it belong.
    ///
    /// # Errors
    /// Where the disk is full, read-only or broken: then nothing of the batch is kept.
    pub fn write(&mut self, batch: &Batch) -> Result<Head, Error> {
        if batch.is_empty() {
            return Ok(self.head);
        }
        let tx = self.db.transaction()?;
        let (mut head, mut run) = (self.head, self.run);
        let mut salts = Salts::draw(&tx, batch.rows())?;
        let mut statement = tx.prepare_cached(INSERT)?;
        for row in batch.rows() {
            if row.kind == Kind::Run {
                run = head.id + 1;
            }
            head = insert_by(&mut statement, &mut salts, head, run, &row)?;
        }
        drop(statement);
        if let Some(site) = &batch.site {
            crate::site::keep(&tx, site)?;
        }
        if let Some((now, snapshot)) = &batch.snapshot {
            tx.prepare_cached(
                "INSERT OR REPLACE INTO snapshot (after_id, wall_ms, steady_ms, fingerprint, body) VALUES (?, ?, ?, ?, ?)",
            )?
            .execute(params![head.id, now.wall.0, now.steady.0, snapshot.fingerprint, snapshot.body])?;
            // A few are kept, so that a replay can begin near its span.
            tx.prepare_cached(
                "DELETE FROM snapshot WHERE after_id <= (SELECT after_id FROM snapshot ORDER BY after_id DESC LIMIT 1 OFFSET 24)",
            )?
            .execute([])?;
        }
        tx.commit()?;
        (self.head, self.run) = (head, run);
        Ok(head)
    }

    /// Returns once everything written so far survives a power cut too.
    ///
    /// [`write`](Self::write) hands a batch to the system, so that it survives the
    /// end of this program; this waits for the disk as well. The two are apart so
    /// that a command need not wait for the second.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn sync(&self) -> Result<(), Error> {
        sync(&self.path)
    }

    /// Begins the write-ahead log anew, where all of it has been moved into the file
    /// ([`checkpoint`]). Whoever writes first after that waits for the disk: here nobody
    /// does who has anything to say.
    ///
    /// # Errors
    /// As [`write`](Self::write).
    pub fn begin_log(&mut self) -> Result<(), Error> {
        let tx = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        // A page as it stands is what the new log begins with.
        let format: i64 = tx.query_row("PRAGMA user_version", [], |row| row.get(0))?;
        tx.pragma_update(None, "user_version", format)?;
        tx.commit()?;
        Ok(())
    }

    /// Writes a single input.
    ///
    /// # Errors
    /// As [`write`](Self::write).
    pub fn append(&mut self, now: Now, subject: &str, input: &Input) -> Result<Head, Error> {
        let mut batch = Batch::new();
        batch.input(now, subject, input)?;
        self.write(&batch)
    }

    /// Writes a single output, as it went out.
    ///
    /// # Errors
    /// As [`write`](Self::write).
    pub fn append_output(
        &mut self,
        now: Now,
        kind: Kind,
        subject: &str,
        body: String,
    ) -> Result<Head, Error> {
        let mut batch = Batch::new();
        batch.row(now, kind, subject, body);
        let head = self.write(&batch)?;
        self.sync()?;
        Ok(head)
    }

    /// Which run the next row belongs to: the id of the row that began it.
    #[must_use]
    pub const fn run(&self) -> i64 {
        self.run
    }
}

const INSERT: &str = "INSERT INTO entry (id, run, wall_ms, steady_ms, kind, subject, body, salt, seal, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)";

/// Bytes of a salt.
const SALT: usize = 16;

/// Salts for rows that may name a person, drawn together.
struct Salts(Vec<u8>);

impl Salts {
    fn draw<'a>(tx: &Transaction<'_>, rows: impl Iterator<Item = Row<'a>>) -> Result<Self, Error> {
        let needed = rows.filter(|row| row.kind.may_name_a_person());
        let bytes = i64::try_from(needed.count() * SALT).unwrap_or(i64::MAX);
        // Of no bytes it would still give one.
        if bytes == 0 {
            return Ok(Self(Vec::new()));
        }
        let mut statement = tx.prepare_cached("SELECT randomblob(?)")?;
        Ok(Self(statement.query_row([bytes], |row| row.get(0))?))
    }

    /// A salt that no other row has.
    fn next(&mut self) -> Vec<u8> {
        self.0.split_off(self.0.len().saturating_sub(SALT))
    }
}

/// Adds a row after `head` and returns the new head.
pub(crate) fn insert(
    tx: &Transaction<'_>,
    head: Head,
    run: i64,
    row: &Row<'_>,
) -> Result<Head, Error> {
    let mut salts = Salts::draw(tx, core::iter::once(*row))?;
    insert_by(&mut tx.prepare_cached(INSERT)?, &mut salts, head, run, row)
}

fn insert_by(
    statement: &mut CachedStatement<'_>,
    salts: &mut Salts,
    head: Head,
    run: i64,
    row: &Row<'_>,
) -> Result<Head, Error> {
    let id = head.id + 1;
    let salt = row.kind.may_name_a_person().then(|| salts.next());
    let header = Header {
        id,
        run,
        wall_ms: row.now.wall.0,
        steady_ms: row.now.steady.0,
        kind: row.kind.as_str(),
        subject: row.subject,
    };
    let sealed = seal(salt.as_deref().unwrap_or_default(), row.body);
    let hash = link(&head.hash, &header, &sealed);
    statement.execute(params![
        id,
        run,
        header.wall_ms,
        header.steady_ms,
        header.kind,
        row.subject,
        row.body,
        salt,
        sealed,
        hash
    ])?;
    Ok(Head { id, hash })
}

fn head(db: &Connection) -> Result<Head, Error> {
    let last = db
        .query_row(
            "SELECT id, hash FROM entry ORDER BY id DESC LIMIT 1",
            [],
            |row| {
                Ok(Head {
                    id: row.get(0)?,
                    hash: row.get::<_, Hash>(1)?,
                })
            },
        )
        .optional()?;
    Ok(last.unwrap_or(Head::START))
}

/// Returns once everything written so far to the journal at `path` survives a power
/// cut too; from any thread, beside the one that writes.
///
/// # Errors
/// Where the disk fails.
pub fn sync(path: &Path) -> Result<(), Error> {
    // Every commit lies in the write-ahead log; what a checkpoint has moved out
    // of it, SQLite has synced itself.
    let synced = File::open(log_of(path)).and_then(|log| log.sync_data());
    match synced {
        Err(source) if source.kind() != std::io::ErrorKind::NotFound => Err(Error::Open {
            path: path.to_owned(),
            source,
        }),
        Ok(()) | Err(_) => Ok(()),
    }
}

/// Moves the write-ahead log of the journal at `path` into the file, where it is at
/// least so large, bytes; from any thread, beside the one that writes, which goes on meanwhile.
/// Whether all of it was, so that the next who writes begins it anew ([`Journal::begin_log`]).
///
/// # Errors
/// Where the disk fails.
pub fn checkpoint(path: &Path, bytes: u64) -> Result<bool, Error> {
    let large = std::fs::metadata(log_of(path)).is_ok_and(|log| log.len() >= bytes);
    if !large {
        return Ok(false);
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags)?;
    let (frames, moved): (i64, i64) =
        db.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| {
            Ok((row.get(1)?, row.get(2)?))
        })?;
    Ok(frames == moved)
}

/// The write-ahead log beside a journal.
fn log_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

/// The lock of a journal's writer.
#[derive(Debug)]
struct Lock(File);

impl Drop for Lock {
    /// Closing alone would not do: a child that is just being started has a copy of
    /// the open file until its own program begins, and the lock would last as long.
    fn drop(&mut self) {
        // Where this fails the system lets go a moment later all the same.
        let _ = self.0.unlock();
    }
}

fn lock(path: &Path) -> Result<Lock, Error> {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    let opened = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(PathBuf::from(name));
    let file = opened.map_err(|source| Error::Open {
        path: path.to_owned(),
        source,
    })?;
    match file.try_lock() {
        Ok(()) => Ok(Lock(file)),
        Err(TryLockError::WouldBlock) => Err(Error::InUse {
            path: path.to_owned(),
        }),
        Err(TryLockError::Error(source)) => Err(Error::Open {
            path: path.to_owned(),
            source,
        }),
    }
}

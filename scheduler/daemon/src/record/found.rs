//! The journal as it is found at a start, or when a write says that it is damaged.

use leeside_core::time::Now;
use leeside_journal::{Error, Journal};
use std::path::{Path, PathBuf};

/// A journal file as the daemon finds it at its start.
#[derive(Debug, Default)]
pub struct Found {
    /// The journal, where it can be written.
    pub journal: Option<Journal>,
    /// The journal, where it can only be read: the state before is in it all the same.
    pub readable: Option<Journal>,
    /// What is wrong with it, in words.
    pub fault: Option<String>,
    /// Where a damaged file was moved aside and a new one begun: that, in words.
    pub begun_anew: Option<String>,
    /// Whether there was a file of which nothing could be read: nobody knows what was
    /// locked out in the run before.
    pub lost: bool,
}

/// Opens the journal. A damaged file is moved aside, never overwritten, and a
/// new one begun; anything else that is wrong is tried again later.
#[must_use]
pub fn find(path: &Path, now: Now) -> Found {
    match Journal::open(path) {
        Ok(journal) => Found {
            journal: Some(journal),
            ..Found::default()
        },
        Err(error) if error.is_damage() => begin_anew(path, now, &error),
        Err(error) => {
            let readable = readable(path, &error);
            Found {
                lost: readable.is_none() && path.exists(),
                readable,
                fault: Some(error.to_string()),
                ..Found::default()
            }
        }
    }
}

/// Moves a damaged journal aside and begins a new one.
pub(super) fn begin_anew(path: &Path, now: Now, error: &Error) -> Found {
    let aside = with_ending(path, &format!(".damaged-{}", now.wall.0));
    let begun = move_aside(path, &aside).and_then(|()| Journal::open(path));
    match begun {
        Ok(journal) => Found {
            journal: Some(journal),
            begun_anew: Some(format!(
                "{error}; it was moved to {} and a new one begun: look at the disk, and keep that file for what it still holds",
                aside.display()
            )),
            lost: true,
            ..Found::default()
        },
        Err(error) => Found {
            fault: Some(error.to_string()),
            lost: true,
            ..Found::default()
        },
    }
}

/// The file goes with its write-ahead log, which belongs to no other; a log without
/// its file would be read into the new one.
fn move_aside(path: &Path, aside: &Path) -> Result<(), Error> {
    for ending in ["-wal", "-shm", ""] {
        let moved = std::fs::rename(with_ending(path, ending), with_ending(aside, ending));
        match moved {
            Err(source) if ending.is_empty() || source.kind() != std::io::ErrorKind::NotFound => {
                return Err(Error::Open {
                    path: path.to_owned(),
                    source,
                });
            }
            Ok(()) | Err(_) => {}
        }
    }
    Ok(())
}

/// A file that may not be written may still be read. One that another program
/// writes, or that is of a newer format, is left alone.
fn readable(path: &Path, error: &Error) -> Option<Journal> {
    match error {
        Error::Open { .. } | Error::Sqlite(_) => Journal::open_read_only(path).ok(),
        Error::NotAJournal { .. }
        | Error::InUse { .. }
        | Error::Newer { .. }
        | Error::Row { .. }
        | Error::State(_)
        | Error::Json(_) => None,
    }
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

//! What can go wrong with a journal.

use std::path::PathBuf;

/// A fault of the journal. The daemon goes on without it and raises an alarm.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The file or its lock cannot be opened.
    #[error(
        "the journal {path} cannot be opened: {source}; check that the folder exists and that this user may write there"
    )]
    Open {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// Another process writes to it.
    #[error(
        "the journal {path} is in use by another process; stop that one first, or give this one a journal of its own"
    )]
    InUse {
        /// The file.
        path: PathBuf,
    },
    /// The file is an SQLite file of something else, or no SQLite file.
    #[error("{path} is not a journal of this program: {what}")]
    NotAJournal {
        /// The file.
        path: PathBuf,
        /// What was found instead.
        what: String,
    },
    /// A newer version of this program wrote it.
    #[error(
        "the journal {path} has format {found}, this program reads up to {known}; use the newer program, or move the file away"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The newest format known here.
        known: i64,
    },
    /// The disk is full, read-only or broken, or the file is damaged.
    #[error("the journal cannot be written or read: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// A row does not hold what its kind promises.
    #[error("row {id} of the journal cannot be read: {what}")]
    Row {
        /// The row.
        id: i64,
        /// What is wrong.
        what: String,
    },
    /// A kept state cannot be one of this site.
    #[error(
        "the state kept in the journal is damaged, at {0}; `leeside journal verify` may tell since when"
    )]
    State(#[from] leeside_core::engine::Damaged),
    /// A value cannot be written as JSON.
    #[error("a value cannot be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
}

impl Error {
    /// Whether the file itself is damaged, so that a new one has to be begun.
    #[must_use]
    pub fn is_damage(&self) -> bool {
        match self {
            Self::NotAJournal { .. } => true,
            Self::Sqlite(error) => matches!(
                error.sqlite_error_code(),
                Some(rusqlite::ErrorCode::DatabaseCorrupt | rusqlite::ErrorCode::NotADatabase)
            ),
            Self::Open { .. }
            | Self::InUse { .. }
            | Self::Newer { .. }
            | Self::Row { .. }
            | Self::State(_)
            | Self::Json(_) => false,
        }
    }
}

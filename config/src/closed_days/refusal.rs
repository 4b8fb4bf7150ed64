//! Why an edit was refused.

use std::fmt;

use super::Entry;
use crate::calendar::Diagnostic;

/// Why an edit makes no sense.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Objection {
    /// The file is not UTF-8.
    NotUtf8,
    /// There is no such file.
    NoFile,
    /// The path is not that of a file.
    NotAFile,
    /// Somebody else is editing.
    BeingEdited,
    /// There is no change that could be taken back.
    NothingToUndo,
    /// A name or category is empty.
    NoName,
    /// A name or category is longer than a line.
    NameTooLong,
    /// The last day lies before the first.
    EndsBeforeStart,
    /// Days outside of the years that are kept.
    OutOfRange,
    /// Longer than a year.
    TooLong,
    /// It ends before it begins, on one day.
    TimesBackwards,
    /// A series ends before its first time, or outside of the years that are kept.
    SeriesEnd,
    /// It would come again before it has ended.
    NeverEnds,
    /// The end of a series cannot be said in the entry's zone.
    EndInZone,
    /// A rule of another program can be kept only.
    RuleOfItsOwn,
    /// The calendar has the same entry.
    AlreadyThere,
    /// The calendar has an entry with that UID.
    UidTaken,
    /// There is no such entry.
    NoSuchEntry,
    /// Several entries could be meant.
    SeveralEntries,
    /// Other entries would change too.
    TouchesOthers,
    /// What was sent has no event.
    NoEvent,
    /// The calendar does not end.
    NotClosed,
    /// The site file is not TOML.
    SiteNotToml,
    /// The site file names no calendar of closed days.
    NoCalendar,
    /// The site file names several.
    SeveralCalendars,
}

/// Why an edit was refused. Nothing was changed.
#[derive(Debug)]
pub enum Refusal {
    /// The file is no calendar that can be read, so it is not touched.
    Unreadable(Vec<Diagnostic>),
    /// The edit makes no sense.
    Nonsense {
        /// Of which kind that is, for those who say it in other words.
        objection: Objection,
        /// What is wrong.
        message: String,
        /// How to mend it.
        hint: String,
    },
    /// Somebody else changed the file since it was shown.
    Conflict {
        /// What was to be done.
        wanted: String,
        /// The revision of the file as it is now.
        revision: String,
        /// What the file holds now.
        present: Vec<Entry>,
    },
    /// The file could not be read or written.
    File {
        /// What was tried.
        what: String,
        /// The system's reason.
        error: std::io::Error,
    },
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unreadable(problems) => {
                f.write_str("the file is left as it is, for it cannot be read as a calendar:")?;
                problems
                    .iter()
                    .try_for_each(|problem| write!(f, "\n  {problem}"))
            }
            Self::Nonsense { message, hint, .. } if hint.is_empty() => f.write_str(message),
            Self::Nonsense { message, hint, .. } => write!(f, "{message} (hint: {hint})"),
            Self::Conflict {
                wanted, present, ..
            } => {
                write!(
                    f,
                    "somebody changed the calendar meanwhile\n  wanted: {wanted}\n  now in the calendar:"
                )?;
                present
                    .iter()
                    .try_for_each(|entry| write!(f, "\n    {entry}"))
            }
            Self::File { what, error } => write!(f, "{what}: {error}"),
        }
    }
}

impl std::error::Error for Refusal {}

pub(super) fn nonsense(
    objection: Objection,
    message: impl Into<String>,
    hint: impl Into<String>,
) -> Refusal {
    Refusal::Nonsense {
        objection,
        message: message.into(),
        hint: hint.into(),
    }
}

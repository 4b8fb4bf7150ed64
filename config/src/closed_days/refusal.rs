//! Why an edit was refused.

use std::fmt;

use super::Entry;
use crate::calendar::Diagnostic;

/// Why an edit was refused. Nothing was changed.
#[derive(Debug)]
pub enum Refusal {
    /// The file is no calendar that can be read, so it is not touched.
    Unreadable(Vec<Diagnostic>),
    /// The edit makes no sense.
    Nonsense {
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
            Self::Nonsense { message, hint } if hint.is_empty() => f.write_str(message),
            Self::Nonsense { message, hint } => write!(f, "{message} (hint: {hint})"),
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

pub(super) fn nonsense(message: impl Into<String>, hint: impl Into<String>) -> Refusal {
    Refusal::Nonsense {
        message: message.into(),
        hint: hint.into(),
    }
}

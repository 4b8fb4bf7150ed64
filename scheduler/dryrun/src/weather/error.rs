//! What can be wrong with a weather file, and how to mend it.

use std::path::PathBuf;

/// A weather file that cannot be used. Nothing of it is used then.
#[derive(Debug, thiserror::Error)]
pub enum WeatherError {
    /// It cannot be read at all.
    #[error("{}: cannot be read: {source}", file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// A cell holds something else than it should.
    #[error(
        "{file}:{line}:{column}: {name}: found {found:?}, expected {expected}; nothing of the file was used"
    )]
    Cell {
        /// The file's name.
        file: String,
        /// Line, counted from 1.
        line: usize,
        /// Character within the line, counted from 1.
        column: usize,
        /// Name of the column.
        name: String,
        /// What stands there.
        found: String,
        /// What should.
        expected: String,
    },
    /// A line does not have the form it should.
    #[error("{file}:{line}: {found}; expected {expected}; nothing of the file was used")]
    Line {
        /// The file's name.
        file: String,
        /// Line, counted from 1.
        line: usize,
        /// What is wrong.
        found: String,
        /// What should stand there.
        expected: String,
    },
    /// The form of the file is not known.
    #[error("{file}: {found}\n  hint: {hint}")]
    Form {
        /// The file's name.
        file: String,
        /// What is wrong.
        found: String,
        /// How to mend it.
        hint: String,
    },
    /// The description beside a CSV file cannot be used.
    #[error("{}: {found}\n  hint: {hint}", file.display())]
    Mapping {
        /// The description.
        file: PathBuf,
        /// What is wrong.
        found: String,
        /// How to mend it.
        hint: String,
    },
    /// The span asked for is not in the data.
    #[error(
        "{file}: the span asked for ({asked}) is not in the data, which go from {first} to {last}\n  hint: {hint}"
    )]
    Span {
        /// The file's name.
        file: String,
        /// The span asked for.
        asked: String,
        /// Where the data begin.
        first: String,
        /// Where they end.
        last: String,
        /// How to mend it.
        hint: String,
    },
}

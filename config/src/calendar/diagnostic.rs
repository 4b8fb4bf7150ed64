//! What is wrong in a calendar file, and where.

use std::fmt;

pub use crate::diagnostic::Severity;

/// One problem in a calendar file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic {
    /// The file's name as the caller gave it.
    pub file: String,
    /// Line in the file, counted from 1 (physical lines, before unfolding).
    pub line: usize,
    /// Column in that line, in characters, counted from 1.
    pub column: usize,
    /// The iCalendar property or component concerned, e.g. `DTSTART`.
    pub property: String,
    /// What is wrong and what was expected.
    pub message: String,
    /// How to mend it; may be empty.
    pub hint: String,
    /// Whether the file may still be used.
    pub severity: Severity,
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}:{}:{}: {}: ",
            self.file,
            self.line,
            self.column,
            self.severity.as_str()
        )?;
        if !self.property.is_empty() {
            write!(f, "{}: ", self.property)?;
        }
        f.write_str(&self.message)?;
        if !self.hint.is_empty() {
            write!(f, " (hint: {})", self.hint)?;
        }
        Ok(())
    }
}

impl From<Diagnostic> for crate::Diagnostic {
    /// The same problem without the span of bytes, which unfolding has blurred.
    fn from(problem: Diagnostic) -> Self {
        let Diagnostic {
            file,
            line,
            column,
            property,
            message,
            hint,
            severity,
        } = problem;
        let message = if property.is_empty() {
            message
        } else {
            format!("{property}: {message}")
        };
        Self {
            file,
            line,
            column,
            span: 0..0,
            severity,
            message,
            hint,
        }
    }
}

/// Whether a calendar with these diagnostics may be put into force.
#[must_use]
pub fn usable(diagnostics: &[Diagnostic]) -> bool {
    diagnostics.iter().all(|d| d.severity < Severity::Error)
}

/// Collects the diagnostics of one file. At most [`Report::LIMIT`] are kept, so
/// that a hostile file cannot fill the memory with complaints about itself.
#[derive(Debug)]
pub(crate) struct Report {
    file: String,
    list: Vec<Diagnostic>,
    left_out: usize,
}

impl Report {
    const LIMIT: usize = 200;

    pub(crate) fn new(file: &str) -> Self {
        Self {
            file: file.to_owned(),
            list: Vec::new(),
            left_out: 0,
        }
    }

    pub(crate) fn error(
        &mut self,
        at: (usize, usize),
        property: &str,
        message: impl Into<String>,
        hint: impl Into<String>,
    ) {
        self.push(Severity::Error, at, property, message.into(), hint.into());
    }

    pub(crate) fn warning(
        &mut self,
        at: (usize, usize),
        property: &str,
        message: impl Into<String>,
        hint: impl Into<String>,
    ) {
        self.push(Severity::Warning, at, property, message.into(), hint.into());
    }

    fn push(
        &mut self,
        severity: Severity,
        at: (usize, usize),
        property: &str,
        message: String,
        hint: String,
    ) {
        if self.list.len() >= Self::LIMIT {
            self.left_out += 1;
            return;
        }
        let (line, column) = at;
        self.list.push(Diagnostic {
            file: self.file.clone(),
            line,
            column,
            property: property.to_owned(),
            message,
            hint,
            severity,
        });
    }

    /// The diagnostics in file order.
    pub(crate) fn finish(mut self) -> Vec<Diagnostic> {
        self.list.sort_by_key(|d| (d.line, d.column));
        if self.left_out > 0 {
            let (line, column) = self.list.last().map_or((1, 1), |d| (d.line, d.column));
            self.list.push(Diagnostic {
                file: self.file,
                line,
                column,
                property: String::new(),
                message: format!("{} more problems are not shown", self.left_out),
                hint: "mend the ones above first".to_owned(),
                severity: Severity::Error,
            });
        }
        self.list
    }
}

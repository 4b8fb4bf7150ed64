//! What is wrong in a file, where, and how to mend it.

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use serde::Serialize;
use std::fmt;
use std::ops::Range;

/// How much a [`Diagnostic`] weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// The site can be run, but somebody should look at this.
    Warning,
    /// The site must not be run.
    Error,
}

impl Severity {
    /// The word as it is printed.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Warning => "warning",
            Self::Error => "error",
        }
    }
}

/// One problem, at its place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Diagnostic {
    /// The file, as the caller named it.
    pub file: String,
    /// Line, counted from 1.
    pub line: usize,
    /// Column in characters, counted from 1.
    pub column: usize,
    /// The offending bytes of the file (empty where a whole file is meant).
    pub span: Range<usize>,
    /// Error or warning.
    pub severity: Severity,
    /// What is wrong, with the offending text, and what was expected.
    pub message: String,
    /// How to mend it; empty where nothing sensible can be said.
    pub hint: String,
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            file,
            line,
            column,
            severity,
            message,
            hint,
            ..
        } = self;
        write!(
            f,
            "{file}:{line}:{column}: {}: {message}",
            severity.as_str()
        )?;
        if hint.is_empty() {
            Ok(())
        } else {
            write!(f, " (hint: {hint})")
        }
    }
}

impl Diagnostic {
    /// The problem with the lines of the file around it and the offending text
    /// underlined. The first line is `file:line:column: error: what`, so that
    /// editors can jump there. `source` is the text of the file named in it.
    #[must_use]
    pub fn render(&self, source: &str, colour: bool) -> String {
        let Self {
            file,
            line,
            column,
            severity,
            message,
            hint,
            ..
        } = self;
        let head = format!("{file}:{line}:{column}: {}: {message}", severity.as_str());
        let span = self.span.start.min(source.len())..self.span.end.min(source.len());
        let on_characters =
            source.is_char_boundary(span.start) && source.is_char_boundary(span.end);
        if self.span.is_empty() || span.is_empty() || !on_characters {
            return if hint.is_empty() {
                head
            } else {
                format!("{head}\n  hint: {hint}")
            };
        }
        let level = match severity {
            Severity::Warning => Level::WARNING,
            Severity::Error => Level::ERROR,
        };
        let snippet = Snippet::source(source)
            .fold(true)
            .annotation(AnnotationKind::Primary.span(span));
        let mut group = level.no_name().primary_title("").element(snippet);
        if !hint.is_empty() {
            group = group.element(Level::HELP.with_name("hint").message(hint));
        }
        let renderer = if colour {
            Renderer::styled()
        } else {
            Renderer::plain()
        };
        let drawn = renderer.render(&[group]);
        // The title stands in our own first line; what the renderer would put there is empty.
        let body = drawn.split_once('\n').map_or("", |(_, body)| body);
        format!("{head}\n{body}")
    }
}

/// Turns byte offsets of one text into lines and columns.
#[derive(Debug)]
pub(crate) struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    pub(crate) fn of(text: &'t str) -> Self {
        let starts = std::iter::once(0)
            .chain(text.match_indices('\n').map(|(at, _)| at + 1))
            .collect();
        Self { text, starts }
    }

    /// Line and column (in characters) of a byte offset, both counted from 1.
    pub(crate) fn place(&self, offset: usize) -> (usize, usize) {
        let offset = offset.min(self.text.len());
        let line = self.starts.partition_point(|&start| start <= offset).max(1);
        let start = self.starts.get(line - 1).copied().unwrap_or(0);
        let column = self
            .text
            .get(start..offset)
            .map_or(1, |before| before.chars().count() + 1);
        (line, column)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_counted_in_characters_from_one() {
        let lines = Lines::of("ä = 1\nöß = 2\n");
        assert_eq!(lines.place(0), (1, 1));
        assert_eq!(lines.place("ä".len()), (1, 2));
        assert_eq!(lines.place("ä = 1\nöß ".len()), (2, 4));
        assert_eq!(lines.place(1000), (3, 1));
    }

    #[test]
    fn rendering_starts_with_a_place_that_editors_know() {
        let source = "[site]\nname = 3\n";
        let problem = Diagnostic {
            file: "house.toml".into(),
            line: 2,
            column: 8,
            span: 14..15,
            severity: Severity::Error,
            message: "`name` is a whole number".into(),
            hint: "put it in quotes".into(),
        };
        let drawn = problem.render(source, false);
        assert!(
            drawn.starts_with("house.toml:2:8: error: `name` is a whole number\n"),
            "{drawn}"
        );
        assert!(drawn.contains("name = 3"), "{drawn}");
        assert!(drawn.contains("put it in quotes"), "{drawn}");
        assert_eq!(
            problem.to_string(),
            "house.toml:2:8: error: `name` is a whole number (hint: put it in quotes)"
        );
    }
}

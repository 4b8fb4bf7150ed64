//! From a file to lines and cells, each knowing where it stands.

use super::WeatherError;
use sha2::{Digest, Sha256};
use std::borrow::Cow;
use std::io::Read;
use std::path::Path;

/// The whole of a file, unpacked.
pub(super) struct Text {
    /// Its name without folders: the same on every machine.
    pub(super) name: String,
    /// SHA-256 of the file as it lies there, in hexadecimal digits.
    pub(super) sha256: String,
    pub(super) body: String,
}

/// SHA-256 in hexadecimal digits.
#[must_use]
pub fn sha256_hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    Sha256::digest(bytes)
        .iter()
        .fold(String::with_capacity(64), |mut hex, byte| {
            let _ = write!(hex, "{byte:02x}");
            hex
        })
}

impl Text {
    /// Reads a file; gzip is known by its first two bytes (RFC 1952 §2.3.1),
    /// whatever the file is called.
    pub(super) fn read(path: &Path) -> Result<Self, WeatherError> {
        let unreadable = |source| WeatherError::Read {
            file: path.to_owned(),
            source,
        };
        let packed = std::fs::read(path).map_err(unreadable)?;
        let name = path
            .file_name()
            .map_or_else(String::new, |name| name.to_string_lossy().into_owned());
        Self::of(name, &packed).map_err(unreadable)
    }

    /// The same of bytes that are already there.
    pub(super) fn of(name: String, packed: &[u8]) -> std::io::Result<Self> {
        Self::of_at_most(name, packed, usize::MAX)
    }

    /// The same, refused where it unpacks to more than `most` bytes.
    pub(super) fn of_at_most(name: String, packed: &[u8], most: usize) -> std::io::Result<Self> {
        let sha256 = sha256_hex(packed);
        let mut bytes = Vec::new();
        if packed.starts_with(&[0x1f, 0x8b]) {
            let beyond = u64::try_from(most).unwrap_or(u64::MAX).saturating_add(1);
            flate2::read::MultiGzDecoder::new(packed)
                .take(beyond)
                .read_to_end(&mut bytes)?;
        } else {
            bytes.extend_from_slice(packed);
        }
        if bytes.len() > most {
            let what = format!("it is larger than {} MiB", most >> 20);
            return Err(std::io::Error::other(what));
        }
        let body = match String::from_utf8(bytes) {
            Ok(body) => body,
            // Station names in old files are Latin-1; the numbers are ASCII either way.
            Err(not_utf8) => not_utf8
                .as_bytes()
                .iter()
                .map(|byte| char::from(*byte))
                .collect(),
        };
        Ok(Self { name, sha256, body })
    }

    /// Lines with their numbers, counted from 1, without line ends and byte order mark.
    pub(super) fn lines(&self) -> impl Iterator<Item = Line<'_>> {
        let body = self.body.strip_prefix('\u{feff}').unwrap_or(&self.body);
        body.lines().enumerate().map(|(index, text)| Line {
            file: &self.name,
            number: index + 1,
            text,
        })
    }
}

/// One line.
#[derive(Clone, Copy)]
pub(super) struct Line<'a> {
    pub(super) file: &'a str,
    pub(super) number: usize,
    pub(super) text: &'a str,
}

/// One cell of a line.
#[derive(Clone)]
pub(super) struct Cell<'a> {
    /// Character at which it begins, counted from 1.
    pub(super) column: usize,
    pub(super) text: Cow<'a, str>,
}

impl<'a> Line<'a> {
    /// Its cells by RFC 4180, quotes and all, except that no cell may run over
    /// the end of the line.
    pub(super) fn cells(&self, into: &mut Vec<Cell<'a>>) -> Result<(), WeatherError> {
        into.clear();
        if self.text.contains('"') {
            return self.quoted_cells(into);
        }
        let ascii = self.text.is_ascii();
        let mut offset = 0;
        for text in self.text.split(',') {
            let column = if ascii {
                offset
            } else {
                self.text[..offset].chars().count()
            } + 1;
            into.push(Cell {
                column,
                text: Cow::Borrowed(text.trim()),
            });
            offset += text.len() + 1;
        }
        Ok(())
    }

    fn quoted_cells(&self, into: &mut Vec<Cell<'a>>) -> Result<(), WeatherError> {
        let mut chars = self.text.chars().enumerate().peekable();
        let (mut text, mut begins, mut within) = (String::new(), 1, false);
        while let Some((index, c)) = chars.next() {
            match c {
                '"' if within && chars.peek().is_some_and(|(_, next)| *next == '"') => {
                    chars.next();
                    text.push('"');
                }
                '"' => within = !within,
                ',' if !within => {
                    let done = std::mem::take(&mut text);
                    into.push(Cell {
                        column: begins,
                        text: Cow::Owned(done.trim().to_owned()),
                    });
                    begins = index + 2;
                }
                other => text.push(other),
            }
        }
        if within {
            return Err(self.broken(
                "a quote is opened and not closed",
                "every \" closed before the line ends",
            ));
        }
        into.push(Cell {
            column: begins,
            text: Cow::Owned(text.trim().to_owned()),
        });
        Ok(())
    }

    /// An error about the whole line.
    pub(super) fn broken(
        &self,
        found: impl Into<String>,
        expected: impl Into<String>,
    ) -> WeatherError {
        WeatherError::Line {
            file: self.file.to_owned(),
            line: self.number,
            found: found.into(),
            expected: expected.into(),
        }
    }

    /// An error about one cell.
    pub(super) fn broken_cell(
        &self,
        cell: &Cell<'_>,
        name: &str,
        expected: impl Into<String>,
    ) -> WeatherError {
        WeatherError::Cell {
            file: self.file.to_owned(),
            line: self.number,
            column: cell.column,
            name: name.to_owned(),
            found: cell.text.chars().take(40).collect(),
            expected: expected.into(),
        }
    }

    /// The cell at `index`, or an error that says how many cells there should be.
    pub(super) fn cell<'c>(
        &self,
        cells: &'c [Cell<'a>],
        index: usize,
        name: &str,
    ) -> Result<&'c Cell<'a>, WeatherError> {
        cells.get(index).ok_or_else(|| {
            self.broken(
                format!("the line has only {} cells", cells.len()),
                format!("at least {}, of which the last is {name}", index + 1),
            )
        })
    }

    /// A finite number.
    pub(super) fn number(
        &self,
        cell: &Cell<'_>,
        name: &str,
        unit: &str,
    ) -> Result<f64, WeatherError> {
        match cell.text.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            Ok(_) | Err(_) => Err(self.broken_cell(cell, name, format!("a number in {unit}"))),
        }
    }

    /// A whole number within bounds.
    pub(super) fn whole(
        &self,
        cell: &Cell<'_>,
        name: &str,
        from: u32,
        to: u32,
    ) -> Result<u32, WeatherError> {
        match cell.text.parse::<u32>() {
            Ok(value) if (from..=to).contains(&value) => Ok(value),
            Ok(_) | Err(_) => {
                Err(self.broken_cell(cell, name, format!("a whole number from {from} to {to}")))
            }
        }
    }
}

//! Content lines (RFC 5545 §3.1): unfolding, parameters and quoting, with the
//! place in the file kept for every octet of the unfolded line.

use super::diagnostic::Report;

/// A parameter such as `TZID=Europe/Berlin`; the name is in upper case.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Parameter {
    pub(crate) name: String,
    /// The values, unquoted.
    pub(crate) values: Vec<String>,
    /// Offset of the first value in the unfolded line.
    offset: usize,
}

/// One unfolded content line `NAME;PARAM=value:VALUE`.
#[derive(Debug, Clone)]
pub(crate) struct ContentLine {
    /// The property name in upper case.
    pub(crate) name: String,
    pub(crate) parameters: Vec<Parameter>,
    pub(crate) value: String,
    value_offset: usize,
    pieces: Vec<Piece>,
    text: String,
}

/// A physical line's share of an unfolded line.
#[derive(Debug, Clone, Copy)]
struct Piece {
    /// Where it begins in the unfolded line, in octets.
    offset: usize,
    /// Physical line, from 1.
    line: usize,
    /// Column of its first octet, from 1 (2 after a fold's white space).
    column: usize,
}

impl ContentLine {
    /// The place (line, column) where the line begins.
    pub(crate) fn at(&self) -> (usize, usize) {
        self.place(0)
    }

    /// The place where the value begins.
    pub(crate) fn value_at(&self) -> (usize, usize) {
        self.place(self.value_offset)
    }

    /// The place of the octet `index` of the value.
    pub(crate) fn value_place(&self, index: usize) -> (usize, usize) {
        self.place(self.value_offset.saturating_add(index))
    }

    /// The place where the first value of the parameter begins, or the line's.
    pub(crate) fn parameter_at(&self, name: &str) -> (usize, usize) {
        self.parameters
            .iter()
            .find(|p| p.name == name)
            .map_or_else(|| self.at(), |p| self.place(p.offset))
    }

    /// The first value of a parameter.
    pub(crate) fn parameter(&self, name: &str) -> Option<&str> {
        self.parameters
            .iter()
            .find(|p| p.name == name)
            .and_then(|p| p.values.first())
            .map(String::as_str)
    }

    fn place(&self, offset: usize) -> (usize, usize) {
        let piece = self.pieces.iter().rev().find(|p| p.offset <= offset);
        let Some(piece) = piece else { return (1, 1) };
        let inside = self
            .text
            .get(piece.offset..offset)
            .map_or(0, |s| s.chars().count());
        (piece.line, piece.column + inside)
    }
}

/// An unfolded line that is not yet taken apart.
struct Raw {
    bytes: Vec<u8>,
    pieces: Vec<Piece>,
}

/// Unfolds and reads all content lines. Lines that cannot be read are reported
/// and left out.
pub(crate) fn read_lines(bytes: &[u8], report: &mut Report) -> Vec<ContentLine> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut lines = Vec::new();
    let mut current: Option<Raw> = None;
    for (index, physical) in bytes.split(|b| *b == b'\n').enumerate() {
        let line = index + 1;
        let physical = physical.strip_suffix(b"\r").unwrap_or(physical);
        match physical.split_first() {
            None => {}
            // RFC 5545 §3.1: folds are between octets, so a character may be cut;
            // that is why joining comes before decoding.
            Some((b' ' | b'\t', rest)) => match &mut current {
                Some(raw) => {
                    raw.pieces.push(Piece {
                        offset: raw.bytes.len(),
                        line,
                        column: 2,
                    });
                    raw.bytes.extend_from_slice(rest);
                }
                None => report.error(
                    (line, 1),
                    "",
                    "the file begins with white space, which only continues a line",
                    "remove the white space before BEGIN:VCALENDAR",
                ),
            },
            Some(_) => {
                lines.extend(current.take().and_then(|raw| read_line(raw, report)));
                current = Some(Raw {
                    bytes: physical.to_vec(),
                    pieces: vec![Piece {
                        offset: 0,
                        line,
                        column: 1,
                    }],
                });
            }
        }
    }
    lines.extend(current.and_then(|raw| read_line(raw, report)));
    lines
}

/// Takes one unfolded line apart.
fn read_line(raw: Raw, report: &mut Report) -> Option<ContentLine> {
    let Raw { bytes, pieces } = raw;
    let text = match String::from_utf8(bytes) {
        Ok(text) => text,
        Err(error) => {
            let at = pieces.first().map_or((1, 1), |p| (p.line, p.column));
            report.error(
                at,
                "",
                "this line is not UTF-8",
                "save the file as UTF-8 (RFC 5545 §3.1.4)",
            );
            String::from_utf8_lossy(error.as_bytes()).into_owned()
        }
    };
    let mut line = ContentLine {
        name: String::new(),
        parameters: Vec::new(),
        value: String::new(),
        value_offset: 0,
        pieces,
        text,
    };
    let name_end = line
        .text
        .find(|c: char| !(c.is_ascii_alphanumeric() || c == '-'))
        .unwrap_or(line.text.len());
    line.name = line
        .text
        .get(..name_end)
        .unwrap_or_default()
        .to_ascii_uppercase();
    let mut rest = name_end;
    loop {
        match line.text.as_bytes().get(rest) {
            Some(b':') if name_end > 0 => {
                line.value_offset = rest + 1;
                line.value = line.text.get(rest + 1..).unwrap_or_default().to_owned();
                return Some(line);
            }
            Some(b';') if name_end > 0 => match read_parameter(&line.text, rest + 1) {
                Ok((parameter, next)) => {
                    line.parameters.push(parameter);
                    rest = next;
                }
                Err((offset, message)) => {
                    report.error(
                        line.place(offset),
                        &line.name,
                        message,
                        "write a parameter as NAME=value or NAME=\"value\"",
                    );
                    return None;
                }
            },
            _ => {
                report.error(
                    line.place(rest),
                    &line.name,
                    "this is not a content line NAME:VALUE",
                    "a long line is continued by a line that begins with a space",
                );
                return None;
            }
        }
    }
}

/// Reads one parameter that begins at `from`; answers it and the offset of the
/// `;` or `:` behind it.
fn read_parameter(text: &str, from: usize) -> Result<(Parameter, usize), (usize, &'static str)> {
    let rest = text.get(from..).unwrap_or_default();
    let length = rest
        .find(|c: char| !(c.is_ascii_alphanumeric() || c == '-'))
        .unwrap_or(rest.len());
    if length == 0 {
        return Err((from, "a parameter's name is missing"));
    }
    let name = rest.get(..length).unwrap_or_default().to_ascii_uppercase();
    let mut at = from + length;
    if text.as_bytes().get(at) != Some(&b'=') {
        return Err((at, "a parameter lacks its ="));
    }
    let offset = at + 1;
    let mut values = Vec::new();
    loop {
        at += 1;
        let rest = text.get(at..).unwrap_or_default();
        let end = if let Some(quoted) = rest.strip_prefix('"') {
            let Some(close) = quoted.find('"') else {
                return Err((at, "a quoted parameter value is not closed"));
            };
            values.push(quoted.get(..close).unwrap_or_default().to_owned());
            at + close + 2
        } else {
            let length = rest.find([';', ':', ',', '"']).unwrap_or(rest.len());
            values.push(rest.get(..length).unwrap_or_default().to_owned());
            at + length
        };
        match text.as_bytes().get(end) {
            Some(b',') => at = end,
            Some(b';' | b':') => {
                return Ok((
                    Parameter {
                        name,
                        values,
                        offset,
                    },
                    end,
                ));
            }
            _ => return Err((end, "a parameter is not followed by ; or :")),
        }
    }
}

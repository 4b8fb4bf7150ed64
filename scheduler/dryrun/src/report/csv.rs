//! Every movement as a row.

use super::{FORMAT_VERSION, Head};
use crate::replay::Sink;
use chrono::{Datelike, NaiveDateTime, Offset, Timelike};
use leeside_core::model::Model;
use leeside_core::output::{Command, Lost};
use leeside_core::reason::Because;
use leeside_core::say;
use leeside_core::time::Wall;
use std::fmt::Write as _;
use std::io::{self, Write};
use std::sync::Arc;

/// Writes CSV, format 1 (see the [module](super)).
#[derive(Debug)]
pub struct CsvSink<W> {
    out: W,
    row: String,
    field: String,
    /// The first two cells of a moment: many rows have the same.
    moment: (Option<Wall>, String),
    /// The last reason of the moment and its cell: neighbours have the same.
    reason: (Option<Because>, String),
    /// What lost last, and its cell.
    lost: (Option<Arc<[Lost]>>, String),
}

impl<W: Write> CsvSink<W> {
    /// Begins with head and header row.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn new(mut out: W, head: &Head) -> io::Result<Self> {
        let title = head.title().to_lowercase();
        writeln!(out, "# leeside {title}, CSV format {FORMAT_VERSION}")?;
        writeln!(
            out,
            "# site: {}, {} to {} ({})",
            one_line(&head.site),
            head.from,
            head.to,
            head.zone
        )?;
        writeln!(out, "# fingerprint: {}", head.fingerprint())?;
        writeln!(
            out,
            "# weather: {}; {}; each row {}",
            one_line(&head.source.to_string()),
            head.plant_words(),
            head.resolution
        )?;
        writeln!(out, "# gaps: {}", head.gap_words())?;
        let said = [
            ("note", &head.notes),
            ("assumed", &head.assumptions),
            ("caution", &head.cautions),
        ];
        for (what, lines) in said {
            for line in lines {
                writeln!(out, "# {what}: {}", one_line(&line.to_string()))?;
            }
        }
        out.write_all(b"at_local,at_utc,group,extension_pct,tilt_deg,decided_by,reason,lost\n")?;
        Ok(Self {
            out,
            row: String::new(),
            field: String::new(),
            moment: (None, String::new()),
            reason: (None, String::new()),
            lost: (None, String::new()),
        })
    }

    /// The end: gives the writer back.
    ///
    /// # Errors
    /// Where the rest cannot be written.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }
}

impl<W: Write> Sink for CsvSink<W> {
    fn looks(&self) -> bool {
        false
    }

    fn movement(&mut self, model: &Model, command: &Command) -> io::Result<()> {
        let at = command.at.wall;
        if self.moment.0 != Some(at) {
            let cells = &mut self.moment.1;
            cells.clear();
            local(cells, model, at);
            cells.push(',');
            clock(cells, at.utc().naive_utc());
            cells.push_str("Z,");
            self.moment.0 = Some(at);
            self.reason.0 = None;
        }
        self.row.clear();
        self.row.push_str(&self.moment.1);
        quote(&mut self.row, &model.group(command.group).name);
        let pose = command.goes_to();
        self.row.push(',');
        if let Some(pose) = pose {
            number(&mut self.row, pose.extension_pct.into());
        }
        self.row.push(',');
        if let Some(tilt) = pose.and_then(|pose| pose.tilt_deg) {
            number(&mut self.row, tilt);
        }
        self.row.push(',');
        self.row.push_str(command.decided_by.as_str());
        self.row.push(',');
        if self.reason.0.as_ref() != Some(&command.because) {
            self.field.clear();
            say::write_because(&mut self.field, model, &command.because);
            self.reason.1.clear();
            quote(&mut self.reason.1, &self.field);
            self.reason.0 = Some(command.because.clone());
        }
        self.row.push_str(&self.reason.1);
        self.row.push(',');
        let known = self.lost.0.as_ref();
        if known.is_none_or(|known| !Arc::ptr_eq(known, &command.lost)) {
            self.field.clear();
            say::write_lost(&mut self.field, &command.lost);
            self.lost.1.clear();
            quote(&mut self.lost.1, &self.field);
            self.lost.0 = Some(Arc::clone(&command.lost));
        }
        self.row.push_str(&self.lost.1);
        self.row.push('\n');
        self.out.write_all(self.row.as_bytes())
    }
}

impl Head {
    /// The plant in words.
    #[must_use]
    pub fn plant_words(&self) -> String {
        if self.is_lived() {
            return "the plant itself, as its drives reported".to_owned();
        }
        format!("{} plant, step {} s", self.plant, self.step_s)
    }
}

/// Site time with offset.
pub(super) fn local(into: &mut String, model: &Model, at: Wall) {
    let local = at.utc().with_timezone(&model.site.zone);
    clock(into, local.naive_local());
    let offset = local.offset().fix().local_minus_utc();
    into.push(if offset < 0 { '-' } else { '+' });
    let minutes = offset.unsigned_abs() / 60;
    two(into, minutes / 60);
    into.push(':');
    two(into, minutes % 60);
}

/// Date and time to the second, by hand: every row has two of them.
fn clock(into: &mut String, at: NaiveDateTime) {
    let year = at.year().unsigned_abs();
    two(into, year / 100);
    two(into, year % 100);
    for (between, part) in [
        ('-', at.month()),
        ('-', at.day()),
        ('T', at.hour()),
        (':', at.minute()),
        (':', at.second()),
    ] {
        into.push(between);
        two(into, part);
    }
}

/// A whole number, by hand: every row has one or two.
fn number(into: &mut String, number: i16) {
    if number < 0 {
        into.push('-');
    }
    let magnitude = u32::from(number.unsigned_abs());
    if magnitude >= 10_000 {
        let _ = write!(into, "{magnitude}");
        return;
    }
    let mut below = 1_000;
    while below > 1 && magnitude < below {
        below /= 10;
    }
    while below > 0 {
        into.push(char::from_digit(magnitude / below % 10, 10).unwrap_or('?'));
        below /= 10;
    }
}

fn two(into: &mut String, number: u32) {
    for digit in [number / 10 % 10, number % 10] {
        into.push(char::from_digit(digit, 10).unwrap_or('?'));
    }
}

/// A cell by RFC 4180; also what holds a `#` is quoted, so that no reader takes
/// its rest for a comment.
fn quote(into: &mut String, text: &str) {
    let awkward = |byte| matches!(byte, b',' | b'"' | b'\n' | b'\r' | b'#');
    if text.bytes().any(awkward) {
        into.push('"');
        for part in text.split_inclusive('"') {
            into.push_str(part);
            if part.ends_with('"') {
                into.push('"');
            }
        }
        into.push('"');
    } else {
        into.push_str(text);
    }
}

/// A head line must not break.
fn one_line(text: &str) -> String {
    text.replace(['\n', '\r'], " ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_those_of_the_standard_library() {
        for value in i16::MIN..=i16::MAX {
            let mut got = String::new();
            number(&mut got, value);
            assert_eq!(got, value.to_string());
        }
    }

    #[test]
    fn cells_are_quoted_where_a_reader_could_stumble() {
        let table = [
            ("plain", "plain"),
            ("a, b", "\"a, b\""),
            ("say \"so\"", "\"say \"\"so\"\"\""),
            ("room #3", "\"room #3\""),
            ("\"", "\"\"\"\""),
            ("", ""),
        ];
        for (text, want) in table {
            let mut got = String::new();
            quote(&mut got, text);
            assert_eq!(got, want);
        }
    }
}

//! An entry to be added: whether it makes sense, and the lines that it becomes.

use chrono::{DateTime, Datelike, NaiveDate, Utc};

use super::{Entry, Recurrence, Refusal, nonsense, span};

/// An entry to be added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewEntry {
    /// First day.
    pub first: NaiveDate,
    /// Last day, inclusive.
    pub last: NaiveDate,
    /// What it is called.
    pub name: String,
    /// Whether it comes again each year, up to and including a year if one is given.
    pub yearly: Option<Option<i32>>,
    /// The special day that it stands for.
    pub category: Option<String>,
    /// A new UID, unlike all others. A value, so that an edit is repeatable.
    pub uid: String,
    /// When it was made.
    pub stamp: DateTime<Utc>,
}

impl NewEntry {
    pub(super) fn as_entry(&self, line: usize) -> Entry {
        Entry {
            uid: self.uid.clone(),
            first: self.first,
            last: self.last,
            name: self.name.trim().to_owned(),
            recurrence: self.yearly.map_or(Recurrence::Once, Recurrence::Yearly),
            categories: self.category.iter().map(|c| c.trim().to_owned()).collect(),
            all_day: true,
            cancelled: false,
            is_override: false,
            line,
        }
    }

    /// Whether it makes sense.
    pub(super) fn check(&self) -> Result<(), Refusal> {
        let text = |what: &str, text: &str| {
            if text.trim().is_empty() {
                return Err(nonsense(
                    format!("the {what} is empty"),
                    "say what the day is called",
                ));
            }
            if text.chars().any(char::is_control) || text.chars().count() > 200 {
                return Err(nonsense(
                    format!("the {what} must be one line of at most 200 characters"),
                    "shorten it",
                ));
            }
            Ok(())
        };
        text("name", &self.name)?;
        text("UID", &self.uid)?;
        if let Some(category) = &self.category {
            text("category", category)?;
        }
        if self.last < self.first {
            return Err(nonsense(
                format!(
                    "{} lies before {}: the end comes before the start",
                    self.last, self.first
                ),
                "exchange the days",
            ));
        }
        let years = [self.first.year(), self.last.year()];
        if years.iter().any(|year| !(1900..=2199).contains(year)) {
            return Err(nonsense(
                format!(
                    "{} is not within the years 1900 to 2199",
                    span(self.first, self.last)
                ),
                "check the year",
            ));
        }
        if (self.last - self.first).num_days() >= 366 {
            return Err(nonsense(
                format!("{} is longer than a year", span(self.first, self.last)),
                "check the years",
            ));
        }
        if let Some(yearly) = self.yearly {
            if let Some(until) = yearly.filter(|until| *until < self.first.year() || *until > 2199)
            {
                return Err(nonsense(
                    format!(
                        "each year until {until}, but the first time is {}",
                        self.first
                    ),
                    "the last year must not be before the first, nor after 2199",
                ));
            }
            if (self.last - self.first).num_days() >= 365 {
                return Err(nonsense(
                    "a whole year that comes again each year would never end",
                    "leave out the recurrence",
                ));
            }
        }
        Ok(())
    }

    /// The event's lines, unfolded.
    pub(super) fn lines(&self) -> Vec<String> {
        let day = |date: NaiveDate| date.format("%Y%m%d").to_string();
        // DTEND is the first day no longer covered (RFC 5545 §3.6.1).
        let end = self.last.succ_opt().unwrap_or(self.last);
        let mut lines = vec![
            "BEGIN:VEVENT".to_owned(),
            format!("UID:{}", self.uid.trim()),
            format!("DTSTAMP:{}", self.stamp.format("%Y%m%dT%H%M%SZ")),
            format!("DTSTART;VALUE=DATE:{}", day(self.first)),
            format!("DTEND;VALUE=DATE:{}", day(end)),
        ];
        match self.yearly {
            None => {}
            Some(None) => lines.push("RRULE:FREQ=YEARLY".to_owned()),
            Some(Some(year)) => lines.push(format!("RRULE:FREQ=YEARLY;UNTIL={year:04}1231")),
        }
        lines.push(format!("SUMMARY:{}", escape(self.name.trim())));
        lines.extend(
            self.category
                .iter()
                .map(|category| format!("CATEGORIES:{}", escape(category.trim()))),
        );
        lines.push("END:VEVENT".to_owned());
        lines
    }
}

/// Escapes TEXT (RFC 5545 §3.3.11).
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if matches!(c, '\\' | ';' | ',') {
            out.push('\\');
        }
        out.push(c);
    }
    out
}

/// Folds a line at 75 octets (RFC 5545 §3.1), between characters, and ends it.
pub(super) fn fold(line: &str, newline: &str) -> String {
    let mut out = String::with_capacity(line.len() + 8);
    let mut room = 75;
    for c in line.chars() {
        if c.len_utf8() > room {
            out.push_str(newline);
            out.push(' ');
            room = 74;
        }
        room -= c.len_utf8();
        out.push(c);
    }
    out.push_str(newline);
    out
}

//! An entry to be added: whether it makes sense, and the lines that it becomes.

use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, Utc};
use leeside_core::time::to_utc;

use super::replace::Kept;
use super::{Each, Entry, Objection, Recurrence, Refusal, nonsense, span};
use crate::calendar::zone_named;

/// An entry to be added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewEntry {
    /// First day.
    pub first: NaiveDate,
    /// Last day, inclusive.
    pub last: NaiveDate,
    /// What it is called.
    pub name: String,
    /// When it begins on its first day and ends on its last, local to the house;
    /// midnight as an end is that of the last day. `None`: whole days.
    pub times: Option<(NaiveTime, NaiveTime)>,
    /// Whether it comes again. [`Recurrence::Other`] keeps the rule of the entry whose
    /// place it takes.
    pub recurrence: Recurrence,
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
            recurrence: self.recurrence,
            categories: self.category.iter().map(|c| c.trim().to_owned()).collect(),
            all_day: self.times.is_none(),
            times: self.times,
            zone: None,
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
                    Objection::NoName,
                    format!("the {what} is empty"),
                    "say what the day is called",
                ));
            }
            if text.chars().any(char::is_control) || text.chars().count() > 200 {
                return Err(nonsense(
                    Objection::NameTooLong,
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
                Objection::EndsBeforeStart,
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
                Objection::OutOfRange,
                format!(
                    "{} is not within the years 1900 to 2199",
                    span(self.first, self.last)
                ),
                "check the year",
            ));
        }
        if (self.last - self.first).num_days() >= 366 {
            return Err(nonsense(
                Objection::TooLong,
                format!("{} is longer than a year", span(self.first, self.last)),
                "check the years",
            ));
        }
        if let Some((from, to)) = self.times
            && self.first == self.last
            && to <= from
            && to != NaiveTime::MIN
        {
            return Err(nonsense(
                Objection::TimesBackwards,
                format!(
                    "it ends at {} and begins at {}",
                    to.format("%H:%M"),
                    from.format("%H:%M")
                ),
                "exchange the times, or name the last day",
            ));
        }
        self.check_recurrence()
    }

    fn check_recurrence(&self) -> Result<(), Refusal> {
        let days = (self.last - self.first).num_days();
        let (period, longest) = match self.recurrence {
            Recurrence::Once | Recurrence::Other => return Ok(()),
            Recurrence::Yearly(until) => {
                if let Some(until) =
                    until.filter(|until| *until < self.first.year() || *until > 2199)
                {
                    return Err(nonsense(
                        Objection::SeriesEnd,
                        format!(
                            "each year until {until}, but the first time is {}",
                            self.first
                        ),
                        "the last year must not be before the first, nor after 2199",
                    ));
                }
                ("year", 365)
            }
            Recurrence::Each(each, until) => {
                if let Some(until) =
                    until.filter(|until| *until < self.first || until.year() > 2199)
                {
                    return Err(nonsense(
                        Objection::SeriesEnd,
                        format!("it ends on {until}, but the first time is {}", self.first),
                        "the last day must not be before the first, nor after 2199",
                    ));
                }
                match each {
                    Each::Week => ("week", 7),
                    Each::SecondWeek => ("fortnight", 14),
                    Each::Month | Each::MonthWeekday => ("month", 28),
                    Each::YearWeekday => ("year", 364),
                }
            }
        };
        if days >= longest {
            return Err(nonsense(
                Objection::NeverEnds,
                format!("a whole {period} that comes again each {period} would never end"),
                "leave out the recurrence",
            ));
        }
        Ok(())
    }

    /// The event's lines, unfolded.
    pub(super) fn lines(&self, kept: &Kept) -> Result<Vec<String>, Refusal> {
        let mut lines = vec![
            "BEGIN:VEVENT".to_owned(),
            format!("UID:{}", self.uid.trim()),
            format!("DTSTAMP:{}", self.stamp.format("%Y%m%dT%H%M%SZ")),
        ];
        lines.extend(self.span(kept.zone.as_deref()));
        if let Some(rule) = self.recurrence.rule(self.first) {
            let until = match self.recurrence.until() {
                Some(until) => format!(";UNTIL={}", self.until(until, kept.zone.as_deref())?),
                None => String::new(),
            };
            lines.push(format!("RRULE:{rule}{until}"));
        }
        lines.push(format!("SUMMARY:{}", escape(self.name.trim())));
        lines.extend(
            self.category
                .iter()
                .map(|category| format!("CATEGORIES:{}", escape(category.trim()))),
        );
        lines.extend(kept.lines.iter().cloned());
        lines.push("END:VEVENT".to_owned());
        Ok(lines)
    }

    /// DTSTART and DTEND.
    fn span(&self, zone: Option<&str>) -> [String; 2] {
        // The first day no longer covered (RFC 5545 §3.6.1).
        let after = self.last.succ_opt().unwrap_or(self.last);
        let day = |date: NaiveDate| date.format("%Y%m%d").to_string();
        let Some((from, to)) = self.times else {
            return [
                format!("DTSTART;VALUE=DATE:{}", day(self.first)),
                format!("DTEND;VALUE=DATE:{}", day(after)),
            ];
        };
        let last = if to == NaiveTime::MIN {
            after
        } else {
            self.last
        };
        [("DTSTART", self.first, from), ("DTEND", last, to)].map(|(name, date, time)| {
            let at = date.and_time(time).format("%Y%m%dT%H%M%S");
            match zone {
                // Local to wherever the house is (RFC 5545 §3.3.5, form 1).
                None => format!("{name}:{at}"),
                Some("UTC") => format!("{name}:{at}Z"),
                Some(zone) => format!("{name};TZID={zone}:{at}"),
            }
        })
    }

    /// The end of a rule in the form that its DTSTART asks for (RFC 5545 §3.3.10).
    fn until(&self, day: NaiveDate, zone: Option<&str>) -> Result<String, Refusal> {
        let Some(night) = self.times.and(day.and_hms_opt(23, 59, 59)) else {
            return Ok(day.format("%Y%m%d").to_string());
        };
        let Some(zone) = zone else {
            return Ok(night.format("%Y%m%dT%H%M%S").to_string());
        };
        let zone = zone_named(zone).map_err(|why| {
            nonsense(
                Objection::EndInZone,
                why,
                "give the end in the program that wrote the entry",
            )
        })?;
        Ok(to_utc(zone, night).utc.format("%Y%m%dT%H%M%SZ").to_string())
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

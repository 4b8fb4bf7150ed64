//! The house calendar: the days that a facility manager closes the building.
//!
//! The file is an ordinary iCalendar file that other programs may write too. An
//! edit takes text and gives text; it changes the lines of the one event that it
//! adds or removes and keeps every other byte. [`edit_file`] puts that on disk.

mod file;
mod history;
mod import;
mod new_entry;
mod recurrence;
mod refusal;
mod replace;

use std::fmt;

use chrono::{Datelike, NaiveDate, NaiveTime, TimeDelta};
use sha2::{Digest, Sha256};

use crate::calendar::{Calendar, Event, Length, Moment, Zone, usable};

pub use file::{edit_file, read_file, undo_file};
pub use history::{Author, Deed, history, last_that_stands};
pub use new_entry::NewEntry;
pub use recurrence::{Each, Recurrence, nth_weekday};
pub use refusal::{Objection, Refusal};

use new_entry::fold;
use refusal::nonsense;

/// An event of the house calendar, as people see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// The event's UID, by which it can be removed.
    pub uid: String,
    /// First day.
    pub first: NaiveDate,
    /// Last day, inclusive.
    pub last: NaiveDate,
    /// What it is called.
    pub name: String,
    /// Whether it comes again.
    pub recurrence: Recurrence,
    /// Categories, e.g. the special day that it stands for.
    pub categories: Vec<String>,
    /// Whether it covers whole days; otherwise it has times of day.
    pub all_day: bool,
    /// When it begins on its first day and ends on its last; midnight as an end is that
    /// of the last day. `None`: whole days.
    pub times: Option<(NaiveTime, NaiveTime)>,
    /// The zone of those times, where it is not simply that of the house.
    pub zone: Option<String>,
    /// Whether it is marked as cancelled, and so does not count.
    pub cancelled: bool,
    /// Whether it changes one occurrence of the event with the same UID.
    pub is_override: bool,
    /// Its first line in the file.
    pub line: usize,
}

/// Which entry to remove.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Which {
    /// The one with this UID, with its overrides.
    Uid(String),
    /// The one that begins on this day and, if given, has this name.
    Begins {
        /// First day.
        date: NaiveDate,
        /// Name.
        name: Option<String>,
    },
}

/// An edit of the house calendar.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Change {
    /// Add an entry.
    Add(NewEntry),
    /// Remove an entry.
    Remove(Which),
    /// Put a new entry in the place of the one with this UID.
    Replace {
        /// The UID of the old one.
        uid: String,
        /// The new one.
        entry: NewEntry,
    },
    /// Take in the events of another calendar; those with a UID that is here
    /// already take its place.
    Import(String),
}

/// What an edit gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Edit {
    /// The new text of the file.
    pub text: String,
    /// What was done, in words.
    pub done: String,
}

impl fmt::Display for Entry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&span(self.first, self.last))?;
        write!(
            f,
            " {}",
            if self.name.is_empty() {
                "(no name)"
            } else {
                &self.name
            }
        )?;
        f.write_str(&self.recurrence.in_words(self.first))?;
        if let Some((from, to)) = self.times {
            write!(f, ", {}–{}", from.format("%H:%M"), to.format("%H:%M"))?;
        }
        if let Some(zone) = &self.zone {
            write!(f, " {zone}")?;
        }
        if !self.categories.is_empty() {
            write!(f, " [{}]", self.categories.join(", "))?;
        }
        if self.is_override {
            f.write_str(" (changes one of the series)")?;
        }
        if self.cancelled {
            f.write_str(" (cancelled)")?;
        }
        write!(f, " (uid {})", self.uid)
    }
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Add(entry) => write!(f, "add {}", entry.as_entry(0)),
            Self::Replace { uid, entry } => {
                write!(
                    f,
                    "change the entry with uid {uid} to {}",
                    entry.as_entry(0)
                )
            }
            Self::Import(_) => f.write_str("import another calendar"),
            Self::Remove(Which::Uid(uid)) => write!(f, "remove the entry with uid {uid}"),
            Self::Remove(Which::Begins { date, name: None }) => {
                write!(f, "remove the entry that begins on {date}")
            }
            Self::Remove(Which::Begins {
                date,
                name: Some(name),
            }) => write!(f, "remove `{name}`, which begins on {date}"),
        }
    }
}

fn span(first: NaiveDate, last: NaiveDate) -> String {
    if first == last {
        first.to_string()
    } else {
        format!("{first} to {last}")
    }
}

/// A fingerprint of the text (SHA-256, hex), by which an editor finds out whether
/// it still edits what it has shown.
#[must_use]
pub fn revision(text: &str) -> String {
    Sha256::digest(text.as_bytes())
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// The file of the house calendar that a site file names: its calendar whose days
/// are of the class `closed`. The name is relative to the site file.
///
/// # Errors
/// [`Refusal::Nonsense`] where the site file is not TOML or names no such calendar,
/// or several.
pub fn house_calendar(site: &str) -> Result<String, Refusal> {
    let table: toml::Table = toml::from_str(site).map_err(|error| {
        nonsense(
            Objection::SiteNotToml,
            format!("the site file is not TOML: {}", error.message()),
            "check the site file",
        )
    })?;
    let calendars = table
        .get("calendar")
        .and_then(toml::Value::as_array)
        .map(Vec::as_slice)
        .unwrap_or_default();
    let text = |calendar: &toml::Value, key: &str| {
        calendar
            .get(key)
            .and_then(toml::Value::as_str)
            .map(str::to_owned)
    };
    let mut files: Vec<String> = calendars
        .iter()
        .filter(|c| text(c, "day_class").as_deref() == Some("closed"))
        .filter_map(|c| text(c, "file"))
        .collect();
    files.dedup();
    match files.len() {
        0 => Err(nonsense(
            Objection::NoCalendar,
            "the site file names no calendar with day_class = \"closed\"",
            "add a [[calendar]] with file and day_class = \"closed\", or name the .ics file",
        )),
        1 => Ok(files.remove(0)),
        _ => Err(nonsense(
            Objection::SeveralCalendars,
            format!(
                "the site file names several calendars of closed days: {}",
                files.join(", ")
            ),
            "name the .ics file",
        )),
    }
}

/// A calendar that a site file names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// What people call it.
    pub name: String,
    /// The file, relative to the site file.
    pub file: String,
    /// The class of its days; `None`: its events are special days of some groups.
    pub day_class: Option<String>,
    /// For special days: the groups that they concern.
    pub groups: Vec<String>,
}

/// The calendars that a site file names, in its order.
///
/// # Errors
/// [`Refusal::Nonsense`] where the site file is not TOML.
pub fn calendars(site: &str) -> Result<Vec<Named>, Refusal> {
    let table: toml::Table = toml::from_str(site).map_err(|error| {
        nonsense(
            Objection::SiteNotToml,
            format!("the site file is not TOML: {}", error.message()),
            "check the site file",
        )
    })?;
    let all = table.get("calendar").and_then(toml::Value::as_array);
    let text = |value: Option<&toml::Value>| value.and_then(toml::Value::as_str).map(str::to_owned);
    let one = |calendar: &toml::Value| {
        let special = calendar.get("special");
        let groups = special
            .and_then(|special| special.get("groups"))
            .and_then(toml::Value::as_array);
        Some(Named {
            name: text(calendar.get("name"))?,
            file: text(calendar.get("file"))?,
            day_class: text(calendar.get("day_class")),
            groups: groups
                .into_iter()
                .flatten()
                .filter_map(|group| text(Some(group)))
                .collect(),
        })
    };
    Ok(all.into_iter().flatten().filter_map(one).collect())
}

/// A calendar without entries.
#[must_use]
pub fn empty() -> String {
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Leeside//closed days//EN\r\nEND:VCALENDAR\r\n"
        .to_owned()
}

/// The entries, in file order.
///
/// # Errors
/// [`Refusal::Unreadable`] where the text is no sound calendar.
pub fn list(file: &str, text: &str) -> Result<Vec<Entry>, Refusal> {
    Ok(read(file, text)?
        .events()
        .into_iter()
        .map(entry_of)
        .collect())
}

/// Carries out a change. `file` is what diagnostics call the file.
///
/// # Errors
/// A [`Refusal`] that says why not; the text then stays as it is.
pub fn apply(file: &str, text: &str, change: &Change) -> Result<Edit, Refusal> {
    let calendar = read(file, text)?;
    let entries: Vec<Entry> = calendar.events().into_iter().map(entry_of).collect();
    let (edit, expected) = match change {
        Change::Add(new) => (
            add(text, &calendar, &entries, new, &replace::Kept::default())?,
            entries.len() + 1,
        ),
        Change::Remove(which) => {
            let uid = find(&entries, which)?;
            let left = entries.iter().filter(|entry| entry.uid != uid).count();
            (remove(text, &calendar, &entries, &uid), left)
        }
        Change::Replace { uid, entry } => {
            let kept = replace::Kept::of(text, &calendar, uid, entry);
            let which = Which::Uid(uid.clone());
            let without = apply(file, text, &Change::Remove(which))?;
            let calendar = read(file, &without.text)?;
            let entries: Vec<Entry> = calendar.events().into_iter().map(entry_of).collect();
            let with = add(&without.text, &calendar, &entries, entry, &kept)?;
            // What is about to be written must be what was meant.
            return match read(file, &with.text) {
                Ok(after) if after.events().len() == entries.len() + 1 => Ok(Edit {
                    text: with.text,
                    done: format!("{}; {}", without.done, with.done),
                }),
                Ok(_) => Err(nonsense(
                    Objection::TouchesOthers,
                    "the edit would change other entries too",
                    "edit the file in the program that wrote it",
                )),
                Err(refusal) => Err(refusal),
            };
        }
        Change::Import(other) => import::import(file, text, &entries, other)?,
    };
    // What is about to be written must be what was meant.
    match read(file, &edit.text) {
        Ok(after) if after.events().len() == expected => Ok(edit),
        Ok(_) => Err(nonsense(
            Objection::TouchesOthers,
            "the edit would change other entries too",
            "edit the file in the program that wrote it",
        )),
        Err(refusal) => Err(refusal),
    }
}

/// The text of a calendar with one component more, whole lines, before its end.
fn put_in(text: &str, calendar: &Calendar, block: &str) -> Result<String, Refusal> {
    let Some(end_line) = calendar.end_line() else {
        return Err(nonsense(
            Objection::NotClosed,
            "the calendar has no END:VCALENDAR",
            "add it",
        ));
    };
    let at = line_offset(text, end_line);
    Ok(format!(
        "{}{block}{}",
        text.get(..at).unwrap_or_default(),
        text.get(at..).unwrap_or_default()
    ))
}

fn read(file: &str, text: &str) -> Result<Calendar, Refusal> {
    let (calendar, problems) = Calendar::parse(file, text);
    if usable(&problems) {
        Ok(calendar)
    } else {
        Err(Refusal::Unreadable(problems))
    }
}

fn entry_of(event: &Event) -> Entry {
    let first = event.start.wall().date();
    let days = match (&event.start, event.length) {
        (Moment::Day(_), Length::Nominal(duration)) => duration.days.max(1) - 1,
        (_, length) => {
            let seconds = match length {
                Length::Exact(seconds) => seconds,
                Length::Nominal(duration) => duration.days * 86_400 + duration.seconds,
            };
            // The last moment covered decides the last day.
            let end = event
                .start
                .wall()
                .checked_add_signed(TimeDelta::seconds((seconds - 1).max(0)));
            end.map_or(0, |end| (end.date() - first).num_days())
        }
    };
    let last = first
        .checked_add_signed(TimeDelta::days(days))
        .unwrap_or(first);
    let times = (!event.start.is_day()).then(|| {
        let seconds = match event.length {
            Length::Exact(seconds) => seconds,
            Length::Nominal(duration) => duration.days * 86_400 + duration.seconds,
        };
        let begins = event.start.wall();
        let ends = begins.checked_add_signed(TimeDelta::seconds(seconds));
        (begins.time(), ends.unwrap_or(begins).time())
    });
    let zone = match event.start.zone() {
        Zone::Floating => None,
        Zone::Utc => Some("UTC".to_owned()),
        Zone::Iana(zone) => Some(zone.name().to_owned()),
        Zone::Own(_) => Some("in a zone of its own".to_owned()),
    };
    Entry {
        uid: event.uid.clone(),
        first,
        last,
        name: event.summary.clone(),
        recurrence: Recurrence::of(event),
        categories: event.categories.clone(),
        all_day: event.start.is_day(),
        times,
        zone,
        cancelled: event.cancelled,
        is_override: event.replaces.is_some(),
        line: event.first_line,
    }
}

fn add(
    text: &str,
    calendar: &Calendar,
    entries: &[Entry],
    new: &NewEntry,
    kept: &replace::Kept,
) -> Result<Edit, Refusal> {
    new.check()?;
    if new.recurrence == Recurrence::Other && !kept.has_rule() {
        return Err(nonsense(
            Objection::RuleOfItsOwn,
            "a rule of its own can only be kept, not made",
            "choose how it comes again",
        ));
    }
    let wanted = new.as_entry(0);
    if let Some(same) = entries.iter().find(|e| {
        wanted.recurrence != Recurrence::Other
            && (
                e.first,
                e.last,
                e.times,
                &e.name,
                e.recurrence,
                &e.categories,
            ) == (
                wanted.first,
                wanted.last,
                wanted.times,
                &wanted.name,
                wanted.recurrence,
                &wanted.categories,
            )
    }) {
        return Err(nonsense(
            Objection::AlreadyThere,
            format!("the calendar has this already: {same} (line {})", same.line),
            "nothing needs to be done",
        ));
    }
    if entries.iter().any(|entry| entry.uid == wanted.uid) {
        return Err(nonsense(
            Objection::UidTaken,
            format!("the calendar has an entry with uid {} already", wanted.uid),
            "give a new one",
        ));
    }
    let newline = newline(text);
    let block: String = new
        .lines(kept)?
        .iter()
        .map(|line| fold(line, newline))
        .collect();
    let text = put_in(text, calendar, &block)?;
    let leap = matches!(new.recurrence, Recurrence::Yearly(_))
        && (new.first.month(), new.first.day()) == (2, 29);
    let note = if leap {
        "; 29 February comes in leap years only"
    } else {
        ""
    };
    Ok(Edit {
        text,
        done: format!("added {wanted}{note}"),
    })
}

/// The UID of the entry that is meant.
fn find(entries: &[Entry], which: &Which) -> Result<String, Refusal> {
    let matching: Vec<&Entry> = match which {
        Which::Uid(uid) => entries.iter().filter(|e| e.uid == *uid).take(1).collect(),
        Which::Begins { date, name } => entries
            .iter()
            .filter(|e| {
                !e.is_override
                    && e.first == *date
                    && name.as_ref().is_none_or(|name| e.name == name.trim())
            })
            .collect(),
    };
    match (matching.as_slice(), which) {
        ([entry], _) => Ok(entry.uid.clone()),
        ([], Which::Uid(uid)) => Err(nonsense(
            Objection::NoSuchEntry,
            format!("the calendar has no entry with uid {uid}"),
            "list the entries",
        )),
        ([], Which::Begins { date, .. }) => {
            let near = entries.iter().find(|e| {
                e.first <= *date && (e.last >= *date || e.recurrence != Recurrence::Once)
            });
            let hint = near.map_or_else(
                || "list the entries".to_owned(),
                |e| format!("it may lie within {e}"),
            );
            Err(nonsense(
                Objection::NoSuchEntry,
                format!("no entry of that name begins on {date}"),
                hint,
            ))
        }
        (several, _) => {
            let names: Vec<String> = several
                .iter()
                .map(|e| format!("uid {} ({})", e.uid, e.name))
                .collect();
            Err(nonsense(
                Objection::SeveralEntries,
                format!("{} entries begin on that day", several.len()),
                format!("name one by its uid: {}", names.join(", ")),
            ))
        }
    }
}

/// Takes the lines of all events with this UID out.
fn remove(text: &str, calendar: &Calendar, entries: &[Entry], uid: &str) -> Edit {
    let mut kept = String::with_capacity(text.len());
    let ranges: Vec<(usize, usize)> = calendar
        .events()
        .iter()
        .filter(|event| event.uid == uid)
        .map(|event| (event.first_line, event.last_line))
        .collect();
    let mut removing = false;
    for (index, line) in text.split_inclusive('\n').enumerate() {
        let number = index + 1;
        let inside = ranges
            .iter()
            .any(|(first, last)| (*first..=*last).contains(&number));
        // A folded END:VEVENT goes on in the next line.
        removing = inside || (removing && line.starts_with([' ', '\t']));
        if !removing {
            kept.push_str(line);
        }
    }
    let gone: Vec<String> = entries
        .iter()
        .filter(|entry| entry.uid == uid)
        .map(ToString::to_string)
        .collect();
    Edit {
        text: kept,
        done: format!("removed {}", gone.join("; ")),
    }
}

/// The end of line that a text uses.
fn newline(text: &str) -> &'static str {
    if text.contains("\r\n") { "\r\n" } else { "\n" }
}

/// Offset of the first octet of a line, counted from 1.
fn line_offset(text: &str, line: usize) -> usize {
    text.split_inclusive('\n')
        .take(line.saturating_sub(1))
        .map(str::len)
        .sum()
}

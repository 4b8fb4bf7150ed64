//! Who changed the house calendar, what and when; and the way back.
//!
//! Beside `house.ics` lies `.house.ics.history`: a JSON object a line, the oldest
//! first. Each keeps the text from before, so that it can be undone, as long as
//! nobody has changed the file since.

use super::revision;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// More are not kept; the oldest go.
const MOST: usize = 100;
/// Texts from before take at most this much room, all together.
const MOST_BYTES: usize = 4 * 1024 * 1024;

/// Who makes a change, and when. A value, so that an edit is repeatable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Author {
    /// Who, in a word.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// A change that was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Deed {
    /// When.
    #[serde(with = "moment")]
    pub at: DateTime<Utc>,
    /// By whom.
    pub by: String,
    /// What, in words.
    pub done: String,
    /// The revision that it made.
    pub after: String,
    /// The text from before.
    text_before: String,
    /// Whether it was taken back, and is not to be taken back again.
    #[serde(default)]
    pub undone: bool,
    /// Whether it took another back.
    #[serde(default)]
    pub undoes: bool,
}

/// A moment as RFC 3339 writes it.
mod moment {
    use chrono::{DateTime, SecondsFormat, Utc};
    use serde::{Deserialize, Deserializer, Serializer, de::Error};

    pub(super) fn serialize<S: Serializer>(at: &DateTime<Utc>, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&at.to_rfc3339_opts(SecondsFormat::Secs, true))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> Result<DateTime<Utc>, D::Error> {
        let text = String::deserialize(from)?;
        let at = DateTime::parse_from_rfc3339(&text).map_err(D::Error::custom)?;
        Ok(at.to_utc())
    }
}

impl Deed {
    /// The text from before.
    #[must_use]
    pub fn text_before(&self) -> &str {
        &self.text_before
    }

    /// The revision from before.
    #[must_use]
    pub fn before(&self) -> String {
        revision(&self.text_before)
    }
}

/// The changes of a house calendar, the oldest first. A history that cannot be read
/// is an empty one: it is a convenience, the calendar itself is what counts.
#[must_use]
pub fn history(path: &Path) -> Vec<Deed> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let beside = path.with_file_name(format!(".{name}.history"));
    let text = std::fs::read_to_string(beside).unwrap_or_default();
    text.lines()
        .filter_map(|line| serde_json::from_str(line).ok())
        .collect()
}

/// The deed that would be taken back: the last one that stands, if nobody has
/// changed the file since.
#[must_use]
pub fn last_that_stands<'d>(deeds: &'d [Deed], present: &str) -> Option<&'d Deed> {
    let last = deeds.iter().rev().find(|deed| !deed.undoes && !deed.undone);
    last.filter(|deed| deed.after == present)
}

/// The history with one deed more, as text.
pub(super) fn with(
    mut deeds: Vec<Deed>,
    author: &Author,
    done: &str,
    (before, after): (&str, &str),
    undoes: bool,
) -> String {
    if undoes
        && let Some(last) = deeds
            .iter_mut()
            .rev()
            .find(|deed| !deed.undoes && !deed.undone)
    {
        last.undone = true;
    }
    deeds.push(Deed {
        at: author.at,
        by: author.by.clone(),
        done: done.to_owned(),
        after: revision(after),
        text_before: before.to_owned(),
        undone: false,
        undoes,
    });
    let mut room = MOST_BYTES;
    let mut lines: Vec<String> = deeds
        .iter()
        .rev()
        .take(MOST)
        .map_while(|deed| {
            let line = serde_json::to_string(deed).ok()?;
            room = room.checked_sub(line.len())?;
            Some(format!("{line}\n"))
        })
        .collect();
    lines.reverse();
    lines.concat()
}

/// The text from before the deed that would be taken back, and what it was.
pub(super) fn way_back(deeds: &[Deed], present: &str) -> Option<(String, String)> {
    last_that_stands(deeds, present).map(|deed| (deed.text_before.clone(), deed.done.clone()))
}

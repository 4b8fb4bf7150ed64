//! The message catalogue: every word a person reads, in each language one file.
//!
//! A translation is one file beside the others in `words/`, with the same keys;
//! a test compares them. Keys are dotted paths; `{name}` in a text is filled in.

use axum::http::HeaderMap;
use axum::http::header::{ACCEPT_LANGUAGE, COOKIE};
use chrono::{DateTime, Datelike, NaiveDate, Timelike, Weekday};
use chrono_tz::Tz;
use leeside_core::model::Model;
use leeside_core::time::Wall;
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// The cookie that remembers a chosen language.
pub const COOKIE_NAME: &str = "leeside_language";

/// A language that the page speaks.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Language {
    /// English.
    English,
    /// German.
    German,
}

impl Language {
    /// All of them, in the order in which they are offered.
    pub const ALL: [Self; 2] = [Self::English, Self::German];

    /// The tag of RFC 5646.
    #[must_use]
    pub const fn tag(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::German => "de",
        }
    }

    /// The language with that tag.
    #[must_use]
    pub fn tagged(tag: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|language| language.tag() == tag)
    }

    /// What the reader wants: by cookie, else by `Accept-Language`, else English.
    #[must_use]
    pub fn wanted(headers: &HeaderMap) -> Self {
        let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
        let chosen = text(COOKIE)
            .into_iter()
            .flat_map(|cookies| cookies.split(';'))
            .filter_map(|cookie| cookie.trim().split_once('='))
            .find(|(name, _)| *name == COOKIE_NAME)
            .and_then(|(_, tag)| Self::tagged(tag));
        let accepted = || {
            // Browsers list by preference; weights only repeat that order.
            text(ACCEPT_LANGUAGE)?
                .split(',')
                .filter_map(|part| part.trim().get(..2))
                .find_map(Self::tagged)
        };
        chosen.or_else(accepted).unwrap_or(Self::English)
    }
}

type Table = BTreeMap<String, String>;

static ENGLISH: LazyLock<Table> = LazyLock::new(|| flat(include_str!("../words/en.toml")));
static GERMAN: LazyLock<Table> = LazyLock::new(|| flat(include_str!("../words/de.toml")));

/// Dotted keys and their texts. A file that is not sound gives no texts, and the
/// tests say so.
fn flat(text: &str) -> Table {
    let mut all = Table::new();
    if let Ok(table) = toml::from_str::<toml::Table>(text) {
        gather("", &table, &mut all);
    }
    all
}

fn gather(above: &str, table: &toml::Table, all: &mut Table) {
    for (key, value) in table {
        let key = if above.is_empty() {
            key.clone()
        } else {
            format!("{above}.{key}")
        };
        if let Some(table) = value.as_table() {
            gather(&key, table, all);
        } else if let Some(text) = value.as_str() {
            all.insert(key, text.to_owned());
        }
    }
}

/// The words of one language.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Words {
    /// Which.
    pub language: Language,
}

impl Words {
    /// The words of a language.
    #[must_use]
    pub const fn of(language: Language) -> Self {
        Self { language }
    }

    fn table(self) -> &'static Table {
        match self.language {
            Language::English => &ENGLISH,
            Language::German => &GERMAN,
        }
    }

    /// The text of a key. A key without a text shows itself; a test finds it first.
    #[must_use]
    pub fn say(self, key: &'static str) -> &'static str {
        self.table().get(key).map_or(key, String::as_str)
    }

    /// The text of a key made of a family and a member known only at run time.
    #[must_use]
    pub fn say_of(self, family: &'static str, member: &str) -> String {
        let key = format!("{family}.{member}");
        self.table().get(&key).cloned().unwrap_or(key)
    }

    /// The text of a key with its places filled in.
    #[must_use]
    pub fn fill(self, key: &'static str, places: &[(&str, &dyn core::fmt::Display)]) -> String {
        let mut rest = self.say(key);
        let mut out = String::with_capacity(rest.len() + 32);
        // In one pass, so that what is filled in is never looked into again.
        while let Some((before, after)) = rest.split_once('{') {
            out.push_str(before);
            let Some((name, after)) = after.split_once('}') else {
                out.push('{');
                rest = after;
                continue;
            };
            match places.iter().find(|(place, _)| *place == name) {
                Some((_, value)) => out.push_str(&value.to_string()),
                None => {
                    out.push('{');
                    out.push_str(name);
                    out.push('}');
                }
            }
            rest = after;
        }
        out.push_str(rest);
        out
    }

    /// A number with so many decimals, with the decimal sign of the language.
    #[must_use]
    pub fn number(self, value: f64, decimals: usize) -> String {
        let text = format!("{value:.decimals$}");
        let text = match text.strip_prefix('-') {
            // No "-0.0".
            Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
            Some(rest) => format!("−{rest}"),
            None => text,
        };
        match self.language {
            Language::English => text,
            Language::German => text.replace('.', ","),
        }
    }

    /// A date: `Thu 24 Dec 2026`, `Do 24. Dez. 2026`.
    #[must_use]
    pub fn date(self, date: NaiveDate) -> String {
        let places: &[(&str, &dyn core::fmt::Display)] = &[
            ("weekday", &self.weekday(date.weekday())),
            ("day", &date.day()),
            (
                "month",
                &self.say_of("month_short", &date.month().to_string()),
            ),
            ("year", &date.year()),
        ];
        self.fill("form.date", places)
    }

    /// A month: `December 2026`.
    #[must_use]
    pub fn month(self, year: i32, month: u32) -> String {
        format!("{} {year}", self.say_of("month", &month.to_string()))
    }

    /// A short weekday: `Thu`.
    #[must_use]
    pub fn weekday(self, day: Weekday) -> String {
        let number = day.number_from_monday();
        self.say_of("weekday_short", &number.to_string())
    }

    /// A moment on the site's clock as seen from `now`: the clock alone on the same
    /// day, else with its date.
    #[must_use]
    pub fn moment(self, model: &Model, now: Wall, at: Wall) -> String {
        let (now, at) = (local(model, now), local(model, at));
        let clock = if at.second() == 0 {
            at.format("%H:%M").to_string()
        } else {
            at.format("%H:%M:%S").to_string()
        };
        if now.date_naive() == at.date_naive() {
            clock
        } else {
            format!("{} {clock}", self.date(at.date_naive()))
        }
    }

    /// A span in words: `20 min`, `1 h 5 min`, `45 s`.
    #[must_use]
    pub fn span(self, ms: i64) -> String {
        let seconds = ms.max(0) / 1_000;
        let parts = [
            (seconds / 86_400, "form.day"),
            (seconds % 86_400 / 3_600, "form.hour"),
            (seconds % 3_600 / 60, "form.minute"),
            (seconds % 60, "form.second"),
        ];
        let told: Vec<String> = parts
            .iter()
            .filter(|(count, _)| *count != 0)
            .take(2)
            .map(|(count, unit)| format!("{count} {}", self.say(unit)))
            .collect();
        if told.is_empty() {
            format!("0 {}", self.say("form.second"))
        } else {
            told.join(" ")
        }
    }
}

/// A moment as the clocks at the site show it.
#[must_use]
pub fn local(model: &Model, at: Wall) -> DateTime<Tz> {
    at.utc().with_timezone(&model.site.zone)
}

#[cfg(test)]
mod tests;

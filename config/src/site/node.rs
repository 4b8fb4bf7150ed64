//! A table of the file after reading: typed values by key.
//!
//! What was missing or wrong has been complained about before anybody asks here;
//! whoever builds on it may give up on a value without a word.

use super::form::{Key, Need};
use chrono::{NaiveDate, NaiveDateTime};
use leeside_core::pose::Pose;
use std::cell::Cell;
use std::collections::BTreeMap;
use std::ops::Range;

/// A place in the text.
pub(crate) type Span = Range<usize>;

/// A value of the file, of the type its key asks for.
#[derive(Debug)]
pub(crate) enum Got {
    Text(String),
    Texts(Vec<(String, Span)>),
    Flag(bool),
    Number(f64),
    Whole(i64),
    Clock(u16),
    Date(NaiveDate),
    Moment(NaiveDateTime),
    Word(&'static str),
    Words(Vec<&'static str>),
    Pose(Pose),
    NotHarmed,
    Ref(usize),
    Refs(Vec<(usize, Span)>),
    Pairs(Vec<(f64, f64)>),
    Table(Node),
    Tables(Vec<Node>),
    Map(Vec<(usize, Value)>),
}

impl Got {
    /// The tables of a list of tables.
    pub(crate) fn tables(&self) -> Option<&[Node]> {
        if let Self::Tables(nodes) = self {
            Some(nodes)
        } else {
            None
        }
    }
}

/// A value and where it stands.
#[derive(Debug)]
pub(crate) struct Value {
    pub(crate) got: Got,
    pub(crate) span: Span,
    /// Whether the file says it, or a default stands in.
    pub(crate) stated: bool,
    used: Cell<bool>,
}

impl Value {
    pub(crate) const fn new(got: Got, span: Span, stated: bool) -> Self {
        Self {
            got,
            span,
            stated,
            used: Cell::new(false),
        }
    }
}

/// A table of the file.
#[derive(Debug)]
pub(crate) struct Node {
    keys: &'static [Key],
    /// How a person finds it: `[[product]] "slat blind 80"`.
    pub(crate) label: String,
    pub(crate) span: Span,
    values: BTreeMap<&'static str, Value>,
    /// Whether nothing in it was complained about.
    pub(crate) sound: bool,
}

macro_rules! getters {
    ($($(#[$doc:meta])* $name:ident: $variant:ident -> $type:ty),+ $(,)?) => {$(
        $(#[$doc])*
        pub(crate) fn $name(&self, key: &str) -> Option<$type> {
            match &self.get(key)?.got {
                Got::$variant(it) => Some(*it),
                _ => None,
            }
        }
    )+};
}

macro_rules! borrowers {
    ($($name:ident: $variant:ident -> $type:ty),+ $(,)?) => {$(
        pub(crate) fn $name(&self, key: &str) -> Option<&$type> {
            match &self.get(key)?.got {
                Got::$variant(it) => Some(it),
                _ => None,
            }
        }
    )+};
}

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "a getter asks for one variant; the reader saw to it that the key holds that one"
)]
impl Node {
    pub(crate) fn new(keys: &'static [Key], label: String, span: Span) -> Self {
        Self {
            keys,
            label,
            span,
            values: BTreeMap::new(),
            sound: true,
        }
    }

    pub(crate) fn put(&mut self, key: &'static str, value: Value) {
        self.values.insert(key, value);
    }

    pub(crate) fn get(&self, key: &str) -> Option<&Value> {
        debug_assert!(
            self.keys.iter().any(|k| k.name == key),
            "{} has no key `{key}`",
            self.label
        );
        let value = self.values.get(key)?;
        value.used.set(true);
        Some(value)
    }

    /// Where a key's value stands; the table itself where it does not.
    pub(crate) fn at(&self, key: &str) -> Span {
        match self.values.get(key) {
            Some(value) if value.stated => value.span.clone(),
            _ => self.span.clone(),
        }
    }

    /// Whether somebody has stated a key. To ask for it puts no default in force.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.values.get(key).is_some_and(|value| value.stated) && self.get(key).is_some()
    }

    getters! {
        flag: Flag -> bool,
        number: Number -> f64,
        whole: Whole -> i64,
        clock: Clock -> u16,
        date: Date -> NaiveDate,
        moment: Moment -> NaiveDateTime,
        word: Word -> &'static str,
        pose: Pose -> Pose,
        one: Ref -> usize,
    }

    borrowers! {
        string: Text -> String,
        texts: Texts -> [(String, Span)],
        many: Refs -> [(usize, Span)],
        words: Words -> [&'static str],
        pairs: Pairs -> [(f64, f64)],
        table: Table -> Self,
        tables: Tables -> [Self],
        map: Map -> [(usize, Value)],
    }

    pub(crate) fn text(&self, key: &str) -> Option<&str> {
        self.string(key).map(String::as_str)
    }

    pub(crate) fn not_harmed(&self, key: &str) -> bool {
        matches!(
            self.get(key),
            Some(Value {
                got: Got::NotHarmed,
                ..
            })
        )
    }

    /// A span of time as the model counts it. The key's unit is the factor.
    pub(crate) fn ms(&self, key: &str) -> Option<i64> {
        let unit = if key.ends_with("_ms") {
            1.0
        } else if key.ends_with("_min") {
            60_000.0
        } else if key.ends_with("_h") {
            3_600_000.0
        } else {
            debug_assert!(key.ends_with("_s"), "`{key}` is no span of time");
            1000.0
        };
        self.number(key).map(|number| millis(number * unit))
    }

    /// Defaults that somebody asked for: label, key, value and what it means.
    pub(crate) fn defaults_in_force(&self, out: &mut Vec<DefaultInForce>) {
        for key in self.keys {
            let Some(value) = self.values.get(key.name) else {
                continue;
            };
            match &value.got {
                Got::Table(node) => node.defaults_in_force(out),
                Got::Tables(nodes) => nodes.iter().for_each(|node| node.defaults_in_force(out)),
                Got::Map(entries) => {
                    for (_, entry) in entries {
                        if let Got::Tables(nodes) = &entry.got {
                            nodes.iter().for_each(|node| node.defaults_in_force(out));
                        }
                    }
                }
                _ if !value.stated && value.used.get() => {
                    let said = match key.need {
                        Need::Else(number) => super::form::with_unit(number, key.name),
                        Need::Said(word) => word.to_owned(),
                        Need::Must | Need::May => continue,
                    };
                    out.push(DefaultInForce {
                        of: self.label.clone(),
                        key: key.name.to_owned(),
                        value: said,
                        meaning: key.doc.to_owned(),
                    });
                }
                _ => {}
            }
        }
    }
}

/// Rounds to whole milliseconds; the reader has bounded every number that comes here.
#[expect(
    clippy::cast_possible_truncation,
    reason = "bounded by the ranges of the keys, far below 2^53"
)]
pub(crate) fn millis(number: f64) -> i64 {
    number.round() as i64
}

/// A value that holds because the file leaves it out.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct DefaultInForce {
    /// The section and name.
    pub of: String,
    /// The key that was left out.
    pub key: String,
    /// What holds instead, with its unit.
    pub value: String,
    /// What the key means.
    pub meaning: String,
}

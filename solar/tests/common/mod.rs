//! What the outside checks share: reading a table, a small seeded generator,
//! and keeping the worst error seen.
#![allow(
    dead_code,
    clippy::allow_attributes,
    clippy::print_stdout,
    reason = "every test file uses its own part of this"
)]

use std::collections::BTreeMap;

use chrono::DateTime;

/// One row of a table, by column name.
pub(crate) struct Row(BTreeMap<String, String>);

impl Row {
    pub(crate) fn text(&self, column: &str) -> &str {
        self.0
            .get(column)
            .unwrap_or_else(|| panic!("no column {column}"))
    }

    pub(crate) fn number(&self, column: &str) -> f64 {
        let text = self.text(column);
        text.parse()
            .unwrap_or_else(|_| panic!("{}: {column} is {text:?}", self.text("id")))
    }

    pub(crate) fn number_if_any(&self, column: &str) -> Option<f64> {
        (!self.text(column).is_empty()).then(|| self.number(column))
    }

    pub(crate) fn moment(&self, column: &str) -> i64 {
        moment(self.text(column))
    }
}

/// The rows of a CSV table with `#` comments.
pub(crate) fn rows(table: &str) -> Vec<Row> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(table.as_bytes());
    let rows: Vec<Row> = reader
        .deserialize()
        .map(|row| Row(row.expect("a well-formed row")))
        .collect();
    assert!(!rows.is_empty(), "an empty table checks nothing");
    rows
}

/// Milliseconds since 1970 of an RFC 3339 time.
pub(crate) fn moment(text: &str) -> i64 {
    DateTime::parse_from_rfc3339(text)
        .unwrap_or_else(|e| panic!("{text:?}: {e}"))
        .timestamp_millis()
}

/// The worst error seen of one quantity, and where.
pub(crate) struct Worst {
    what: String,
    tolerance: f64,
    error: f64,
    at: String,
    count: usize,
}

impl Worst {
    /// `what` names quantity, source and unit.
    pub(crate) fn new(what: &str, tolerance: f64) -> Self {
        Self {
            what: what.into(),
            tolerance,
            error: 0.0,
            at: String::new(),
            count: 0,
        }
    }

    pub(crate) fn see(&mut self, at: &str, got: f64, expected: f64) {
        let error = (got - expected).abs();
        self.count += 1;
        if error > self.error || error.is_nan() {
            self.error = error;
            self.at = format!("{at}: got {got}, expected {expected}");
        }
    }

    /// Prints the worst and fails where it exceeds the tolerance.
    pub(crate) fn report(self) {
        let Self {
            what,
            tolerance,
            error,
            at,
            count,
        } = self;
        assert!(count > 0, "{what}: nothing was compared");
        println!("{what}: worst {error:.3e} of {count}, tolerance {tolerance:.0e} ({at})");
        assert!(error <= tolerance, "{what}: {error} > {tolerance} at {at}");
    }
}

/// A small seeded generator (SplitMix64, Steele, Lea & Flood 2014).
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly between `low` and `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        let thirty_two = u32::try_from(self.bits() >> 32).unwrap_or(0);
        low + (high - low) * (f64::from(thirty_two) / f64::from(u32::MAX))
    }

    /// A whole number from `low` to below `high`.
    pub(crate) fn whole(&mut self, low: i64, high: i64) -> i64 {
        low + i64::try_from(self.bits() >> 2).unwrap_or(0) % (high - low)
    }
}

/// Prints a figure for the record.
pub(crate) fn say(figure: &str) {
    println!("{figure}");
}

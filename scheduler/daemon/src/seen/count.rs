//! What the loop counts while it turns.

use std::collections::BTreeMap;

/// Upper bounds of the bins of a [`Spread`], s. The goal for a first command is 5 ms.
const BOUNDS_S: [f64; 12] = [
    0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 5.0, 30.0,
];

/// How durations spread, in seconds.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Spread {
    bins: [u64; BOUNDS_S.len()],
    count: u64,
    sum_s: f64,
}

impl Spread {
    /// Takes a duration in; one below zero counts as zero.
    pub fn note(&mut self, seconds: f64) {
        let seconds = seconds.max(0.0);
        self.count += 1;
        self.sum_s += seconds;
        for (bin, bound) in self.bins.iter_mut().zip(BOUNDS_S) {
            *bin += u64::from(seconds <= bound);
        }
    }

    /// Upper bounds, s, each with how many were at most that.
    pub fn bins(&self) -> impl Iterator<Item = (f64, u64)> {
        BOUNDS_S.into_iter().zip(self.bins)
    }

    /// How many there were.
    #[must_use]
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// Their sum, s.
    #[must_use]
    pub const fn sum_s(&self) -> f64 {
        self.sum_s
    }
}

/// What the loop has counted since the start.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Counters {
    /// Commands by what decided.
    pub commands: BTreeMap<&'static str, u64>,
    /// Commands that repeated a verdict: after a reconnect, or for lack of an answer.
    pub repeats: u64,
    /// Reports of drives by what they say.
    pub reports: BTreeMap<&'static str, u64>,
    /// Requests that were refused.
    pub refused: u64,
    /// From the arrival of what a command follows from (of one that a timer brings,
    /// from the moment it was due) to its being handed to the connection.
    pub latency: Spread,
    /// The same of the first command of each moment.
    pub first: Spread,
    /// How much later than asked for the loop woke up.
    pub lateness: Spread,
    /// Versions of the site file that took effect since the start.
    pub reloads: u64,
}

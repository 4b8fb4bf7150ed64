//! Whether the service is well, and whether it is of use.

use super::Report;
use serde::Serialize;

/// Waking up so late on average over the last report would mean a loop that hangs, s.
const OLDEST_S: f64 = 30.0;

/// One thing that was looked at.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Check {
    /// What.
    pub what: &'static str,
    /// Whether it is as it should be.
    pub well: bool,
}

/// The outcome.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Health {
    /// Whether all that counts is well.
    pub well: bool,
    /// Everything that was looked at; what stands here without counting is for people.
    pub checks: Vec<Check>,
}

/// Whether a restart could help: only a loop that does not turn is ill. A broker
/// that is away or a disk that is full are alarms, and no restart mends them;
/// guards and journal would only lose by it. `age_s`: how old the report is, s.
#[must_use]
pub fn health(report: Option<&Report>, age_s: f64) -> Health {
    let turns = report.is_some() && age_s <= OLDEST_S;
    let mut checks = vec![Check {
        what: "the loop turns",
        well: turns,
    }];
    if let Some(report) = report {
        checks.extend(circumstances(report));
    }
    Health {
        well: turns,
        checks,
    }
}

/// Whether the service does its part: it turns and reaches the plant.
#[must_use]
pub fn ready(report: Option<&Report>, age_s: f64) -> Health {
    let mut all = health(report, age_s);
    all.well &= report.is_some_and(|report| report.connected);
    all
}

fn circumstances(report: &Report) -> [Check; 3] {
    [
        Check {
            what: "connected to the broker",
            well: report.connected,
        },
        Check {
            what: "the clock is trusted",
            well: report.clock_trusted,
        },
        Check {
            what: "the journal is kept",
            well: report.journal.is_none_or(|journal| journal.well),
        },
    ]
}

#[cfg(test)]
mod tests {
    use super::{health, ready};
    use crate::seen::tests::report;

    #[test]
    fn only_a_loop_that_stands_still_is_ill() {
        let mut report = report();
        assert!(health(Some(&report), 0.0).well && ready(Some(&report), 0.0).well);
        report.connected = false;
        assert!(health(Some(&report), 0.0).well);
        assert!(!ready(Some(&report), 0.0).well);
        report.connected = true;
        report.clock_trusted = false;
        if let Some(journal) = &mut report.journal {
            journal.well = false;
        }
        let said = ready(Some(&report), 0.0);
        assert!(said.well);
        assert_eq!(said.checks.iter().filter(|check| !check.well).count(), 2);
        assert!(!health(Some(&report), 31.0).well && !ready(Some(&report), 31.0).well);
        assert!(!health(None, 0.0).well && !ready(None, 0.0).well);
    }
}

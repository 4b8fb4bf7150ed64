//! What is seen of the service from outside: its state in numbers, and what
//! follows from that for whoever measures it or looks after it.
//!
//! The loop fills in a [`Report`] when asked; everything else here is a pure
//! function of it.

mod count;
mod health;
mod open_metrics;

pub use count::{Counters, Spread};
pub use health::{Check, Health, health, ready};
pub use open_metrics::{CONTENT_TYPE, open_metrics};

use crate::link::Counts;
use leeside_core::sensor::Disbelieved;
use leeside_core::time::Wall;

/// The service in numbers, at one moment.
#[derive(Clone, PartialEq, Debug)]
pub struct Report {
    /// When.
    pub at: Wall,
    /// Of the program.
    pub version: &'static str,
    /// What people call the site.
    pub site: String,
    /// Fingerprint of the site file in force.
    pub fingerprint: String,
    /// Since the start, s.
    pub uptime_s: f64,
    /// Whether there is a connection to the broker.
    pub connected: bool,
    /// Whether the wall clock is trusted.
    pub clock_trusted: bool,
    /// Weather guards that have engaged: group and guard.
    pub lockouts: Vec<(String, &'static str)>,
    /// Devices, and those of them that are not (or not known to be) where a
    /// weather guard that has engaged wants them.
    pub devices: usize,
    /// See `devices`.
    pub exposed: usize,
    /// Sensors.
    pub sensors: Vec<SensorReport>,
    /// Drives.
    pub drives: Vec<DriveReport>,
    /// Requests by hand, by group.
    pub by_hand: Vec<(String, u32)>,
    /// Alarms that stand: word, and whether somebody has seen them.
    pub alarms: Vec<(String, bool)>,
    /// Messages that left.
    pub sent: Counts,
    /// Messages that arrived.
    pub arrived: Arrived,
    /// What the loop has counted.
    pub counters: Counters,
    /// The journal; `None`: none is kept.
    pub journal: Option<JournalReport>,
}

/// A sensor in numbers.
#[derive(Clone, PartialEq, Debug)]
pub struct SensorReport {
    /// Its name.
    pub name: String,
    /// Since it was last heard, s.
    pub age_s: f64,
    /// Whether it is believed.
    pub good: bool,
    /// Readings that were not, by why.
    pub disbelieved: Disbelieved,
}

/// A drive in numbers, since its state was first kept.
#[derive(Clone, PartialEq, Debug)]
pub struct DriveReport {
    /// Its device.
    pub name: String,
    /// Travels that it was told to make.
    pub travels: u64,
    /// How long it was told to run, s.
    pub ran_s: f64,
    /// How long it ran by its measured power, s, and the energy it took, J; `None`:
    /// not measured.
    pub measured: Option<(f64, f64)>,
}

/// Messages that arrived.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Arrived {
    /// In all.
    pub messages: u64,
    /// Kept by the broker from before, and so not looked at.
    pub retained: u64,
    /// Not readable.
    pub malformed: u64,
    /// On a topic that belongs to nothing.
    pub unknown: u64,
    /// Left out because too many were waiting.
    pub left_out: u64,
}

/// The journal in numbers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct JournalReport {
    /// Whether it can be written.
    pub well: bool,
    /// The last row.
    pub row: i64,
    /// Rows that could not be kept.
    pub rows_lost: u64,
}

#[cfg(test)]
pub(crate) mod tests {
    use super::{Arrived, Counters, DriveReport, JournalReport, Report, SensorReport};
    use crate::link::Counts;
    use leeside_core::sensor::Disbelieved;
    use leeside_core::time::Wall;

    /// A service in a storm.
    pub(crate) fn report() -> Report {
        let mut counters = Counters::default();
        counters.commands.insert("wind", 2);
        counters.commands.insert("sun", 40);
        counters.latency.note(0.003);
        counters.latency.note(0.2);
        counters.lateness.note(0.0);
        Report {
            at: Wall(1_800_000_000_000),
            version: "0.1.0",
            site: "Haus \"Nord\"\\Süd\nzwei".to_owned(),
            fingerprint: "abc".to_owned(),
            uptime_s: 12.5,
            connected: true,
            clock_trusted: true,
            lockouts: vec![("south slats".to_owned(), "wind")],
            devices: 8,
            exposed: 1,
            sensors: vec![SensorReport {
                name: "wind roof".to_owned(),
                age_s: 0.25,
                good: true,
                disbelieved: Disbelieved {
                    future: 3,
                    implausible: 1,
                    ..Disbelieved::default()
                },
            }],
            drives: vec![
                DriveReport {
                    name: "S-1".to_owned(),
                    travels: 12,
                    ran_s: 540.5,
                    measured: Some((538.0, 64_800.0)),
                },
                DriveReport {
                    name: "S-2".to_owned(),
                    travels: 11,
                    ran_s: 500.0,
                    measured: None,
                },
            ],
            by_hand: vec![("south slats".to_owned(), 5)],
            alarms: vec![("sensor_fault".to_owned(), false)],
            sent: Counts {
                taken: 7,
                ..Counts::default()
            },
            arrived: Arrived {
                messages: 100,
                ..Arrived::default()
            },
            counters,
            journal: Some(JournalReport {
                well: true,
                row: 44,
                rows_lost: 0,
            }),
        }
    }
}

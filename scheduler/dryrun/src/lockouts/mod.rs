//! How often and how long a wind series would have locked a limit, asked of the
//! same guard that runs a building, without a site file.
//!
//! A site of one group and one sensor is made up in memory and the series is fed
//! to the core reading by reading. A reading without a gust counts with its mean.

mod house;
mod report;

pub use report::{json, text};

use crate::weather::{Gap, Row, Series};
use chrono::Datelike;
use leeside_core::Core;
use leeside_core::ids::SensorId;
use leeside_core::input::{Input, Part, Reading, Sample};
use leeside_core::output::{Output, Word};
use leeside_core::reason::Because;
use leeside_core::time::{Now, Wall};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What locks.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Limit {
    /// Wind at or above a limit, until it has stayed below the limit less
    /// hysteresis.
    Wind {
        /// Engages at or above, m/s.
        limit_mps: f64,
        /// Releases below limit less this, m/s.
        hysteresis_mps: f64,
    },
    /// Any rain, until it has stayed dry.
    Rain,
}

/// What a span without readings means.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum OnGap {
    /// The last reading holds until the next, however long that is.
    Hold,
    /// Nothing is known: as good as above the limit, as in a building.
    Unknown,
}

/// The question.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Question {
    /// What locks.
    pub limit: Limit,
    /// Calm for so long before release, ms.
    pub hold_ms: i64,
    /// What a gap means.
    pub on_gap: OnGap,
}

/// One lockout.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Lockout {
    /// When it engaged.
    pub start: Wall,
    /// When it was released, or where the data end.
    pub end: Wall,
    /// Whether it still stood at the end of the data.
    pub open: bool,
    /// The highest reading from start (included) to end (excluded): gust where
    /// there is one, else mean, m/s (rain: mm/h). `None`: there was none.
    pub peak: Option<f64>,
    /// Whether a gap, not weather, engaged it.
    pub by_gap: bool,
}

/// Lockouts of one month.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Month {
    /// How many began in it.
    pub lockouts: usize,
    /// How long those lasted, ms.
    pub locked_ms: i64,
}

/// The answer.
#[derive(Clone, PartialEq, Debug)]
pub struct Answer {
    /// In order of time.
    pub lockouts: Vec<Lockout>,
    /// UTC months of the data, by "2013-01"; a lockout belongs wholly to the
    /// month in which it began.
    pub by_month: BTreeMap<(i32, u32), Month>,
    /// Readings that counted.
    pub readings: usize,
    /// Spans without such a reading: rows that are missing, and rows that say
    /// nothing of what was asked about.
    pub gaps: Vec<Gap>,
}

impl Answer {
    /// Locked time in all, ms.
    #[must_use]
    pub fn locked_ms(&self) -> i64 {
        self.by_month.values().map(|month| month.locked_ms).sum()
    }
}

/// Replays a series through a guard.
#[must_use]
pub fn ask(series: &Series, question: &Question) -> Answer {
    let silence_ms = match question.on_gap {
        OnGap::Hold => i64::MAX,
        OnGap::Unknown => series.about.resolution_ms,
    };
    let (Some(first), Some(last)) = (series.rows.first(), series.rows.last()) else {
        return Answer {
            lockouts: vec![],
            by_month: BTreeMap::new(),
            readings: 0,
            gaps: vec![],
        };
    };
    let word = match question.limit {
        Limit::Wind { .. } => Word::Wind,
        Limit::Rain => Word::Rain,
    };
    let mut watch = Watch {
        word,
        lockouts: vec![],
        engaged: None,
    };
    let mut core = Core::new(Arc::new(house::of(question, silence_ms)), now(first.start));
    watch.drain(&mut core);
    let mut readings = 0;
    let (mut gaps, mut known_until) = (vec![], first.start);
    for row in &series.rows {
        if let Some(sample) = sample(row, question.limit) {
            readings += 1;
            if row.start > known_until {
                gaps.push(Gap {
                    from: known_until,
                    to: row.start,
                });
            }
            known_until = known_until.max(row.end);
            let reading = Reading {
                sensor: SensorId(0),
                at: row.start,
                sample,
            };
            core.handle(now(row.start), Input::Reading(reading));
            watch.drain(&mut core);
        }
    }
    if known_until < last.end {
        gaps.push(Gap {
            from: known_until,
            to: last.end,
        });
    }
    // A release due at the very end still counts; a lockout from there on does not.
    core.handle(now(last.end.plus(1)), Input::Tick);
    watch.drain(&mut core);
    if let Some((start, by_gap)) = watch.engaged.take().filter(|(start, _)| *start < last.end) {
        watch.lockouts.push(Lockout {
            start,
            end: last.end,
            open: true,
            peak: None,
            by_gap,
        });
    }
    peaks(&mut watch.lockouts, series, question.limit);
    let by_month = months(&watch.lockouts, series);
    Answer {
        lockouts: watch.lockouts,
        by_month,
        readings,
        gaps,
    }
}

const fn now(at: Wall) -> Now {
    Now::both(at.0)
}

fn sample(row: &Row, limit: Limit) -> Option<Sample> {
    let part = |value: Option<f64>| value.map_or(Part::Absent, Part::Value);
    match limit {
        Limit::Wind { .. } => {
            let (gust, mean) = (row.values.gust, row.values.mean);
            gust.or(mean)?;
            Some(Sample::Wind {
                gust: part(gust),
                mean: part(mean),
                direction: Part::Absent,
            })
        }
        Limit::Rain => row.values.rain.map(Sample::Value),
    }
}

/// Watches lockouts come and go.
struct Watch {
    word: Word,
    lockouts: Vec<Lockout>,
    engaged: Option<(Wall, bool)>,
}

impl Watch {
    fn drain(&mut self, core: &mut Core) {
        loop {
            let change = match core.poll() {
                Output::Wake(_) => return,
                Output::Lockout(change) if change.word == self.word => change,
                Output::Lockout(_)
                | Output::Command(_)
                | Output::Alarm(_)
                | Output::Refused { .. }
                | Output::Announce { .. } => continue,
            };
            if change.engaged {
                let by_gap = matches!(change.because, Because::SensorUnknown { .. });
                self.engaged.get_or_insert((change.at.wall, by_gap));
            } else if let Some((start, by_gap)) = self.engaged.take() {
                self.lockouts.push(Lockout {
                    start,
                    end: change.at.wall,
                    open: false,
                    peak: None,
                    by_gap,
                });
            }
        }
    }
}

fn peaks(lockouts: &mut [Lockout], series: &Series, limit: Limit) {
    for lockout in lockouts {
        let from = series.rows.partition_point(|row| row.start < lockout.start);
        let within = series.rows[from..]
            .iter()
            .take_while(|row| row.start < lockout.end);
        let values = within.filter_map(|row| match limit {
            Limit::Wind { .. } => row.values.gust.or(row.values.mean),
            Limit::Rain => row.values.rain,
        });
        lockout.peak = values.reduce(f64::max);
    }
}

fn months(lockouts: &[Lockout], series: &Series) -> BTreeMap<(i32, u32), Month> {
    let month = |at: Wall| (at.utc().year(), at.utc().month());
    let mut months: BTreeMap<(i32, u32), Month> = series
        .rows
        .iter()
        .map(|row| (month(row.start), Month::default()))
        .collect();
    for lockout in lockouts {
        let entry = months.entry(month(lockout.start)).or_default();
        entry.lockouts += 1;
        entry.locked_ms += lockout.end.0 - lockout.start.0;
    }
    months
}

//! What is made to go wrong, and when: around every storm of any group.

use super::hazard::{Spell, spells};
use crate::replay::{Failing, Trouble, What};
use crate::weather::Series;
use core::fmt;
use leeside_core::ids::{FeederId, SensorId};
use leeside_core::model::{Model, SensorKind};
use leeside_core::output::Word;
use leeside_core::time::{MINUTE, SECOND, Wall};
use leeside_plant::Supply;

/// A sensor fails so long before a storm begins.
const SENSOR_LEAD_MS: i64 = 10 * MINUTE;
/// A slow feeder's drives take this many per cent of their time (made up: a
/// weak supply on a cold day; no source).
const SLOW_PERCENT: u32 = 150;
/// A restart and a power cut last from just before the first reading above the
/// limit until just before the next.
const AWAY_MS: (i64, i64) = (-SECOND, 59 * SECOND);
/// A broker gap lasts longer.
const GAP_MS: (i64, i64) = (-SECOND, 119 * SECOND);
/// Storms of several groups that begin within this count as one.
const TOGETHER_MS: i64 = 5 * MINUTE;

/// What fails around every storm.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Fails {
    /// Nothing: the sound building.
    Nothing,
    /// A wind sensor of this name, and how.
    Sensor(String, Failing),
    /// The drives of the feeder of this name are slow.
    Feeder(String),
    /// The service is started anew.
    Restart,
    /// The power is cut.
    PowerCut,
    /// The broker is away.
    BrokerGap,
}

impl fmt::Display for Fails {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Nothing => f.write_str("nothing fails"),
            Self::Sensor(name, Failing::Silent) => write!(f, "sensor {name} silent"),
            Self::Sensor(name, Failing::Stuck) => write!(f, "sensor {name} stuck"),
            Self::Sensor(name, Failing::Zero) => write!(f, "sensor {name} reads 0"),
            Self::Feeder(name) => write!(f, "feeder {name} slow"),
            Self::Restart => f.write_str("restart"),
            Self::PowerCut => f.write_str("power cut"),
            Self::BrokerGap => f.write_str("broker gap"),
        }
    }
}

/// One way in which a building may fail, applied to every storm.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Scenario {
    pub(super) fails: Fails,
    pub(super) troubles: Vec<Trouble>,
}

/// All of them, the sound building first.
pub(super) fn scenarios(model: &Model, series: &Series, with_faults: bool) -> Vec<Scenario> {
    let mut all = vec![Scenario {
        fails: Fails::Nothing,
        troubles: vec![],
    }];
    if !with_faults {
        return all;
    }
    let wind: Vec<Spell> = model
        .groups
        .iter()
        .flat_map(|group| spells(model, series, group, Word::Wind))
        .collect();
    let (spans, starts) = (merged(&wind), starts(&wind));
    let during = |what: What, lead_ms: i64| {
        spans
            .iter()
            .map(|(from, to)| Trouble {
                from: from.plus(-lead_ms),
                to: *to,
                what,
            })
            .collect::<Vec<_>>()
    };
    let at_starts = |what: What, (from, to): (i64, i64)| {
        starts
            .iter()
            .map(|at| Trouble {
                from: at.plus(from),
                to: at.plus(to),
                what,
            })
            .collect::<Vec<_>>()
    };
    let failing = [Failing::Silent, Failing::Stuck, Failing::Zero];
    for (index, sensor) in model
        .sensors
        .iter()
        .enumerate()
        .filter(|(_, s)| s.kind == SensorKind::Wind)
    {
        for how in failing {
            let troubles = during(What::Sensor(SensorId::of(index), how), SENSOR_LEAD_MS);
            all.push(Scenario {
                fails: Fails::Sensor(sensor.name.clone(), how),
                troubles,
            });
        }
    }
    for (index, feeder) in model.feeders.iter().enumerate() {
        let slow = Supply::Slow {
            percent: SLOW_PERCENT,
        };
        let troubles = during(What::Feeder(FeederId::of(index), slow), 0);
        all.push(Scenario {
            fails: Fails::Feeder(feeder.name.clone()),
            troubles,
        });
    }
    let away = [
        (Fails::Restart, What::Restart, AWAY_MS),
        (Fails::PowerCut, What::PowerCut, AWAY_MS),
        (Fails::BrokerGap, What::BrokerGap, GAP_MS),
    ];
    for (fails, what, span) in away {
        all.push(Scenario {
            fails,
            troubles: at_starts(what, span),
        });
    }
    all
}

/// What the scenarios take for granted, in words.
pub(super) fn words() -> Vec<String> {
    vec![
        "sensors fail 10 minutes before each storm and until its end".to_owned(),
        format!("drives on a slow feeder take {SLOW_PERCENT} % of their time"),
        "restart and power cut last a minute, a broker gap two, from a second before the first reading above the \
         limit"
            .to_owned(),
    ]
}

/// Spans in which any group has a storm, with room for the lead of the next.
fn merged(wind: &[Spell]) -> Vec<(Wall, Wall)> {
    let mut spans: Vec<(Wall, Wall)> = wind
        .iter()
        .map(|spell| (spell.start(), spell.end))
        .collect();
    spans.sort_unstable();
    let mut merged: Vec<(Wall, Wall)> = Vec::new();
    for (from, to) in spans {
        match merged.last_mut() {
            Some(last) if from.plus(-SENSOR_LEAD_MS) <= last.1 => last.1 = last.1.max(to),
            _ => merged.push((from, to)),
        }
    }
    merged
}

/// Moments at which the wind first exceeds the limit of any group.
fn starts(wind: &[Spell]) -> Vec<Wall> {
    let mut starts: Vec<Wall> = wind.iter().map(Spell::start).collect();
    starts.sort_unstable();
    let mut apart: Vec<Wall> = Vec::new();
    for start in starts {
        if apart
            .last()
            .is_none_or(|last| start.0 - last.0 > TOGETHER_MS)
        {
            apart.push(start);
        }
    }
    apart
}

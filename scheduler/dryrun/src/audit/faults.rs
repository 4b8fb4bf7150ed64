//! What is made to go wrong, and when: around every storm of any group.

use super::hazard::{Spell, spells};
use crate::replay::{Failing, Trouble, What};
use crate::weather::Series;
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

/// One way in which a building may fail, applied to every storm.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Scenario {
    pub(super) name: String,
    pub(super) troubles: Vec<Trouble>,
}

/// All of them, the sound building first.
pub(super) fn scenarios(model: &Model, series: &Series, with_faults: bool) -> Vec<Scenario> {
    let mut all = vec![Scenario {
        name: "nothing fails".to_owned(),
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
    let failing = [
        (Failing::Silent, "silent"),
        (Failing::Stuck, "stuck"),
        (Failing::Zero, "reads 0"),
    ];
    for (index, sensor) in model
        .sensors
        .iter()
        .enumerate()
        .filter(|(_, s)| s.kind == SensorKind::Wind)
    {
        for (how, word) in failing {
            let troubles = during(What::Sensor(SensorId::of(index), how), SENSOR_LEAD_MS);
            all.push(Scenario {
                name: format!("sensor {} {word}", sensor.name),
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
            name: format!("feeder {} slow", feeder.name),
            troubles,
        });
    }
    let away = [
        ("restart", What::Restart, AWAY_MS),
        ("power cut", What::PowerCut, AWAY_MS),
        ("broker gap", What::BrokerGap, GAP_MS),
    ];
    for (name, what, span) in away {
        all.push(Scenario {
            name: name.to_owned(),
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

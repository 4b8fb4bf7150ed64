//! What goes wrong in a replay, and when: sensors, feeders, program, power, broker.

use leeside_core::ids::{FeederId, SensorId};
use leeside_core::input::{Part, Reading, Sample};
use leeside_core::time::Wall;
use leeside_plant::Supply;

/// Something that goes wrong for a while.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Trouble {
    /// From this moment.
    pub from: Wall,
    /// Until this moment.
    pub to: Wall,
    /// What.
    pub what: What,
}

/// What goes wrong.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum What {
    /// A sensor.
    Sensor(SensorId, Failing),
    /// A feeder is slow or without voltage.
    Feeder(FeederId, Supply),
    /// The program is not there; what it kept it finds again, and starts.
    Restart,
    /// Neither program nor drives have power; drives forget what they were told.
    PowerCut,
    /// The broker cannot be reached: no readings, no commands, no reports.
    BrokerGap,
}

/// How a sensor fails.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Failing {
    /// It says nothing.
    Silent,
    /// It says what it said last.
    Stuck,
    /// It says nought.
    Zero,
}

/// The beginning or the end of a trouble.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Edge {
    pub(super) at: i64,
    pub(super) begins: bool,
    pub(super) what: What,
}

/// The troubles of a replay over time.
pub(super) struct Troubles {
    /// In order of time, the next one last.
    edges: Vec<Edge>,
    failing: Vec<Option<Failing>>,
    /// What each sensor said last while it was sound.
    last: Vec<Option<Sample>>,
    /// Nothing ever goes wrong.
    none: bool,
    /// The program is not there.
    pub(super) down: bool,
    /// The broker cannot be reached.
    pub(super) cut_off: bool,
}

impl Troubles {
    pub(super) fn new(troubles: &[Trouble], sensors: usize) -> Self {
        let both = |trouble: &Trouble| {
            let edge = |at: Wall, begins| Edge {
                at: at.0,
                begins,
                what: trouble.what,
            };
            [edge(trouble.from, true), edge(trouble.to, false)]
        };
        let mut edges: Vec<Edge> = troubles.iter().flat_map(both).collect();
        // Of one moment, ends before beginnings; otherwise in the order given.
        edges.sort_by_key(|edge| (edge.at, edge.begins));
        edges.reverse();
        Self {
            none: edges.is_empty(),
            edges,
            failing: vec![None; sensors],
            last: vec![None; sensors],
            down: false,
            cut_off: false,
        }
    }

    /// When something begins or ends next.
    pub(super) fn next_at(&self) -> Option<i64> {
        self.edges.last().map(|edge| edge.at)
    }

    /// Takes what begins or ends next; what concerns only readings is done here.
    pub(super) fn take(&mut self) -> Option<Edge> {
        let edge = self.edges.pop()?;
        match edge.what {
            What::Sensor(sensor, how) => self.failing[sensor.index()] = edge.begins.then_some(how),
            What::Restart | What::PowerCut => self.down = edge.begins,
            What::BrokerGap => self.cut_off = edge.begins,
            What::Feeder(..) => {}
        }
        Some(edge)
    }

    /// Whether readings and contacts reach the core.
    pub(super) const fn deaf(&self) -> bool {
        self.down || self.cut_off
    }

    /// Whether nothing ever goes wrong.
    pub(super) const fn never(&self) -> bool {
        self.none
    }

    /// What reaches the core of a sound reading.
    pub(super) fn reading(&mut self, reading: Reading) -> Option<Reading> {
        let index = reading.sensor.index();
        let sample = match self.failing[index] {
            None => {
                self.last[index] = Some(reading.sample);
                reading.sample
            }
            Some(Failing::Silent) => return None,
            Some(Failing::Stuck) => self.last[index]?,
            Some(Failing::Zero) => zero(reading.sample),
        };
        Some(Reading { sample, ..reading })
    }
}

const fn zero(sample: Sample) -> Sample {
    const fn part(part: Part) -> Part {
        match part {
            Part::Value(_) => Part::Value(0.0),
            Part::Unsaid | Part::Absent => part,
        }
    }
    match sample {
        Sample::Value(_) => Sample::Value(0.0),
        Sample::Wind {
            gust,
            mean,
            direction,
        } => Sample::Wind {
            gust: part(gust),
            mean: part(mean),
            direction,
        },
    }
}

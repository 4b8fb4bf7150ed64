//! What carries commands out in a replay.

use super::PlantKind;
use leeside_core::ids::FeederId;
use leeside_core::model::Model;
use leeside_core::output::Command;
use leeside_core::time::Now;
use leeside_plant::{Happened, Ideal, Plant, Supply, Told};

/// A plant, or as little of one as will do.
pub(super) enum Carrier {
    /// Of an ideal plant that nobody looks at and nothing happens to, answers are all
    /// there is.
    Answers(Ideal),
    /// All of it.
    Plant(Box<Plant>),
}

impl Carrier {
    /// `plain`: nothing will ever be wrong with it, and nobody wants to know more of it
    /// than its drives report.
    pub(super) fn new(kind: PlantKind, plain: bool, model: &Model, now: Now) -> Self {
        match kind {
            PlantKind::Ideal if plain => Self::Answers(Ideal::new(model, now)),
            PlantKind::Ideal => Self::Plant(Box::new(Plant::ideal(model, now))),
            PlantKind::Simulated => Self::Plant(Box::new(Plant::new(model, now))),
        }
    }

    /// From now on keeps what happens to every drive.
    pub(super) fn watch(&mut self) {
        if let Self::Plant(plant) = self {
            plant.watch();
        }
    }

    /// The next thing that happened, where that is kept.
    pub(super) fn happened(&mut self) -> Option<Happened> {
        match self {
            Self::Answers(_) => None,
            Self::Plant(plant) => plant.happened(),
        }
    }

    /// A command arrives; adds what drives tell to `told`.
    pub(super) fn handle(&mut self, now: Now, command: &Command, told: &mut Vec<Told>) {
        match self {
            Self::Answers(ideal) => ideal.handle(now, command, told),
            Self::Plant(plant) => {
                plant.handle(now, command);
                told.extend(std::iter::from_fn(|| plant.poll()));
            }
        }
    }

    /// Lets time pass; adds what drives tell to `told`.
    pub(super) fn advance(&mut self, now: Now, told: &mut Vec<Told>) {
        match self {
            Self::Answers(ideal) => ideal.advance(now),
            Self::Plant(plant) => {
                plant.advance(now);
                told.extend(std::iter::from_fn(|| plant.poll()));
            }
        }
    }

    /// The next moment at which something begins or ends, ms.
    pub(super) fn next(&self) -> Option<i64> {
        match self {
            Self::Answers(_) => None,
            Self::Plant(plant) => plant.next().map(|at| at.0),
        }
    }

    /// A feeder changes: something is wrong, so it is a whole plant.
    pub(super) fn set_supply(&mut self, now: Now, feeder: FeederId, supply: Supply) {
        if let Self::Plant(plant) = self {
            plant.set_supply(now, feeder, supply);
        }
    }
}

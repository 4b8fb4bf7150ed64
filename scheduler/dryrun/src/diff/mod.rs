//! What a changed site file changes: its keys, and the behaviour over a span of
//! weather.
//!
//! Both sites are replayed over the same weather, and their movements are held
//! against each other, group by group. Movements that are the same in moment,
//! pose and deciding word drop out. Of the rest, first those of the same moment
//! and pose are told as *of another cause*; then each is paired with the nearest
//! of the same pose within half an hour (*shifted*), then with the nearest of
//! another pose within half an hour (*altered*); what is left was *removed* or
//! *added*.
//!
//! Both are audited as well, each by its own limits: how long devices were exposed.

mod keys;
mod pair;
mod tell;

pub use keys::{KeyChange, keys};
pub use tell::{files, json, text};

use crate::audit::audit;
use crate::replay::{GroupMonth, PlantKind, Setting, Sink, Stopped, replay};
use crate::told::Movement;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Command, Word};
use leeside_core::pose::Pose;
use leeside_core::time::{MINUTE, Wall};
use pair::paired;
use std::io;
use std::ops::ControlFlow;

/// Movements of the same group within this of each other may be the same one,
/// moved, ms.
pub const NEAR_MS: i64 = 30 * MINUTE;

/// One movement, as far as it is compared.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Step {
    /// When.
    pub at: Wall,
    /// Where to.
    pub pose: Pose,
    /// What decided.
    pub word: Word,
    /// Why, in words.
    pub reason: String,
}

/// What a site did over a span.
#[derive(Clone, Debug)]
pub struct Behaviour {
    /// Per group, in the order of its site file: name, movements, account.
    pub groups: Vec<GroupBehaviour>,
}

/// What one group did over a span.
#[derive(Clone, Debug)]
pub struct GroupBehaviour {
    /// Its name.
    pub name: String,
    /// Its movements in order of time.
    pub steps: Vec<Step>,
    /// What was counted.
    pub account: GroupMonth,
    /// What the storm audit shows.
    pub exposure: Exposure,
}

/// How long the devices of a group were exposed in all storms of a span, by the
/// limits of its own site.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Exposure {
    /// All devices together, ms.
    pub all_ms: i64,
    /// The longest of one device in one storm, ms.
    pub longest_ms: i64,
}

impl Behaviour {
    /// Replays and audits a site. `progress` is told the part done, 0..1, and may
    /// stop the run.
    ///
    /// # Errors
    /// [`Stopped`].
    pub fn of(
        setting: &Setting,
        progress: &(dyn Fn(f64) -> ControlFlow<()> + Sync),
    ) -> Result<Self, Stopped> {
        /// The part that the replay takes; the audit's moves every drive.
        const REPLAY: f64 = 0.4;
        let model = &setting.model;
        let mut steps = Steps(vec![vec![]; model.groups.len()]);
        let tally = replay(setting, &mut steps, &mut |at| {
            progress(REPLAY * setting.share(at))
        })?;
        let exposures = exposures(setting, &|share| progress(REPLAY + (1.0 - REPLAY) * share))?;
        let groups = model
            .groups
            .iter()
            .zip(steps.0)
            .enumerate()
            .map(|(index, (group, steps))| GroupBehaviour {
                name: group.name.clone(),
                steps,
                account: tally.group(GroupId::of(index)),
                exposure: exposures[index],
            });
        Ok(Self {
            groups: groups.collect(),
        })
    }
}

/// The exposure of each group while nothing fails.
fn exposures(
    setting: &Setting,
    progress: &(dyn Fn(f64) -> ControlFlow<()> + Sync),
) -> Result<Vec<Exposure>, Stopped> {
    let simulated = Setting {
        plant: PlantKind::Simulated,
        ..setting.clone()
    };
    let audit = audit(&simulated, false, progress)?;
    let mut exposures = vec![Exposure::default(); setting.model.groups.len()];
    for storm in &audit.shown[0].storms {
        let of = &mut exposures[storm.group.index()];
        for stay in &storm.devices {
            of.all_ms += stay.exposed_ms;
            of.longest_ms = of.longest_ms.max(stay.exposed_ms);
        }
    }
    Ok(exposures)
}

struct Steps(Vec<Vec<Step>>);

impl Sink for Steps {
    fn movement(&mut self, model: &Model, command: &Command) -> io::Result<()> {
        let movement = Movement::of(command);
        self.0[movement.group.index()].push(Step {
            at: movement.at.wall,
            pose: movement.pose,
            word: movement.decided_by,
            reason: leeside_core::say::because(model, &movement.because),
        });
        Ok(())
    }
}

/// How a movement differs.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum How {
    /// Only the new site makes it.
    Added,
    /// Only the old site makes it.
    Removed,
    /// The same pose, earlier or later.
    Shifted,
    /// Another pose, at the moment or close to it.
    Altered,
    /// The same moment and pose, but another guard or wish decided.
    OtherCause,
}

impl How {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Added,
        Self::Removed,
        Self::Shifted,
        Self::Altered,
        Self::OtherCause,
    ];

    /// As it stands in reports.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Added => "added",
            Self::Removed => "removed",
            Self::Shifted => "shifted",
            Self::Altered => "altered",
            Self::OtherCause => "other_cause",
        }
    }
}

/// A movement that differs.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Difference {
    /// How.
    pub how: How,
    /// What the old site does.
    pub old: Option<Step>,
    /// What the new site does.
    pub new: Option<Step>,
}

impl Difference {
    /// When it shows first.
    #[must_use]
    pub fn at(&self) -> Wall {
        let of = |step: &Option<Step>| step.as_ref().map_or(Wall(i64::MAX), |step| step.at);
        of(&self.old).min(of(&self.new))
    }

    /// The word that it is counted under: that of the new site, where it moves.
    #[must_use]
    pub fn word(&self) -> Option<Word> {
        self.new
            .as_ref()
            .or(self.old.as_ref())
            .map(|step| step.word)
    }
}

/// What one group did in one of the sites, in numbers.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Side {
    /// Movements.
    pub movements: usize,
    /// What was counted.
    pub account: GroupMonth,
    /// What the storm audit shows.
    pub exposure: Exposure,
}

impl Side {
    fn of(group: &GroupBehaviour) -> Self {
        Self {
            movements: group.steps.len(),
            account: group.account.clone(),
            exposure: group.exposure,
        }
    }
}

/// One group of both sites, or of one of them.
#[derive(Clone, Debug)]
pub struct GroupDiff {
    /// Its name.
    pub name: String,
    /// In the old site; `None` where it has no such group.
    pub old: Option<Side>,
    /// In the new site.
    pub new: Option<Side>,
    /// What differs, in order of time.
    pub differences: Vec<Difference>,
}

impl GroupDiff {
    /// Differences of a kind and word.
    #[must_use]
    pub fn count(&self, how: How, word: Option<Word>) -> usize {
        let is =
            |one: &&Difference| one.how == how && word.is_none_or(|word| one.word() == Some(word));
        self.differences.iter().filter(is).count()
    }
}

/// All groups, those of the old site first, in the order of the site files.
#[must_use]
pub fn compare(old: &Behaviour, new: &Behaviour) -> Vec<GroupDiff> {
    let named = |behaviour: &Behaviour, name: &str| {
        behaviour.groups.iter().position(|group| group.name == name)
    };
    let mut all: Vec<GroupDiff> = vec![];
    for was in &old.groups {
        let now = named(new, &was.name).map(|index| &new.groups[index]);
        let differences = paired(&was.steps, now.map_or(&[], |now| &now.steps));
        all.push(GroupDiff {
            name: was.name.clone(),
            old: Some(Side::of(was)),
            new: now.map(Side::of),
            differences,
        });
    }
    for now in new
        .groups
        .iter()
        .filter(|now| named(old, &now.name).is_none())
    {
        let differences = paired(&[], &now.steps);
        all.push(GroupDiff {
            name: now.name.clone(),
            old: None,
            new: Some(Side::of(now)),
            differences,
        });
    }
    all
}

/// Whether anything at all is done otherwise.
#[must_use]
pub fn differs(groups: &[GroupDiff]) -> bool {
    groups
        .iter()
        .any(|group| !group.differences.is_empty() || group.old != group.new)
}

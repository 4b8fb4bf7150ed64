//! What each group will do next, and when.
//!
//! The same core, replayed from a day before the base time and on from there
//! under a clear and calm sky, until every group has moved often enough. What
//! clouds, wind, rain, doors and people will do nobody knows beforehand, so the
//! assumption stands on every answer.

mod tell;

pub use tell::{json, text};

use crate::replay::{Setting, Sink, Stopped, replay};
use crate::told::Movement;
use leeside_core::Core;
use leeside_core::engine::Explanation;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::Command;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, Wall};
use std::cell::Cell;
use std::io;
use std::ops::ControlFlow;

/// How far ahead is looked, ms.
pub const HORIZON_MS: i64 = 15 * 24 * HOUR;

/// What will happen next.
#[derive(Clone, Debug)]
pub struct Next {
    /// The base time.
    pub from: Wall,
    /// Nothing was looked at from here on.
    pub until: Wall,
    /// The groups asked for, in the order of the site file.
    pub groups: Vec<GroupNext>,
}

/// What one group will do.
#[derive(Clone, Debug)]
pub struct GroupNext {
    /// Which.
    pub group: GroupId,
    /// Its verdict just before the base time.
    pub now: Option<Explanation>,
    /// Where its first device stands then; `None`: nobody knows.
    pub pose: Option<Pose>,
    /// Its movements from the base time on.
    pub coming: Vec<Movement>,
}

/// Looks ahead from `setting.from`, for the groups given, `count` movements
/// each, but not beyond `setting.to`.
///
/// # Errors
/// [`Stopped`], where the step of the setting does not work.
pub fn next(setting: &Setting, groups: &[GroupId], count: usize) -> Result<Next, Stopped> {
    let left = Cell::new(groups.len() * count);
    let mut sink = Ahead {
        // The core is looked at a millisecond after what is asked for; by the base
        // time itself, a phase that begins with it would show already.
        before: Some(setting.from.plus(-2)),
        count,
        left: &left,
        groups: groups
            .iter()
            .map(|&group| GroupNext {
                group,
                now: None,
                pose: None,
                coming: Vec::new(),
            })
            .collect(),
    };
    let mut enough = |_| {
        if left.get() == 0 {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
    };
    match replay(setting, &mut sink, &mut enough) {
        Ok(_) | Err(Stopped::Asked(_)) => {}
        Err(other) => return Err(other),
    }
    Ok(Next {
        from: setting.from,
        until: setting.to,
        groups: sink.groups,
    })
}

/// Gathers the movements of each group until there are enough.
struct Ahead<'a> {
    before: Option<Wall>,
    count: usize,
    left: &'a Cell<usize>,
    groups: Vec<GroupNext>,
}

impl Sink for Ahead<'_> {
    fn movement(&mut self, _model: &Model, command: &Command) -> io::Result<()> {
        let group = self.groups.iter_mut().find(|of| of.group == command.group);
        if let Some(of) = group.filter(|of| of.coming.len() < self.count) {
            of.coming.push(Movement::of(command));
            self.left.set(self.left.get() - 1);
        }
        Ok(())
    }

    fn look_at(&self) -> Option<Wall> {
        self.before
    }

    fn look(&mut self, core: &Core, _at: Wall) -> io::Result<()> {
        self.before = None;
        for of in &mut self.groups {
            of.now = Some(core.explain(of.group));
            let first = core.model().group(of.group).devices.first();
            of.pose = first.and_then(|device| core.pose(*device));
        }
        Ok(())
    }
}

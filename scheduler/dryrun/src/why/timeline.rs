//! A group through a span: looked at again and again, with its movements, the
//! wind that reached it, and the verdict of one moment within the span.

use super::{Story, WhyError};
use crate::replay::Sink;
use crate::told::Movement;
use leeside_core::Core;
use leeside_core::engine::{Explanation, Quiet, RankView, Says};
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::input::{Part, Reading, Sample};
use leeside_core::model::{Model, WindLink};
use leeside_core::output::{Command, LockoutChange, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::Because;
use leeside_core::time::Wall;
use std::cell::Cell;
use std::io;
use std::sync::Arc;

/// A group through a span.
#[derive(Clone, Debug)]
pub struct Timeline {
    /// The group.
    pub group: GroupId,
    /// What was seen of it, in order of time.
    pub glances: Vec<Glance>,
    /// Its movements within the story's span.
    pub movements: Vec<Movement>,
    /// Its lockouts that began, changed or ended within the story's span.
    pub lockouts: Vec<LockoutChange>,
    /// The worst wind at the group, m/s with the factors of its sensors, by the
    /// begin of each interval from glance to glance in which any was measured.
    pub winds: Vec<(Wall, f64)>,
    /// The moment asked for; `None`: the story does not reach it.
    pub asked: Option<Asked>,
}

/// A group at one moment.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Glance {
    /// When; all that was due or stamped then has been decided.
    pub at: Wall,
    /// Where its first device was believed to be.
    pub pose: Option<Pose>,
    /// What decided.
    pub decided_by: Word,
    /// Whether a weather guard was engaged.
    pub locked: bool,
    /// Irradiance on its facade as the sun wish knew it, W/m².
    pub irradiance_wm2: Option<f64>,
}

/// The group at the moment asked for.
#[derive(Clone, Debug)]
pub struct Asked {
    /// The version of the site that decided.
    pub model: Arc<Model>,
    /// When.
    pub at: Wall,
    /// The verdict of then and what stood beside it.
    pub then: Explanation,
    /// Every rank, highest first.
    pub ranks: Vec<RankView>,
    /// Where each device of the group was believed to be.
    pub poses: Vec<(DeviceId, Option<Pose>)>,
}

/// Follows a group through a story: a glance every `every_ms` from `from` to `to`
/// (excluded), and the whole of its verdict at `at`.
///
/// # Errors
/// [`WhyError`], where the story cannot be told.
pub fn timeline(
    story: &Story<'_>,
    group: GroupId,
    at: Option<Wall>,
    (from, to): (Wall, Wall),
    every_ms: i64,
) -> Result<Timeline, WhyError> {
    let every_ms = every_ms.max(1);
    let mut moments: Vec<Wall> = (0..)
        .map(|n| from.plus(n * every_ms))
        .take_while(|moment| *moment < to)
        .chain(at)
        .collect();
    moments.sort_unstable();
    moments.dedup();
    let mut follower = Follower {
        moments,
        next: 0,
        at,
        from,
        every_ms,
        links: Vec::new(),
        seen: Timeline {
            group,
            glances: Vec::new(),
            movements: Vec::new(),
            lockouts: Vec::new(),
            winds: Vec::new(),
            asked: None,
        },
    };
    if let Some(rule) = &story.model().group(group).wind {
        follower.links.clone_from(&rule.links);
    }
    story.run(&mut follower, &Cell::new(false))?;
    Ok(follower.seen)
}

struct Follower {
    /// When to look, in order.
    moments: Vec<Wall>,
    next: usize,
    at: Option<Wall>,
    from: Wall,
    every_ms: i64,
    links: Vec<WindLink>,
    seen: Timeline,
}

impl Sink for Follower {
    fn movement(&mut self, _model: &Model, command: &Command) -> io::Result<()> {
        if command.group == self.seen.group {
            self.seen.movements.push(Movement::of(command));
        }
        Ok(())
    }

    fn lockout(&mut self, _model: &Model, change: &LockoutChange) -> io::Result<()> {
        if change.group == self.seen.group {
            self.seen.lockouts.push(change.clone());
        }
        Ok(())
    }

    fn hears(&self) -> bool {
        !self.links.is_empty()
    }

    fn heard(&mut self, reading: &Reading) {
        let links = self
            .links
            .iter()
            .filter(|link| link.sensor == reading.sensor);
        let here = links.filter_map(|link| here_mps(link, &reading.sample));
        let Some(here) = here.reduce(f64::max).filter(|_| reading.at >= self.from) else {
            return;
        };
        let place = (reading.at.0 - self.from.0).div_euclid(self.every_ms);
        let begin = self.from.plus(place * self.every_ms);
        // Readings of several sensors may come a little out of order.
        match self
            .seen
            .winds
            .iter_mut()
            .rev()
            .find(|(at, _)| *at == begin)
        {
            Some((_, most)) => *most = most.max(here),
            None => self.seen.winds.push((begin, here)),
        }
    }

    fn look_at(&self) -> Option<Wall> {
        self.moments.get(self.next).copied()
    }

    fn missed(&mut self, _at: Wall) {
        self.next += 1;
    }

    fn look(&mut self, core: &Core, at: Wall) -> io::Result<()> {
        self.next += 1;
        let group = self.seen.group;
        let then = core.explain(group);
        let ranks = core.ranks(group);
        let devices = &core.model().group(group).devices;
        self.seen.glances.push(Glance {
            at,
            pose: devices.first().and_then(|device| core.pose(*device)),
            decided_by: then.verdict.decided_by,
            locked: !then.lockouts.is_empty(),
            irradiance_wm2: ranks.iter().find_map(irradiance),
        });
        if self.at == Some(at) {
            let poses = devices.iter().map(|device| (*device, core.pose(*device)));
            self.seen.asked = Some(Asked {
                model: Arc::clone(core.model()),
                at,
                poses: poses.collect(),
                then,
                ranks,
            });
        }
        Ok(())
    }
}

/// The wind of a reading at the group, m/s.
fn here_mps(link: &WindLink, sample: &Sample) -> Option<f64> {
    let Sample::Wind {
        gust,
        mean,
        direction,
    } = sample
    else {
        return None;
    };
    let speed = [gust, mean]
        .into_iter()
        .filter_map(|part: &Part| part.value());
    Some(speed.reduce(f64::max)? * link.factor_for(direction.value()))
}

/// The irradiance that a rank speaks of, W/m².
#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "all other reasons speak of no light"
)]
const fn irradiance(rank: &RankView) -> Option<f64> {
    match &rank.says {
        Says::Speaks { because, .. } => match because {
            Because::SunShading { irradiance_wm2, .. }
            | Because::SunOpened { irradiance_wm2, .. }
            | Because::Heat { irradiance_wm2, .. } => Some(*irradiance_wm2),
            _ => None,
        },
        Says::Quiet(
            Quiet::SunTooDim { irradiance_wm2, .. } | Quiet::SunNotThere { irradiance_wm2 },
        ) => Some(*irradiance_wm2),
        Says::Quiet(_) => None,
    }
}

//! Why a group stood as it did at one moment, and why it moved: the verdict of
//! then, every rank with its numbers or with what would have had to be
//! different, the movement before and the one after.
//!
//! The answer comes from a replay: of weather through the core ([`Story::Told`])
//! or of what a daemon recorded ([`Story::Lived`]). Nothing here decides or
//! keeps a second account; it asks the core at that moment.

mod complaint;
mod json;
mod otherwise;
mod plain;
mod text;
mod timeline;

pub use crate::lived::{Lived, LivedError, version_at};
pub use complaint::{Complaint, complaint, complaint_json, complaint_plain, complaint_text};
pub use json::json;
pub use otherwise::otherwise;
pub use plain::plain;
pub use text::text;
pub use timeline::{Asked, Glance, Timeline, timeline};

use crate::note::Note;
use crate::replay::{Setting, Sink, Stopped, replay};
use crate::report::Head;
use crate::told::Movement;
use leeside_core::Core;
use leeside_core::engine::{Explanation, RankView};
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::Model;
use leeside_core::output::Command;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, Wall};
use std::cell::Cell;
use std::io;
use std::ops::ControlFlow;
use std::sync::Arc;

/// How far back and ahead of the moment a replay of weather looks, ms.
pub const AROUND_MS: i64 = 7 * 24 * HOUR;

/// What is replayed.
#[derive(Debug)]
pub enum Story<'a> {
    /// Weather, through the core.
    Told(&'a Setting),
    /// A daemon's journal.
    Lived(&'a Lived<'a>),
}

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum WhyError {
    /// The replay did not come to its end.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// The journal does not tell.
    #[error(transparent)]
    Lived(#[from] LivedError),
    /// The moment lies outside of what is replayed.
    #[error("nothing is known of {0}: it lies outside of what is replayed")]
    Outside(String),
}

impl Story<'_> {
    fn run(&self, sink: &mut dyn Sink, enough: &Cell<bool>) -> Result<(), WhyError> {
        match self {
            Self::Told(setting) => {
                let mut progress = |_| {
                    if enough.get() {
                        ControlFlow::Break(())
                    } else {
                        ControlFlow::Continue(())
                    }
                };
                match replay(setting, sink, &mut progress) {
                    Ok(_) | Err(Stopped::Asked(_)) => Ok(()),
                    Err(stopped) => Err(stopped.into()),
                }
            }
            Self::Lived(lived) => Ok(lived.run(sink, enough)?),
        }
    }

    /// The site that it is told of.
    fn model(&self) -> &Model {
        match self {
            Self::Told(setting) => &setting.model,
            Self::Lived(lived) => lived.model(),
        }
    }

    /// In which span a movement before or after is looked for.
    fn span(&self) -> (Wall, Wall) {
        match self {
            Self::Told(setting) => (setting.from, setting.to),
            Self::Lived(lived) => lived.span(),
        }
    }
}

/// What an answer rests on.
#[derive(Clone, Debug)]
pub enum Basis {
    /// Weather: the head of its dry run.
    Told(Box<Head>),
    /// A journal: what is to be said about it.
    Lived {
        /// Name of its file.
        journal: String,
        /// Which site file and program replayed it.
        fingerprint: String,
        /// What to mind.
        notes: Vec<Note>,
    },
}

impl Basis {
    /// Whether it was lived through.
    #[must_use]
    pub const fn is_lived(&self) -> bool {
        matches!(self, Self::Lived { .. })
    }

    /// In lines, most important first, the fingerprint last.
    pub(crate) fn lines(&self) -> Vec<String> {
        match self {
            Self::Told(head) => {
                let mut lines = vec![format!(
                    "worked out from: {}, {}",
                    head.source,
                    head.plant_words()
                )];
                lines.extend(head.assumptions.iter().map(ToString::to_string));
                lines.push(head.fingerprint());
                lines
            }
            Self::Lived {
                journal,
                fingerprint,
                notes,
            } => {
                let mut lines = vec![format!("decided anew from what {journal} recorded")];
                lines.extend(notes.iter().map(ToString::to_string));
                lines.push(fingerprint.clone());
                lines
            }
        }
    }

    pub(crate) fn to_json(&self) -> serde_json::Value {
        match self {
            Self::Told(head) => serde_json::json!({ "kind": "dry_run", "head": head }),
            Self::Lived {
                journal,
                fingerprint,
                notes,
            } => serde_json::json!({
                "kind": "journal", "journal": journal, "fingerprint": fingerprint, "notes": notes,
            }),
        }
    }
}

/// Why a group stood as it did.
#[derive(Clone, Debug)]
pub struct Why {
    /// The version of the site that decided: its numbers are those of then.
    pub model: Arc<Model>,
    /// The group.
    pub group: GroupId,
    /// The moment; everything stamped with it has been decided.
    pub at: Wall,
    /// The verdict of then and what stood beside it.
    pub then: Explanation,
    /// Every rank, highest first.
    pub ranks: Vec<RankView>,
    /// Where each device of the group was believed to be.
    pub poses: Vec<(DeviceId, Option<Pose>)>,
    /// The last movement up to then.
    pub last: Option<Movement>,
    /// The first movement after it.
    pub next: Option<Movement>,
    /// In which span movements were looked for.
    pub span: (Wall, Wall),
}

/// Asks a story about a group at a moment.
///
/// # Errors
/// [`WhyError`].
pub fn why(story: &Story<'_>, group: GroupId, at: Wall) -> Result<Why, WhyError> {
    let enough = Cell::new(false);
    let mut witness = Witness {
        group,
        at,
        enough: &enough,
        seen: None,
        last: None,
        next: None,
        looked: false,
    };
    story.run(&mut witness, &enough)?;
    let Witness {
        seen, last, next, ..
    } = witness;
    let (model, then, ranks, poses) =
        seen.ok_or_else(|| WhyError::Outside(crate::weather::moment(at)))?;
    Ok(Why {
        model,
        group,
        at,
        then,
        ranks,
        poses,
        last,
        next,
        span: story.span(),
    })
}

type Seen = (
    Arc<Model>,
    Explanation,
    Vec<RankView>,
    Vec<(DeviceId, Option<Pose>)>,
);

/// Watches one group until it has moved after the moment.
struct Witness<'a> {
    group: GroupId,
    at: Wall,
    enough: &'a Cell<bool>,
    looked: bool,
    seen: Option<Seen>,
    last: Option<Movement>,
    next: Option<Movement>,
}

impl Sink for Witness<'_> {
    fn movement(&mut self, _model: &Model, command: &Command) -> io::Result<()> {
        if command.group != self.group {
            return Ok(());
        }
        if command.at.wall <= self.at {
            self.last = Some(Movement::of(command));
        } else if self.next.is_none() {
            self.next = Some(Movement::of(command));
            self.enough.set(true);
        }
        Ok(())
    }

    fn look_at(&self) -> Option<Wall> {
        (!self.looked).then_some(self.at)
    }

    fn look(&mut self, core: &Core, _at: Wall) -> io::Result<()> {
        self.looked = true;
        let devices = &core.model().group(self.group).devices;
        let poses = devices.iter().map(|device| (*device, core.pose(*device)));
        self.seen = Some((
            Arc::clone(core.model()),
            core.explain(self.group),
            core.ranks(self.group),
            poses.collect(),
        ));
        Ok(())
    }
}

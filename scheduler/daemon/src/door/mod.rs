//! The door: how a page, or whatever else lives in this process, looks into the
//! loop and asks it for something.
//!
//! Looking costs the loop nothing that grows with the number of lookers: it puts
//! one [`Present`] into a watch, at most a few times a second, and everybody
//! reads the same one. Asking goes the way that a request over MQTT goes, as an
//! input of the core that is written down first, and is answered with what came
//! of it. Nobody outside can make the loop wait: asks queue in a bounded channel,
//! and whoever finds it full is told so.

mod present;

pub use present::{BrokerNow, GroupNow, Present, SensorNow, SunNow, TroubleNow};

use crate::seen::Report;
use crate::wire;
use leeside_core::Core;
use leeside_core::engine::{Explanation, RankView};
use leeside_core::ids::GroupId;
use leeside_core::input::Request;
use leeside_core::model::Model;
use leeside_core::output::{Output, Word};
use leeside_core::reason::Because;
use leeside_core::time::Now;
use leeside_solar::SunPath;
use present::Board;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::Instant;

/// Asks that may wait; whoever comes then is told to try again.
const ROOM: usize = 64;
/// After a change the next present is this far from the last, at least.
const BETWEEN: Duration = Duration::from_millis(250);
/// Without any change there is a new present this often.
const AT_LEAST: Duration = Duration::from_secs(1);
/// So many groups are looked at anew for one present; the others take their turn
/// in the next, so that a large site holds up no command.
const GROUPS_AT_ONCE: usize = 96;

/// The side that a page holds.
#[derive(Clone, Debug)]
pub struct Door {
    asks: mpsc::Sender<Asked>,
    present: watch::Receiver<Arc<Present>>,
}

/// The side that the loop holds.
#[derive(Debug)]
pub struct Porter {
    asks: mpsc::Receiver<Asked>,
    shown: watch::Sender<Arc<Present>>,
    board: Board,
    sun: SunPath,
    changed: bool,
    last: Instant,
}

/// Something that is asked, and where the answer goes.
#[derive(Debug)]
pub enum Asked {
    /// A request, as it might come over MQTT.
    Request(
        SharedModel,
        Request,
        oneshot::Sender<Result<Vec<Refusal>, Unanswered>>,
    ),
    /// Why a group stands as it does, with every rank.
    Explain(
        SharedModel,
        GroupId,
        oneshot::Sender<Result<Explained, Unanswered>>,
    ),
    /// How the service is doing. An answer shows that the loop turns.
    HowIsIt(oneshot::Sender<Result<Box<Report>, Unanswered>>),
}

/// A request that was refused, for one group.
#[derive(Clone, PartialEq, Debug)]
pub struct Refusal {
    /// The group.
    pub group: Option<GroupId>,
    /// Which guard or wish refuses.
    pub word: Word,
    /// Why.
    pub because: Because,
}

/// Why a group stands as it does.
#[derive(Clone, PartialEq, Debug)]
pub struct Explained {
    /// The moment.
    pub at: Now,
    /// The model that the indices speak of.
    pub model: SharedModel,
    /// The verdict with all that spoke.
    pub explanation: Explanation,
    /// Every rank, highest first.
    pub ranks: Vec<RankView>,
}

/// A model that is compared by being the very same.
#[derive(Clone, Debug)]
pub struct SharedModel(pub Arc<Model>);

impl PartialEq for SharedModel {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }
}

/// Why nothing was answered.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Unanswered {
    /// Too much is asked at once.
    #[error("too much is asked at once; try again in a moment")]
    Busy,
    /// The service has ended.
    #[error("the service has ended")]
    Gone,
    /// It was meant for another version of the site file.
    #[error("another version of the site file has taken effect meanwhile; look again")]
    Changed,
}

/// Makes the two sides.
#[must_use]
pub fn door(model: &Arc<Model>, fingerprint: &str, now: Now) -> (Door, Porter) {
    let (asks, asked) = mpsc::channel(ROOM);
    let first = Present::unknown(Arc::clone(model), fingerprint, now);
    let (shown, present) = watch::channel(Arc::new(first));
    let porter = Porter {
        asks: asked,
        shown,
        board: Board::new(model, fingerprint, now),
        sun: SunPath::new(model.site.location, model.site.atmosphere),
        changed: true,
        last: Instant::now(),
    };
    (Door { asks, present }, porter)
}

impl Door {
    /// What is now.
    #[must_use]
    pub fn present(&self) -> Arc<Present> {
        Arc::clone(&self.present.borrow())
    }

    /// Told whenever there is a new present.
    #[must_use]
    pub fn follow(&self) -> watch::Receiver<Arc<Present>> {
        self.present.clone()
    }

    /// Makes a request, in the numbers of `model`. No refusals: it was taken.
    ///
    /// # Errors
    /// [`Unanswered`], where the loop is busy, has ended or goes by another model.
    pub async fn request(
        &self,
        model: &Arc<Model>,
        request: Request,
    ) -> Result<Vec<Refusal>, Unanswered> {
        let model = SharedModel(Arc::clone(model));
        self.ask(|answer| Asked::Request(model, request, answer))
            .await
    }

    /// Asks why a group of `model` stands as it does.
    ///
    /// # Errors
    /// [`Unanswered`], where the loop is busy, has ended or goes by another model.
    pub async fn explain(
        &self,
        model: &Arc<Model>,
        group: GroupId,
    ) -> Result<Explained, Unanswered> {
        let model = SharedModel(Arc::clone(model));
        self.ask(|answer| Asked::Explain(model, group, answer))
            .await
    }

    /// Asks how the service is doing.
    ///
    /// # Errors
    /// [`Unanswered`], where the loop is busy or has ended.
    pub async fn how_is_it(&self) -> Result<Box<Report>, Unanswered> {
        self.ask(Asked::HowIsIt).await
    }

    async fn ask<T>(
        &self,
        asked: impl FnOnce(oneshot::Sender<Result<T, Unanswered>>) -> Asked,
    ) -> Result<T, Unanswered> {
        let (answer, answered) = oneshot::channel();
        self.asks
            .try_send(asked(answer))
            .map_err(|error| match error {
                mpsc::error::TrySendError::Full(_) => Unanswered::Busy,
                mpsc::error::TrySendError::Closed(_) => Unanswered::Gone,
            })?;
        answered.await.unwrap_or(Err(Unanswered::Gone))
    }
}

/// The refusals among what came of a request.
#[must_use]
pub fn refusals<'a>(outputs: impl IntoIterator<Item = &'a Output>) -> Vec<Refusal> {
    outputs
        .into_iter()
        .filter_map(|output| match output {
            Output::Refused {
                group,
                word,
                because,
                ..
            } => Some(Refusal {
                group: *group,
                word: *word,
                because: because.clone(),
            }),
            Output::Command(_)
            | Output::Lockout(_)
            | Output::Alarm(_)
            | Output::Announce { .. }
            | Output::Wake(_) => None,
        })
        .collect()
}

impl Porter {
    /// The next thing asked; waits for ever once nobody is left who could ask.
    pub async fn next(&mut self) -> Asked {
        match self.asks.recv().await {
            Some(asked) => asked,
            None => core::future::pending().await,
        }
    }

    /// Notes what an input led to.
    pub fn note(&mut self, outputs: &[Output]) {
        self.changed |= !outputs.is_empty();
        outputs.iter().for_each(|output| self.board.note(output));
    }

    /// Notes whether the broker can be reached, and why not.
    pub fn broker(&mut self, now: Now, connected: bool, why: &str) {
        self.changed |= self.board.broker(now, connected, why);
    }

    /// Another model from now on: everything is looked at anew.
    pub fn reloaded(&mut self, model: &Arc<Model>, fingerprint: &str, now: Now) {
        self.board = self.board.reloaded(model, fingerprint, now);
        self.sun = SunPath::new(model.site.location, model.site.atmosphere);
        self.changed = true;
    }

    /// When the next present is due.
    #[must_use]
    pub fn due(&self) -> Instant {
        self.last + if self.changed { BETWEEN } else { AT_LEAST }
    }

    /// Shows what is now.
    pub fn show(&mut self, core: &Core, shown: &wire::Board, now: Now, clock_trusted: bool) {
        let sun = SunNow::at(&mut self.sun, now.wall);
        let left = self.board.look(core, GROUPS_AT_ONCE);
        let present = self.board.present(core, shown, now, sun, clock_trusted);
        self.shown.send_replace(Arc::new(present));
        self.changed = left;
        self.last = Instant::now();
    }
}

#[cfg(test)]
mod tests;

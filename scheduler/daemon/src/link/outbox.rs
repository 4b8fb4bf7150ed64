//! What has to leave: present messages, in order, a window of them under way.
//!
//! Commands that cannot leave are not kept: when the way to the plant comes
//! back, the core is asked for its present verdicts instead. States are kept,
//! the newest of each, and all of them are sent again on each new connection,
//! because a broker may have forgotten them.

use super::client::{Sender, WINDOW};
use crate::wire::{Message, Slot};
use leeside_core::ids::{DeviceId, GroupId};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Mutex;
use std::time::Duration;
use tokio::time::Instant;

/// What has become of messages so far.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Taken by the broker.
    pub taken: u64,
    /// Taken, but nobody listens.
    pub unheard: u64,
    /// Refused by the broker.
    pub refused: u64,
    /// Let go unsent, because a newer one said the same better.
    pub replaced: u64,
    /// Let go unsent, because their time had passed.
    pub expired: u64,
    /// Let go unsent or unconfirmed, because the way was lost.
    pub lost: u64,
}

/// A message with its moments on the runtime's clock.
#[derive(Clone, Debug)]
struct Waiting {
    message: Message,
    /// Must have left by then.
    deadline: Option<Instant>,
}

/// Commands leave before states and events.
type Place = (u8, u64);

#[derive(Default)]
struct Inner {
    sender: Option<Sender>,
    next: u64,
    queue: BTreeMap<Place, Waiting>,
    newest: BTreeMap<Slot, Place>,
    states: BTreeMap<String, Message>,
    /// Commands for plants that cannot wait themselves.
    later: BTreeMap<(Instant, u64), Waiting>,
    /// Handed to the client, not yet numbered; then numbered, not yet taken.
    handed: VecDeque<Waiting>,
    under_way: HashMap<u16, Waiting>,
    counts: Counts,
}

/// What has to leave. Nothing here waits; every call returns at once.
#[derive(Default)]
pub struct Outbox {
    inner: Mutex<Inner>,
    idle: tokio::sync::Notify,
}

impl Outbox {
    /// An empty one.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a message in, and sends what can leave.
    pub fn put(&self, message: Message, deadline: Option<Instant>, due: Option<Instant>) {
        self.with(|inner| {
            inner.put(Waiting { message, deadline }, due);
            inner.pump();
        });
    }

    /// Sends what has become due; when the next will be.
    pub fn due(&self) -> Option<Instant> {
        self.with(|inner| {
            inner.ripen();
            inner.pump();
            inner.later.first_key_value().map(|((at, _), _)| *at)
        })
    }

    /// Whether there is a connection.
    #[must_use]
    pub fn connected(&self) -> bool {
        self.with(|inner| inner.sender.is_some())
    }

    /// What has become of messages so far.
    #[must_use]
    pub fn counts(&self) -> Counts {
        self.with(|inner| inner.counts)
    }

    /// Waits until all has been taken by the broker, at most `patience`.
    pub async fn emptied(&self, patience: Duration) -> bool {
        let wait = async {
            loop {
                let notified = self.idle.notified();
                if self.with(|inner| inner.sender.is_none() || inner.is_idle()) {
                    return;
                }
                notified.await;
            }
        };
        tokio::time::timeout(patience, wait).await.is_ok()
    }

    /// Says goodbye to the broker.
    pub fn goodbye(&self) {
        self.with(|inner| {
            if let Some(sender) = &inner.sender {
                sender.goodbye();
            }
        });
    }

    /// Listens to more topics, and no longer to others. Without a connection there
    /// is nothing to do: the next one listens to what is then to be heard.
    pub fn listen(&self, more: &[String], no_longer: &[String]) {
        self.with(|inner| {
            let Some(sender) = &inner.sender else { return };
            if !more.is_empty() && !sender.subscribe(more) {
                tracing::error!("the client has no room for new subscriptions");
            }
            for topic in no_longer {
                sender.unsubscribe(topic);
            }
        });
    }

    /// Groups and drives have other numbers: what waits is about the same ones by
    /// name, or is let go where they are no more.
    pub fn renumber(
        &self,
        group: impl Fn(GroupId) -> Option<GroupId>,
        device: impl Fn(DeviceId) -> Option<DeviceId>,
    ) {
        self.with(|inner| {
            let again = |mut waiting: Waiting| {
                waiting.message.slot = match waiting.message.slot {
                    Slot::Command(id) => Slot::Command(group(id)?),
                    Slot::Drive(id) => Slot::Drive(device(id)?),
                    slot @ (Slot::State(_) | Slot::Event) => slot,
                };
                waiting.message.moves = waiting
                    .message
                    .moves
                    .iter()
                    .filter_map(|id| device(*id))
                    .collect();
                Some(waiting)
            };
            let later = core::mem::take(&mut inner.later);
            inner.later = later
                .into_iter()
                .filter_map(|(at, waiting)| Some((at, again(waiting)?)))
                .collect();
            inner.newest.clear();
            let queue = core::mem::take(&mut inner.queue);
            for (place, waiting) in queue {
                let Some(waiting) = again(waiting) else {
                    continue;
                };
                if waiting.message.slot != Slot::Event {
                    inner.newest.insert(waiting.message.slot.clone(), place);
                }
                inner.queue.insert(place, waiting);
            }
        });
    }

    pub(super) fn connected_by(&self, sender: Sender) {
        self.with(|inner| {
            inner.lose();
            inner.sender = Some(sender);
            let states: Vec<Message> = inner.states.values().cloned().collect();
            for message in states {
                inner.enqueue(Waiting {
                    message,
                    deadline: None,
                });
            }
            inner.pump();
        });
    }

    pub(super) fn lost(&self) {
        self.with(Inner::lose);
        self.idle.notify_waiters();
    }

    pub(super) fn numbered(&self, number: u16) {
        self.with(|inner| {
            if let Some(waiting) = inner.handed.pop_front() {
                inner.under_way.insert(number, waiting);
            }
        });
    }

    /// A message was answered for; which one it was.
    pub(super) fn answered(&self, number: u16, answer: Answer) -> Option<Message> {
        let message = self.with(|inner| {
            let answered = inner
                .under_way
                .remove(&number)
                .map(|waiting| waiting.message);
            match answer {
                Answer::Taken => inner.counts.taken += 1,
                Answer::Unheard => {
                    inner.counts.taken += 1;
                    inner.counts.unheard += 1;
                }
                Answer::Refused => inner.counts.refused += 1,
            }
            inner.pump();
            answered
        });
        self.idle.notify_waiters();
        message
    }

    fn with<T>(&self, act: impl FnOnce(&mut Inner) -> T) -> T {
        // A panic while the lock was held leaves plain tables: they are usable.
        let mut inner = self
            .inner
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        act(&mut inner)
    }
}

/// How the broker answered for a message.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Answer {
    Taken,
    Unheard,
    Refused,
}

impl core::fmt::Debug for Outbox {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Outbox")
            .field("counts", &self.counts())
            .finish_non_exhaustive()
    }
}

impl Inner {
    fn put(&mut self, waiting: Waiting, due: Option<Instant>) {
        let message = &waiting.message;
        if let Slot::State(topic) = &message.slot {
            self.states.insert(topic.clone(), message.clone());
        }
        if self.sender.is_none() {
            if !message.retained() {
                self.counts.lost += 1;
            }
            return;
        }
        // A newer order to a drive takes back one that was to leave later.
        let before = self.later.len();
        self.later
            .retain(|_, later| !message.replaces(&later.message));
        self.counts.replaced += u64::try_from(before - self.later.len()).unwrap_or(0);
        match due {
            Some(at) => {
                self.next += 1;
                self.later.insert((at, self.next), waiting);
            }
            None => self.enqueue(waiting),
        }
    }

    fn enqueue(&mut self, waiting: Waiting) {
        self.next += 1;
        let rank = u8::from(!matches!(
            waiting.message.slot,
            Slot::Command(_) | Slot::Drive(_)
        ));
        let place = (rank, self.next);
        if waiting.message.slot != Slot::Event {
            if let Some(old) = self.newest.get(&waiting.message.slot) {
                let replaced = self
                    .queue
                    .get(old)
                    .is_some_and(|old| waiting.message.replaces(&old.message));
                if replaced {
                    self.queue.remove(old);
                    self.counts.replaced += 1;
                }
            }
            self.newest.insert(waiting.message.slot.clone(), place);
        }
        self.queue.insert(place, waiting);
    }

    /// Moves what has become due into the queue.
    fn ripen(&mut self) {
        let now = Instant::now();
        while let Some(entry) = self.later.first_entry() {
            if entry.key().0 > now {
                return;
            }
            let waiting = entry.remove();
            self.enqueue(waiting);
        }
    }

    /// Sends while the window has room.
    fn pump(&mut self) {
        let Some(sender) = self.sender.clone() else {
            return;
        };
        let now = Instant::now();
        while self.handed.len() + self.under_way.len() < usize::from(WINDOW) {
            let Some((place, waiting)) = self.queue.pop_first() else {
                return;
            };
            if self.newest.get(&waiting.message.slot) == Some(&place) {
                self.newest.remove(&waiting.message.slot);
            }
            let left = waiting
                .deadline
                .map(|deadline| deadline.saturating_duration_since(now));
            if left.is_some_and(|left| left.is_zero()) {
                self.counts.expired += 1;
                continue;
            }
            if !sender.publish(&waiting.message, left.map(whole_seconds)) {
                // No room, though the window says there is: wait for an answer.
                self.queue.insert(place, waiting);
                return;
            }
            self.handed.push_back(waiting);
        }
    }

    fn lose(&mut self) {
        self.sender = None;
        let mut lost = 0;
        let all = core::mem::take(&mut self.queue).into_values();
        let later = core::mem::take(&mut self.later).into_values();
        let handed = core::mem::take(&mut self.handed).into_iter();
        let under_way = core::mem::take(&mut self.under_way).into_values();
        for waiting in all.chain(later).chain(handed).chain(under_way) {
            lost += u64::from(!waiting.message.retained());
        }
        self.newest.clear();
        self.counts.lost += lost;
    }

    fn is_idle(&self) -> bool {
        self.queue.is_empty() && self.handed.is_empty() && self.under_way.is_empty()
    }
}

/// MQTT counts expiry in whole seconds: rounded up, the not-after time in the payload is exact.
fn whole_seconds(left: Duration) -> u32 {
    let up = left.as_secs() + u64::from(left.subsec_nanos() > 0);
    u32::try_from(up).unwrap_or(u32::MAX)
}

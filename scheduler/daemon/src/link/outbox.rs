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

/// What moves something, and then all else.
const QUEUES: usize = 2;

/// An empty queue keeps room for so many messages.
const ROOM: usize = 64;

/// So many messages that are done with wait for whoever made them, at most; at half of
/// it that one is called.
const SPENT: usize = 1024;

/// In which of the queues, and which of all that were ever put into it.
type Place = (usize, u64);

/// Messages in the order in which they came. Out of the middle too one is taken at once.
#[derive(Default)]
struct Queue {
    /// How many have left at the front.
    gone: u64,
    waiting: VecDeque<Option<Waiting>>,
    /// How many are there.
    here: usize,
}

impl Queue {
    /// Puts a message at the end; its number.
    fn push(&mut self, waiting: Waiting) -> u64 {
        self.waiting.push_back(Some(waiting));
        self.here += 1;
        self.gone + u64::try_from(self.waiting.len() - 1).unwrap_or(u64::MAX)
    }

    fn place(&mut self, number: u64) -> Option<&mut Option<Waiting>> {
        let index = usize::try_from(number.checked_sub(self.gone)?).ok()?;
        self.waiting.get_mut(index)
    }

    /// Takes the message with that number out if it is there and to be taken.
    fn take_if(&mut self, number: u64, is_to_be: impl FnOnce(&Message) -> bool) -> Option<Waiting> {
        let place = self.place(number)?;
        let taken = place.take_if(|waiting| is_to_be(&waiting.message))?;
        self.here -= 1;
        Some(taken)
    }

    /// Takes the first message out, with its number.
    fn pop(&mut self) -> Option<(u64, Waiting)> {
        while let Some(place) = self.waiting.pop_front() {
            let number = self.gone;
            self.gone += 1;
            if let Some(waiting) = place {
                self.here -= 1;
                return Some((number, waiting));
            }
        }
        // The room that a gust took is given back.
        self.waiting.shrink_to(ROOM);
        None
    }

    /// Puts the message that was taken out last back to the front.
    fn put_back(&mut self, waiting: Waiting) {
        self.gone = self.gone.saturating_sub(1);
        self.waiting.push_front(Some(waiting));
        self.here += 1;
    }
}

#[derive(Default)]
struct Inner {
    sender: Option<Sender>,
    next: u64,
    queues: [Queue; QUEUES],
    newest: HashMap<Slot, Place>,
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
    /// Messages that are done with. The memory of ten thousand is given back by the
    /// thread that asked for it: where another one does, the first finds it all to be
    /// taken back when it next wants some, which is in the next gust.
    spent: Mutex<Vec<Message>>,
    many_spent: tokio::sync::Notify,
}

impl Outbox {
    /// An empty one.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a message in, and sends what can leave.
    pub fn put(&self, message: Message, deadline: Option<Instant>, due: Option<Instant>) {
        self.put_all([(message, deadline, due)]);
    }

    /// Takes messages in, each with the moment by which it must have left and the one
    /// before which it must not, and sends what can leave.
    pub fn put_all(
        &self,
        messages: impl IntoIterator<Item = (Message, Option<Instant>, Option<Instant>)>,
    ) {
        self.forget();
        self.with(|inner| {
            for (message, deadline, due) in messages {
                inner.put(Waiting { message, deadline }, due);
            }
            inner.pump();
        });
    }

    /// Sends what has become due; when the next will be.
    pub fn due(&self) -> Option<Instant> {
        self.forget();
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
        self.until(Inner::is_idle, patience).await
    }

    /// Waits until nothing waits to leave that moves anything, at most `patience`.
    pub async fn moved(&self, patience: Duration) -> bool {
        self.until(|inner| inner.queues[0].here == 0, patience)
            .await
    }

    async fn until(&self, is_so: impl Fn(&Inner) -> bool, patience: Duration) -> bool {
        let wait = async {
            loop {
                let notified = self.idle.notified();
                if self.with(|inner| inner.sender.is_none() || is_so(inner)) {
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
            for mut queue in core::mem::take(&mut inner.queues) {
                while let Some((_, waiting)) = queue.pop() {
                    if let Some(waiting) = again(waiting) {
                        inner.enqueue(waiting);
                    }
                }
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

    /// Waits until there are many messages that are done with.
    pub async fn many_spent(&self) {
        self.many_spent.notified().await;
    }

    /// Lets go of what is done with.
    fn forget(&self) {
        drop(core::mem::take(&mut *self.spent()));
    }

    /// A message is done with.
    pub(super) fn spend(&self, message: Message) {
        let mut spent = self.spent();
        if spent.len() < SPENT {
            spent.push(message);
        }
        if spent.len() == SPENT / 2 {
            self.many_spent.notify_one();
        }
    }

    fn spent(&self) -> std::sync::MutexGuard<'_, Vec<Message>> {
        // As with the other lock.
        self.spent
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// A message was answered for; which one it was.
    pub(super) fn answered(&self, number: u16, answer: Answer) -> Option<Message> {
        let (message, moved) = self.with(|inner| {
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
            (answered, inner.queues[0].here == 0)
        });
        // Nobody waits for anything before that.
        if moved {
            self.idle.notify_waiters();
        }
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
        let rank = usize::from(waiting.message.tells);
        let slot = waiting.message.slot.clone();
        if slot != Slot::Event
            && let Some((queue, old)) = self.newest.get(&slot)
        {
            let replaces = |old: &Message| waiting.message.replaces(old);
            let replaced = self.queues[*queue].take_if(*old, replaces);
            self.counts.replaced += u64::from(replaced.is_some());
        }
        let number = self.queues[rank].push(waiting);
        if slot != Slot::Event {
            self.newest.insert(slot, (rank, number));
        }
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
        let Some(sender) = &self.sender else {
            return;
        };
        let now = Instant::now();
        while self.handed.len() + self.under_way.len() < usize::from(WINDOW) {
            let next = self.queues.iter_mut().enumerate();
            let next = next
                .map(|(rank, queue)| (rank, queue.pop()))
                .find_map(|(rank, popped)| Some((rank, popped?)));
            let Some((rank, (number, waiting))) = next else {
                return;
            };
            let slot = &waiting.message.slot;
            if *slot != Slot::Event
                && let Some(newest) = self.newest.remove(slot)
                && newest != (rank, number)
            {
                self.newest.insert(slot.clone(), newest);
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
                self.queues[rank].put_back(waiting);
                return;
            }
            self.handed.push_back(waiting);
        }
    }

    fn lose(&mut self) {
        self.sender = None;
        let mut lost = 0;
        let all = core::mem::take(&mut self.queues)
            .into_iter()
            .flat_map(|queue| queue.waiting)
            .flatten();
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
        self.queues.iter().all(|queue| queue.here == 0)
            && self.handed.is_empty()
            && self.under_way.is_empty()
    }
}

/// MQTT counts expiry in whole seconds: rounded up, the not-after time in the payload is exact.
fn whole_seconds(left: Duration) -> u32 {
    let up = left.as_secs() + u64::from(left.subsec_nanos() > 0);
    u32::try_from(up).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rumqttc::v5::{AsyncClient, MqttOptions};

    fn drive(number: u32, says: &str) -> Message {
        Message {
            slot: Slot::Drive(DeviceId(number)),
            moves: vec![DeviceId(number)],
            tells: false,
            ..Message::event(format!("drive/{number}"), says.to_owned())
        }
    }

    /// What leaves, in its order, at a broker that takes one message after the other.
    fn leaves(outbox: &Outbox) -> Vec<String> {
        let mut all = Vec::new();
        for number in 1.. {
            outbox.numbered(number);
            let Some(message) = outbox.answered(number, Answer::Taken) else {
                break;
            };
            all.push(message.payload);
        }
        all
    }

    #[tokio::test]
    async fn what_moves_leaves_first_and_only_the_newest_of_each() {
        let outbox = Outbox::new();
        let options = MqttOptions::new("test", "127.0.0.1", 1);
        // Never polled: what is handed to it stays there.
        let (client, _polled) = AsyncClient::new(options, 1_000);
        outbox.connected_by(Sender::Five(client));
        let window = u32::from(WINDOW);
        // The window is full of these.
        for number in 0..window {
            outbox.put(drive(1_000 + number, "under way"), None, None);
        }
        let event = |n: u32| Message::event("event".to_owned(), format!("event {n}"));
        let state = |n: u32| Message::state(format!("state/{}", n % 2), format!("state {n}"));
        for n in 0..4 {
            outbox.put(event(n), None, None);
            outbox.put(state(n), None, None);
        }
        outbox.put_all([3, 1, 2].map(|n| (drive(n, &format!("old {n}")), None, None)));
        outbox.put_all([1, 4].map(|n| (drive(n, &format!("new {n}")), None, None)));
        let expired = Instant::now();
        outbox.put(drive(5, "too late"), Some(expired), None);
        assert!(!outbox.moved(Duration::ZERO).await);
        let all = leaves(&outbox);
        assert!(outbox.moved(Duration::ZERO).await);
        assert!(outbox.emptied(Duration::ZERO).await);
        let (under_way, then) = all.split_at(usize::from(WINDOW));
        assert!(under_way.iter().all(|payload| payload == "under way"));
        let wanted = [
            "old 3", "old 2", "new 1", "new 4", "event 0", "event 1", "event 2", "state 2",
            "event 3", "state 3",
        ];
        assert_eq!(then, wanted);
        let counts = outbox.counts();
        assert_eq!((counts.replaced, counts.expired), (3, 1));
        // What is done with is let go of by whoever puts in more, and is never too much.
        let called = tokio::time::timeout(Duration::ZERO, outbox.many_spent());
        assert!(called.await.is_err(), "it is called for nothing");
        for _ in 0..3 * SPENT {
            outbox.spend(event(0));
        }
        outbox.many_spent().await;
        assert_eq!(outbox.spent().len(), SPENT);
        outbox.due();
        assert!(outbox.spent().is_empty());
        // An empty queue goes on counting.
        outbox.put(drive(6, "later"), None, None);
        assert_eq!(leaves(&outbox), ["later"]);
    }
}

//! The task that polls the connection, and does nothing else that could wait.

use super::client::{Access, Dialect, Ended, Happened, Polled, open};
use super::outbox::{Answer, Outbox};
use crate::clock::Clock;
use crate::wire::{Arrival, Decoded, Decoder, Encoder, Message, Presence, Slot};
use leeside_core::input::Input;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// Inputs that may wait for the core. More than that means that somebody floods
/// us; what is then left out is counted, and a sensor left out goes silent,
/// which engages its guard.
const MOST_WAITING: usize = 10_000;
/// The first wait after a lost connection, doubled up to [`LONGEST_WAIT`].
const SHORTEST_WAIT: Duration = Duration::from_millis(200);
const LONGEST_WAIT: Duration = Duration::from_secs(10);
/// A complaint about arrivals is logged at most so often; all are counted.
const COMPLAINT_EVERY: Duration = Duration::from_secs(1);

/// What the poller tells.
#[derive(Clone, PartialEq, Debug)]
pub enum LinkEvent {
    /// The broker has let us in.
    Connected(Dialect),
    /// The connection ended or did not come about.
    Disconnected {
        /// Why.
        why: String,
        /// Whether there had been one.
        was_connected: bool,
    },
    /// The broker does not let us do what we need.
    Refused(String),
    /// Something for the core.
    Input {
        /// By which model it was read ([`Ears::generation`]).
        generation: u64,
        /// The input.
        input: Input,
        /// When it came off the connection.
        arrived: Instant,
    },
    /// A request that could not be read, and why.
    Unreadable(String),
}

/// What arrived, in numbers.
#[derive(Debug, Default)]
pub struct Arrivals {
    /// Messages in all.
    pub messages: AtomicU64,
    /// Kept by the broker from before, and so not looked at.
    pub retained: AtomicU64,
    /// Not readable.
    pub malformed: AtomicU64,
    /// On a topic that belongs to nothing.
    pub unknown: AtomicU64,
    /// Left out because too many were waiting.
    pub left_out: AtomicU64,
}

/// What arrivals are read by. Another site brings other ears; whoever swaps them
/// under the lock knows that all that was read by the old ones lies in the inbox.
pub struct Ears {
    /// Counts the models; an input goes into the core of its own generation only.
    pub generation: u64,
    decoder: Decoder,
    /// What the broker says for us when we are gone.
    will: Message,
    /// The topics to listen to.
    topics: Vec<String>,
}

impl Ears {
    /// The ears of a site.
    #[must_use]
    pub fn new(generation: u64, decoder: Decoder, encoder: &Encoder) -> Self {
        let mut topics = encoder.topics().subscriptions();
        topics.extend(decoder.foreign_topics().iter().cloned());
        Self {
            generation,
            decoder,
            will: encoder.service(Presence::Gone, None),
            topics,
        }
    }

    /// The topics that `next` listens to and these do not, and the other way round.
    #[must_use]
    pub fn changes(&self, next: &Self) -> (Vec<String>, Vec<String>) {
        let only = |a: &[String], b: &[String]| -> Vec<String> {
            a.iter()
                .filter(|topic| !b.contains(topic))
                .cloned()
                .collect()
        };
        (
            only(&next.topics, &self.topics),
            only(&self.topics, &next.topics),
        )
    }
}

impl core::fmt::Debug for Ears {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Ears")
            .field("generation", &self.generation)
            .field("topics", &self.topics.len())
            .finish_non_exhaustive()
    }
}

/// What waits for the core.
#[derive(Debug)]
pub struct Inbox {
    events: mpsc::UnboundedReceiver<LinkEvent>,
    waiting: Arc<AtomicUsize>,
    /// What arrived, in numbers.
    pub arrivals: Arc<Arrivals>,
}

impl Inbox {
    /// The next event; `None` when the poller has ended.
    pub async fn next(&mut self) -> Option<LinkEvent> {
        let event = self.events.recv().await;
        if event.is_some() {
            self.waiting.fetch_sub(1, Ordering::Relaxed);
        }
        event
    }

    /// What lies there already.
    pub fn try_next(&mut self) -> Option<LinkEvent> {
        let event = self.events.try_recv().ok();
        if event.is_some() {
            self.waiting.fetch_sub(1, Ordering::Relaxed);
        }
        event
    }
}

/// A connection that ends sooner than this was hardly one.
const SHORT_LIFE: Duration = Duration::from_secs(15);
/// So many of them in a row are no accident.
const TOO_MANY_SHORT: u32 = 3;
/// The other version is tried after so many calls that were hung up on.
const HUNG_UP_TWICE: u32 = 2;

/// How to try again.
#[derive(Debug)]
struct Retry {
    configured: Dialect,
    dialect: Dialect,
    wait: Duration,
    short_lives: u32,
    hung_up: u32,
}

impl Retry {
    const fn new(configured: Dialect) -> Self {
        Self {
            configured,
            dialect: configured,
            wait: Duration::ZERO,
            short_lives: 0,
            hung_up: 0,
        }
    }

    /// A connection ended; says whether that has become suspicious.
    fn after(&mut self, was_connected: bool, life: Duration, ended: &Ended) -> bool {
        if was_connected {
            self.hung_up = 0;
            // The next broker there may be a newer one.
            self.dialect = self.configured;
            self.wait = SHORTEST_WAIT;
            self.short_lives = if life < SHORT_LIFE {
                self.short_lives + 1
            } else {
                0
            };
            let suspicious = ended.taken_over || self.short_lives >= TOO_MANY_SHORT;
            if suspicious {
                self.short_lives = 0;
                self.wait = LONGEST_WAIT;
            }
            return suspicious;
        }
        self.hung_up = if ended.hung_up { self.hung_up + 1 } else { 0 };
        if ended.wrong_dialect || self.hung_up >= HUNG_UP_TWICE {
            self.hung_up = 0;
            self.dialect = match self.dialect {
                Dialect::Five => Dialect::ThreeOneOne,
                Dialect::ThreeOneOne => Dialect::Five,
            };
            tracing::warn!(dialect = ?self.dialect, "the broker seems not to speak the other version");
        }
        self.wait = (self.wait * 2).clamp(SHORTEST_WAIT, LONGEST_WAIT);
        false
    }
}

/// The polling task.
pub struct Poller {
    access: Access,
    ears: Arc<RwLock<Ears>>,
    outbox: Arc<Outbox>,
    clock: Arc<Clock>,
    events: mpsc::UnboundedSender<LinkEvent>,
    waiting: Arc<AtomicUsize>,
    arrivals: Arc<Arrivals>,
    complained: Option<Instant>,
    unsaid: u64,
}

impl core::fmt::Debug for Poller {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Poller")
            .field("access", &self.access)
            .finish_non_exhaustive()
    }
}

impl Poller {
    /// A poller and where its events arrive.
    #[must_use]
    pub fn new(
        access: Access,
        ears: Arc<RwLock<Ears>>,
        outbox: Arc<Outbox>,
        clock: Arc<Clock>,
    ) -> (Self, Inbox) {
        let (sender, events) = mpsc::unbounded_channel();
        let waiting = Arc::new(AtomicUsize::new(0));
        let arrivals = Arc::new(Arrivals::default());
        let inbox = Inbox {
            events,
            waiting: Arc::clone(&waiting),
            arrivals: Arc::clone(&arrivals),
        };
        let poller = Self {
            access,
            ears,
            outbox,
            clock,
            events: sender,
            waiting,
            arrivals,
            complained: None,
            unsaid: 0,
        };
        (poller, inbox)
    }

    /// Connects, polls, and connects again, until nobody listens any more.
    pub async fn run(mut self) {
        let mut retry = Retry::new(self.access.dialect);
        while !self.events.is_closed() {
            let begun = Instant::now();
            let (was_connected, ended) = self.connection(retry.dialect).await;
            self.outbox.lost();
            if retry.after(was_connected, begun.elapsed(), &ended) {
                // Two with one name throw each other out for ever.
                self.tell(LinkEvent::Refused(format!(
                    "the broker ends the connection again and again soon after it began ({}); if another client comes as {:?}, each needs a client_id of its own",
                    ended.why, self.access.client_id
                )));
            }
            self.tell(LinkEvent::Disconnected {
                why: ended.why,
                was_connected,
            });
            tokio::time::sleep(retry.wait).await;
        }
    }

    /// One connection from its beginning to its end.
    async fn connection(&mut self, dialect: Dialect) -> (bool, Ended) {
        let (will, topics) = {
            let ears = self.ears.read().unwrap_or_else(PoisonError::into_inner);
            (ears.will.clone(), ears.topics.clone())
        };
        let (sender, mut polled) = open(&self.access, &will, dialect);
        let mut connected = false;
        loop {
            let happened = match polled.poll().await {
                Ok(happened) => happened,
                Err(ended) => {
                    self.rescue(&mut polled);
                    return (connected, ended);
                }
            };
            match happened {
                Happened::Connected => {
                    connected = true;
                    if !sender.subscribe(&topics) {
                        let why = "the client has no room for the subscriptions".to_owned();
                        return (connected, Ended::because(why));
                    }
                    self.outbox.connected_by(sender.clone());
                    self.tell(LinkEvent::Connected(dialect));
                }
                Happened::Subscribed { refused: 0 } | Happened::Other => {}
                Happened::Subscribed { refused } => self.tell(LinkEvent::Refused(format!(
                    "the broker does not let us listen to {refused} of {} topics",
                    topics.len()
                ))),
                Happened::Arrived {
                    topic,
                    payload,
                    retained,
                } => self.arrived(&topic, &payload, retained),
                Happened::Numbered(number) => self.outbox.numbered(number),
                Happened::Taken(number) => {
                    if let Some(message) = self.outbox.answered(number, Answer::Taken) {
                        self.outbox.spend(message);
                    }
                }
                Happened::Unheard(number) => self.unheard(number),
                Happened::Refused(number, why) => self.refused(number, &why),
            }
            if self.events.is_closed() {
                return (connected, Ended::because("stopped".to_owned()));
            }
        }
    }

    fn rescue(&mut self, polled: &mut Polled) {
        for happened in polled.left_over() {
            if let Happened::Arrived {
                topic,
                payload,
                retained,
            } = happened
            {
                self.arrived(&topic, &payload, retained);
            }
        }
    }

    fn unheard(&mut self, number: u16) {
        let Some(message) = self.outbox.answered(number, Answer::Unheard) else {
            return;
        };
        if matches!(message.slot, Slot::Command(_) | Slot::Drive(_)) {
            self.complain(&message.topic, "nobody listens to this command");
        }
        self.outbox.spend(message);
    }

    fn refused(&mut self, number: u16, why: &str) {
        let Some(message) = self.outbox.answered(number, Answer::Refused) else {
            return;
        };
        self.tell(LinkEvent::Refused(format!(
            "the broker does not take {}: {why}",
            message.topic
        )));
    }

    fn arrived(&mut self, topic: &str, payload: &[u8], retained: bool) {
        let now = Instant::now();
        let count = |counter: &AtomicU64| counter.fetch_add(1, Ordering::Relaxed);
        count(&self.arrivals.messages);
        let arrival = Arrival {
            topic,
            payload,
            retained,
            at: self.clock.now().wall,
        };
        // Read and handed on under one lock: see `Ears`.
        let shared = Arc::clone(&self.ears);
        let ears = shared.read().unwrap_or_else(PoisonError::into_inner);
        for decoded in ears.decoder.decode(&arrival) {
            match decoded {
                Decoded::Input(input) => self.input(ears.generation, input, now),
                Decoded::Retained => {
                    count(&self.arrivals.retained);
                    tracing::debug!(topic, "kept by the broker from before: not taken for fresh");
                }
                Decoded::Malformed { why, input } => {
                    count(&self.arrivals.malformed);
                    self.complain(topic, &why.to_string());
                    match input {
                        Some(input) => self.input(ears.generation, input, now),
                        None if topic.ends_with("/request") => {
                            self.tell(LinkEvent::Unreadable(why.to_string()));
                        }
                        None => {}
                    }
                }
                Decoded::Unknown => {
                    count(&self.arrivals.unknown);
                    self.complain(topic, "nothing in the site file has this topic");
                }
            }
        }
    }

    fn input(&self, generation: u64, input: Input, arrived: Instant) {
        if self.waiting.load(Ordering::Relaxed) >= MOST_WAITING {
            self.arrivals.left_out.fetch_add(1, Ordering::Relaxed);
            return;
        }
        self.tell(LinkEvent::Input {
            generation,
            input,
            arrived,
        });
    }

    fn tell(&self, event: LinkEvent) {
        self.waiting.fetch_add(1, Ordering::Relaxed);
        // Nobody listens any more: the service ends, and this task with it.
        let _ = self.events.send(event);
    }

    /// Logs what is wrong with an arrival, but not more often than is readable.
    fn complain(&mut self, topic: &str, why: &str) {
        let now = Instant::now();
        if self
            .complained
            .is_some_and(|last| now.duration_since(last) < COMPLAINT_EVERY)
        {
            self.unsaid += 1;
            return;
        }
        self.complained = Some(now);
        let more = core::mem::take(&mut self.unsaid);
        let topic: String = topic.chars().take(200).collect();
        tracing::warn!(topic, why, more_unsaid = more, "a message is not used");
    }
}

#[cfg(test)]
mod tests {
    use super::{LONGEST_WAIT, Retry, SHORTEST_WAIT};
    use crate::link::client::{Dialect, Ended};
    use std::time::Duration;

    fn plain() -> Ended {
        Ended::because("test".to_owned())
    }

    const LONG: Duration = Duration::from_secs(3_600);
    const SHORT: Duration = Duration::from_secs(1);

    #[test]
    fn waits_grow_up_to_a_bound_and_begin_anew_after_a_connection() {
        let mut retry = Retry::new(Dialect::Five);
        let waits: Vec<u64> = (0..8)
            .map(|_| {
                retry.after(false, SHORT, &plain());
                u64::try_from(retry.wait.as_millis()).unwrap_or(u64::MAX)
            })
            .collect();
        assert_eq!(waits, [200, 400, 800, 1_600, 3_200, 6_400, 10_000, 10_000]);
        assert!(!retry.after(true, LONG, &plain()));
        assert_eq!(retry.wait, SHORTEST_WAIT);
    }

    #[test]
    fn short_lives_in_a_row_are_suspicious() {
        let mut retry = Retry::new(Dialect::Five);
        let said: Vec<bool> = [SHORT, SHORT, LONG, SHORT, SHORT, SHORT]
            .into_iter()
            .map(|life| retry.after(true, life, &plain()))
            .collect();
        assert_eq!(said, [false, false, false, false, false, true]);
        assert_eq!(retry.wait, LONGEST_WAIT);
        assert!(retry.after(
            true,
            LONG,
            &Ended {
                taken_over: true,
                ..plain()
            }
        ));
    }

    #[test]
    fn the_other_version_is_tried_and_the_configured_one_is_never_forgotten() {
        let hung_up = Ended {
            hung_up: true,
            ..plain()
        };
        let wrong = Ended {
            wrong_dialect: true,
            ..plain()
        };
        let mut retry = Retry::new(Dialect::Five);
        retry.after(false, SHORT, &hung_up);
        assert_eq!(
            retry.dialect,
            Dialect::Five,
            "once may be a broker that is just starting"
        );
        retry.after(false, SHORT, &hung_up);
        assert_eq!(retry.dialect, Dialect::ThreeOneOne);
        retry.after(false, SHORT, &wrong);
        assert_eq!(retry.dialect, Dialect::Five);
        retry.after(false, SHORT, &wrong);
        assert_eq!(retry.dialect, Dialect::ThreeOneOne);
        retry.after(false, SHORT, &plain());
        assert_eq!(
            retry.dialect,
            Dialect::ThreeOneOne,
            "an unreachable broker says nothing of versions"
        );
        retry.after(true, LONG, &plain());
        assert_eq!(retry.dialect, Dialect::Five);
    }
}

//! What a thread hands over: what came out of its groups in a span of time.

use super::Sink;
use super::parts::of_the_site;
use super::run::Said;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange, Lost, Order, Place, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::time::{Now, Wall};
use std::io;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender};

/// What came out in a span of time, in order.
pub(super) struct Span {
    said: Vec<(Place, Kept)>,
    /// The orders of its movements, one after the other.
    orders: Vec<Order>,
    /// What lost in its movements.
    lost: Vec<Arc<[Lost]>>,
    /// The moment reached.
    pub(super) reached: Wall,
}

/// What is kept of what came out.
enum Kept {
    Movement(Moved),
    Lockout(LockoutChange),
    Alarm(Alarm),
    /// It has a number.
    Unrecorded,
}

/// A command without its number, its orders and what lost. The latter two have memory
/// of their own, which one thread would take and another give back for each command.
struct Moved {
    group: GroupId,
    at: Now,
    not_after: Wall,
    pose: Pose,
    decided_by: Word,
    because: Because,
    release: Release,
    repeat: bool,
    /// How many of the span's orders are its own.
    orders: usize,
    /// Its place among what lost in the span.
    lost: usize,
}

impl Default for Span {
    fn default() -> Self {
        Self {
            said: Vec::new(),
            orders: Vec::new(),
            lost: Vec::new(),
            reached: Wall(i64::MIN),
        }
    }
}

impl Span {
    /// Keeps what comes out.
    pub(super) fn keep(&mut self, place: Place, said: Said) {
        let kept = match said {
            Said::Movement(command) => Kept::Movement(self.movement(command)),
            Said::Lockout(change) => Kept::Lockout(change),
            Said::Alarm(alarm) => Kept::Alarm(alarm),
            Said::Unrecorded => Kept::Unrecorded,
        };
        self.said.push((place, kept));
    }

    fn movement(&mut self, command: Command) -> Moved {
        self.orders.extend_from_slice(&command.orders);
        // Mostly the same as the time before.
        let known = self.lost.last();
        if known.is_none_or(|known| !Arc::ptr_eq(known, &command.lost)) {
            self.lost.push(command.lost);
        }
        Moved {
            group: command.group,
            at: command.at,
            not_after: command.not_after,
            pose: command.pose,
            decided_by: command.decided_by,
            because: command.because,
            release: command.release,
            repeat: command.repeat,
            orders: command.orders.len(),
            lost: self.lost.len() - 1,
        }
    }

    fn forget(&mut self) {
        self.said.clear();
        self.orders.clear();
        self.lost.clear();
    }
}

/// Tells the spans of one thread.
pub(super) struct Telling {
    spans: Receiver<Span>,
    /// Takes spans that are told, so that they are filled again.
    back: Sender<Span>,
    span: Span,
    /// How many of its outputs, and of its orders, are told.
    told: usize,
    ordered: usize,
    /// The movement that is being told.
    command: Option<Command>,
}

impl Telling {
    pub(super) fn new(spans: Receiver<Span>, back: Sender<Span>) -> Self {
        Self {
            spans,
            back,
            span: Span::default(),
            told: 0,
            ordered: 0,
            command: None,
        }
    }

    /// Goes on to the next span; the moment reached by its end. `None` where there is none.
    pub(super) fn next_span(&mut self) -> Option<Wall> {
        let mut span = self.spans.recv().ok()?;
        std::mem::swap(&mut self.span, &mut span);
        (self.told, self.ordered) = (0, 0);
        span.forget();
        // A thread that has ended fills no more.
        let _ = self.back.send(span);
        Some(self.span.reached)
    }

    /// The place of what comes next in this span.
    pub(super) fn place(&self) -> Option<Place> {
        let (place, _) = self.span.said.get(self.told)?;
        Some(*place)
    }

    /// Tells what comes next. Of alarms that every part raises, those of the first are
    /// told.
    pub(super) fn tell_next(
        &mut self,
        model: &Model,
        first: bool,
        sequence: &mut u64,
        sink: &mut dyn Sink,
    ) -> io::Result<()> {
        let Some((_, kept)) = self.span.said.get_mut(self.told) else {
            return Ok(());
        };
        self.told += 1;
        match kept {
            Kept::Movement(moved) => {
                *sequence += 1;
                let orders = self.ordered..self.ordered + moved.orders;
                self.ordered = orders.end;
                let lost = &self.span.lost[moved.lost];
                // The last one told has memory for orders, and mostly the same lost.
                let (mut into, lost) = match self.command.take() {
                    Some(last) if Arc::ptr_eq(&last.lost, lost) => (last.orders, last.lost),
                    Some(last) => (last.orders, Arc::clone(lost)),
                    None => (Vec::new(), Arc::clone(lost)),
                };
                into.clear();
                into.extend_from_slice(&self.span.orders[orders]);
                let command = self.command.insert(Command {
                    sequence: *sequence,
                    group: moved.group,
                    at: moved.at,
                    not_after: moved.not_after,
                    pose: moved.pose,
                    orders: into,
                    decided_by: moved.decided_by,
                    because: std::mem::replace(&mut moved.because, Because::Rest),
                    lost,
                    release: moved.release,
                    repeat: moved.repeat,
                });
                sink.movement(model, command)
            }
            Kept::Unrecorded => {
                *sequence += 1;
                Ok(())
            }
            Kept::Lockout(change) => sink.lockout(model, change),
            Kept::Alarm(alarm) if first || !of_the_site(alarm.word) => sink.alarm(model, alarm),
            Kept::Alarm(_) => Ok(()),
        }
    }
}

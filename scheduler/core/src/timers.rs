//! Pending moments: each is one variant of one list, and the next wake-up is
//! their minimum.

use crate::output::WakeFor;
use crate::time::Steady;
use std::collections::BTreeMap;

/// At most one pending moment per reason.
#[derive(Clone, Debug, Default)]
pub(crate) struct Timers {
    /// Per kind of reason and number of what it is about, its moment.
    due: Vec<Vec<Option<Steady>>>,
    /// In order of time, then of reasons.
    order: BTreeMap<(Steady, u64), WakeFor>,
}

/// A reason's kind, the number of what it is about, and its place in the order
/// of reasons (that of [`WakeFor`]) as one number, which is quicker to compare.
fn place(why: WakeFor) -> (usize, u32, u64) {
    /// Guards come in as many kinds as there are words.
    const AFTER_GUARDS: u8 = 32;
    let (kind, rank, number, word) = match why {
        WakeFor::SensorSilent(id) => (0, 0, id.0, 0),
        WakeFor::SensorCheck(id) => (1, 1, id.0, 0),
        WakeFor::Guard(id, word) => (2 + word as u8, 2, id.0, word as u8),
        WakeFor::WeatherKnown(id) => (AFTER_GUARDS, 3, id.0, 0),
        WakeFor::Contact(id) => (AFTER_GUARDS + 1, 4, id.0, 0),
        WakeFor::Hand(id) => (AFTER_GUARDS + 2, 5, id.0, 0),
        WakeFor::Facade(id) => (AFTER_GUARDS + 3, 6, id.0, 0),
        WakeFor::Sun(id) => (AFTER_GUARDS + 4, 7, id.0, 0),
        WakeFor::Phase(id) => (AFTER_GUARDS + 5, 8, id.0, 0),
        WakeFor::Special => (AFTER_GUARDS + 6, 9, 0, 0),
        WakeFor::Quiet(id) => (AFTER_GUARDS + 7, 10, id.0, 0),
        WakeFor::Drive(id) => (AFTER_GUARDS + 8, 11, id.0, 0),
        WakeFor::Service(id) => (AFTER_GUARDS + 9, 12, id.0, 0),
        WakeFor::Settle => (AFTER_GUARDS + 10, 13, 0, 0),
    };
    let order = (rank << 40) | (u64::from(number) << 8) | u64::from(word);
    (usize::from(kind), number, order)
}

impl Timers {
    /// Where a reason's moment stands.
    fn slot(&mut self, kind: usize, number: u32) -> &mut Option<Steady> {
        if self.due.len() <= kind {
            self.due.resize_with(kind + 1, Vec::new);
        }
        let (moments, number) = (&mut self.due[kind], number as usize);
        if moments.len() <= number {
            moments.resize(number + 1, None);
        }
        &mut moments[number]
    }

    /// Sets (or moves) the moment of a reason.
    pub(crate) fn set(&mut self, why: WakeFor, at: Steady) {
        let (kind, number, order) = place(why);
        if let Some(old) = self.slot(kind, number).replace(at) {
            if old == at {
                return;
            }
            self.order.remove(&(old, order));
        }
        self.order.insert((at, order), why);
    }

    /// Whether a moment is pending for the reason.
    pub(crate) fn has(&self, why: WakeFor) -> bool {
        self.at(why).is_some()
    }

    /// The pending moment of a reason.
    pub(crate) fn at(&self, why: WakeFor) -> Option<Steady> {
        let (kind, number, _) = place(why);
        *self.due.get(kind)?.get(number as usize)?
    }

    /// All pending moments in the order of reasons, for keeping.
    pub(crate) fn all(&self) -> Vec<(WakeFor, Steady)> {
        let mut all: Vec<_> = self
            .order
            .iter()
            .map(|((at, _), why)| (*why, *at))
            .collect();
        all.sort_unstable();
        all
    }

    /// Forgets a reason's moment.
    pub(crate) fn clear(&mut self, why: WakeFor) {
        let (kind, number, order) = place(why);
        let slot = self
            .due
            .get_mut(kind)
            .and_then(|moments| moments.get_mut(number as usize));
        if let Some(old) = slot.and_then(Option::take) {
            self.order.remove(&(old, order));
        }
    }

    /// The earliest pending moment.
    pub(crate) fn next(&self) -> Option<(Steady, WakeFor)> {
        self.order
            .first_key_value()
            .map(|((at, _), why)| (*at, *why))
    }

    /// Takes the earliest moment if it is due at `at` or before.
    pub(crate) fn pop_due(&mut self, at: Steady) -> Option<WakeFor> {
        let (due, _) = self.next()?;
        if due > at {
            return None;
        }
        let (_, why) = self.order.pop_first()?;
        let (kind, number, _) = place(why);
        *self.slot(kind, number) = None;
        Some(why)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::GroupId;

    #[test]
    fn the_earliest_comes_first_and_a_moved_timer_fires_once() {
        let mut timers = Timers::default();
        let (a, b) = (WakeFor::Hand(GroupId(0)), WakeFor::Hand(GroupId(1)));
        timers.set(a, Steady(30));
        timers.set(b, Steady(20));
        timers.set(a, Steady(10));
        assert!(timers.has(a));
        assert_eq!(timers.next(), Some((Steady(10), a)));
        assert_eq!(timers.pop_due(Steady(9)), None);
        assert_eq!(timers.pop_due(Steady(20)), Some(a));
        assert_eq!(timers.pop_due(Steady(20)), Some(b));
        assert_eq!(timers.pop_due(Steady(100)), None);
    }
}

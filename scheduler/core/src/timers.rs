//! Pending moments: each is one variant of one list, and the next wake-up is
//! their minimum.

use crate::output::WakeFor;
use crate::time::Steady;
use std::collections::{BTreeMap, BTreeSet};

/// At most one pending moment per reason.
#[derive(Clone, Debug, Default)]
pub(crate) struct Timers {
    due: BTreeMap<WakeFor, Steady>,
    order: BTreeSet<(Steady, WakeFor)>,
}

impl Timers {
    /// Sets (or moves) the moment of a reason.
    pub(crate) fn set(&mut self, why: WakeFor, at: Steady) {
        if let Some(old) = self.due.insert(why, at) {
            if old == at {
                return;
            }
            self.order.remove(&(old, why));
        }
        self.order.insert((at, why));
    }

    /// Whether a moment is pending for the reason.
    pub(crate) fn has(&self, why: WakeFor) -> bool {
        self.due.contains_key(&why)
    }

    /// The pending moment of a reason.
    pub(crate) fn at(&self, why: WakeFor) -> Option<Steady> {
        self.due.get(&why).copied()
    }

    /// All pending moments, for keeping.
    pub(crate) fn all(&self) -> Vec<(WakeFor, Steady)> {
        self.due.iter().map(|(why, at)| (*why, *at)).collect()
    }

    /// Forgets a reason's moment.
    pub(crate) fn clear(&mut self, why: WakeFor) {
        if let Some(old) = self.due.remove(&why) {
            self.order.remove(&(old, why));
        }
    }

    /// The earliest pending moment.
    pub(crate) fn next(&self) -> Option<(Steady, WakeFor)> {
        self.order.first().copied()
    }

    /// Takes the earliest moment if it is due at `at` or before.
    pub(crate) fn pop_due(&mut self, at: Steady) -> Option<WakeFor> {
        let (due, why) = self.next()?;
        if due > at {
            return None;
        }
        self.order.pop_first();
        self.due.remove(&why);
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

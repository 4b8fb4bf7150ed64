//! What the core believes of the drives: where each stands, when it arrives,
//! when it may start next.
//!
//! Positions are dead reckoning from travel times; a drive's own report always
//! wins. Stagger and reversal pause are kept on every rank; the duty budget
//! stops hand and comfort while one full travel is still in reserve, so that
//! wind and fire wait only for pause and stagger.

use crate::model::{Feeder, Product};
use crate::pose::Pose;
use crate::time::Steady;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// A run of a drive, from start to stop.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) struct Run {
    pub(crate) start: Steady,
    pub(crate) stop: Steady,
    pub(crate) from: Pose,
    pub(crate) to: Pose,
}

impl Run {
    /// +1 extends, −1 retracts, 0 only tilts.
    fn way(&self) -> i8 {
        match self.to.extension_pct.cmp(&self.from.extension_pct) {
            core::cmp::Ordering::Greater => 1,
            core::cmp::Ordering::Less => -1,
            core::cmp::Ordering::Equal => 0,
        }
    }

    /// Where it is at `at`. Slats travel closed and find their tilt at the end,
    /// so the new tilt counts only on arrival.
    fn at(&self, at: Steady) -> Pose {
        if at >= self.stop {
            return self.to;
        }
        if at <= self.start || self.stop <= self.start {
            return self.from;
        }
        let (from, to) = (
            i64::from(self.from.extension_pct),
            i64::from(self.to.extension_pct),
        );
        let share = (to - from) * (at.0 - self.start.0) / (self.stop.0 - self.start.0);
        Pose {
            extension_pct: u8::try_from(from + share).unwrap_or(self.to.extension_pct),
            tilt_deg: self.from.tilt_deg,
        }
    }
}

/// A drive as the core believes it to be.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct DriveState {
    /// What it was last told; `None`: nothing since it was last known to differ.
    pub(crate) target: Option<Pose>,
    /// The last run, which may still be under way.
    pub(crate) run: Option<Run>,
    /// Where it stood before any run known here.
    stood: Option<Pose>,
    /// Runs within the duty window.
    runs: VecDeque<(Steady, Steady)>,
    /// Moves between the end stops since the last time it ran into one.
    pub(crate) moves: u32,
    /// On its way to an end stop, to find its position again.
    pub(crate) referencing: bool,
    /// Running time ever, ms.
    pub(crate) ran_ms: i64,
}

impl DriveState {
    /// Where it is believed to be; `None`: nobody knows.
    pub(crate) fn pose(&self, at: Steady) -> Option<Pose> {
        self.run.map_or(self.stood, |run| Some(run.at(at)))
    }

    /// Whether it is believed to run, and which way.
    pub(crate) fn moving(&self, at: Steady) -> Option<i8> {
        self.run.filter(|r| at < r.stop).map(|r| r.way())
    }

    /// The drive (or whoever sets it up) says where it stands.
    pub(crate) fn stands(&mut self, pose: Pose) {
        self.run = None;
        self.stood = Some(pose);
    }

    /// Nobody knows any more where it stands or what it was told.
    pub(crate) const fn forget_target(&mut self) {
        self.target = None;
    }

    /// Halts where it is.
    pub(crate) fn halt(&mut self, at: Steady) {
        if let Some(run) = self.run
            && at < run.stop
        {
            let here = run.at(at);
            self.run = Some(Run {
                stop: at.max(run.start),
                to: here,
                ..run
            });
            self.shorten(at);
        }
        self.target = None;
    }

    fn shorten(&mut self, at: Steady) {
        if let Some((start, stop)) = self.runs.back_mut()
            && *stop > at
        {
            self.ran_ms -= stop.0 - at.0.max(start.0);
            *stop = at.max(*start);
        }
    }

    /// How long it takes from where it is to `to`, ms. From an unknown place, a full travel.
    pub(crate) fn travel_ms(&self, product: &Product, to: Pose, at: Steady) -> i64 {
        let Some(from) = self.pose(at) else {
            return product.extend_ms.max(product.retract_ms) + product.tilt_ms;
        };
        travel_ms(product, from, to)
    }

    /// The least delay before it may start toward `to`: the reversal pause, and
    /// after a halt of the other way too. A drive that already runs that way
    /// goes on without a new start (`None`).
    pub(crate) fn pause_ms(&self, product: &Product, to: Pose, at: Steady) -> Option<i64> {
        let Some(run) = self.run else { return Some(0) };
        let here = run.at(at);
        let way = match to.extension_pct.cmp(&here.extension_pct) {
            core::cmp::Ordering::Greater => 1,
            core::cmp::Ordering::Less => -1,
            core::cmp::Ordering::Equal => 0,
        };
        let runs = at >= run.start && at < run.stop;
        if runs && way == run.way() && way != 0 {
            return None;
        }
        // Whichever way it ran last: slats turn both ways at the end of a travel,
        // so the pause is kept before every start.
        let stopped = if runs {
            at
        } else {
            run.stop.min(at).max(run.start.min(at))
        };
        Some((product.reversal_pause_ms - (at.0 - stopped.0)).max(0))
    }

    /// Told to go to `to` with a start at `start`.
    pub(crate) fn go(&mut self, product: &Product, to: Pose, at: Steady, start: Steady) {
        let from = self.pose(at);
        let takes = self.travel_ms(product, to, at);
        self.shorten(at);
        let stop = start.plus(takes);
        // From an unknown place the way is taken as coming from the other end.
        let from = from.unwrap_or(Pose {
            extension_pct: 100 - to.extension_pct.min(100),
            tilt_deg: to.tilt_deg,
        });
        self.run = Some(Run {
            start,
            stop,
            from,
            to,
        });
        self.target = Some(to);
        self.runs.push_back((start, stop));
        self.ran_ms += takes;
        if to.extension_pct == 0 || to.extension_pct == 100 {
            if from.extension_pct != to.extension_pct {
                self.moves = 0;
            }
        } else {
            self.moves = self.moves.saturating_add(1);
        }
        if let Some(budget) = product.budget {
            let horizon = start.0 - budget.window_ms;
            while self.runs.front().is_some_and(|(_, stop)| stop.0 <= horizon) {
                self.runs.pop_front();
            }
        } else {
            self.runs.clear();
        }
    }

    /// The end stop at which its position is to be found again before it goes to
    /// `to`: due after so many moves between the stops, and until it is there.
    pub(crate) fn reference(&self, product: &Product, to: Pose, at: Steady) -> Option<Pose> {
        let between = to.extension_pct > 0 && to.extension_pct < 100;
        let due = product.reference_after_moves > 0 && self.moves >= product.reference_after_moves;
        let under_way = self.referencing && self.run.is_some_and(|run| at < run.stop);
        if between && under_way {
            return self.target;
        }
        let stop = if to.extension_pct >= 50 { 100 } else { 0 };
        (between && due && self.target != Some(to)).then_some(Pose {
            extension_pct: stop,
            tilt_deg: to.tilt_deg,
        })
    }

    /// Running time within the duty window that ends at `at`, ms.
    pub(crate) fn used_ms(&self, product: &Product, at: Steady) -> i64 {
        let Some(budget) = product.budget else {
            return 0;
        };
        let from = at.0 - budget.window_ms;
        self.runs
            .iter()
            .map(|(start, stop)| (stop.0 - start.0.max(from)).max(0))
            .sum()
    }

    /// Whether comfort may run for `takes` ms and still leave one full travel.
    pub(crate) fn may_comfort(&self, product: &Product, takes: i64, at: Steady) -> bool {
        product.budget.is_none_or(|budget| {
            let reserve = product.extend_ms.max(product.retract_ms);
            self.used_ms(product, at) + takes + reserve <= budget.run_ms
        })
    }

    /// When so much of the window has passed that `takes` ms fit again.
    pub(crate) fn budget_recovers(
        &self,
        product: &Product,
        takes: i64,
        at: Steady,
    ) -> Option<Steady> {
        let budget = product.budget?;
        let reserve = product.extend_ms.max(product.retract_ms);
        let mut over = self.used_ms(product, at) + takes + reserve - budget.run_ms;
        for (start, stop) in &self.runs {
            let inside = (stop.0 - start.0.max(at.0 - budget.window_ms)).max(0);
            if over <= inside {
                let leaves = stop.0 - inside + over.max(0);
                return Some(Steady((leaves + budget.window_ms).max(at.0 + 1)));
            }
            over -= inside;
        }
        None
    }
}

/// Travel plus tilt time between two poses, ms. A change of extension ends with
/// a full turn of the slats to the new tilt.
#[must_use]
pub(crate) fn travel_ms(product: &Product, from: Pose, to: Pose) -> i64 {
    let change = i64::from(to.extension_pct) - i64::from(from.extension_pct);
    let travel = if change >= 0 {
        product.extend_ms * change / 100
    } else {
        product.retract_ms * -change / 100
    };
    let tilts = to.tilt_deg != from.tilt_deg || (change != 0 && to.tilt_deg.is_some());
    travel + if tilts { product.tilt_ms } else { 0 }
}

/// The starts on a feeder.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct FeederState {
    /// The latest starts, at most as many as may come at once.
    starts: VecDeque<Steady>,
}

impl FeederState {
    /// The earliest start not before `wanted` that keeps the stagger; takes it.
    pub(crate) fn book(&mut self, feeder: &Feeder, wanted: Steady) -> Steady {
        let at_once = usize::try_from(feeder.starts_at_once.max(1)).unwrap_or(1);
        let start = if self.starts.len() < at_once {
            wanted
        } else {
            self.starts
                .front()
                .map_or(wanted, |first| wanted.max(first.plus(feeder.stagger_ms)))
        };
        self.starts.push_back(start);
        while self.starts.len() > at_once {
            self.starts.pop_front();
        }
        start
    }
}

/// The pose as a product can take it: with a tilt for slats, without for others.
pub(crate) fn fit(pose: Pose, product: &Product) -> Pose {
    match (product.slats, pose.tilt_deg) {
        (Some(_), None) => Pose {
            tilt_deg: Some(0),
            ..pose
        },
        (None, Some(_)) => Pose {
            tilt_deg: None,
            ..pose
        },
        _ => pose,
    }
}

//! What the core believes of the drives: where each stands, when it arrives,
//! when it may start next.
//!
//! Positions are dead reckoning from travel times; a drive's own report always
//! wins, and a command that may not have arrived leaves the position unknown:
//! then any extension counts as a further one. Stagger and reversal pause are kept on every rank; the duty budget
//! stops hand and comfort while one full travel is still in reserve, so that
//! wind and fire wait only for pause and stagger.

use crate::confirm::Confirm;
use crate::ids::DeviceId;
use crate::model::{Feeder, Product};
use crate::pose::Pose;
pub(crate) use crate::pose::fit;
use crate::time::Steady;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// A run of a drive, from start to stop.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) struct Run {
    pub(crate) start: Steady,
    /// When the extension is reached; what remains is tilt.
    pub(crate) there: Steady,
    pub(crate) stop: Steady,
    /// `None`: from an unknown place.
    from: Option<Pose>,
    pub(crate) to: Pose,
}

impl Run {
    /// Whether it is known from where it goes: otherwise it may be there already.
    pub(crate) const fn knows_from(&self) -> bool {
        self.from.is_some()
    }

    /// +1 extends (or, from an unknown place, may extend), −1 retracts, 0 only tilts.
    fn way(&self) -> i8 {
        let to = self.to.extension_pct;
        self.from
            .map_or(if to == 0 { -1 } else { 1 }, |from| sign(from, self.to))
    }

    /// Where it is at `at`; `None`: nobody knows before it has arrived. Slats
    /// turn at the end of a travel, so the new tilt counts only on arrival.
    fn at(&self, at: Steady) -> Option<Pose> {
        if at >= self.stop {
            return Some(self.to);
        }
        let from = self.from?;
        if at <= self.start {
            return Some(from);
        }
        if at >= self.there {
            let extension_pct = self.to.extension_pct;
            return Some(Pose {
                extension_pct,
                ..from
            });
        }
        let (start, end) = (
            i64::from(from.extension_pct),
            i64::from(self.to.extension_pct),
        );
        let share = (end - start) * (at.0 - self.start.0) / (self.there.0 - self.start.0);
        Some(Pose {
            extension_pct: u8::try_from(start + share).unwrap_or(self.to.extension_pct),
            tilt_deg: from.tilt_deg,
        })
    }
}

/// +1 extends, −1 retracts, 0 neither.
fn sign(from: Pose, to: Pose) -> i8 {
    match to.extension_pct.cmp(&from.extension_pct) {
        core::cmp::Ordering::Greater => 1,
        core::cmp::Ordering::Less => -1,
        core::cmp::Ordering::Equal => 0,
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
    /// When it was last known to stop without a run known here.
    stopped: Option<Steady>,
    /// Whether the last command may not have arrived: nobody knows where it stands.
    unsure: bool,
    /// Whether it drew no power on a command, and has given no sign of moving since:
    /// nobody knows where it stands, whatever it was told.
    #[serde(default)]
    idle: bool,
    /// Told to halt, and not known to have halted.
    pub(crate) halted: bool,
    /// What is still to be heard of it. Kept beside it, as it was before they lay together.
    #[serde(skip)]
    pub(crate) confirm: Confirm,
    /// When it was last told anything that it has not answered.
    pub(crate) told: Option<Steady>,
    /// Runs within the duty window.
    runs: VecDeque<(Steady, Steady)>,
    /// Not less than the time of all of them, ms, so that mostly none need be looked at;
    /// `None`: not known.
    #[serde(skip)]
    runs_ms: Option<i64>,
    /// Moves between the end stops since the last time it ran into one.
    pub(crate) moves: u32,
    /// On its way to an end stop, to find its position again.
    pub(crate) referencing: bool,
    /// Running time ever, ms.
    pub(crate) ran_ms: i64,
    /// Travels ever.
    #[serde(default)]
    pub(crate) travels: u64,
}

impl DriveState {
    /// Where it is believed to be; `None`: nobody knows.
    pub(crate) fn pose(&self, at: Steady) -> Option<Pose> {
        if self.unsure || self.idle {
            return None;
        }
        self.run.map_or(self.stood, |run| run.at(at))
    }

    /// A drive of which nothing is known at `at`: it may have run until then.
    pub(crate) fn unknown(at: Steady) -> Self {
        Self {
            stopped: Some(at),
            ..Self::default()
        }
    }

    /// What it was told last may not have arrived.
    pub(crate) const fn lost(&mut self) {
        self.target = None;
        self.unsure = true;
    }

    /// It drew no power though it was to run: it did not go, and until it is seen to
    /// move, or says where it stands, nobody knows where that is. What it was told stays
    /// told.
    pub(crate) const fn drew_nothing(&mut self) {
        self.unsure = true;
        self.idle = true;
    }

    /// It draws power while it is to run: it goes where it was told.
    pub(crate) const fn draws(&mut self) {
        self.idle = false;
    }

    /// Whether it drew no power on a command, and has given no sign of moving since.
    pub(crate) const fn is_idle(&self) -> bool {
        self.idle
    }

    /// How long it has been halted, or known to stand, ms.
    pub(crate) fn rested_ms(&self, at: Steady) -> i64 {
        let since = self.stopped.max(self.run.map(|run| run.stop));
        since.map_or(i64::MAX, |since| at.0 - since.0)
    }

    /// Whether it is believed to run, and which way.
    pub(crate) fn moving(&self, at: Steady) -> Option<i8> {
        self.run.filter(|r| at < r.stop).map(|r| r.way())
    }

    /// The drive (or whoever sets it up) says where it stands.
    pub(crate) fn stands(&mut self, product: &Product, pose: Pose, at: Steady) {
        let ran = self.run.is_some_and(|run| run.start <= at);
        if ran || self.unsure || self.stood != Some(pose) {
            self.stopped = Some(at);
        }
        // One that waits for its start still goes the little way that is left, and what
        // whole percents hide of it.
        let left = self.run.filter(|run| at < run.start).map(|mut run| {
            let takes = travel_ms(product, pose, run.to) + full_ms(product) / 100;
            let stop = run.start.plus(takes);
            (run.from, run.there, run.stop) = (Some(pose), stop, stop);
            run
        });
        self.shorten(left.map_or(at, |run| run.stop));
        self.run = left;
        self.stood = Some(pose);
        self.unsure = false;
        self.idle = false;
        self.halted = false;
        self.told = None;
    }

    /// What it was told is no reason any more not to tell it again.
    pub(crate) const fn forget_target(&mut self) {
        self.target = None;
    }

    /// Halts where it is.
    pub(crate) fn halt(&mut self, at: Steady) {
        self.target = None;
        self.halted = true;
        self.told = Some(at);
        let Some(run) = self.run.filter(|run| at < run.stop) else {
            return;
        };
        self.shorten(at);
        if run.start <= at {
            self.stopped = Some(at);
        }
        match self.pose(at) {
            Some(here) => self.stood = Some(here),
            None => self.unsure = true,
        }
        self.run = None;
    }

    /// The last run ends here, if it would have gone on. One that is over, or was
    /// shortened before, is not looked at: the list lies elsewhere in memory.
    fn shorten(&mut self, at: Steady) {
        if self.run.is_none_or(|run| run.stop <= at) {
            return;
        }
        if let Some((start, stop)) = self.runs.back_mut()
            && *stop > at
        {
            let less = stop.0 - at.0.max(start.0);
            self.ran_ms -= less;
            self.runs_ms = self.runs_ms.map(|ms| ms.saturating_sub(less));
            *stop = at.max(*start);
        }
    }

    /// How long it takes from where it is to `to`, ms. From an unknown place, a full travel.
    pub(crate) fn travel_ms(&self, product: &Product, to: Pose, at: Steady) -> i64 {
        let Some(from) = self.pose(at) else {
            return full_ms(product);
        };
        travel_ms(product, from, to)
    }

    /// The least delay before it may start toward `to`: the reversal pause, and
    /// after a halt of the other way too. A drive that already runs that way
    /// goes on without a new start (`None`).
    pub(crate) fn pause_ms(&self, product: &Product, to: Pose, at: Steady) -> Option<i64> {
        let run = self.run.filter(|run| run.start <= at);
        let travels = run.filter(|run| at < run.there);
        if let (Some(run), Some(here)) = (travels, self.pose(at))
            && sign(here, to) == run.way()
            && run.way() != 0
        {
            return None;
        }
        // Whichever way it ran last: slats turn both ways at the end of a travel,
        // so the pause is kept before every start.
        let stopped = run.map(|run| run.stop.min(at)).max(self.stopped);
        let since = stopped.map_or(i64::MAX, |stopped| at.0 - stopped.0);
        Some((product.reversal_pause_ms.saturating_sub(since)).max(0))
    }

    /// Told to go to `to` with a start at `start`.
    pub(crate) fn go(&mut self, product: &Product, to: Pose, at: Steady, start: Steady) {
        let from = self.pose(at);
        let takes = from.map_or_else(|| full_ms(product), |from| travel_ms(product, from, to));
        if let Some(run) = self.run.filter(|run| run.start <= at) {
            self.stopped = self.stopped.max(Some(run.stop.min(at)));
        }
        self.shorten(at);
        let stop = start.plus(takes);
        self.run = Some(Run {
            start,
            there: from.map_or(stop, |from| start.plus(extension_ms(product, from, to))),
            stop,
            from,
            to,
        });
        self.target = Some(to);
        self.unsure = false;
        self.halted = false;
        self.told = Some(at);
        self.ran_ms = self.ran_ms.saturating_add(takes);
        self.travels = self.travels.saturating_add(1);
        if to.extension_pct == 0 || to.extension_pct == 100 {
            self.moves = 0;
        } else if from != Some(to) {
            self.moves = self.moves.saturating_add(1);
        }
        if let Some(budget) = product.budget {
            self.runs.push_back((start, stop));
            let horizon = start.0 - budget.window_ms;
            let time = |run: &(Steady, Steady)| run.1.0.saturating_sub(run.0.0).max(0);
            let mut ms = match self.runs_ms {
                Some(ms) => ms.saturating_add(takes),
                None => self.runs.iter().map(time).fold(0, i64::saturating_add),
            };
            while let Some(run) = self.runs.front()
                && run.1.0 <= horizon
            {
                ms -= time(run);
                self.runs.pop_front();
            }
            self.runs_ms = Some(ms);
        } else {
            self.runs.clear();
            self.runs_ms = None;
        }
    }

    /// Whether [`reference`](Self::reference) could ask for anything.
    pub(crate) const fn may_reference(&self) -> bool {
        self.referencing || self.moves > 0
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
        // No run ends after a later one, but for those that never began: from the
        // first that the window has left behind none counts any more.
        self.runs
            .iter()
            .rev()
            .take_while(|(_, stop)| stop.0 > from)
            .map(|(start, stop)| (stop.0 - start.0.max(from)).max(0))
            .sum()
    }

    /// Whether comfort may run for `takes` ms and still leave one full travel.
    pub(crate) fn may_comfort(&self, product: &Product, takes: i64, at: Steady) -> bool {
        product.budget.is_none_or(|budget| {
            let left = budget.run_ms - takes - full_ms(product);
            self.runs_ms.is_some_and(|most| most <= left) || self.used_ms(product, at) <= left
        })
    }

    /// Whether [`may_comfort`](Self::may_comfort) is sure to allow any travel, none of
    /// which takes longer than a full one. `false` says nothing.
    pub(crate) fn may_go_anywhere(&self, product: &Product) -> bool {
        product.budget.is_none_or(|budget| {
            let left = budget.run_ms - 2 * full_ms(product);
            self.runs_ms.is_some_and(|most| most <= left)
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
        let mut over = self.used_ms(product, at) + takes + full_ms(product) - budget.run_ms;
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

/// One full travel, ms.
const fn full_ms(product: &Product) -> i64 {
    let travel = if product.extend_ms > product.retract_ms {
        product.extend_ms
    } else {
        product.retract_ms
    };
    travel + turn_ms(product)
}

/// Turning the slats at the end of a travel, ms: it may be the other way.
const fn turn_ms(product: &Product) -> i64 {
    if product.tilt_ms > 0 {
        product.tilt_ms + product.reversal_pause_ms
    } else {
        0
    }
}

/// Travel plus tilt time between two poses, ms, at most. A change of extension
/// ends with a full turn of the slats to the new tilt.
#[must_use]
pub(crate) fn travel_ms(product: &Product, from: Pose, to: Pose) -> i64 {
    let changes = to.extension_pct != from.extension_pct;
    let turn = if changes && to.tilt_deg.is_some() {
        turn_ms(product)
    } else if to.tilt_deg != from.tilt_deg {
        product.tilt_ms
    } else {
        0
    };
    extension_ms(product, from, to) + turn
}

/// The part of it that changes the extension, ms.
fn extension_ms(product: &Product, from: Pose, to: Pose) -> i64 {
    let change = i64::from(to.extension_pct) - i64::from(from.extension_pct);
    if change >= 0 {
        (product.extend_ms * change + 99) / 100
    } else {
        (product.retract_ms * -change + 99) / 100
    }
}

/// The starts on a feeder.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct FeederState {
    /// The starts to come, and those that still count, in order of time.
    starts: Vec<(Steady, DeviceId)>,
}

impl FeederState {
    /// The earliest start not before `wanted` that keeps the stagger; takes it.
    /// A start of the same drive that was still to come is given up.
    pub(crate) fn book(
        &mut self,
        feeder: &Feeder,
        device: DeviceId,
        now: Steady,
        wanted: Steady,
    ) -> Steady {
        let over = |(at, _): &(Steady, DeviceId)| at.plus(feeder.stagger_ms) <= now;
        let gone = self.starts.iter().take_while(|start| over(start)).count();
        self.starts.drain(..gone);
        self.release(device, now);
        let start = if feeder.starts_at_once <= 1 {
            self.gap(feeder, wanted)
        } else {
            let after = self.starts.iter().map(|(at, _)| at.plus(feeder.stagger_ms));
            core::iter::once(wanted)
                .chain(after.filter(|at| *at > wanted))
                .find(|at| self.fits(feeder, *at))
                .unwrap_or(wanted)
        };
        let after = self.starts.iter().rev().take_while(|(at, _)| *at > start);
        let place = self.starts.len() - after.count();
        self.starts.insert(place, (start, device));
        start
    }

    /// The earliest moment from `wanted` on that is a stagger away from every start,
    /// where one may start at a time: past each start that is too near, in order.
    fn gap(&self, feeder: &Feeder, wanted: Steady) -> Steady {
        let mut at = wanted;
        for (start, _) in &self.starts {
            let clear = start.plus(feeder.stagger_ms);
            if clear > at {
                if start.0 >= at.0 + feeder.stagger_ms {
                    break;
                }
                at = clear;
            }
        }
        at
    }

    /// Whether one more start at `at` keeps the stagger with those before and after.
    fn fits(&self, feeder: &Feeder, at: Steady) -> bool {
        let at_once = usize::try_from(feeder.starts_at_once.max(1)).unwrap_or(1);
        let place = self.starts.partition_point(|(start, _)| *start <= at);
        // The starts as they would be, without making the list.
        let start = |index: usize| match index.cmp(&place) {
            core::cmp::Ordering::Less => self.starts[index].0,
            core::cmp::Ordering::Equal => at,
            core::cmp::Ordering::Greater => self.starts[index - 1].0,
        };
        (place.saturating_sub(at_once)..=place)
            .filter(|first| first + at_once <= self.starts.len())
            .all(|first| start(first + at_once).0 - start(first).0 >= feeder.stagger_ms)
    }

    /// Devices have other numbers now. The start of one that is no more was made, or
    /// given up, by whoever took it out.
    pub(crate) fn renumber(&mut self, device: impl Fn(DeviceId) -> Option<DeviceId>) {
        let starts = core::mem::take(&mut self.starts).into_iter();
        self.starts = starts
            .filter_map(|(at, old)| Some((at, device(old)?)))
            .collect();
    }

    /// The last start that it knows of.
    pub(crate) fn last_start(&self) -> Option<Steady> {
        self.starts.last().map(|(at, _)| *at)
    }

    /// A start that was still to come does not happen.
    pub(crate) fn release(&mut self, device: DeviceId, now: Steady) {
        // Nothing to come, nothing to give up.
        if self.starts.last().is_some_and(|(at, _)| *at > now) {
            self.starts.retain(|(at, d)| *d != device || *at <= now);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Budget, Kind, Refuges};

    fn product() -> Product {
        Product {
            name: "blind".to_owned(),
            kind: Kind::Screen,
            extend_ms: 50_000,
            retract_ms: 60_000,
            tilt_ms: 0,
            slats: None,
            wind_limit_mps: 10.0,
            wind_limit_source: "made up for this test".to_owned(),
            refuge: Refuges {
                wind: Pose::RETRACTED,
                hail: None,
                ice: None,
                rain: None,
            },
            reversal_pause_ms: 500,
            budget: Some(Budget {
                run_ms: 240_000,
                window_ms: 1_200_000,
            }),
            reference_after_moves: 0,
            endurance_cycles: None,
            g_total: None,
        }
    }

    /// Whatever a drive does: what is known of its runs' time together spares a look at
    /// the runs and never changes the answer, and a run is shortened as by going
    /// through all of them.
    #[test]
    fn the_budget_is_what_the_runs_say() {
        let product = product();
        let (mut drive, mut now) = (DriveState::unknown(Steady(0)), Steady(0));
        let mut drawn = 3_u64;
        let mut draw = |below: u64| {
            drawn = drawn
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            i64::try_from((drawn >> 33) % below).unwrap()
        };
        let (mut may, mut may_not, mut spared) = (0, 0, 0);
        for _ in 0..20_000 {
            now = now.plus(draw(2) * draw(600_000));
            let to = Pose::extension(u8::try_from(draw(101)).unwrap());
            match draw(6) {
                0 => drive.halt(now),
                1 => drive.stands(&product, to, now),
                2 => drive.lost(),
                _ => drive.go(&product, to, now, now.plus(draw(3) * draw(9_000))),
            }
            let over = |(_, stop): &&(Steady, Steady)| *stop > now;
            let cut = drive.runs.iter().rev().skip(1).find(over);
            // But for one that never began none but the last goes on.
            assert!(cut.is_none_or(|(start, stop)| start == stop));
            let takes = draw(60_000);
            let mut plain = drive.clone();
            plain.runs_ms = None;
            let answer = plain.may_comfort(&product, takes, now);
            assert_eq!(drive.may_comfort(&product, takes, now), answer);
            assert!(answer || takes > full_ms(&product) || !drive.may_go_anywhere(&product));
            assert!(drive.travel_ms(&product, to, now) <= full_ms(&product));
            let left = 240_000 - takes - full_ms(&product);
            spared += u32::from(drive.runs_ms.is_some_and(|most| most <= left));
            (may, may_not) = (may + u32::from(answer), may_not + u32::from(!answer));
        }
        assert!(may > 1_000 && may_not > 1_000, "{may} {may_not}");
        assert!(spared > may / 4, "{spared} of {may}");
    }
}

//! One drive: what it was told, where it is on the way, what it believes.

use crate::fault::{Fault, Supply};
use crate::leg::{Leg, Part, Stand, WHOLE_PPM, Way, time_for};
use leeside_core::model::{Device, Product};
use leeside_core::pose::Pose;

/// What a drive has done so far.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Usage {
    /// Time run, ms.
    pub run_ms: i64,
    /// Starts of the motor.
    pub starts: u32,
    /// Starts the other way than the last run.
    pub reversals: u32,
    /// Reversals that would have come within the reversal pause, had the drive
    /// not waited by itself.
    pub hasty: u32,
    /// Way travelled, millionths of the whole travel (a cycle out and in is 2 000 000).
    pub travel_ppm: i64,
    /// Angle turned, thousandths of a degree.
    pub turned_mdeg: i64,
}

/// Numbers of the product that movement needs.
#[derive(Clone, Copy, Debug)]
struct Make {
    extend_ms: i64,
    retract_ms: i64,
    tilt_ms: i64,
    tilt_range_mdeg: Option<(i64, i64)>,
    pause_ms: i64,
}

impl Make {
    fn of(product: &Product, instant: bool) -> Self {
        let tilt_range_mdeg = tilt_range_mdeg(product);
        let tilt_range_mdeg = tilt_range_mdeg.map(|(a, b)| (i64::from(a), i64::from(b)));
        let time = |ms: i64| if instant { 0 } else { ms.max(0) };
        Self {
            extend_ms: time(product.extend_ms),
            retract_ms: time(product.retract_ms),
            tilt_ms: time(product.tilt_ms),
            tilt_range_mdeg,
            pause_ms: time(product.reversal_pause_ms),
        }
    }

    fn leg_ms(&self, part: Part, from: i64, to: i64) -> i64 {
        match part {
            Part::Extension => {
                let whole_ms = if to >= from {
                    self.extend_ms
                } else {
                    self.retract_ms
                };
                time_for(to - from, WHOLE_PPM, whole_ms)
            }
            Part::Tilt => {
                let (least, greatest) = self.tilt_range_mdeg.unwrap_or((0, 0));
                time_for(to - from, greatest - least, self.tilt_ms)
            }
        }
    }
}

/// Between which limits the slats turn, thousandths of a degree.
pub(crate) fn tilt_range_mdeg(product: &Product) -> Option<(i32, i32)> {
    let (least, greatest) = product.slats?.tilt_limits_deg();
    Some((thousandths(least), thousandths(greatest)))
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "slat tilts lie within -90..90 degrees by construction"
)]
fn thousandths(degrees: f64) -> i32 {
    (degrees * 1_000.0).round() as i32
}

/// What a drive draws while it runs, W: the middle of what its evidence states.
pub(crate) fn power_w(device: &Device) -> Option<f64> {
    let evidence = device.drive.evidence?;
    Some(f64::midpoint(evidence.running_from_w, evidence.too_much_w))
}

/// A run: up to two legs, and what will be true at its end.
#[derive(Clone, Copy, Debug)]
struct Run {
    legs: [Option<Leg>; 2],
    target: Pose,
    started: bool,
    /// The error that counts once it has arrived.
    error_ppm: i64,
}

impl Run {
    fn start_ms(&self) -> Option<i64> {
        self.legs[0].map(|leg| leg.from_ms)
    }

    fn end_ms(&self) -> Option<i64> {
        self.legs.iter().flatten().last().map(|leg| leg.to_ms)
    }

    fn way_at(&self, ms: i64) -> Option<Way> {
        self.legs
            .iter()
            .flatten()
            .rfind(|leg| leg.from_ms <= ms)
            .map(Leg::way)
    }
}

/// What happened to a drive at its next moment.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Step {
    Started,
    Arrived,
}

/// One drive.
#[derive(Clone, Debug)]
pub(crate) struct Motor {
    make: Make,
    pub(crate) feeder: usize,
    pub(crate) power_w: Option<f64>,
    /// Whether anything tells where it stands.
    pub(crate) reports: bool,
    pub(crate) fault: Option<Fault>,
    /// Where it really stands, when it does not run.
    rest: Stand,
    /// Where it believes to stand; differs from `rest` by drift.
    believed: Pose,
    error_ppm: i64,
    /// Not in its place: an ideal drive never has one, and all drives are gone through.
    run: Option<Box<Run>>,
    last: Option<(Way, i64)>,
    /// The last command it took, to know a copy of it.
    pub(crate) sequence: Option<u64>,
    usage: Usage,
}

impl Motor {
    pub(crate) fn new(device: &Device, product: &Product, instant: bool) -> Self {
        let make = Make::of(product, instant);
        let tilt = make
            .tilt_range_mdeg
            .map(|(least, greatest)| 0.clamp(least, greatest));
        let rest = Stand {
            extension_ppm: 0,
            tilt_mdeg: tilt,
        };
        Self {
            make,
            feeder: device.drive.feeder.index(),
            power_w: power_w(device),
            reports: device.drive.reports,
            fault: None,
            rest,
            believed: rest.pose(),
            error_ppm: 0,
            run: None,
            last: None,
            sequence: None,
            usage: Usage::default(),
        }
    }

    /// Puts it somewhere by hand; only while it stands.
    pub(crate) fn put(&mut self, pose: Pose) {
        self.rest = self.within_reach(Stand::of(pose), self.rest);
        self.believed = self.rest.pose();
        self.error_ppm = 0;
        self.run = None;
    }

    /// Where it really is at a moment not before the last one it was told of.
    pub(crate) fn stand(&self, ms: i64) -> Stand {
        let mut stand = self.rest;
        for leg in self.run.iter().flat_map(|run| run.legs.iter().flatten()) {
            match leg.part {
                Part::Extension => stand.extension_ppm = leg.at(ms),
                Part::Tilt => stand.tilt_mdeg = Some(leg.at(ms)),
            }
        }
        stand
    }

    /// Where it says it is.
    pub(crate) fn says(&self, ms: i64) -> Pose {
        if self.running() {
            let mut stand = self.stand(ms);
            if !stand.at_end_stop() {
                stand.extension_ppm -= self.error_ppm;
            }
            stand.pose()
        } else {
            self.believed
        }
    }

    pub(crate) fn usage(&self, ms: i64) -> Usage {
        let mut usage = self.usage;
        if let Some(run) = &self.run {
            count_legs(&mut usage, run, ms);
        }
        usage
    }

    pub(crate) fn running(&self) -> bool {
        self.run.as_ref().is_some_and(|run| run.started)
    }

    /// The next moment at which something happens to it.
    pub(crate) fn next_ms(&self) -> Option<i64> {
        let run = self.run.as_ref()?;
        if run.started {
            run.end_ms()
        } else {
            run.start_ms()
        }
    }

    /// Does what is due at its next moment.
    pub(crate) fn step(&mut self) -> Option<Step> {
        let run = self.run.as_mut()?;
        if run.started {
            let end = run.end_ms()?;
            self.settle(end);
            Some(Step::Arrived)
        } else {
            run.started = true;
            let (way, start) = (run.way_at(run.start_ms()?)?, run.start_ms()?);
            let other_way = self.last.is_some_and(|(last, _)| last != way);
            self.usage.starts += 1;
            self.usage.reversals += u32::from(other_way);
            self.last = Some((way, start));
            Some(Step::Started)
        }
    }

    /// Ends the run where it is at `ms`, arrived or not.
    pub(crate) fn settle(&mut self, ms: i64) {
        let Some(run) = self.run.as_deref().copied() else {
            return;
        };
        if run.started {
            let arrived = run.end_ms().is_some_and(|end| ms >= end);
            let mut usage = self.usage;
            count_legs(&mut usage, &run, ms);
            self.usage = usage;
            let stand = self.stand(ms);
            if let Some(way) = run.way_at(ms) {
                self.last = Some((way, ms));
            }
            if arrived {
                self.believed = run.target;
                self.error_ppm = run.error_ppm;
            } else {
                self.believed = self.says(ms);
            }
            if stand.at_end_stop() {
                self.error_ppm = 0;
            }
            self.rest = stand;
        }
        self.run = None;
    }

    /// Takes an order at `ms`: go to `pose`, not starting before `ms + delay_ms`.
    /// Answers whether it moves (or will).
    pub(crate) fn go(&mut self, ms: i64, pose: Pose, delay_ms: i64, supply: Supply) -> bool {
        let here = self.stand(ms);
        let wanted = Pose {
            extension_pct: pose.extension_pct.min(100),
            tilt_deg: self.make.tilt_range_mdeg.and(pose.tilt_deg),
        };
        let mut goal = self.within_reach(Stand::of(wanted), here);
        let drift = match self.fault {
            Some(Fault::Drifting { ppm_per_move }) if !goal.at_end_stop() => {
                if goal.extension_ppm == Stand::of(self.says(ms)).extension_ppm {
                    0
                } else {
                    i64::from(ppm_per_move)
                }
            }
            _ => 0,
        };
        let error_ppm = if goal.at_end_stop() {
            0
        } else {
            self.error_ppm + drift
        };
        goal.extension_ppm = (goal.extension_ppm + error_ppm).clamp(0, WHOLE_PPM);

        let goes_on = self
            .run
            .as_ref()
            .is_some_and(|run| goes_on(run, ms, here, goal));
        self.settle(ms);
        let earliest = if goes_on {
            ms
        } else {
            self.earliest_start(ms, delay_ms, first_way(here, goal))
        };
        let target = Pose {
            tilt_deg: wanted.tilt_deg.or(self.believed.tilt_deg),
            ..wanted
        };
        let legs = self.legs(earliest, here, goal, self.percent(supply));
        if legs[0].is_none() {
            self.believed = target;
            self.error_ppm = error_ppm;
            return false;
        }
        self.run = Some(Box::new(Run {
            legs,
            target,
            started: goes_on,
            error_ppm,
        }));
        true
    }

    /// As [`go`](Self::go) at once, with all its steps, for a device that takes no
    /// time, has no fault and is not on its way: whether it moved.
    pub(crate) fn jump(&mut self, ms: i64, pose: Pose) -> bool {
        let here = self.rest;
        let wanted = Pose {
            extension_pct: pose.extension_pct.min(100),
            tilt_deg: self.make.tilt_range_mdeg.and(pose.tilt_deg),
        };
        let mut goal = self.within_reach(Stand::of(wanted), here);
        let error_ppm = if goal.at_end_stop() {
            0
        } else {
            self.error_ppm
        };
        goal.extension_ppm = (goal.extension_ppm + error_ppm).clamp(0, WHOLE_PPM);
        self.believed = Pose {
            tilt_deg: wanted.tilt_deg.or(self.believed.tilt_deg),
            ..wanted
        };
        self.error_ppm = error_ppm;
        let travel = goal.extension_ppm - here.extension_ppm;
        let turn = goal.tilt_mdeg.unwrap_or(0) - here.tilt_mdeg.unwrap_or(0);
        if travel == 0 && turn == 0 {
            return false;
        }
        // Both are over in the same moment: the later leg's way is the last.
        let last = if turn == 0 { travel } else { turn };
        let way = if last > 0 { Way::Out } else { Way::In };
        self.usage.starts += 1;
        self.usage.reversals += u32::from(self.last.is_some_and(|(last, _)| last != way));
        self.usage.travel_ppm += travel.abs();
        self.usage.turned_mdeg += turn.abs();
        self.last = Some((way, ms));
        if goal.at_end_stop() {
            self.error_ppm = 0;
        }
        self.rest = goal;
        true
    }

    /// Whether it can [`jump`](Self::jump).
    pub(crate) const fn may_jump(&self) -> bool {
        self.fault.is_none() && self.run.is_none()
    }

    /// Plans the rest of its run anew, after its speed changed.
    pub(crate) fn replan(&mut self, ms: i64, supply: Supply) {
        if let Some(run) = self.run.as_deref().copied() {
            let delay = if run.started {
                0
            } else {
                run.start_ms().map_or(0, |start| start - ms)
            };
            self.go(ms, run.target, delay.max(0), supply);
        }
    }

    /// When it may start: as asked, but never within the reversal pause.
    fn earliest_start(&mut self, ms: i64, delay_ms: i64, way: Option<Way>) -> i64 {
        let asked = ms.saturating_add(delay_ms);
        match (self.last, way) {
            (Some((last, stopped)), Some(way)) if last != way => {
                let pause_over = stopped.saturating_add(self.make.pause_ms);
                self.usage.hasty += u32::from(pause_over > asked);
                asked.max(pause_over)
            }
            _ => asked,
        }
    }

    fn percent(&self, supply: Supply) -> i64 {
        let own = match self.fault {
            Some(Fault::Slow { percent }) => i64::from(percent.max(1)),
            Some(Fault::Dead | Fault::Jammed | Fault::Drifting { .. }) | None => 100,
        };
        match supply {
            Supply::Slow { percent } => own * i64::from(percent.max(1)) / 100,
            Supply::Normal | Supply::Tripped => own,
        }
    }

    fn legs(&self, start: i64, here: Stand, goal: Stand, percent: i64) -> [Option<Leg>; 2] {
        let leg = |part, from_ms: i64, from, to| {
            let ms = self.make.leg_ms(part, from, to);
            let ms = if percent == 100 {
                ms
            } else {
                i64::try_from((i128::from(ms) * i128::from(percent) + 99) / 100).unwrap_or(i64::MAX)
            };
            Leg {
                part,
                from_ms,
                to_ms: from_ms.saturating_add(ms),
                from,
                to,
            }
        };
        let mut legs = [None; 2];
        let mut at = start;
        if goal.extension_ppm != here.extension_ppm {
            let first = leg(Part::Extension, at, here.extension_ppm, goal.extension_ppm);
            at = first.to_ms;
            legs[0] = Some(first);
        }
        if let (Some(from), Some(to)) = (here.tilt_mdeg, goal.tilt_mdeg)
            && from != to
        {
            let way = if to >= from { Way::Out } else { Way::In };
            if legs[0].is_some_and(|first| first.way() != way) {
                at = at.saturating_add(self.make.pause_ms);
            }
            let slot = usize::from(legs[0].is_some());
            legs[slot] = Some(leg(Part::Tilt, at, from, to));
        }
        legs
    }

    /// A place the device can be in: no tilt without slats, within its range;
    /// a tilt not asked for stays.
    fn within_reach(&self, goal: Stand, here: Stand) -> Stand {
        let tilt_mdeg = self.make.tilt_range_mdeg.map(|(least, greatest)| {
            goal.tilt_mdeg
                .or(here.tilt_mdeg)
                .unwrap_or(0)
                .clamp(least, greatest)
        });
        Stand {
            extension_ppm: goal.extension_ppm.clamp(0, WHOLE_PPM),
            tilt_mdeg,
        }
    }
}

fn count_legs(usage: &mut Usage, run: &Run, ms: i64) {
    if !run.started {
        return;
    }
    for leg in run.legs.iter().flatten() {
        usage.run_ms += leg.run_ms(ms);
        let way = (leg.at(ms) - leg.from).abs();
        match leg.part {
            Part::Extension => usage.travel_ppm += way,
            Part::Tilt => usage.turned_mdeg += way,
        }
    }
}

/// The way a run from `here` to `goal` begins; `None` where there is none to go.
fn first_way(here: Stand, goal: Stand) -> Option<Way> {
    let (from, to) = if goal.extension_ppm == here.extension_ppm {
        (here.tilt_mdeg.unwrap_or(0), goal.tilt_mdeg.unwrap_or(0))
    } else {
        (here.extension_ppm, goal.extension_ppm)
    };
    match to.cmp(&from) {
        core::cmp::Ordering::Less => Some(Way::In),
        core::cmp::Ordering::Equal => None,
        core::cmp::Ordering::Greater => Some(Way::Out),
    }
}

/// Whether a drive on this run can go on to `goal` without a stop: it runs that
/// way already, with the part that the new run would begin with.
fn goes_on(run: &Run, ms: i64, here: Stand, goal: Stand) -> bool {
    let wanted = if goal.extension_ppm == here.extension_ppm {
        Part::Tilt
    } else {
        Part::Extension
    };
    let present = run
        .legs
        .iter()
        .flatten()
        .rfind(|leg| leg.from_ms <= ms && ms < leg.to_ms);
    run.started
        && present.is_some_and(|leg| leg.part == wanted && first_way(here, goal) == Some(leg.way()))
}

//! All drives of a site, and the moments at which something happens to them.

use crate::drive::{Motor, Step, Usage};
use crate::fault::{Fault, Supply};
use crate::leg::Stand;
use leeside_core::ids::{DeviceId, FeederId};
use leeside_core::input::{DriveState, Report};
use leeside_core::model::Model;
use leeside_core::output::Command;
use leeside_core::pose::Pose;
use leeside_core::time::{Now, Steady};
use std::collections::{BTreeSet, VecDeque};

/// A report and the moment at which it is made.
#[derive(Clone, PartialEq, Debug)]
pub struct Told {
    /// When.
    pub at: Steady,
    /// What.
    pub report: Report,
}

/// Something happened to a drive, whether anybody is told of it or not.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Happened {
    /// When.
    pub at: Steady,
    /// To which device.
    pub device: DeviceId,
    /// Whether it runs from then on.
    pub moving: bool,
    /// Where it really stands at that moment.
    pub stand: Stand,
}

/// The drives of a site.
///
/// Feed commands with [`handle`](Self::handle), let time pass with
/// [`advance`](Self::advance), and drain [`poll`](Self::poll) after each. Time
/// never goes back: a moment before the last one counts as the last one.
#[derive(Clone, Debug)]
pub struct Plant {
    motors: Vec<Motor>,
    supplies: Vec<Supply>,
    now: i64,
    /// The next moment of each drive that has one.
    due: BTreeSet<(i64, usize)>,
    told: VecDeque<Told>,
    /// What happened, for a watcher; `None` where nobody watches.
    happened: Option<VecDeque<Happened>>,
    instant: bool,
    /// Drives that arrive at once; empty between commands.
    arrived: Vec<usize>,
}

impl Plant {
    /// A plant in working order with every device retracted and slats level.
    #[must_use]
    pub fn new(model: &Model, now: Now) -> Self {
        Self::with(model, now, false)
    }

    /// A plant whose drives are where they were told to be at once, whatever
    /// the start delay: for asking what was decided rather than what it took.
    #[must_use]
    pub fn ideal(model: &Model, now: Now) -> Self {
        Self::with(model, now, true)
    }

    fn with(model: &Model, now: Now, instant: bool) -> Self {
        let motors = model
            .devices
            .iter()
            .map(|device| Motor::new(device, model.product(device.product), instant));
        Self {
            motors: motors.collect(),
            supplies: vec![Supply::Normal; model.feeders.len()],
            now: now.steady.0,
            due: BTreeSet::new(),
            told: VecDeque::new(),
            happened: None,
            instant,
            arrived: Vec::new(),
        }
    }

    /// From now on keeps what happens to every drive for
    /// [`happened`](Self::happened), which has to be drained: what really
    /// happens, also to drives that report nothing or report wrongly.
    pub fn watch(&mut self) {
        self.happened.get_or_insert_default();
    }

    /// The next thing that happened to a watched plant, oldest first.
    pub fn happened(&mut self) -> Option<Happened> {
        self.happened.as_mut()?.pop_front()
    }

    /// Puts a device somewhere, as if by hand before the story begins. Says nothing.
    pub fn put(&mut self, device: DeviceId, pose: Pose) {
        self.forget_due(device.index());
        if let Some(motor) = self.motors.get_mut(device.index()) {
            motor.put(pose);
        }
    }

    /// A command arrives. A command that comes too late is refused; a copy of
    /// the last one changes nothing.
    pub fn handle(&mut self, now: Now, command: &Command) {
        self.advance(now);
        let ms = self.now;
        let mut arrived = std::mem::take(&mut self.arrived);
        for order in &command.orders {
            let index = order.device.index();
            let Some(supply) = self.supply_of(index) else {
                continue;
            };
            let motor = &mut self.motors[index];
            if supply == Supply::Tripped
                || motor.fault == Some(Fault::Dead)
                || motor.sequence == Some(command.sequence)
            {
                continue;
            }
            motor.sequence = Some(command.sequence);
            if now.wall > command.not_after {
                self.tell(index, ms, DriveState::Refused);
                continue;
            }
            if motor.fault == Some(Fault::Jammed) {
                self.tell(index, ms, DriveState::Fault);
                continue;
            }
            // What ends in the moment it begins needs no place among what is due.
            if let Some(pose) = order.pose
                && self.instant
                && supply == Supply::Normal
                && motor.may_jump()
            {
                if motor.jump(ms, pose) {
                    arrived.push(index);
                } else {
                    self.tell(index, ms, DriveState::Standing);
                }
                continue;
            }
            let was_running = motor.running();
            if let Some(at) = motor.next_ms() {
                self.due.remove(&(at, index));
            }
            let moves = match order.pose {
                None => {
                    motor.settle(ms);
                    false
                }
                Some(pose) => {
                    let delay = if self.instant {
                        0
                    } else {
                        i64::from(order.start_delay_ms)
                    };
                    motor.go(ms, pose, delay, supply)
                }
            };
            let mut next = motor.next_ms();
            // Nor what does so in spite of a fault.
            if self.instant && moves && next == Some(ms) {
                while next == Some(ms) {
                    motor.step();
                    next = motor.next_ms();
                }
                arrived.push(index);
            }
            let still_running = motor.running();
            if let Some(at) = next {
                self.due.insert((at, index));
            }
            // Not a word from one that waits for its start; it will tell when it starts.
            if !moves || (was_running && !still_running) {
                self.tell(index, ms, DriveState::Standing);
            } else if still_running {
                self.tell(index, ms, DriveState::Moving);
            }
        }
        // In the order in which they would come from among what is due.
        arrived.sort_unstable();
        for index in arrived.drain(..) {
            self.tell(index, ms, DriveState::Standing);
        }
        self.arrived = arrived;
        self.advance(now);
    }

    /// Lets time pass.
    pub fn advance(&mut self, now: Now) {
        let until = now.steady.0.max(self.now);
        while let Some(&(at, index)) = self.due.first()
            && at <= until
        {
            self.due.pop_first();
            let motor = &mut self.motors[index];
            let step = motor.step();
            if let Some(next) = motor.next_ms() {
                self.due.insert((next, index));
            }
            match step {
                // What ends in the moment it starts needs no word of its start.
                Some(Step::Started) if motor.next_ms() == Some(at) => {}
                Some(Step::Started) => self.tell(index, at, DriveState::Moving),
                Some(Step::Arrived) => self.tell(index, at, DriveState::Standing),
                None => {}
            }
        }
        self.now = until;
    }

    /// The next report, oldest first.
    pub fn poll(&mut self) -> Option<Told> {
        self.told.pop_front()
    }

    /// The next moment at which something begins or ends.
    #[must_use]
    pub fn next(&self) -> Option<Steady> {
        self.due.first().map(|(at, _)| Steady(*at))
    }

    /// Where a device really stands at a moment (not before the last one this
    /// plant was told of); `None` for a device it does not have.
    #[must_use]
    pub fn stand(&self, device: DeviceId, at: Steady) -> Option<Stand> {
        Some(self.motors.get(device.index())?.stand(at.0.max(self.now)))
    }

    /// The nearest pose to where a device really stands.
    #[must_use]
    pub fn pose(&self, device: DeviceId, at: Steady) -> Option<Pose> {
        self.stand(device, at).map(Stand::pose)
    }

    /// What a drive has done by a moment (not before the last one this plant
    /// was told of).
    #[must_use]
    pub fn usage(&self, device: DeviceId, at: Steady) -> Option<Usage> {
        Some(self.motors.get(device.index())?.usage(at.0.max(self.now)))
    }

    /// Electrical energy a drive has used by a moment, Wh: running time at the
    /// middle of the running power its evidence states; `None` where it states none.
    #[must_use]
    pub fn energy_wh(&self, device: DeviceId, at: Steady) -> Option<f64> {
        let power = self.motors.get(device.index())?.power_w?;
        let run_ms = u32::try_from(self.usage(device, at)?.run_ms).unwrap_or(u32::MAX);
        Some(power * f64::from(run_ms) / 3_600_000.0)
    }

    /// A drive breaks, or is mended (`None`). A drive that runs stops, except
    /// where the fault is only about its speed or its stops.
    pub fn set_fault(&mut self, now: Now, device: DeviceId, fault: Option<Fault>) {
        self.advance(now);
        let (ms, index) = (self.now, device.index());
        let Some(supply) = self.supply_of(index) else {
            return;
        };
        self.forget_due(index);
        let motor = &mut self.motors[index];
        motor.fault = fault;
        if supply == Supply::Tripped {
            return;
        }
        match fault {
            Some(Fault::Dead) => {
                motor.settle(ms);
                self.note(index, ms);
            }
            Some(Fault::Jammed) => {
                motor.settle(ms);
                self.tell(index, ms, DriveState::Fault);
            }
            Some(Fault::Slow { .. } | Fault::Drifting { .. }) | None => motor.replan(ms, supply),
        }
        self.renew_due(index);
    }

    /// A feeder changes. When voltage returns its drives stand and say so.
    pub fn set_supply(&mut self, now: Now, feeder: FeederId, supply: Supply) {
        self.advance(now);
        let ms = self.now;
        let Some(before) = self.supplies.get(feeder.index()).copied() else {
            return;
        };
        self.supplies[feeder.index()] = supply;
        for index in 0..self.motors.len() {
            if self.motors[index].feeder != feeder.index() {
                continue;
            }
            self.forget_due(index);
            let motor = &mut self.motors[index];
            if supply == Supply::Tripped {
                motor.settle(ms);
                self.note(index, ms);
            } else {
                motor.replan(ms, supply);
                if before == Supply::Tripped && motor.fault != Some(Fault::Dead) {
                    self.tell(index, ms, DriveState::Standing);
                }
            }
            self.renew_due(index);
        }
    }

    fn supply_of(&self, index: usize) -> Option<Supply> {
        self.supplies.get(self.motors.get(index)?.feeder).copied()
    }

    fn forget_due(&mut self, index: usize) {
        if let Some(at) = self.motors.get(index).and_then(Motor::next_ms) {
            self.due.remove(&(at, index));
        }
    }

    fn renew_due(&mut self, index: usize) {
        if let Some(at) = self.motors[index].next_ms() {
            self.due.insert((at, index));
        }
    }

    fn tell(&mut self, index: usize, ms: i64, state: DriveState) {
        self.note(index, ms);
        let motor = &self.motors[index];
        if !motor.reports {
            return;
        }
        let running = state == DriveState::Moving;
        let report = Report {
            device: DeviceId::of(index),
            sequence: motor.sequence,
            state,
            pose: Some(motor.says(ms)),
            power_w: motor.power_w.map(|power| if running { power } else { 0.0 }),
        };
        self.told.push_back(Told {
            at: Steady(ms),
            report,
        });
    }

    /// Keeps what happened for a watcher.
    fn note(&mut self, index: usize, ms: i64) {
        let motor = &self.motors[index];
        if let Some(happened) = &mut self.happened {
            let (moving, stand) = (motor.running(), motor.stand(ms));
            happened.push_back(Happened {
                at: Steady(ms),
                device: DeviceId::of(index),
                moving,
                stand,
            });
        }
    }
}

//! Carrying out a verdict: which drives have to move, when each may start, and
//! whether they did.

use super::{Core, stale_bits};
use crate::drives::fit;
use crate::ids::{DeviceId, GroupId};
use crate::input::{DriveState as Says, Report};
use crate::model::Model;
use crate::output::{AlarmWord, Command, Course, Exception, Order, Output, Verdict, WakeFor, Word};
use crate::pose::Pose;
use crate::reason::{Because, DriveTrouble};
use crate::time::{Now, SECOND, Steady, Wall, earlier};

/// How often a command without its answer is sent again before the alarm.
const RETRIES: u8 = 2;
/// How far a reported extension may lie from the target, %, and a tilt, degrees.
const TOLERANCE: (u8, i16) = (3, 10);

impl Core {
    /// Sends what a verdict asks of the drives that do not do it yet.
    pub(super) fn carry_out(&mut self, model: &Model, verdict: &Verdict, repeat: bool) {
        let group = verdict.group;
        let now = self.now;
        let mut orders = Vec::with_capacity(model.group(group).devices.len());
        let mut exposed = None;
        // Whether only devices move that do not follow their group, and whether any
        // has to move at all, as far as is known.
        let (mut only, mut moves) = (true, false);
        for &device in &model.group(group).devices {
            let exception = verdict.exceptions.iter().find(|e| e.device == device);
            let (course, word) = exception.map_or((&verdict.course, verdict.decided_by), |e| {
                (&e.course, e.word)
            });
            let because = exception.map_or(&verdict.because, |e| &e.because);
            let order = match course {
                Course::To(pose) => {
                    let there = self.is_there(device, *pose);
                    // Where it does not report it may in truth be further in.
                    let leave = there && self.may_be_elsewhere(device, *pose);
                    if leave
                        && self
                            .forbids_extension(group, device, word, because)
                            .is_some()
                    {
                        continue;
                    }
                    let anew = repeat || word.is_guard() && self.may_try(device);
                    let order = self.go(model, device, *pose, anew);
                    moves |= order.is_some() && !there;
                    order
                }
                Course::Hold => {
                    let order = self.hold(device, word, because, repeat);
                    moves |= order.is_some();
                    order
                }
            };
            if order.is_some() {
                only &= exception.is_some();
                let reference =
                    exception.is_some_and(|e| matches!(e.because, Because::Reference { .. }));
                self.drives[device.index()].referencing = reference;
                if let (true, Some(run)) = (reference, self.drives[device.index()].run) {
                    self.look_again(device, run.stop);
                }
            }
            if let Some(order) = order {
                orders.push(order);
            }
            let guard = verdict.decided_by.is_guard();
            if let (true, Some(exception), Course::Hold) = (guard, exception, course)
                && verdict.course != Course::Hold
                && self.harmed(device, exception.word)
            {
                exposed.get_or_insert_with(|| exception.because.clone());
            }
            if self.given_way_to(device, verdict.decided_by, word) {
                exposed.get_or_insert(Because::RefugeWouldExtend);
            }
            let spent = exception.filter(|e| matches!(e.because, Because::DutySpent { .. }));
            if spent.is_some() {
                self.await_budget(group, device, &verdict.course);
            }
            self.duty_alarm(device, spent.map(|e| e.because.clone()));
        }
        self.refuge_alarm(group, exposed);
        if orders.is_empty() {
            return;
        }
        orders.sort_by_key(|order| order.start_delay_ms);
        self.sequence = self.sequence.saturating_add(1);
        let pose = match verdict.course {
            Course::To(pose) => pose,
            Course::Hold => self.present(group),
        };
        // A command that only exceptions move says what decided those.
        let ordered = |e: &&Exception| orders.iter().any(|order| order.device == e.device);
        let (decided_by, because) = match verdict.exceptions.iter().find(ordered) {
            Some(first) if only => (first.word, first.because.clone()),
            _ => (verdict.decided_by, verdict.because.clone()),
        };
        self.say(Output::Command(Command {
            sequence: self.sequence,
            group,
            at: now,
            not_after: self.made(now).plus(model.policy.command_lifetime_ms),
            pose,
            orders,
            decided_by,
            because,
            lost: verdict.lost.clone(),
            release: verdict.release,
            repeat: repeat || !moves,
        }));
    }

    /// Whether a device is believed to stand in a pose.
    fn is_there(&self, device: DeviceId, pose: Pose) -> bool {
        let product = self.topology.hangs[device.index()].product;
        let fitted = fit(pose, self.model.product(product));
        let (drive, now) = (&self.drives[device.index()], self.now.steady);
        drive.pose(now) == Some(fitted) && drive.moving(now).is_none()
    }

    /// Whether nobody can say that it is not further in than it is believed to be.
    fn may_be_elsewhere(&self, device: DeviceId, pose: Pose) -> bool {
        !self.topology.hangs[device.index()].reports && pose.extension_pct > 0
    }

    /// When a command is really made: a call that comes late must not make one
    /// that nobody may carry out any more.
    fn made(&self, due: Now) -> Wall {
        if self.called > due.wall.plus(SECOND) {
            self.called
        } else {
            due.wall
        }
    }

    /// Gives up the starts still to come of drives that are about to be told
    /// otherwise, so that their places are free for whoever goes first.
    pub(super) fn give_up_starts(&mut self, model: &Model, group: GroupId) {
        let Some(verdict) = &self.groups[group.index()].verdict else {
            return;
        };
        for &device in &model.group(group).devices {
            let exception = verdict.exceptions.iter().find(|e| e.device == device);
            let course = exception.map_or(&verdict.course, |e| &e.course);
            let hangs = self.topology.hangs[device.index()];
            if let Course::To(pose) = course
                && self.drives[device.index()].target
                    != Some(fit(*pose, model.product(hangs.product)))
            {
                self.feeders[hangs.feeder.index()].release(device, self.now.steady);
            }
        }
    }

    fn go(&mut self, model: &Model, device: DeviceId, pose: Pose, repeat: bool) -> Option<Order> {
        let hangs = self.topology.hangs[device.index()];
        let product = model.product(hangs.product);
        let pose = fit(pose, product);
        let now = self.now.steady;
        let drive = &mut self.drives[device.index()];
        if drive.target == Some(pose) && !repeat {
            return None;
        }
        let start = match drive.pause_ms(product, pose, now) {
            // It already runs that way: no new start.
            None => now,
            Some(pause) => {
                let feeder = hangs.feeder;
                let wanted = now.plus(pause);
                self.feeders[feeder.index()].book(model.feeder(feeder), device, now, wanted)
            }
        };
        self.last_start = self.last_start.max(start);
        let drive = &mut self.drives[device.index()];
        drive.go(product, pose, now, start);
        let arrives = drive.run.map_or(start, |run| run.stop);
        if drive.is_idle() {
            self.try_later(device, arrives);
        }
        if hangs.reports {
            self.expect(device, pose, start, arrives);
        }
        Some(Order {
            device,
            pose: Some(pose),
            start_delay_ms: u32::try_from(start.0 - now.0).unwrap_or(u32::MAX),
        })
    }

    /// Comfort waits for the duty budget: look again when it recovers.
    fn await_budget(&mut self, group: GroupId, device: DeviceId, course: &Course) {
        let own = self.set_up_pose(group, device);
        let pose = match (own, course) {
            (Some(pose), _) => pose,
            (None, Course::To(pose)) => *pose,
            (None, Course::Hold) => return,
        };
        let now = self.now.steady;
        let product = self.model.product_of(device);
        let drive = &self.drives[device.index()];
        let takes = drive.travel_ms(product, fit(pose, product), now);
        if let Some(at) = drive.budget_recovers(product, takes, now) {
            self.look_again(device, at);
        }
    }

    /// Whether a drive that drew no power is to be tried again where a guard wants it.
    fn may_try(&self, device: DeviceId) -> bool {
        let looks = self.drives[device.index()].confirm.look.is_some();
        self.drives[device.index()].is_idle() && !looks
    }

    /// The group of a drive is to be looked at again by then, at the latest.
    pub(super) fn look_again(&mut self, device: DeviceId, at: Steady) {
        // Never within this moment: it is decided upon once.
        let at = at.max(self.now.steady.plus(1));
        let look = &mut self.drives[device.index()].confirm.look;
        *look = Some(look.map_or(at, |old| old.min(at)));
        self.arm_drive(device);
    }

    /// Sets or clears the timer of a drive: its answer, or a look at its group.
    fn arm_drive(&mut self, device: DeviceId) {
        let confirm = &self.drives[device.index()].confirm;
        let answer = confirm.due.filter(|_| confirm.target.is_some());
        let why = WakeFor::Drive(device);
        match earlier(answer, confirm.look) {
            Some(at) => self.timers.set(why, at),
            None => self.timers.clear(why),
        }
    }

    /// Whether a device follows a lower weather guard though the one that decides
    /// would have it elsewhere, if only the weather were known.
    fn given_way_to(&self, device: DeviceId, decides: Word, follows: Word) -> bool {
        decides != follows
            && super::settle::WEATHER.contains(&follows)
            && self.device_refuge(device, decides).is_some()
    }

    /// Whether a device that holds is out of harm's way only by luck.
    fn harmed(&self, device: DeviceId, word: Word) -> bool {
        !super::settle::WEATHER.contains(&word) || self.device_refuge(device, word).is_some()
    }

    /// A device that is to hold: does it have to be halted?
    fn hold(
        &mut self,
        device: DeviceId,
        word: Word,
        because: &Because,
        repeat: bool,
    ) -> Option<Order> {
        let now = self.now.steady;
        let drive = &mut self.drives[device.index()];
        // A halt that may not have arrived is said again.
        let way = drive
            .moving(now)
            .or_else(|| (repeat && drive.halted).then_some(1))?;
        let halt = match word {
            // Nothing moves.
            Word::Service => true,
            // Halted by hand.
            Word::Hand => matches!(because, Because::Hand { .. }),
            // Nothing goes on extending past a door or on unknown weather.
            Word::Door | Word::Fire | Word::Wind | Word::Hail | Word::Ice | Word::Rain => way > 0,
            // Comfort that holds lets a travel under way come to its end.
            Word::Drive | Word::Sun | Word::Timetable | Word::Rest => false,
        };
        if !halt {
            return None;
        }
        drive.halt(now);
        let feeder = self.model.device(device).drive.feeder;
        self.feeders[feeder.index()].release(device, now);
        self.drives[device.index()].confirm.target = None;
        Some(Order {
            device,
            pose: None,
            start_delay_ms: 0,
        })
    }

    /// Waits for the answer of a drive that tells of itself.
    fn expect(&mut self, device: DeviceId, pose: Pose, start: Steady, arrives: Steady) {
        let confirm = &mut self.drives[device.index()].confirm;
        if confirm.target != Some(pose) {
            confirm.target = Some(pose);
            confirm.tries = 0;
        }
        let late = (arrives.0 - start.0) / 10 + self.model.policy.answer_grace_ms;
        let due = arrives.plus(late);
        confirm.due = Some(due);
        // A plant that is only reckoned with answers in the same moment.
        let at = confirm.look.map_or(due, |look| look.min(due));
        self.timers.set_briefly(WakeFor::Drive(device), at);
    }

    /// A drive's answer is late, or its budget recovers.
    pub(super) fn drive_due(&mut self, device: DeviceId) {
        let Some(group) = self.topology.device_group[device.index()] else {
            return;
        };
        let now = self.now.steady;
        let drive = &mut self.drives[device.index()];
        let confirm = &mut drive.confirm;
        let looks = confirm.look.take_if(|at| *at <= now).is_some();
        let overdue = confirm.target.is_some() && confirm.due.is_some_and(|due| due <= now);
        if overdue {
            // It may stand anywhere.
            confirm.due = None;
            drive.lost();
            let confirm = &mut drive.confirm;
            if confirm.tries < RETRIES {
                confirm.tries += 1;
            } else {
                drive.target = confirm.target.take();
                self.trouble(device, Some(DriveTrouble::Silent));
            }
        }
        self.arm_drive(device);
        // An answer that came in time changed nothing that waits for a decision.
        if looks || overdue {
            self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
        }
    }

    /// A drive tells of itself.
    pub(super) fn report(&mut self, report: &Report) {
        let device = report.device;
        let group = self.topology.device_group.get(device.index());
        let Some(group) = group.copied().flatten() else {
            return;
        };
        self.stand(report, group);
        // After that: one that has arrived early by our reckoning draws nothing.
        if let Some(power_w) = report.power_w {
            self.power(device, power_w);
        }
    }

    /// What a drive says of where it stands.
    fn stand(&mut self, report: &Report, group: GroupId) {
        let device = report.device;
        let now = self.now.steady;
        match report.state {
            Says::Moving => {}
            Says::Refused | Says::Fault => {
                let refused = report.state == Says::Refused;
                // Nobody knows what it did before; what it was told is tried again in time.
                let told = self.drives[device.index()].target;
                self.drives[device.index()].lost();
                self.drives[device.index()].target = told;
                self.trouble(
                    device,
                    Some(if refused {
                        DriveTrouble::Refused
                    } else {
                        DriveTrouble::Fault
                    }),
                );
            }
            Says::Standing => {
                let product = self.model.product_of(device);
                let drive = &mut self.drives[device.index()];
                let arrived = drive.run.is_none_or(|run| run.stop <= now);
                let Some(pose) = report.pose else { return };
                // Still waiting for its start, or before the start of a later
                // command: the answer to an earlier one.
                let expected = drive.target.or(drive.confirm.target);
                let there = expected.is_some_and(|target| near(pose, target));
                let moved = drive.pose(now) != Some(pose);
                if there {
                    drive.stands(product, pose, now);
                    drive.confirm.target = None;
                    drive.confirm.tries = 0;
                    self.arm_drive(device);
                    self.trouble(device, None);
                } else if arrived {
                    drive.stands(product, pose, now);
                    self.elsewhere(device, group, moved);
                }
            }
        }
    }

    /// A drive stands where it was not told to.
    fn elsewhere(&mut self, device: DeviceId, group: GroupId, moved: bool) {
        let confirm = &mut self.drives[device.index()].confirm;
        if confirm.target.is_none() {
            // Somebody moved it on the spot. A wish lets that be until it changes; a
            // guard brings it back.
            if !moved {
                return;
            }
            self.drives[device.index()].forget_target();
            let verdict = self.groups[group.index()].verdict.as_ref();
            if verdict.is_some_and(|v| v.decided_by.is_guard()) {
                self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
            }
            return;
        }
        if confirm.tries < RETRIES {
            confirm.tries += 1;
            self.drives[device.index()].forget_target();
            self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
        } else {
            confirm.target = None;
            self.trouble(device, Some(DriveTrouble::Elsewhere));
        }
    }

    fn trouble(&mut self, device: DeviceId, trouble: Option<DriveTrouble>) {
        let confirm = &mut self.drives[device.index()].confirm;
        if confirm.trouble == trouble {
            return;
        }
        let told = trouble.or(confirm.trouble);
        confirm.trouble = trouble;
        let Some(told) = told else { return };
        let key = format!("drive_unconfirmed/{}", self.model.device(device).name);
        let because = Because::Drive { trouble: told };
        self.set_alarm(key, AlarmWord::DriveUnconfirmed, trouble.is_some(), because);
    }

    /// Comfort moves of a drive wait for its duty budget.
    fn duty_alarm(&mut self, device: DeviceId, spent: Option<Because>) {
        if spent.is_none() && self.alarms.is_empty() {
            return;
        }
        let key = format!("drive_duty/{}", self.model.device(device).name);
        let active = spent.is_some();
        if active || self.alarms.contains_key(&key) {
            self.set_alarm(
                key,
                AlarmWord::DriveDuty,
                active,
                spent.unwrap_or(Because::Rest),
            );
        }
    }

    /// A device cannot be in its refuge though its guard wants it there.
    fn refuge_alarm(&mut self, group: GroupId, exposed: Option<Because>) {
        if exposed.is_none() && self.alarms.is_empty() {
            return;
        }
        let key = format!("not_in_refuge/{}", self.model.group(group).name);
        let active = exposed.is_some();
        if active || self.alarms.contains_key(&key) {
            let because = exposed.unwrap_or(Because::Rest);
            self.set_alarm(key, AlarmWord::NotInRefuge, active, because);
        }
    }
}

fn near(pose: Pose, target: Pose) -> bool {
    let tilt = match (pose.tilt_deg, target.tilt_deg) {
        (Some(a), Some(b)) => (a - b).abs() <= TOLERANCE.1,
        _ => true,
    };
    pose.extension_pct.abs_diff(target.extension_pct) <= TOLERANCE.0 && tilt
}

//! The service in numbers, for whoever asks from outside.

use super::Service;
use super::pieces::Pieces;
use crate::link::Inbox;
use crate::seen::{Arrived, DriveReport, JournalReport, Report, SensorReport};
use leeside_core::ids::{DeviceId, GroupId, SensorId};
use leeside_core::input::{DriveState, Input};
use leeside_core::output::{Course, Output, Verdict, Word};
use leeside_core::sensor::Standing;
use leeside_core::time::Steady;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::time::Instant;

impl Service {
    /// How the service is doing.
    pub(super) fn report(&self, inbox: &Inbox) -> Report {
        let now = self.clock.now();
        let sensors = self
            .model
            .sensors
            .iter()
            .enumerate()
            .map(|(index, sensor)| {
                let view = self.core.sensor(SensorId::of(index));
                SensorReport {
                    name: sensor.name.clone(),
                    age_s: seconds(now.steady.0 - view.state.heard().0),
                    good: view.standing == Standing::Good,
                    disbelieved: view.state.disbelieved,
                }
            });
        let drives = self
            .model
            .devices
            .iter()
            .enumerate()
            .map(|(index, device)| {
                let view = self.core.drive(DeviceId::of(index));
                DriveReport {
                    name: device.name.clone(),
                    travels: view.travels,
                    ran_s: seconds(view.ran_ms),
                    measured: view.measured.map(|(ms, wh)| (seconds(ms), wh * 3_600.0)),
                }
            });
        let by_hand = self.model.groups.iter().enumerate().map(|(index, group)| {
            let count = self.core.requests_by_hand(GroupId::of(index));
            (group.name.clone(), count)
        });
        let (lockouts, exposed) = self.guards();
        let read = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        let arrivals = &inbox.arrivals;
        let alarms = self.board.alarms.values();
        Report {
            at: now.wall,
            version: env!("CARGO_PKG_VERSION"),
            site: self.model.site.name.clone(),
            fingerprint: self.fingerprint.clone(),
            uptime_s: self.begun.elapsed().as_secs_f64(),
            connected: self.outbox.connected(),
            clock_trusted: self.clock_trusted,
            lockouts,
            devices: self.model.devices.len(),
            exposed,
            sensors: sensors.collect(),
            drives: drives.collect(),
            by_hand: by_hand.collect(),
            alarms: alarms
                .map(|raised| (raised.word.clone(), raised.acknowledged_by.is_some()))
                .collect(),
            sent: self.outbox.counts(),
            arrived: Arrived {
                messages: read(&arrivals.messages),
                retained: read(&arrivals.retained),
                malformed: read(&arrivals.malformed),
                unknown: read(&arrivals.unknown),
                left_out: read(&arrivals.left_out),
            },
            counters: self.counters.clone(),
            journal: self.recorder.as_ref().map(|recorder| {
                let condition = recorder.condition();
                let condition = condition.borrow();
                JournalReport {
                    well: condition.fault.is_none(),
                    row: condition.head.map_or(0, |head| head.id),
                    rows_lost: condition.rows_lost,
                }
            }),
        }
    }

    /// Groups that are locked out, and how many of their devices are not (known to
    /// be) where the guard wants them.
    fn guards(&self) -> (Vec<(String, &'static str)>, usize) {
        let (mut lockouts, mut exposed) = (Vec::new(), 0);
        for (index, group) in self.model.groups.iter().enumerate() {
            let id = GroupId::of(index);
            let engaged = self.core.lockouts(id);
            if engaged.is_empty() {
                continue;
            }
            for view in engaged {
                lockouts.push((group.name.clone(), view.word.as_str()));
            }
            let verdict = self.core.explain(id).verdict;
            if is_weather(verdict.decided_by) {
                let away = group.devices.iter().filter(|device| {
                    self.core
                        .pose(**device)
                        .is_none_or(|pose| wanted(&verdict, **device) != Course::To(pose))
                });
                exposed += away.count();
            }
        }
        (lockouts, exposed)
    }

    /// Counts a command of the moment `at` that has just been handed to the connection.
    pub(super) fn left(&mut self, at: Steady) {
        let late_s = self.heard.since_s(at).unwrap_or_else(|| {
            let late_ms = self.clock.now().steady.0.saturating_sub(at.0);
            seconds(late_ms)
        });
        self.counters.latency.note(late_s);
        if self.heard.first_of(at) {
            self.counters.first.note(late_s);
        }
    }

    /// Counts what came in and what went out.
    pub(super) fn count(&mut self, input: Option<&Input>, outputs: &Pieces<Output>) {
        let counters = &mut self.counters;
        if let Some(Input::Report(report)) = input {
            let state = match report.state {
                DriveState::Moving => "moving",
                DriveState::Standing => "standing",
                DriveState::Refused => "refused",
                DriveState::Fault => "fault",
            };
            *counters.reports.entry(state).or_default() += 1;
        }
        for output in outputs.iter() {
            match output {
                Output::Command(command) => {
                    let word = command.decided_by.as_str();
                    *counters.commands.entry(word).or_default() += 1;
                    counters.repeats += u64::from(command.repeat);
                }
                Output::Refused { .. } => counters.refused += 1,
                Output::Lockout(_)
                | Output::Alarm(_)
                | Output::Announce { .. }
                | Output::Wake(_) => {}
            }
        }
    }
}

/// When that came off the connection which is decided upon together at one moment, and
/// which moment's first command has left.
#[derive(Debug, Default)]
pub(super) struct Heard {
    arrived: Option<Instant>,
    moment: Option<(Steady, Instant)>,
    left: Option<Steady>,
}

impl Heard {
    /// Something arrived, and is taken next.
    pub(super) const fn arrives(&mut self, at: Instant) {
        self.arrived = Some(at);
    }

    /// What arrived is taken at this moment: of several at one moment the first counts.
    pub(super) fn taken(&mut self, at: Steady) {
        if let Some(arrived) = self.arrived.take()
            && self.moment.is_none_or(|(moment, _)| moment != at)
        {
            self.moment = Some((at, arrived));
        }
    }

    /// How long ago came what is decided upon at a moment, s; `None`: nothing came, a
    /// timer was due.
    fn since_s(&self, at: Steady) -> Option<f64> {
        let (_, arrived) = self.moment.filter(|(moment, _)| *moment == at)?;
        Some(arrived.elapsed().as_secs_f64())
    }

    /// Whether no command of this moment has left before.
    fn first_of(&mut self, at: Steady) -> bool {
        self.left.replace(at) != Some(at)
    }
}

/// Milliseconds as seconds; below zero is zero.
fn seconds(ms: i64) -> f64 {
    let ms = u64::try_from(ms).unwrap_or(0);
    std::time::Duration::from_millis(ms).as_secs_f64()
}

/// Where the verdict wants a device.
fn wanted(verdict: &Verdict, device: DeviceId) -> Course {
    let other = verdict.exceptions.iter().find(|e| e.device == device);
    other.map_or_else(|| verdict.course.clone(), |e| e.course.clone())
}

const fn is_weather(word: Word) -> bool {
    matches!(word, Word::Wind | Word::Hail | Word::Ice | Word::Rain)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_command_counts_from_the_first_arrival_of_its_moment_and_only_one_is_the_first() {
        let ago = |ms| Instant::now().checked_sub(Duration::from_millis(ms));
        let (Some(early), Some(late)) = (ago(400), ago(100)) else {
            panic!("a machine that was started just now");
        };
        let (mut heard, at) = (Heard::default(), Steady(7));
        heard.taken(at);
        assert_eq!(heard.since_s(at), None, "a timer: nothing has arrived");
        heard.arrives(early);
        heard.taken(at);
        heard.arrives(late);
        heard.taken(at);
        // The moment after, in which it is decided: nothing arrives at that.
        heard.taken(Steady(8));
        let since_s = heard.since_s(at);
        assert!(since_s.is_some_and(|s| s >= 0.4), "{since_s:?}");
        assert_eq!(heard.since_s(Steady(8)), None);
        assert!(heard.first_of(at));
        assert!(!heard.first_of(at));
        assert!(heard.first_of(Steady(8)));
    }
}

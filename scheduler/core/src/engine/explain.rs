//! What the core can tell when asked: the present verdict with all that spoke,
//! sensors, lockouts, poses.

use super::Core;
use super::settle::WEATHER;
use crate::ids::{DeviceId, GroupId, SensorId, TimetableId};
use crate::output::{AlarmWord, Verdict, Word};
use crate::pose::Pose;
use crate::reason::{Because, Release};
use crate::sensor::{Disbelieved, SensorState, Standing};
use crate::time::{Now, Wall};
use crate::wish::timetable::{Start, starts_of};
use chrono::NaiveDate;

/// The present verdict of a group with everything that spoke.
#[derive(Clone, PartialEq, Debug)]
pub struct Explanation {
    /// The verdict, with the numbers of this moment.
    pub verdict: Verdict,
    /// When the course last changed; `None`: not since the start.
    pub since: Option<Now>,
    /// The weather guards that have engaged.
    pub lockouts: Vec<GuardView>,
    /// When the timetable next changes phase, as far as today is known.
    pub next_phase: Wall,
    /// Requests by hand since the start.
    pub overrides: u32,
    /// What its drives have done, in the group's order.
    pub drives: Vec<DriveView>,
    /// Readings of its guards' sensors that were not believed, where there were any.
    pub disbelieved: Vec<(SensorId, Disbelieved)>,
}

/// What a drive has done since its state was first kept.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DriveView {
    /// The device.
    pub device: DeviceId,
    /// Travels that it was told to make.
    pub travels: u64,
    /// How long it was told to run, ms.
    pub ran_ms: i64,
    /// How long it ran by its measured power, ms, and the energy it took, Wh; `None`:
    /// its power is not measured.
    pub measured: Option<(i64, f64)>,
}

/// A weather guard that has engaged.
#[derive(Clone, PartialEq, Debug)]
pub struct GuardView {
    /// Which.
    pub word: Word,
    /// Since when.
    pub since: Now,
    /// Why.
    pub because: Because,
    /// What releases it.
    pub release: Release,
}

/// A sensor as the core sees it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SensorView<'a> {
    /// Whether it is believed.
    pub standing: Standing,
    /// Its state.
    pub state: &'a SensorState,
}

/// An alarm that stands.
#[derive(Clone, PartialEq, Debug)]
pub struct AlarmView {
    /// Names it.
    pub key: String,
    /// Its word.
    pub word: AlarmWord,
    /// Since when.
    pub since: Wall,
    /// Why.
    pub because: Because,
    /// Who has seen it.
    pub acknowledged_by: Option<String>,
}

impl Core {
    /// The present verdict of a group with all that spoke, worked out anew from
    /// the state of this moment (so its numbers are those of now).
    #[must_use]
    pub fn explain(&self, group: GroupId) -> Explanation {
        let state = &self.groups[group.index()];
        Explanation {
            verdict: self.verdict(group),
            since: state.changed,
            lockouts: self.lockouts(group),
            next_phase: self.next_phase(group),
            overrides: state.overrides,
            drives: self
                .model
                .group(group)
                .devices
                .iter()
                .map(|device| self.drive(*device))
                .collect(),
            disbelieved: self.topology.needs[group.index()]
                .iter()
                .map(|id| (*id, self.sensors[id.index()].disbelieved))
                .filter(|(_, counts)| *counts != Disbelieved::default())
                .collect(),
        }
    }

    /// Requests by hand to a group since the start.
    #[must_use]
    pub fn requests_by_hand(&self, group: GroupId) -> u32 {
        self.groups[group.index()].overrides
    }

    /// What a drive has done.
    #[must_use]
    pub fn drive(&self, device: DeviceId) -> DriveView {
        let state = &self.drives[device.index()];
        let measures = self.model.device(device).drive.evidence.is_some();
        DriveView {
            device,
            travels: state.travels,
            ran_ms: state.ran_ms,
            measured: measures.then(|| self.measured_running(device)),
        }
    }

    /// The weather guards of a group that have engaged.
    #[must_use]
    pub fn lockouts(&self, group: GroupId) -> Vec<GuardView> {
        let engaged = |word| {
            let state = self.guard(group, word)?;
            let engaged = state.engaged.as_ref()?;
            Some(GuardView {
                word,
                since: engaged.since,
                because: engaged.because.clone(),
                release: state.release(self.guard_times(group, word)),
            })
        };
        WEATHER.into_iter().filter_map(engaged).collect()
    }

    /// A sensor as the core sees it.
    #[must_use]
    pub fn sensor(&self, id: SensorId) -> SensorView<'_> {
        let state = &self.sensors[id.index()];
        SensorView {
            standing: state.standing(),
            state,
        }
    }

    /// Where a device is believed to be at the last moment told; `None`: nobody knows.
    #[must_use]
    pub fn pose(&self, device: DeviceId) -> Option<Pose> {
        self.drives[device.index()].pose(self.now.steady)
    }

    /// The phase of a timetable that applies (index of the plan and of the phase
    /// within it), and since when, where it began on the present local date.
    #[must_use]
    pub fn phase_of(&self, timetable: TimetableId) -> Option<(Option<Wall>, u16, u16)> {
        let state = &self.timetables[timetable.index()];
        let (plan, phase) = state.current?;
        Some((state.since(self.now.wall), plan, phase))
    }

    /// The alarms that stand, by key.
    #[must_use]
    pub fn alarms(&self) -> Vec<AlarmView> {
        let view = |(key, standing): (&String, &super::alarms::Standing)| AlarmView {
            key: key.clone(),
            word: standing.word,
            since: standing.since,
            because: standing.because.clone(),
            acknowledged_by: standing.acknowledged_by.clone(),
        };
        self.alarms.iter().map(view).collect()
    }
}

/// The starts of a timetable's phases on a local date: moment, index of the plan
/// and of the phase within it.
#[must_use]
pub fn phase_starts(
    model: &crate::model::Model,
    timetable: TimetableId,
    date: NaiveDate,
) -> Vec<(Wall, u16, u16)> {
    let told = |s: Start| (s.at, s.plan, s.phase);
    let mut almanac = leeside_solar::Almanac::new(model.site.location);
    starts_of(model, &mut almanac, model.timetable(timetable), date)
        .into_iter()
        .map(told)
        .collect()
}

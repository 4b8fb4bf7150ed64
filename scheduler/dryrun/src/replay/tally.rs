//! Counts per local month, group and deciding word.

use super::contacts::moment_of;
use chrono::{Datelike, Days, NaiveDate};
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::input::{DriveState, Report};
use leeside_core::model::{Model, Refuges};
use leeside_core::output::{Alarm, AlarmWord, Command, LockoutChange, Word};
use leeside_core::pose::Pose;
use leeside_core::time::Wall;
use std::collections::BTreeMap;

/// Weather guards, highest rank first.
pub(super) const WEATHER: [Word; 4] = [Word::Wind, Word::Hail, Word::Ice, Word::Rain];

/// One group in one month.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct GroupMonth {
    /// Movements (commands that move something) per deciding word, in the order
    /// of [`Word::ALL`].
    pub movements: [u32; Word::ALL.len()],
    /// Drives that were told to start.
    pub starts: u32,
    /// Time with the sun on the facade, ms.
    pub sunlit_ms: i64,
    /// Of that, time in which its devices were extended, mean over the devices, ms.
    pub shaded_ms: i64,
    /// Time in which a weather guard was engaged, ms.
    pub locked_ms: i64,
    /// Of that, time in which its devices stood in the refuge, mean over the devices, ms.
    pub refuge_ms: i64,
    /// Lockouts that began, per weather guard: wind, hail, ice, rain.
    pub lockouts: [u32; WEATHER.len()],
}

impl GroupMonth {
    /// Movements in all.
    #[must_use]
    pub fn moved(&self) -> u32 {
        self.movements.iter().sum()
    }

    /// Adds another month.
    pub fn add(&mut self, other: &Self) {
        for (mine, theirs) in self.movements.iter_mut().zip(other.movements) {
            *mine += theirs;
        }
        for (mine, theirs) in self.lockouts.iter_mut().zip(other.lockouts) {
            *mine += theirs;
        }
        self.starts += other.starts;
        self.sunlit_ms += other.sunlit_ms;
        self.shaded_ms += other.shaded_ms;
        self.locked_ms += other.locked_ms;
        self.refuge_ms += other.refuge_ms;
    }
}

/// The day with most movements.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Busiest {
    /// The local date.
    pub date: NaiveDate,
    /// Movements of all groups.
    pub movements: u32,
    /// Per deciding word, in the order of [`Word::ALL`].
    pub by_word: [u32; Word::ALL.len()],
}

/// One local month, or the part of it that is in the span.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MonthTally {
    /// The year.
    pub year: i32,
    /// The month, 1..=12.
    pub month: u32,
    /// Per group, in the order of the site file.
    pub groups: Vec<GroupMonth>,
    /// The day with most movements; the first of equals; `None` where nothing moved.
    pub busiest: Option<Busiest>,
}

/// All that is counted.
#[derive(Clone, Debug)]
pub struct Tally {
    /// Months of the span, in order.
    pub months: Vec<MonthTally>,
    /// How often each alarm was raised.
    pub alarms: BTreeMap<AlarmWord, u32>,
    count: Count,
}

/// What is kept to count with.
#[derive(Clone, Debug)]
struct Count {
    from: Wall,
    /// Moment up to which everything is counted.
    at: Wall,
    /// Index and end of the present month.
    month: usize,
    month_ends: Vec<Wall>,
    day: Option<(NaiveDate, Wall)>,
    today: [u32; Word::ALL.len()],
    facades: Vec<bool>,
    groups: Vec<GroupNow>,
    devices: Vec<DeviceNow>,
}

#[derive(Clone, Debug, Default)]
struct GroupNow {
    facade: usize,
    /// Indices of its devices.
    members: Vec<usize>,
    devices: i64,
    /// Engaged weather guards.
    engaged: [bool; WEATHER.len()],
    extended: i64,
    in_refuge: i64,
}

#[derive(Clone, Copy, Debug)]
struct DeviceNow {
    group: Option<usize>,
    pose: Pose,
    moving: bool,
    refuges: Refuges,
}

impl Tally {
    pub(crate) fn new(model: &Model, from: Wall, to: Wall) -> Self {
        let (months, month_ends) = months(model, from, to);
        let mut group_of = vec![None; model.devices.len()];
        // Of several groups the first counts.
        for (index, group) in model.groups.iter().enumerate().rev() {
            for device in &group.devices {
                group_of[device.index()] = Some(index);
            }
        }
        let devices = (0..model.devices.len())
            .map(DeviceId::of)
            .map(|device| DeviceNow {
                group: group_of[device.index()],
                pose: Pose::RETRACTED,
                moving: false,
                refuges: model.product_of(device).refuge,
            });
        let groups = model.groups.iter().map(|group| GroupNow {
            facade: group.facade.index(),
            members: Vec::new(),
            devices: i64::try_from(group.devices.len())
                .unwrap_or(i64::MAX)
                .max(1),
            ..GroupNow::default()
        });
        let mut groups: Vec<GroupNow> = groups.collect();
        for (device, group) in group_of.iter().enumerate() {
            if let Some(group) = group {
                groups[*group].members.push(device);
            }
        }
        let count = Count {
            from,
            at: from,
            month: 0,
            month_ends,
            day: None,
            today: [0; Word::ALL.len()],
            facades: vec![false; model.facades.len()],
            groups,
            devices: devices.collect(),
        };
        Self {
            months,
            alarms: BTreeMap::new(),
            count,
        }
    }

    /// The sun comes onto facades, or leaves them.
    pub(crate) fn light(&mut self, at: Wall, lit: &[bool]) {
        if self.count.facades != lit {
            self.up_to(at);
            self.count.facades.copy_from_slice(lit);
        }
    }

    /// A drive has set out, or arrived somewhere.
    pub(crate) fn report(&mut self, at: Wall, report: &Report) {
        let device = report.device.index();
        let Some(group) = self.count.devices[device].group else {
            return;
        };
        self.up_to(at);
        let now = &mut self.count.devices[device];
        now.moving = report.state == DriveState::Moving;
        now.pose = report.pose.unwrap_or(now.pose);
        self.count.recount(group);
    }

    pub(crate) fn lockout(&mut self, change: &LockoutChange) {
        let Some(index) = WEATHER.iter().position(|word| *word == change.word) else {
            return;
        };
        let group = change.group.index();
        let engaged = &self.count.groups[group].engaged[index];
        if *engaged == change.engaged {
            return;
        }
        self.up_to(change.at.wall);
        if change.engaged && change.at.wall >= self.count.from {
            self.months[self.count.month].groups[group].lockouts[index] += 1;
        }
        self.count.groups[group].engaged[index] = change.engaged;
        self.count.recount(group);
    }

    /// A command that moves something.
    pub(crate) fn movement(&mut self, model: &Model, command: &Command) {
        self.up_to(command.at.wall);
        self.new_day(model, command.at.wall);
        let word = Word::ALL
            .iter()
            .position(|word| *word == command.decided_by)
            .unwrap_or(0);
        let group = &mut self.months[self.count.month].groups[command.group.index()];
        group.movements[word] += 1;
        let starts = command
            .orders
            .iter()
            .filter(|order| order.pose.is_some())
            .count();
        group.starts += u32::try_from(starts).unwrap_or(u32::MAX);
        self.count.today[word] += 1;
    }

    pub(crate) fn alarm(&mut self, alarm: &Alarm) {
        if alarm.active {
            *self.alarms.entry(alarm.word).or_default() += 1;
        }
    }

    pub(crate) fn finish(mut self, to: Wall) -> Self {
        self.up_to(to);
        self.close_day();
        self
    }

    /// Counts the time since the last change.
    fn up_to(&mut self, at: Wall) {
        while self.count.at < at {
            let ends = self.count.month_ends[self.count.month];
            let until = at.min(ends);
            let ms = until.0 - self.count.at.0;
            let month = &mut self.months[self.count.month];
            for (group, now) in month.groups.iter_mut().zip(&self.count.groups) {
                if self.count.facades[now.facade] {
                    group.sunlit_ms += ms;
                    group.shaded_ms += ms * now.extended / now.devices;
                }
                if now.engaged.contains(&true) {
                    group.locked_ms += ms;
                    group.refuge_ms += ms * now.in_refuge / now.devices;
                }
            }
            self.count.at = until;
            if until == ends && self.count.month + 1 < self.months.len() {
                self.count.month += 1;
            } else if until < at {
                // Past the span: nothing is counted there.
                return;
            }
        }
    }

    fn new_day(&mut self, model: &Model, at: Wall) {
        if self.count.day.is_some_and(|(_, ends)| at < ends) {
            return;
        }
        self.close_day();
        let date = at.local_date(model.site.zone);
        let tomorrow = date.checked_add_days(Days::new(1)).unwrap_or(date);
        self.count.day = Some((date, moment_of(model, tomorrow, 0)));
    }

    fn close_day(&mut self) {
        let by_word = std::mem::take(&mut self.count.today);
        let Some((date, _)) = self.count.day else {
            return;
        };
        let movements = by_word.iter().sum();
        let month = self
            .months
            .iter_mut()
            .find(|m| (m.year, m.month) == (date.year(), date.month()));
        let Some(month) = month else { return };
        if movements
            > month
                .busiest
                .as_ref()
                .map_or(0, |busiest| busiest.movements)
        {
            month.busiest = Some(Busiest {
                date,
                movements,
                by_word,
            });
        }
    }
}

impl Count {
    /// Counts a group's devices anew.
    fn recount(&mut self, group: usize) {
        let (mut extended, mut in_refuge) = (0, 0);
        let engaged = self.groups[group].engaged;
        for &member in &self.groups[group].members {
            let device = &self.devices[member];
            extended += i64::from(device.pose.extension_pct > 0);
            in_refuge += i64::from(device.is_in_refuge(engaged));
        }
        let now = &mut self.groups[group];
        (now.extended, now.in_refuge) = (extended, in_refuge);
    }
}

impl DeviceNow {
    /// Whether it stands where the highest engaged guard wants it.
    fn is_in_refuge(&self, engaged: [bool; WEATHER.len()]) -> bool {
        let refuges = [
            Some(self.refuges.wind),
            self.refuges.hail,
            self.refuges.ice,
            self.refuges.rain,
        ];
        let wanted = refuges
            .into_iter()
            .zip(engaged)
            .filter(|(_, engaged)| *engaged)
            .find_map(|(pose, _)| pose);
        wanted.is_some_and(|wanted| {
            !self.moving
                && wanted.extension_pct == self.pose.extension_pct
                && (wanted.extension_pct == 0
                    || wanted.tilt_deg.is_none()
                    || wanted.tilt_deg == self.pose.tilt_deg)
        })
    }
}

/// The local months that the span touches, and where each ends.
fn months(model: &Model, from: Wall, to: Wall) -> (Vec<MonthTally>, Vec<Wall>) {
    let (mut months, mut ends) = (Vec::new(), Vec::new());
    let mut first = from
        .local_date(model.site.zone)
        .with_day(1)
        .unwrap_or_default();
    loop {
        let next = first
            .checked_add_months(chrono::Months::new(1))
            .unwrap_or(first);
        let end = moment_of(model, next, 0).min(to);
        let groups = vec![GroupMonth::default(); model.groups.len()];
        months.push(MonthTally {
            year: first.year(),
            month: first.month(),
            groups,
            busiest: None,
        });
        ends.push(end);
        if end >= to || next == first {
            return (months, ends);
        }
        first = next;
    }
}

impl Tally {
    /// One group over the whole span.
    #[must_use]
    pub fn group(&self, group: GroupId) -> GroupMonth {
        let mut sum = GroupMonth::default();
        for month in &self.months {
            sum.add(&month.groups[group.index()]);
        }
        sum
    }

    /// The day with most movements in the whole span; the first of equals.
    #[must_use]
    pub fn busiest(&self) -> Option<&Busiest> {
        let days = self
            .months
            .iter()
            .filter_map(|month| month.busiest.as_ref());
        days.fold(None, |best: Option<&Busiest>, day| match best {
            Some(best) if best.movements >= day.movements => Some(best),
            _ => Some(day),
        })
    }
}

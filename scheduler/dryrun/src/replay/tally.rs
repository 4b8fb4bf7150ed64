//! Counts per local month, group and deciding word.

use super::contacts::moment_of;
use super::parts::of_the_site;
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
    /// Index of the present month.
    month: usize,
    month_ends: Vec<Wall>,
    /// The present local date, and when it ends.
    day: Option<(NaiveDate, Wall)>,
    /// Movements of all groups per local date and deciding word.
    days: BTreeMap<NaiveDate, [u32; Word::ALL.len()]>,
    facades: Vec<bool>,
    /// Indices of the groups on each facade.
    on_facade: Vec<Vec<usize>>,
    groups: Vec<GroupNow>,
    devices: Vec<DeviceNow>,
}

#[derive(Clone, Debug)]
struct GroupNow {
    /// Moment up to which everything is counted, and the month it lies in: a group
    /// is counted when something about it changes.
    at: Wall,
    month: usize,
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
            at: from,
            month: 0,
            facade: group.facade.index(),
            members: Vec::new(),
            devices: i64::try_from(group.devices.len())
                .unwrap_or(i64::MAX)
                .max(1),
            engaged: [false; WEATHER.len()],
            extended: 0,
            in_refuge: 0,
        });
        let mut groups: Vec<GroupNow> = groups.collect();
        let mut on_facade = vec![Vec::new(); model.facades.len()];
        for (index, group) in groups.iter().enumerate() {
            on_facade[group.facade].push(index);
        }
        for (device, group) in group_of.iter().enumerate() {
            if let Some(group) = group {
                groups[*group].members.push(device);
            }
        }
        let count = Count {
            from,
            month: 0,
            month_ends,
            day: None,
            days: BTreeMap::new(),
            facades: vec![false; model.facades.len()],
            on_facade,
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
        if self.count.facades == lit {
            return;
        }
        for (facade, lit) in lit.iter().enumerate() {
            if self.count.facades[facade] != *lit {
                for index in 0..self.count.on_facade[facade].len() {
                    self.up_to(self.count.on_facade[facade][index], at);
                }
                self.count.facades[facade] = *lit;
            }
        }
    }

    /// A drive has set out, or arrived somewhere.
    pub(crate) fn report(&mut self, at: Wall, report: &Report) {
        let device = report.device.index();
        let Some(group) = self.count.devices[device].group else {
            return;
        };
        self.up_to(group, at);
        let (now, group) = (
            &mut self.count.devices[device],
            &mut self.count.groups[group],
        );
        let before = now.counts(group.engaged);
        now.moving = report.state == DriveState::Moving;
        now.pose = report.pose.unwrap_or(now.pose);
        let after = now.counts(group.engaged);
        group.extended += after.0 - before.0;
        group.in_refuge += after.1 - before.1;
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
        self.up_to(group, change.at.wall);
        if change.engaged && change.at.wall >= self.count.from {
            let month = self.count.month_of(change.at.wall);
            self.months[month].groups[group].lockouts[index] += 1;
        }
        self.count.groups[group].engaged[index] = change.engaged;
        self.count.recount(group);
    }

    /// A command that moves something.
    pub(crate) fn movement(&mut self, model: &Model, command: &Command) {
        let date = self.count.date(model, command.at.wall);
        let month = self.count.month_of(command.at.wall);
        let word = command.decided_by as usize;
        let group = &mut self.months[month].groups[command.group.index()];
        group.movements[word] += 1;
        let starts = command
            .orders
            .iter()
            .filter(|order| order.pose.is_some())
            .count();
        group.starts += u32::try_from(starts).unwrap_or(u32::MAX);
        let today = self.count.days.entry(date).or_default();
        today[word] += 1;
    }

    pub(crate) fn alarm(&mut self, alarm: &Alarm) {
        if alarm.active {
            *self.alarms.entry(alarm.word).or_default() += 1;
        }
    }

    pub(crate) fn finish(mut self, to: Wall) -> Self {
        for group in 0..self.count.groups.len() {
            self.up_to(group, to);
        }
        for month in &mut self.months {
            for (sums, now) in month.groups.iter_mut().zip(&self.count.groups) {
                sums.shaded_ms /= now.devices;
                sums.refuge_ms /= now.devices;
            }
        }
        self.find_busiest();
        self
    }

    /// One tally of several, each of which counted the groups of its share.
    /// `None` of none.
    pub(super) fn of_parts(parts: Vec<Self>, shares: &[Vec<GroupId>]) -> Option<Self> {
        let mut parts = parts.into_iter();
        let mut whole = parts.next()?;
        for (part, share) in parts.zip(shares.iter().skip(1)) {
            for (mine, theirs) in whole.months.iter_mut().zip(part.months) {
                for (index, sums) in theirs.groups.into_iter().enumerate() {
                    if share.binary_search(&GroupId::of(index)).is_ok() {
                        mine.groups[index] = sums;
                    }
                }
            }
            for (word, times) in part.alarms {
                if !of_the_site(word) {
                    *whole.alarms.entry(word).or_default() += times;
                }
            }
            for (date, theirs) in part.count.days {
                let mine = whole.count.days.entry(date).or_default();
                for (mine, theirs) in mine.iter_mut().zip(theirs) {
                    *mine += theirs;
                }
            }
        }
        whole.find_busiest();
        Some(whole)
    }

    /// Counts a group's time since its last change. Until the end the times shaded
    /// and in refuge are summed over its devices: how often it is counted makes no
    /// difference.
    fn up_to(&mut self, group: usize, at: Wall) {
        let now = &mut self.count.groups[group];
        while now.at < at {
            let ends = self.count.month_ends[now.month];
            let until = at.min(ends);
            let ms = until.0 - now.at.0;
            let sums = &mut self.months[now.month].groups[group];
            if self.count.facades[now.facade] {
                sums.sunlit_ms += ms;
                sums.shaded_ms += ms * now.extended;
            }
            if now.engaged.contains(&true) {
                sums.locked_ms += ms;
                sums.refuge_ms += ms * now.in_refuge;
            }
            now.at = until;
            if until == ends && now.month + 1 < self.months.len() {
                now.month += 1;
            } else if until < at {
                // Past the span: nothing is counted there.
                return;
            }
        }
    }

    /// The day of each month with most movements; the first of equals.
    fn find_busiest(&mut self) {
        for month in &mut self.months {
            month.busiest = None;
        }
        for (date, by_word) in &self.count.days {
            let movements = by_word.iter().sum();
            let month = self
                .months
                .iter_mut()
                .find(|m| (m.year, m.month) == (date.year(), date.month()));
            let Some(month) = month else { continue };
            let most = month
                .busiest
                .as_ref()
                .map_or(0, |busiest| busiest.movements);
            if movements > most {
                month.busiest = Some(Busiest {
                    date: *date,
                    movements,
                    by_word: *by_word,
                });
            }
        }
    }
}

impl Count {
    /// The local date of a moment.
    fn date(&mut self, model: &Model, at: Wall) -> NaiveDate {
        if let Some((date, ends)) = self.day
            && at < ends
        {
            return date;
        }
        let date = at.local_date(model.site.zone);
        let tomorrow = date.checked_add_days(Days::new(1)).unwrap_or(date);
        self.day = Some((date, moment_of(model, tomorrow, 0)));
        date
    }

    /// The month of a moment; moments do not go back to an earlier month.
    fn month_of(&mut self, at: Wall) -> usize {
        while at >= self.month_ends[self.month] && self.month + 1 < self.month_ends.len() {
            self.month += 1;
        }
        self.month
    }

    /// Counts a group's devices anew.
    fn recount(&mut self, group: usize) {
        let (mut extended, mut in_refuge) = (0, 0);
        let engaged = self.groups[group].engaged;
        for &member in &self.groups[group].members {
            let counts = self.devices[member].counts(engaged);
            extended += counts.0;
            in_refuge += counts.1;
        }
        let now = &mut self.groups[group];
        (now.extended, now.in_refuge) = (extended, in_refuge);
    }
}

impl DeviceNow {
    /// What it adds to its group: extended, in refuge.
    fn counts(&self, engaged: [bool; WEATHER.len()]) -> (i64, i64) {
        (
            i64::from(self.pose.extension_pct > 0),
            i64::from(engaged.contains(&true) && self.is_in_refuge(engaged)),
        )
    }

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

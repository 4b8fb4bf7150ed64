//! The storms of a year: spells in which some group was locked by wind, with
//! what the weather data say of them.

use crate::replay::{Setting, Sky};
use crate::told::goes_on;
use leeside_core::Core;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Command, LockoutChange, Word};
use leeside_core::time::{HOUR, Wall};

/// Lockouts with less than this between them belong to one storm, ms.
const SAME_STORM_MS: i64 = 3 * HOUR;

/// One lockout of one group by wind.
#[derive(Clone, Copy, Debug)]
pub(super) struct Locked {
    pub(super) group: GroupId,
    pub(super) from: Wall,
    pub(super) to: Wall,
}

/// A spell of wind.
#[derive(Clone, Debug)]
pub(super) struct Storm {
    pub(super) from: Wall,
    pub(super) to: Wall,
    /// Groups that were locked, in the order of the site file.
    pub(super) groups: Vec<GroupId>,
    /// Drives that were sent to their refuge.
    pub(super) drives: usize,
    /// The strongest mean and gust of the data, m/s.
    pub(super) mean: Option<f64>,
    pub(super) gust: Option<f64>,
}

impl Storm {
    /// By which it is told how strong it was, m/s.
    fn strength(&self) -> f64 {
        self.gust.into_iter().chain(self.mean).fold(0.0, f64::max)
    }
}

/// Gathers lockouts by wind.
pub(super) struct Storms {
    from: Wall,
    to: Wall,
    open: Vec<(GroupId, Wall)>,
    locked: Vec<Locked>,
    /// Drives sent away by wind, and when.
    sent: Vec<(Wall, usize)>,
}

impl Storms {
    pub(super) const fn new(setting: &Setting) -> Self {
        Self {
            from: setting.from,
            to: setting.to,
            open: vec![],
            locked: vec![],
            sent: vec![],
        }
    }

    pub(super) fn movement(&mut self, _model: &Model, command: &Command) {
        if command.decided_by == Word::Wind {
            self.sent.push((command.at.wall, command.orders.len()));
        }
    }

    /// What was engaged before the span and has not been told of yet.
    pub(super) fn engaged_before(&mut self, core: &Core) {
        for group in (0..core.model().groups.len()).map(GroupId::of) {
            let told = self.open.iter().any(|(other, _)| *other == group);
            let engaged = core
                .lockouts(group)
                .into_iter()
                .find(|view| view.word == Word::Wind);
            if let Some(view) = engaged.filter(|_| !told) {
                self.open.push((group, self.from.max(view.since.wall)));
            }
        }
    }

    pub(super) fn lockout(&mut self, change: &LockoutChange) {
        if change.word != Word::Wind {
            return;
        }
        let at = change.at.wall;
        let open = self
            .open
            .iter()
            .position(|(group, _)| *group == change.group);
        match (open, change.engaged) {
            (None, true) => {
                let from = if goes_on(&change.because) {
                    self.from
                } else {
                    at
                };
                self.open.push((change.group, from));
            }
            (Some(index), false) => {
                let (group, from) = self.open.remove(index);
                self.locked.push(Locked {
                    group,
                    from,
                    to: at,
                });
            }
            // Engaged before the span.
            (None, false) => self.locked.push(Locked {
                group: change.group,
                from: self.from,
                to: at,
            }),
            (Some(_), true) => {}
        }
    }

    /// Every lockout by wind, those that have not ended cut off at the end.
    pub(super) fn locked(&self) -> Vec<Locked> {
        let mut locked = self.locked.clone();
        locked.extend(self.open.iter().map(|&(group, from)| Locked {
            group,
            from,
            to: self.to,
        }));
        locked.sort_by_key(|locked| (locked.from, locked.group));
        locked
    }

    /// The storms in order of time.
    pub(super) fn storms(&self, sky: &Sky) -> Vec<Storm> {
        let mut storms: Vec<Storm> = vec![];
        for locked in self.locked() {
            match storms.last_mut() {
                Some(storm) if locked.from.0 - storm.to.0 < SAME_STORM_MS => {
                    storm.to = storm.to.max(locked.to);
                    if !storm.groups.contains(&locked.group) {
                        storm.groups.push(locked.group);
                    }
                }
                _ => storms.push(Storm {
                    from: locked.from,
                    to: locked.to,
                    groups: vec![locked.group],
                    drives: 0,
                    mean: None,
                    gust: None,
                }),
            }
        }
        for storm in &mut storms {
            storm.groups.sort_unstable();
            let within = |at: Wall| storm.from <= at && at <= storm.to;
            storm.drives = self
                .sent
                .iter()
                .filter(|(at, _)| within(*at))
                .map(|(_, drives)| drives)
                .sum();
            let Sky::Rows(series) = sky else { continue };
            let begin = series.rows.partition_point(|row| row.end <= storm.from);
            for row in series.rows[begin..]
                .iter()
                .take_while(|row| row.start <= storm.to)
            {
                storm.mean = row
                    .values
                    .mean
                    .into_iter()
                    .chain(storm.mean)
                    .reduce(f64::max);
                storm.gust = row
                    .values
                    .gust
                    .into_iter()
                    .chain(storm.gust)
                    .reduce(f64::max);
            }
        }
        storms
    }
}

/// The `most` strongest of them, again in order of time.
pub(super) fn strongest(mut storms: Vec<Storm>, most: usize) -> Vec<Storm> {
    storms.sort_by(|a, b| {
        b.strength()
            .total_cmp(&a.strength())
            .then(a.from.cmp(&b.from))
    });
    storms.truncate(most);
    storms.sort_by_key(|storm| storm.from);
    storms
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lockouts_close_together_are_one_storm() {
        let hour = |h: i64| Wall(h * HOUR);
        let locked = |group, from, to| Locked {
            group: GroupId(group),
            from: hour(from),
            to: hour(to),
        };
        let storms = Storms {
            from: hour(0),
            to: hour(100),
            open: vec![(GroupId(0), hour(90))],
            locked: vec![locked(1, 4, 6), locked(0, 1, 2), locked(1, 20, 21)],
            sent: vec![(hour(1), 3), (hour(5), 2), (hour(50), 9)],
        };
        let found = storms.storms(&Sky::ClearAndCalm);
        let told: Vec<_> = found
            .iter()
            .map(|s| (s.from, s.to, s.groups.len(), s.drives))
            .collect();
        assert_eq!(
            told,
            [
                (hour(1), hour(6), 2, 5),
                (hour(20), hour(21), 1, 0),
                (hour(90), hour(100), 1, 0)
            ]
        );
    }
}

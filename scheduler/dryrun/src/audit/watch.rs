//! Keeps what a replay did, for the audit to judge afterwards.

use crate::replay::Sink;
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::Model;
use leeside_core::output::{Command, LockoutChange, Word};
use leeside_core::pose::Pose;
use leeside_core::time::Wall;
use leeside_plant::{Happened, Stand};
use std::io;

/// How far from its refuge a device may stand and count as there: a hundredth of
/// the travel, two degrees of tilt.
const EXTENSION_TOLERANCE_PPM: i64 = 10_000;
const TILT_TOLERANCE_MDEG: i64 = 2_000;

/// Where a device stood from one moment on.
#[derive(Clone, Copy, Debug)]
struct Place {
    at: Wall,
    moving: bool,
    stand: Stand,
}

/// A command to one device.
#[derive(Clone, Copy, Debug)]
struct Told {
    at: Wall,
    pose: Pose,
}

/// What a replay did.
#[derive(Debug)]
pub(super) struct Watch {
    places: Vec<Vec<Place>>,
    told: Vec<Vec<Told>>,
    /// Group, guard, when, engaged.
    lockouts: Vec<(GroupId, Word, Wall, bool)>,
}

impl Watch {
    pub(super) fn new(model: &Model) -> Self {
        Self {
            places: vec![Vec::new(); model.devices.len()],
            told: vec![Vec::new(); model.devices.len()],
            lockouts: Vec::new(),
        }
    }

    /// The intervals within `from..to` in which a device did not stand at `refuge`.
    pub(super) fn out_of(
        &self,
        device: DeviceId,
        refuge: Pose,
        from: Wall,
        to: Wall,
    ) -> Vec<(Wall, Wall)> {
        let places = &self.places[device.index()];
        let first = places.partition_point(|place| place.at <= from);
        // Before anything happened to it, a device is retracted and stands.
        let begins = first.checked_sub(1).map_or_else(
            || {
                is_at(
                    Stand {
                        extension_ppm: 0,
                        tilt_mdeg: None,
                    },
                    refuge,
                )
            },
            |index| place_is_at(&places[index], refuge),
        );
        let (mut out, mut since) = (Vec::new(), (!begins).then_some(from));
        for place in places[first..].iter().take_while(|place| place.at < to) {
            match (since, place_is_at(place, refuge)) {
                (Some(begin), true) => {
                    if begin < place.at {
                        out.push((begin, place.at));
                    }
                    since = None;
                }
                (None, false) => since = Some(place.at),
                (Some(_), false) | (None, true) => {}
            }
        }
        out.extend(since.filter(|begin| *begin < to).map(|begin| (begin, to)));
        out
    }

    /// When a device first sets out within `from..to`.
    pub(super) fn sets_out(&self, device: DeviceId, from: Wall, to: Wall) -> Option<Wall> {
        let places = &self.places[device.index()];
        let first = places.partition_point(|place| place.at < from);
        let within = places[first..].iter().take_while(|place| place.at < to);
        within
            .filter(|place| place.moving)
            .map(|place| place.at)
            .next()
    }

    /// The first command that sent a device to `refuge` within `from..to`.
    pub(super) fn commanded(
        &self,
        device: DeviceId,
        refuge: Pose,
        from: Wall,
        to: Wall,
    ) -> Option<Wall> {
        let told = &self.told[device.index()];
        let first = told.partition_point(|told| told.at < from);
        let within = told[first..].iter().take_while(|told| told.at < to);
        within
            .filter(|told| is_at(Stand::of(told.pose), refuge))
            .map(|told| told.at)
            .next()
    }

    /// When a guard of a group engaged that was engaged at some moment of
    /// `from..to`, and when it was released after that.
    pub(super) fn lockout(
        &self,
        group: GroupId,
        word: Word,
        from: Wall,
        to: Wall,
    ) -> (Option<Wall>, Option<Wall>) {
        let mine = self
            .lockouts
            .iter()
            .filter(|(of, by, ..)| (*of, *by) == (group, word));
        let (mut engaged, mut released) = (None, None);
        for (_, _, at, engages) in mine {
            match (engaged, *engages) {
                _ if released.is_some() => break,
                (None, true) if *at >= to => break,
                (None, true) => engaged = Some(*at),
                (Some(_), false) if *at <= from => engaged = None,
                (Some(_), false) => released = Some(*at),
                (Some(_), true) | (None, false) => {}
            }
        }
        (engaged, released)
    }
}

fn place_is_at(place: &Place, refuge: Pose) -> bool {
    !place.moving && is_at(place.stand, refuge)
}

fn is_at(stand: Stand, refuge: Pose) -> bool {
    let wanted = Stand::of(refuge);
    let there = (stand.extension_ppm - wanted.extension_ppm).abs() <= EXTENSION_TOLERANCE_PPM;
    // A retracted blind has no tilt worth the name.
    let turned = match (stand.tilt_mdeg, wanted.tilt_mdeg) {
        (Some(is), Some(should)) if refuge.extension_pct > 0 => {
            (is - should).abs() <= TILT_TOLERANCE_MDEG
        }
        _ => true,
    };
    there && turned
}

impl Sink for Watch {
    fn movement(&mut self, _model: &Model, command: &Command) -> io::Result<()> {
        for order in &command.orders {
            if let Some(pose) = order.pose {
                self.told[order.device.index()].push(Told {
                    at: command.at.wall,
                    pose,
                });
            }
        }
        Ok(())
    }

    fn lockout(&mut self, _model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.lockouts
            .push((change.group, change.word, change.at.wall, change.engaged));
        Ok(())
    }

    fn watches(&self) -> bool {
        true
    }

    fn happened(&mut self, happened: &Happened) -> io::Result<()> {
        let Happened {
            at,
            device,
            moving,
            stand,
        } = *happened;
        self.places[device.index()].push(Place {
            at: Wall(at.0),
            moving,
            stand,
        });
        Ok(())
    }
}

//! The state that must survive: guards and their timers, holds by hand, service,
//! last poses, sequence numbers.

use super::fits::{self, Damaged, Sizes};
use super::{ContactState, Core, GroupState, Stale, alarms, evidence};
use crate::confirm::Confirm;
use crate::drives::{DriveState, FeederState};
use crate::ids::{SensorId, TimetableId};
use crate::model::Model;
use crate::output::WakeFor;
use crate::sensor::SensorState;
use crate::thresholds::Cell;
use crate::time::{Now, Steady, Wall};
use crate::wish::sun::FacadeLight;
use crate::wish::timetable::TimetableState;
use leeside_solar::Sun;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Everything that must survive a restart, by the names of the site file.
///
/// The steady count goes on from `taken.steady`: a shell that starts again
/// counts from there plus the wall time that has passed (never less than 0).
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Snapshot {
    /// When it was taken.
    pub taken: Now,
    sequence: u64,
    clock_trusted: bool,
    offline_since: Option<Steady>,
    sensors: BTreeMap<String, SensorState>,
    contacts: BTreeMap<String, ContactState>,
    gateways_lost: BTreeMap<String, bool>,
    groups: BTreeMap<String, GroupState>,
    drives: BTreeMap<String, Kept>,
    feeders: BTreeMap<String, FeederState>,
    alarms: BTreeMap<String, alarms::Standing>,
    /// What hangs on indices, of use only to a model with the same order.
    inner: Inner,
    /// Names by index: reasons carry indices, and a changed site file may have moved them.
    order: Vec<String>,
}

/// What is kept of a drive.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Kept {
    drive: DriveState,
    confirm: Confirm,
    evidence: evidence::Evidence,
}

/// State by index: pending moments, looks, the phases of today.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Inner {
    timers: Vec<(WakeFor, Steady)>,
    stale: Stale,
    facades: Vec<KeptFacade>,
    timetables: Vec<TimetableState>,
    specials: Vec<Option<u32>>,
    dawn: Option<Wall>,
}

/// What is kept of a facade: east, north and up of the sun, the light.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct KeptFacade {
    sun: (f64, f64, f64),
    light: Option<FacadeLight>,
    cell: Option<Cell>,
    stale: bool,
    #[serde(default)]
    dozes: Option<Wall>,
}

impl Core {
    /// The state that must survive.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        let model = &self.model;
        let mut timers = self.timers.all();
        timers.extend(self.together.others());
        timers.sort_unstable();
        Snapshot {
            taken: self.now,
            sequence: self.sequence,
            clock_trusted: self.clock_trusted,
            offline_since: self.offline_since,
            sensors: named(model.sensors.iter().map(|s| &s.name), &self.sensors),
            contacts: named(model.contacts.iter().map(|c| &c.name), &self.contacts),
            gateways_lost: named(model.gateways.iter().map(|g| &g.name), &self.gateways_lost),
            groups: named(model.groups.iter().map(|g| &g.name), &self.groups),
            drives: model
                .devices
                .iter()
                .enumerate()
                .map(|(i, d)| {
                    let kept = Kept {
                        drive: self.drives[i].clone(),
                        confirm: self.drives[i].confirm.clone(),
                        evidence: self.evidence[i].clone(),
                    };
                    (d.name.clone(), kept)
                })
                .collect(),
            feeders: named(model.feeders.iter().map(|f| &f.name), &self.feeders),
            alarms: self.alarms.clone(),
            inner: Inner {
                timers,
                stale: self.stale.clone(),
                facades: self
                    .facades
                    .iter()
                    .map(|f| KeptFacade {
                        sun: (f.sun.east, f.sun.north, f.sun.up),
                        light: f.light,
                        cell: f.cell,
                        stale: f.stale,
                        dozes: f.dozes,
                    })
                    .collect(),
                timetables: self.timetables.clone(),
                specials: self.specials.clone(),
                dawn: self.dawn,
            },
            order: order(model),
        }
    }

    /// A core that goes on from a snapshot, as of the moment it was taken. Alone
    /// it decides as the one that took it would have; a program that starts again
    /// sends [`RestartCause::Started`](crate::input::RestartCause) next.
    ///
    /// # Errors
    /// Where the state cannot be one that a core has kept. What to do then:
    /// [`RestartCause::StateLost`](crate::input::RestartCause).
    pub fn restore(model: Arc<Model>, snapshot: &Snapshot) -> Result<Self, Damaged> {
        let same = snapshot.order == order(&model);
        if same {
            fits::check(snapshot, Sizes::of(&model))?;
            snapshot.inner.fits(&model)?;
        } else {
            fits::check(snapshot, Sizes::named(&snapshot.order))?;
        }
        let core = Self::going_on(model, snapshot);
        if !same {
            // By names all of it may fit, and yet not this site.
            fits::check(&core.snapshot(), Sizes::of(&core.model))?;
        }
        Ok(core)
    }

    /// A core that goes on from a state that is sound.
    pub(super) fn going_on(model: Arc<Model>, snapshot: &Snapshot) -> Self {
        let mut core = Self::new(model.clone(), snapshot.taken);
        core.sequence = snapshot.sequence;
        core.clock_trusted = snapshot.clock_trusted;
        core.offline_since = snapshot.offline_since;
        take(
            &mut core.sensors,
            model.sensors.iter().map(|s| &s.name),
            &snapshot.sensors,
        );
        for (index, state) in core.sensors.iter_mut().enumerate() {
            // Its number may have been another one.
            if let Some(last) = &mut state.last {
                last.sensor = SensorId::of(index);
            }
        }
        take(
            &mut core.contacts,
            model.contacts.iter().map(|c| &c.name),
            &snapshot.contacts,
        );
        let gateways = model.gateways.iter().map(|g| &g.name);
        take(&mut core.gateways_lost, gateways, &snapshot.gateways_lost);
        take(
            &mut core.groups,
            model.groups.iter().map(|g| &g.name),
            &snapshot.groups,
        );
        take(
            &mut core.feeders,
            model.feeders.iter().map(|f| &f.name),
            &snapshot.feeders,
        );
        for (index, device) in model.devices.iter().enumerate() {
            if let Some(kept) = snapshot.drives.get(&device.name) {
                core.drives[index] = kept.drive.clone();
                core.drives[index].confirm = kept.confirm.clone();
                core.evidence[index] = kept.evidence.clone();
            }
        }
        core.alarms = snapshot.alarms.clone();
        core.note_group_alarms();
        if snapshot.order == order(&model) {
            core.resume(&snapshot.inner);
        } else {
            core.renumber(&snapshot.order);
            core.rearm();
        }
        core
    }

    /// Goes on exactly where the snapshot was taken.
    fn resume(&mut self, inner: &Inner) {
        self.timers = crate::timers::Timers::default();
        for (why, at) in &inner.timers {
            self.timers.set(*why, *at);
        }
        self.stale = inner.stale.clone();
        for (state, kept) in self.facades.iter_mut().zip(&inner.facades) {
            let (east, north, up) = kept.sun;
            state.sun = Sun { east, north, up };
            state.light = kept.light;
            state.cell = kept.cell;
            state.stale = kept.stale;
            state.dozes = kept.dozes;
        }
        self.timetables.clone_from(&inner.timetables);
        self.specials.clone_from(&inner.specials);
        self.dawn = inner.dawn;
    }
}

impl Inner {
    /// Whether its lists are those of this site, one entry for each.
    fn fits(&self, model: &Model) -> Result<(), Damaged> {
        let damaged = |place: &str, what: String| {
            let place = format!("inner.{place}");
            Err(Damaged { place, what })
        };
        for (place, has, needs) in [
            ("facades", self.facades.len(), model.facades.len()),
            ("timetables", self.timetables.len(), model.timetables.len()),
            ("specials", self.specials.len(), model.groups.len()),
        ] {
            if has != needs {
                return damaged(place, format!("{has} entries where the site has {needs}"));
            }
        }
        for (index, state) in self.timetables.iter().enumerate() {
            if !state.fits(model, TimetableId::of(index)) {
                let what = "a phase that this timetable does not have".to_owned();
                return damaged(&format!("timetables.{index}"), what);
            }
        }
        for (index, special) in self.specials.iter().enumerate() {
            if special.is_some_and(|special| special as usize >= model.specials.len()) {
                let what = "a special day that the site does not have".to_owned();
                return damaged(&format!("specials.{index}"), what);
            }
        }
        Ok(())
    }
}

fn named<'a, T: Clone>(names: impl Iterator<Item = &'a String>, of: &[T]) -> BTreeMap<String, T> {
    names.cloned().zip(of.iter().cloned()).collect()
}

fn take<'a, T: Clone>(
    into: &mut [T],
    names: impl Iterator<Item = &'a String>,
    from: &BTreeMap<String, T>,
) {
    for (slot, name) in into.iter_mut().zip(names) {
        if let Some(kept) = from.get(name) {
            *slot = kept.clone();
        }
    }
}

/// All names in their order, kinds apart.
fn order(model: &Model) -> Vec<String> {
    let groups = model.groups.iter().map(|g| format!("group {}", g.name));
    let facades = model.facades.iter().map(|f| format!("facade {}", f.name));
    let sensors = model.sensors.iter().map(|s| format!("sensor {}", s.name));
    let contacts = model.contacts.iter().map(|c| format!("contact {}", c.name));
    let devices = model.devices.iter().map(|d| format!("device {}", d.name));
    let gateways = model.gateways.iter().map(|g| format!("gateway {}", g.name));
    let timetables = model
        .timetables
        .iter()
        .map(|t| format!("timetable {}", t.name));
    sensors
        .chain(contacts)
        .chain(devices)
        .chain(gateways)
        .chain(timetables)
        .chain(groups)
        .chain(facades)
        .collect()
}

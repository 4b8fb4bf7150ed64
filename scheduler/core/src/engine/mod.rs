//! The engine: takes inputs and time, keeps state, gives verdicts.
//!
//! # Driving it
//! Call [`Core::handle`] with exactly one input and the moment it came, then
//! drain [`Core::poll`] until it answers [`Output::Wake`]; call `handle` again
//! with the next input, or with [`Input::Tick`] when that moment has *passed*.
//!
//! # Time
//! * A timer due at T acts when time passes T, and is stamped T.
//! * Inputs stamped T are decided upon together, when time passes T: readings
//!   of different sensors at one moment give the same verdicts in any order.
//! * A late call delays a decision and never changes it; extra ticks change
//!   nothing; a steady time that runs backwards is taken as standing still.

mod alarms;
mod apply;
mod asked;
mod bounds;
mod evidence;
mod explain;
mod fits;
mod input;
mod light;
mod looks;
mod ranks;
mod reload;
mod settle;
mod skies;
mod snapshot;
mod voices;

pub use explain::{AlarmView, DriveView, Explanation, GuardView, SensorView, phase_starts};
pub use fits::Damaged;
pub use ranks::{Quiet, RankView, Says};
pub use snapshot::Snapshot;

use crate::drives::{DriveState, FeederState};
use crate::guard::GuardState;
use crate::guard::ice::IceState;
use crate::guard::wind::WindLooks;
use crate::ids::{DeviceId, FacadeId, GroupId, SensorId, TimetableId};
use crate::input::{Input, Reading, Report, RestartCause};
use crate::model::Model;
use crate::output::{Lost, Output, Place, Stage, Verdict, Wake, WakeFor, Word};
use crate::sensor::SensorState;
use crate::thresholds::{Cell, Sure};
use crate::time::{MINUTE, Now, Steady, Wall, earlier};
use crate::timers::Timers;
use crate::topology::Topology;
use crate::wish::ahead::{Ahead, Minutes};
use crate::wish::hand::Hold;
use crate::wish::sun::{FacadeLight, SunState};
use crate::wish::timetable::TimetableState;
use chrono::NaiveDate;
use leeside_solar::{Almanac, Sun, SunPath};
use serde::{Deserialize, Serialize};
use skies::Skies;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

/// The decision core.
#[derive(Clone)]
pub struct Core {
    model: Arc<Model>,
    topology: Arc<Topology>,
    now: Now,
    sensors: Vec<SensorState>,
    contacts: Vec<ContactState>,
    gateways_lost: Vec<bool>,
    facades: Vec<FacadeState>,
    groups: Vec<GroupState>,
    drives: Vec<DriveState>,
    feeders: Vec<FeederState>,
    timetables: Vec<TimetableState>,
    specials: Vec<Option<u32>>,
    evidence: Vec<evidence::Evidence>,
    timers: Timers,
    together: Together,
    clock_trusted: bool,
    /// The plant may not have been reached since.
    offline_since: Option<Steady>,
    /// The wall time of the present call, which may come late.
    called: Wall,
    sequence: u64,
    alarms: BTreeMap<String, alarms::Standing>,
    /// Whether any alarm stands that follows from a group's guards.
    group_alarms_stand: bool,
    out: VecDeque<(Place, Output)>,
    /// Where in a moment it is.
    stage: Stage,
    stale: Stale,
    /// Which word decided for which group, and whether that is said again, as far as
    /// it is not carried out yet: the next one last. Empty once all is polled.
    decided: Vec<(Word, GroupId, bool)>,
    /// At which moment.
    decided_at: Now,
    /// What is still to be looked at of a moment that is settled as it is polled: the
    /// next one last.
    looking: Vec<GroupId>,
    /// Whether every sensor had been heard by then.
    all_heard: bool,
    /// No feeder has a start to come after this.
    last_start: Steady,
    /// Per rules that groups have in common, what was found in the present moment.
    calm: Vec<Option<bool>>,
    /// By which of those rules it last looked at the wind in the present moment, and
    /// what it saw.
    wind: Option<(usize, WindLooks)>,
    /// By which rule it last looked at ice in the present moment, from where to where
    /// that took a group.
    ice: Option<(usize, IceState, IceState)>,
    /// What lost in the last verdict: where it is the same again it is shared.
    lost: Arc<[Lost]>,
    /// What lost to comfort in the present moment, by what that is made of.
    lost_to_comfort: Vec<(voices::Below, Arc<[Lost]>)>,
    /// What speaks and loses, while a verdict is made.
    losing: Vec<Lost>,
    sun_path: SunPath,
    suns: Minutes<(Sun, Sun)>,
    almanac: Almanac,
    /// The next time the sun rises, while it is down.
    dawn: Option<Wall>,
    /// The local date of the moment at which it was last asked for.
    today: Option<(Wall, NaiveDate)>,
    /// The light of the moment at which it was last asked for.
    skies: Skies,
}

/// What has to be looked at when the present moment has passed.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Stale {
    at: Option<Steady>,
    groups: Vec<GroupId>,
    facades: Vec<FacadeId>,
    /// Sensors whose peak is to be forgotten once it has been looked at.
    peaks: Vec<SensorId>,
}

impl Stale {
    fn mark(&mut self, groups: &mut [GroupState], group: GroupId, bits: u8, at: Steady) {
        let state = &mut groups[group.index()];
        if state.stale == 0 {
            self.groups.push(group);
        }
        state.stale |= bits;
        self.at.get_or_insert(at);
    }
}

/// What of a group has to be looked at.
mod stale_bits {
    pub(super) const GUARDS: u8 = 1;
    pub(super) const SUN: u8 = 2;
    pub(super) const DECIDE: u8 = 4;
    pub(super) const DEVICES: u8 = 8;
    /// Everything, and the verdict is said even if it did not change.
    pub(super) const REPEAT: u8 = 16;
    /// Any of these, and the group is decided upon. Guards and sun ask for it
    /// themselves where a look changed anything.
    pub(super) const DECIDES: u8 = DECIDE | DEVICES | REPEAT;
    pub(super) const ALL: u8 = GUARDS | SUN | DECIDE | DEVICES;
}

#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
struct ContactState {
    heard: Option<Steady>,
    active: bool,
    latched_until: Option<Steady>,
    pressed: Option<Steady>,
    long: bool,
}

#[derive(Clone, Debug)]
struct FacadeState {
    wanted: bool,
    stale: bool,
    sun: Sun,
    light: Option<FacadeLight>,
    /// Between which thresholds the light was when the groups were last looked at.
    cell: Option<Cell>,
    /// On which openings the sun is known to fall for a while.
    sure: Sure,
    /// When it was last looked at, where the sun is sure to stay behind it for some
    /// minutes: until then it is looked at only where somebody asks what light there is.
    dozes: Option<Wall>,
    /// Not in its place: all facades are gone through each minute, and few look ahead.
    ahead: Box<Ahead>,
    /// It waits [together](Together) with others.
    together: bool,
}

/// Facades that will be looked at at the same moment: the first has a timer, which
/// stands for all.
#[derive(Clone, Debug, Default)]
struct Together {
    at: Option<Steady>,
    facades: Vec<FacadeId>,
}

impl Together {
    /// The pending moments of those that have no timer of their own.
    fn others(&self) -> impl Iterator<Item = (WakeFor, Steady)> {
        let others = self.facades.iter().skip(1);
        others.filter_map(|id| Some((WakeFor::Facade(*id), self.at?)))
    }
}

/// Somebody works at the facade.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
struct Service {
    owner: String,
    since: Wall,
    expected_end: Option<Wall>,
}

/// Whether the weather of a group is known after a restart.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
enum Known {
    No,
    Since(Steady),
    Yes,
}

/// What is kept of a group. What most groups do not have, or not most of the time,
/// stands elsewhere: a gust goes through thousands of these.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct GroupState {
    wind: GuardState,
    hail: GuardState,
    ice: IceState,
    rain: GuardState,
    service: Option<Box<Service>>,
    hand: Option<Box<Hold>>,
    device_holds: Vec<(DeviceId, Hold)>,
    sun: SunState,
    known: Known,
    stale: u8,
    verdict: Option<Box<Verdict>>,
    /// When the course last changed.
    changed: Option<Now>,
    overrides: u32,
}

impl Core {
    /// A core that knows nothing yet: every sensor waits to be heard, and until
    /// then no wish moves anything.
    #[must_use]
    pub fn new(model: Arc<Model>, now: Now) -> Self {
        let now = now.within();
        let topology = Arc::new(Topology::of(&model));
        let mut core = Self {
            now,
            sensors: model
                .sensors
                .iter()
                .map(|_| SensorState::new(now))
                .collect(),
            contacts: model
                .contacts
                .iter()
                .map(|_| ContactState::unheard())
                .collect(),
            gateways_lost: vec![false; model.gateways.len()],
            facades: (0..model.facades.len())
                .map(|i| {
                    FacadeState::new(
                        topology.facade_groups[i]
                            .iter()
                            .any(|g| model.group(*g).sun.is_some()),
                    )
                })
                .collect(),
            groups: model.groups.iter().map(|_| GroupState::new()).collect(),
            drives: vec![DriveState::unknown(now.steady); model.devices.len()],
            feeders: vec![FeederState::default(); model.feeders.len()],
            timetables: (0..model.timetables.len())
                .map(|i| TimetableState::new(TimetableId::of(i)))
                .collect(),
            specials: vec![None; model.groups.len()],
            evidence: vec![evidence::Evidence::default(); model.devices.len()],
            timers: Timers::default(),
            together: Together::default(),
            clock_trusted: true,
            offline_since: Some(now.steady),
            called: now.wall,
            sequence: 0,
            alarms: BTreeMap::new(),
            group_alarms_stand: false,
            out: VecDeque::new(),
            stage: Stage::Taking,
            stale: Stale::default(),
            decided: Vec::new(),
            decided_at: now,
            looking: Vec::new(),
            all_heard: false,
            // Not known: the first who asks looks at all feeders.
            last_start: Steady(i64::MAX),
            calm: Vec::new(),
            wind: None,
            ice: None,
            lost: Arc::default(),
            lost_to_comfort: Vec::new(),
            losing: Vec::new(),
            sun_path: SunPath::new(model.site.location, model.site.atmosphere),
            suns: Minutes::default(),
            almanac: Almanac::new(model.site.location),
            dawn: None,
            today: None,
            skies: Skies::default(),
            topology,
            model,
        };
        core.begin();
        core
    }

    /// Takes exactly one input. What was due before `now` acts first, each
    /// stamped with the moment it was due.
    pub fn handle(&mut self, now: Now, input: Input) {
        // What was due while nobody was there must not be made up for.
        let anew = matches!(
            input,
            Input::Restart(RestartCause::Started | RestartCause::StateLost)
        );
        self.come_to(now, !anew, false);
        self.take(input);
    }

    /// As [`handle`](Self::handle) with a tick, but where this tick comes in time, so
    /// that only one moment is settled, its verdicts are carried out one by one as they
    /// are polled, and what wind decides is decided so too: the first command need not
    /// wait until the last is made. The same comes out, commands in the same order; of
    /// what else comes out, that of one group does. Until it is drained nothing else is
    /// to be asked of the core.
    pub fn tick_as_polled(&mut self, now: Now) {
        self.come_to(now, true, true);
    }

    /// Takes readings of one moment, one after the other as [`handle`](Self::handle)
    /// would, only quicker.
    pub fn hear(&mut self, now: Now, readings: &[Reading]) {
        // One that says what is known already sets no timer and leaves nothing to be
        // decided: what was not due before this moment is not due after it either.
        let mut comes = true;
        for reading in readings {
            if comes {
                self.come_to(now, true, false);
            }
            comes = self.reading(reading);
        }
    }

    /// Takes what a drive tells of itself, as [`handle`](Self::handle) would, only quicker.
    pub fn hear_drive(&mut self, now: Now, report: &Report) {
        self.come_to(now, true, false);
        self.report(report);
    }

    /// The present moment is this; what was due before it acts first, if it is to.
    #[inline]
    fn come_to(&mut self, now: Now, acts: bool, as_polled: bool) {
        self.carry_out_all();
        let now = now.within();
        let steady = now.steady.max(self.now.steady);
        self.called = now.wall;
        if acts {
            self.advance(steady, as_polled);
        }
        self.now = Now {
            wall: now.wall,
            steady,
        };
    }

    /// Everything is looked at and decided upon when `now` has passed, as if all had
    /// changed. It changes nothing, which is what it is for: to see that nothing is
    /// missed that is not looked at. (Guards of a group that frost locks out are left
    /// alone: whether it is frost still, or held after it, is told with readings.)
    pub fn look_anew(&mut self, now: Now) {
        self.handle(now, Input::Tick);
        // Light is looked at by whole minutes.
        if now.wall.0 % MINUTE == 0 {
            for index in 0..self.facades.len() {
                self.facades[index].sure = Sure::default();
                self.mark_facade(FacadeId::of(index));
            }
        }
        for index in 0..self.groups.len() {
            let frost = self.groups[index].ice.guard.engaged.is_some();
            let guards = if frost { 0 } else { stale_bits::GUARDS };
            let bits = guards | stale_bits::SUN | stale_bits::DECIDE;
            self.mark(GroupId::of(index), bits);
        }
    }

    /// One output; drain until [`Output::Wake`].
    pub fn poll(&mut self) -> Output {
        while self.out.is_empty() && self.carry_out_next() {}
        match self.out.pop_front() {
            Some((_, output)) => output,
            None => Output::Wake(self.wake()),
        }
    }

    /// One output and its place in the order of outputs, for who shares a site out
    /// among several cores and puts their outputs together again.
    pub fn poll_placed(&mut self) -> (Place, Output) {
        while self.out.is_empty() && self.carry_out_next() {}
        match self.out.pop_front() {
            Some(placed) => placed,
            None => (self.place(), Output::Wake(self.wake())),
        }
    }

    /// Something comes out.
    fn say(&mut self, output: Output) {
        self.out.push_back((self.place(), output));
    }

    const fn place(&self) -> Place {
        Place {
            at: self.now.steady,
            stage: self.stage,
        }
    }

    /// The model it decides by.
    #[must_use]
    pub const fn model(&self) -> &Arc<Model> {
        &self.model
    }

    /// The last moment it was told.
    #[must_use]
    pub const fn now(&self) -> Now {
        self.now
    }

    fn wake(&mut self) -> Option<Wake> {
        let settle = self.stale.at.map(|at| (at, WakeFor::Settle));
        let timer = self.timers.next();
        let (steady, why) = match (settle, timer) {
            (Some(a), Some(b)) => a.min(b),
            (a, b) => a.or(b)?,
        };
        Some(Wake {
            at: self.at(steady),
            why,
        })
    }

    /// The moment on both clocks, by the clocks' present distance.
    fn at(&self, steady: Steady) -> Now {
        Now {
            wall: self
                .now
                .wall
                .plus(steady.0.saturating_sub(self.now.steady.0)),
            steady,
        }
    }

    /// The steady moment of a wall moment, by the clocks' present distance.
    fn steady_of(&self, wall: Wall) -> Steady {
        let ahead = wall.0.saturating_sub(self.now.wall.0);
        self.now.steady.plus(ahead)
    }

    /// Lets everything act that was due before `until`.
    fn advance(&mut self, until: Steady, as_polled: bool) {
        loop {
            let timer = self.timers.next_before(until);
            let stale = self.stale.at.filter(|at| *at < until);
            let Some(next) = earlier(timer, stale) else {
                return;
            };
            // A moment in the past (set by a late call) acts now, not back then.
            self.now = self.at(next.max(self.now.steady));
            while let Some(why) = self.timers.pop_due(self.now.steady) {
                self.due(why);
            }
            if self.stale.at.is_some_and(|at| at <= self.now.steady) {
                let model = self.model.clone();
                // Carrying out sets no timer to the moment itself, so nothing that it
                // brings is due before the next.
                let as_polled = as_polled && until <= self.now.steady.plus(1);
                self.settle(&model, as_polled);
                if !as_polled {
                    self.carry_out_rest(&model);
                }
            }
        }
    }

    /// Something of a group has to be looked at once this moment has passed.
    fn mark(&mut self, group: GroupId, bits: u8) {
        self.stale
            .mark(&mut self.groups, group, bits, self.now.steady);
    }

    fn mark_all(&mut self, bits: u8) {
        for index in 0..self.groups.len() {
            self.mark(GroupId::of(index), bits);
        }
    }

    fn mark_facade(&mut self, facade: FacadeId) {
        let state = &mut self.facades[facade.index()];
        if state.wanted && !state.stale {
            state.stale = true;
            self.stale.facades.push(facade);
            self.stale.at.get_or_insert(self.now.steady);
        }
    }
}

impl ContactState {
    const fn unheard() -> Self {
        Self {
            heard: None,
            active: false,
            latched_until: None,
            pressed: None,
            long: false,
        }
    }

    /// Nothing that was heard before counts: it has to be heard anew.
    const fn unhear(&mut self) {
        self.heard = None;
        self.latched_until = None;
        self.pressed = None;
    }
}

impl FacadeState {
    fn new(wanted: bool) -> Self {
        Self {
            wanted,
            stale: false,
            sun: Sun {
                east: 0.0,
                north: 0.0,
                up: -1.0,
            },
            light: None,
            cell: None,
            sure: Sure::default(),
            dozes: None,
            ahead: Box::default(),
            together: false,
        }
    }
}

impl GroupState {
    fn new() -> Self {
        Self {
            wind: GuardState::default(),
            hail: GuardState::default(),
            ice: IceState::default(),
            rain: GuardState::default(),
            service: None,
            hand: None,
            device_holds: Vec::new(),
            sun: SunState::new(),
            known: Known::No,
            stale: 0,
            verdict: None,
            changed: None,
            overrides: 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::guard::Engaged;
    use core::mem::size_of;

    #[test]
    fn a_group_with_its_drive_takes_less_than_two_kibibytes() {
        let state = size_of::<GroupState>() + size_of::<DriveState>();
        // What stands elsewhere, all of it at once.
        let engaged = settle::WEATHER.len() * size_of::<Engaged>();
        let elsewhere = engaged + size_of::<Service>() + size_of::<Hold>() + size_of::<Verdict>();
        let answers = size_of::<evidence::Evidence>();
        // Six voices that lost, four pending moments in two trees, eight runs.
        let kept = 6 * size_of::<Lost>() + 4 * 2 * size_of::<(Steady, WakeFor)>();
        let runs = 8 * size_of::<(Steady, Steady)>();
        let total = state + elsewhere + answers + kept + runs;
        assert!(
            total < 2048,
            "{state} + {elsewhere} + {answers} + {kept} + {runs}"
        );
    }
}

//! A world in which nothing happens by itself, for what is told to the checks by hand.

use crate::site::{MAST, TOWER};
use crate::world::World;
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId, SensorId, TimetableId};
use leeside_core::input::{Ask, Input, Origin, Part, Reading, Sample};
use leeside_core::model::{Model, Policy, SensorKind};
use leeside_core::output::{Command, Order, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::time::{HOUR, MINUTE, Now};
use std::sync::Arc;

type Finding = Result<(), String>;

/// The slat blind that timetables are told of.
const BLIND: DeviceId = DeviceId(2);

/// A world in which nothing happens by itself: mild, calm, closed and known.
pub(crate) struct Bench(pub(crate) World);

impl Bench {
    pub(crate) fn new() -> Self {
        Self::with(|_| {})
    }

    pub(crate) fn with(shape: fn(&mut Model)) -> Self {
        Self::cold(shape).calmed()
    }

    /// Nothing has been heard yet. It is 10 in the morning, in June.
    pub(crate) fn cold(shape: fn(&mut Model)) -> Self {
        let mut world = World::new(1, 1, false);
        let mut model = (*world.model).clone();
        for group in &mut model.groups {
            group.quiet = None;
        }
        for product in &mut model.products {
            product.budget = None;
            product.reversal_pause_ms = 600;
        }
        for device in &mut model.devices {
            device.drive.evidence = None;
            device.drive.reports = false;
        }
        for feeder in &mut model.feeders {
            feeder.stagger_ms = 0;
        }
        for sensor in &mut model.sensors {
            sensor.validity.silence_ms = HOUR;
            sensor.validity.stuck_ms = None;
            sensor.validity.zero = None;
        }
        model.policy.known_for_ms = MINUTE;
        shape(&mut model);
        world.put_in(model, 1_781_510_400_000);
        Self(world)
    }

    /// What the site has decided otherwise, as from the beginning.
    pub(crate) fn policy(&mut self, decide: fn(&mut Policy, bool), how: bool) {
        let model = Arc::make_mut(&mut self.0.model);
        decide(&mut model.policy, how);
        self.0.core = Some(Core::new(self.0.model.clone(), self.now()));
    }

    pub(crate) fn calmed(mut self) -> Self {
        for index in 0..self.0.model.sensors.len() {
            let sensor = SensorId::of(index);
            let sample = match self.0.model.sensors[index].kind {
                SensorKind::Wind => breeze(1.0),
                SensorKind::Temperature | SensorKind::RoomTemperature => Sample::Value(20.0),
                SensorKind::Humidity => Sample::Value(50.0),
                SensorKind::SurfaceTemperature
                | SensorKind::Rain
                | SensorKind::Hail
                | SensorKind::PlaneIrradiance
                | SensorKind::PlaneIlluminance
                | SensorKind::GlobalHorizontal
                | SensorKind::HorizontalIlluminance => Sample::Value(0.0),
            };
            self.hear(sensor, sample);
        }
        for index in 0..self.0.model.contacts.len() {
            let contact = leeside_core::ids::ContactId::of(index);
            let active = false;
            self.input(Input::Contact { contact, active });
        }
        self.later(3 * MINUTE);
        self
    }

    pub(crate) fn now(&self) -> Now {
        self.0.now()
    }

    /// Something is heard by both, the core and what is reckoned apart from it.
    pub(crate) fn input(&mut self, input: Input) {
        self.truth_hears(&input);
        self.core_hears(input);
    }

    pub(crate) fn truth_hears(&mut self, input: &Input) {
        let now = self.now();
        self.0.truth.take(&self.0.model, now, input);
        self.0.truth.settle(&self.0.model, now);
    }

    /// What it says to that nobody carries out.
    pub(crate) fn core_hears(&mut self, input: Input) {
        let now = self.now();
        let core = self.0.core.as_mut().unwrap();
        core.handle(now, input);
        while !matches!(core.poll(), leeside_core::output::Output::Wake(_)) {}
    }

    pub(crate) fn reading(&self, sensor: SensorId, sample: Sample) -> Input {
        let at = self.now().wall;
        Input::Reading(Reading { sensor, at, sample })
    }

    pub(crate) fn hear(&mut self, sensor: SensorId, sample: Sample) {
        let reading = self.reading(sensor, sample);
        self.input(reading);
    }

    /// Both masts tell of a gust.
    pub(crate) fn gust(&mut self, mps: f64) {
        self.hear(MAST, breeze(mps));
        self.hear(TOWER, breeze(mps));
    }

    pub(crate) fn later(&mut self, ms: i64) {
        self.0.t += ms;
        let now = self.now();
        self.0.plant.advance(now);
        self.0.truth.pass(&self.0.model, now);
        self.0.truth.settle(&self.0.model, now);
        self.core_hears(Input::Tick);
    }

    pub(crate) fn ask(&mut self, ask: Ask) {
        self.input(crate::mishaps::asked(Origin::Centre, ask));
    }

    /// A command by `word` that sends one device to an extension.
    pub(crate) fn command(
        &self,
        word: Word,
        because: Because,
        device: DeviceId,
        to: u8,
    ) -> Command {
        let now = self.now();
        let has = |g: &leeside_core::model::Group| g.devices.contains(&device);
        let group = self.0.model.groups.iter().position(has).unwrap();
        let pose = Pose::extension(to);
        let pose_of = |device| Order {
            device,
            pose: Some(pose),
            start_delay_ms: 0,
        };
        Command {
            sequence: self.0.checks.sequence + 1,
            group: GroupId::of(group),
            at: now,
            not_after: now.wall.plus(MINUTE),
            pose,
            orders: vec![pose_of(device)],
            decided_by: word,
            because,
            lost: Arc::from([]),
            release: Release::AnyWish,
            repeat: false,
        }
    }

    pub(crate) fn by_hand(&self, device: DeviceId, to: u8) -> Command {
        let by = "somebody".to_owned();
        self.command(Word::Hand, Because::Hand { by, room: true }, device, to)
    }

    pub(crate) fn by_timetable(&self, to: u8) -> Command {
        let because = Because::Phase {
            timetable: TimetableId(0),
            plan: 0,
            phase: 0,
        };
        self.command(Word::Timetable, because, BLIND, to)
    }

    /// The checks are shown a command.
    pub(crate) fn told(&mut self, command: &Command) -> Finding {
        let (scene, checks, _) = self.0.scene(true);
        checks.command(&scene, command)
    }

    /// The plant gets it, too.
    pub(crate) fn carried_out(&mut self, command: &Command) -> Finding {
        self.told(command)?;
        let now = self.now();
        self.0.plant.handle(now, command);
        self.look(false)
    }

    /// Only whether a device is in its refuge in time.
    pub(crate) fn look_at_refuge(&mut self, group: GroupId, device: DeviceId) -> Finding {
        let (scene, checks, core) = self.0.scene(true);
        checks.refuge(&scene, core, group, device)
    }

    /// The checks look at the plant, and at the core.
    pub(crate) fn look(&mut self, at_core: bool) -> Finding {
        let (scene, checks, core) = self.0.scene(!self.0.gap);
        checks.step(&scene, core.filter(|_| at_core))
    }
}

/// A gust, with half of it as the mean.
pub(crate) const fn breeze(mps: f64) -> Sample {
    Sample::Wind {
        gust: Part::Value(mps),
        mean: Part::Value(mps / 2.0),
        direction: Part::Unsaid,
    }
}

//! The world around the core: one queue of happenings, one clock, and every
//! mishap between a sensor and a motor.

use crate::checks::{Checks, Scene, UNDER_WAY_MS};
use crate::mishaps::by_hand;
use crate::rng::Rng;
use crate::site::{self, DOORS, EVERY, SWITCHES};
use crate::switches::Pressed;
use crate::truth::Truth;
use crate::weather::{Sky, Weather};
use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::ids::{ContactId, DeviceId, FeederId, GroupId, SensorId};
use leeside_core::input::{Ask, Input};
use leeside_core::model::Model;
use leeside_core::output::{Command, Output};
use leeside_core::time::{HOUR, MINUTE, Now, SECOND, Steady, Wall};
use leeside_plant::Plant;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

const DAY: i64 = 24 * HOUR;

/// Something that happens.
#[derive(Clone, Debug)]
pub(crate) enum Happening {
    /// A sensor measures.
    Measure(SensorId),
    /// Something reaches the core.
    Deliver(Input),
    /// Somebody asks for something.
    Person,
    Door(ContactId),
    Occupancy,
    Fire(bool),
    ServiceEnds(GroupId),
    /// A sensor fails for a while, or is well again.
    SensorFails,
    SensorWell(SensorId),
    DriveFails,
    DriveWell(DeviceId),
    FeederFails,
    FeederWell(FeederId),
    GapBegins,
    GapEnds,
    GatewayFails,
    Crash,
    Start {
        cold: bool,
    },
    ClockSteps,
    /// After a step to 1970 somebody sets it right.
    ClockRight,
    ClockTrust,
    Keep,
    Reload,
    Tick,
    /// A switch is pressed, so long; released; and what then ought to be.
    Press(ContactId),
    Release(ContactId, Pressed),
    Judge(ContactId, Pressed),
    /// A drive's power is measured; again and again, or this once.
    Power(DeviceId, bool),
    /// A drive's power is not what it should be for a while.
    PowerLies,
    PowerRight(DeviceId),
}

/// What ails a sensor.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Ail {
    Dead,
    /// The cups are gone: it reads no wind at all.
    Zero,
    Stuck(Sky),
    Wild,
    Slow,
}

/// A seed's world.
pub(crate) struct World {
    seed: u64,
    pub(crate) rng: Rng,
    pub(crate) model: Arc<Model>,
    pub(crate) core: Option<Core>,
    pub(crate) plant: Plant,
    pub(crate) truth: Truth,
    pub(crate) checks: Checks,
    pub(crate) weather: Weather,
    pub(crate) queue: BTreeMap<(i64, u64), Happening>,
    queued: u64,
    pub(crate) t: i64,
    pub(crate) wall_ahead: i64,
    end: i64,
    pub(crate) ails: Vec<Option<Ail>>,
    /// Commands are lost since; the core is told a little later.
    pub(crate) gap: bool,
    /// What a crash leaves: the snapshot, and what was true when it was taken.
    pub(crate) kept: Option<(Snapshot, Truth)>,
    /// The latest moment of a start, by the wall.
    pub(crate) latest: Wall,
    /// What happened last, for the report of a failure.
    log: VecDeque<String>,
    pub(crate) mark: u64,
    verbose: bool,
    /// How often the program has started, or the clock has stepped.
    pub(crate) starts: u64,
    /// The state of the run before is lost, and nobody has seen the alarm of it.
    pub(crate) state_lost: bool,
    /// The latest moment at which it was lost, by the wall.
    pub(crate) lost_at: Option<Wall>,
    /// Who was refused last, and when.
    pub(crate) refused: Option<(String, i64)>,
    /// What drives draw instead of what they should, W.
    pub(crate) lies: Vec<Option<f64>>,
}

/// What a run came to.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Outcome {
    pub(crate) inputs: u64,
    pub(crate) commands: u64,
    pub(crate) lockouts: u64,
    /// A digest of everything that came out: two runs of a seed have the same.
    pub(crate) mark: u64,
}

impl World {
    /// 1 January 2026 plus a drawn day, for so many days.
    pub(crate) fn new(seed: u64, days: i64, verbose: bool) -> Self {
        let mut rng = Rng::new(seed);
        let model = Arc::new(site::draw(&mut rng));
        let start = 1_767_225_600_000 + rng.int(0, 364) * DAY + rng.int(0, DAY);
        let now = Now::both(start);
        let core = Core::new(model.clone(), now);
        let mut world = Self {
            seed,
            plant: Plant::new(&model, now),
            truth: Truth::new(&model, now),
            checks: Checks::new(&model),
            weather: Weather::new(Rng::new(rng.draw()), start),
            core: Some(core),
            queue: BTreeMap::new(),
            queued: 0,
            t: start,
            wall_ahead: 0,
            end: start + days * DAY,
            ails: vec![None; model.sensors.len()],
            gap: false,
            kept: None,
            latest: Wall(start),
            log: VecDeque::new(),
            mark: seed,
            verbose,
            starts: 0,
            state_lost: false,
            lost_at: None,
            refused: None,
            lies: vec![None; model.devices.len()],
            model,
            rng,
        };
        world.begin();
        world
    }

    /// Another site, at another moment, where nothing happens by itself.
    pub(crate) fn put_in(&mut self, model: Model, at: i64) {
        let now = Now::both(at);
        self.model = Arc::new(model);
        (self.t, self.wall_ahead) = (at, 0);
        self.queue.clear();
        self.core = Some(Core::new(self.model.clone(), now));
        self.plant = Plant::new(&self.model, now);
        self.truth = Truth::new(&self.model, now);
        self.checks = Checks::new(&self.model);
    }

    fn begin(&mut self) {
        for (index, every) in EVERY.into_iter().enumerate() {
            let first = self.rng.int(1, every);
            self.after(first, Happening::Measure(SensorId::of(index)));
        }
        self.after(SECOND, Happening::Deliver(Input::Connected));
        for index in 0..self.model.contacts.len() {
            let contact = ContactId::of(index);
            let at = self.rng.int(1, 10) * SECOND;
            self.after(
                at,
                Happening::Deliver(Input::Contact {
                    contact,
                    active: false,
                }),
            );
        }
        for happening in [
            Happening::Person,
            Happening::Door(DOORS[0]),
            Happening::Door(DOORS[1]),
            Happening::Occupancy,
            Happening::Fire(true),
            Happening::SensorFails,
            Happening::DriveFails,
            Happening::FeederFails,
            Happening::GapBegins,
            Happening::GatewayFails,
            Happening::Crash,
            Happening::ClockSteps,
            Happening::ClockTrust,
            Happening::Keep,
            Happening::Reload,
            Happening::Tick,
            Happening::Press(SWITCHES[0]),
            Happening::Press(SWITCHES[1]),
            Happening::PowerLies,
        ] {
            self.again(happening);
        }
        for index in 0..self.model.devices.len() {
            if self.model.devices[index].drive.evidence.is_some() {
                let first = self.rng.int(1, 10) * MINUTE;
                self.after(first, Happening::Power(DeviceId::of(index), true));
            }
        }
    }

    /// Mean time between two happenings of a kind, minutes.
    pub(crate) fn again(&mut self, happening: Happening) {
        let minutes = match happening {
            Happening::Person => 70,
            Happening::Door(_) | Happening::Occupancy | Happening::Press(_) => 100,
            Happening::Keep => 8,
            Happening::Tick => 45,
            Happening::SensorFails => 9 * 60,
            Happening::PowerLies => 14 * 60,
            Happening::DriveFails | Happening::GapBegins => 20 * 60,
            Happening::FeederFails | Happening::GatewayFails | Happening::Reload => 50 * 60,
            Happening::Crash => 30 * 60,
            Happening::ClockSteps | Happening::ClockTrust => 60 * 60,
            Happening::Fire(_) => 5 * 24 * 60,
            Happening::Measure(_)
            | Happening::Deliver(_)
            | Happening::ServiceEnds(_)
            | Happening::SensorWell(_)
            | Happening::DriveWell(_)
            | Happening::FeederWell(_)
            | Happening::GapEnds
            | Happening::ClockRight
            | Happening::Release(..)
            | Happening::Judge(..)
            | Happening::Power(..)
            | Happening::PowerRight(_)
            | Happening::Start { .. } => 60,
        };
        let wait = self.rng.int(1, 2 * minutes * MINUTE);
        self.after(wait, happening);
    }

    pub(crate) fn after(&mut self, ms: i64, happening: Happening) {
        self.queued += 1;
        self.queue.insert((self.t + ms, self.queued), happening);
    }

    pub(crate) const fn now(&self) -> Now {
        Now {
            wall: Wall(self.t + self.wall_ahead),
            steady: Steady(self.t),
        }
    }

    /// Runs to the end.
    ///
    /// # Errors
    /// What was seen that must not be, with the seed and what happened before it.
    pub(crate) fn run(&mut self) -> Result<Outcome, String> {
        let mut outcome = Outcome::default();
        let told = self.go(&mut outcome);
        told.map_err(|why| {
            let log: Vec<_> = self.log.iter().cloned().collect();
            let sensors = self.core.iter().flat_map(|core| {
                let standing = |i| core.sensor(SensorId::of(i)).standing;
                let names = self.model.sensors.iter().enumerate();
                names.map(move |(i, sensor)| format!("{} {:?}", sensor.name, standing(i)))
            });
            format!(
                "seed {}: {why}\n  at {}\n  sensors: {}\n  before it:\n    {}",
                self.seed,
                self.now().wall.utc(),
                sensors.collect::<Vec<_>>().join(", "),
                log.join("\n    ")
            )
        })?;
        outcome.commands = self.checks.commands;
        outcome.lockouts = self.checks.lockouts;
        outcome.mark = self.mark;
        Ok(outcome)
    }

    fn go(&mut self, outcome: &mut Outcome) -> Result<(), String> {
        while self.t < self.end {
            let wake = self.core.as_mut().and_then(|core| {
                let Output::Wake(wake) = core.poll() else {
                    return None;
                };
                wake.map(|wake| wake.at.steady.0 + 1)
            });
            let plant = self.plant.next().map(|at| at.0);
            let queued = self.queue.first_key_value().map(|((at, _), _)| *at);
            let Some(next) = [wake, plant, queued].into_iter().flatten().min() else {
                return Ok(());
            };
            self.t = next.max(self.t);
            self.pass()?;
            while let Some(entry) = self.queue.first_entry()
                && entry.key().0 <= self.t
            {
                let happening = entry.remove();
                self.happen(happening, outcome)?;
            }
            self.truth.settle(&self.model, self.now());
        }
        Ok(())
    }

    /// What the checks are shown, the checks, and the core.
    pub(crate) fn scene(&mut self, reached: bool) -> (Scene<'_>, &mut Checks, Option<&Core>) {
        let scene = Scene {
            now: self.now(),
            model: &self.model,
            truth: &self.truth,
            plant: &self.plant,
            reached,
        };
        (scene, &mut self.checks, self.core.as_ref())
    }

    /// Lets everything act that was due before this moment, then looks at it all.
    fn pass(&mut self) -> Result<(), String> {
        let now = self.now();
        self.plant.advance(now);
        self.truth.pass(&self.model, now);
        if let Some(core) = &mut self.core {
            core.handle(now, Input::Tick);
        }
        self.drain()?;
        while let Some(told) = self.plant.poll() {
            if !self.gap {
                self.after(0, Happening::Deliver(Input::Report(told.report)));
            }
        }
        for index in 0..self.model.devices.len() {
            if self.checks.devices[index].powerless {
                self.checks.devices[index].sound = self.sound(DeviceId::of(index));
            }
        }
        let reached = self.core.is_some() && !self.gap;
        let (scene, checks, core) = self.scene(reached);
        checks.step(&scene, core)?;
        self.believed()?;
        self.said_lost()?;
        self.counted()
    }

    pub(crate) fn drain(&mut self) -> Result<(), String> {
        while let Some(core) = &mut self.core {
            let output = core.poll();
            if matches!(output, Output::Wake(_)) {
                break;
            }
            self.output(&output)?;
        }
        Ok(())
    }

    fn output(&mut self, output: &Output) -> Result<(), String> {
        let text = format!("{output:?}");
        for byte in text.bytes() {
            self.mark = (self.mark ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
        }
        self.note(|| text);
        match output {
            Output::Command(command) => self.command(command),
            Output::Lockout(_) => {
                self.checks.lockouts += 1;
                Ok(())
            }
            Output::Alarm(alarm) => self.alarm(alarm),
            Output::Refused { by, .. } => {
                self.refused = Some((by.clone(), self.t));
                Ok(())
            }
            Output::Announce { .. } | Output::Wake(_) => Ok(()),
        }
    }

    fn command(&mut self, command: &Command) -> Result<(), String> {
        let now = self.now();
        let (scene, checks, _) = self.scene(!self.gap);
        checks.command(&scene, command)?;
        for order in &command.orders {
            // Not told, or not in order, it is not asked of until it has been told again.
            let sound = self.sound(order.device);
            let lost = self.gap || !sound;
            let watched = &mut self.checks.devices[order.device.index()];
            // Told otherwise before it could be seen where it is, the core goes on from
            // where it would be on its way.
            let cut_short = watched.reveals && self.t - watched.commanded_at < UNDER_WAY_MS;
            watched.owed = self.gap && sound && (watched.owed || !watched.excused);
            watched.excused |= lost || cut_short;
            watched.commanded_at = self.t;
            let starts = self.t + i64::from(order.start_delay_ms);
            watched.known_from = watched.known_from.min(starts);
            // What goes from nobody knows where may be there already: no power proves
            // nothing then.
            let knows = self.core.as_ref().and_then(|core| core.pose(order.device));
            watched.unsure |= lost || knows.is_none();
            watched.astray |= lost || cut_short;
            watched.goal = order.pose.filter(|_| !lost);
            if !lost {
                watched.reveals = watched.astray;
            }
            watched.told = order.pose.filter(|_| watched.excused && !lost);
            let measures = self.model.device(order.device).drive.evidence.is_some();
            if measures && !self.gap {
                let soon = i64::from(order.start_delay_ms) + self.rng.int(4, 20) * SECOND;
                self.after(soon, Happening::Power(order.device, false));
            }
        }
        if !self.gap {
            self.plant.handle(now, command);
        }
        Ok(())
    }

    pub(crate) fn note(&mut self, text: impl FnOnce() -> String) {
        if self.verbose {
            let line = format!(
                "{} {}",
                self.now().wall.utc().format("%d %H:%M:%S%.3f"),
                text()
            );
            self.log.push_back(line);
            if self.log.len() > 80 {
                self.log.pop_front();
            }
        }
    }

    pub(crate) fn put(&mut self, input: Input, outcome: &mut Outcome) -> Result<(), String> {
        let now = self.now();
        self.note(|| format!("<- {input:?}"));
        let Some(core) = &mut self.core else {
            return Ok(());
        };
        outcome.inputs += 1;
        if let Input::Report(report) = &input {
            self.checks.devices[report.device.index()].heard(report);
        }
        if matches!(&input, Input::Request(request)
            if matches!(&request.ask, Ask::Acknowledge { key } if key == "state_lost"))
        {
            self.state_lost = false;
        }
        if let Some(group) = by_hand(&self.model, &input) {
            self.checks.asked[group.index()] = self.t;
        }
        self.truth.take(&self.model, now, &input);
        core.handle(now, input);
        self.drain()
    }

    /// Whether a drive and its feeder are in order.
    pub(crate) fn sound(&self, device: DeviceId) -> bool {
        let feeder = self.model.device(device).drive.feeder;
        let ill = |h: &Happening| matches!(h, Happening::DriveWell(ill) if *ill == device);
        let weak = |h: &Happening| matches!(h, Happening::FeederWell(weak) if *weak == feeder);
        !self.queue.values().any(|h| ill(h) || weak(h))
    }
}

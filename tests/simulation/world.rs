//! The world around the core: one queue of happenings, one clock, and every
//! mishap between a sensor and a motor.

use crate::checks::{Checks, Scene};
use crate::rng::Rng;
use crate::site::{self, DOORS, EVERY, FIRE, GATEWAY, OCCUPIED};
use crate::truth::{Truth, is_wind};
use crate::weather::{Sky, Weather};
use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::ids::{ContactId, DeviceId, FeederId, GroupId, RoomId, SensorId};
use leeside_core::input::{
    Ask, Input, Origin, Part, Reading, Request, RestartCause, Sample, Until,
};
use leeside_core::model::Model;
use leeside_core::output::{Command, Output};
use leeside_core::time::{HOUR, MINUTE, Now, SECOND, Steady, Wall};
use leeside_plant::{Fault, Plant, Supply};
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

const DAY: i64 = 24 * HOUR;

/// Something that happens.
#[derive(Clone, Debug)]
enum Happening {
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
    ClockTrust,
    Keep,
    Reload,
    Tick,
}

/// What ails a sensor.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Ail {
    Dead,
    Stuck(Sky),
    Wild,
    Slow,
}

/// A seed's world.
pub(crate) struct World {
    seed: u64,
    rng: Rng,
    model: Arc<Model>,
    core: Option<Core>,
    plant: Plant,
    truth: Truth,
    checks: Checks,
    weather: Weather,
    queue: BTreeMap<(i64, u64), Happening>,
    queued: u64,
    t: i64,
    wall_ahead: i64,
    end: i64,
    ails: Vec<Option<Ail>>,
    /// Commands are lost since; the core is told a little later.
    gap: bool,
    /// What a crash leaves: the snapshot, and what was true when it was taken.
    kept: Option<(Snapshot, Truth)>,
    sequence: u64,
    /// What happened last, for the report of a failure.
    log: VecDeque<String>,
    pub(crate) mark: u64,
    verbose: bool,
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
            sequence: 0,
            log: VecDeque::new(),
            mark: seed,
            verbose,
            model,
            rng,
        };
        world.begin();
        world
    }

    fn begin(&mut self) {
        for index in 0..self.model.sensors.len() {
            let first = self.rng.int(1, EVERY[index]);
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
        ] {
            self.again(happening);
        }
    }

    /// Mean time between two happenings of a kind, minutes.
    fn again(&mut self, happening: Happening) {
        let minutes = match happening {
            Happening::Person => 70,
            Happening::Door(_) | Happening::Occupancy => 100,
            Happening::Keep => 8,
            Happening::Tick => 45,
            Happening::SensorFails => 9 * 60,
            Happening::DriveFails | Happening::GapBegins => 20 * 60,
            Happening::FeederFails | Happening::GatewayFails | Happening::Reload => 50 * 60,
            Happening::Crash => 30 * 60,
            Happening::ClockSteps | Happening::ClockTrust => 60 * 60,
            Happening::Fire(_) => 5 * 24 * 60,
            _ => 60,
        };
        let wait = self.rng.int(1, 2 * minutes * MINUTE);
        self.after(wait, happening);
    }

    fn after(&mut self, ms: i64, happening: Happening) {
        self.queued += 1;
        self.queue.insert((self.t + ms, self.queued), happening);
    }

    const fn now(&self) -> Now {
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
            let wake = self.core.as_mut().and_then(|core| match core.poll() {
                Output::Wake(wake) => wake.map(|w| w.at.steady.0 + 1),
                _ => None,
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
        let scene = Scene {
            model: &self.model,
            truth: &self.truth,
            plant: &self.plant,
            now,
            reached: self.core.is_some() && !self.gap,
        };
        self.checks.step(&scene, self.core.as_ref())
    }

    fn drain(&mut self) -> Result<(), String> {
        while let Some(core) = &mut self.core {
            match core.poll() {
                Output::Wake(_) => return Ok(()),
                output => self.output(&output)?,
            }
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
            Output::Alarm(_)
            | Output::Refused { .. }
            | Output::Announce { .. }
            | Output::Wake(_) => Ok(()),
        }
    }

    fn command(&mut self, command: &Command) -> Result<(), String> {
        let now = self.now();
        let scene = Scene {
            model: &self.model,
            truth: &self.truth,
            plant: &self.plant,
            now,
            reached: !self.gap,
        };
        self.checks.command(&scene, command)?;
        self.sequence = command.sequence;
        for order in &command.orders {
            // Not told, or not in order, it is not asked of until it has been told again.
            let lost = self.gap || !self.sound(order.device);
            let watched = &mut self.checks.devices[order.device.index()];
            watched.excused |= lost;
            watched.told = order.pose.filter(|_| watched.excused && !lost);
        }
        if !self.gap {
            self.plant.handle(now, command);
        }
        Ok(())
    }

    fn note(&mut self, text: impl FnOnce() -> String) {
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

    fn put(&mut self, input: Input, outcome: &mut Outcome) -> Result<(), String> {
        let now = self.now();
        self.note(|| format!("<- {input:?}"));
        let Some(core) = &mut self.core else {
            return Ok(());
        };
        outcome.inputs += 1;
        self.truth.take(&self.model, now, &input);
        core.handle(now, input);
        self.drain()
    }

    fn happen(&mut self, happening: Happening, outcome: &mut Outcome) -> Result<(), String> {
        match happening.clone() {
            Happening::Measure(sensor) => {
                self.measure(sensor);
                return Ok(());
            }
            Happening::Deliver(input) => return self.put(input, outcome),
            Happening::Person => self.person(outcome)?,
            Happening::Door(contact) => {
                let (open, shut) = (self.rng.int(0, 3000), self.rng.int(2, 40) * MINUTE);
                self.after(
                    open,
                    Happening::Deliver(Input::Contact {
                        contact,
                        active: true,
                    }),
                );
                self.after(
                    open + shut,
                    Happening::Deliver(Input::Contact {
                        contact,
                        active: false,
                    }),
                );
            }
            Happening::Occupancy => {
                let active = self.rng.once_in(2);
                self.put(
                    Input::Contact {
                        contact: OCCUPIED,
                        active,
                    },
                    outcome,
                )?;
            }
            Happening::Fire(active) => {
                self.put(
                    Input::Contact {
                        contact: FIRE,
                        active,
                    },
                    outcome,
                )?;
                if active {
                    let lasts = self.rng.int(1, 90) * MINUTE;
                    self.after(lasts, Happening::Fire(false));
                    return Ok(());
                }
            }
            Happening::ServiceEnds(group) => {
                let ask = Ask::Service {
                    group,
                    on: false,
                    expected_end: None,
                };
                return self.put(asked(Origin::Centre, ask), outcome);
            }
            Happening::SensorFails => self.sensor_fails(),
            Happening::SensorWell(sensor) => {
                self.ails[sensor.index()] = None;
                return Ok(());
            }
            Happening::DriveFails => self.drive_fails(),
            Happening::DriveWell(device) => {
                self.plant.set_fault(self.now(), device, None);
                return Ok(());
            }
            Happening::FeederFails => self.feeder_fails(),
            Happening::FeederWell(feeder) => {
                self.plant.set_supply(self.now(), feeder, Supply::Normal);
                return Ok(());
            }
            Happening::GapBegins => {
                self.note(|| "the broker is gone".to_owned());
                self.gap = true;
                let (notice, lasts) = (
                    self.rng.int(0, 40) * SECOND,
                    self.rng.int(50, 1500) * SECOND,
                );
                self.after(notice, Happening::Deliver(Input::Disconnected));
                self.after(lasts, Happening::GapEnds);
            }
            Happening::GapEnds => {
                self.note(|| "the broker is back".to_owned());
                self.gap = false;
                return self.put(Input::Connected, outcome);
            }
            Happening::GatewayFails => {
                self.put(
                    Input::Gateway {
                        gateway: GATEWAY,
                        present: false,
                    },
                    outcome,
                )?;
                let lasts = self.rng.int(1, 60) * MINUTE;
                self.after(
                    lasts,
                    Happening::Deliver(Input::Gateway {
                        gateway: GATEWAY,
                        present: true,
                    }),
                );
                for contact in DOORS {
                    self.after(
                        lasts + 1,
                        Happening::Deliver(Input::Contact {
                            contact,
                            active: false,
                        }),
                    );
                }
            }
            Happening::Crash => self.crash(),
            Happening::Start { cold } => return self.start(cold, outcome),
            Happening::ClockSteps => {
                self.wall_ahead +=
                    self.rng
                        .pick(&[-26 * HOUR, -HOUR, -2 * MINUTE, 5 * MINUTE, HOUR, 30 * HOUR]);
                self.put(Input::Restart(RestartCause::ClockJump), outcome)?;
                self.hear_contacts();
            }
            Happening::ClockTrust => {
                self.put(Input::Clock { trusted: false }, outcome)?;
                let lasts = self.rng.int(1, 300) * MINUTE;
                self.after(lasts, Happening::Deliver(Input::Clock { trusted: true }));
            }
            Happening::Keep => {
                if let Some(core) = &self.core {
                    self.kept = Some((core.snapshot(), self.truth.clone()));
                }
            }
            Happening::Reload => {
                if let Some(core) = self.core.take() {
                    self.core = Some(core.reload(self.model.clone()));
                    self.drain()?;
                }
            }
            Happening::Tick => self.put(Input::Tick, outcome)?,
        }
        self.again(happening);
        Ok(())
    }

    /// A sensor measures; its message may be lost, late, doubled or nonsense.
    fn measure(&mut self, sensor: SensorId) {
        let every = EVERY[sensor.index()];
        let jitter = self.rng.int(-every / 8, every / 8);
        self.after(every + jitter, Happening::Measure(sensor));
        let mut sky = self.weather.at(self.t);
        let ail = self.ails[sensor.index()];
        match ail {
            Some(Ail::Dead) => return,
            Some(Ail::Stuck(then)) => sky = then,
            Some(Ail::Wild | Ail::Slow) | None => {}
        }
        let sample = match sensor.index() {
            _ if ail == Some(Ail::Wild) && self.rng.once_in(2) => {
                let wild = self.rng.pick(&[f64::NAN, f64::INFINITY, -999.0, 1e6]);
                if is_wind(&self.model, sensor) {
                    Sample::Wind {
                        gust: Part::Value(wild),
                        mean: Part::Value(1.0),
                        direction: Part::Unsaid,
                    }
                } else {
                    Sample::Value(wild)
                }
            }
            0 | 1 => Sample::Wind {
                gust: Part::Value(sky.gust),
                mean: Part::Value(sky.mean),
                direction: if self.rng.once_in(4) {
                    Part::Unsaid
                } else {
                    Part::Value(sky.direction)
                },
            },
            2 => Sample::Value(sky.rain),
            3 => Sample::Value(sky.air_c),
            4 => Sample::Value(sky.humidity),
            5 => Sample::Value(sky.hail),
            6 => Sample::Value(sky.light_wm2),
            _ => Sample::Value(sky.room_c),
        };
        let input = Input::Reading(Reading {
            sensor,
            at: self.now().wall,
            sample,
        });
        let late = if ail == Some(Ail::Slow) || self.rng.once_in(30) {
            self.rng.int(0, 15 * MINUTE)
        } else {
            self.rng.int(0, 400)
        };
        if !self.rng.once_in(25) {
            self.after(late, Happening::Deliver(input.clone()));
        }
        if self.rng.once_in(25) {
            let again = late + self.rng.int(0, 5 * MINUTE);
            self.after(again, Happening::Deliver(input));
        }
    }

    fn person(&mut self, outcome: &mut Outcome) -> Result<(), String> {
        let group = GroupId::of(self.rng.index(self.model.groups.len()));
        let until = self.rng.pick(&[
            Until::Rule,
            Until::For(HOUR / 2),
            Until::NextPhase,
            Until::EndOfDay,
        ]);
        let from = if self.rng.once_in(2) {
            Origin::Room(RoomId(0))
        } else {
            Origin::Centre
        };
        let percent = self.rng.pick(&[0, 0, 30, 50, 80, 100, 100]);
        let ask = match self.rng.int(0, 12) {
            0..=5 => {
                let tilt = self.rng.once_in(3).then(|| self.rng.pick(&[0, 30, 60]));
                let extension_pct = (tilt.is_none() || self.rng.once_in(2)).then_some(percent);
                Ask::Pose {
                    group,
                    extension_pct,
                    tilt_deg: tilt,
                    until,
                }
            }
            6 => Ask::Halt { group, until },
            7 => Ask::Release { group },
            8 | 9 => {
                let devices = self.model.groups[group.index()].devices.clone();
                let device = self.rng.pick(&devices);
                Ask::Device {
                    device,
                    extension_pct: Some(percent),
                    tilt_deg: None,
                    until,
                }
            }
            10 => {
                let lasts = self.rng.int(5, 120) * MINUTE;
                self.after(lasts, Happening::ServiceEnds(group));
                Ask::Service {
                    group,
                    on: true,
                    expected_end: None,
                }
            }
            11 => Ask::FrostCleared { group },
            _ => {
                let sensor = SensorId::of(self.rng.index(self.model.sensors.len()));
                if !self.truth.is_bad(sensor) {
                    return Ok(());
                }
                let substitute =
                    (sensor.index() < 2 && self.rng.once_in(2)).then(|| SensorId(1 - sensor.0));
                let until = Some(self.now().wall.plus(self.rng.int(1, 300) * MINUTE));
                Ask::Bypass {
                    sensor,
                    substitute,
                    until,
                }
            }
        };
        self.put(asked(from, ask), outcome)
    }

    fn sensor_fails(&mut self) {
        let sensor = SensorId::of(self.rng.index(self.model.sensors.len()));
        let sky = self.weather.at(self.t);
        let ail = self
            .rng
            .pick(&[Ail::Dead, Ail::Stuck(sky), Ail::Wild, Ail::Slow]);
        self.note(|| format!("{sensor:?} ails: {ail:?}"));
        self.ails[sensor.index()] = Some(ail);
        let lasts = self.rng.int(5, 400) * MINUTE;
        self.after(lasts, Happening::SensorWell(sensor));
    }

    fn drive_fails(&mut self) {
        let device = DeviceId::of(self.rng.index(self.model.devices.len()));
        let faults = [
            Fault::Dead,
            Fault::Jammed,
            Fault::Slow { percent: 150 },
            Fault::Drifting {
                ppm_per_move: 8_000,
            },
        ];
        let fault = self.rng.pick(&faults);
        self.note(|| format!("{device:?} fails: {fault:?}"));
        self.plant.set_fault(self.now(), device, Some(fault));
        self.checks.devices[device.index()].excuse();
        let lasts = self.rng.int(1, 300) * MINUTE;
        self.after(lasts, Happening::DriveWell(device));
    }

    fn feeder_fails(&mut self) {
        let feeder = FeederId::of(self.rng.index(self.model.feeders.len()));
        let supply = self
            .rng
            .pick(&[Supply::Tripped, Supply::Slow { percent: 120 }]);
        self.note(|| format!("{feeder:?} fails: {supply:?}"));
        self.plant.set_supply(self.now(), feeder, supply);
        for (index, device) in self.model.devices.iter().enumerate() {
            if device.drive.feeder == feeder {
                self.checks.devices[index].excuse();
            }
        }
        let lasts = self.rng.int(1, 60) * MINUTE;
        self.after(lasts, Happening::FeederWell(feeder));
    }

    /// Whether a drive and its feeder are in order.
    fn sound(&self, device: DeviceId) -> bool {
        let feeder = self.model.device(device).drive.feeder;
        !self.queue.values().any(|h| match h {
            Happening::DriveWell(ill) => *ill == device,
            Happening::FeederWell(weak) => *weak == feeder,
            _ => false,
        })
    }

    fn crash(&mut self) {
        if self.core.take().is_none() {
            return;
        }
        self.note(|| "the program dies".to_owned());
        // What was underway to the core is lost.
        let cold = self.rng.once_in(4);
        let down = self.rng.int(2, 600) * SECOND;
        self.after(down, Happening::Start { cold });
    }

    fn start(&mut self, cold: bool, outcome: &mut Outcome) -> Result<(), String> {
        let now = self.now();
        self.note(|| format!("the program starts, cold: {cold}"));
        match self.kept.clone().filter(|_| !cold) {
            Some((kept, truth)) => {
                // Through its text, as from a file.
                let text = serde_json::to_string(&kept).map_err(|e| e.to_string())?;
                let kept = serde_json::from_str(&text).map_err(|e| e.to_string())?;
                self.core = Some(Core::restore(self.model.clone(), &kept));
                self.truth = truth;
            }
            None => {
                self.core = Some(Core::new(self.model.clone(), now));
                self.truth = Truth::new(&self.model, now);
            }
        }
        // Starts, stops and running times since then are not in it.
        self.checks.forgot_until = self.t + 3 * HOUR;
        if let Some(core) = &mut self.core {
            core.continue_after(self.sequence);
        }
        self.put(Input::Restart(RestartCause::Started), outcome)?;
        if !self.gap {
            self.after(SECOND, Happening::Deliver(Input::Connected));
        }
        self.hear_contacts();
        Ok(())
    }

    fn hear_contacts(&mut self) {
        for contact in [DOORS[0], DOORS[1], OCCUPIED] {
            let at = self.rng.int(1, 300) * SECOND;
            self.after(
                at,
                Happening::Deliver(Input::Contact {
                    contact,
                    active: false,
                }),
            );
        }
    }
}

fn asked(from: Origin, ask: Ask) -> Input {
    Input::Request(Request {
        by: "somebody".to_owned(),
        from,
        ask,
    })
}

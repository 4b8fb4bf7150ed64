//! A small site in memory, and tables that read as a log: time, input, what comes out.
//!
//! Times are UTC on the day the site starts ("10:00:30", "1d 06:00:00"), both
//! clocks alike. After each row the moment is let pass by one millisecond, so a
//! row shows what its moment decides. What comes out is one line of words:
//!
//! ```text
//! awning +wind             the wind lockout of the group begins
//! awning ~wind             ... changes its reason
//! awning -wind             ... ends
//! awning: wind 0           a command, decided by wind: retracted
//! pair: hand a 100, b 40+0.5s   device a to 100 %, b to 40 % half a second later
//! blind: sun 100/45        100 %, slats 45°
//! pair: service a halt     a halt
//! !frozen/awning           an alarm is raised;  ".frozen/awning" it is cleared
//! refused by panel: wind   a request is refused
//! announce awning 12:00:00 a hold by hand is about to end
//! 10:30:00 awning -wind    the same, stamped with another moment than the row's
//! ```

#[path = "rules.rs"]
mod rules;

pub(crate) use rules::*;

use chrono::NaiveDate;
use leeside_core::Core;
use leeside_core::ids::{
    ContactId, DayClassId, DeviceId, FacadeId, FeederId, GroupId, ProductId, RoomId, SensorId,
    TimetableId,
};
use leeside_core::input::{
    Ask, DriveState, Input, Origin, Part, Reading, Report, Request, RestartCause, Sample, Until,
};
use leeside_core::model::{
    Anchor, Contact, ContactKind, DayPlan, DayTable, Device, Drive, Facade, Feeder, FrozenWind,
    Group, HandRule, Kind, Model, Phase, Policy, Product, Refuges, Room, Sensor, SensorKind, Site,
    Timetable, Unheard, Validity,
};
use leeside_core::output::{Alarm, Command, LockoutChange, Output};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Now, SECOND, Wall};
use leeside_solar::{Atmosphere, Location, Plane, Slats};
use std::fmt::Write as _;
use std::sync::Arc;

/// A site under construction.
pub(crate) struct House {
    pub(crate) model: Model,
}

/// Everything off but the range: what is tested is not silence.
pub(crate) const TRUSTING: Validity = Validity::trusting(-100.0, 200_000.0);

/// A sensor that may be silent for ten minutes and recovers within one.
pub(crate) const WATCHED: Validity = Validity {
    silence_ms: 10 * MINUTE,
    recover_ms: MINUTE,
    ..TRUSTING
};

impl House {
    /// One facade facing south, one room that nobody watches, one timetable that
    /// always asks for `base`, and one feeder without stagger.
    pub(crate) fn new(base: Pose) -> Self {
        let location = Location::new(50.0, 8.0, 100.0).unwrap();
        let mut house = Self {
            model: Model {
                site: Site {
                    name: "test house".to_owned(),
                    location,
                    atmosphere: Atmosphere::standard(100.0),
                    zone: chrono_tz::UTC,
                    albedo: 0.2,
                    linke_turbidity: 3.0,
                },
                policy: Policy {
                    fire_moves_service: false,
                    fire_moves_service_decided: "test".to_owned(),
                    frozen_wind: FrozenWind::Hold,
                    frozen_wind_decided: "test".to_owned(),
                    known_for_ms: 0,
                    service_reminder_ms: 8 * HOUR,
                    command_lifetime_ms: MINUTE,
                    answer_grace_ms: leeside_core::model::ANSWER_GRACE_MS,
                    time_to_safe_max_ms: 5 * MINUTE,
                    exposure_max_ms: 5 * MINUTE,
                },
                facades: vec![Facade {
                    name: "south".to_owned(),
                    plane: Plane::new(180.0, 90.0).unwrap(),
                    obstructions: leeside_solar::shade::Obstructions::default(),
                    light: vec![],
                }],
                rooms: vec![Room {
                    name: "room".to_owned(),
                    occupancy: None,
                    temperature: None,
                }],
                products: vec![],
                devices: vec![],
                feeders: vec![],
                gateways: vec![],
                groups: vec![],
                sensors: vec![],
                contacts: vec![],
                day_classes: vec!["every day".to_owned()],
                days: DayTable::new(NaiveDate::default(), vec![], [DayClassId(0); 7]),
                specials: vec![],
                timetables: vec![],
                arrangements: vec![],
            },
        };
        house.timetable(&[(0, base, true)]);
        house.feeder("f", 0, 1);
        house
    }

    pub(crate) fn timetable(&mut self, phases: &[(u16, Pose, bool)]) -> TimetableId {
        let phase = |(minute, pose, sun): &(u16, Pose, bool)| Phase {
            name: format!("from {minute}"),
            start: Anchor::Time(*minute),
            pose: *pose,
            sun: *sun,
            jitter_min: 0,
            jitter_seed: 0,
        };
        self.model.timetables.push(Timetable {
            name: format!("t{}", self.model.timetables.len()),
            plans: vec![DayPlan {
                class: DayClassId(0),
                phases: phases.iter().map(phase).collect(),
            }],
        });
        TimetableId::of(self.model.timetables.len() - 1)
    }

    pub(crate) fn feeder(&mut self, name: &str, stagger_ms: i64, starts_at_once: u32) -> FeederId {
        self.model.feeders.push(Feeder {
            name: name.to_owned(),
            stagger_ms,
            starts_at_once,
        });
        FeederId::of(self.model.feeders.len() - 1)
    }

    pub(crate) fn sensor(&mut self, name: &str, kind: SensorKind) -> SensorId {
        self.sensor_with(name, kind, TRUSTING)
    }

    pub(crate) fn sensor_with(&mut self, name: &str, kind: SensorKind, v: Validity) -> SensorId {
        self.model.sensors.push(Sensor {
            name: name.to_owned(),
            kind,
            validity: v,
            gust: Unheard::KeptFor(MINUTE),
            gateway: None,
        });
        SensorId::of(self.model.sensors.len() - 1)
    }

    pub(crate) fn contact(&mut self, name: &str, kind: ContactKind) -> ContactId {
        self.model.contacts.push(Contact {
            name: name.to_owned(),
            kind,
            silence_ms: None,
            latch_ms: 0,
            switch: None,
            gateway: None,
        });
        ContactId::of(self.model.contacts.len() - 1)
    }

    /// Extends in 50 s, retracts in 60 s, turns its slats in 2 s; retracts from
    /// wind, and nothing else harms it.
    pub(crate) fn product(&mut self, kind: Kind) -> ProductId {
        let slats = (kind == Kind::SlatBlind).then(|| Slats::new(80.0, 72.0, 0.0, 90.0, 0.0));
        self.model.products.push(Product {
            name: format!("{kind:?} {}", self.model.products.len()),
            kind,
            extend_ms: 50 * SECOND,
            retract_ms: 60 * SECOND,
            tilt_ms: if slats.is_some() { 2 * SECOND } else { 0 },
            slats: slats.map(Result::unwrap),
            wind_limit_mps: 10.0,
            wind_limit_source: "made up for this test".to_owned(),
            refuge: Refuges {
                wind: Pose::RETRACTED,
                hail: None,
                ice: None,
                rain: None,
            },
            reversal_pause_ms: 500,
            budget: None,
            reference_after_moves: 0,
            endurance_cycles: None,
            g_total: None,
        });
        ProductId::of(self.model.products.len() - 1)
    }

    pub(crate) fn device(&mut self, name: &str, product: ProductId) -> DeviceId {
        self.model.devices.push(Device {
            name: name.to_owned(),
            product,
            room: None,
            opening: None,
            drive: Drive {
                feeder: FeederId(0),
                gateway: None,
                evidence: None,
                reports: false,
            },
            doors: vec![],
            escape: false,
        });
        DeviceId::of(self.model.devices.len() - 1)
    }

    /// A group of devices of one kind, without any rule but the timetable.
    pub(crate) fn group(&mut self, name: &str, kind: Kind, devices: &[DeviceId]) -> GroupId {
        let product = self.model.product_of(devices[0]).clone();
        self.model.groups.push(Group {
            name: name.to_owned(),
            facade: FacadeId(0),
            kind,
            devices: devices.to_vec(),
            rooms: vec![RoomId(0)],
            wind: None,
            hail: None,
            ice: None,
            rain: None,
            fire: None,
            timetable: TimetableId(0),
            rest: Pose::RETRACTED,
            sun: None,
            hand: HandRule {
                hold_ms: 2 * HOUR,
                announce_ms: 0,
            },
            quiet: None,
            slats: product.slats,
            opening: None,
            obstructions: leeside_solar::shade::Obstructions::default(),
        });
        GroupId::of(self.model.groups.len() - 1)
    }

    /// A group of one device of the same name, with its own product.
    pub(crate) fn single(&mut self, name: &str, kind: Kind) -> GroupId {
        let product = self.product(kind);
        let device = self.device(name, product);
        self.group(name, kind, &[device])
    }

    pub(crate) fn of(&mut self, group: GroupId) -> &mut Group {
        &mut self.model.groups[group.index()]
    }

    pub(crate) fn product_of(&mut self, group: GroupId) -> &mut Product {
        let device = self.model.group(group).devices[0];
        let product = self.model.device(device).product;
        &mut self.model.products[product.index()]
    }
}

/// What a row puts in.
pub(crate) enum In {
    /// A reading of this moment.
    Read(SensorId, Sample),
    /// A reading of another moment.
    ReadAt(SensorId, Sample, &'static str),
    /// Anything else.
    Put(Input),
}

/// A gust, and a mean that is half of it.
pub(crate) const fn gust(sensor: SensorId, mps: f64) -> In {
    In::Read(sensor, wind(Some(mps), Some(mps / 2.0), None))
}

pub(crate) const fn wind(gust: Option<f64>, mean: Option<f64>, from_deg: Option<f64>) -> Sample {
    const fn part(value: Option<f64>) -> Part {
        match value {
            Some(v) => Part::Value(v),
            None => Part::Unsaid,
        }
    }
    Sample::Wind {
        gust: part(gust),
        mean: part(mean),
        direction: part(from_deg),
    }
}

pub(crate) const fn value(sensor: SensorId, value: f64) -> In {
    In::Read(sensor, Sample::Value(value))
}

pub(crate) const fn contact(contact: ContactId, active: bool) -> In {
    In::Put(Input::Contact { contact, active })
}

pub(crate) const fn tick() -> In {
    In::Put(Input::Tick)
}

pub(crate) const fn restart() -> In {
    In::Put(Input::Restart(RestartCause::Started))
}

pub(crate) fn asks(by: &str, from: Origin, ask: Ask) -> In {
    In::Put(Input::Request(Request {
        by: by.to_owned(),
        from,
        ask,
    }))
}

/// The room panel asks for an extension by the group's own rule.
pub(crate) fn room(group: GroupId, extension_pct: u8) -> In {
    let ask = Ask::Pose {
        group,
        extension_pct: Some(extension_pct),
        tilt_deg: None,
        until: Until::Rule,
    };
    asks("panel", Origin::Room(RoomId(0)), ask)
}

pub(crate) fn service(group: GroupId, on: bool) -> In {
    let ask = Ask::Service {
        group,
        on,
        expected_end: None,
    };
    asks("fitter", Origin::Centre, ask)
}

pub(crate) fn stands(device: DeviceId, pose: Pose) -> In {
    In::Put(Input::Report(Report {
        device,
        sequence: None,
        state: DriveState::Standing,
        pose: Some(pose),
        power_w: None,
    }))
}

/// A core with a clock and a memory.
pub(crate) struct Rig {
    pub(crate) core: Core,
    pub(crate) start: Wall,
}

impl Rig {
    /// A core that starts at midnight of 15 June 2026 and has heard nothing.
    pub(crate) fn cold(house: House) -> Self {
        Self::at(house, NaiveDate::from_ymd_opt(2026, 6, 15).unwrap())
    }

    pub(crate) fn at(house: House, date: NaiveDate) -> Self {
        let start = Wall::from_utc(date.and_hms_opt(0, 0, 0).unwrap().and_utc());
        let model = Arc::new(house.model);
        let mut core = Core::new(model, Now::both(start.0));
        drain(&mut core);
        Self { core, start }
    }

    /// ... and then hears that all is calm, closed and mild. What it commands at
    /// first is not part of any test's table.
    pub(crate) fn calm(house: House) -> Self {
        Self::cold(house).calmed()
    }

    pub(crate) fn calmed(mut self) -> Self {
        let model = self.core.model().clone();
        for (index, sensor) in model.sensors.iter().enumerate() {
            let sample = match sensor.kind {
                SensorKind::Wind => wind(Some(2.0), Some(1.0), None),
                SensorKind::Temperature
                | SensorKind::SurfaceTemperature
                | SensorKind::RoomTemperature => Sample::Value(20.0),
                SensorKind::Humidity => Sample::Value(50.0),
                SensorKind::Rain
                | SensorKind::Hail
                | SensorKind::PlaneIrradiance
                | SensorKind::PlaneIlluminance
                | SensorKind::GlobalHorizontal
                | SensorKind::HorizontalIlluminance => Sample::Value(0.0),
            };
            self.put("00:00:00", &In::Read(SensorId::of(index), sample));
        }
        for index in 0..model.contacts.len() {
            self.put("00:00:00", &contact(ContactId::of(index), false));
        }
        self.put("00:00:00.001", &tick());
        self
    }

    pub(crate) fn now(&self, time: &str) -> Now {
        Now::both(self.start.0 + ms(time))
    }

    /// One input; what came out of it and of all that was due before.
    pub(crate) fn put(&mut self, time: &str, input: &In) -> Vec<Output> {
        let now = self.now(time);
        let input = match input {
            In::Read(sensor, sample) => Input::Reading(Reading {
                sensor: *sensor,
                at: now.wall,
                sample: *sample,
            }),
            In::ReadAt(sensor, sample, at) => Input::Reading(Reading {
                sensor: *sensor,
                at: self.now(at).wall,
                sample: *sample,
            }),
            In::Put(input) => input.clone(),
        };
        self.core.handle(now, input);
        drain(&mut self.core)
    }

    /// Runs a table and compares what comes out, row by row.
    #[track_caller]
    pub(crate) fn check(&mut self, rows: &[(&str, In, &str)]) {
        for (index, (time, input, expected)) in rows.iter().enumerate() {
            let mut out = self.put(time, input);
            let after = self.now(time).plus(1);
            self.core.handle(after, Input::Tick);
            out.extend(drain(&mut self.core));
            let got = self.words(time, &out);
            assert_eq!(got, *expected, "row {index} at {time}");
        }
    }

    /// Outputs in the words of this module.
    pub(crate) fn words(&self, time: &str, outputs: &[Output]) -> String {
        let lines = outputs.iter().map(|output| {
            let at = match output {
                Output::Command(Command { at, .. })
                | Output::Lockout(LockoutChange { at, .. })
                | Output::Alarm(Alarm { at, .. }) => Some(at.wall),
                Output::Refused { .. } | Output::Announce { .. } | Output::Wake(_) => None,
            };
            let other = at.filter(|at| *at != self.now(time).wall);
            let stamp = other.map_or_else(String::new, |at| format!("{} ", self.clock(at)));
            format!("{stamp}{}", self.line(output))
        });
        lines.collect::<Vec<_>>().join("; ")
    }

    fn clock(&self, at: Wall) -> String {
        let ms = at.0 - self.start.0;
        let (days, of_day) = (ms.div_euclid(24 * HOUR), ms.rem_euclid(24 * HOUR));
        let mut text = String::new();
        if days != 0 {
            let _ = write!(text, "{days}d ");
        }
        let (h, m, s) = (of_day / HOUR, of_day / MINUTE % 60, of_day / SECOND % 60);
        let _ = write!(text, "{h:02}:{m:02}:{s:02}");
        if of_day % SECOND != 0 {
            let _ = write!(text, ".{:03}", of_day % SECOND);
        }
        text
    }

    fn line(&self, output: &Output) -> String {
        let model = self.core.model();
        let name = |group: GroupId| model.group(group).name.clone();
        match output {
            Output::Command(command) => {
                let many = model.group(command.group).devices.len() > 1;
                let orders = command.orders.iter().map(|order| {
                    let device = &model.device(order.device).name;
                    let device = if many {
                        format!("{device} ")
                    } else {
                        String::new()
                    };
                    let delay = match order.start_delay_ms {
                        0 => String::new(),
                        ms => format!("+{}s", f64::from(ms) / 1000.0),
                    };
                    format!(
                        "{device}{}{delay}",
                        order.pose.map_or("halt".to_owned(), short)
                    )
                });
                let again = if command.repeat { "again " } else { "" };
                format!(
                    "{}: {again}{} {}",
                    name(command.group),
                    command.decided_by.as_str(),
                    orders.collect::<Vec<_>>().join(", ")
                )
            }
            Output::Lockout(change) => {
                let begins = self
                    .core
                    .lockouts(change.group)
                    .iter()
                    .any(|l| l.word == change.word && l.since == change.at);
                let sign = match (change.engaged, begins) {
                    (true, true) => '+',
                    (true, false) => '~',
                    (false, _) => '-',
                };
                format!("{} {sign}{}", name(change.group), change.word.as_str())
            }
            Output::Alarm(alarm) => {
                let sign = match (alarm.active, &alarm.acknowledged_by) {
                    (true, None) => "!",
                    (true, Some(_)) => "seen ",
                    (false, _) => ".",
                };
                format!("{sign}{}", alarm.key)
            }
            Output::Refused { by, word, .. } => format!("refused by {by}: {}", word.as_str()),
            Output::Announce { group, ends } => {
                format!("announce {} {}", name(*group), self.clock(*ends))
            }
            Output::Wake(_) => String::new(),
        }
    }
}

pub(crate) fn drain(core: &mut Core) -> Vec<Output> {
    let mut out = Vec::new();
    loop {
        match core.poll() {
            Output::Wake(_) => return out,
            other @ (Output::Command(_)
            | Output::Lockout(_)
            | Output::Alarm(_)
            | Output::Refused { .. }
            | Output::Announce { .. }) => out.push(other),
        }
    }
}

fn short(pose: Pose) -> String {
    pose.tilt_deg.map_or_else(
        || pose.extension_pct.to_string(),
        |tilt| format!("{}/{tilt}", pose.extension_pct),
    )
}

/// "10:00:30", "10:00:30.500", "1d 10:00:30" as milliseconds from the start.
pub(crate) fn ms(time: &str) -> i64 {
    let (days, clock) = time.split_once("d ").unwrap_or(("0", time));
    let mut parts = clock.split(':');
    let mut whole = || -> i64 { parts.next().unwrap().parse().unwrap() };
    let (hours, minutes) = (whole(), whole());
    let rest = parts.next().unwrap();
    let (seconds, thousandths) = rest.split_once('.').unwrap_or((rest, "0"));
    days.parse::<i64>().unwrap() * 24 * HOUR
        + hours * HOUR
        + minutes * MINUTE
        + seconds.parse::<i64>().unwrap() * SECOND
        + thousandths.parse::<i64>().unwrap()
}

//! What happens in a world: measurements, people, doors, and everything that breaks.

use crate::account::is_wind;
use crate::site::{DOORS, EVERY, FIRE, GATEWAY, OCCUPIED, SWITCHED, SWITCHES};
use crate::truth::Truth;
use crate::world::{Ail, Happening, Outcome, World};
use leeside_core::Core;
use leeside_core::ids::{ContactId, DeviceId, FeederId, GroupId, RoomId, SensorId};
use leeside_core::input::{
    Ask, Input, Origin, Part, Reading, Request, RestartCause, Sample, Until,
};
use leeside_core::model::{Group, Model};
use leeside_core::time::{HOUR, MINUTE, SECOND};
use leeside_plant::{Fault, Supply};

impl World {
    pub(crate) fn happen(
        &mut self,
        happening: Happening,
        outcome: &mut Outcome,
    ) -> Result<(), String> {
        match happening.clone() {
            Happening::Measure(sensor) => {
                self.measure(sensor);
                return Ok(());
            }
            Happening::Deliver(input) => return self.put(input, outcome),
            Happening::Person => self.person(outcome)?,
            Happening::Door(contact) => self.door(contact),
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
            Happening::GapBegins => self.gap_begins(),
            Happening::GapEnds => {
                self.note(|| "the broker is back".to_owned());
                self.gap = false;
                for watched in &mut self.checks.devices {
                    watched.unsure = true;
                }
                return self.put(Input::Connected, outcome);
            }
            Happening::GatewayFails => self.gateway_fails(outcome)?,
            Happening::Crash => self.crash(),
            Happening::Start { cold } => return self.start(cold, outcome),
            Happening::ClockSteps => self.clock_steps(outcome)?,
            Happening::ClockTrust => {
                self.put(Input::Clock { trusted: false }, outcome)?;
                let lasts = self.rng.int(1, 300) * MINUTE;
                self.after(lasts, Happening::Deliver(Input::Clock { trusted: true }));
            }
            Happening::ClockRight => {
                self.wall_ahead = 0;
                return self.clock_jumped(outcome);
            }
            Happening::Press(contact) => self.press(contact, outcome)?,
            Happening::Release(contact, pressed) => {
                return self.release(contact, pressed, outcome);
            }
            Happening::Judge(contact, pressed) => return self.judge(contact, &pressed),
            Happening::Power(device, again) => return self.power(device, again, outcome),
            Happening::PowerLies => self.power_lies(),
            Happening::PowerRight(device) => {
                self.lies[device.index()] = None;
                return Ok(());
            }
            Happening::Keep => {
                if let Some(core) = &self.core {
                    self.kept = Some((core.snapshot(), self.truth.clone()));
                }
            }
            Happening::Reload => self.reload()?,
            Happening::Tick => self.put(Input::Tick, outcome)?,
        }
        self.again(happening);
        Ok(())
    }

    fn door(&mut self, contact: ContactId) {
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

    fn gap_begins(&mut self) {
        self.note(|| "the broker is gone".to_owned());
        self.gap = true;
        let (notice, lasts) = (
            self.rng.int(0, 40) * SECOND,
            self.rng.int(50, 1500) * SECOND,
        );
        self.after(notice, Happening::Deliver(Input::Disconnected));
        self.after(lasts, Happening::GapEnds);
    }

    fn gateway_fails(&mut self, outcome: &mut Outcome) -> Result<(), String> {
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
        Ok(())
    }

    fn clock_steps(&mut self, outcome: &mut Outcome) -> Result<(), String> {
        if self.rng.once_in(5) {
            // A flat battery: the clock begins at the first of January 1970.
            self.wall_ahead = self.rng.int(0, HOUR) - self.t;
            let lasts = self.rng.int(1, 900) * MINUTE;
            self.after(lasts, Happening::ClockRight);
        } else if self.wall_ahead.abs() < 1_000 * HOUR {
            self.wall_ahead +=
                self.rng
                    .pick(&[-26 * HOUR, -HOUR, -2 * MINUTE, 5 * MINUTE, HOUR, 30 * HOUR]);
        }
        self.clock_jumped(outcome)
    }

    fn clock_jumped(&mut self, outcome: &mut Outcome) -> Result<(), String> {
        self.starts += 1;
        self.put(Input::Restart(RestartCause::ClockJump), outcome)?;
        self.hear_contacts();
        Ok(())
    }

    fn reload(&mut self) -> Result<(), String> {
        if let Some(core) = self.core.take() {
            self.core = Some(core.reload(self.model.clone()));
            self.drain()?;
        }
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
            Some(Ail::Zero) => (sky.gust, sky.mean) = (0.0, 0.0),
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
            .pick(&[Ail::Dead, Ail::Zero, Ail::Stuck(sky), Ail::Wild, Ail::Slow]);
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

    pub(crate) fn start(&mut self, cold: bool, outcome: &mut Outcome) -> Result<(), String> {
        let now = self.now();
        // What was lost once does not come back.
        self.kept = self.kept.take().filter(|_| !cold);
        let cold = self.kept.is_none();
        // Without what was kept: either nothing was, or it cannot be read.
        let lost = cold && self.rng.once_in(2);
        self.note(|| format!("the program starts, cold: {cold}, state lost: {lost}"));
        let kept_at = self.kept.as_ref().map(|(kept, _)| kept.taken.steady.0);
        match self.kept.clone() {
            Some((kept, truth)) => {
                // Through its text, as from a file.
                let text = serde_json::to_string(&kept).map_err(|e| e.to_string())?;
                let kept = serde_json::from_str(&text).map_err(|e| e.to_string())?;
                let core = Core::restore(self.model.clone(), &kept);
                self.core = Some(core.map_err(|damaged| damaged.to_string())?);
                self.truth = truth;
            }
            None => {
                self.core = Some(Core::new(self.model.clone(), now));
                self.truth = Truth::new(&self.model, now);
            }
        }
        self.starts += 1;
        self.alarms_kept();
        // Starts, stops and running times since then are not in it.
        self.checks.forget(self.t, kept_at);
        // Neither journal nor clock know better: the clock is behind, nobody knows that
        // anything was kept, or it was lost before, not long ago.
        let clock_behind = now.wall < self.latest.plus(10 * MINUTE);
        let again = lost && self.lost_at.is_some_and(|at| now.wall < at.plus(28 * HOUR));
        let seconds = u64::try_from(now.wall.0 / 1_000).unwrap_or(0);
        if cold && (clock_behind || again || !lost) {
            self.checks.sequence = self.checks.sequence.min(seconds);
        }
        self.latest = self.latest.max(now.wall);
        let cause = if lost {
            RestartCause::StateLost
        } else {
            RestartCause::Started
        };
        self.state_lost = lost;
        self.lost_at = lost.then_some(now.wall).max(self.lost_at);
        self.put(Input::Restart(cause), outcome)?;
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

pub(crate) fn asked(from: Origin, ask: Ask) -> Input {
    Input::Request(Request {
        by: "somebody".to_owned(),
        from,
        ask,
    })
}

/// The group of which an input asks something by hand.
pub(crate) fn by_hand(model: &Model, input: &Input) -> Option<GroupId> {
    if let Input::Contact { contact, .. } = input {
        return SWITCHES.contains(contact).then_some(SWITCHED);
    }
    let Input::Request(request) = input else {
        return None;
    };
    match &request.ask {
        Ask::Pose { group, .. } | Ask::Halt { group, .. } => Some(*group),
        Ask::Device { device, .. } => {
            let has = |group: &Group| group.devices.contains(device);
            Some(GroupId::of(model.groups.iter().position(has)?))
        }
        Ask::Release { .. }
        | Ask::Arrange { .. }
        | Ask::Service { .. }
        | Ask::FrostCleared { .. }
        | Ask::Bypass { .. }
        | Ask::Acknowledge { .. } => None,
    }
}

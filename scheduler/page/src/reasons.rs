//! The core's reasons in the words of the catalogue, with their numbers.
//!
//! The same closed lists that [`leeside_core::say`] puts into English for files
//! and messages; here in whatever language the reader has.

mod brief;

use crate::words::Words;
use core::fmt::Display;
use leeside_core::engine::Quiet;
use leeside_core::ids::{ContactId, SensorId};
use leeside_core::model::{Model, SensorKind};
use leeside_core::output::{AlarmWord, Course};
use leeside_core::pose::Pose;
use leeside_core::reason::{
    Because, DriveTrouble, Fault, LightSource, Release, SlatsSay, WindPart,
};
use leeside_core::say;
use leeside_core::time::{HOUR, MINUTE, Now, Wall};

/// Reasons of one house, told at one moment.
#[derive(Clone, Copy, Debug)]
pub struct Teller<'a> {
    /// In these words.
    pub words: Words,
    /// Of this house.
    pub model: &'a Model,
    /// The moment at which it is told: other moments are named as seen from it.
    pub now: Wall,
}

impl Teller<'_> {
    fn fill(&self, key: &'static str, places: &[(&str, &dyn Display)]) -> String {
        self.words.fill(key, places)
    }

    fn one(&self, value: f64) -> String {
        self.words.number(value, 1)
    }

    fn whole(&self, value: f64) -> String {
        self.words.number(value, 0)
    }

    /// A moment, as seen from now.
    #[must_use]
    pub fn moment(&self, at: Wall) -> String {
        self.words.moment(self.model, self.now, at)
    }

    fn sensor(&self, id: SensorId) -> &str {
        self.model
            .sensors
            .get(id.index())
            .map_or("?", |sensor| sensor.name.as_str())
    }

    fn contact(&self, id: ContactId) -> &str {
        self.model
            .contacts
            .get(id.index())
            .map_or("?", |contact| contact.name.as_str())
    }

    /// A pose: how far extended, and how the slats stand.
    #[must_use]
    pub fn pose(&self, pose: Pose) -> String {
        let words = self.words;
        let extension = match pose.extension_pct {
            0 => return words.say("pose.retracted").to_owned(),
            100 => words.say("pose.extended").to_owned(),
            pct => self.fill("pose.partly", &[("extension", &pct)]),
        };
        match pose.tilt_deg {
            None => extension,
            Some(tilt) => {
                let tilt = self.whole(f64::from(tilt));
                self.fill("pose.slats", &[("extension", &extension), ("tilt", &tilt)])
            }
        }
    }

    /// What a group or a rank does.
    #[must_use]
    pub fn course(&self, course: &Course) -> String {
        match course {
            Course::To(pose) => self.pose(*pose),
            Course::Hold => self.words.say("pose.holds").to_owned(),
        }
    }

    /// What spoke of the wind.
    #[must_use]
    pub fn wind_part(&self, part: WindPart) -> &'static str {
        match part {
            WindPart::Gust => self.words.say("because.gust"),
            WindPart::Mean => self.words.say("because.mean"),
        }
    }

    /// A reason.
    #[must_use]
    pub fn because(&self, because: &Because) -> String {
        let words = self.words;
        match because {
            Because::WindAbove { .. }
            | Because::WindHolding { .. }
            | Because::SensorUnknown { .. }
            | Because::WeatherUnknown { .. }
            | Because::Hail { .. }
            | Because::HailHolding
            | Because::Frost { .. }
            | Because::FrostHolding { .. }
            | Because::Rain { .. }
            | Because::RainHolding => self.weather(because),
            Because::DoorOpen { contact } => {
                self.fill("because.door", &[("contact", &self.contact(*contact))])
            }
            Because::Fire { contact } => {
                self.fill("because.fire", &[("contact", &self.contact(*contact))])
            }
            Because::Service { owner, since } => self.fill(
                "because.service",
                &[("owner", owner), ("since", &self.moment(*since))],
            ),
            Because::Hand { by, room } => {
                let key = if *room {
                    "because.hand_room"
                } else {
                    "because.hand_centre"
                };
                self.words.fill(key, &[("by", by)])
            }
            Because::SunShading { .. }
            | Because::SunOpened { .. }
            | Because::SunCapped { .. }
            | Because::Heat { .. } => self.sun(because),
            Because::Phase { .. } | Because::Special { .. } => self.day(because),
            Because::Rest => words.say("because.rest").to_owned(),
            Because::Quiet => words.say("because.quiet").to_owned(),
            Because::ClockUntrusted => words.say("because.clock").to_owned(),
            Because::StateLost => words.say("because.state_lost").to_owned(),
            Because::RefugeWouldExtend => words.say("because.would_extend").to_owned(),
            Because::DutySpent {
                used_ms,
                allowed_ms,
            } => self.fill(
                "because.duty",
                &[
                    ("used", &(used_ms / 1_000)),
                    ("allowed", &(allowed_ms / 1_000)),
                ],
            ),
            Because::Reference { moves } => self.fill("because.reference", &[("moves", moves)]),
            Because::Drive { trouble } => self.trouble(*trouble).to_owned(),
            Because::GatewayLost { gateway } => {
                let gateway = self.model.gateways.get(gateway.index());
                let name = gateway.map_or("?", |gateway| gateway.name.as_str());
                self.fill("because.gateway", &[("gateway", &name)])
            }
            Because::Bypassed { by, until } => self.fill(
                "because.bypassed",
                &[("by", by), ("until", &self.moment(*until))],
            ),
        }
    }

    #[expect(
        clippy::wildcard_enum_match_arm,
        reason = "the caller has sorted out the rest"
    )]
    fn weather(&self, because: &Because) -> String {
        let words = self.words;
        match because {
            Because::WindAbove {
                sensor,
                part,
                speed_mps,
                factor,
                limit_mps,
            } => {
                let here = speed_mps * factor;
                let places: &[(&str, &dyn Display)] = &[
                    ("part", &self.wind_part(*part)),
                    ("speed", &self.one(*speed_mps)),
                    ("sensor", &self.sensor(*sensor)),
                    ("here", &self.one(here)),
                    ("limit", &self.one(*limit_mps)),
                ];
                if (factor - 1.0).abs() < 1e-9 {
                    self.fill("because.wind_above", places)
                } else {
                    self.fill("because.wind_above_here", places)
                }
            }
            Because::WindHolding {
                peak_mps,
                limit_mps,
                calm_below_mps,
            } if *peak_mps > 0.0 => self.fill(
                "because.wind_holding",
                &[
                    ("peak", &self.one(*peak_mps)),
                    ("limit", &self.one(*limit_mps)),
                    ("calm", &self.one(*calm_below_mps)),
                ],
            ),
            // It was no wind that engaged it, but a sensor.
            Because::WindHolding { calm_below_mps, .. } => self.fill(
                "because.wind_holding_unknown",
                &[("calm", &self.one(*calm_below_mps))],
            ),
            Because::SensorUnknown { sensor, fault } => self.fill(
                "because.sensor_unknown",
                &[
                    ("sensor", &self.sensor(*sensor)),
                    ("fault", &self.fault(*fault)),
                ],
            ),
            Because::WeatherUnknown {
                sensor: Some(sensor),
            } => self.fill(
                "because.not_heard_yet",
                &[("sensor", &self.sensor(*sensor))],
            ),
            Because::WeatherUnknown { sensor: None } => {
                words.say("because.not_known_long").to_owned()
            }
            Because::Hail { sensor } => {
                self.fill("because.hail", &[("sensor", &self.sensor(*sensor))])
            }
            Because::HailHolding => words.say("because.hail_holding").to_owned(),
            Because::Frost {
                sensor,
                temperature_c,
                below_c,
            } => self.fill(
                "because.frost",
                &[
                    ("temperature", &self.one(*temperature_c)),
                    ("sensor", &self.sensor(*sensor)),
                    ("limit", &self.one(*below_c)),
                ],
            ),
            Because::FrostHolding { above_c } => {
                self.fill("because.frost_holding", &[("limit", &self.one(*above_c))])
            }
            Because::Rain { sensor, value } => self.fill(
                "because.rain",
                &[
                    ("sensor", &self.sensor(*sensor)),
                    ("value", &self.one(*value)),
                ],
            ),
            Because::RainHolding => words.say("because.rain_holding").to_owned(),
            _ => String::new(),
        }
    }

    #[expect(
        clippy::wildcard_enum_match_arm,
        reason = "the caller has sorted out the rest"
    )]
    fn sun(&self, because: &Because) -> String {
        match because {
            Because::SunShading {
                light,
                irradiance_wm2,
                on_wm2,
                incidence_deg,
                profile_deg,
                slats,
            } => {
                let light = match light {
                    LightSource::Measured(sensor) => self.fill(
                        "because.light_measured",
                        &[("sensor", &self.sensor(*sensor))],
                    ),
                    LightSource::Transposed(sensor) => self.fill(
                        "because.light_worked_out",
                        &[("sensor", &self.sensor(*sensor))],
                    ),
                    LightSource::ClearSky => self.words.say("because.light_clear_sky").to_owned(),
                };
                let slats = match slats {
                    SlatsSay::None => String::new(),
                    SlatsSay::Horizontal => self.words.say("because.slats_horizontal").to_owned(),
                    SlatsSay::CutOff(deg) => {
                        self.fill("because.slats_cut_off", &[("tilt", &self.whole(*deg))])
                    }
                    SlatsSay::Leak(leak) => {
                        self.fill("because.slats_leak", &[("leak", &self.whole(leak * 100.0))])
                    }
                };
                self.fill(
                    "because.sun",
                    &[
                        ("irradiance", &self.whole(*irradiance_wm2)),
                        ("light", &light),
                        ("on", &self.whole(*on_wm2)),
                        ("incidence", &self.whole(*incidence_deg)),
                        ("profile", &self.whole(*profile_deg)),
                        ("slats", &slats),
                    ],
                )
            }
            Because::SunOpened {
                irradiance_wm2,
                off_wm2,
            } => self.fill(
                "because.sun_opened",
                &[
                    ("irradiance", &self.whole(*irradiance_wm2)),
                    ("off", &self.whole(*off_wm2)),
                ],
            ),
            Because::SunCapped { cap } => self.fill("because.sun_capped", &[("cap", cap)]),
            Because::Heat {
                keep_out,
                room_c,
                setpoint_c,
                irradiance_wm2,
            } => {
                let key = if *keep_out {
                    "because.heat_out"
                } else {
                    "because.heat_in"
                };
                self.words.fill(
                    key,
                    &[
                        ("room", &self.one(*room_c)),
                        ("wanted", &self.one(*setpoint_c)),
                        ("irradiance", &self.whole(*irradiance_wm2)),
                    ],
                )
            }
            _ => String::new(),
        }
    }

    #[expect(
        clippy::wildcard_enum_match_arm,
        reason = "the caller has sorted out the rest"
    )]
    fn day(&self, because: &Because) -> String {
        match because {
            Because::Phase {
                timetable,
                plan,
                phase,
            } => {
                let table = self.model.timetables.get(timetable.index());
                let plan = table.and_then(|table| table.plans.get(usize::from(*plan)));
                let phase = plan.and_then(|plan| plan.phases.get(usize::from(*phase)));
                let class = plan.and_then(|plan| self.model.day_classes.get(plan.class.index()));
                self.fill(
                    "because.phase",
                    &[
                        ("timetable", &table.map_or("?", |table| table.name.as_str())),
                        (
                            "class",
                            &class.map_or_else(|| "?".to_owned(), |class| self.day_class(class)),
                        ),
                        ("phase", &phase.map_or("?", |phase| phase.name.as_str())),
                    ],
                )
            }
            Because::Special { index } => {
                let special = self.model.specials.get(*index as usize);
                self.fill(
                    "because.special",
                    &[("name", &special.map_or("?", |s| s.name.as_str()))],
                )
            }
            _ => String::new(),
        }
    }

    /// A day class: the four that every house has are translated, its own are not.
    #[must_use]
    pub fn day_class(&self, class: &str) -> String {
        match class {
            "workday" | "weekend" | "holiday" | "closed" => self.words.say_of("day_class", class),
            own => own.to_owned(),
        }
    }

    /// Why a rank keeps quiet.
    #[must_use]
    pub fn quiet(&self, quiet: &Quiet) -> String {
        let words = self.words;
        match quiet {
            Quiet::NoRule => words.say("quiet.no_rule").to_owned(),
            Quiet::NotSet => words.say("quiet.not_set").to_owned(),
            Quiet::ContactAtRest => words.say("quiet.contact").to_owned(),
            Quiet::WindBelow {
                sensor,
                part,
                here_mps,
                limit_mps,
            } => self.fill(
                "quiet.wind",
                &[
                    ("part", &self.wind_part(*part)),
                    ("here", &self.one(*here_mps)),
                    ("sensor", &self.sensor(*sensor)),
                    ("limit", &self.one(*limit_mps)),
                ],
            ),
            Quiet::ValueBelow {
                sensor,
                value,
                limit,
            } => self.fill(
                "quiet.value",
                &[
                    ("sensor", &self.sensor(*sensor)),
                    ("value", &self.one(*value)),
                    ("limit", &self.one(*limit)),
                ],
            ),
            Quiet::NoFrost {
                sensor,
                temperature_c,
                below_c,
            } => self.fill(
                "quiet.no_frost",
                &[
                    ("temperature", &self.one(*temperature_c)),
                    ("sensor", &self.sensor(*sensor)),
                    ("limit", &self.one(*below_c)),
                ],
            ),
            Quiet::SunNotAllowed => words.say("quiet.sun_not_allowed").to_owned(),
            Quiet::SunNotThere { irradiance_wm2 } => self.fill(
                "quiet.sun_not_there",
                &[("irradiance", &self.whole(*irradiance_wm2))],
            ),
            Quiet::SunTooDim {
                irradiance_wm2,
                on_wm2,
            } => self.fill(
                "quiet.sun_too_dim",
                &[
                    ("irradiance", &self.whole(*irradiance_wm2)),
                    ("on", &self.whole(*on_wm2)),
                ],
            ),
            Quiet::SunCapped { travels, tilts } => self.fill(
                "quiet.sun_capped",
                &[("travels", travels), ("tilts", tilts)],
            ),
            Quiet::NoPhase => words.say("quiet.no_phase").to_owned(),
        }
    }

    /// What is wrong with a sensor.
    #[must_use]
    pub fn fault(&self, fault: Fault) -> &'static str {
        let words = self.words;
        match fault {
            Fault::Silent => words.say("fault.silent"),
            Fault::Stuck => words.say("fault.stuck"),
            Fault::OutOfRange => words.say("fault.out_of_range"),
            Fault::TooFast => words.say("fault.too_fast"),
            Fault::ZeroWhileNeighbourBlows => words.say("fault.zero"),
            Fault::GatewayLost => words.say("fault.gateway"),
            Fault::LeftOut => words.say("fault.left_out"),
        }
    }

    fn trouble(&self, trouble: DriveTrouble) -> &'static str {
        let words = self.words;
        match trouble {
            DriveTrouble::Silent => words.say("drive.silent"),
            DriveTrouble::Refused => words.say("drive.refused"),
            DriveTrouble::Elsewhere => words.say("drive.elsewhere"),
            DriveTrouble::Fault => words.say("drive.fault"),
            DriveTrouble::NoPower => words.say("drive.no_power"),
            DriveTrouble::PowerUncommanded => words.say("drive.uncommanded"),
            DriveTrouble::TooMuchPower => words.say("drive.too_much"),
            DriveTrouble::RunsTooLong => words.say("drive.too_long"),
        }
    }

    /// What an alarm is about.
    #[must_use]
    pub fn alarm(&self, alarm: AlarmWord) -> &'static str {
        let words = self.words;
        match alarm {
            AlarmWord::SensorFault => words.say("alarm.sensor_fault"),
            AlarmWord::SensorBypassed => words.say("alarm.sensor_bypassed"),
            AlarmWord::NotInRefuge => words.say("alarm.not_in_refuge"),
            AlarmWord::WindDuringService => words.say("alarm.wind_during_service"),
            AlarmWord::ServiceOverdue => words.say("alarm.service_overdue"),
            AlarmWord::DriveUnconfirmed => words.say("alarm.drive_unconfirmed"),
            AlarmWord::DrivePower => words.say("alarm.drive_power"),
            AlarmWord::DriveDuty => words.say("alarm.drive_duty"),
            AlarmWord::GatewayLost => words.say("alarm.gateway_lost"),
            AlarmWord::ClockUntrusted => words.say("alarm.clock_untrusted"),
            AlarmWord::Frozen => words.say("alarm.frozen"),
            AlarmWord::FireActive => words.say("alarm.fire_active"),
            AlarmWord::StateLost => words.say("alarm.state_lost"),
        }
    }

    /// What releases a verdict, worked out at `at`.
    #[must_use]
    pub fn release(&self, release: &Release, at: Now) -> String {
        let words = self.words;
        let wall = |steady: leeside_core::time::Steady| {
            // To the second: a hold ends no earlier than it says.
            let ms = at.wall.0 + (steady.0 - at.steady.0);
            self.moment(Wall(ms.div_euclid(1_000) * 1_000))
        };
        match release {
            Release::EarliestIfCalm(steady) => {
                self.fill("release.if_calm", &[("at", &wall(*steady))])
            }
            Release::AfterCalm(ms) => {
                self.fill("release.after_calm", &[("span", &words.span(*ms))])
            }
            Release::SensorRecovers(sensor) => {
                self.fill("release.sensor", &[("sensor", &self.sensor(*sensor))])
            }
            Release::SensorHeard => words.say("release.heard").to_owned(),
            Release::DoorCloses => words.say("release.door").to_owned(),
            Release::ContactClears(contact) => {
                self.fill("release.contact", &[("contact", &self.contact(*contact))])
            }
            Release::OwnerEnds => words.say("release.owner").to_owned(),
            Release::At(moment) => {
                // Seconds matter when they are near; the core acts to the second anyway.
                let far = moment.0 - at.wall.0 > HOUR;
                let ms = if far {
                    moment.0 - moment.0.rem_euclid(MINUTE)
                } else {
                    moment.0
                };
                self.fill("release.at", &[("at", &self.moment(Wall(ms)))])
            }
            Release::AtSteady(steady) => self.fill("release.at", &[("at", &wall(*steady))]),
            Release::LightChanges => words.say("release.light").to_owned(),
            Release::AnyWish => words.say("release.any_wish").to_owned(),
            Release::ClockTrusted => words.say("release.clock").to_owned(),
            Release::BudgetRecovers => words.say("release.budget").to_owned(),
        }
    }

    /// A sensor's value with its unit.
    #[must_use]
    pub fn value(&self, kind: SensorKind, value: f64) -> String {
        let number = match kind {
            SensorKind::PlaneIrradiance
            | SensorKind::GlobalHorizontal
            | SensorKind::PlaneIlluminance
            | SensorKind::HorizontalIlluminance
            | SensorKind::Hail
            | SensorKind::Humidity => self.whole(value),
            SensorKind::Wind
            | SensorKind::Rain
            | SensorKind::Temperature
            | SensorKind::SurfaceTemperature
            | SensorKind::RoomTemperature => self.one(value),
        };
        let unit = say::unit(kind);
        if unit.is_empty() {
            number
        } else {
            format!("{number} {unit}")
        }
    }
}

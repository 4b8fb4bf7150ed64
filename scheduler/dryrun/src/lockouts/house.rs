//! A site of one awning, made up in memory, to ask the core about a limit.

use super::{Limit, Question};
use chrono::NaiveDate;
use leeside_core::ids::{
    DayClassId, DeviceId, FacadeId, FeederId, ProductId, SensorId, TimetableId,
};
use leeside_core::model::{
    DayTable, Device, Drive, Facade, Feeder, FrozenWind, Group, HandRule, Kind, Model, Policy,
    Product, RainRule, Refuges, Sensor, SensorKind, Site, Timetable, Unheard, Validity, WindLink,
    WindRule,
};
use leeside_core::pose::Pose;
use leeside_core::time::HOUR;
use leeside_solar::shade::Obstructions;
use leeside_solar::{Atmosphere, Location, Plane};

/// The site. Its sensor is believed whatever it reads; where the sun stands, or
/// what the day is, asks for nothing.
pub(super) fn of(question: &Question, silence_ms: i64) -> Model {
    let (kind, wind, rain) = match question.limit {
        Limit::Wind {
            limit_mps,
            hysteresis_mps,
        } => {
            let link = WindLink {
                sensor: SensorId(0),
                factor: 1.0,
                sectors: vec![],
                advisory: false,
            };
            let rule = WindRule {
                limit_mps,
                source: "asked".to_owned(),
                hysteresis_mps,
                hold_ms: question.hold_ms,
                persistence_ms: 0,
                links: vec![link],
            };
            (SensorKind::Wind, Some(rule), None)
        }
        Limit::Rain => {
            let rule = RainRule {
                sensors: vec![SensorId(0)],
                above: 0.0,
                hold_ms: question.hold_ms,
            };
            (SensorKind::Rain, None, Some(rule))
        }
    };
    let validity = Validity {
        silence_ms,
        ..Validity::trusting(f64::MIN, f64::MAX)
    };
    let sensor = Sensor {
        name: "series".to_owned(),
        kind,
        validity,
        gust: Unheard::ThisReadingOnly,
        gateway: None,
    };
    Model {
        site: site(),
        policy: policy(),
        facades: vec![facade()],
        rooms: vec![],
        products: vec![product()],
        devices: vec![device()],
        feeders: vec![Feeder {
            name: "feeder".to_owned(),
            stagger_ms: 0,
            starts_at_once: 1,
        }],
        gateways: vec![],
        groups: vec![Group {
            wind,
            rain,
            ..group()
        }],
        sensors: vec![sensor],
        contacts: vec![],
        day_classes: vec!["every day".to_owned()],
        days: DayTable::new(NaiveDate::default(), vec![], [DayClassId(0); 7]),
        specials: vec![],
        timetables: vec![Timetable {
            name: "none".to_owned(),
            plans: vec![],
        }],
        arrangements: vec![],
    }
}

fn site() -> Site {
    let location = Location::new(0.0, 0.0, 0.0).expect("the equator is a place");
    Site {
        name: "one limit".to_owned(),
        location,
        atmosphere: Atmosphere::standard(0.0),
        zone: chrono_tz::UTC,
        albedo: 0.2,
        linke_turbidity: 3.0,
    }
}

fn policy() -> Policy {
    Policy {
        fire_moves_service: false,
        fire_moves_service_decided: "no fire here".to_owned(),
        frozen_wind: FrozenWind::Hold,
        frozen_wind_decided: "no ice here".to_owned(),
        known_for_ms: 0,
        service_reminder_ms: HOUR,
        command_lifetime_ms: HOUR,
        answer_grace_ms: leeside_core::model::ANSWER_GRACE_MS,
        time_to_safe_max_ms: HOUR,
        exposure_max_ms: HOUR,
    }
}

fn facade() -> Facade {
    Facade {
        name: "south".to_owned(),
        plane: Plane::new(180.0, 90.0).expect("a wall facing south is a plane"),
        obstructions: Obstructions::default(),
        light: vec![],
    }
}

fn product() -> Product {
    Product {
        name: "awning".to_owned(),
        kind: Kind::Awning,
        extend_ms: 0,
        retract_ms: 0,
        tilt_ms: 0,
        slats: None,
        wind_limit_mps: 0.0,
        wind_limit_source: "asked".to_owned(),
        refuge: Refuges {
            wind: Pose::RETRACTED,
            hail: None,
            ice: None,
            rain: Some(Pose::RETRACTED),
        },
        reversal_pause_ms: 0,
        budget: None,
        reference_after_moves: 0,
        endurance_cycles: None,
        g_total: None,
    }
}

fn device() -> Device {
    Device {
        name: "awning".to_owned(),
        product: ProductId(0),
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
    }
}

fn group() -> Group {
    Group {
        name: "awning".to_owned(),
        facade: FacadeId(0),
        kind: Kind::Awning,
        devices: vec![DeviceId(0)],
        rooms: vec![],
        wind: None,
        hail: None,
        ice: None,
        rain: None,
        fire: None,
        timetable: TimetableId(0),
        rest: Pose::RETRACTED,
        sun: None,
        hand: HandRule {
            hold_ms: HOUR,
            announce_ms: 0,
        },
        quiet: None,
        slats: None,
        opening: None,
        obstructions: Obstructions::default(),
    }
}

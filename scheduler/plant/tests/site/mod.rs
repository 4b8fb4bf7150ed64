//! A small site in memory: one feeder, a slat blind and a roller shutter.

use chrono::NaiveDate;
use leeside_core::ids::{DayClassId, FeederId, ProductId};
use leeside_core::model::{
    DayTable, Device, Drive, Evidence, Feeder, FrozenWind, Kind, Model, Policy, Product, Refuges,
    Site,
};
use leeside_core::pose::Pose;
use leeside_solar::{Atmosphere, Location, Slats};

/// Extends in 50 s, retracts in 60 s, turns its slats through 90 degrees in 1.5 s.
pub(crate) const BLIND: u32 = 0;
/// Extends in 20 s, retracts in 22 s.
pub(crate) const SHUTTER: u32 = 1;

fn product(kind: Kind, times: [i64; 3], slats: Option<Slats>) -> Product {
    let [extend_ms, retract_ms, tilt_ms] = times;
    Product {
        name: format!("{kind:?}"),
        kind,
        extend_ms,
        retract_ms,
        tilt_ms,
        slats,
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
    }
}

fn device(name: &str, product: u32) -> Device {
    Device {
        name: name.to_owned(),
        product: ProductId(product),
        room: None,
        opening: None,
        drive: Drive {
            feeder: FeederId(0),
            gateway: None,
            reports: true,
            evidence: Some(Evidence {
                running_from_w: 60.0,
                too_much_w: 180.0,
                supply_v: None,
            }),
        },
        doors: vec![],
        escape: false,
    }
}

/// The site.
pub(crate) fn model() -> Model {
    let location = Location::new(50.0, 8.0, 100.0).unwrap();
    let slats = Slats::new(80.0, 72.0, 0.0, 90.0, 0.0).unwrap();
    Model {
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
            service_reminder_ms: 3_600_000,
            command_lifetime_ms: 60_000,
            answer_grace_ms: leeside_core::model::ANSWER_GRACE_MS,
            time_to_safe_max_ms: 120_000,
            exposure_max_ms: 120_000,
        },
        facades: vec![],
        rooms: vec![],
        products: vec![
            product(Kind::SlatBlind, [50_000, 60_000, 1_500], Some(slats)),
            product(Kind::RollerShutter, [20_000, 22_000, 0], None),
        ],
        devices: vec![device("blind", 0), device("shutter", 1)],
        feeders: vec![Feeder {
            name: "F1".to_owned(),
            stagger_ms: 300,
            starts_at_once: 1,
        }],
        gateways: vec![],
        groups: vec![],
        sensors: vec![],
        contacts: vec![],
        day_classes: vec!["every day".to_owned()],
        days: DayTable::new(NaiveDate::default(), vec![], [DayClassId(0); 7]),
        specials: vec![],
        timetables: vec![],
        arrangements: vec![],
    }
}

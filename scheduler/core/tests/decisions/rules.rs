//! Rules of guards and wishes with round numbers, for the small site in memory.

use leeside_core::ids::{ContactId, SensorId};
use leeside_core::model::{
    DailyCap, FireRule, HailRule, IceRule, Moisture, RainRule, SunAim, SunRule, WindLink, WindRule,
};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE};

/// Limit 10 m/s, calm below 8, held for 20 minutes.
pub(crate) fn wind_rule(sensors: &[SensorId]) -> WindRule {
    let link = |sensor: &SensorId| WindLink {
        sensor: *sensor,
        factor: 1.0,
        sectors: vec![],
        advisory: false,
    };
    WindRule {
        limit_mps: 10.0,
        source: "made up for this test".to_owned(),
        hysteresis_mps: 2.0,
        hold_ms: 20 * MINUTE,
        persistence_ms: 0,
        links: sensors.iter().map(link).collect(),
    }
}

/// Above 0.5, dry for 15 minutes.
pub(crate) fn rain_rule(sensors: &[SensorId]) -> RainRule {
    RainRule {
        sensors: sensors.to_vec(),
        above: 0.5,
        hold_ms: 15 * MINUTE,
    }
}

/// From 1 on, free for 30 minutes.
pub(crate) fn hail_rule(sensors: &[SensorId]) -> HailRule {
    HailRule {
        sensors: sensors.to_vec(),
        from: 1.0,
        hold_ms: 30 * MINUTE,
    }
}

/// Below 3 °C when moist, released above 5 °C for an hour.
pub(crate) fn ice_rule(sensors: &[SensorId]) -> IceRule {
    IceRule {
        sensors: sensors.to_vec(),
        below_c: 3.0,
        above_c: 5.0,
        hold_ms: HOUR,
        moisture: vec![Moisture::Always],
    }
}

pub(crate) fn fire_rule(contacts: &[ContactId]) -> FireRule {
    FireRule {
        contacts: contacts.to_vec(),
        pose: Pose::RETRACTED,
    }
}

/// Bright from 200 W/m² for 5 minutes, dim below 100 for 15, retracts 20 minutes later.
pub(crate) fn sun_rule(aim: SunAim) -> SunRule {
    SunRule {
        aim,
        on_wm2: 200.0,
        off_wm2: 100.0,
        on_delay_ms: 5 * MINUTE,
        off_delay_ms: 15 * MINUTE,
        retract_delay_ms: 20 * MINUTE,
        least_step: 5,
        least_interval_ms: 15 * MINUTE,
        cap: DailyCap {
            travels: 20,
            tilts: 100,
        },
        heat: None,
    }
}

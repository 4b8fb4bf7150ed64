//! A site file loaded anew: lockouts, holds and service stay, also where groups
//! have other names, and an unchanged file changes nothing.

use crate::support::*;
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin, Until};
use leeside_core::model::{Kind, Model, SensorKind};
use leeside_core::pose::Pose;
use leeside_core::time::MINUTE;
use std::sync::Arc;

/// Two awnings with a mast each, extended all day.
pub(crate) fn pair() -> (House, [GroupId; 2], [SensorId; 2]) {
    let mut house = House::new(Pose::EXTENDED);
    let masts = ["east mast", "west mast"].map(|n| house.sensor_with(n, SensorKind::Wind, WATCHED));
    let groups = ["east", "west"].map(|n| house.single(n, Kind::Awning));
    for (group, mast) in groups.into_iter().zip(masts) {
        house.of(group).wind = Some(wind_rule(&[mast]));
    }
    (house, groups, masts)
}

/// Both are out; then the wind brings the eastern one in.
pub(crate) fn storm_in_the_east() -> (Rig, [GroupId; 2], [SensorId; 2]) {
    let (house, groups, masts) = pair();
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:05:00", gust(masts[1], 1.0), ""),
        ("00:05:01", gust(masts[0], 12.0), "east +wind; east: wind 0"),
    ]);
    (rig, groups, masts)
}

pub(crate) fn reload(rig: Rig, change: impl FnOnce(&mut Model)) -> Rig {
    let mut model = (**rig.core.model()).clone();
    change(&mut model);
    Rig {
        core: rig.core.reload(Arc::new(model)),
        start: rig.start,
    }
}

#[test]
fn the_same_file_again_changes_nothing() {
    let (rig, _, masts) = storm_in_the_east();
    let mut rig = reload(rig, |_| {});
    rig.check(&[
        ("00:05:02", tick(), ""),
        ("00:10:00", gust(masts[0], 1.0), "east ~wind"),
    ]);
    let mut rig = reload(rig, |_| {});
    rig.check(&[
        ("00:10:01", gust(masts[1], 1.0), ""),
        ("00:17:00", gust(masts[0], 1.0), ""),
        ("00:17:00", gust(masts[1], 1.0), ""),
        ("00:25:00", gust(masts[0], 1.0), ""),
        ("00:25:00", gust(masts[1], 1.0), ""),
        ("00:30:00", tick(), "east -wind; east: timetable 100"),
    ]);
}

#[test]
fn groups_in_another_order_keep_their_own_lockouts() {
    let (rig, _, masts) = storm_in_the_east();
    let mut rig = reload(rig, |model| model.groups.swap(0, 1));
    rig.check(&[
        ("00:05:02", gust(masts[1], 1.0), "00:05:01.001 east ~wind"),
        ("00:10:00", gust(masts[0], 1.0), "east ~wind"),
        ("00:15:00", gust(masts[1], 12.0), "west +wind; west: wind 0"),
    ]);
}

#[test]
fn a_lockout_and_service_follow_the_devices_into_a_renamed_group() {
    let (mut rig, groups, masts) = storm_in_the_east();
    rig.check(&[("00:06:00", service(groups[1], true), "")]);
    let mut rig = reload(rig, |model| {
        for group in &mut model.groups {
            group.name.push_str(" side");
        }
    });
    rig.check(&[
        (
            "00:06:01",
            tick(),
            "00:06:00.001 east side ~wind; 00:06:00.001 east side ~wind",
        ),
        ("00:10:00", gust(masts[0], 1.0), "east side ~wind"),
        ("00:10:00", gust(masts[1], 1.0), ""),
        ("00:17:00", gust(masts[0], 1.0), ""),
        ("00:24:00", gust(masts[0], 1.0), "00:20:00.001 !sensor_fault/west mast; 00:20:00.001 west side +wind; 00:20:00.001 !wind_during_service/west side"),
        // Held by service nothing goes in; when the hold is over, the other goes out.
        ("00:30:00", tick(), "east side -wind; east side: timetable 100"),
    ]);
}

#[test]
fn a_device_that_joins_another_group_brings_its_lockout_along() {
    let (rig, _, masts) = storm_in_the_east();
    let mut rig = reload(rig, |model| {
        let device = model.groups[0].devices.remove(0);
        model.groups[1].devices.push(device);
        model.groups.remove(0);
    });
    rig.check(&[
        // One group, one guard: what was out in it comes in as well.
        (
            "00:05:02",
            tick(),
            "00:05:01.001 west ~wind; 00:05:01.001 west: wind west 0",
        ),
        ("00:10:00", gust(masts[1], 1.0), ""),
    ]);
}

#[test]
fn a_shorter_silence_holds_from_now_on() {
    let (rig, _, masts) = storm_in_the_east();
    let mut rig = reload(rig, |model| {
        for sensor in &mut model.sensors {
            sensor.validity.silence_ms = MINUTE;
        }
    });
    rig.check(&[
        ("00:05:30", gust(masts[0], 12.0), ""),
        (
            "00:06:00",
            tick(),
            "!sensor_fault/west mast; west +wind; west: wind 0",
        ),
    ]);
}

#[test]
fn alarms_stay_with_what_they_are_about_and_end_with_it() {
    let (mut rig, _, masts) = storm_in_the_east();
    rig.check(&[
        ("00:14:00", gust(masts[0], 12.0), ""),
        (
            "00:15:00",
            tick(),
            "!sensor_fault/west mast; west +wind; west: wind 0",
        ),
    ]);
    // Another order of the sensors: the alarm is still the western mast's.
    let rig = reload(rig, |model| {
        model.sensors.swap(0, 1);
        for group in &mut model.groups {
            let link = &mut group.wind.as_mut().unwrap().links[0];
            link.sensor = SensorId(1 - link.sensor.0);
        }
    });
    assert_eq!(rig.core.alarms()[0].key, "sensor_fault/west mast");
    // Without that mast there is nothing to be alarmed about.
    let mut rig = reload(rig, |model| {
        model.sensors[0].name = "new west mast".to_owned();
    });
    assert!(rig.core.alarms().is_empty());
    rig.check(&[("00:15:01", gust(masts[1], 1.0), "00:15:00.001 east ~wind; 00:15:00.001 west ~wind; 00:15:00.001 .sensor_fault/west mast; 00:15:00.001 east ~wind; east ~wind")]);
}

/// Two shutters that freeze, one group each.
fn freezing() -> (House, [GroupId; 2], [SensorId; 2]) {
    let mut house = House::new(Pose::extension(40));
    let sensors = [
        house.sensor("mast", SensorKind::Wind),
        house.sensor("thermo", SensorKind::Temperature),
    ];
    let groups = ["east", "west"].map(|n| house.single(n, Kind::RollerShutter));
    for group in groups {
        house.of(group).wind = Some(wind_rule(&sensors[..1]));
        house.product_of(group).refuge.wind = Pose::EXTENDED;
        house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    }
    (house, groups, sensors)
}

/// Both in one group of another name.
fn joined(model: &mut Model) {
    let device = model.groups[1].devices.remove(0);
    model.groups[0].devices.push(device);
    model.groups.remove(1);
    model.groups[0].name = "both".to_owned();
}

/// What is frozen stays where it is, also in a new group with others.
#[test]
fn what_is_frozen_stays_frozen_in_another_group() {
    let (mut house, groups, [mast, thermo]) = freezing();
    for group in groups {
        house.of(group).ice = Some(ice_rule(&[thermo]));
    }
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &value(thermo, -3.0));
    // Milder, but not warm yet.
    rig.put("10:05:00", &value(thermo, 1.0));
    rig.put("10:05:01", &tick());
    let mut rig = reload(rig, joined);
    rig.put("10:05:02", &tick());
    let out = rig.put("10:10:00", &gust(mast, 12.0));
    let after = rig.put("10:10:01", &tick());
    let said = rig.words("10:10:00", &[out, after].concat());
    assert!(
        said.contains("both +wind") && !said.contains("both: "),
        "{said}"
    );
}

/// A lockout of before a restart of which nothing has been heard yet extends nothing in
/// a new group either.
#[test]
fn a_kept_lockout_extends_nothing_in_another_group() {
    let (house, _, [mast, _]) = freezing();
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &gust(mast, 12.0));
    rig.put("10:00:01", &tick());
    rig.put("11:00:00", &restart());
    rig.put("11:00:01", &tick());
    let mut rig = reload(rig, joined);
    let out = rig.put("11:00:02", &tick());
    let said = rig.words("11:00:02", &out);
    assert!(!said.contains("both: "), "{said}");
    let out = rig.put("11:00:03", &gust(mast, 12.0));
    let after = rig.put("11:00:04", &tick());
    let said = rig.words("11:00:03", &[out, after].concat());
    assert!(said.contains("both: wind"), "{said}");
}

/// Whoever stood in for a sensor is gone with its line: the sensor speaks for itself,
/// and nobody else, whose number it is now, for it.
#[test]
fn a_bypass_ends_with_the_sensor_that_stood_in() {
    let (mut house, groups, masts) = pair();
    let spare = house.sensor("spare", SensorKind::Wind);
    let other = house.sensor("other", SensorKind::Wind);
    let _ = (groups, other);
    let mut rig = Rig::calm(house);
    let ask = Ask::Bypass {
        sensor: masts[0],
        substitute: Some(spare),
        until: Some(rig.now("20:00:00").wall),
    };
    rig.put("00:05:00", &asks("A. Person", Origin::Centre, ask));
    rig.put("00:05:01", &tick());
    let mut rig = reload(rig, |model| {
        model.sensors.remove(spare.index());
    });
    assert!(rig.core.sensor(masts[0]).state.bypass().is_none());
    rig.put("00:05:02", &gust(masts[0], 12.0));
    rig.put("00:05:03", &tick());
    assert_eq!(rig.core.lockouts(GroupId(0)).len(), 1);
}

/// A snapshot between an input and its decision loses neither; one in an outage goes on
/// to know that there is one.
#[test]
fn a_snapshot_loses_nothing_that_is_still_to_come() {
    let (house, groups, masts) = pair();
    let mut rig = Rig::calm(house);
    rig.put("00:01:00", &In::Put(Input::Connected));
    rig.put("00:02:00", &gust(masts[1], 1.0));
    rig.put("00:04:59", &In::Put(Input::Disconnected));
    rig.put("00:05:00", &gust(masts[0], 12.0));
    let kept = rig.core.snapshot();
    rig.core = Core::restore(rig.core.model().clone(), &kept).unwrap();
    rig.check(&[(
        "00:05:01",
        tick(),
        "00:05:00 east +wind; 00:05:00 east: wind 0",
    )]);
    let device = rig.core.model().group(groups[0]).devices[0];
    assert!(rig.core.pose(device).is_some());
    rig.put("00:07:00", &In::Put(Input::Connected));
    assert_eq!(rig.core.pose(device), None);
}

/// What was set up for one drive does not go over to another that has its number now.
#[test]
fn what_is_set_up_goes_over_to_no_other_drive() {
    let mut house = House::new(Pose::RETRACTED);
    let product = house.product(Kind::RollerShutter);
    let devices = [house.device("a", product), house.device("b", product)];
    house.group("pair", Kind::RollerShutter, &devices);
    let ask = Ask::Device {
        device: devices[1],
        extension_pct: Some(60),
        tilt_deg: None,
        until: Until::For(8 * 60 * MINUTE),
    };
    let mut rig = Rig::calm(house);
    rig.check(&[(
        "10:00:00",
        asks("fitter", Origin::Centre, ask),
        "pair: hand b 60",
    )]);
    let mut rig = reload(rig, |model| {
        let mut first = model.devices[0].clone();
        first.name = "c".to_owned();
        model.devices.insert(0, first);
        let group = &mut model.groups[0];
        group.name = "all".to_owned();
        group.devices = (0..3).map(DeviceId).collect();
    });
    let out = rig.put("10:10:00", &tick());
    let said = rig.words("10:10:00", &out);
    assert!(!said.contains("60"), "{said}");
    assert!(rig.core.explain(GroupId(0)).verdict.exceptions.is_empty());
}

/// A group that cannot freeze takes up no frost from one that can.
#[test]
fn frost_goes_over_to_no_group_that_cannot_freeze() {
    let (mut house, groups, [_, thermo]) = freezing();
    house.of(groups[1]).ice = Some(ice_rule(&[thermo]));
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &value(thermo, -3.0));
    rig.put("10:00:01", &tick());
    let mut rig = reload(rig, joined);
    rig.put("10:00:02", &tick());
    let keys: Vec<String> = rig.core.alarms().into_iter().map(|a| a.key).collect();
    assert!(!keys.contains(&"frozen/both".to_owned()), "{keys:?}");
}

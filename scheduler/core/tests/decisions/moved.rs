//! A site file loaded anew in which things have other numbers, groups or neighbours:
//! what is kept of each goes with its name, and nothing waits for ever.

use crate::drives::{reporting, row};
use crate::reload::{pair, reload, storm_in_the_east};
use crate::support::*;
use leeside_core::Core;
use leeside_core::ids::{DeviceId, FeederId, GatewayId, GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin};
use leeside_core::model::{Gateway, Model};
use leeside_core::pose::Pose;
use leeside_core::time::MINUTE;
use std::sync::Arc;

/// One more device and feeder before all others, of a group of its own at the end.
fn one_more_before_all(model: &mut Model) {
    let (mut device, mut group) = (model.devices[0].clone(), model.groups[0].clone());
    device.name = "new".to_owned();
    group.name = "new".to_owned();
    device.doors.clear();
    device.drive.reports = false;
    for known in &mut model.devices {
        known.drive.feeder = FeederId(known.drive.feeder.0 + 1);
    }
    for known in &mut model.groups {
        for device in &mut known.devices {
            device.0 += 1;
        }
    }
    let mut feeder = model.feeders[0].clone();
    feeder.name = "new".to_owned();
    model.feeders.insert(0, feeder);
    device.drive.feeder = FeederId(0);
    model.devices.insert(0, device);
    group.devices = vec![DeviceId(0)];
    group.wind = None;
    model.groups.push(group);
}

/// Starts to come stay booked, each for its own drive: one that is given up frees its
/// place, whatever numbers drives and feeders have now.
#[test]
fn starts_to_come_stay_booked_for_their_own_drives() {
    let (house, groups, _) = row(&["a", "b", "c", "d"], 10_000, 1);
    let mut rig = Rig::calm(house);
    for group in &groups[..3] {
        rig.put("10:00:00", &room(*group, 100));
    }
    rig.put("10:00:00.500", &tick());
    let mut rig = reload(rig, one_more_before_all);
    rig.put("10:00:00.800", &tick());
    rig.check(&[
        ("10:00:01", service(groups[1], true), "b: service halt"),
        ("10:00:02", room(groups[3], 100), "d: hand 100+8s"),
    ]);
}

/// The start of a drive that is no more is free for others.
#[test]
fn the_start_of_a_drive_that_is_no_more_is_free() {
    let (house, groups, _) = row(&["a", "b", "c", "d"], 10_000, 1);
    let mut rig = Rig::calm(house);
    for group in &groups[..3] {
        rig.put("10:00:00", &room(*group, 100));
    }
    rig.put("10:00:00.500", &tick());
    let mut rig = reload(rig, |model| {
        model.groups.remove(1);
        model.devices.remove(1);
        for group in &mut model.groups[1..] {
            group.devices[0].0 -= 1;
        }
    });
    rig.put("10:00:01", &tick());
    rig.check(&[("10:00:02", room(GroupId(2), 100), "d: hand 100+8s")]);
}

/// An answer that is waited for, and the end of a hold by hand, come when they would
/// have come.
#[test]
fn answers_and_ends_of_holds_are_waited_for_as_before() {
    for by_restore in [true, false] {
        let (house, a, device, _) = reporting();
        let mut rig = Rig::calm(house);
        rig.check(&[
            ("00:01:00", stands(device, Pose::RETRACTED), ""),
            ("10:00:00", room(a, 100), "a: hand 100"),
        ]);
        let mut rig = if by_restore {
            let mut model = (**rig.core.model()).clone();
            one_more_before_all(&mut model);
            let kept = rig.core.snapshot();
            rig.core = Core::restore(Arc::new(model), &kept).unwrap();
            rig
        } else {
            reload(rig, one_more_before_all)
        };
        rig.put("10:00:10", &tick());
        rig.check(&[("10:01:05", tick(), "a: hand 100")]);
        rig.put("10:01:56", &stands(DeviceId(1), Pose::EXTENDED));
        rig.check(&[("12:00:00", tick(), "a: timetable 0")]);
    }
}

/// A group of another name takes up hand and service with the times at which they end.
#[test]
fn hand_and_service_of_a_renamed_group_end_in_time() {
    let (house, groups, _) = row(&["a", "b"], 0, 1);
    let mut rig = Rig::calm(house);
    rig.put("09:00:00", &service(groups[1], true));
    rig.check(&[("10:00:00", room(groups[0], 100), "a: hand 100")]);
    let mut rig = reload(rig, |model| {
        for group in &mut model.groups {
            group.name.push_str(" side");
        }
    });
    rig.put("11:59:59", &tick());
    rig.check(&[
        ("12:00:00", tick(), "a side: timetable 0"),
        ("17:00:00", tick(), "!service_overdue/b side"),
    ]);
}

/// A renamed group in the very moment of a gust still has it to decide upon.
#[test]
fn a_gust_in_the_moment_of_a_new_name_is_decided_upon() {
    let (house, _, masts) = pair();
    let mut rig = Rig::calm(house);
    rig.put("00:05:00", &gust(masts[0], 12.0));
    let mut rig = reload(rig, |model| "other".clone_into(&mut model.groups[0].name));
    rig.put("00:05:01", &tick());
    assert_eq!(rig.core.lockouts(GroupId(0)).len(), 1);
    assert_eq!(rig.core.lockouts(GroupId(1)).len(), 0);
}

/// Devices that join a group take nothing from it: neither its lockout, though they had
/// none, nor its service; and they bring theirs.
#[test]
fn who_joins_a_group_ends_neither_its_lockout_nor_its_service() {
    for (from, service_of) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
        let (mut rig, groups, masts) = storm_in_the_east();
        // Calm again, but for too short a time.
        rig.put("00:05:30", &gust(masts[0], 1.0));
        rig.put("00:06:00", &service(groups[service_of], true));
        rig.put("00:06:01", &tick());
        let mut rig = reload(rig, |model| {
            let device = model.groups[from].devices.remove(0);
            model.groups[1 - from].devices.push(device);
            model.groups.remove(from);
        });
        rig.put("00:06:02", &tick());
        assert_eq!(
            rig.core.lockouts(GroupId(0)).len(),
            1,
            "{from} {service_of}"
        );
        let verdict = rig.core.explain(GroupId(0)).verdict;
        assert_eq!(
            verdict.decided_by.as_str(),
            "service",
            "{from} {service_of}"
        );
    }
}

/// The last reading, the sensor that stands in and alarms are those of the name.
#[test]
fn readings_and_stand_ins_follow_their_sensors() {
    let (mut house, ..) = pair();
    let spare = house.sensor("spare", leeside_core::model::SensorKind::Wind);
    let mut rig = Rig::calm(house);
    let ask = Ask::Bypass {
        sensor: SensorId(0),
        substitute: Some(spare),
        until: Some(rig.now("20:00:00").wall),
    };
    rig.put("00:05:00", &asks("A. Person", Origin::Centre, ask));
    rig.put("00:05:01", &tick());
    let mut rig = reload(rig, |model| {
        let mut other = model.sensors[0].clone();
        other.name = "new".to_owned();
        model.sensors.insert(0, other);
        for group in &mut model.groups {
            let link = &mut group.wind.as_mut().unwrap().links[0];
            link.sensor = SensorId(link.sensor.0 + 1);
        }
    });
    for index in 1..4 {
        let last = rig.core.sensor(SensorId(index)).state.last().copied();
        assert_eq!(last.map(|last| last.sensor), Some(SensorId(index)));
    }
    rig.put("00:06:00", &gust(SensorId(3), 12.0));
    rig.put("00:06:01", &tick());
    assert_eq!(rig.core.lockouts(GroupId(0)).len(), 1);
    // Without it nobody stands in, and nobody is alarmed about that.
    let rig = reload(rig, |model| {
        model.sensors.remove(3);
    });
    let keys: Vec<String> = rig.core.alarms().into_iter().map(|a| a.key).collect();
    assert!(
        !keys.contains(&"sensor_bypassed/east mast".to_owned()),
        "{keys:?}"
    );
}

/// An alarm ends with the group, the drive or the gateway that it is about, and is about
/// the same where that has another number.
#[test]
fn alarms_end_with_what_they_are_about() {
    let (mut house, a, device, _) = reporting();
    for name in ["porch", "roof"] {
        house.model.gateways.push(Gateway {
            name: name.to_owned(),
            silence_ms: MINUTE,
        });
    }
    let b = house.single("b", leeside_core::model::Kind::Screen);
    let mut rig = Rig::calm(house);
    rig.put("00:01:00", &stands(device, Pose::RETRACTED));
    rig.put("09:00:00", &service(b, true));
    rig.put("10:00:00", &room(a, 100));
    let lost = Input::Gateway {
        gateway: GatewayId(1),
        present: false,
    };
    rig.put("11:00:00", &In::Put(lost));
    rig.put("17:00:01", &tick());
    let keys = |rig: &Rig| {
        let alarms = rig.core.alarms().into_iter();
        alarms.map(|a| a.key).collect::<Vec<_>>()
    };
    let all = [
        "drive_unconfirmed/a",
        "gateway_lost/roof",
        "service_overdue/b",
    ];
    assert_eq!(keys(&rig), all);
    let rig = reload(rig, |model| model.gateways.swap(0, 1));
    let because = rig.core.alarms()[1].because.clone();
    let gateway = GatewayId(0);
    assert_eq!(
        because,
        leeside_core::reason::Because::GatewayLost { gateway }
    );
    let rig = reload(rig, |model| {
        "c".clone_into(&mut model.devices[0].name);
        "d".clone_into(&mut model.groups[1].name);
    });
    assert_eq!(keys(&rig), ["gateway_lost/roof"]);
}

/// An alarm of a group that has another name now stands under that, and only there.
#[test]
fn an_alarm_of_a_renamed_group_stands_under_its_new_name() {
    let (mut rig, groups, _) = storm_in_the_east();
    rig.put("00:06:00", &service(groups[0], true));
    rig.put("00:06:01", &tick());
    let keys = |rig: &Rig| {
        let alarms = rig.core.alarms().into_iter();
        alarms.map(|a| a.key).collect::<Vec<_>>()
    };
    assert_eq!(keys(&rig), ["wind_during_service/east"]);
    let mut rig = reload(rig, |model| "other".clone_into(&mut model.groups[0].name));
    rig.put("00:06:02", &tick());
    assert_eq!(keys(&rig), ["wind_during_service/other"]);
}

/// A door that may not be silent any more, since another site file is in force, halts
/// what extends past it when it has been silent for so long.
#[test]
fn a_new_silence_of_a_door_counts_from_when_it_was_last_heard() {
    let (mut house, a, _, door) = reporting();
    house.model.devices[0].drive.reports = false;
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &contact(door, false));
    rig.put("10:00:01", &tick());
    let mut rig = reload(rig, |model| {
        model.contacts[0].silence_ms = Some(10 * MINUTE);
    });
    rig.put("10:00:02", &tick());
    rig.check(&[
        ("10:09:50", room(a, 100), "a: hand 100"),
        ("10:10:00", tick(), "a: door halt"),
    ]);
}

/// What was known of an outage before a state was kept is known after it.
#[test]
fn an_outage_of_before_a_snapshot_is_remembered_and_none_is_made_up() {
    for outage in [true, false] {
        let (house, groups, _) = row(&["a"], 0, 1);
        let mut rig = Rig::calm(house);
        rig.put("00:10:00", &In::Put(Input::Connected));
        rig.put("10:00:00", &room(groups[0], 100));
        if outage {
            rig.put("10:00:20", &In::Put(Input::Disconnected));
        }
        rig.put("10:00:55", &tick());
        if outage {
            rig.put("10:30:00", &tick());
        }
        let kept = rig.core.snapshot();
        rig.core = Core::restore(rig.core.model().clone(), &kept).unwrap();
        rig.put("10:40:00", &In::Put(Input::Connected));
        assert_eq!(rig.core.pose(DeviceId(0)).is_none(), outage);
    }
}

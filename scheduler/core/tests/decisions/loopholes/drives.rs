//! Doors, references, pauses and answers: nothing goes where it may not, and nothing
//! is believed to stand where it may not.

use crate::support::*;
use leeside_core::ids::{ContactId, DeviceId, GatewayId, GroupId, SensorId};
use leeside_core::input::Input;
use leeside_core::model::{ContactKind, Gateway, Kind, SensorKind};
use leeside_core::pose::Pose;
use leeside_core::time::MINUTE;

/// A shutter in front of a door, with a mast.
pub(super) fn shutter() -> (House, GroupId, ContactId, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let door = house.contact("door", ContactKind::Door);
    let group = house.single("shutter", Kind::RollerShutter);
    house.model.devices[0].doors = vec![door];
    house.of(group).wind = Some(wind_rule(&[mast]));
    (house, group, door, mast)
}

pub(super) const fn connected() -> In {
    In::Put(Input::Connected)
}

/// What comes through a gateway that is lost may tell of an open door, never of a
/// closed one.
#[test]
fn a_door_is_not_closed_through_a_lost_gateway() {
    let (mut house, group, door, _) = shutter();
    house.model.gateways.push(Gateway {
        name: "porch".to_owned(),
        silence_ms: MINUTE,
    });
    house.model.contacts[0].gateway = Some(GatewayId(0));
    let (gateway, present) = (GatewayId(0), false);
    let lost = In::Put(Input::Gateway { gateway, present });
    Rig::calm(house).check(&[
        ("10:00:00", contact(door, true), ""),
        ("10:01:00", lost, "!gateway_lost/porch"),
        ("10:02:00", contact(door, false), ""),
        ("10:03:00", room(group, 100), ""),
    ]);
}

/// After a reconnect with the door open: retracting is said again, extending is not,
/// even where the shutter should be out.
#[test]
fn a_reconnect_says_again_what_retracts_and_nothing_that_may_extend() {
    for (speed, to, again) in [(12.0, 100, "shutter: again wind 0"), (1.0, 100, "")] {
        let (house, group, door, mast) = shutter();
        let mut rig = Rig::calm(house);
        rig.put("00:01:00", &connected());
        rig.put("10:00:00", &room(group, to));
        rig.put("10:10:00", &gust(mast, speed));
        rig.put("10:20:00", &contact(door, true));
        rig.put("10:20:01", &tick());
        rig.check(&[("10:30:00", connected(), again)]);
    }
}

/// A command before the connection stands may not have arrived: nobody knows where the
/// drive is until it has gone there again.
#[test]
fn what_was_told_before_the_connection_may_not_have_arrived() {
    let (house, group, _, mast) = shutter();
    let mut rig = Rig::calm(house);
    rig.put("00:01:00", &connected());
    rig.put("10:00:00", &room(group, 100));
    rig.put("10:10:00", &restart());
    rig.check(&[
        (
            "10:10:10",
            gust(mast, 12.0),
            "shutter +wind; shutter: wind 0",
        ),
        ("10:20:00", connected(), "shutter: again wind 0"),
    ]);
    rig.put("10:20:10", &tick());
    assert_eq!(rig.core.pose(DeviceId(0)), None);
    rig.put("10:22:00", &tick());
    assert_eq!(rig.core.pose(DeviceId(0)), Some(Pose::RETRACTED));
}

/// Screens of one group each on a feeder of their own.
fn row(names: &[&'static str], stagger_ms: i64, at_once: u32) -> (House, Vec<GroupId>) {
    let mut house = House::new(Pose::RETRACTED);
    let feeder = house.feeder("row", stagger_ms, at_once);
    let product = house.product(Kind::Screen);
    let groups = names.iter().map(|name| {
        let device = house.device(name, product);
        house.model.devices[device.index()].drive.feeder = feeder;
        house.group(name, Kind::Screen, &[device])
    });
    let groups = groups.collect();
    (house, groups)
}

/// A drive that is halted before its start frees its place on the feeder, just between
/// two others; one that is told again keeps its own.
#[test]
fn a_halt_before_the_start_frees_its_place() {
    let (house, groups) = row(&["a", "b", "c", "d", "e"], 10_000, 1);
    let mut rig = Rig::calm(house);
    rig.put("00:10:00", &connected());
    for group in &groups[..3] {
        rig.put("10:00:00", &room(*group, 100));
    }
    rig.check(&[
        (
            "10:00:00",
            tick(),
            "a: hand 100; b: hand 100+10s; c: hand 100+20s",
        ),
        ("10:00:01", service(groups[1], true), "b: service halt"),
        ("10:00:02", room(groups[3], 100), "d: hand 100+8s"),
        ("10:00:03", room(groups[4], 100), "e: hand 100+27s"),
        (
            "10:00:04",
            connected(),
            "b: again service halt; a: again hand 100; c: again hand 100+16s; d: again hand 100+6s; e: again hand 100+26s",
        ),
    ]);
}

/// Two at a time: where one has been given up there is room for one more, but not
/// shortly before two others.
#[test]
fn a_start_keeps_its_distance_from_those_to_come_too() {
    let (house, groups) = row(&["a", "b", "c", "d", "e", "f", "g"], 4_000, 2);
    let mut rig = Rig::calm(house);
    for group in &groups[..6] {
        rig.put("10:00:00", &room(*group, 100));
    }
    rig.check(&[
        (
            "10:00:00",
            tick(),
            "a: hand 100; b: hand 100; c: hand 100+4s; d: hand 100+4s; e: hand 100+8s; f: hand 100+8s",
        ),
        ("10:00:01", service(groups[3], true), "d: service halt"),
        ("10:00:06", room(groups[6], 100), "g: hand 100+6s"),
    ]);
}

/// On its way to the stop a drive goes there first, whatever is decided meanwhile; a
/// pose of exactly half is found from the outer stop.
#[test]
fn a_reference_under_way_goes_to_its_stop() {
    let (mut house, group, ..) = shutter();
    house.product_of(group).reference_after_moves = 2;
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("10:00:00", room(group, 30), "shutter: hand 30"),
        ("10:02:00", room(group, 60), "shutter: hand 60"),
        ("10:04:00", room(group, 50), "shutter: drive 100"),
        ("10:04:10", room(group, 40), ""),
        ("10:04:30", tick(), "10:04:20 shutter: hand 40+0.5s"),
    ]);
}

/// What is told again where it is needs no reference, however many moves it has made.
#[test]
fn saying_it_again_is_no_move() {
    let (mut house, group, ..) = shutter();
    house.product_of(group).reference_after_moves = 2;
    let mut rig = Rig::calm(house);
    rig.put("00:10:00", &connected());
    rig.put("00:10:01", &tick());
    rig.check(&[
        ("10:00:00", room(group, 30), "shutter: hand 30"),
        ("10:02:00", room(group, 60), "shutter: hand 60"),
        ("10:04:00", connected(), "shutter: again hand 60"),
    ]);
}

/// The way to the stop keeps within the same bounds: past an open door it is not gone,
/// and the pose is gone to without it.
#[test]
fn no_reference_goes_past_an_open_door() {
    let (mut house, group, door, _) = shutter();
    house.product_of(group).reference_after_moves = 2;
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 40), "shutter: hand 40"),
        ("10:02:00", room(group, 80), "shutter: hand 80"),
        ("10:03:00", contact(door, true), ""),
        ("10:04:00", room(group, 60), "shutter: hand 60"),
    ]);
}

/// A guard goes straight to its refuge.
#[test]
fn no_guard_goes_by_way_of_a_reference() {
    let (mut house, group, _, mast) = shutter();
    house.product_of(group).reference_after_moves = 2;
    house.product_of(group).refuge.wind = Pose::extension(20);
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 30), "shutter: hand 30"),
        ("10:02:00", room(group, 60), "shutter: hand 60"),
        (
            "10:04:00",
            gust(mast, 12.0),
            "shutter +wind; shutter: wind 20",
        ),
    ]);
}

/// While its slats turn at the end of a travel, going on the same way is a new start:
/// they may be turning the other way.
#[test]
fn the_pause_is_kept_while_slats_turn() {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("blind", Kind::SlatBlind);
    let mut rig = Rig::calm(house);
    rig.put("09:00:00", &room(group, 0));
    rig.check(&[
        ("10:00:00", room(group, 50), "blind: hand 50/0"),
        // 25 s of travel, then the slats.
        ("10:00:26", room(group, 100), "blind: hand 100/0+0.5s"),
    ]);
}

/// Halted while nobody knows where it is, it is nowhere.
#[test]
fn where_it_was_halted_nobody_knows_if_nobody_knew_before() {
    let (house, group, _, mast) = shutter();
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &room(group, 60));
    rig.put("10:09:00", &stands(DeviceId(0), Pose::extension(60)));
    rig.put("10:10:00", &restart());
    rig.put("10:10:01", &contact(ContactId(0), false));
    rig.put("10:10:02", &gust(mast, 1.0));
    rig.put("10:10:10", &room(group, 50));
    rig.put("10:10:20", &service(group, true));
    rig.put("10:10:21", &tick());
    assert_eq!(rig.core.pose(DeviceId(0)), None);
}

/// While it travels it is on its way, and with its slats still to turn it is there but
/// has not their tilt.
#[test]
fn slats_that_still_turn_have_their_old_tilt() {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("blind", Kind::SlatBlind);
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &room(group, 50));
    rig.put("10:00:26", &tick());
    assert_eq!(rig.core.pose(DeviceId(0)), Some(Pose::slats(50, 0)));
}

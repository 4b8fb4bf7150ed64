//! Doors, fire and escape, service: bounds that hold on every rank.

use crate::support::*;
use leeside_core::ids::{ContactId, GatewayId, GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin, RestartCause};
use leeside_core::model::{ContactKind, Gateway, Kind, SensorKind};
use leeside_core::pose::Pose;
use leeside_core::time::MINUTE;

/// A shutter in front of a door; rests retracted; its wind refuge is extended.
fn shutter() -> (House, GroupId, ContactId, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let door = house.contact("door", ContactKind::Door);
    let group = house.single("shutter", Kind::RollerShutter);
    house.model.devices[0].doors = vec![door];
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.product_of(group).refuge.wind = Pose::EXTENDED;
    (house, group, door, mast)
}

#[test]
fn nothing_extends_past_an_open_door_and_it_goes_on_when_the_door_closes() {
    let (house, group, door, _) = shutter();
    Rig::calm(house).check(&[
        ("10:00:00", contact(door, true), ""),
        ("10:01:00", room(group, 100), ""),
        ("10:02:00", contact(door, false), "shutter: hand 100"),
    ]);
}

#[test]
fn a_door_that_opens_halts_an_extension_under_way_but_never_a_retraction() {
    let (house, group, door, _) = shutter();
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 100), "shutter: hand 100"),
        ("10:00:20", contact(door, true), "shutter: door halt"),
        ("10:00:30", room(group, 0), "shutter: hand 0"),
        ("10:00:40", contact(door, false), ""),
        ("10:00:41", contact(door, true), ""),
    ]);
}

#[test]
fn a_drive_whose_place_is_unknown_may_be_extending_whatever_it_is_told() {
    // Nothing has been heard of the drive since the start: on its way to the
    // middle it may come from either side.
    let (mut house, group, door, _) = shutter();
    house.model.timetables[0].plans[0].phases[0].pose = Pose::extension(50);
    let mut rig = Rig::cold(house);
    rig.put("00:00:00", &gust(SensorId(0), 1.0));
    rig.check(&[
        (
            "00:00:00",
            contact(door, false),
            "shutter: timetable 50+0.5s",
        ),
        ("00:00:20", contact(door, true), "shutter: door halt"),
        ("00:01:30", room(group, 10), ""),
        ("00:01:31", room(group, 0), "shutter: hand 0"),
    ]);
}

#[test]
fn a_refuge_that_would_extend_past_an_open_door_holds_with_an_alarm() {
    let (house, _, door, mast) = shutter();
    Rig::calm(house).check(&[
        ("10:00:00", contact(door, true), ""),
        (
            "10:01:00",
            gust(mast, 12.0),
            "shutter +wind; !not_in_refuge/shutter",
        ),
        (
            "10:02:00",
            contact(door, false),
            ".not_in_refuge/shutter; shutter: wind 100",
        ),
    ]);
}

#[test]
fn a_door_stays_latched_and_unknown_is_open() {
    let (mut house, group, door, _) = shutter();
    house.model.contacts[0].latch_ms = 3 * MINUTE;
    house.model.contacts[0].silence_ms = Some(30 * MINUTE);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:01:00", contact(door, true), ""),
        ("00:02:00", contact(door, false), ""),
        ("00:03:00", room(group, 100), ""),
        ("00:05:00", tick(), "shutter: hand 100"),
        ("00:10:00", room(group, 0), "shutter: hand 0"),
        // Not heard for half an hour: taken as open, until it is heard closed.
        ("00:35:00", room(group, 100), ""),
        ("00:36:00", contact(door, false), "shutter: hand 100"),
    ]);
}

/// A door that says again that it is closed in the very moment in which it has been
/// closed for long enough keeps nobody in.
#[test]
fn what_a_door_says_as_its_latch_ends_does_not_keep_it() {
    let (mut house, group, door, _) = shutter();
    house.model.contacts[0].latch_ms = 3 * MINUTE;
    Rig::calm(house).check(&[
        ("00:01:00", contact(door, true), ""),
        ("00:02:00", contact(door, false), ""),
        ("00:03:00", room(group, 100), ""),
        ("00:05:00", contact(door, false), "shutter: hand 100"),
    ]);
}

#[test]
fn a_door_behind_a_lost_gateway_is_unknown() {
    let (mut house, group, door, _) = shutter();
    house.model.gateways.push(Gateway {
        name: "porch".to_owned(),
        silence_ms: MINUTE,
    });
    house.model.contacts[0].gateway = Some(GatewayId(0));
    let gateway = |present| {
        In::Put(Input::Gateway {
            gateway: GatewayId(0),
            present,
        })
    };
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 100), "shutter: hand 100"),
        (
            "10:00:10",
            gateway(false),
            "!gateway_lost/porch; shutter: door halt",
        ),
        // Back, but the door has not been heard yet.
        ("10:01:00", gateway(true), ".gateway_lost/porch"),
        ("10:02:00", contact(door, false), "shutter: hand 100"),
    ]);
}

#[test]
fn after_a_restart_a_door_is_open_until_it_is_heard() {
    let (house, group, door, mast) = shutter();
    Rig::calm(house).check(&[
        ("10:00:00", restart(), ""),
        ("10:00:01", gust(mast, 1.0), "shutter: timetable 0"),
        ("10:01:00", room(group, 100), ""),
        ("10:02:00", contact(door, false), "shutter: hand 100"),
    ]);
}

/// Two shutters, the second in front of an escape opening; fire goes to 50 %.
fn escape() -> (House, GroupId, ContactId) {
    let mut house = House::new(Pose::extension(80));
    let fire = house.contact("fire", ContactKind::Fire);
    let product = house.product(Kind::RollerShutter);
    let devices = [house.device("a", product), house.device("b", product)];
    house.model.devices[1].escape = true;
    let group = house.group("pair", Kind::RollerShutter, &devices);
    let mut rule = fire_rule(&[fire]);
    rule.pose = Pose::extension(50);
    house.of(group).fire = Some(rule);
    (house, group, fire)
}

#[test]
fn fire_goes_to_its_pose_extends_nothing_and_retracts_escape_openings() {
    let (house, group, fire) = escape();
    Rig::calm(house).check(&[
        (
            "10:00:00",
            contact(fire, true),
            "!fire_active/pair; pair: fire a 50, b 0",
        ),
        ("10:01:00", room(group, 100), "refused by panel: fire"),
        (
            "10:05:00",
            contact(fire, false),
            ".fire_active/pair; pair: timetable a 80, b 80",
        ),
    ]);
    // Already further in than the pose: stays.
    let (mut house, _, fire) = escape();
    house.model.timetables[0].plans[0].phases[0].pose = Pose::extension(20);
    Rig::calm(house).check(&[(
        "10:00:00",
        contact(fire, true),
        "!fire_active/pair; !not_in_refuge/pair; pair: fire b 0",
    )]);
}

#[test]
fn fire_stops_an_extension_under_way() {
    let (house, group, fire) = escape();
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 0), "pair: hand a 0, b 0"),
        ("10:10:00", room(group, 100), "pair: hand a 100, b 100"),
        (
            "10:10:10",
            contact(fire, true),
            "!fire_active/pair; !not_in_refuge/pair; pair: fire a halt, b 0+0.5s",
        ),
    ]);
}

#[test]
fn fire_is_not_forgotten_over_a_restart() {
    let (house, group, fire) = escape();
    Rig::calm(house).check(&[
        (
            "10:00:00",
            contact(fire, true),
            "!fire_active/pair; pair: fire a 50, b 0",
        ),
        // Fire contacts speak when they change; nobody has said that it is over.
        // Where a stands nobody knows now, and fire extends nothing.
        ("10:01:00", restart(), "!not_in_refuge/pair; pair: fire b 0"),
        ("10:30:00", room(group, 100), "refused by panel: fire"),
        (
            "10:31:00",
            contact(fire, false),
            ".fire_active/pair; .not_in_refuge/pair; pair: timetable a 80, b 80",
        ),
    ]);
}

#[test]
fn service_holds_everything_and_what_fire_may_do_is_stated() {
    let (house, group, fire) = escape();
    Rig::calm(house).check(&[
        ("10:00:00", service(group, true), ""),
        ("10:01:00", contact(fire, true), "!fire_active/pair"),
        ("10:02:00", room(group, 0), "refused by panel: service"),
        ("10:03:00", service(group, false), "pair: fire a 50, b 0"),
    ]);
    let (mut house, group, fire) = escape();
    house.model.policy.fire_moves_service = true;
    Rig::calm(house).check(&[
        ("10:00:00", service(group, true), ""),
        (
            "10:01:00",
            contact(fire, true),
            "!fire_active/pair; pair: fire a 50, b 0",
        ),
        // Service is still on.
        ("10:02:00", contact(fire, false), ".fire_active/pair"),
        (
            "10:03:00",
            service(group, false),
            "pair: timetable a 80, b 80",
        ),
    ]);
}

#[test]
fn a_silent_fire_contact_counts_as_fire_but_moves_nothing_that_somebody_works_at() {
    let (mut house, group, fire) = escape();
    house.model.policy.fire_moves_service = true;
    house.model.contacts[0].silence_ms = Some(10 * MINUTE);
    Rig::calm(house).check(&[
        ("00:05:00", service(group, true), ""),
        ("00:10:00", tick(), "!fire_active/pair"),
        ("00:20:00", service(group, false), "pair: fire a 50, b 0"),
        (
            "00:30:00",
            contact(fire, false),
            ".fire_active/pair; pair: timetable a 80, b 80",
        ),
    ]);
}

#[test]
fn service_halts_what_moves_and_tells_of_wind_meanwhile() {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 100), "awning: hand 100"),
        ("10:00:20", service(group, true), "awning: service halt"),
        (
            "10:05:00",
            gust(mast, 12.0),
            "awning +wind; !wind_during_service/awning",
        ),
        (
            "10:06:00",
            gust(mast, 1.0),
            "awning ~wind; !wind_during_service/awning",
        ),
        (
            "10:26:00",
            tick(),
            "awning -wind; .wind_during_service/awning",
        ),
        // Nothing ends it but its owner; a reminder comes after eight hours.
        ("18:00:19.999", tick(), ""),
        ("18:00:20", tick(), "!service_overdue/awning"),
        (
            "19:00:00",
            service(group, false),
            ".service_overdue/awning; awning: timetable 0",
        ),
    ]);
}

#[test]
fn service_outlives_a_restart() {
    let (house, group, fire) = escape();
    Rig::calm(house).check(&[
        ("10:00:00", service(group, true), ""),
        ("10:01:00", restart(), ""),
        ("10:02:00", contact(fire, false), ""),
        ("11:00:00", In::Put(Input::Connected), ""),
        (
            "11:01:00",
            In::Put(Input::Restart(RestartCause::ClockJump)),
            "",
        ),
        ("12:00:00", room(group, 0), "refused by panel: service"),
    ]);
}

#[test]
fn the_expected_end_of_service_is_a_reminder_and_no_release() {
    let (house, group, _) = escape();
    let mut rig = Rig::calm(house);
    let end = rig.now("11:00:00").wall;
    let ask = Ask::Service {
        group,
        on: true,
        expected_end: Some(end),
    };
    rig.check(&[
        ("10:00:00", asks("fitter", Origin::Centre, ask), ""),
        ("11:00:00", tick(), "!service_overdue/pair"),
        ("12:00:00", room(group, 0), "refused by panel: service"),
    ]);
}

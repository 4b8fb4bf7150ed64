//! Requests by hand: who outranks whom, how long they hold, what they leave open.

use crate::support::*;
use leeside_core::ids::{ArrangementId, ContactId, DeviceId, GroupId, RoomId, SensorId};
use leeside_core::input::{Ask, Origin, Until};
use leeside_core::model::{Arrangement, ContactKind, Kind, SensorKind, SwitchRule};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE};

fn blind() -> (House, GroupId, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("blind", Kind::SlatBlind);
    house.of(group).wind = Some(wind_rule(&[mast]));
    (house, group, mast)
}

const ROOM: Origin = Origin::Room(RoomId(0));

fn pose(
    from: Origin,
    group: GroupId,
    extension_pct: Option<u8>,
    tilt_deg: Option<i16>,
    until: Until,
) -> In {
    let by = if from == Origin::Centre {
        "centre"
    } else {
        "panel"
    };
    asks(
        by,
        from,
        Ask::Pose {
            group,
            extension_pct,
            tilt_deg,
            until,
        },
    )
}

#[test]
fn the_room_outranks_the_centre_until_its_end() {
    let (house, group, _) = blind();
    let centre = |pct| pose(Origin::Centre, group, Some(pct), Some(0), Until::Rule);
    Rig::calm(house).check(&[
        ("10:00:00", centre(100), "blind: hand 100/0"),
        (
            "10:30:00",
            pose(ROOM, group, Some(50), Some(45), Until::Rule),
            "blind: hand 50/45",
        ),
        ("11:00:00", centre(100), "refused by centre: hand"),
        ("12:29:59.999", tick(), ""),
        ("12:30:00", tick(), "blind: timetable 0/0"),
        ("12:40:00", centre(100), "blind: hand 100/0"),
        (
            "12:50:00",
            asks("centre", Origin::Centre, Ask::Release { group }),
            "blind: timetable 0/0",
        ),
    ]);
}

#[test]
fn extension_and_tilt_may_be_asked_apart() {
    let (house, group, _) = blind();
    Rig::calm(house).check(&[
        (
            "10:00:00",
            pose(ROOM, group, Some(100), None, Until::Rule),
            "blind: hand 100/0",
        ),
        (
            "10:02:00",
            pose(ROOM, group, None, Some(60), Until::Rule),
            "blind: hand 100/60",
        ),
        (
            "10:04:00",
            pose(ROOM, group, Some(40), None, Until::Rule),
            "blind: hand 40/60",
        ),
        // Out of reach is brought into it.
        (
            "10:06:00",
            pose(ROOM, group, Some(200), Some(300), Until::Rule),
            "blind: hand 100/90",
        ),
    ]);
}

#[test]
fn a_tilt_asked_for_before_a_storm_extends_nothing_after_it() {
    let (house, group, mast) = blind();
    Rig::calm(house).check(&[
        (
            "10:00:00",
            pose(ROOM, group, Some(100), None, Until::For(HOUR)),
            "blind: hand 100/0",
        ),
        (
            "10:30:00",
            pose(ROOM, group, None, Some(60), Until::For(8 * HOUR)),
            "blind: hand 100/60",
        ),
        ("11:00:00", gust(mast, 12.0), "blind +wind; blind: wind 0/0"),
        ("11:01:00", gust(mast, 1.0), "blind ~wind"),
        ("11:21:00", tick(), "blind -wind; blind: hand 0/60"),
    ]);
}

#[test]
fn a_hold_ends_as_it_was_asked() {
    let (mut house, group, _) = blind();
    house.model.timetables.clear();
    house.timetable(&[(0, Pose::RETRACTED, true), (18 * 60, Pose::EXTENDED, true)]);
    let ask = |until| pose(ROOM, group, Some(50), Some(0), until);
    Rig::calm(house).check(&[
        ("10:00:00", ask(Until::For(5 * MINUTE)), "blind: hand 50/0"),
        ("10:05:00", tick(), "blind: timetable 0/0"),
        ("11:00:00", ask(Until::NextPhase), "blind: hand 50/0"),
        ("17:59:59.999", tick(), ""),
        ("18:00:00", tick(), "blind: timetable 100/0"),
        ("19:00:00", ask(Until::EndOfDay), "blind: hand 50/0"),
        ("1d 00:00:00", tick(), "blind: timetable 0/0"),
        ("1d 01:00:00", ask(Until::For(-5)), ""),
    ]);
}

#[test]
fn the_return_is_announced() {
    let (mut house, group, _) = blind();
    house.of(group).hand.announce_ms = 2 * MINUTE;
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 100), "blind: hand 100/0"),
        ("11:57:59.999", tick(), ""),
        ("11:58:00", tick(), "announce blind 12:00:00"),
        // Asked again, it starts over.
        ("11:59:00", room(group, 100), ""),
        ("13:57:00", tick(), "announce blind 13:59:00"),
        ("13:59:00", tick(), "blind: timetable 0/0"),
    ]);
}

#[test]
fn a_halt_stops_it_where_it_is_and_keeps_it_there() {
    let (house, group, mast) = blind();
    let halt = || {
        asks(
            "panel",
            ROOM,
            Ask::Halt {
                group,
                until: Until::Rule,
            },
        )
    };
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 100), "blind: hand 100/0"),
        ("10:00:25", halt(), "blind: hand halt"),
        (
            "10:30:00",
            pose(ROOM, group, None, Some(45), Until::Rule),
            "blind: hand 50/45",
        ),
        ("10:31:00", halt(), ""),
        ("10:40:00", gust(mast, 12.0), "blind +wind; blind: wind 0/0"),
        ("10:41:00", gust(mast, 1.0), "blind ~wind"),
        ("11:01:00", tick(), "blind -wind"),
        ("12:31:00", tick(), ""),
    ]);
}

#[test]
fn a_request_is_refused_with_its_reason_while_a_guard_holds() {
    let (house, group, mast) = blind();
    Rig::calm(house).check(&[
        (
            "10:00:00",
            gust(mast, 12.0),
            "blind +wind; blind: again wind 0/0",
        ),
        ("10:01:00", room(group, 100), "refused by panel: wind"),
        // Whatever it asks, the hold must not begin behind the guard's back.
        ("10:02:00", gust(mast, 1.0), "blind ~wind"),
        ("10:22:00", tick(), "blind -wind"),
    ]);
}

#[test]
fn an_arrangement_asks_for_several_groups_at_once() {
    let (mut house, blind, _) = blind();
    let screen = house.single("screen", Kind::Screen);
    house.model.arrangements.push(Arrangement {
        name: "projection".to_owned(),
        poses: vec![(blind, Pose::slats(100, 70)), (screen, Pose::EXTENDED)],
        hold_ms: Some(HOUR),
    });
    let arrange = |id| {
        asks(
            "panel",
            ROOM,
            Ask::Arrange {
                arrangement: ArrangementId(id),
            },
        )
    };
    Rig::calm(house).check(&[
        (
            "10:00:00",
            arrange(0),
            "blind: hand 100/70; screen: hand 100",
        ),
        (
            "11:00:00",
            tick(),
            "blind: timetable 0/0; screen: timetable 0",
        ),
        ("11:10:00", arrange(7), ""),
    ]);
}

/// Two switch inputs of one shutter.
fn switches() -> (House, ContactId, ContactId) {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("shutter", Kind::RollerShutter);
    let mut button = |name, extend| {
        let id = house.contact(name, ContactKind::Switch);
        house.model.contacts[id.index()].switch = Some(SwitchRule {
            group,
            extend,
            long_press_ms: 800,
        });
        id
    };
    let (down, up) = (button("down", true), button("up", false));
    (house, down, up)
}

#[test]
fn a_short_press_runs_or_halts_and_a_long_one_runs_while_it_lasts() {
    let (house, down, up) = switches();
    Rig::calm(house).check(&[
        ("10:00:00", contact(down, true), ""),
        ("10:00:00.300", contact(down, false), "shutter: hand 100"),
        ("10:00:10", contact(up, true), ""),
        ("10:00:10.200", contact(up, false), "shutter: hand halt"),
        ("10:01:00", contact(up, true), ""),
        ("10:01:00.800", tick(), "shutter: hand 0"),
        ("10:01:05", contact(up, false), "shutter: hand halt"),
        ("10:02:00", contact(up, true), ""),
        ("10:02:00.100", contact(up, false), "shutter: hand 0"),
    ]);
}

#[test]
fn overrides_are_counted() {
    let (house, group, _) = blind();
    let mut rig = Rig::calm(house);
    rig.put("09:00:00", &tick());
    let before = rig.core.explain(group).drives[0].travels;
    rig.put("10:00:00", &room(group, 100));
    rig.put("10:10:00", &room(group, 50));
    rig.put(
        "10:20:00",
        &pose(Origin::Centre, group, Some(0), None, Until::Rule),
    );
    let told = rig.core.explain(group);
    assert_eq!(told.overrides, 2);
    assert_eq!(rig.core.requests_by_hand(group), 2);
    // From retracted out, and half the way in again; what was refused moved nothing.
    assert_eq!(told.drives.len(), 1);
    assert_eq!(told.drives[0].travels, before + 2);
    assert!(told.drives[0].ran_ms > 0);
    assert_eq!(told.drives[0].measured, None);
}

/// Two shutters in one group, each of which may be set up by itself.
fn pair() -> (House, GroupId) {
    let mut house = House::new(Pose::RETRACTED);
    let product = house.product(Kind::RollerShutter);
    let devices = [house.device("a", product), house.device("b", product)];
    let group = house.group("pair", Kind::RollerShutter, &devices);
    (house, group)
}

fn set_up(device: u32, extension_pct: u8) -> In {
    let ask = Ask::Device {
        device: DeviceId(device),
        extension_pct: Some(extension_pct),
        tilt_deg: None,
        until: Until::For(8 * HOUR),
    };
    asks("fitter", Origin::Centre, ask)
}

#[test]
fn each_drive_that_is_set_up_has_its_own_pose() {
    let (house, _) = pair();
    Rig::calm(house).check(&[
        ("10:00:00", set_up(0, 30), "pair: hand a 30"),
        ("10:01:00", set_up(1, 70), "pair: hand b 70"),
        ("10:02:00", set_up(0, 40), "pair: hand a 40"),
        ("18:01:00", tick(), "pair: timetable b 0"),
        ("18:02:00", tick(), "pair: timetable a 0"),
    ]);
}

#[test]
fn one_drive_may_be_set_up_while_its_group_is_held_by_hand() {
    let (house, group) = pair();
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 50), "pair: hand a 50, b 50"),
        ("10:02:00", set_up(1, 80), "pair: hand b 80"),
    ]);
}

#[test]
fn what_is_being_set_up_stops_for_service() {
    let (house, group) = pair();
    Rig::calm(house).check(&[
        ("10:00:00", set_up(1, 100), "pair: hand b 100"),
        ("10:00:10", service(group, true), "pair: service b halt"),
        ("10:05:00", set_up(1, 0), "refused by fitter: service"),
        ("10:10:00", service(group, false), "pair: hand b 100"),
    ]);
}

#[test]
fn an_explanation_knows_since_when_the_course_stands() {
    let (house, group) = pair();
    let mut rig = Rig::calm(house);
    rig.check(&[("10:00:00", room(group, 50), "pair: hand a 50, b 50")]);
    rig.put("11:00:00", &tick());
    let since = rig.core.explain(group).since.unwrap();
    assert_eq!(since, rig.now("10:00:00"));
    // The same pose for another reason is no new course.
    rig.put("11:30:00", &room(group, 50));
    rig.put("11:30:00.001", &tick());
    assert_eq!(rig.core.explain(group).since, Some(since));
    rig.put("11:40:00", &room(group, 20));
    rig.put("11:40:00.001", &tick());
    assert_eq!(rig.core.explain(group).since, Some(rig.now("11:40:00")));
}

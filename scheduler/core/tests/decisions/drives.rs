//! Drives: stagger, reversal pause, duty, references, answers and silence.

use crate::support::*;
use leeside_core::ids::{ContactId, DeviceId, GroupId, SensorId};
use leeside_core::input::{Ask, DriveState, Input, Origin, Report, Until};
use leeside_core::model::{Budget, ContactKind, Kind, SensorKind};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE};

/// Awnings of one product on a feeder of their own, in one group each.
pub(crate) fn row(
    names: &[&'static str],
    stagger_ms: i64,
    at_once: u32,
) -> (House, Vec<GroupId>, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let feeder = house.feeder("row", stagger_ms, at_once);
    let product = house.product(Kind::Awning);
    let groups = names.iter().map(|name| {
        let device = house.device(name, product);
        house.model.devices[device.index()].drive.feeder = feeder;
        let group = house.group(name, Kind::Awning, &[device]);
        house.of(group).wind = Some(wind_rule(&[mast]));
        group
    });
    let groups = groups.collect();
    (house, groups, mast)
}

#[test]
fn starts_on_a_feeder_keep_their_distance() {
    let (house, groups, mast) = row(&["a", "b", "c", "d"], 2000, 2);
    let mut rig = Rig::calm(house);
    for group in &groups {
        rig.put("10:00:00", &room(*group, 100));
    }
    rig.check(&[
        (
            "10:00:00",
            tick(),
            "a: hand 100; b: hand 100; c: hand 100+2s; d: hand 100+2s",
        ),
        (
            "10:05:00",
            gust(mast, 12.0),
            "a +wind; b +wind; c +wind; d +wind; a: wind 0; b: wind 0; c: wind 0+2s; d: wind 0+2s",
        ),
    ]);
}

#[test]
fn a_start_that_is_given_up_frees_its_place_for_the_weather() {
    let (house, groups, mast) = row(&["a", "b", "c"], 10_000, 1);
    let mut rig = Rig::calm(house);
    for group in &groups {
        rig.put("10:00:00", &room(*group, 100));
    }
    rig.check(&[
        (
            "10:00:00",
            tick(),
            "a: hand 100; b: hand 100+10s; c: hand 100+20s",
        ),
        // b and c have not started: the three retract within the three places, not after them.
        (
            "10:00:01",
            gust(mast, 12.0),
            "a +wind; b +wind; c +wind; a: wind 0+9s; b: wind 0+19s; c: wind 0+29s",
        ),
    ]);
}

#[test]
fn the_weather_takes_the_first_starts() {
    let (mut house, groups, mast) = row(&["a", "b"], 5000, 1);
    house.of(groups[0]).wind = None;
    let mut rig = Rig::calm(house);
    rig.check(&[("10:00:00", room(groups[1], 100), "b: hand 100")]);
    rig.put("10:10:00", &room(groups[0], 100));
    rig.check(&[(
        "10:10:00",
        gust(mast, 12.0),
        "b +wind; b: wind 0; a: hand 100+5s",
    )]);
}

#[test]
fn the_pause_is_kept_before_every_reversal_and_none_is_made_going_on() {
    let (house, groups, _) = row(&["a"], 0, 1);
    let a = groups[0];
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 60), "a: hand 60"),
        // Further the same way: no stop, no pause.
        ("10:00:10", room(a, 100), "a: hand 100"),
        ("10:00:20", room(a, 0), "a: hand 0+0.5s"),
        ("10:00:20.200", room(a, 100), "a: hand 100+0.3s"),
        ("10:10:00", room(a, 0), "a: hand 0"),
    ]);
}

#[test]
fn the_pause_counts_from_the_stop_that_the_drive_reports() {
    let (mut house, groups, _) = row(&["a"], 0, 1);
    house.model.devices[0].drive.reports = true;
    let a = groups[0];
    Rig::calm(house).check(&[
        ("00:00:00.500", stands(DeviceId(0), Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        // A little slow: the stop is when it says so.
        ("10:00:52", stands(DeviceId(0), Pose::EXTENDED), ""),
        ("10:00:52.100", room(a, 0), "a: hand 0+0.4s"),
    ]);
}

#[test]
fn duty_stops_hand_and_comfort_but_never_the_weather() {
    let (mut house, groups, mast) = row(&["a"], 0, 1);
    let a = groups[0];
    // Three full travels within an hour; one of them is the reserve.
    house.product_of(a).budget = Some(Budget {
        run_ms: 3 * MINUTE,
        window_ms: HOUR,
    });
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:02:00", room(a, 0), "a: hand 0"),
        // 110 s used, 50 s wanted, 60 s in reserve, 180 s allowed.
        ("10:04:00", room(a, 100), "!drive_duty/a"),
        ("10:05:00", room(a, 20), ".drive_duty/a; a: hand 20"),
        ("10:10:00", room(a, 100), "!drive_duty/a"),
        (
            "10:20:00",
            gust(mast, 12.0),
            "a +wind; .drive_duty/a; a: wind 0",
        ),
        ("10:21:00", gust(mast, 1.0), "a ~wind"),
        ("10:41:00", tick(), "a -wind; !drive_duty/a"),
    ]);
}

#[test]
fn what_duty_holds_back_comes_when_it_fits() {
    let (mut house, groups, _) = row(&["a"], 0, 1);
    let a = groups[0];
    house.product_of(a).budget = Some(Budget {
        run_ms: 3 * MINUTE,
        window_ms: HOUR,
    });
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:02:00", room(a, 0), "a: hand 0"),
        ("10:04:00", room(a, 100), "!drive_duty/a"),
        // 40 s too much: they have left the window an hour after 10:00:40.
        ("11:00:39.999", tick(), ""),
        ("11:00:40", tick(), ".drive_duty/a; a: hand 100"),
    ]);
}

#[test]
fn a_drive_finds_its_position_again_at_an_end_stop() {
    let (mut house, groups, _) = row(&["a"], 0, 1);
    let a = groups[0];
    house.product_of(a).reference_after_moves = 2;
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 30), "a: hand 30"),
        ("10:02:00", room(a, 60), "a: hand 60"),
        // By way of the nearer stop.
        ("10:04:00", room(a, 30), "a: drive 0"),
        ("10:04:36", tick(), "a: hand 30+0.5s"),
    ]);
}

/// A shutter that reports, in front of a door.
pub(crate) fn reporting() -> (House, GroupId, DeviceId, ContactId) {
    let mut house = House::new(Pose::RETRACTED);
    let door = house.contact("door", ContactKind::Door);
    let group = house.single("a", Kind::RollerShutter);
    house.model.devices[0].doors = vec![door];
    house.model.devices[0].drive.reports = true;
    (house, group, DeviceId(0), door)
}

#[test]
fn a_command_without_its_answer_is_sent_twice_more_and_then_alarmed() {
    let (house, a, device, _) = reporting();
    Rig::calm(house).check(&[
        ("00:01:00", stands(device, Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        // Travel, a tenth more and ten seconds of grace.
        ("10:01:05", tick(), "a: hand 100"),
        ("10:02:21", tick(), "a: hand 100"),
        ("10:03:37", tick(), "!drive_unconfirmed/a"),
        ("12:00:00", tick(), "a: timetable 0"),
        (
            "12:01:00",
            stands(device, Pose::RETRACTED),
            ".drive_unconfirmed/a",
        ),
    ]);
}

#[test]
fn a_drive_that_has_not_answered_may_stand_anywhere() {
    let (house, a, device, door) = reporting();
    Rig::calm(house).check(&[
        ("00:01:00", stands(device, Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:01:00", contact(door, true), ""),
        // Sending it again could extend it past the open door.
        ("10:01:05", tick(), ""),
        ("10:30:00", contact(door, false), "a: hand 100"),
    ]);
}

#[test]
fn the_answer_ends_the_wait() {
    let (house, a, device, _) = reporting();
    Rig::calm(house).check(&[
        ("00:01:00", stands(device, Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:51", stands(device, Pose::extension(98)), ""),
        ("11:00:00", tick(), ""),
    ]);
}

#[test]
fn a_drive_that_stands_elsewhere_is_told_again() {
    let (house, a, device, _) = reporting();
    Rig::calm(house).check(&[
        ("00:01:00", stands(device, Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        (
            "10:00:51",
            stands(device, Pose::extension(60)),
            "a: hand 100+0.5s",
        ),
        (
            "10:01:20",
            stands(device, Pose::extension(60)),
            "a: hand 100+0.5s",
        ),
        (
            "10:01:50",
            stands(device, Pose::extension(60)),
            "!drive_unconfirmed/a",
        ),
    ]);
}

#[test]
fn what_somebody_moves_on_the_spot_is_left_by_wishes_and_brought_back_by_guards() {
    let (mut house, groups, mast) = row(&["a"], 0, 1);
    house.model.devices[0].drive.reports = true;
    let _ = groups;
    let device = DeviceId(0);
    Rig::calm(house).check(&[
        ("00:01:00", stands(device, Pose::RETRACTED), ""),
        ("10:00:00", stands(device, Pose::EXTENDED), ""),
        ("10:10:00", gust(mast, 12.0), "a +wind; a: wind 0"),
        ("10:11:00", stands(device, Pose::RETRACTED), ""),
        (
            "10:20:00",
            stands(device, Pose::extension(70)),
            "a: wind 0+0.5s",
        ),
    ]);
}

#[test]
fn a_refusal_is_tried_again() {
    let (house, a, device, _) = reporting();
    let refuses = In::Put(Input::Report(Report {
        device,
        sequence: None,
        state: DriveState::Refused,
        pose: None,
        power_w: None,
    }));
    Rig::calm(house).check(&[
        ("00:01:00", stands(device, Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:01", refuses, "!drive_unconfirmed/a"),
        ("10:01:05", tick(), "a: hand 100"),
        (
            "10:01:56",
            stands(device, Pose::EXTENDED),
            ".drive_unconfirmed/a",
        ),
    ]);
}

#[test]
fn a_reconnect_says_the_present_verdicts_again_with_new_numbers() {
    let (house, groups, mast) = row(&["a", "b"], 0, 1);
    let mut rig = Rig::calm(house);
    let connected = || In::Put(Input::Connected);
    rig.check(&[
        ("09:00:00", room(groups[0], 100), "a: hand 100"),
        ("10:00:00", In::Put(Input::Disconnected), ""),
        (
            "10:05:00",
            gust(mast, 12.0),
            "a +wind; b +wind; a: wind 0; b: again wind 0",
        ),
        ("10:20:00", gust(mast, 1.0), "a ~wind; b ~wind"),
    ]);
    rig.put("10:30:00", &connected());
    let out = rig.put("10:30:00.001", &tick());
    assert_eq!(
        rig.words("10:30:00", &out),
        "a: again wind 0; b: again wind 0"
    );
    let numbers: Vec<u64> = out
        .iter()
        .filter_map(|o| {
            if let leeside_core::output::Output::Command(c) = o {
                Some(c.sequence)
            } else {
                None
            }
        })
        .collect();
    let last = numbers[0];
    assert_eq!(numbers, [last, last + 1]);
}

#[test]
fn an_outage_leaves_unknown_where_drives_stand_and_halts_are_said_again() {
    let (mut house, a, _, door) = reporting();
    house.model.devices[0].drive.reports = false;
    house.model.timetables[0].plans[0].phases[0].pose = Pose::EXTENDED;
    let connected = || In::Put(Input::Connected);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("08:00:00", connected(), "a: again timetable 100"),
        ("09:00:00", room(a, 0), "a: hand 0"),
        // Lost on the way: it still stands retracted.
        ("10:00:00", In::Put(Input::Disconnected), ""),
        ("10:00:10", room(a, 100), "a: hand 100"),
        ("10:30:00", contact(door, true), ""),
        // Saying it again would extend it past the open door.
        ("11:00:00", connected(), ""),
        ("11:01:00", contact(door, false), "a: hand 100"),
        ("11:01:30", In::Put(Input::Disconnected), ""),
        ("11:01:40", contact(door, true), "a: door halt"),
        ("11:02:00", connected(), "a: again door halt"),
    ]);
}

#[test]
fn one_drive_may_be_set_up_until_its_group_next_moves() {
    let mut house = House::new(Pose::RETRACTED);
    house.model.timetables.clear();
    house.timetable(&[(0, Pose::RETRACTED, true), (12 * 60, Pose::EXTENDED, true)]);
    let product = house.product(Kind::RollerShutter);
    let devices = [house.device("a", product), house.device("b", product)];
    house.group("pair", Kind::RollerShutter, &devices);
    let set_up = |pct| {
        let ask = Ask::Device {
            device: DeviceId(1),
            extension_pct: Some(pct),
            tilt_deg: None,
            until: Until::For(8 * HOUR),
        };
        asks("fitter", Origin::Centre, ask)
    };
    Rig::calm(house).check(&[
        ("10:00:00", set_up(30), "pair: hand b 30"),
        ("10:01:00", set_up(60), "pair: hand b 60"),
        ("12:00:00", tick(), "pair: timetable a 100, b 100"),
        ("12:30:00", set_up(50), "pair: hand b 50"),
        ("20:30:00", tick(), "pair: timetable b 100"),
    ]);
}

#[test]
fn duty_spent_while_setting_up_does_not_stall() {
    let mut house = House::new(Pose::RETRACTED);
    let product = house.product(Kind::RollerShutter);
    house.model.products[product.index()].budget = Some(Budget {
        run_ms: 2 * MINUTE,
        window_ms: HOUR,
    });
    let device = house.device("a", product);
    house.group("a", Kind::RollerShutter, &[device]);
    let set_up = |pct| {
        let ask = Ask::Device {
            device,
            extension_pct: Some(pct),
            tilt_deg: None,
            until: Until::For(8 * HOUR),
        };
        asks("fitter", Origin::Centre, ask)
    };
    Rig::calm(house).check(&[
        ("02:00:00", set_up(100), "a: hand 100"),
        ("02:01:00", set_up(0), "!drive_duty/a"),
        ("02:59:00", tick(), ""),
        ("03:00:50", tick(), ".drive_duty/a; a: hand 0"),
    ]);
}

#[test]
fn what_stands_where_it_is_wanted_is_no_reason_to_call_its_duty_spent() {
    let (mut house, groups, mast) = row(&["a"], 0, 1);
    let a = groups[0];
    house.product_of(a).budget = Some(Budget {
        run_ms: 2 * MINUTE,
        window_ms: 3 * HOUR,
    });
    let free = asks("panel", Origin::Centre, Ask::Release { group: a });
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 100), "a: hand 100"),
        // The weather takes what was in reserve.
        ("10:10:00", gust(mast, 12.0), "a +wind; a: wind 0"),
        ("10:11:00", free, ""),
        ("10:12:00", gust(mast, 1.0), "a ~wind"),
        ("10:32:00", tick(), "a -wind"),
        ("10:33:00", room(a, 50), "!drive_duty/a"),
    ]);
}

//! What drives answer, or do not: what is believed of them, and what they are told again.

use super::drives::{connected, shutter};
use crate::support::*;
use leeside_core::ids::{DeviceId, GatewayId, GroupId};
use leeside_core::input::{Ask, DriveState, Input, Origin, Report, Until};
use leeside_core::model::{Evidence, Gateway, Kind};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE};

const A: DeviceId = DeviceId(0);

/// A drive that refuses, or whose gateway is lost, may stand anywhere.
#[test]
fn where_a_drive_stands_that_refuses_or_is_not_reached_nobody_knows() {
    let (mut house, group, ..) = shutter();
    house.model.gateways.push(Gateway {
        name: "porch".to_owned(),
        silence_ms: MINUTE,
    });
    house.model.devices[0].drive.gateway = Some(GatewayId(0));
    let (gateway, present) = (GatewayId(0), false);
    let lost = In::Put(Input::Gateway { gateway, present });
    let refuses = In::Put(Input::Report(Report {
        device: DeviceId(0),
        sequence: None,
        state: DriveState::Refused,
        pose: None,
        power_w: None,
    }));
    for event in [lost, refuses] {
        let mut rig = Rig::calm(House {
            model: house.model.clone(),
        });
        rig.put("10:00:00", &room(group, 60));
        rig.put("10:10:00", &tick());
        assert_eq!(rig.core.pose(DeviceId(0)), Some(Pose::extension(60)));
        rig.put("10:10:01", &event);
        assert_eq!(rig.core.pose(DeviceId(0)), None);
    }
}

/// What a drive says of where it stands before it can have arrived is the answer to an
/// earlier command.
#[test]
fn a_report_from_under_way_is_no_arrival() {
    let (mut house, group, ..) = shutter();
    house.model.devices[0].drive.reports = true;
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:01:00", stands(DeviceId(0), Pose::RETRACTED), ""),
        ("10:00:00", room(group, 100), "shutter: hand 100"),
        // The answer to an earlier one, still on its way.
        ("10:00:10", stands(DeviceId(0), Pose::RETRACTED), ""),
        ("10:00:20", room(group, 90), "shutter: hand 90"),
    ]);
}

fn reporting(kind: Kind) -> (House, GroupId) {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("a", kind);
    house.model.devices[0].drive.reports = true;
    (house, group)
}

/// Within three hundredths and ten degrees of where it was told to go it has arrived;
/// beside that it is told again.
#[test]
fn near_enough_is_there_and_beside_it_is_not() {
    for (says, there) in [
        (Pose::slats(97, 10), true),
        (Pose::slats(96, 0), false),
        (Pose::slats(100, 11), false),
    ] {
        let (house, group) = reporting(Kind::SlatBlind);
        let mut rig = Rig::calm(house);
        rig.put("00:02:00", &stands(A, Pose::slats(0, 0)));
        rig.check(&[("10:00:00", room(group, 100), "a: hand 100/0")]);
        rig.put("10:01:00", &stands(A, says));
        let out = rig.put("10:01:00.001", &tick());
        let said = rig.words("10:01:00", &out);
        assert_eq!(said.is_empty(), there, "{says:?}: {said}");
    }
}

/// Once it is known not to get there, it is not told at each of its reports.
#[test]
fn a_drive_that_stands_elsewhere_is_not_told_at_each_report() {
    let (mut house, group, _, mast) = shutter();
    house.model.devices[0].drive.reports = true;
    let mut rig = Rig::calm(house);
    rig.put("00:01:10", &stands(A, Pose::RETRACTED));
    rig.check(&[
        ("09:00:00", room(group, 60), "shutter: hand 60"),
        ("09:00:31", stands(A, Pose::extension(60)), ""),
        (
            "10:00:00",
            gust(mast, 12.0),
            "shutter +wind; shutter: wind 0",
        ),
        (
            "10:00:37",
            stands(A, Pose::extension(60)),
            "shutter: wind 0+0.5s",
        ),
        (
            "10:01:15",
            stands(A, Pose::extension(60)),
            "shutter: wind 0+0.5s",
        ),
        (
            "10:01:53",
            stands(A, Pose::extension(60)),
            "!drive_unconfirmed/shutter",
        ),
        ("10:10:00", stands(A, Pose::extension(60)), ""),
        ("10:11:00", stands(A, Pose::extension(60)), ""),
    ]);
}

/// A drive that has refused is tried again in time, not at every occasion.
#[test]
fn a_refusal_is_not_tried_again_at_once() {
    let (house, group) = reporting(Kind::RollerShutter);
    let refuses = In::Put(Input::Report(Report {
        device: A,
        sequence: None,
        state: DriveState::Refused,
        pose: None,
        power_w: None,
    }));
    Rig::calm(house).check(&[
        ("00:01:10", stands(A, Pose::RETRACTED), ""),
        ("10:00:00", room(group, 100), "a: hand 100"),
        ("10:00:01", refuses, "!drive_unconfirmed/a"),
        ("10:00:02", room(group, 100), ""),
    ]);
}

/// What was halted is no longer waited for.
#[test]
fn nobody_waits_for_the_answer_of_what_was_halted() {
    let (house, group) = reporting(Kind::RollerShutter);
    let halt = Ask::Halt {
        group,
        until: Until::For(8 * HOUR),
    };
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:01:10", stands(A, Pose::RETRACTED), ""),
        ("10:00:00", room(group, 100), "a: hand 100"),
        (
            "10:00:20",
            asks("panel", Origin::Room(leeside_core::ids::RoomId(0)), halt),
            "a: hand halt",
        ),
        ("12:00:00", tick(), ""),
    ]);
    // It stands where it was halted, and is not taken for lost.
    assert_eq!(rig.core.pose(A), Some(Pose::extension(40)));
}

/// A command shortly before it was noticed that the plant is not reached may be lost.
#[test]
fn what_was_told_just_before_an_outage_may_be_lost() {
    for (noticed, lost) in [("10:01:00", true), ("10:01:00.001", false)] {
        let (house, group, ..) = shutter();
        let mut rig = Rig::calm(house);
        rig.put("00:01:00", &connected());
        rig.put("10:00:00", &room(group, 100));
        rig.put(noticed, &In::Put(Input::Disconnected));
        rig.put("10:05:00", &connected());
        assert_eq!(rig.core.pose(A).is_none(), lost, "{noticed}");
    }
}

/// What was told while a drive's gateway was lost is said again when it is back.
#[test]
fn a_gateway_that_is_back_is_told_what_it_missed() {
    let (mut house, _, _, mast) = shutter();
    house.model.gateways.push(Gateway {
        name: "porch".to_owned(),
        silence_ms: MINUTE,
    });
    house.model.devices[0].drive.gateway = Some(GatewayId(0));
    house.model.timetables[0].plans[0].phases[0].pose = Pose::extension(40);
    let gateway = |present| {
        In::Put(Input::Gateway {
            gateway: GatewayId(0),
            present,
        })
    };
    Rig::calm(house).check(&[
        ("10:00:00", gateway(false), "!gateway_lost/porch"),
        (
            "10:01:00",
            gust(mast, 12.0),
            "shutter +wind; shutter: wind 0",
        ),
        (
            "10:05:00",
            gateway(true),
            ".gateway_lost/porch; shutter: wind 0",
        ),
    ]);
}

/// A command that comes late, because the call did, is not one that nobody may carry out
/// any more.
#[test]
fn a_late_command_is_still_carried_out() {
    let (mut house, ..) = shutter();
    house.model.timetables.clear();
    house.timetable(&[(0, Pose::RETRACTED, true), (8 * 60, Pose::EXTENDED, true)]);
    let mut rig = Rig::calm(house);
    let late = rig.now("09:30:00").wall;
    for output in rig.put("09:30:00", &tick()) {
        let Output::Command(command) = output else {
            continue;
        };
        if command.pose == Pose::EXTENDED {
            assert_eq!(command.at.wall, rig.now("08:00:00").wall);
            assert_eq!(command.not_after, late.plus(MINUTE));
            return;
        }
    }
    panic!("no command");
}

/// Power at the very threshold is that of a drive that runs.
#[test]
fn power_at_the_threshold_is_running() {
    let (mut house, ..) = shutter();
    house.model.devices[0].drive.evidence = Some(Evidence {
        running_from_w: 50.0,
        too_much_w: 300.0,
        supply_v: None,
    });
    let mut rig = Rig::calm(house);
    rig.put("09:00:00", &tick());
    for (time, power_w) in [("10:00:00", 50.0), ("10:00:07", 49.9), ("10:01:00", 0.0)] {
        let report = Report {
            device: A,
            sequence: None,
            state: DriveState::Moving,
            pose: None,
            power_w: Some(power_w),
        };
        rig.put(time, &In::Put(Input::Report(report)));
    }
    assert_eq!(rig.core.measured_running(A).0, 7_000);
    // Nobody had told it to.
    assert_eq!(rig.core.alarms()[0].key, "drive_power/shutter");
}

/// Two shutters of one group.
fn pair() -> (House, GroupId) {
    let mut house = House::new(Pose::RETRACTED);
    let product = house.product(Kind::RollerShutter);
    house.model.products[product.index()].reference_after_moves = 2;
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

/// What is asked of a group ends what was set up for one of its drives, also where the
/// group itself need not move; so does letting go of the group.
#[test]
fn a_group_that_is_asked_or_let_go_takes_its_drives_along() {
    let (house, group) = pair();
    let free = || asks("panel", Origin::Centre, Ask::Release { group });
    Rig::calm(house).check(&[
        ("10:00:00", set_up(1, 100), "pair: hand b 100"),
        ("10:02:00", free(), "pair: timetable b 0"),
        ("10:10:00", room(group, 100), "pair: hand a 100, b 100"),
        ("10:12:00", set_up(1, 0), "pair: hand b 0"),
        ("10:14:00", room(group, 100), "pair: hand b 100"),
    ]);
}

/// Where the whole group moves, the command says what moves it, though one of its drives
/// goes by way of a stop.
#[test]
fn a_command_says_what_moves_the_group_though_one_drive_goes_its_own_way() {
    let (house, group) = pair();
    Rig::calm(house).check(&[
        ("10:00:00", set_up(1, 40), "pair: hand b 40"),
        ("10:10:00", room(group, 60), "pair: hand a 60, b 60"),
        ("10:20:00", room(group, 30), "pair: hand a 30, b 0"),
    ]);
}

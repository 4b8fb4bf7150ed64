//! Measured power as evidence of movement: what contradicts a command, and what
//! is counted.

use crate::support::*;
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId, SensorId};
use leeside_core::input::{Ask, DriveState, Input, Origin, Report};
use leeside_core::model::{Evidence, Kind, SensorKind};
use leeside_core::output::{Alarm, Output};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, DriveTrouble};

/// A drive that runs above 50 W, for at most 300 W; it travels 60 s.
pub(crate) fn measured() -> (House, GroupId, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("a", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.model.devices[0].drive.evidence = Some(Evidence {
        running_from_w: 50.0,
        too_much_w: 300.0,
        supply_v: None,
    });
    (house, group, mast)
}

pub(crate) fn draws(power_w: f64) -> In {
    In::Put(Input::Report(Report {
        device: DeviceId(0),
        sequence: None,
        state: DriveState::Moving,
        pose: None,
        power_w: Some(power_w),
    }))
}

#[test]
fn power_that_contradicts_the_command_stops_comfort_until_somebody_has_seen_it() {
    let (house, a, mast) = measured();
    let seen = asks(
        "A. Person",
        Origin::Centre,
        Ask::Acknowledge {
            key: "drive_power/a".to_owned(),
        },
    );
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:02", draws(0.0), ""),
        ("10:00:10", draws(0.0), "!drive_power/a"),
        ("10:05:00", room(a, 0), ""),
        ("10:06:00", gust(mast, 12.0), "a +wind; a: wind 0"),
        ("10:06:10", draws(120.0), ""),
        ("10:07:00", gust(mast, 1.0), "a ~wind"),
        ("10:27:00", tick(), "a -wind"),
        ("10:30:00", room(a, 50), ""),
        (
            "10:31:00",
            seen,
            "seen drive_power/a; .drive_power/a; a: hand 50",
        ),
    ]);
}

#[test]
fn each_contradiction_of_power_and_command_has_its_own_word() {
    for (trouble, at, power_w) in [
        (DriveTrouble::PowerUncommanded, "09:00:00", 120.0),
        (DriveTrouble::NoPower, "10:00:05", 0.0),
        (DriveTrouble::TooMuchPower, "10:00:05", 301.0),
        // A fifth more than its travel of 50 s and three seconds of lag are forgiven,
        // then it runs too long; as much later nobody commands it.
        (DriveTrouble::RunsTooLong, "10:01:03.001", 120.0),
        (DriveTrouble::RunsTooLong, "10:01:16", 120.0),
        (DriveTrouble::PowerUncommanded, "10:01:16.001", 120.0),
    ] {
        let (house, a, _) = measured();
        let mut rig = Rig::calm(house);
        if at >= "10" {
            rig.check(&[("10:00:00", room(a, 100), "a: hand 100")]);
        }
        let out = rig.put(at, &draws(power_w));
        let [
            Output::Alarm(Alarm {
                key,
                active: true,
                because,
                ..
            }),
        ] = out.as_slice()
        else {
            panic!("{trouble:?}: {out:?}");
        };
        assert_eq!(key, "drive_power/a");
        assert_eq!(*because, Because::Drive { trouble }, "{at}");
    }
    // Nothing is wrong with a drive that draws what it may while it runs, lags a
    // little at both ends, and rests.
    let (house, a, _) = measured();
    Rig::calm(house).check(&[
        ("09:00:00", draws(49.9), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:02.999", draws(0.0), ""),
        ("10:00:10", draws(300.0), ""),
        ("10:00:45", draws(0.0), ""),
        ("10:01:03", draws(120.0), ""),
        ("10:02:00", draws(0.0), ""),
    ]);
}

#[test]
fn running_time_and_energy_are_counted_by_the_measured_power() {
    let (house, a, _) = measured();
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("09:59:00", draws(2.0), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:01", draws(120.0), ""),
        ("10:00:31", draws(180.0), ""),
        ("10:01:01", draws(2.0), ""),
        ("11:01:01", draws(2.0), ""),
    ]);
    let (ran_ms, energy_wh) = rig.core.measured_running(DeviceId(0));
    assert_eq!(ran_ms, 60_000);
    // 2 W over 61 s, 120 W and 180 W over half a minute each, 2 W over an hour.
    let wanted = (2.0 * 61.0 + 120.0 * 30.0 + 180.0 * 30.0 + 2.0 * 3600.0) / 3600.0;
    assert!((energy_wh - wanted).abs() < 1e-9, "{energy_wh} {wanted}");
    // It is kept over a restart.
    let kept = rig.core.snapshot();
    let core = Core::restore(rig.core.model().clone(), &kept).unwrap();
    assert_eq!(core.measured_running(DeviceId(0)), (ran_ms, energy_wh));
}

/// After a gap drives are told again what they may have done already: one that stands
/// there draws nothing, and nothing is wrong with it.
#[test]
fn a_drive_that_is_told_again_and_stands_there_already_is_in_order() {
    let (house, a, _) = measured();
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:30", draws(120.0), ""),
        ("10:00:40", In::Put(Input::Disconnected), ""),
        ("10:05:00", In::Put(Input::Connected), "a: again hand 100"),
        ("10:05:10", draws(1.0), ""),
        ("10:05:40", draws(1.0), ""),
        ("10:10:00", draws(1.0), ""),
    ]);
}

/// A halt takes a moment to arrive, and power a moment to be measured.
#[test]
fn power_a_moment_after_a_halt_is_none_without_a_command() {
    let (house, a, _) = measured();
    let halt = asks(
        "panel",
        Origin::Room(leeside_core::ids::RoomId(0)),
        Ask::Halt {
            group: a,
            until: leeside_core::input::Until::Rule,
        },
    );
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:10", draws(120.0), ""),
        ("10:00:20", halt, "a: hand halt"),
        ("10:00:20.500", draws(120.0), ""),
        ("10:00:23", draws(120.0), ""),
        ("10:00:23.001", draws(120.0), "!drive_power/a"),
    ]);
}

/// One that says it stands where it was told to has arrived, earlier than reckoned, and
/// draws nothing any more.
#[test]
fn a_drive_that_arrives_early_and_says_so_is_in_order() {
    let (mut house, a, _) = measured();
    house.model.devices[0].drive.reports = true;
    let arrived = In::Put(Input::Report(Report {
        device: DeviceId(0),
        sequence: None,
        state: DriveState::Standing,
        pose: Some(Pose::EXTENDED),
        power_w: Some(0.0),
    }));
    Rig::calm(house).check(&[
        ("00:00:30", stands(DeviceId(0), Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:05", draws(120.0), ""),
        ("10:00:30", arrived, ""),
    ]);
}

fn acknowledged() -> In {
    let key = "drive_power/a".to_owned();
    asks("A. Person", Origin::Centre, Ask::Acknowledge { key })
}

/// Once a drive is known to have no power, nothing that it is told moves it as far as
/// anybody knows: it is not believed to have arrived, whoever told it and however often,
/// until it is seen to draw power on its way, or says where it stands.
#[test]
fn a_drive_known_to_have_no_power_is_not_believed_to_have_arrived() {
    let (mut house, a, mast) = measured();
    house.of(a).wind.as_mut().unwrap().hold_ms = 20 * leeside_core::time::MINUTE;
    let mut rig = Rig::calm(house);
    let pose = |rig: &Rig| rig.core.pose(DeviceId(0));
    rig.check(&[
        ("09:00:00", room(a, 100), "a: hand 100"),
        ("09:00:20", draws(120.0), ""),
        ("09:05:00", draws(1.0), ""),
    ]);
    assert_eq!(pose(&rig), Some(Pose::EXTENDED));
    rig.check(&[
        ("10:00:00", gust(mast, 12.0), "a +wind; a: wind 0"),
        ("10:00:10", draws(0.0), "!drive_power/a"),
        ("10:01:30", draws(0.0), ""),
    ]);
    assert_eq!(pose(&rig), None);
    // Seen, and told again at once: still without power.
    rig.check(&[
        (
            "10:02:00",
            acknowledged(),
            "seen drive_power/a; .drive_power/a; a: wind 0",
        ),
        ("10:02:10", draws(0.0), ""),
        ("10:03:30", draws(0.0), ""),
    ]);
    assert_eq!(pose(&rig), None, "acknowledged is not mended");
    // Kept over a restart of the program.
    let kept = serde_json::to_string(&rig.core.snapshot()).unwrap();
    let kept = serde_json::from_str(&kept).unwrap();
    let core = Core::restore(rig.core.model().clone(), &kept).unwrap();
    assert_eq!(core.pose(DeviceId(0)), None);
}

/// The breaker is put back, and nobody says so: a guard has it told again by and by.
#[test]
fn a_guard_tries_a_drive_without_power_again_until_it_draws_some() {
    let (house, a, mast) = measured();
    let mut rig = Rig::calm(house);
    let pose = |rig: &Rig| rig.core.pose(DeviceId(0));
    rig.check(&[
        ("09:00:00", room(a, 100), "a: hand 100"),
        ("09:00:20", draws(120.0), ""),
        ("10:00:00", gust(mast, 12.0), "a +wind; a: wind 0"),
        ("10:00:10", draws(0.0), "!drive_power/a"),
        ("10:05:09.999", tick(), ""),
        ("10:05:10", tick(), "a: wind 0"),
        ("10:05:20", draws(0.0), ""),
        // Five minutes after that run would have ended.
        ("10:11:10", tick(), "a: wind 0"),
    ]);
    assert_eq!(pose(&rig), None);
    rig.check(&[
        ("10:11:20", draws(120.0), ""),
        ("10:12:30", draws(1.0), ""),
        // Now it is there, and left in peace.
        ("10:17:10", tick(), ""),
        ("10:30:00", tick(), ""),
    ]);
    assert_eq!(pose(&rig), Some(Pose::RETRACTED));
}

/// Comfort is barred, so what it asked for in vain is asked for once.
#[test]
fn nobody_but_a_guard_tries_a_drive_without_power_again() {
    let (house, a, _) = measured();
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:10", draws(0.0), "!drive_power/a"),
        ("10:05:10", tick(), ""),
        ("10:30:00", tick(), ""),
    ]);
}

/// A travel is reckoned with the turn of the slats at its end, which need not come: from
/// when the extension should be reached on, power that is missing proves nothing.
#[test]
fn slats_that_need_no_turn_end_a_travel_early() {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("a", Kind::SlatBlind);
    house.product_of(group).tilt_ms = 20 * leeside_core::time::SECOND;
    house.model.devices[0].drive.evidence = Some(Evidence {
        running_from_w: 50.0,
        too_much_w: 300.0,
        supply_v: None,
    });
    // 25 s of travel and up to 20.5 s of turning.
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 50), "a: hand 50/0"),
        ("10:00:25", draws(1.0), ""),
        ("11:00:00", room(group, 100), "a: hand 100/0"),
        ("11:00:20", draws(1.0), "!drive_power/a"),
    ]);
}

/// While it waits for its start a drive says that it stands nearly where it is to go, or
/// there as far as whole percents tell. When it then goes the little way that is left, it
/// does what it was told.
#[test]
fn a_drive_that_waits_for_its_start_close_by_may_run() {
    for nearly in [Pose::extension(2), Pose::RETRACTED] {
        let (mut house, a, mast) = measured();
        house.model.devices[0].drive.reports = true;
        house.product_of(a).reversal_pause_ms = 3_000;
        Rig::calm(house).check(&[
            ("00:00:30", stands(DeviceId(0), Pose::RETRACTED), ""),
            ("10:00:00", room(a, 100), "a: hand 100"),
            ("10:00:01", gust(mast, 12.0), "a +wind; a: wind 0+3s"),
            ("10:00:01.100", stands(DeviceId(0), nearly), ""),
            ("10:00:04.100", draws(150.0), ""),
            ("10:00:08.300", draws(1.0), ""),
            ("10:00:12", draws(150.0), "!drive_power/a"),
        ]);
    }
}

/// One that waits for its start, and says that it stands nearly where it was sent, keeps
/// nobody waiting who sends it elsewhere: it has not started.
#[test]
fn a_drive_that_waits_for_its_start_close_by_turns_at_once() {
    for nearly in [Pose::extension(98), Pose::extension(100)] {
        let (mut house, a, mast) = measured();
        house.model.devices[0].drive.reports = true;
        house.product_of(a).reversal_pause_ms = 3_000;
        Rig::calm(house).check(&[
            ("00:00:30", stands(DeviceId(0), Pose::RETRACTED), ""),
            ("10:00:00", room(a, 100), "a: hand 100"),
            ("10:00:01", room(a, 0), "a: hand 0+3s"),
            ("10:00:02", room(a, 100), "a: hand 100+2s"),
            ("10:00:02.100", stands(DeviceId(0), nearly), ""),
            ("10:00:02.200", gust(mast, 12.0), "a +wind; a: wind 0+2.9s"),
        ]);
    }
}

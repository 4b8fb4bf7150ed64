//! Saying again: after an outage, a step of the clock, a halt or an answer; what is said
//! once more, what is not, and what is known of the drives meanwhile.

use crate::drives::{reporting, row};
use crate::power::{draws, measured};
use crate::support::*;
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::input::{Ask, Input, Origin, RestartCause, Until};
use leeside_core::model::{Kind, SensorKind};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::time::{MINUTE, Wall};

const A: DeviceId = DeviceId(0);

pub(crate) const fn connected() -> In {
    In::Put(Input::Connected)
}

const fn disconnected() -> In {
    In::Put(Input::Disconnected)
}

pub(crate) const fn jump() -> In {
    In::Put(Input::Restart(RestartCause::ClockJump))
}

/// A screen that was told to extend at ten, in a plant that was reached until then.
fn told() -> (Rig, GroupId) {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("a", Kind::Screen);
    let mut rig = Rig::calm(house);
    rig.put("00:10:00", &connected());
    rig.put("09:00:00", &room(group, 0));
    rig.check(&[("10:00:00", room(group, 100), "a: hand 100")]);
    (rig, group)
}

/// A step of the clock says again what holds, and where drives stand is known as before;
/// a start knows nothing of what was told after the state was kept.
#[test]
fn a_step_of_the_clock_leaves_known_where_drives_stand() {
    for (input, known) in [(jump(), true), (restart(), false)] {
        let (mut rig, _) = told();
        let said = if known {
            "a: again hand 100"
        } else {
            "a: hand 100"
        };
        rig.check(&[("10:30:00", input, said)]);
        let run = rig.put("10:29:59", &tick());
        assert!(run.is_empty());
        rig.put("10:30:10", &tick());
        assert_eq!(rig.core.pose(A).is_some(), known);
    }
}

/// What was told before an outage may be lost, however often the outage is noticed, and
/// whatever the clock does meanwhile. Once that is over it is forgotten.
#[test]
fn an_outage_counts_from_when_it_was_first_noticed() {
    for meanwhile in [disconnected(), jump(), tick()] {
        let (mut rig, group) = told();
        rig.put("10:00:30", &disconnected());
        // Held, so that it is not told again.
        rig.put("10:02:00", &service(group, true));
        rig.put("10:30:00", &meanwhile);
        rig.put("10:30:01", &tick());
        rig.put("10:31:00", &connected());
        rig.put("10:31:01", &tick());
        assert_eq!(rig.core.pose(A), None);
    }
    let (mut rig, _) = told();
    rig.put("10:00:30", &disconnected());
    rig.put("10:01:00", &connected());
    rig.put("10:05:00", &connected());
    assert_eq!(rig.core.pose(A), Some(Pose::EXTENDED));
}

/// A halt is told as well: where it came shortly before an outage it may be lost.
#[test]
fn a_halt_shortly_before_an_outage_may_be_lost() {
    let (mut rig, group) = told();
    rig.check(&[("10:00:40", service(group, true), "a: service halt")]);
    assert_eq!(rig.core.pose(A), Some(Pose::extension(80)));
    rig.put("10:01:30", &disconnected());
    rig.put("10:05:00", &connected());
    assert_eq!(rig.core.pose(A), None);
}

/// What has answered has arrived: an outage after it loses nothing.
#[test]
fn what_was_answered_before_an_outage_is_not_lost() {
    let (house, a, device, _) = reporting();
    let mut rig = Rig::calm(house);
    rig.put("00:01:00", &stands(device, Pose::RETRACTED));
    rig.put("10:00:00", &room(a, 100));
    rig.put("10:00:51", &stands(device, Pose::EXTENDED));
    rig.put("10:00:55", &disconnected());
    rig.put("10:30:00", &connected());
    assert_eq!(rig.core.pose(device), Some(Pose::EXTENDED));
    // It is told again all the same, also past an open door: it says where it is.
    rig.check(&[
        ("10:30:00", tick(), "a: again hand 100"),
        ("10:30:05", stands(device, Pose::EXTENDED), ""),
        (
            "10:40:00",
            contact(leeside_core::ids::ContactId(0), true),
            "",
        ),
        ("10:41:00", connected(), "a: again hand 100"),
    ]);
}

/// A halt is said again until the drive has stopped or was told something else.
#[test]
fn a_halt_is_said_again_until_something_else_was_told_or_answered() {
    let (mut rig, group) = told();
    rig.check(&[
        ("10:00:10", service(group, true), "a: service halt"),
        ("10:00:20", connected(), "a: again service halt"),
        ("10:01:00", service(group, false), "a: hand 100"),
        ("10:05:00", service(group, true), ""),
        ("10:06:00", connected(), ""),
    ]);
    let (house, a, device, _) = reporting();
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:01:00", stands(device, Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:10", service(a, true), "a: service halt"),
        ("10:00:12", stands(device, Pose::extension(22)), ""),
        ("10:00:20", connected(), ""),
    ]);
}

/// Halted before it has started, a drive has not run: no pause is due.
#[test]
fn a_halt_before_the_start_makes_no_pause() {
    let (mut house, groups, _) = row(&["a", "b"], 10_000, 1);
    house.product_of(groups[0]).reversal_pause_ms = 20_000;
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &room(groups[0], 100));
    rig.check(&[
        (
            "10:00:00",
            room(groups[1], 100),
            "a: hand 100; b: hand 100+10s",
        ),
        ("10:00:01", service(groups[1], true), "b: service halt"),
        ("10:00:02", service(groups[1], false), "b: hand 100+8s"),
    ]);
}

/// A drive that reports is believed: nobody has cranked it anywhere.
#[test]
fn a_drive_that_reports_is_not_told_to_go_where_it_is() {
    let (mut house, groups, mast) = row(&["a"], 0, 1);
    house.model.devices[0].drive.reports = true;
    Rig::calm(house).check(&[
        ("00:01:00", stands(A, Pose::RETRACTED), ""),
        ("10:00:00", room(groups[0], 0), ""),
        ("11:00:00", gust(mast, 12.0), "a +wind"),
    ]);
}

/// Who is on its way and not told again makes no move of a command that only says
/// again what another has reached.
#[test]
fn a_command_that_moves_nothing_says_that_it_is_said_again() {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let product = house.product(Kind::Awning);
    let devices = [house.device("a", product), house.device("b", product)];
    let pair = house.group("pair", Kind::Awning, &devices);
    house.of(pair).wind = Some(wind_rule(&[mast]));
    house.model.devices[0].drive.reports = true;
    let mut rig = Rig::calm(house);
    rig.put("09:00:00", &stands(A, Pose::RETRACTED));
    let ask = Ask::Device {
        device: A,
        extension_pct: Some(100),
        tilt_deg: None,
        until: Until::Rule,
    };
    rig.put("09:30:00", &asks("fitter", Origin::Centre, ask));
    rig.put("09:31:00", &stands(A, Pose::EXTENDED));
    rig.check(&[
        ("10:00:00", room(pair, 0), "pair: hand a 0"),
        (
            "10:00:10",
            gust(mast, 12.0),
            "pair +wind; pair: again wind b 0",
        ),
    ]);
}

/// A drive that drew no power is tried again in time where a guard wants it, and by
/// comfort once somebody has seen it, and no more.
#[test]
fn comfort_does_not_try_a_drive_without_power_again_and_again() {
    let (house, a, _) = measured();
    let key = "drive_power/a".to_owned();
    let seen = asks("A. Person", Origin::Centre, Ask::Acknowledge { key });
    Rig::calm(house).check(&[
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:00:10", draws(0.0), "!drive_power/a"),
        (
            "10:01:00",
            seen,
            "seen drive_power/a; .drive_power/a; a: hand 100",
        ),
        ("10:30:00", tick(), ""),
    ]);
}

/// What says where it stands is known to be there, whatever it drew.
#[test]
fn a_drive_without_power_that_says_where_it_stands_is_there() {
    let (house, a, _) = measured();
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &room(a, 100));
    rig.put("10:00:10", &draws(0.0));
    assert_eq!(rig.core.pose(A), None);
    rig.put("10:05:00", &stands(A, Pose::extension(10)));
    assert_eq!(rig.core.pose(A), Some(Pose::extension(10)));
}

/// Every pose that is told is sent three times before the alarm, whatever was before it.
#[test]
fn another_pose_is_tried_as_often_as_the_first() {
    let (house, a, device, _) = reporting();
    Rig::calm(house).check(&[
        ("00:01:00", stands(device, Pose::RETRACTED), ""),
        ("10:00:00", room(a, 100), "a: hand 100"),
        ("10:01:05", tick(), "a: hand 100"),
        ("10:02:21", tick(), "a: hand 100"),
        ("10:03:00", room(a, 50), "a: hand 50+0.5s"),
        ("10:04:16.500", tick(), "a: hand 50"),
        ("10:05:32.500", tick(), "a: hand 50"),
        ("10:06:48.500", tick(), "!drive_unconfirmed/a"),
    ]);
}

/// A command stays good from the moment it is due, and where the call comes more than a
/// second late from then.
#[test]
fn a_command_stays_good_from_its_moment_or_from_a_late_call() {
    for (late_ms, from_ms) in [(1, 0), (1_000, 0), (1_001, 1_001)] {
        let (mut house, _, mast) = row(&["a"], 0, 1);
        house.model.timetables[0].plans[0].phases[0].pose = Pose::EXTENDED;
        let mut rig = Rig::calm(house);
        rig.put("10:00:00", &gust(mast, 12.0));
        let now = rig.now("10:00:00");
        rig.core.handle(now.plus(late_ms), Input::Tick);
        let until = drain(&mut rig.core).into_iter().find_map(|output| {
            let Output::Command(command) = output else {
                return None;
            };
            Some(command.not_after)
        });
        let good = Wall(now.wall.0 + from_ms + MINUTE);
        assert_eq!(until, Some(good), "{late_ms} ms late");
    }
}

/// Restored in the midst of an outage, after a command or after a halt: said again as it
/// would have been.
#[test]
fn what_was_kept_of_an_outage_says_the_same_again() {
    let (mut rig, group) = told();
    rig.put("10:00:20", &disconnected());
    rig.put("10:00:30", &service(group, true));
    rig.put("10:00:31", &tick());
    let kept = rig.core.snapshot();
    let mut again = Core::restore(rig.core.model().clone(), &kept).unwrap();
    let now = rig.now("10:05:00");
    let mut said = Vec::new();
    for core in [&mut rig.core, &mut again] {
        core.handle(now, Input::Connected);
        core.handle(now.plus(1), Input::Tick);
        said.push(drain(core));
    }
    assert_eq!(said[0], said[1]);
    assert_eq!(rig.words("10:05:00", &said[0]), "a: again service halt");
}

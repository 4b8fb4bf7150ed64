//! When a drive finds its position again at an end stop: which moves count toward it,
//! what starts the count over, and what does not.

use crate::again::{connected, jump};
use crate::power::draws;
use crate::support::*;
use leeside_core::ids::{DeviceId, GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin, Until};
use leeside_core::model::{Evidence, Kind, SensorKind};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::reason::Because;
use leeside_core::time::HOUR;

const A: DeviceId = DeviceId(0);

/// A shutter with a mast that is due after so many moves, in a plant that is reached.
fn due_after(moves: u32) -> (Rig, GroupId, SensorId) {
    made(moves, |_| {})
}

fn made(moves: u32, change: impl FnOnce(&mut House)) -> (Rig, GroupId, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("a", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    let product = house.product_of(group);
    product.reference_after_moves = moves;
    product.refuge.wind = Pose::extension(20);
    change(&mut house);
    let mut rig = Rig::calm(house);
    rig.put("00:10:00", &connected());
    rig.put("00:10:01", &tick());
    (rig, group, mast)
}

/// Two moves between the stops.
fn two_moves(rig: &mut Rig, group: GroupId) {
    rig.check(&[
        ("10:00:00", room(group, 30), "a: hand 30"),
        ("10:02:00", room(group, 60), "a: hand 60"),
    ]);
}

#[test]
fn it_is_due_after_so_many_moves_and_says_how_many() {
    for moves in 1..4_u32 {
        let (mut rig, a, _) = due_after(moves);
        for (minute, pct) in (0..moves).zip([30, 40, 30]) {
            let time = format!("10:{:02}:00", 2 * minute);
            rig.put(&time, &room(a, pct));
            let out = rig.put(&format!("{time}.001"), &tick());
            assert_eq!(rig.words(&time, &out), format!("a: hand {pct}"));
        }
        rig.put("10:20:00", &room(a, 20));
        let out = rig.put("10:20:01", &tick());
        assert_eq!(rig.words("10:20:00", &out), "a: drive 0");
        let Output::Command(command) = &out[0] else {
            panic!("{out:?}")
        };
        assert_eq!(command.because, Because::Reference { moves });
    }
}

/// An end stop is gone to without a detour, and starts the count over, wherever it is
/// gone to from.
#[test]
fn an_end_stop_starts_the_count_over() {
    for stop in [0, 100] {
        for known in [true, false] {
            let (mut rig, a, _) = due_after(2);
            two_moves(&mut rig, a);
            if !known {
                rig.put("10:02:30", &In::Put(Input::Disconnected));
                rig.put("10:02:40", &service(a, true));
                rig.put("10:03:30", &connected());
                rig.put("10:03:31", &service(a, false));
                rig.put("10:03:31", &room(a, stop));
                rig.put("10:03:32", &tick());
            } else {
                let said = format!("a: hand {stop}");
                rig.check(&[("10:04:00", room(a, stop), said.as_str())]);
            }
            rig.check(&[
                ("10:06:00", room(a, 40), "a: hand 40"),
                ("10:08:00", room(a, 50), "a: hand 50"),
                ("10:10:00", room(a, 40), "a: drive 0"),
            ]);
        }
    }
}

/// One that was brought to its stop on the spot and is then told to be there goes
/// wherever it is told next.
#[test]
fn one_that_stands_at_its_stop_already_is_not_kept_there() {
    let (mut rig, a, _) = made(2, |house| house.model.devices[0].drive.reports = true);
    rig.put("00:20:00", &stands(A, Pose::RETRACTED));
    rig.check(&[
        ("10:00:00", room(a, 30), "a: hand 30"),
        ("10:00:20", stands(A, Pose::extension(30)), ""),
        ("10:02:00", room(a, 60), "a: hand 60"),
        ("10:02:20", stands(A, Pose::extension(60)), ""),
        ("10:05:00", stands(A, Pose::RETRACTED), ""),
        ("10:06:00", room(a, 0), "a: again hand 0"),
        ("10:06:10", stands(A, Pose::RETRACTED), ""),
        ("10:08:00", room(a, 40), "a: hand 40"),
    ]);
}

/// A pose that is said again where the drive stands is no move; from an unknown place it
/// may be one.
#[test]
fn saying_it_again_counts_only_where_nobody_knows_that_it_is_there() {
    for (meanwhile, next) in [(connected(), "a: hand 60"), (restart(), "a: drive 100")] {
        let (mut rig, a, mast) = due_after(2);
        rig.check(&[("10:00:00", room(a, 30), "a: hand 30")]);
        rig.put("10:10:00", &meanwhile);
        rig.put("10:10:01", &gust(mast, 1.0));
        rig.put("10:10:02", &tick());
        rig.check(&[("10:20:00", room(a, 60), next)]);
    }
}

/// Slats that turn between the stops move, too; on the way to a stop they turn to the
/// tilt that is wanted.
#[test]
fn turning_the_slats_is_a_move() {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("a", Kind::SlatBlind);
    house.product_of(group).reference_after_moves = 2;
    let tilted = |extension_pct, tilt| {
        let ask = Ask::Pose {
            group,
            extension_pct: Some(extension_pct),
            tilt_deg: Some(tilt),
            until: Until::Rule,
        };
        asks("panel", Origin::Centre, ask)
    };
    let mut rig = Rig::calm(house);
    rig.put("09:00:00", &tilted(0, 0));
    rig.check(&[
        ("10:00:00", tilted(40, 0), "a: hand 40/0"),
        ("10:02:00", tilted(40, 45), "a: hand 40/45"),
        ("10:04:00", tilted(45, 30), "a: drive 0/30"),
    ]);
}

/// What guards move counts, though no guard goes by way of a stop; comfort does so
/// afterwards, however far the count has gone.
#[test]
fn moves_by_guards_count() {
    let (mut rig, a, mast) = due_after(2);
    two_moves(&mut rig, a);
    rig.check(&[
        ("10:04:00", gust(mast, 12.0), "a +wind; a: wind 20"),
        ("10:05:00", gust(mast, 1.0), "a ~wind"),
        ("10:25:00", tick(), "a -wind; a: drive 100"),
    ]);
}

/// One drive that is set up goes by way of the stop as well.
#[test]
fn moves_while_setting_up_count_and_go_by_way_of_the_stop() {
    let (mut rig, ..) = due_after(2);
    let set_up = |pct| {
        let ask = Ask::Device {
            device: A,
            extension_pct: Some(pct),
            tilt_deg: None,
            until: Until::For(8 * HOUR),
        };
        asks("fitter", Origin::Centre, ask)
    };
    rig.check(&[
        ("10:00:00", set_up(30), "a: hand 30"),
        ("10:02:00", set_up(60), "a: hand 60"),
        ("10:04:00", set_up(40), "a: drive 0"),
        ("10:05:00", tick(), "10:04:36 a: hand 40+0.5s"),
    ]);
}

/// A pause, a halt, a step of the clock, a restart and what the drive tells of itself
/// start no count over.
#[test]
fn the_count_outlasts_halts_restarts_and_reports() {
    for (meanwhile, reports) in [
        (vec![], false),
        (vec![jump()], false),
        (vec![restart()], false),
        (vec![connected()], false),
        (
            vec![service(GroupId(0), true), service(GroupId(0), false)],
            false,
        ),
        (vec![stands(A, Pose::extension(60))], true),
        (vec![draws(120.0)], false),
    ] {
        let (mut rig, a, mast) = made(2, |house| {
            house.model.devices[0].drive.reports = reports;
            house.model.devices[0].drive.evidence = Some(Evidence {
                running_from_w: 50.0,
                too_much_w: 300.0,
                supply_v: None,
            });
        });
        for (time, pct) in [("10:00:00", 30), ("10:02:00", 60)] {
            rig.put(time, &room(a, pct));
            rig.put(&format!("{time}.001"), &tick());
            if reports {
                let arrived = format!("{}20", &time[..6]);
                rig.put(&arrived, &stands(A, Pose::extension(pct)));
            }
        }
        let mut said = Vec::new();
        // Halts and power come while it runs, all else once it has arrived.
        let power = |input: &In| matches!(input, In::Put(Input::Report(r)) if r.power_w.is_some());
        let runs = meanwhile.len() == 2 || meanwhile.iter().any(power);
        for (second, input) in (if runs { 10 } else { 30 }..).zip(&meanwhile) {
            said.extend(rig.put(&format!("10:02:{second}"), input));
            said.extend(rig.put(&format!("10:02:{second}.500"), &tick()));
        }
        said.extend(rig.put("10:05:00", &gust(mast, 1.0)));
        said.extend(rig.put("10:09:00", &tick()));
        said.extend(rig.put("10:10:00", &room(a, 40)));
        said.extend(rig.put("10:10:01", &tick()));
        // Where it had to be told again at once, that was by way of the stop already.
        let by_stop = said.iter().any(|output| {
            let Output::Command(command) = output else {
                return false;
            };
            matches!(command.because, Because::Reference { .. })
        });
        assert!(by_stop, "{}", rig.words("10:10:00", &said));
    }
}

/// Where no position is to be found again, or not yet, a drive under way is told at once.
#[test]
fn a_drive_under_way_to_no_stop_turns_round_at_once() {
    for moves in [0, 9] {
        let (mut rig, a, _) = due_after(moves);
        rig.check(&[
            ("10:00:00", room(a, 60), "a: hand 60"),
            ("10:00:20", room(a, 20), "a: hand 20+0.5s"),
        ]);
    }
}

/// On the way to one stop it may be told to go to the other: that is found as well.
#[test]
fn on_its_way_to_one_stop_it_may_be_told_the_other() {
    let (mut rig, a, _) = due_after(2);
    two_moves(&mut rig, a);
    rig.check(&[
        ("10:04:00", room(a, 70), "a: drive 100"),
        ("10:04:05", room(a, 0), "a: hand 0+0.5s"),
    ]);
}

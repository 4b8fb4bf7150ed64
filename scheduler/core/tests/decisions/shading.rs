//! Where shading stands: over a restart, a snapshot and a night, and which of its moves
//! the day counts.

use crate::sun::{heated, lit};
use crate::support::*;
use leeside_core::Core;
use leeside_core::engine::{Quiet, Says, Snapshot};
use leeside_core::ids::{FacadeId, GroupId};
use leeside_core::model::{DailyCap, Kind, SpecialDay, SunAim};
use leeside_core::output::{Output, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::Because;
use leeside_core::time::{HOUR, MINUTE};
use leeside_solar::{Location, Plane};

const SLATS: SunAim = SunAim::Fixed(Pose::slats(100, 45));

/// No delays but before the blind retracts, and so many travels and tilts a day.
fn quick(house: &mut House, group: GroupId, travels: u16, tilts: u16) {
    let rule = house.of(group).sun.as_mut().unwrap();
    rule.on_delay_ms = 0;
    rule.off_delay_ms = 0;
    rule.cap = DailyCap { travels, tilts };
}

/// The core goes on from what it kept, written and read.
fn restored(mut rig: Rig) -> Rig {
    let text = serde_json::to_string(&rig.core.snapshot()).unwrap();
    let kept: Snapshot = serde_json::from_str(&text).unwrap();
    rig.core = Core::restore(rig.core.model().clone(), &kept).unwrap();
    rig
}

/// Travels and tilts of the day, where they are used up.
fn used_up(rig: &Rig, group: GroupId) -> Option<(u16, u16)> {
    let ranks = rig.core.ranks(group);
    let sun = ranks.into_iter().find(|rank| rank.word == Word::Sun);
    match sun.unwrap().says {
        Says::Quiet(Quiet::SunCapped { travels, tilts }) => Some((travels, tilts)),
        Says::Quiet(_) | Says::Speaks { .. } => None,
    }
}

/// Nobody knows how bright it was meanwhile: it has to be bright for the whole delay.
#[test]
fn after_a_restart_shading_begins_anew_with_its_delay() {
    let (house, _, light) = lit(Kind::Screen, SunAim::Fixed(Pose::extension(80)));
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("11:00:00", value(light, 700.0), ""),
        ("11:05:00", tick(), "blind: sun 80"),
    ]);
    restored(rig).check(&[
        ("11:20:00", restart(), "blind: timetable 0"),
        ("11:20:01", value(light, 700.0), ""),
        ("11:24:59.999", tick(), ""),
        ("11:25:00", tick(), "blind: sun 80"),
    ]);
}

#[test]
fn what_was_bright_before_a_restart_does_not_count_after_it() {
    let (house, _, light) = lit(Kind::Screen, SunAim::Fixed(Pose::extension(80)));
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("11:00:00", value(light, 50.0), ""),
        ("11:16:00", value(light, 700.0), ""),
    ]);
    restored(rig).check(&[
        ("11:18:00", restart(), "blind: timetable 0"),
        ("11:18:01", value(light, 700.0), ""),
        ("11:21:00", tick(), ""),
        ("11:23:00", tick(), "blind: sun 80"),
    ]);
}

/// What a day has used up stays so over a restart, and the next day has it again. Slats
/// that are flat, or do not open first, make no tilt.
#[test]
fn the_days_moves_stay_counted_over_a_restart_and_not_over_a_night() {
    for (tilt, retract_ms, tilts) in [(45, MINUTE, 1), (0, MINUTE, 0), (45, 0, 0)] {
        let aim = SunAim::Fixed(Pose::slats(100, tilt));
        let (mut house, group, light) = lit(Kind::SlatBlind, aim);
        quick(&mut house, group, 3, 100);
        house.of(group).sun.as_mut().unwrap().retract_delay_ms = retract_ms;
        let mut rig = Rig::calm(house);
        for day in ["", "1d "] {
            let day = |time: &str| format!("{day}{time}");
            rig.put(&day("11:00:00"), &value(light, 50.0));
            rig.put(&day("11:00:00.001"), &tick());
            assert_eq!(used_up(&rig, group), None, "{tilt} {retract_ms}");
            for (time, wm2) in [("11:01:00", 700.0), ("11:10:00", 50.0), ("11:20:00", 700.0)] {
                rig.put(&day(time), &value(light, wm2));
            }
            rig.put(&day("11:20:01"), &tick());
            assert_eq!(used_up(&rig, group), Some((2, tilts)));
            rig.put(&day("22:00:00"), &restart());
            rig.put(&day("22:00:01"), &value(light, 0.0));
            assert_eq!(used_up(&rig, group), Some((2, tilts)));
        }
    }
}

/// What a day allows is one way out and back at the least.
#[test]
fn two_travels_a_day_are_one_way_out_and_back() {
    let (mut house, group, light) = lit(Kind::Screen, SunAim::Fixed(Pose::EXTENDED));
    quick(&mut house, group, 2, 0);
    Rig::calm(house).check(&[
        ("11:00:00", value(light, 700.0), "blind: sun 100"),
        ("11:10:00", value(light, 50.0), "blind: timetable 0"),
        ("11:20:00", value(light, 700.0), ""),
    ]);
}

/// Bright again before it has retracted, it shades at once, and that is no travel.
#[test]
fn slats_that_close_again_before_the_blind_retracts_cost_no_travel() {
    let (mut house, group, light) = lit(Kind::SlatBlind, SLATS);
    quick(&mut house, group, 4, 100);
    Rig::calm(house).check(&[
        ("11:00:00", value(light, 700.0), "blind: sun 100/45"),
        ("11:05:00", value(light, 50.0), "blind: sun 100/0"),
        ("11:06:00", value(light, 700.0), "blind: sun 100/45"),
        ("11:10:00", value(light, 50.0), "blind: sun 100/0"),
        ("11:30:00", tick(), "blind: timetable 0/0"),
        ("11:40:00", value(light, 700.0), "blind: sun 100/45"),
    ]);
}

/// The last tilt of the day is kept for opening the slats.
#[test]
fn slats_follow_the_sun_while_the_day_has_a_tilt_left_to_open_them() {
    let (mut house, group, light) = lit(Kind::SlatBlind, SunAim::TrackSlats);
    house.model.facades[0].plane = Plane::new(240.0, 90.0).unwrap();
    quick(&mut house, group, 20, 3);
    let mut rig = Rig::calm(house);
    rig.put("13:00:00", &value(light, 700.0));
    let mut tilts = Vec::new();
    for minute in 1..=300 {
        let time = format!("{:02}:{:02}:00.001", 13 + minute / 60, minute % 60);
        if minute == 290 {
            rig.put(&time, &value(light, 0.0));
        }
        for output in rig.put(&time, &tick()) {
            if let Output::Command(command) = output {
                tilts.push(command.orders[0].pose.unwrap().tilt_deg.unwrap());
            }
        }
    }
    // Out, two steps after the sun, and open.
    assert_eq!(tilts.len(), 4, "{tilts:?}");
    assert_eq!(tilts[3], 0, "{tilts:?}");
}

/// Moves that sun asks for in vain, because no sun is allowed or a hand decides, leave
/// the day its own.
#[test]
fn moves_that_cannot_happen_are_not_counted() {
    for by_hand in [true, false] {
        let (mut house, group, light) = lit(Kind::Screen, SunAim::Fixed(Pose::EXTENDED));
        quick(&mut house, group, 3, 0);
        house.model.timetables.clear();
        house.timetable(&[
            (0, Pose::RETRACTED, by_hand),
            (12 * 60, Pose::RETRACTED, true),
        ]);
        let mut rig = Rig::calm(house);
        if by_hand {
            rig.check(&[("10:00:00", room(group, 30), "blind: hand 30")]);
        }
        for (minute, wm2) in (10..50).step_by(5).zip([700.0, 50.0].repeat(4)) {
            rig.put(&format!("10:{minute}:00"), &value(light, wm2));
        }
        rig.put("12:00:30", &tick());
        rig.check(&[
            ("12:10:00", value(light, 700.0), "blind: sun 100"),
            ("12:20:00", value(light, 50.0), "blind: timetable 0"),
        ]);
    }
}

/// A new day has its own moves, though its light is none other to this blind, but to
/// another one (15 June at 70° N, 8° E, a north facade at midnight).
#[test]
fn a_new_day_has_its_own_moves_though_it_stays_bright() {
    let (mut house, group, light) = lit(Kind::Screen, SunAim::Fixed(Pose::EXTENDED));
    quick(&mut house, group, 2, 0);
    house.model.site.location = Location::new(70.0, 8.0, 0.0).unwrap();
    house.model.facades[0].plane = Plane::new(0.0, 90.0).unwrap();
    let other = house.single("other", Kind::Screen);
    let mut rule = sun_rule(SunAim::Fixed(Pose::EXTENDED));
    (rule.on_wm2, rule.on_delay_ms) = (600.0, HOUR);
    house.of(other).sun = Some(rule);
    Rig::calm(house).check(&[
        ("22:00:00", value(light, 700.0), "blind: sun 100"),
        ("22:10:00", value(light, 50.0), "blind: timetable 0"),
        ("23:20:00", value(light, 700.0), ""),
        ("23:59:59", tick(), ""),
        ("1d 00:05:00", value(light, 500.0), "blind: sun 100"),
    ]);
}

/// Heat of before a restart is asked for anew, with its delay, once the room has spoken;
/// also where all of it speaks in the very moment of the restart.
#[test]
fn after_a_restart_heat_is_kept_out_once_the_room_has_been_warm_for_the_delay() {
    for (spoke, at, acts) in [
        ("10:06:00", "10:21:00", "10:26:00"),
        ("10:18:00", "10:20:00", "10:25:00"),
    ] {
        let (mut house, light, inside, somebody) = heated();
        let rule = house.model.groups[0].sun.as_mut().unwrap();
        rule.on_delay_ms = 5 * MINUTE;
        rule.off_delay_ms = 15 * MINUTE;
        let mut rig = Rig::calm(house);
        rig.put("00:01:00", &value(inside, 22.0));
        rig.put("10:00:00", &value(light, 160.0));
        rig.put(spoke, &value(inside, 23.0));
        rig.put("10:19:00", &tick());
        let mut rig = restored(rig);
        rig.put("10:20:00", &restart());
        rig.put(at, &value(light, 160.0));
        rig.put(at, &contact(somebody, false));
        rig.put(at, &value(inside, 23.0));
        let because = |rig: &Rig| rig.core.explain(GroupId(0)).verdict.because;
        let heat = |rig: &Rig| matches!(because(rig), Because::Heat { .. });
        rig.put(acts, &tick());
        assert!(!heat(&rig), "{:?}", because(&rig));
        rig.put(&format!("{acts}.001"), &tick());
        assert!(heat(&rig), "{:?}", because(&rig));
    }
}

/// The delay counts from when the room first was too warm; from too cool it counts anew.
#[test]
fn heat_has_to_ask_for_the_same_for_the_whole_delay() {
    for (then, acts) in [
        (23.5, [("10:14:59.999", ""), ("10:15:00", "blind: sun 100")]),
        (20.0, [("10:15:00", ""), ("10:18:00", "blind: sun 10")]),
    ] {
        let (mut house, light, inside, _) = heated();
        house.model.groups[0].sun.as_mut().unwrap().on_delay_ms = 5 * MINUTE;
        let mut rig = Rig::calm(house);
        rig.put("00:01:00", &value(inside, 22.0));
        rig.check(&[
            ("10:00:00", value(light, 160.0), ""),
            ("10:10:00", value(inside, 23.0), ""),
            ("10:13:00", value(inside, then), ""),
        ]);
        rig.check(&acts.map(|(time, said)| (time, tick(), said)));
    }
}

/// Heat moves nothing once the day has no way back left.
#[test]
fn heat_keeps_within_the_days_travels() {
    let (mut house, light, inside, _) = heated();
    house.model.groups[0].sun.as_mut().unwrap().cap.travels = 3;
    let mut rig = Rig::calm(house);
    rig.put("00:01:00", &value(inside, 22.0));
    rig.check(&[
        ("10:00:00", value(light, 160.0), ""),
        ("10:10:00", value(inside, 23.0), "blind: sun 100"),
        ("10:20:00", value(inside, 22.0), "blind: timetable 30"),
        ("10:30:00", value(inside, 23.0), ""),
    ]);
}

/// Slats that were opened once and are closed again say what they are told, no more.
#[test]
fn a_fixed_tilt_is_never_said_to_be_horizontal() {
    let (mut house, group, light) = lit(Kind::SlatBlind, SLATS);
    quick(&mut house, group, 20, 100);
    let mut rig = Rig::calm(house);
    let mut said = Vec::new();
    for (time, wm2) in [("11:00:00", 700.0), ("11:05:00", 50.0), ("11:06:00", 700.0)] {
        rig.put(time, &value(light, wm2));
        rig.put(&format!("{time}.001"), &tick());
        let because = rig.core.explain(group).verdict.because;
        said.push(leeside_core::say::because(rig.core.model(), &because));
    }
    assert_eq!(said[0], said[2]);
}

/// Restored, it tells the same of its light, and goes on with each facade: those that
/// are looked at together wait each for its own moment.
#[test]
fn what_a_snapshot_keeps_of_the_light_is_all_of_it() {
    let (mut house, group, light) = lit(Kind::SlatBlind, SunAim::TrackSlats);
    let mut other = house.model.facades[0].clone();
    other.name = "south west".to_owned();
    other.plane = Plane::new(215.0, 90.0).unwrap();
    other.light.clear();
    house.model.facades.push(other);
    let west = house.single("west", Kind::Screen);
    house.of(west).facade = FacadeId(1);
    house.of(west).sun = Some(sun_rule(SunAim::Fixed(Pose::extension(80))));
    let special = SpecialDay {
        name: "cleaning".to_owned(),
        groups: vec![west],
        from: Rig::cold(lit(Kind::Screen, SLATS).0).now("10:30:00").wall,
        to: Rig::cold(lit(Kind::Screen, SLATS).0).now("18:00:00").wall,
        pose: Pose::extension(20),
        sun: true,
    };
    house.model.specials.push(special);
    let mut rig = Rig::calm(house);
    for (time, wm2) in [
        ("10:00:20", 700.0),
        ("10:30:20", 500.0),
        ("11:05:20", 650.0),
    ] {
        rig.put(time, &value(light, wm2));
        rig.put(&format!("{time}.001"), &tick());
    }
    let told =
        |core: &Core| [group, west].map(|g| format!("{:?}{:?}", core.explain(g), core.ranks(g)));
    let kept = rig.core.snapshot();
    let mut again = Core::restore(rig.core.model().clone(), &kept).unwrap();
    assert_eq!(told(&rig.core), told(&again));
    let text = |core: &Core| serde_json::to_string(&core.snapshot()).unwrap();
    assert_eq!(text(&rig.core), text(&again));
    for minute in 6..600 {
        let now = rig.now(&format!("{:02}:{:02}:30", 11 + minute / 60, minute % 60));
        for core in [&mut rig.core, &mut again] {
            core.handle(now, leeside_core::input::Input::Tick);
        }
        assert_eq!(drain(&mut rig.core), drain(&mut again), "minute {minute}");
        assert_eq!(told(&rig.core), told(&again), "minute {minute}");
    }
}

/// A snapshot of the very moment in which the clock was set keeps that every facade has
/// to be looked at now.
#[test]
fn a_snapshot_within_a_step_of_the_clock_keeps_it_for_every_facade() {
    let (mut house, ..) = lit(Kind::Screen, SunAim::Fixed(Pose::extension(80)));
    house.model.facades[0].light.clear();
    let mut other = house.model.facades[0].clone();
    other.name = "south west".to_owned();
    other.plane = Plane::new(215.0, 90.0).unwrap();
    house.model.facades.push(other);
    let west = house.single("west", Kind::Screen);
    house.of(west).facade = FacadeId(1);
    house.of(west).sun = Some(sun_rule(SunAim::Fixed(Pose::extension(80))));
    let mut rig = Rig::calm(house);
    rig.put("10:30:10", &tick());
    let now = leeside_core::time::Now {
        wall: rig.now("12:30:20").wall,
        steady: rig.now("10:30:20").steady,
    };
    let jump = leeside_core::input::Input::Restart(leeside_core::input::RestartCause::ClockJump);
    rig.core.handle(now, jump);
    drain(&mut rig.core);
    let mut again = Core::restore(rig.core.model().clone(), &rig.core.snapshot()).unwrap();
    let told = |core: &mut Core| {
        core.handle(now.plus(1), leeside_core::input::Input::Tick);
        drain(core);
        format!("{:?}", core.ranks(west))
    };
    assert_eq!(told(&mut rig.core), told(&mut again));
}

/// A day that comes once more, because the clock was set back, has its own moves.
#[test]
fn a_day_that_comes_once_more_has_its_own_moves() {
    let (mut house, group, light) = lit(Kind::Screen, SunAim::Fixed(Pose::EXTENDED));
    quick(&mut house, group, 2, 0);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("1d 11:00:00", value(light, 700.0), "blind: sun 100"),
        ("1d 11:10:00", value(light, 50.0), "blind: timetable 0"),
        ("1d 11:20:00", value(light, 700.0), ""),
    ]);
    let now = leeside_core::time::Now {
        wall: rig.now("11:30:00").wall,
        steady: rig.now("1d 11:30:00").steady,
    };
    let jump = leeside_core::input::Input::Restart(leeside_core::input::RestartCause::ClockJump);
    rig.core.handle(now, jump);
    rig.core
        .handle(now.plus(1), leeside_core::input::Input::Tick);
    assert_eq!(rig.core.explain(group).verdict.decided_by, Word::Sun);
}

/// What lost to the sun is what speaks below it now, not what did the last time.
#[test]
fn what_the_sun_outranks_is_told_as_it_is_now() {
    let (mut house, group, light) = lit(Kind::Screen, SunAim::Fixed(Pose::EXTENDED));
    quick(&mut house, group, 20, 0);
    house.model.timetables.clear();
    house.timetable(&[(0, Pose::RETRACTED, true), (12 * 60, Pose::RETRACTED, true)]);
    let mut rig = Rig::calm(house);
    let mut lost = Vec::new();
    for (time, wm2) in [("11:00:00", 700.0), ("12:30:00", 50.0), ("13:00:00", 700.0)] {
        rig.put(time, &value(light, wm2));
        for output in rig.put(&format!("{time}.001"), &tick()) {
            if let Output::Command(command) = output
                && command.decided_by == Word::Sun
            {
                lost.push(command.lost[0].because.clone());
            }
        }
    }
    let phase = |because: &Because| matches!(because, Because::Phase { phase: 1, .. });
    assert_eq!(lost.iter().map(phase).collect::<Vec<_>>(), [false, true]);
}

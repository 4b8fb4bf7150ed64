//! Dusk and dawn by brightness: whose word counts, when, and what is left of it after
//! a step of the clock, a night, or another site file.

use crate::support::*;
use crate::timetable::{at, date, dusk, phase, shutter, times};
use leeside_core::ids::{SensorId, TimetableId};
use leeside_core::input::{Input, Reading, RestartCause, Sample};
use leeside_core::model::{Anchor, SensorKind, Twilight};
use leeside_core::time::{HOUR, Now, SECOND};
use leeside_solar::{Almanac, Crossing};
use std::sync::Arc;

/// A shutter that extends at dusk, between about 19:08 (3°) and 20:22 UTC (-6°) on
/// 15 June 2026 at 50° N, 8° E, from 50 lx down.
fn at_dusk() -> (House, SensorId) {
    let (mut house, _) = shutter(vec![]);
    let lux = dusk(&mut house, true);
    (house, lux)
}

/// One input by a wall clock that was set by so much, and what it decides.
fn put(rig: &mut Rig, by_ms: i64, time: &str, input: &In) -> String {
    let now = rig.now(time);
    let now = Now {
        steady: now.steady.plus(-by_ms),
        ..now
    };
    let input = match input {
        In::Read(sensor, sample) => Input::Reading(Reading {
            sensor: *sensor,
            at: now.wall,
            sample: *sample,
        }),
        In::Put(input) => input.clone(),
        In::ReadAt(..) => unreachable!("not in these tables"),
    };
    rig.core.handle(now, input);
    let mut out = drain(&mut rig.core);
    rig.core.handle(now.plus(1), Input::Tick);
    out.extend(drain(&mut rig.core));
    rig.words(time, &out)
}

const fn jump() -> In {
    In::Put(Input::Restart(RestartCause::ClockJump))
}

const fn trusted() -> In {
    In::Put(Input::Clock { trusted: true })
}

/// A sensor that has said so before the window opened has to say it within.
#[test]
fn dusk_comes_when_the_sensor_says_once_more_what_it_said_before() {
    let (house, lux) = at_dusk();
    Rig::calm(house).check(&[
        ("18:50:00", value(lux, 10.0), ""),
        ("19:30:00", value(lux, 10.0), "shutter: timetable 100"),
    ]);
}

/// The window of dusk is open from its first moment on, and not before.
#[test]
fn dusk_may_come_in_the_very_moment_in_which_its_window_opens() {
    let start = Rig::cold(at_dusk().0).start;
    let mut almanac = Almanac::new(at_dusk().0.model.site.location);
    let opens = almanac
        .crossings(3.0, start.0, start.0 + 24 * HOUR)
        .into_iter()
        .find(|(_, way)| *way == Crossing::Falling)
        .unwrap()
        .0;
    for (at, comes) in [(opens - 1, false), (opens, true)] {
        let (house, lux) = at_dusk();
        let mut rig = Rig::calm(house);
        let reading = Input::Reading(Reading {
            sensor: lux,
            at: Now::both(at).wall,
            sample: Sample::Value(10.0),
        });
        rig.core.handle(Now::both(at), reading);
        let phase = rig.core.phase_of(TimetableId(0)).unwrap();
        assert_eq!(phase.2 == 1, comes, "{} ms", at - opens);
    }
}

/// A sensor that is not believed does not bring dusk.
#[test]
fn dusk_is_not_brought_by_a_sensor_that_still_recovers() {
    let (mut house, lux) = at_dusk();
    house.model.sensors[lux.index()].validity = WATCHED;
    Rig::calm(house).check(&[
        ("19:29:00", tick(), "00:10:00 !sensor_fault/lux"),
        ("19:30:00", value(lux, 10.0), ""),
        (
            "19:31:00",
            value(lux, 10.0),
            ".sensor_fault/lux; shutter: timetable 100",
        ),
    ]);
}

/// Each phase has its own sensor.
#[test]
fn dusk_of_one_sensor_is_not_that_of_another() {
    let (mut house, lux) = at_dusk();
    let west = house.sensor("west lux", SensorKind::HorizontalIlluminance);
    let phases = &mut house.model.timetables[0].plans[0].phases;
    let Anchor::Twilight(rule) = phases[1].start else {
        unreachable!("made by twilight")
    };
    let later = Twilight {
        sensor: west,
        ..rule
    };
    phases.push(phase(Anchor::Twilight(later), 40));
    Rig::calm(house).check(&[
        ("19:30:00", value(lux, 10.0), "shutter: timetable 100"),
        ("19:40:00", value(west, 10.0), "shutter: timetable 40"),
    ]);
}

/// A phase that is to follow dusk follows it also on a day on which light brings dusk
/// before it, and goes on over midnight, though by the sun alone dusk would be the last.
#[test]
fn what_follows_a_dusk_that_came_early_follows_it_and_lasts_over_midnight() {
    let (mut house, lux) = at_dusk();
    let phases = &mut house.model.timetables[0].plans[0].phases;
    phases[0] = phase(Anchor::Time(6 * 60), 0);
    phases.push(phase(Anchor::Time(20 * 60), 30));
    let mut rig = Rig::calm(house);
    rig.put("06:00:01", &tick());
    rig.check(&[
        ("19:40:00", value(lux, 10.0), "shutter: timetable 100"),
        ("20:00:00", tick(), "shutter: timetable 30"),
        ("20:30:00", tick(), ""),
        ("1d 00:00:00", tick(), ""),
        ("1d 06:00:00", tick(), "shutter: timetable 0"),
    ]);
}

/// A clock set back to before dusk: dusk comes once more, by light and not by itself
/// at the minute at which it came first.
#[test]
fn after_a_step_back_of_the_clock_dusk_comes_anew() {
    for by_light in [true, false] {
        let (house, lux) = at_dusk();
        let mut rig = Rig::calm(house);
        rig.check(&[("19:40:00", value(lux, 40.0), "shutter: timetable 100")]);
        let mut put = |time, input| put(&mut rig, -2 * HOUR, time, &input);
        assert_eq!(put("17:50:00", jump()), "shutter: timetable 0");
        assert_eq!(put("18:00:00", value(lux, 900.0)), "");
        if by_light {
            assert_eq!(put("19:20:00", value(lux, 40.0)), "shutter: timetable 100");
        } else {
            assert_eq!(put("20:00:00", value(lux, 900.0)), "");
        }
    }
}

/// Put right by a little, which is no step, dusk that has come has come.
#[test]
fn dusk_does_not_come_twice_where_the_clock_is_put_right_by_a_little() {
    let (house, lux) = at_dusk();
    let mut rig = Rig::calm(house);
    rig.put("19:40:00", &value(lux, 40.0));
    rig.put("19:40:00.500", &tick());
    let since = rig.now("19:40:00").wall;
    put(&mut rig, -SECOND, "19:39:59.900", &value(lux, 30.0));
    put(&mut rig, -SECOND, "19:41:00", &value(lux, 20.0));
    assert_eq!(rig.core.phase_of(TimetableId(0)), Some((Some(since), 0, 1)));
}

/// That a clock is trusted as it was before is no news.
#[test]
fn dusk_stays_where_the_clock_is_trusted_as_before() {
    let (house, lux) = at_dusk();
    Rig::calm(house).check(&[
        ("19:40:00", value(lux, 40.0), "shutter: timetable 100"),
        ("19:45:00", value(lux, 900.0), ""),
        ("19:50:00", trusted(), ""),
    ]);
}

/// Dusk that has come has come for a core that goes on from what was kept, too.
#[test]
fn dusk_that_has_come_is_kept() {
    let (house, lux) = at_dusk();
    let mut rig = Rig::calm(house);
    rig.check(&[("19:40:00", value(lux, 40.0), "shutter: timetable 100")]);
    let kept = rig.core.snapshot();
    rig.core = leeside_core::Core::restore(rig.core.model().clone(), &kept).unwrap();
    rig.check(&[
        ("19:45:00", value(lux, 900.0), ""),
        (
            "19:50:00",
            In::Put(Input::Connected),
            "shutter: again timetable 100",
        ),
    ]);
}

/// Another site file with the same timetable: dusk has come, whatever light there is
/// now; and it comes in time where it has not.
#[test]
fn dusk_that_has_come_outlasts_a_site_file_loaded_anew() {
    for (light, more, said) in [
        (40.0, false, ""),
        (40.0, true, ""),
        (900.0, false, "shutter: timetable 100"),
    ] {
        let (house, lux) = at_dusk();
        let mut rig = Rig::calm(house);
        rig.put("19:40:00", &value(lux, light));
        rig.put("19:45:00", &value(lux, 900.0));
        rig.put("19:46:00", &tick());
        let mut model = (**rig.core.model()).clone();
        if more {
            // Another timetable before it, so that its number is another one.
            let mut other = model.timetables[0].clone();
            other.name = "other".to_owned();
            model.timetables.insert(0, other);
            model.groups[0].timetable = TimetableId(1);
        }
        rig.core = rig.core.reload(Arc::new(model));
        rig.check(&[
            ("19:50:00", tick(), ""),
            ("19:55:00", value(lux, 40.0), said),
        ]);
    }
}

/// A timetable that was changed is followed as it is now.
#[test]
fn dusk_of_a_changed_timetable_has_to_come_by_its_own_rule() {
    let (house, lux) = at_dusk();
    let mut rig = Rig::calm(house);
    rig.check(&[("19:40:00", value(lux, 40.0), "shutter: timetable 100")]);
    let mut model = (**rig.core.model()).clone();
    let phases = &mut model.timetables[0].plans[0].phases;
    if let Anchor::Twilight(rule) = &mut phases[1].start {
        rule.value = 20.0;
    }
    rig.core = rig.core.reload(Arc::new(model));
    rig.check(&[
        (
            "19:50:00",
            value(lux, 40.0),
            "19:40:00.001 shutter: timetable 0+0.5s",
        ),
        ("19:55:00", value(lux, 20.0), "shutter: timetable 100"),
    ]);
}

/// A timetable without any twilight in it goes on over midnight as before, and so does
/// one of which some phases are by twilight.
#[test]
fn a_phase_by_time_lasts_over_midnight_beside_one_by_twilight() {
    let (mut house, lux) = at_dusk();
    let phases = &mut house.model.timetables[0].plans[0].phases;
    phases.extend(times(&[at(6 * 60, 20), at(22 * 60, 70)]));
    phases.remove(0);
    let mut rig = Rig::at(house, date(2026, 6, 15));
    rig.put("19:30:00", &value(lux, 900.0));
    rig.put("21:59:59", &tick());
    rig.check(&[
        ("22:00:00", tick(), "shutter: timetable 70"),
        ("1d 00:00:00", tick(), ""),
        ("1d 05:59:59", tick(), ""),
        ("1d 06:00:00", tick(), "shutter: timetable 20"),
    ]);
}

//! Restarts, suspends and clock steps: nothing heard before counts as fresh,
//! nothing extends on unknown weather, nothing missed is made up for.

use crate::support::*;
use leeside_core::Core;
use leeside_core::ids::{GroupId, SensorId};
use leeside_core::input::{Input, Reading, RestartCause};
use leeside_core::model::{ContactKind, Kind, SensorKind};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Now, Steady, Wall};

/// An awning: retracted at night, extended from eight; wind and rain sensors.
fn awning() -> (House, GroupId, SensorId, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    house.model.timetables.clear();
    house.timetable(&[(0, Pose::RETRACTED, true), (8 * 60, Pose::EXTENDED, true)]);
    house.model.policy.known_for_ms = 2 * MINUTE;
    let mast = house.sensor_with("mast", SensorKind::Wind, WATCHED);
    let rain = house.sensor_with("rain", SensorKind::Rain, WATCHED);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.of(group).rain = Some(rain_rule(&[rain]));
    house.product_of(group).refuge.rain = Some(Pose::RETRACTED);
    (house, group, mast, rain)
}

#[test]
fn no_wish_moves_anything_until_all_its_weather_has_been_known_for_long_enough() {
    let (house, group, mast, rain) = awning();
    Rig::cold(house).check(&[
        ("08:00:00", restart(), ""),
        ("08:00:01", gust(mast, 1.0), ""),
        ("08:00:10", room(group, 100), "refused by panel: wind"),
        ("08:03:00", value(rain, 0.0), ""),
        ("08:04:59.999", tick(), ""),
        ("08:05:00", tick(), "awning: timetable 100"),
    ]);
}

#[test]
fn weather_moves_to_refuge_before_all_of_it_is_known() {
    let (house, _, mast, rain) = awning();
    Rig::cold(house).check(&[
        ("08:00:00", restart(), ""),
        ("08:00:01", gust(mast, 12.0), "awning +wind; awning: wind 0"),
        ("08:05:00", gust(mast, 1.0), "awning ~wind"),
        // The rain sensor is never heard: unknown is not dry.
        ("08:10:00", tick(), "!sensor_fault/rain; awning +rain"),
        ("08:15:00", gust(mast, 1.0), ""),
        ("08:20:00", value(rain, 0.0), ""),
        (
            "08:21:00",
            value(rain, 0.0),
            ".sensor_fault/rain; awning ~rain",
        ),
        ("08:24:00", gust(mast, 1.0), ""),
        ("08:25:00", tick(), "awning -wind; awning: again rain 0"),
        ("08:30:00", gust(mast, 1.0), ""),
        ("08:30:00", value(rain, 0.0), ""),
        ("08:36:00", tick(), "awning -rain; awning: timetable 100"),
    ]);
}

#[test]
fn a_restart_loses_no_lockout_and_calm_has_to_be_shown_anew() {
    let (mut house, _, mast, rain) = awning();
    house.model.sensors[0].validity = TRUSTING;
    house.model.sensors[1].validity = TRUSTING;
    Rig::calm(house).check(&[
        ("09:00:00", gust(mast, 12.0), "00:02:00 awning: timetable 0; 08:00:00 awning: timetable 100; awning +wind; awning: wind 0"),
        ("09:01:00", gust(mast, 1.0), "awning ~wind"),
        // One minute before the hold would end. What it was told is told again.
        ("09:20:00", restart(), "awning: wind 0"),
        ("09:21:00", tick(), ""),
        ("09:30:00", value(rain, 0.0), ""),
        ("09:40:00", gust(mast, 1.0), ""),
        ("09:59:59.999", tick(), ""),
        ("10:00:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

#[test]
fn a_lockout_kept_over_a_restart_extends_nothing_before_its_sensor_speaks() {
    let mut house = House::new(Pose::extension(40));
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.product_of(group).refuge.wind = Pose::EXTENDED;
    let mut rig = Rig::calm(house);
    rig.check(&[(
        "10:00:00",
        gust(mast, 12.0),
        "shutter +wind; shutter: wind 100",
    )]);
    // Ten seconds into its travel the program dies; it comes back an hour later.
    let kept = rig.core.snapshot();
    let mut rig = Rig {
        core: Core::restore(rig.core.model().clone(), &kept).unwrap(),
        start: rig.start,
    };
    rig.check(&[
        // Its travel has ended meanwhile, if it was told in time; nobody knows.
        ("11:00:00", restart(), "!not_in_refuge/shutter"),
        ("11:00:00", In::Put(Input::Connected), ""),
        (
            "11:00:05",
            gust(mast, 12.0),
            ".not_in_refuge/shutter; shutter: wind 100",
        ),
    ]);
}

#[test]
fn what_fell_due_while_nobody_was_there_is_not_made_up_for() {
    let (mut house, _, mast, rain) = awning();
    house.model.sensors[0].validity = TRUSTING;
    house.model.sensors[1].validity = TRUSTING;
    let mut rig = Rig::calm(house);
    rig.check(&[("07:59:59", gust(mast, 1.0), "00:02:00 awning: timetable 0")]);
    let kept = rig.core.snapshot();
    let mut rig = Rig {
        core: Core::restore(rig.core.model().clone(), &kept).unwrap(),
        start: rig.start,
    };
    // The phase that extends began while the program was down: nothing may move for it now.
    rig.check(&[
        ("08:00:10", restart(), ""),
        ("08:00:20", gust(mast, 1.0), ""),
        ("08:00:30", value(rain, 0.0), ""),
        ("08:02:30", tick(), "awning: timetable 100"),
    ]);
}

#[test]
fn an_extension_under_way_is_halted_when_the_core_comes_back_not_knowing_the_weather() {
    let (mut house, _, mast, rain) = awning();
    for sensor in &mut house.model.sensors {
        sensor.validity = TRUSTING;
    }
    Rig::calm(house).check(&[
        (
            "08:00:00",
            gust(mast, 1.0),
            "00:02:00 awning: timetable 0; awning: timetable 100",
        ),
        (
            "08:00:20",
            In::Put(Input::Restart(RestartCause::ClockJump)),
            "awning: wind halt",
        ),
        ("08:01:00", gust(mast, 1.0), ""),
        ("08:01:00", value(rain, 0.0), ""),
        ("08:03:00.001", tick(), "awning: timetable 100"),
    ]);
}

#[test]
fn hand_outlives_a_restart_and_ends_by_the_clock_on_the_wall() {
    let (mut house, group, mast, rain) = awning();
    for sensor in &mut house.model.sensors {
        sensor.validity = TRUSTING;
    }
    house.model.policy.known_for_ms = 0;
    Rig::calm(house).check(&[
        (
            "10:00:00",
            room(group, 50),
            "08:00:00 awning: timetable 100; awning: hand 50",
        ),
        ("11:00:00", restart(), ""),
        ("11:00:01", gust(mast, 1.0), ""),
        ("11:00:02", value(rain, 0.0), "awning: hand 50"),
        ("12:00:00", tick(), "awning: timetable 100"),
    ]);
}

#[test]
fn a_step_of_the_wall_clock_neither_shortens_nor_prolongs_a_lockout() {
    for step in [-26 * HOUR, -HOUR, HOUR, 400 * 24 * HOUR] {
        let mut house = House::new(Pose::EXTENDED);
        let mast = house.sensor("mast", SensorKind::Wind);
        let group = house.single("awning", Kind::Awning);
        house.of(group).wind = Some(wind_rule(&[mast]));
        let mut rig = Rig::calm(house);
        rig.check(&[("10:00:00", gust(mast, 12.0), "awning +wind; awning: wind 0")]);
        // The shell tells of the step; the steady count goes on.
        let base = rig.now("10:00:30");
        let at = |ms: i64| Now {
            wall: Wall(base.wall.0 + step + ms),
            steady: Steady(base.steady.0 + ms),
        };
        let calm = |ms| {
            Input::Reading(Reading {
                sensor: mast,
                at: at(ms).wall,
                sample: wind(Some(1.0), None, None),
            })
        };
        rig.core
            .handle(at(0), Input::Restart(RestartCause::ClockJump));
        rig.core.handle(at(1000), calm(1000));
        let hold = 20 * MINUTE;
        rig.core.handle(at(1000 + hold), Input::Tick);
        assert_eq!(rig.core.lockouts(group).len(), 1, "step {step}");
        rig.core.handle(at(1000 + hold + 1), Input::Tick);
        assert_eq!(rig.core.lockouts(group).len(), 0, "step {step}");
    }
}

#[test]
fn an_untrusted_clock_makes_sun_and_timetable_hold_while_guards_and_hand_go_on() {
    let (mut house, group, mast, _) = awning();
    for sensor in &mut house.model.sensors {
        sensor.validity = TRUSTING;
    }
    let clock = |trusted| In::Put(Input::Clock { trusted });
    Rig::calm(house).check(&[
        (
            "07:00:00",
            clock(false),
            "00:02:00 awning: timetable 0; !clock_untrusted",
        ),
        // It holds the pose; it does not fall to rest.
        ("08:00:00", tick(), ""),
        ("08:30:00", room(group, 60), "awning: hand 60"),
        ("09:00:00", gust(mast, 12.0), "awning +wind; awning: wind 0"),
        ("09:01:00", gust(mast, 1.0), "awning ~wind"),
        ("09:21:00", tick(), "awning -wind; awning: hand 60"),
        ("10:30:00", tick(), ""),
        (
            "11:00:00",
            clock(true),
            ".clock_untrusted; awning: timetable 100",
        ),
    ]);
}

#[test]
fn a_site_file_loaded_anew_keeps_lockouts_and_moves_nothing_that_need_not() {
    let (mut house, group, mast, _) = awning();
    for sensor in &mut house.model.sensors {
        sensor.validity = TRUSTING;
    }
    let mut rig = Rig::calm(house);
    rig.check(&[("09:00:00", gust(mast, 12.0), "00:02:00 awning: timetable 0; 08:00:00 awning: timetable 100; awning +wind; awning: wind 0")]);
    let mut model = (**rig.core.model()).clone();
    // A new sensor comes first in the file, so that every index moves.
    let fresh = {
        let mut house = House::new(Pose::RETRACTED);
        house.sensor("new", SensorKind::Rain);
        house.contact("new door", ContactKind::Door);
        house.model
    };
    model.sensors.insert(0, fresh.sensors[0].clone());
    model.contacts.insert(0, fresh.contacts[0].clone());
    let rules = &mut model.groups[group.index()];
    rules.wind.as_mut().unwrap().links[0].sensor = SensorId(1);
    rules.rain.as_mut().unwrap().sensors = vec![SensorId(2)];
    let core = rig.core.reload(std::sync::Arc::new(model));
    let mut rig = Rig {
        core,
        start: rig.start,
    };
    rig.check(&[
        ("09:00:00.001", tick(), "awning ~wind"),
        ("09:05:00", gust(SensorId(1), 1.0), "awning ~wind"),
        ("09:25:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

/// The numbers of the commands among these.
fn numbers(out: &[Output]) -> Vec<u64> {
    let mut numbers = Vec::new();
    for output in out {
        if let Output::Command(command) = output {
            numbers.push(command.sequence);
        }
    }
    numbers
}

#[test]
fn numbers_after_a_sudden_end_were_never_used_before_it() {
    let (mut house, group, ..) = awning();
    house.model.sensors[0].validity = TRUSTING;
    house.model.sensors[1].validity = TRUSTING;
    let model = house.model.clone();
    let mut rig = Rig::calm(house);
    let kept = rig.core.snapshot();
    // What goes out after the state was kept leaves no trace when the power fails.
    let mut lost = numbers(&rig.put("08:05:00", &tick()));
    for (time, to) in [("08:10:00", 20), ("08:20:00", 40), ("08:30:00", 60)] {
        rig.put(time, &room(group, to));
        lost.extend(numbers(&rig.put(time, &tick())));
        lost.extend(numbers(&rig.put(&format!("{time}.001"), &tick())));
    }
    assert_eq!(lost.len(), 5, "{lost:?}");
    let mut rig = Rig {
        core: Core::restore(rig.core.model().clone(), &kept).unwrap(),
        start: rig.start,
    };
    rig.put("09:00:00", &restart());
    rig.put("09:00:01", &gust(SensorId(0), 12.0));
    let after = numbers(&rig.put("09:00:02", &tick()));
    assert!(after[0] > lost[lost.len() - 1], "{after:?} {lost:?}");
    // Nothing kept at all: the clock tells that other numbers came before.
    let mut rig = Rig::cold(House { model });
    rig.put("10:00:00", &restart());
    rig.put("10:00:01", &gust(SensorId(0), 12.0));
    let cold = numbers(&rig.put("10:00:02", &tick()));
    assert!(cold[0] > after[after.len() - 1], "{cold:?} {after:?}");
    // A clock that says 1970 still leaves a span.
    let model = rig.core.model().clone();
    let mut core = Core::new(model, Now::both(0));
    core.handle(Now::both(0), Input::Restart(RestartCause::Started));
    let gust = Input::Reading(Reading {
        sensor: SensorId(0),
        at: Wall(1_000),
        sample: wind(Some(12.0), None, None),
    });
    core.handle(Now::both(1_000), gust);
    core.handle(Now::both(2_000), Input::Tick);
    assert_eq!(numbers(&drain(&mut core)), [1_001]);
}

#[test]
fn after_a_restart_calm_counts_once_every_mast_has_spoken() {
    let mut house = House::new(Pose::EXTENDED);
    let (north, south) = (
        house.sensor("north", SensorKind::Wind),
        house.sensor("south", SensorKind::Wind),
    );
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[north, south]));
    Rig::calm(house).check(&[
        (
            "10:00:00",
            gust(north, 12.0),
            "awning +wind; awning: wind 0",
        ),
        ("10:05:00", restart(), "awning: wind 0"),
        ("10:06:00", gust(north, 1.0), ""),
        // An hour of calm from one of two: the other may stand in the storm.
        ("11:06:00", gust(south, 1.0), "awning ~wind"),
        ("11:25:59.999", tick(), ""),
        ("11:26:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

/// A battery runs empty: the clock says 1970. Lockouts go on by the steady count,
/// what claims to be of this year is from the future, and comfort holds its pose.
#[test]
fn a_clock_that_says_1970_releases_nothing_early_and_believes_no_future() {
    let (mut house, group, mast, _) = awning();
    house.of(group).rain = None;
    house.model.sensors[0].validity = TRUSTING;
    let mut rig = Rig::calm(house);
    rig.put("08:10:00", &gust(mast, 12.0));
    rig.put("08:10:00.001", &tick());
    let at = |time: &str| Now {
        wall: Wall(ms(time) - ms("08:11:00")),
        steady: rig.now(time).steady,
    };
    let times: Vec<Now> = [
        "08:11:00",
        "08:12:00",
        "08:20:00",
        "08:29:00",
        "08:31:59",
        "08:32:00.001",
    ]
    .map(at)
    .to_vec();
    let true_time = rig.now("08:20:00").wall;
    let read = |core: &mut Core, now: Now, at: Wall, mps: f64| {
        let sample = wind(Some(mps), None, None);
        core.handle(
            now,
            Input::Reading(Reading {
                sensor: mast,
                at,
                sample,
            }),
        );
        drain(core)
    };
    let core = &mut rig.core;
    core.handle(times[0], Input::Restart(RestartCause::ClockJump));
    core.handle(times[0], Input::Clock { trusted: false });
    drain(core);
    // Stamped as it arrives: believed. Of this year: 56 years ahead.
    read(core, times[1], times[1].wall, 1.0);
    read(core, times[2], true_time, 1.0);
    assert_eq!(core.sensor(mast).state.disbelieved.future, 1);
    read(core, times[2], times[2].wall, 1.0);
    read(core, times[3], times[3].wall, 1.0);
    core.handle(times[4], Input::Tick);
    assert_eq!(
        core.lockouts(group).len(),
        1,
        "20 minutes of calm are not over"
    );
    core.handle(times[5], Input::Tick);
    assert_eq!(core.lockouts(group), []);
    for output in drain(core) {
        assert!(
            !matches!(&output, Output::Command(command) if !command.decided_by.is_guard()),
            "comfort waits for a clock: {output:?}"
        );
    }
}

/// A damaged snapshot that still reads as one: what it wants to be woken for is of
/// no site. Taking it at its word would take 64 GB for one moment.
#[test]
fn a_snapshot_that_waits_for_what_the_site_does_not_have_is_refused() {
    let core = Rig::calm(awning().0).core;
    let kept = serde_json::to_value(core.snapshot()).unwrap();
    for what in [
        "sensor_silent",
        "contact",
        "facade",
        "phase",
        "drive",
        "hand",
    ] {
        let mut kept = kept.clone();
        let timers = kept["inner"]["timers"].as_array_mut().unwrap();
        timers.push(serde_json::json!([{ what: 4_294_967_295_u32 }, 5_000]));
        let kept = serde_json::from_value(kept).unwrap();
        let refused = Core::restore(core.model().clone(), &kept).map(|_| ());
        let said = refused.unwrap_err().to_string();
        assert!(said.contains("4294967295, of"), "{said}");
    }
}

/// A flat battery: the clock stands in 1970, while the program runs or from its start
/// on. What was asked for an hour holds an hour.
#[test]
fn a_clock_that_falls_back_to_1970_prolongs_no_hold_by_hand() {
    for cause in [RestartCause::ClockJump, RestartCause::Started] {
        let mut house = House::new(Pose::RETRACTED);
        let group = house.single("shutter", Kind::RollerShutter);
        let mut rig = Rig::calm(house);
        let ask = leeside_core::input::Ask::Pose {
            group,
            extension_pct: Some(70),
            tilt_deg: None,
            until: leeside_core::input::Until::For(HOUR),
        };
        let asked = asks("panel", leeside_core::input::Origin::Centre, ask);
        rig.put("10:00:00", &asked);
        rig.put("10:00:01", &tick());
        let steady = rig.now("10:10:00").steady;
        let first = |ms: i64| Now {
            wall: Wall(ms),
            steady: steady.plus(ms),
        };
        if cause == RestartCause::Started {
            let kept = rig.core.snapshot();
            rig.core = Core::restore(rig.core.model().clone(), &kept).unwrap();
        }
        rig.core.handle(first(0), Input::Restart(cause));
        drain(&mut rig.core);
        rig.core.handle(first(49 * MINUTE), Input::Tick);
        drain(&mut rig.core);
        let decides = |rig: &Rig| rig.core.explain(group).verdict.decided_by.as_str();
        assert_eq!(decides(&rig), "hand", "{cause:?}");
        rig.core.handle(first(50 * MINUTE + 1), Input::Tick);
        drain(&mut rig.core);
        assert_ne!(decides(&rig), "hand", "{cause:?}");
    }
}

/// Each start that goes on from what was kept leaves a span of numbers, so that after a
/// few of them they run ahead of the clock. Lost then, the clock alone would give numbers
/// that were used.
#[test]
fn numbers_after_a_lost_state_are_above_those_of_many_starts_before_it() {
    let (house, ..) = awning();
    let model = std::sync::Arc::new(house.model.clone());
    let gust_at = |core: &mut Core, now: Now| {
        let (sensor, at) = (SensorId(0), now.wall);
        let sample = wind(Some(12.0), None, None);
        core.handle(now, Input::Reading(Reading { sensor, at, sample }));
        core.handle(now.plus(1), Input::Tick);
        numbers(&drain(core))
    };
    let mut rig = Rig::cold(house);
    rig.put("10:00:00", &restart());
    for second in 1..50 {
        let kept = rig.core.snapshot();
        rig.core = Core::restore(model.clone(), &kept).unwrap();
        rig.put(&format!("10:00:{second:02}"), &restart());
    }
    let at = rig.now("10:00:50");
    let used = gust_at(&mut rig.core, at);
    let now = rig.now("10:01:00");
    let mut core = Core::new(model, now);
    core.handle(now, Input::Restart(RestartCause::StateLost));
    let mut fresh = numbers(&drain(&mut core));
    fresh.extend(gust_at(&mut core, now.plus(1_000)));
    assert!(
        !used.is_empty() && fresh[0] > used[used.len() - 1],
        "{fresh:?} {used:?}"
    );
}

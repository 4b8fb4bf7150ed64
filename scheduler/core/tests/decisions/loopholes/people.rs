//! Switches, hands, service, quiet hours and clocks: what was asked is done, no more,
//! and ends.

use crate::support::*;
use leeside_core::ids::{ContactId, GroupId};
use leeside_core::input::{Ask, Input, Origin, RestartCause, Until};
use leeside_core::model::{ContactKind, Kind, QuietHours, SunAim, SwitchRule};
use leeside_core::output::Course;
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::time::{HOUR, MINUTE, Now, Wall};

/// One switch of a shutter, which extends it; a long press from 800 ms on.
fn switched() -> (House, GroupId, ContactId) {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("shutter", Kind::RollerShutter);
    let down = house.contact("down", ContactKind::Switch);
    house.model.contacts[down.index()].switch = Some(SwitchRule {
        group,
        extend: true,
        long_press_ms: 800,
    });
    (house, group, down)
}

/// Both clocks, the wall one set by so much.
fn set_by(rig: &Rig, time: &str, ms: i64) -> Now {
    let now = rig.now(time);
    Now {
        wall: now.wall.plus(ms),
        ..now
    }
}

fn jump(rig: &mut Rig, at: Now) {
    rig.core.handle(at, Input::Restart(RestartCause::ClockJump));
    drain(&mut rig.core);
}

#[test]
fn a_press_halts_what_retracts_too() {
    let (house, group, down) = switched();
    Rig::calm(house).check(&[
        ("10:00:00", room(group, 100), "shutter: hand 100"),
        ("10:10:00", room(group, 0), "shutter: hand 0"),
        ("10:10:10", contact(down, true), ""),
        ("10:10:10.200", contact(down, false), "shutter: hand halt"),
    ]);
}

/// A long press that outlasts the travel still ends in a halt, not in another run.
#[test]
fn a_long_press_runs_nothing_when_it_ends() {
    let (house, group, down) = switched();
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("10:00:00", contact(down, true), ""),
        ("10:00:00.800", tick(), "shutter: hand 100"),
        ("10:02:00", contact(down, false), ""),
    ]);
    let course = rig.core.explain(group).verdict.course;
    assert_eq!(course, Course::Hold);
}

/// A press that a restart came into is over: it does not become a long one, and the
/// next short one is short.
#[test]
fn a_press_does_not_outlive_a_restart() {
    for lasts in ["10:00:00.100", "10:00:01"] {
        let (house, group, down) = switched();
        let mut rig = Rig::calm(house);
        rig.put("10:00:00", &contact(down, true));
        rig.put(lasts, &tick());
        rig.put(lasts, &restart());
        rig.put("10:00:02", &tick());
        rig.check(&[
            ("10:01:00", tick(), ""),
            ("10:02:00", contact(down, false), ""),
            ("10:03:00", contact(down, true), ""),
            ("10:03:00.200", tick(), ""),
        ]);
        rig.put("10:03:00.300", &contact(down, false));
        rig.put("10:03:00.301", &tick());
        let course = rig.core.explain(group).verdict.course;
        assert_eq!(course, Course::To(Pose::EXTENDED), "{lasts}");
    }
}

#[test]
fn service_halts_a_retraction_too_and_says_what_ends_it() {
    let (house, group, _) = switched();
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("10:00:00", room(group, 100), "shutter: hand 100"),
        ("10:10:00", room(group, 0), "shutter: hand 0"),
        ("10:10:20", service(group, true), "shutter: service halt"),
    ]);
    let release = rig.core.explain(group).verdict.release;
    assert_eq!(release, Release::OwnerEnds);
}

/// However late its end is expected, one is reminded; also where the clock steps.
#[test]
fn a_reminder_of_service_comes_by_the_wall_clock() {
    let (house, group, _) = switched();
    let mut rig = Rig::calm(house);
    let ask = Ask::Service {
        group,
        on: true,
        expected_end: Some(rig.now("3d 10:00:00").wall),
    };
    rig.check(&[
        ("10:00:00", asks("fitter", Origin::Centre, ask), ""),
        ("18:00:00", tick(), "!service_overdue/shutter"),
        (
            "18:30:00",
            service(group, false),
            ".service_overdue/shutter",
        ),
        ("19:00:00", service(group, true), ""),
    ]);
    let at = set_by(&rig, "20:00:00", 6 * HOUR);
    jump(&mut rig, at);
    let later = set_by(&rig, "21:00:00.001", 6 * HOUR);
    rig.core.handle(later, Input::Tick);
    let out = drain(&mut rig.core);
    let alarm = |o: &leeside_core::output::Output| matches!(o, leeside_core::output::Output::Alarm(a) if a.key == "service_overdue/shutter");
    assert!(out.iter().any(alarm), "{out:?}");
}

/// A clock that was set on past the end of a hold ends it.
#[test]
fn a_hold_ends_where_the_clock_steps_past_its_end() {
    let (house, group, _) = switched();
    let mut rig = Rig::calm(house);
    let ask = Ask::Pose {
        group,
        extension_pct: Some(70),
        tilt_deg: None,
        until: Until::For(8 * HOUR),
    };
    rig.check(&[(
        "10:00:00",
        asks("panel", Origin::Centre, ask),
        "shutter: hand 70",
    )]);
    let at = set_by(&rig, "11:00:00", 9 * HOUR);
    jump(&mut rig, at);
    rig.core.handle(at.plus(2), Input::Tick);
    drain(&mut rig.core);
    let decides = rig.core.explain(group).verdict.decided_by;
    assert_eq!(decides.as_str(), "timetable");
}

/// Quiet hours by day, to the minute; what would have begun meanwhile begins then.
#[test]
fn quiet_hours_by_day_end_to_the_minute() {
    let mut house = House::new(Pose::RETRACTED);
    house.model.timetables.clear();
    house.timetable(&[
        (0, Pose::RETRACTED, true),
        (13 * 60 + 19, Pose::extension(20), true),
        (13 * 60 + 20, Pose::extension(50), true),
        (14 * 60, Pose::EXTENDED, true),
    ]);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).quiet = Some(QuietHours {
        from_min: 13 * 60 + 20,
        to_min: 14 * 60 + 50,
    });
    Rig::calm(house).check(&[
        ("13:19:00", tick(), "shutter: timetable 20"),
        ("13:20:00", tick(), ""),
        ("14:49:59.999", tick(), ""),
        ("14:50:00", tick(), "shutter: timetable 100"),
    ]);
}

/// Comfort that holds says why, also where another reason takes over.
#[test]
fn comfort_that_holds_says_why() {
    let (mut house, group, _) = switched();
    house.of(group).quiet = Some(QuietHours {
        from_min: 10 * 60,
        to_min: 12 * 60,
    });
    let mut rig = Rig::calm(house);
    let why = |rig: &Rig| rig.core.explain(group).verdict.because;
    rig.put("10:30:00", &tick());
    assert_eq!(why(&rig), Because::Quiet);
    rig.put("11:00:00", &In::Put(Input::Clock { trusted: false }));
    rig.put("11:00:01", &tick());
    assert_eq!(why(&rig), Because::ClockUntrusted);
}

/// Quiet hours are those of the site's own clock, also in the night in which it changes
/// (29 March 2026, Europe/Berlin: 06:00 is 04:00 UTC, after a night of seven hours).
#[test]
fn quiet_hours_end_by_the_clock_that_was_set_on() {
    let mut house = House::new(Pose::RETRACTED);
    house.model.site.zone = chrono_tz::Europe::Berlin;
    house.model.timetables.clear();
    house.timetable(&[(0, Pose::RETRACTED, true), (5 * 60, Pose::EXTENDED, true)]);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).quiet = Some(QuietHours {
        from_min: 22 * 60,
        to_min: 6 * 60,
    });
    let saturday = chrono::NaiveDate::from_ymd_opt(2026, 3, 28).unwrap();
    let mut rig = Rig::at(house, saturday);
    rig.put("12:00:00", &tick());
    rig.put("20:00:00", &room(group, 0));
    rig.put("20:00:01", &tick());
    rig.check(&[
        ("22:30:00", tick(), ""),
        ("1d 03:59:59.999", tick(), ""),
        ("1d 04:00:00", tick(), "shutter: timetable 100"),
    ]);
}

/// The sun is looked for anew where the clock is set back by night.
#[test]
fn the_sun_is_not_waited_for_a_day_too_long() {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("screen", Kind::Screen);
    house.of(group).sun = Some(sun_rule(SunAim::Fixed(Pose::extension(80))));
    let mut rig = Rig::calm(house);
    rig.put("22:00:00", &tick());
    let back = |rig: &Rig, time| set_by(rig, time, -26 * HOUR);
    let at = back(&rig, "23:00:00");
    jump(&mut rig, at);
    // Noon of the day that comes once more.
    let noon = back(&rig, "1d 14:00:00");
    rig.core.handle(noon, Input::Tick);
    drain(&mut rig.core);
    let decides = rig.core.explain(group).verdict.decided_by;
    assert_eq!(decides.as_str(), "sun");
}

/// A clock that is trusted again may have been put right by a little that is no jump.
#[test]
fn phases_follow_the_clock_that_is_trusted_again() {
    let mut house = House::new(Pose::RETRACTED);
    house.model.timetables.clear();
    house.timetable(&[(0, Pose::RETRACTED, true), (8 * 60, Pose::EXTENDED, true)]);
    let group = house.single("shutter", Kind::RollerShutter);
    let mut rig = Rig::calm(house);
    rig.put("07:00:00", &In::Put(Input::Clock { trusted: false }));
    let ahead = |rig: &Rig, time| set_by(rig, time, 2 * MINUTE);
    let at = ahead(&rig, "07:30:00");
    rig.core.handle(at, Input::Clock { trusted: true });
    drain(&mut rig.core);
    let at = ahead(&rig, "07:58:00.001");
    rig.core.handle(at, Input::Tick);
    let out = drain(&mut rig.core);
    assert!(!out.is_empty());
    let pose = rig.core.explain(group).verdict.course;
    assert_eq!(pose, Course::To(Pose::EXTENDED));
    assert_eq!(rig.core.now().wall, Wall(rig.start.0 + 8 * HOUR + 1));
}

/// What is set up for one drive may be a halt, and is within what a device can do.
#[test]
fn one_drive_may_be_halted_and_goes_no_further_than_it_can() {
    let mut house = House::new(Pose::RETRACTED);
    let group = house.single("blind", Kind::SlatBlind);
    let device = house.model.groups[group.index()].devices[0];
    let set_up = |extension_pct, tilt_deg| {
        let ask = Ask::Device {
            device,
            extension_pct,
            tilt_deg,
            until: Until::For(HOUR),
        };
        asks("fitter", Origin::Centre, ask)
    };
    Rig::calm(house).check(&[
        (
            "10:00:00",
            set_up(Some(250), Some(400)),
            "blind: hand 100/90",
        ),
        ("10:00:20", set_up(None, None), "blind: hand halt"),
        ("10:05:00", set_up(Some(0), Some(-400)), "blind: hand 0/-90"),
    ]);
}

//! Conditions at their very edge: what hand-made changes of the core showed to be
//! untested by everything else.

use crate::support::*;
use leeside_core::ids::SensorId;
use leeside_core::input::{Part, Sample};
use leeside_core::model::{Kind, SensorKind, Validity};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::reason::Release;
use leeside_core::sensor::Standing;
use leeside_core::time::{MINUTE, SECOND};

const fn vane(degrees: f64) -> Sample {
    Sample::Wind {
        gust: Part::Unsaid,
        mean: Part::Unsaid,
        direction: Part::Value(degrees),
    }
}

fn mast(validity: Validity) -> (Rig, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor_with("mast", SensorKind::Wind, validity);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    (Rig::calm(house), mast)
}

/// A vane's own message is newer than the last speed, but no speed: one measured
/// in between comes late and is believed all the same.
#[test]
fn a_direction_by_itself_does_not_make_a_speed_old() {
    let (mut rig, mast) = mast(TRUSTING);
    rig.put("10:00:00", &gust(mast, 1.0));
    rig.put("10:00:05", &In::Read(mast, vane(90.0)));
    let late = wind(Some(12.0), None, None);
    let out = rig.put("10:00:06", &In::ReadAt(mast, late, "10:00:03"));
    let after = rig.put("10:00:07", &tick());
    let engaged = |o: &Output| matches!(o, Output::Lockout(change) if change.engaged);
    assert!(out.iter().chain(&after).any(engaged));
    assert_eq!(rig.core.sensor(mast).state.disbelieved.old, 0);
}

/// Of one moment a vane has one word.
#[test]
fn a_second_direction_of_the_same_moment_is_not_believed() {
    let (mut rig, mast) = mast(TRUSTING);
    rig.put("10:00:00", &gust(mast, 1.0));
    rig.put("10:00:01", &In::ReadAt(mast, vane(90.0), "10:00:00"));
    assert_eq!(rig.core.sensor(mast).state.disbelieved.old, 0);
    rig.put("10:00:02", &In::ReadAt(mast, vane(180.0), "10:00:00"));
    assert_eq!(rig.core.sensor(mast).state.disbelieved.old, 1);
}

/// The same reading once more, later, is no sign that a sensor has recovered.
#[test]
fn a_repeated_reading_does_not_count_toward_recovery() {
    let validity = Validity {
        max: 60.0,
        recover_ms: MINUTE,
        ..TRUSTING
    };
    let (mut rig, mast) = mast(validity);
    rig.put("10:00:00", &gust(mast, 70.0));
    let well = wind(Some(1.0), None, None);
    rig.put("10:01:00", &In::Read(mast, well));
    for later in ["10:01:30", "10:02:00", "10:05:00"] {
        rig.put(later, &In::ReadAt(mast, well, "10:01:00"));
        let standing = rig.core.sensor(mast).standing;
        assert!(matches!(standing, Standing::Fault(_)), "{later}");
    }
    // Another reading is, once the recovery time has passed, and not a moment before.
    rig.put("10:01:59.999", &tick());
    rig.put("10:06:00", &In::Read(mast, well));
    assert_eq!(rig.core.sensor(mast).standing, Standing::Good);
}

/// Recovery is complete at the recovery time, not after it.
#[test]
fn a_sensor_is_believed_again_at_the_very_end_of_its_recovery() {
    let validity = Validity {
        max: 60.0,
        recover_ms: MINUTE,
        ..TRUSTING
    };
    let (mut rig, mast) = mast(validity);
    rig.put("10:00:00", &gust(mast, 70.0));
    rig.put("10:01:00", &gust(mast, 1.0));
    rig.put("10:01:59.999", &gust(mast, 1.0));
    assert!(matches!(rig.core.sensor(mast).standing, Standing::Fault(_)));
    rig.put("10:02:00", &gust(mast, 1.0));
    assert_eq!(rig.core.sensor(mast).standing, Standing::Good);
}

/// At the limits of what a sensor can measure it is believed, beside them it is not.
#[test]
fn the_ends_of_a_sensors_range_belong_to_it() {
    for (speed, good) in [(0.0, true), (-0.1, false), (60.0, true), (60.1, false)] {
        let validity = Validity {
            min: 0.0,
            max: 60.0,
            ..TRUSTING
        };
        let (mut rig, mast) = mast(validity);
        rig.put("10:00:00", &gust(mast, speed));
        let standing = rig.core.sensor(mast).standing;
        assert_eq!(standing == Standing::Good, good, "{speed}");
    }
}

/// A reading may be so much ahead of the clock, and so old, and no more.
#[test]
fn the_future_and_the_past_have_their_edges() {
    let validity = Validity {
        silence_ms: 10 * MINUTE,
        ..TRUSTING
    };
    for (measured, (future, old)) in [
        ("10:00:05", (0, 0)),
        ("10:00:05.001", (1, 0)),
        ("09:50:00", (0, 0)),
        ("09:49:59.999", (0, 1)),
    ] {
        let (mut rig, mast) = mast(validity);
        rig.put(
            "10:00:00",
            &In::ReadAt(mast, wind(Some(1.0), None, None), measured),
        );
        let counts = rig.core.sensor(mast).state.disbelieved;
        assert_eq!((counts.future, counts.old), (future, old), "{measured}");
    }
}

/// The fastest change that is believed is believed at its edge; less than a second
/// between two readings counts as one.
#[test]
fn the_fastest_change_is_believed_at_its_edge() {
    for (speed, at, good) in [
        (6.0, "10:00:10", true),
        (6.001, "10:00:10", false),
        (1.5, "10:00:00.100", true),
        (1.501, "10:00:00.100", false),
    ] {
        let validity = Validity {
            max_rate_per_s: Some(0.5),
            ..TRUSTING
        };
        let (mut rig, mast) = mast(validity);
        let mean = |mps: f64| wind(None, Some(mps), None);
        rig.put("10:00:00", &In::Read(mast, mean(1.0)));
        rig.put(at, &In::Read(mast, mean(speed)));
        let standing = rig.core.sensor(mast).standing;
        assert_eq!(standing == Standing::Good, good, "{speed} at {at}");
    }
}

/// A command at the very start of a phase says that it lasts until the next one, and
/// one in a day's last phase until midnight.
#[test]
fn a_phase_lasts_until_the_next_start_not_until_its_own() {
    let mut house = House::new(Pose::RETRACTED);
    house.model.timetables.clear();
    house.timetable(&[
        (0, Pose::RETRACTED, true),
        (8 * 60, Pose::EXTENDED, true),
        (13 * 60, Pose::RETRACTED, true),
    ]);
    house.single("awning", Kind::Awning);
    let mut rig = Rig::calm(house);
    for (time, until) in [("08:00:00", ms("13:00:00")), ("13:00:00", 24 * 60 * MINUTE)] {
        let out = rig.put(time, &tick());
        assert!(
            !out.iter().any(|o| matches!(o, Output::Command(_))),
            "{time}"
        );
        rig.core
            .handle(rig.now(time).plus(SECOND), leeside_core::input::Input::Tick);
        let out = drain(&mut rig.core);
        let command = out.iter().find_map(|o| match o {
            Output::Command(command) => Some(command),
            Output::Lockout(_)
            | Output::Alarm(_)
            | Output::Refused { .. }
            | Output::Announce { .. }
            | Output::Wake(_) => None,
        });
        let release = command.unwrap().release;
        assert_eq!(release, Release::At(rig.start.plus(until)), "{time}");
    }
}

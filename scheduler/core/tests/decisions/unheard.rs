//! Sensors that have not been heard yet, and what is left of what they said before a
//! silence, a lost gateway or a restart: nothing that could be taken for news.

use crate::support::*;
use leeside_core::ids::{GatewayId, GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin, RestartCause};
use leeside_core::model::{Gateway, Kind, Sector, SensorKind, Unheard, Validity};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Fault};
use leeside_core::sensor::Standing;
use leeside_core::time::{HOUR, MINUTE, Now};

const TRIPS: &str = "!sensor_fault/mast; awning +wind; awning: wind 0";

fn awning(validity: Validity) -> (House, GroupId, SensorId) {
    let mut house = House::new(Pose::EXTENDED);
    let mast = house.sensor_with("mast", SensorKind::Wind, validity);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    (house, group, mast)
}

/// Stuck after half an hour; silent only after two, so that it does not matter.
const STICKY: Validity = Validity {
    stuck_ms: Some(30 * MINUTE),
    silence_ms: 2 * HOUR,
    recover_ms: MINUTE,
    ..TRUSTING
};

fn fault(rig: &Rig, mast: SensorId) -> Option<Fault> {
    match rig.core.sensor(mast).standing {
        Standing::Fault(fault) => Some(fault),
        Standing::Good | Standing::Waiting => None,
    }
}

const fn gusts(mps: f64) -> leeside_core::input::Sample {
    wind(Some(mps), None, None)
}

const fn means(mps: f64) -> leeside_core::input::Sample {
    wind(None, Some(mps), None)
}

/// One that has said nothing cannot say the same for too long: it is silent, in time.
#[test]
fn a_sensor_that_was_never_heard_is_not_stuck() {
    let validity = Validity {
        silence_ms: HOUR,
        ..STICKY
    };
    let (house, _, mast) = awning(validity);
    let mut rig = Rig::cold(house);
    rig.check(&[("00:30:00", tick(), ""), ("00:59:59.999", tick(), "")]);
    assert_eq!(rig.core.sensor(mast).standing, Standing::Waiting);
    rig.check(&[("01:00:00", tick(), TRIPS)]);
    assert_eq!(fault(&rig, mast), Some(Fault::Silent));
}

/// A restart starts the count of the same value over, and the same value as before it is
/// still the same.
#[test]
fn after_a_restart_a_value_is_stuck_when_it_has_stayed_the_same_since_then() {
    let (house, _, mast) = awning(STICKY);
    let mut rig = Rig::calm(house);
    rig.put("00:05:00", &gust(mast, 3.0));
    rig.put("00:20:00", &restart());
    rig.put("00:21:00", &gust(mast, 3.0));
    rig.put("00:49:59.999", &gust(mast, 3.0));
    rig.put("00:50:00", &tick());
    assert_eq!(fault(&rig, mast), None);
    rig.put("00:50:00.001", &tick());
    assert_eq!(fault(&rig, mast), Some(Fault::Stuck));
}

/// Silent meanwhile, and the same when it speaks again: it does not even begin to recover.
#[test]
fn a_stuck_value_is_stuck_the_moment_it_is_heard_again() {
    let validity = Validity {
        silence_ms: 10 * MINUTE,
        ..STICKY
    };
    let (house, _, mast) = awning(validity);
    let mut rig = Rig::calm(house);
    rig.put("00:05:00", &gust(mast, 3.0));
    for minute in 36..40 {
        rig.put(&format!("00:{minute}:00"), &gust(mast, 3.0));
        rig.put(&format!("00:{minute}:00.001"), &tick());
        assert_eq!(fault(&rig, mast), Some(Fault::Stuck), "{minute}");
    }
    rig.put("00:40:00", &gust(mast, 3.5));
    rig.put("00:40:59.999", &gust(mast, 3.5));
    assert_eq!(fault(&rig, mast), Some(Fault::Stuck));
    rig.put("00:41:00", &gust(mast, 3.5));
    assert_eq!(fault(&rig, mast), None);
}

/// What was at fault before a restart is so after it, and has to recover wholly after it.
#[test]
fn a_fault_outlasts_a_restart_and_a_recovery_begun_before_it_does_not() {
    let validity = Validity {
        max: 60.0,
        recover_ms: MINUTE,
        ..TRUSTING
    };
    let (house, _, mast) = awning(validity);
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &gust(mast, 70.0));
    rig.put("10:01:00", &gust(mast, 1.0));
    rig.put("10:01:30", &restart());
    assert_eq!(fault(&rig, mast), Some(Fault::OutOfRange));
    for (time, good) in [
        ("10:02:00", false),
        ("10:02:59.999", false),
        ("10:03:00", true),
    ] {
        rig.put(time, &gust(mast, 1.0));
        assert_eq!(fault(&rig, mast).is_none(), good, "{time}");
    }
}

/// The last reading of before a restart, sent once more, says how it is, if it is fresh.
#[test]
fn the_last_reading_before_a_restart_counts_when_it_is_sent_again() {
    let (house, _, mast) = awning(WATCHED);
    let mut rig = Rig::calm(house);
    rig.put("00:05:00", &gust(mast, 2.0));
    rig.put("00:06:00", &restart());
    assert_eq!(rig.core.sensor(mast).standing, Standing::Waiting);
    let again = wind(Some(2.0), Some(1.0), None);
    rig.put("00:07:00", &In::ReadAt(mast, again, "00:05:00"));
    assert_eq!(rig.core.sensor(mast).standing, Standing::Good);
    assert_eq!(rig.core.sensor(mast).state.disbelieved.old, 0);
}

/// What was measured before the last reading before a restart is old after it, too.
#[test]
fn a_restart_makes_no_old_reading_new() {
    for at in ["10:00:00", "10:01:00"] {
        let (house, _, mast) = awning(TRUSTING);
        let mut rig = Rig::calm(house);
        rig.put("10:00:00", &gust(mast, 12.0));
        rig.put(at, &restart());
        rig.put("10:02:00", &In::ReadAt(mast, gusts(1.0), "09:59:59"));
        assert_eq!(rig.core.sensor(mast).state.disbelieved.old, 1, "{at}");
        assert_eq!(rig.core.sensor(mast).standing, Standing::Waiting, "{at}");
    }
}

/// One that could not be believed was heard all the same: what was measured before it
/// comes too late.
#[test]
fn a_reading_from_before_one_that_was_not_believed_is_old() {
    let validity = Validity {
        max: 60.0,
        ..TRUSTING
    };
    let (house, _, mast) = awning(validity);
    let mut rig = Rig::calm(house);
    rig.put("10:00:10", &gust(mast, 70.0));
    rig.put("10:00:11", &In::ReadAt(mast, gusts(1.0), "10:00:05"));
    let counts = rig.core.sensor(mast).state.disbelieved;
    assert_eq!((counts.implausible, counts.old), (1, 1));
    assert_eq!(fault(&rig, mast), Some(Fault::OutOfRange));
}

/// Gust, mean and direction of before a restart are none after it, whatever the first
/// reading leaves unsaid.
#[test]
fn no_part_of_a_reading_outlasts_a_restart() {
    let sector = Sector {
        from_deg: 200.0,
        to_deg: 280.0,
        factor: 2.0,
    };
    for (before, after, over) in [
        (gusts(12.0), means(4.0), false),
        (means(12.0), gusts(4.0), false),
        // From nobody knows where is from the worst side.
        (wind(Some(1.0), None, Some(90.0)), gusts(6.0), true),
    ] {
        let (mut house, group, mast) = awning(TRUSTING);
        let rule = house.of(group).wind.as_mut().unwrap();
        rule.persistence_ms = 1;
        if over {
            rule.links[0].sectors = vec![sector];
        }
        let mut rig = Rig::calm(house);
        rig.put("10:00:00", &In::Read(mast, before));
        // In the very moment: nothing of it has been decided upon yet.
        rig.put("10:00:00", &restart());
        rig.put("10:00:05", &In::Read(mast, after));
        rig.put("10:00:06", &tick());
        assert_eq!(rig.core.lockouts(group).len() == 1, over, "{before:?}");
    }
}

/// A gust within the moment of a restart was before it.
#[test]
fn the_worst_of_a_moment_does_not_outlast_a_restart_within_it() {
    let (house, group, mast) = awning(TRUSTING);
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &gust(mast, 15.0));
    rig.put("10:00:00", &restart());
    rig.put("10:00:05", &gust(mast, 1.0));
    rig.put("10:00:06", &tick());
    assert!(rig.core.lockouts(group).is_empty());
}

/// Back after a silence, or after its gateway was lost, with a mean alone: the gust of
/// before counts no more, however long gusts are kept.
#[test]
fn the_gust_of_before_a_silence_counts_no_more_after_it() {
    for by_gateway in [true, false] {
        let validity = Validity {
            silence_ms: 10 * MINUTE,
            ..TRUSTING
        };
        let (mut house, group, mast) = awning(validity);
        house.model.sensors[0].gust = Unheard::KeptFor(HOUR);
        house.model.gateways.push(Gateway {
            name: "roof".to_owned(),
            silence_ms: MINUTE,
        });
        let gateway = GatewayId(0);
        house.model.sensors[0].gateway = Some(gateway);
        let mut rig = Rig::calm(house);
        rig.put("10:00:00", &gust(mast, 12.0));
        rig.put("10:00:01", &tick());
        let present = |present| In::Put(Input::Gateway { gateway, present });
        if by_gateway {
            rig.put("10:01:00", &present(false));
            rig.put("10:02:00", &present(true));
        }
        let back = if by_gateway { "10:05:00" } else { "10:20:00" };
        rig.put(back, &In::Read(mast, means(4.0)));
        rig.put(&format!("{back}.001"), &tick());
        let because = rig.core.explain(group).verdict.because;
        assert!(
            matches!(because, Because::WindHolding { .. }),
            "{because:?}"
        );
    }
}

/// A gust of one moment is the worst of that moment and of no later one.
#[test]
fn a_gust_that_came_and_went_does_not_come_again_with_the_next_reading() {
    let (house, group, mast) = awning(TRUSTING);
    for kept in [false, true] {
        let mut rig = Rig::calm(House {
            model: house.model.clone(),
        });
        rig.put("10:00:00", &In::ReadAt(mast, gusts(15.0), "09:59:59"));
        rig.put("10:00:00", &gust(mast, 2.0));
        if kept {
            // A snapshot before it was decided upon changes nothing about that.
            let kept = rig.core.snapshot();
            let model = rig.core.model().clone();
            rig.core = leeside_core::Core::restore(model, &kept).unwrap();
        }
        rig.put("10:00:01", &tick());
        assert_eq!(rig.core.lockouts(group).len(), 1);
        rig.put("10:05:00", &gust(mast, 1.0));
        // Calm since ten o'clock.
        rig.put("10:20:00", &tick());
        assert_eq!(rig.core.lockouts(group).len(), 1);
        rig.put("10:20:00.001", &tick());
        assert_eq!(rig.core.lockouts(group), [], "{kept}");
    }
}

/// The same with a site file loaded in that very moment, in which it has another number.
#[test]
fn a_gust_does_not_come_again_where_its_sensor_has_another_number() {
    let (mut house, group, mast) = awning(TRUSTING);
    house.model.sensors[0].gust = Unheard::KeptFor(HOUR);
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &In::ReadAt(mast, gusts(15.0), "09:59:59"));
    rig.put("10:00:00", &gust(mast, 2.0));
    let mut model = (**rig.core.model()).clone();
    let mut other = model.sensors[0].clone();
    other.name = "other".to_owned();
    model.sensors.insert(0, other);
    let mast = SensorId(1);
    model.groups[0].wind = Some(wind_rule(&[mast]));
    rig.core = rig.core.reload(std::sync::Arc::new(model));
    rig.put("10:00:01", &tick());
    assert_eq!(rig.core.lockouts(group).len(), 1);
    rig.put("10:05:00", &gust(mast, 1.0));
    rig.put("10:20:00.001", &tick());
    assert_eq!(rig.core.lockouts(group), []);
}

/// A bypass ends at its time of day, also where the clock is set on toward it.
#[test]
fn a_bypass_ends_by_the_clock_that_was_set() {
    let (mut house, group, mast) = awning(TRUSTING);
    let tower = house.sensor("tower", SensorKind::Wind);
    house.of(group).wind = Some(wind_rule(&[mast, tower]));
    let mut rig = Rig::calm(house);
    let ask = Ask::Bypass {
        sensor: mast,
        substitute: None,
        until: Some(rig.now("20:00:00").wall),
    };
    rig.put("10:00:00", &asks("A. Person", Origin::Centre, ask));
    let by = |rig: &Rig, wall: &str, steady: &str| Now {
        wall: rig.now(wall).wall,
        steady: rig.now(steady).steady,
    };
    let jump = Input::Restart(RestartCause::ClockJump);
    rig.core.handle(by(&rig, "19:30:00", "16:30:00"), jump);
    let ends = by(&rig, "20:00:00", "17:00:00");
    for (at, stands) in [(ends, true), (ends.plus(1), false)] {
        rig.core.handle(at, Input::Tick);
        drain(&mut rig.core);
        assert_eq!(rig.core.sensor(mast).state.bypass().is_some(), stands);
    }
}

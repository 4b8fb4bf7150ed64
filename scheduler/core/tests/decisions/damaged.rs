//! A state that bad sectors or somebody's hand have changed: it is refused at its
//! place or does no harm, and what is lost with it locks everything out.

use crate::laws::site;
use crate::support::*;
use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::ids::{DeviceId, GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin, Request, RestartCause, Until};
use leeside_core::model::{Kind, Model, SensorKind};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Now, Wall};
use serde_json::{Value, json};
use std::sync::Arc;

/// The state of a busy site: lockouts, holds, service, a bypass, alarms, drives
/// under way, pending moments of all kinds.
fn busy() -> (Arc<Model>, Value) {
    let mut house = House::new(Pose::RETRACTED);
    house.model = site();
    for sensor in &mut house.model.sensors {
        sensor.validity.silence_ms = 24 * HOUR;
        sensor.validity.stuck_ms = None;
        sensor.validity.max_rate_per_s = None;
    }
    let mut rig = Rig::calm(house);
    let group = |n| GroupId(n);
    let slats = Ask::Pose {
        group: group(2),
        extension_pct: Some(80),
        tilt_deg: Some(30),
        until: Until::NextPhase,
    };
    let one = Ask::Device {
        device: DeviceId(1),
        extension_pct: Some(40),
        tilt_deg: None,
        until: Until::EndOfDay,
    };
    let bypass = Ask::Bypass {
        sensor: SensorId(0),
        substitute: Some(SensorId(1)),
        until: Some(Wall(1_781_600_000_000)),
    };
    let (mast, tower) = (SensorId(0), SensorId(1));
    for (time, input) in [
        ("07:10:00", value(SensorId(3), 20.0)),
        ("07:10:00", value(SensorId(6), 20.0)),
        ("09:00:00", value(SensorId(5), 600.0)),
        ("09:01:00", gust(mast, 4.0)),
        ("09:02:00", asks("A. Person", Origin::Centre, slats)),
        ("09:02:01", asks("A. Person", Origin::Centre, one)),
        ("09:02:02", asks("A. Person", Origin::Centre, bypass)),
        ("09:03:00", gust(tower, 9.5)),
        ("09:03:20", gust(tower, 3.0)),
        ("09:03:30", value(SensorId(2), 1.0)),
        ("09:03:40", value(SensorId(3), -1.0)),
        ("09:03:50", service(group(0), true)),
        ("09:03:51", stands(DeviceId(1), Pose::extension(30))),
    ] {
        rig.put(time, &input);
    }
    let state = serde_json::to_value(rig.core.snapshot()).unwrap();
    (rig.core.model().clone(), state)
}

/// Goes on from a state, if it is taken: an hour, a restart, people, words for all
/// of it, and another state at the end.
fn goes_on(model: &Arc<Model>, state: Value) -> bool {
    let Ok(kept) = serde_json::from_value::<Snapshot>(state) else {
        return false;
    };
    let Ok(mut core) = Core::restore(model.clone(), &kept) else {
        return false;
    };
    let now = core.now();
    // Years may have been lost by it; nobody goes through them minute by minute here.
    for input in [
        Input::Tick,
        Input::Restart(RestartCause::Started),
        Input::Connected,
        Input::Request(Request {
            by: "A. Person".to_owned(),
            from: Origin::Centre,
            ask: Ask::Halt {
                group: GroupId(1),
                until: Until::Rule,
            },
        }),
        Input::Clock { trusted: false },
        Input::Tick,
    ] {
        core.handle(core.now().plus(2 * MINUTE), input);
        for output in drain(&mut core) {
            if let Output::Command(command) = &output {
                let _ = leeside_core::say::because(model, &command.because);
            }
        }
    }
    for group in (0..3).map(GroupId) {
        let _ = core.explain(group);
        let _ = core.ranks(group);
    }
    assert!(core.now().steady >= now.steady);
    let _ = core.snapshot();
    true
}

/// Every place of a state that has a number.
fn numbers(value: &Value, at: &str, found: &mut Vec<String>) {
    match value {
        Value::Number(_) => found.push(at.to_owned()),
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                numbers(item, &format!("{at}/{index}"), found);
            }
        }
        Value::Object(parts) => {
            for (name, part) in parts {
                let name = name.replace('~', "~0").replace('/', "~1");
                numbers(part, &format!("{at}/{name}"), found);
            }
        }
        Value::Null | Value::Bool(_) | Value::String(_) => {}
    }
}

/// The class of everything that fuzzing found: one number of a state is another one.
#[test]
fn whatever_number_of_a_state_is_another_one_it_is_refused_or_does_no_harm() {
    let (model, state) = busy();
    assert!(goes_on(&model, state.clone()), "the state is sound");
    let mut places = Vec::new();
    numbers(&state, "", &mut places);
    assert!(places.len() > 300, "{}", places.len());
    let (mut taken, mut refused) = (0, 0);
    for place in places {
        for number in [
            json!(-1),
            json!(99),
            json!(255),
            json!(65_535),
            json!(i32::MIN),
            json!(u32::MAX),
            json!(i64::MAX),
            json!(i64::MIN),
            json!(253_402_300_800_000_i64),
            json!(-253_402_300_800_000_i64),
            json!(1e300),
        ] {
            let mut damaged = state.clone();
            *damaged.pointer_mut(&place).unwrap() = number;
            if goes_on(&model, damaged) {
                taken += 1;
            } else {
                refused += 1;
            }
        }
    }
    assert!(taken > 500 && refused > 500, "{taken} {refused}");
}

#[test]
fn lists_that_are_too_short_or_too_long_are_refused() {
    let (model, state) = busy();
    for list in ["facades", "timetables", "specials"] {
        let place = format!("/inner/{list}");
        for longer in [false, true] {
            let mut damaged = state.clone();
            let items = damaged.pointer_mut(&place).unwrap().as_array_mut().unwrap();
            let last = items.pop().unwrap();
            if longer {
                items.extend([last.clone(), last]);
            }
            assert!(!goes_on(&model, damaged), "{list}, longer: {longer}");
        }
    }
}

/// One error, which says where and what does not fit.
#[test]
fn what_does_not_fit_is_said_with_its_place() {
    let (model, state) = busy();
    for (place, number, said) in [
        (
            "/groups/blind/hand/ends/wall",
            json!(i64::MAX),
            "groups.blind.hand.ends.wall: 9223372036854775807 is beyond any count",
        ),
        (
            "/groups/blind/hand/ends/wall",
            json!(1_i64 << 50),
            "groups.blind.hand.ends.wall: moment 1125899906842624 is beyond any clock",
        ),
        (
            "/groups/blind/hand/extension_pct",
            json!(101),
            "groups.blind.hand.extension_pct: 101 %, more than fully extended",
        ),
        (
            "/sensors/mast/bypass/substitute",
            json!(7),
            "sensors.mast.bypass.substitute: sensor 7, of 7 counted from 0",
        ),
        (
            "/groups/shutter/device_holds/0/0",
            json!(3),
            "groups.shutter.device_holds.0.0: device 3, of 3 counted from 0",
        ),
        (
            "/inner/timetables/0/current/1",
            json!(4),
            "inner.timetables.0: a phase that this timetable does not have",
        ),
        (
            "/inner/specials/0",
            json!(0),
            "inner.specials.0: a special day that the site does not have",
        ),
        (
            "/sequence",
            json!(u64::MAX),
            "sequence: 9223372036854775807 is beyond any count",
        ),
    ] {
        let mut damaged = state.clone();
        *damaged.pointer_mut(place).expect(place) = number;
        let kept: Snapshot = serde_json::from_value(damaged).unwrap();
        let refused = Core::restore(model.clone(), &kept).map(|_| ()).unwrap_err();
        assert_eq!(refused.to_string(), said);
    }
}

/// A reason that points to a phase or a special day is read when it is put into words.
#[test]
fn reasons_that_point_past_the_timetable_are_refused() {
    let (model, state) = busy();
    let phase = json!({ "phase": { "timetable": 0, "plan": 0, "phase": 4 } });
    let special = json!({ "special": { "index": 0 } });
    for reason in [phase, special] {
        let mut damaged = state.clone();
        *damaged
            .pointer_mut("/groups/awning/verdict/because")
            .unwrap() = reason;
        assert!(!goes_on(&model, damaged));
    }
}

/// The numbers are those of the site that the state names; what is found again by
/// its name has another number now.
#[test]
fn a_damaged_state_of_another_order_is_refused_too() {
    let (_, state) = busy();
    let mut house = House::new(Pose::RETRACTED);
    house.model = site();
    house.sensor("another", SensorKind::Wind);
    let model = Arc::new(house.model);
    assert!(goes_on(&model, state.clone()));
    let mut damaged = state.clone();
    *damaged
        .pointer_mut("/sensors/mast/bypass/substitute")
        .unwrap() = json!(7);
    assert!(
        !goes_on(&model, damaged),
        "the state's own site has 7 sensors"
    );
    let mut damaged = state;
    *damaged.pointer_mut("/order").unwrap() = json!([]);
    assert!(!goes_on(&model, damaged));
}

/// Moments beyond the end of time are taken as the end of time, wherever they come from.
#[test]
fn the_core_stands_at_the_end_of_time() {
    let model = Arc::new(site());
    for ms in [i64::MAX, i64::MIN] {
        let mut core = Core::new(model.clone(), Now::both(ms));
        for input in [
            Input::Restart(RestartCause::Started),
            Input::Connected,
            Input::Tick,
        ] {
            core.handle(Now::both(ms), input);
            drain(&mut core);
        }
        let kept = core.snapshot();
        assert_eq!(Core::restore(model.clone(), &kept).map(|_| ()), Ok(()));
    }
}

fn state_lost() -> In {
    In::Put(Input::Restart(RestartCause::StateLost))
}

#[test]
fn when_the_state_is_lost_everything_is_locked_out_until_it_has_been_calm_for_long_enough() {
    let mut house = House::new(Pose::EXTENDED);
    house.model.policy.known_for_ms = MINUTE;
    let mast = house.sensor("mast", SensorKind::Wind);
    let rain = house.sensor("rain", SensorKind::Rain);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.of(group).rain = Some(rain_rule(&[rain]));
    house.product_of(group).refuge.rain = Some(Pose::RETRACTED);
    let seen = asks(
        "A. Person",
        Origin::Centre,
        Ask::Acknowledge {
            key: "state_lost".to_owned(),
        },
    );
    Rig::cold(house).check(&[
        (
            "08:00:00",
            state_lost(),
            "awning +wind; awning +rain; !state_lost; awning: wind 0",
        ),
        ("08:01:00", gust(mast, 1.0), "awning ~wind"),
        ("08:01:00.500", value(rain, 0.0), "awning ~rain"),
        ("08:10:00", room(group, 100), "refused by panel: wind"),
        ("08:11:00", gust(mast, 1.0), ""),
        ("08:12:00", seen, "seen state_lost; .state_lost"),
        (
            "08:21:01",
            gust(mast, 1.0),
            "08:16:00.500 awning -rain; 08:21:00 awning -wind; 08:21:00 awning: timetable 100",
        ),
    ]);
}

/// Whether anything is frozen is asked of the first temperature. Until then what may
/// sit fast stays where it is; where nothing extends on unknown weather, neither.
#[test]
fn what_may_be_frozen_waits_for_a_temperature_when_the_state_is_lost() {
    let mut house = House::new(Pose::EXTENDED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let thermo = house.sensor("thermo", SensorKind::Temperature);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.of(group).ice = Some(ice_rule(&[thermo]));
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    Rig::cold(house).check(&[
        (
            "08:00:00",
            state_lost(),
            "awning +wind; awning +ice; !state_lost; !frozen/awning",
        ),
        // Nobody knows where it stands, so it is told even what it may do already.
        (
            "08:01:00",
            value(thermo, 15.0),
            "awning -ice; .frozen/awning; awning: wind 0",
        ),
        ("08:02:00", gust(mast, 1.0), "awning ~wind"),
    ]);
}

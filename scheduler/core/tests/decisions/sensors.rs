//! When a sensor is not believed, what its guard does then, and how it recovers.

use crate::support::*;
use leeside_core::ids::{GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin};
use leeside_core::model::{Gateway, Kind, SensorKind, Validity, ZeroCheck};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Fault};
use leeside_core::sensor::Standing;
use leeside_core::time::{HOUR, MINUTE};

fn awning(validity: Validity) -> (House, GroupId, SensorId) {
    let mut house = House::new(Pose::EXTENDED);
    let mast = house.sensor_with("mast", SensorKind::Wind, validity);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    (house, group, mast)
}

const TRIPS: &str = "!sensor_fault/mast; awning +wind; awning: wind 0";
/// Believed again: from now on the wind has to stay calm.
const RECOVERS: &str = ".sensor_fault/mast; awning ~wind";
const RELEASES: &str = "awning -wind; awning: timetable 100";

#[track_caller]
fn unknown(rig: &Rig, group: GroupId, wanted: Fault) {
    let because = rig.core.explain(group).verdict.because;
    let told = matches!(because, Because::SensorUnknown { fault, .. } if fault == wanted);
    assert!(told, "{because:?}");
}

#[test]
fn silence_is_not_calm_again_and_again() {
    let (house, group, mast) = awning(WATCHED);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:09:59.999", tick(), ""),
        // A reading of the very moment is in time.
        ("00:10:00", gust(mast, 2.1), ""),
        ("00:20:00", tick(), TRIPS),
    ]);
    unknown(&rig, group, Fault::Silent);
    rig.check(&[
        ("00:30:00", gust(mast, 2.0), ""),
        ("00:30:59.999", gust(mast, 2.1), ""),
        ("00:31:00", gust(mast, 2.2), RECOVERS),
        ("00:40:00", gust(mast, 2.1), ""),
        ("00:50:00", gust(mast, 2.1), ""),
        ("00:51:00", gust(mast, 2.2), RELEASES),
        ("01:01:00", tick(), TRIPS),
    ]);
}

#[test]
fn a_value_that_never_changes_is_stuck() {
    let validity = Validity {
        stuck_ms: Some(30 * MINUTE),
        ..WATCHED
    };
    let (house, group, mast) = awning(validity);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:09:00", gust(mast, 3.0), ""),
        ("00:18:00", gust(mast, 3.0), ""),
        ("00:27:00", gust(mast, 3.0), ""),
        ("00:36:00", gust(mast, 3.0), ""),
        ("00:38:59.999", tick(), ""),
        ("00:39:00", tick(), TRIPS),
    ]);
    unknown(&rig, group, Fault::Stuck);
    rig.check(&[
        // The same value is no sign of life, another is.
        ("00:40:00", gust(mast, 3.0), ""),
        ("00:42:00", gust(mast, 3.0), ""),
        ("00:43:00", gust(mast, 3.5), ""),
        ("00:44:00", gust(mast, 3.5), RECOVERS),
        ("00:53:00", gust(mast, 3.0), ""),
        ("01:02:00", gust(mast, 3.0), ""),
        ("01:04:00", tick(), RELEASES),
    ]);
}

#[test]
fn a_gust_that_never_changes_is_stuck_even_where_no_mean_is_told() {
    let validity = Validity {
        stuck_ms: Some(30 * MINUTE),
        ..TRUSTING
    };
    let (house, group, mast) = awning(validity);
    let mut rig = Rig::cold(house);
    let only = |v| In::Read(mast, wind(Some(v), None, None));
    rig.check(&[
        ("00:00:00", only(3.0), "awning: timetable 100+0.5s"),
        ("00:10:00", only(3.0), ""),
        ("00:30:00", tick(), TRIPS),
    ]);
    unknown(&rig, group, Fault::Stuck);
}

#[test]
fn a_value_out_of_range_is_not_believed() {
    let validity = Validity {
        min: 0.0,
        max: 60.0,
        ..WATCHED
    };
    let (house, group, mast) = awning(validity);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:05:00", gust(mast, 60.0), "awning +wind; awning: wind 0"),
        ("00:06:00", gust(mast, 2.0), "awning ~wind"),
        (
            "00:10:00",
            gust(mast, 60.1),
            "!sensor_fault/mast; awning ~wind",
        ),
    ]);
    unknown(&rig, group, Fault::OutOfRange);
    rig.check(&[
        ("00:11:00", gust(mast, 2.0), ""),
        ("00:11:30", gust(mast, -0.1), ""),
        ("00:12:00", gust(mast, 2.0), ""),
        ("00:13:00", gust(mast, 2.0), RECOVERS),
    ]);
    assert_eq!(rig.core.sensor(mast).state.disbelieved.implausible, 2);
}

#[test]
fn a_change_faster_than_weather_is_not_believed_but_a_lasting_one_is() {
    let mut house = House::new(Pose::EXTENDED);
    let validity = Validity {
        max_rate_per_s: Some(0.1),
        ..WATCHED
    };
    let thermo = house.sensor_with("thermo", SensorKind::Temperature, validity);
    let group = house.single("awning", Kind::Awning);
    house.of(group).ice = Some(ice_rule(&[thermo]));
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:01:00", value(thermo, 14.0), ""),
        // 20.1 K in a minute, where 6 K are believed.
        (
            "00:02:00",
            value(thermo, 34.1),
            "!sensor_fault/thermo; awning +ice; awning: ice 0",
        ),
    ]);
    unknown(&rig, group, Fault::TooFast);
    rig.check(&[
        // It stays there: once enough time has passed since the last value that was
        // believed, so is this one.
        ("00:03:00", value(thermo, 34.1), ""),
        ("00:04:00", value(thermo, 34.1), ""),
        ("00:04:30", value(thermo, 34.1), ""),
        (
            "00:05:30",
            value(thermo, 34.1),
            ".sensor_fault/thermo; awning ~ice",
        ),
    ]);
}

#[test]
fn zero_while_a_neighbour_blows_is_a_broken_cable() {
    let mut house = House::new(Pose::EXTENDED);
    let tower = house.sensor("tower", SensorKind::Wind);
    let zero = ZeroCheck {
        neighbour: tower,
        neighbour_mps: 6.0,
        for_ms: 10 * MINUTE,
    };
    let validity = Validity {
        zero: Some(zero),
        recover_ms: MINUTE,
        ..TRUSTING
    };
    let mast = house.sensor_with("mast", SensorKind::Wind, validity);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("01:00:00", gust(mast, 0.0), ""),
        ("01:05:00", gust(tower, 5.9), ""),
        ("01:10:00", tick(), ""),
        // It has been zero for long enough: the moment the neighbour blows, it is known.
        ("01:20:00", gust(tower, 6.0), TRIPS),
    ]);
    unknown(&rig, group, Fault::ZeroWhileNeighbourBlows);
    rig.check(&[
        ("01:30:00", gust(mast, 0.0), ""),
        ("01:32:00", gust(mast, 5.0), ""),
        ("01:33:00", gust(mast, 5.5), RECOVERS),
        ("01:53:00", tick(), RELEASES),
        // While the neighbour blows, ten minutes of zero are enough.
        ("02:00:00", gust(mast, 0.0), ""),
        ("02:09:59.999", tick(), ""),
        ("02:10:00", tick(), TRIPS),
    ]);
}

/// Though it speaks just when it would be silent, and nothing else wakes anybody before
/// it would be stuck, in a day.
#[test]
fn the_zero_of_a_mast_that_speaks_in_time_is_looked_at_in_time() {
    let mut house = House::new(Pose::EXTENDED);
    let tower = house.sensor("tower", SensorKind::Wind);
    let zero = ZeroCheck {
        neighbour: tower,
        neighbour_mps: 6.0,
        for_ms: 10 * MINUTE,
    };
    let validity = Validity {
        zero: Some(zero),
        stuck_ms: Some(24 * HOUR),
        silence_ms: MINUTE,
        ..TRUSTING
    };
    let mast = house.sensor_with("mast", SensorKind::Wind, validity);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    let mut rig = Rig::calm(house);
    rig.put("00:00:30", &gust(tower, 7.0));
    let mut said = Vec::new();
    for minute in 1..=20 {
        let time = format!("00:{minute:02}:00");
        let speed = if minute < 5 { 3.0 } else { 0.0 };
        rig.put(&time, &gust(mast, speed));
        let out = rig.put(&format!("{time}.001"), &tick());
        said.push(rig.words(&time, &out));
    }
    let first = said.iter().position(|words| !words.is_empty());
    assert_eq!(first, Some(14), "{said:?}");
    assert_eq!(said[14], TRIPS);
    unknown(&rig, group, Fault::ZeroWhileNeighbourBlows);
}

#[test]
fn a_neighbour_that_blows_in_the_very_moment_the_zero_ends_finds_no_fault() {
    for first in [true, false] {
        let mut house = House::new(Pose::EXTENDED);
        let tower = house.sensor("tower", SensorKind::Wind);
        let zero = ZeroCheck {
            neighbour: tower,
            neighbour_mps: 6.0,
            for_ms: 10 * MINUTE,
        };
        let validity = Validity {
            zero: Some(zero),
            recover_ms: MINUTE,
            ..TRUSTING
        };
        let mast = house.sensor_with("mast", SensorKind::Wind, validity);
        let group = house.single("awning", Kind::Awning);
        house.of(group).wind = Some(wind_rule(&[mast]));
        let mut rig = Rig::calm(house);
        rig.check(&[("01:00:00", gust(mast, 0.0), "")]);
        let mut both = [gust(tower, 7.0), gust(mast, 5.0)];
        if first {
            both.reverse();
        }
        for reading in both {
            rig.put("01:20:00", &reading);
        }
        rig.check(&[("01:20:00", tick(), "")]);
    }
}

/// The fault of a mast that has said zero for longer than it may, after it and a
/// neighbour at 7 m/s have spoken in one moment, in either order.
fn fault_of_zero_beside_a_neighbour(then: f64, silence_ms: i64) -> Fault {
    let faults = [true, false].map(|first| {
        let mut house = House::new(Pose::EXTENDED);
        let tower = house.sensor("tower", SensorKind::Wind);
        let zero = ZeroCheck {
            neighbour: tower,
            neighbour_mps: 6.0,
            for_ms: 10 * MINUTE,
        };
        let validity = Validity {
            max: 60.0,
            zero: Some(zero),
            silence_ms,
            recover_ms: MINUTE,
            ..TRUSTING
        };
        let mast = house.sensor_with("mast", SensorKind::Wind, validity);
        let group = house.single("awning", Kind::Awning);
        house.of(group).wind = Some(wind_rule(&[mast]));
        let mut rig = Rig::calm(house);
        rig.put("01:00:00", &gust(mast, 0.0));
        let mut both = [gust(tower, 7.0), gust(mast, then)];
        if first {
            both.reverse();
        }
        for reading in both {
            rig.put("01:20:00", &reading);
        }
        rig.put("01:20:00.001", &tick());
        let Standing::Fault(fault) = rig.core.sensor(mast).standing else {
            panic!("believed, mast first: {first}");
        };
        fault
    });
    assert_eq!(faults[0], faults[1], "the order of one moment's readings");
    faults[0]
}

/// Both found by `readings_of_one_moment_may_come_in_any_order`.
#[test]
fn the_fault_beside_a_neighbour_does_not_hang_on_who_speaks_first() {
    // Out of its range is no zero, whatever went before.
    let fault = fault_of_zero_beside_a_neighbour(70.0, HOUR);
    assert_eq!(fault, Fault::OutOfRange);
    // Silent meanwhile, it still says zero.
    let fault = fault_of_zero_beside_a_neighbour(0.0, 15 * MINUTE);
    assert_eq!(fault, Fault::ZeroWhileNeighbourBlows);
}

#[test]
fn a_reading_may_be_five_seconds_ahead_and_as_old_as_silence() {
    let (house, _, mast) = awning(WATCHED);
    let mut rig = Rig::calm(house);
    let at = |mps, time: &'static str| In::ReadAt(mast, wind(Some(mps), None, None), time);
    rig.put("00:20:00", &at(3.0, "00:20:05"));
    rig.put("00:20:01", &at(3.0, "00:20:06.001"));
    // Older than the last one by arrival, fresh by its own word.
    rig.put("00:40:00", &at(3.0, "00:30:00"));
    rig.put("00:45:00", &at(3.0, "00:34:59.999"));
    let counted = rig.core.sensor(mast).state.disbelieved;
    assert_eq!((counted.future, counted.old), (1, 1));
    let last = rig.core.sensor(mast).state.last().map(|last| last.at);
    assert_eq!(last, Some(rig.now("00:30:00").wall));
}

#[test]
fn what_is_no_reading_is_counted_and_never_believed() {
    let (house, group, mast) = awning(WATCHED);
    let mut rig = Rig::calm(house);
    let at = |time| In::ReadAt(mast, wind(Some(50.0), None, None), time);
    rig.check(&[
        ("00:05:00", gust(mast, 1.0), ""),
        (
            "00:06:00",
            In::Read(mast, wind(Some(f64::NAN), Some(1.0), None)),
            "",
        ),
        (
            "00:06:00",
            In::Read(mast, wind(Some(f64::INFINITY), None, None)),
            "",
        ),
        ("00:06:00", In::Read(mast, wind(None, None, None)), ""),
        ("00:06:00", value(mast, 3.0), ""),
        ("00:06:00", In::Put(Input::Garbled { sensor: mast }), ""),
        (
            "00:06:00",
            In::Put(Input::Garbled {
                sensor: SensorId(99),
            }),
            "",
        ),
        // From the future, older than the last one, another of the same moment.
        ("00:07:00", at("00:07:05.001"), ""),
        ("00:07:00", at("00:04:59.999"), ""),
        ("00:07:00", at("00:05:00"), ""),
        ("00:14:59.999", tick(), ""),
        ("00:15:00", tick(), TRIPS),
    ]);
    let counts = rig.core.sensor(mast).state.disbelieved;
    assert_eq!((counts.garbled, counts.future, counts.old), (5, 1, 2));
    unknown(&rig, group, Fault::Silent);
    // A reading that took longer than the sensor may be silent is not fresh.
    rig.check(&[("00:30:00", at("00:19:59.999"), "")]);
    assert_eq!(rig.core.sensor(mast).state.disbelieved.old, 3);
}

#[test]
fn a_late_reading_counts_from_when_it_was_measured() {
    let (house, _, mast) = awning(WATCHED);
    Rig::calm(house).check(&[
        (
            "00:08:00",
            In::ReadAt(mast, wind(Some(2.5), None, None), "00:03:00"),
            "",
        ),
        ("00:12:59.999", tick(), ""),
        ("00:13:00", tick(), TRIPS),
    ]);
}

#[test]
fn unknown_never_extends() {
    let mut house = House::new(Pose::extension(40));
    let mast = house.sensor_with("mast", SensorKind::Wind, WATCHED);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.product_of(group).refuge.wind = Pose::EXTENDED;
    Rig::calm(house).check(&[
        // Its refuge is extended, so it holds, and an alarm says so.
        (
            "00:10:00",
            tick(),
            "!sensor_fault/mast; shutter +wind; !not_in_refuge/shutter",
        ),
        // Believed again, with wind measured not calm: now it may go.
        ("00:20:00", gust(mast, 9.0), ""),
        (
            "00:21:00",
            gust(mast, 9.1),
            ".sensor_fault/mast; shutter ~wind; .not_in_refuge/shutter; shutter: wind 100",
        ),
    ]);
}

#[test]
fn an_extension_under_way_is_halted_when_the_weather_becomes_unknown() {
    let mut house = House::new(Pose::RETRACTED);
    let mast = house.sensor_with("mast", SensorKind::Wind, WATCHED);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.product_of(group).refuge.wind = Pose::EXTENDED;
    Rig::calm(house).check(&[
        ("00:09:45", room(group, 80), "shutter: hand 80"),
        (
            "00:10:00",
            tick(),
            "!sensor_fault/mast; shutter +wind; !not_in_refuge/shutter; shutter: wind halt",
        ),
    ]);
}

#[test]
fn a_lost_gateway_silences_its_sensors_at_once() {
    let (mut house, group, mast) = awning(WATCHED);
    house.model.gateways.push(Gateway {
        name: "roof".to_owned(),
        silence_ms: MINUTE,
    });
    let roof = leeside_core::ids::GatewayId(0);
    house.model.sensors[0].gateway = Some(roof);
    let mut rig = Rig::calm(house);
    let gateway = |present| {
        In::Put(Input::Gateway {
            gateway: roof,
            present,
        })
    };
    rig.check(&[(
        "00:05:00",
        gateway(false),
        "!gateway_lost/roof; !sensor_fault/mast; awning +wind; awning: wind 0",
    )]);
    unknown(&rig, group, Fault::GatewayLost);
    rig.check(&[
        ("00:06:00", gateway(true), ".gateway_lost/roof"),
        ("00:07:00", gust(mast, 1.0), ""),
        ("00:08:00", gust(mast, 1.0), RECOVERS),
    ]);
}

fn bypass(sensor: SensorId, substitute: Option<SensorId>, rig: &Rig, until: Option<&str>) -> In {
    let until = until.map(|time| rig.now(time).wall);
    asks(
        "A. Person",
        Origin::Centre,
        Ask::Bypass {
            sensor,
            substitute,
            until,
        },
    )
}

#[test]
fn a_dead_sensor_may_be_left_out_with_an_end_while_another_speaks() {
    let (mut house, group, mast) = awning(WATCHED);
    let tower = house.sensor("tower", SensorKind::Wind);
    house.of(group).wind = Some(wind_rule(&[mast, tower]));
    let mut rig = Rig::calm(house);
    let leave_out = bypass(mast, None, &rig, Some("03:00:00"));
    rig.check(&[
        ("00:10:00", tick(), TRIPS),
        ("01:00:00", leave_out, "!sensor_bypassed/mast; awning ~wind"),
        ("01:20:00", tick(), RELEASES),
        (
            "02:00:00",
            gust(tower, 10.0),
            "awning +wind; awning: wind 0",
        ),
        ("02:01:00", gust(tower, 1.0), "awning ~wind"),
        ("02:21:00", tick(), RELEASES),
        // The end comes by itself: the sensor is still dead.
        (
            "03:00:00",
            tick(),
            ".sensor_bypassed/mast; awning +wind; awning: wind 0",
        ),
    ]);
}

#[test]
fn another_sensor_of_the_kind_may_stand_in() {
    let (mut house, group, mast) = awning(WATCHED);
    let tower = house.sensor("tower", SensorKind::Wind);
    let rain = house.sensor("rain", SensorKind::Rain);
    let mut rule = wind_rule(&[mast]);
    rule.links[0].factor = 2.0;
    house.of(group).wind = Some(rule);
    let mut rig = Rig::calm(house);
    let by_tower = bypass(mast, Some(tower), &rig, Some("1d 00:00:00"));
    let by_rain = bypass(mast, Some(rain), &rig, Some("1d 00:00:00"));
    rig.check(&[
        ("00:10:00", tick(), TRIPS),
        ("01:00:00", by_tower, "!sensor_bypassed/mast; awning ~wind"),
        ("01:20:00", tick(), RELEASES),
        // The factor of the place where the dead one stands goes on counting.
        ("02:00:00", gust(tower, 5.0), "awning +wind; awning: wind 0"),
        ("02:01:00", gust(tower, 1.0), "awning ~wind"),
        ("02:21:00", tick(), RELEASES),
        // A rain sensor cannot tell the wind: as good as left out.
        ("03:00:00", by_rain, "awning +wind; awning: wind 0"),
    ]);
    unknown(&rig, group, Fault::LeftOut);
}

#[test]
fn nobody_may_talk_a_group_out_of_its_only_sensor() {
    // Left out while dead: the guard stays engaged. Left out while well: it engages.
    let (house, group, mast) = awning(WATCHED);
    let mut rig = Rig::calm(house);
    let leave_out = bypass(mast, None, &rig, Some("1d 00:00:00"));
    rig.check(&[
        (
            "00:05:00",
            leave_out,
            "!sensor_bypassed/mast; awning +wind; awning: wind 0",
        ),
        ("20:00:00", tick(), "00:10:00 !sensor_fault/mast"),
    ]);
    unknown(&rig, group, Fault::LeftOut);
}

#[test]
fn a_stuck_sensor_that_was_silent_for_a_while_is_still_stuck() {
    let validity = Validity {
        stuck_ms: Some(30 * MINUTE),
        ..WATCHED
    };
    let (house, group, mast) = awning(validity);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:05:00", gust(mast, 3.0), ""),
        ("00:15:00", tick(), TRIPS),
    ]);
    // It has said the same since 00:05:00: speaking again is no recovery.
    for minute in 34..50 {
        rig.put(&format!("00:{minute}:00"), &gust(mast, 3.0));
    }
    unknown(&rig, group, Fault::Stuck);
}

#[test]
fn a_bypass_whose_end_was_slept_through_ends_at_the_restart() {
    let (mut house, group, mast) = awning(WATCHED);
    let tower = house.sensor("tower", SensorKind::Wind);
    house.of(group).wind = Some(wind_rule(&[mast, tower]));
    let mut rig = Rig::calm(house);
    let leave_out = bypass(mast, None, &rig, Some("01:00:00"));
    rig.put("00:10:00.001", &leave_out);
    rig.put("00:10:01", &tick());
    let out = rig.put("02:00:00", &restart());
    assert!(
        rig.words("02:00:00", &out)
            .contains(".sensor_bypassed/mast")
    );
}

//! Guards and sensors: nothing counts toward calm that is none.

use crate::support::*;
use leeside_core::Core;
use leeside_core::ids::{GatewayId, GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin};
use leeside_core::model::{ContactKind, Gateway, Kind, Moisture, SensorKind, Validity, ZeroCheck};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::sensor::Standing;
use leeside_core::time::{HOUR, MINUTE, SECOND};

fn awning(validity: Validity) -> (House, GroupId, SensorId) {
    let mut house = House::new(Pose::EXTENDED);
    let mast = house.sensor_with("mast", SensorKind::Wind, validity);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    (house, group, mast)
}

fn bypass(rig: &Rig, sensor: SensorId, substitute: Option<SensorId>, until: &str) -> In {
    let ask = Ask::Bypass {
        sensor,
        substitute,
        until: Some(rig.now(until).wall),
    };
    asks("A. Person", Origin::Centre, ask)
}

/// Silence in the middle of the calm: it has to last anew.
#[test]
fn calm_before_a_silence_does_not_count_after_it() {
    let (house, _, mast) = awning(WATCHED);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:03:00", gust(mast, 12.0), "awning +wind; awning: wind 0"),
        ("00:04:00", gust(mast, 1.0), "awning ~wind"),
        ("00:14:00", tick(), "!sensor_fault/mast; awning ~wind"),
        ("00:15:00", gust(mast, 1.0), ""),
        (
            "00:16:00",
            gust(mast, 1.0),
            ".sensor_fault/mast; awning ~wind",
        ),
        ("00:22:00", gust(mast, 1.0), ""),
        ("00:30:00", gust(mast, 1.0), ""),
        ("00:35:59.999", tick(), ""),
        ("00:36:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

/// Over the limit, quite calm, over the limit: that is two gusts and not one long one.
/// Nor does a gust that has engaged count toward the next one's persistence.
#[test]
fn persistence_starts_over_after_calm_and_after_a_lockout() {
    let (mut house, group, mast) = awning(TRUSTING);
    let mut rule = wind_rule(&[mast]);
    rule.persistence_ms = 5 * SECOND;
    house.of(group).wind = Some(rule);
    Rig::calm(house).check(&[
        ("10:00:00", gust(mast, 12.0), ""),
        ("10:00:03", gust(mast, 1.0), ""),
        ("10:00:06", gust(mast, 12.0), ""),
        ("10:00:10.999", tick(), ""),
        ("10:00:11", tick(), "awning +wind; awning: wind 0"),
        ("10:01:00", gust(mast, 1.0), "awning ~wind"),
        ("10:21:00", tick(), "awning -wind; awning: timetable 100"),
        ("10:30:00", gust(mast, 12.0), ""),
        ("10:30:03", gust(mast, 1.0), ""),
    ]);
}

/// Of two sensors one is silent, the other has not spoken yet: that is not waiting.
#[test]
fn a_fault_counts_before_another_sensor_has_spoken() {
    for kind in [SensorKind::Rain, SensorKind::Hail] {
        let mut house = House::new(Pose::EXTENDED);
        let silent = Validity {
            silence_ms: MINUTE,
            ..TRUSTING
        };
        let (front, back) = (
            house.sensor_with("front", kind, silent),
            house.sensor("back", kind),
        );
        let group = house.single("awning", Kind::Awning);
        let refuge = &mut house.product_of(group).refuge;
        (refuge.rain, refuge.hail) = (Some(Pose::RETRACTED), Some(Pose::RETRACTED));
        let word = if kind == SensorKind::Rain {
            house.of(group).rain = Some(rain_rule(&[back, front]));
            "rain"
        } else {
            house.of(group).hail = Some(hail_rule(&[back, front]));
            "hail"
        };
        let expected = format!("!sensor_fault/front; awning +{word}; awning: {word} 0");
        Rig::cold(house).check(&[("00:01:00", tick(), &expected)]);
    }
}

/// Frost that somebody has looked at stays cleared while nothing else is known.
#[test]
fn what_was_cleared_stays_cleared_over_a_restart() {
    let mut house = House::new(Pose::EXTENDED);
    let thermo = house.sensor("thermo", SensorKind::Temperature);
    let group = house.single("awning", Kind::Awning);
    house.of(group).ice = Some(ice_rule(&[thermo]));
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    let free = asks("A. Person", Origin::Centre, Ask::FrostCleared { group });
    Rig::calm(house).check(&[
        (
            "10:00:00",
            value(thermo, -2.0),
            "awning +ice; !frozen/awning",
        ),
        ("10:10:00", free, "awning -ice; .frozen/awning"),
        ("10:20:00", restart(), ""),
        ("10:21:00", value(thermo, -2.0), "awning: timetable 100"),
    ]);
}

/// As with wind and rain: whoever leaves out the only sensor of moisture has not made
/// it dry. With another one beside it that speaks, the one left out is not asked.
#[test]
fn nobody_talks_a_group_out_of_its_only_sensor_of_moisture() {
    for humid in [true, false] {
        for beside in [false, true] {
            let mut house = House::new(Pose::EXTENDED);
            let thermo = house.sensor("thermo", SensorKind::Temperature);
            let rain = house.sensor("rain", SensorKind::Rain);
            let hygro = house.sensor("hygro", SensorKind::Humidity);
            let group = house.single("awning", Kind::Awning);
            let humidity = Moisture::Humidity {
                sensor: hygro,
                from_pct: 90.0,
            };
            let wet = Moisture::Rain {
                sensor: rain,
                within_ms: HOUR,
            };
            let mut ice = ice_rule(&[thermo]);
            ice.moisture = vec![if humid { humidity } else { wet }];
            if beside {
                ice.moisture.push(if humid { wet } else { humidity });
            }
            house.of(group).ice = Some(ice);
            house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
            let mut rig = Rig::calm(house);
            let (out, name) = if humid {
                (hygro, "hygro")
            } else {
                (rain, "rain")
            };
            let leave_out = bypass(&rig, out, None, "20:00:00");
            let expected = if beside {
                ""
            } else {
                "awning +ice; awning: ice 0"
            };
            let told = format!("!sensor_bypassed/{name}");
            rig.check(&[
                ("10:00:00", leave_out, &told),
                ("10:10:00", value(thermo, 2.0), expected),
            ]);
        }
    }
}

/// A forecast beside a mast that is left out: nobody measures the wind.
#[test]
fn a_forecast_alone_measures_nothing() {
    let (mut house, group, mast) = awning(TRUSTING);
    let forecast = house.sensor("forecast", SensorKind::Wind);
    let mut rule = wind_rule(&[mast, forecast]);
    rule.links[1].advisory = true;
    house.of(group).wind = Some(rule);
    let mut rig = Rig::calm(house);
    let leave_out = bypass(&rig, mast, None, "20:00:00");
    rig.check(&[(
        "10:00:00",
        leave_out,
        "!sensor_bypassed/mast; awning +wind; awning: wind 0",
    )]);
}

/// A bypass that would have ended before it began is none; nor does a sensor stand in
/// for itself.
#[test]
fn a_bypass_has_an_end_to_come_and_another_sensor() {
    let (house, group, mast) = awning(WATCHED);
    let mut rig = Rig::calm(house);
    let over = bypass(&rig, mast, None, "00:04:00");
    let itself = bypass(&rig, mast, Some(mast), "20:00:00");
    rig.check(&[
        ("00:04:00", over, ""),
        (
            "00:05:00",
            itself,
            "!sensor_bypassed/mast; awning +wind; awning: wind 0",
        ),
    ]);
    let because = rig.core.explain(group).verdict.because;
    assert!(
        matches!(because, Because::SensorUnknown { .. }),
        "{because:?}"
    );
}

/// What was locked out before a restart extends nothing before it has been heard of
/// again, whichever guard it is.
#[test]
fn no_kept_lockout_extends_before_its_sensor_speaks() {
    for (kind, over, word) in [
        (SensorKind::Hail, 1.0, "hail"),
        (SensorKind::Rain, 2.0, "rain"),
        (SensorKind::Temperature, 2.0, "ice"),
    ] {
        let mut house = House::new(Pose::extension(40));
        let sensor = house.sensor("sensor", kind);
        let group = house.single("shutter", Kind::RollerShutter);
        let refuge = &mut house.product_of(group).refuge;
        (refuge.hail, refuge.rain) = (Some(Pose::EXTENDED), Some(Pose::EXTENDED));
        refuge.ice = Some(Pose::EXTENDED);
        let rules = house.of(group);
        match word {
            "hail" => rules.hail = Some(hail_rule(&[sensor])),
            "rain" => rules.rain = Some(rain_rule(&[sensor])),
            _ => rules.ice = Some(ice_rule(&[sensor])),
        }
        let mut rig = Rig::calm(house);
        let engages = format!("shutter +{word}; shutter: {word} 100");
        let goes_on = format!(".not_in_refuge/shutter; shutter: {word} 100");
        rig.check(&[("10:00:00", value(sensor, over), &engages)]);
        let kept = rig.core.snapshot();
        rig.core = Core::restore(rig.core.model().clone(), &kept).unwrap();
        rig.check(&[
            ("11:00:00", restart(), "!not_in_refuge/shutter"),
            ("11:00:05", value(sensor, over), &goes_on),
        ]);
    }
}

/// As soon as the wind is known to blow on, what it wants out goes out, though the rest
/// of the weather is not known yet.
#[test]
fn a_kept_lockout_goes_on_when_its_own_sensor_speaks() {
    let mut house = House::new(Pose::extension(40));
    let mast = house.sensor("mast", SensorKind::Wind);
    let rain = house.sensor("rain", SensorKind::Rain);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.of(group).rain = Some(rain_rule(&[rain]));
    house.product_of(group).refuge.wind = Pose::EXTENDED;
    Rig::calm(house).check(&[
        (
            "10:00:00",
            gust(mast, 12.0),
            "shutter +wind; shutter: wind 100",
        ),
        ("10:10:00", restart(), "!not_in_refuge/shutter"),
        (
            "10:11:00",
            gust(mast, 12.0),
            ".not_in_refuge/shutter; shutter: wind 100",
        ),
    ]);
}

/// A kept lockout of which nothing has been heard yet claims no pose that would extend:
/// the shutter goes to its refuge before it freezes.
#[test]
fn a_kept_lockout_keeps_no_shutter_from_its_refuge_before_it_freezes() {
    let mut house = House::new(Pose::extension(40));
    let mast = house.sensor("mast", SensorKind::Wind);
    let thermo = house.sensor("thermo", SensorKind::Temperature);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.of(group).ice = Some(ice_rule(&[thermo]));
    house.product_of(group).refuge.wind = Pose::EXTENDED;
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    Rig::calm(house).check(&[
        (
            "10:00:00",
            gust(mast, 12.0),
            "shutter +wind; shutter: wind 100",
        ),
        ("10:10:00", restart(), "!not_in_refuge/shutter"),
        (
            "10:11:00",
            value(thermo, 2.0),
            "shutter +ice; shutter: ice 0",
        ),
    ]);
}

/// Whoever asks in the very moment of a restart is told that the weather is not known.
#[test]
fn nobody_is_quicker_than_a_restart() {
    let (house, group, mast) = awning(TRUSTING);
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &restart());
    let out = rig.put("10:00:00", &room(group, 50));
    assert_eq!(rig.words("10:00:00", &out), "refused by panel: wind");
    rig.check(&[
        ("10:00:01", tick(), ""),
        ("10:00:02", gust(mast, 1.0), "awning: timetable 100"),
    ]);
}

/// What is told of a lockout follows it: why it holds, and what releases it.
#[test]
fn reason_and_release_follow_what_is_known() {
    let (house, group, mast) = awning(WATCHED);
    let mut rig = Rig::calm(house);
    let told = |rig: &Rig| {
        let verdict = rig.core.explain(group).verdict;
        (verdict.because, verdict.release)
    };
    rig.put("00:01:00", &gust(mast, 12.0));
    rig.put("00:01:00.001", &tick());
    let (because, release) = told(&rig);
    assert!(matches!(because, Because::WindAbove { .. }), "{because:?}");
    assert_eq!(release, Release::AfterCalm(20 * MINUTE));
    rig.put("00:02:00", &gust(mast, 1.0));
    rig.put("00:02:00.001", &tick());
    let (because, release) = told(&rig);
    assert!(
        matches!(because, Because::WindHolding { .. }),
        "{because:?}"
    );
    let calm = rig.now("00:22:00").steady;
    assert_eq!(release, Release::EarliestIfCalm(calm));
    rig.put("00:12:00.001", &tick());
    let (because, release) = told(&rig);
    assert!(
        matches!(because, Because::SensorUnknown { .. }),
        "{because:?}"
    );
    assert_eq!(release, Release::SensorRecovers(mast));
}

/// A mast whose cups may be gone, beside another one; only the first guards the awning.
fn beside() -> (House, SensorId, SensorId) {
    let (mut house, _, mast) = awning(WATCHED);
    let tower = house.sensor_with("tower", SensorKind::Wind, WATCHED);
    house.model.sensors[mast.index()].validity.zero = Some(ZeroCheck {
        neighbour: tower,
        neighbour_mps: 4.0,
        for_ms: 15 * MINUTE,
    });
    (house, mast, tower)
}

fn still(rig: &mut Rig, mast: SensorId, minutes: core::ops::Range<i32>) {
    for minute in minutes {
        let time = format!("{:02}:{:02}:00", minute / 60, minute % 60);
        rig.put(&time, &gust(mast, 0.0));
    }
}

/// A neighbour that is not believed tells nothing of one's own cups.
#[test]
fn a_neighbour_at_fault_breaks_no_cups() {
    let (house, mast, tower) = beside();
    let mut rig = Rig::calm(house);
    rig.put("00:10:00", &gust(tower, 9.0));
    // Beyond all that it can measure: at fault, with its last word still in mind.
    rig.put("00:11:00", &gust(tower, 300_000.0));
    still(&mut rig, mast, 12..40);
    let good = Standing::Good;
    assert_eq!(rig.core.sensor(mast).standing, good);
    rig.put("00:40:00", &gust(tower, 9.0));
    rig.put("00:41:00", &gust(tower, 9.0));
    rig.put("00:41:01", &tick());
    assert_ne!(rig.core.sensor(mast).standing, good);
}

/// Nobody knows what it said while the program was down: no wind is counted from the
/// restart on.
#[test]
fn no_wind_before_a_restart_is_not_counted_after_it() {
    let (house, mast, tower) = beside();
    let mut rig = Rig::calm(house);
    still(&mut rig, mast, 1..10);
    rig.put("00:30:00", &restart());
    rig.put("00:31:00", &gust(tower, 9.0));
    still(&mut rig, mast, 32..38);
    let good = Standing::Good;
    assert_eq!(rig.core.sensor(mast).standing, good);
}

/// Cups that stood still before a silence and stand still after it are as broken as
/// before, though the neighbour says only what it said all along.
#[test]
fn cups_that_come_back_still_are_broken_as_before() {
    let (house, mast, tower) = beside();
    let mut rig = Rig::calm(house);
    let mut standing = Vec::new();
    for minute in 1..40 {
        if !(12..=24).contains(&minute) {
            still(&mut rig, mast, minute..minute + 1);
        }
        if minute % 5 == 0 {
            rig.put(&format!("00:{minute:02}:01"), &gust(tower, 9.0));
        }
        standing.push(rig.core.sensor(mast).standing);
    }
    // Silent meanwhile, at fault all the time.
    let from = standing
        .iter()
        .position(|s| matches!(s, Standing::Fault(_)));
    let from = from.unwrap();
    assert!(from < 20 && standing[from..].iter().all(|s| *s != Standing::Good));
}

/// One device that hail does not harm, behind an open door: rain would have it out, but
/// nothing goes past that door.
#[test]
fn a_lower_refuge_does_not_go_past_an_open_door() {
    let mut house = House::new(Pose::extension(40));
    let hail = house.sensor("hail", SensorKind::Hail);
    let rain = house.sensor("rain", SensorKind::Rain);
    let door = house.contact("door", ContactKind::Door);
    let (harmed, other) = (house.product(Kind::Screen), house.product(Kind::Screen));
    house.model.products[harmed.index()].refuge.hail = Some(Pose::RETRACTED);
    house.model.products[other.index()].refuge.rain = Some(Pose::EXTENDED);
    let devices = [house.device("a", harmed), house.device("b", other)];
    house.model.devices[1].doors = vec![door];
    let group = house.group("pair", Kind::Screen, &devices);
    house.of(group).hail = Some(hail_rule(&[hail]));
    house.of(group).rain = Some(rain_rule(&[rain]));
    Rig::calm(house).check(&[
        ("10:00:00", contact(door, true), ""),
        ("10:01:00", value(hail, 1.0), "pair +hail; pair: hail a 0"),
        ("10:02:00", value(rain, 1.0), "pair +rain"),
        ("10:03:00", contact(door, false), "pair: rain b 100"),
    ]);
}

/// What comes through a gateway that is lost is old, whatever it claims: nothing
/// recovers by it.
#[test]
fn nothing_recovers_through_a_lost_gateway() {
    let (mut house, _, mast) = awning(WATCHED);
    house.model.gateways.push(Gateway {
        name: "roof".to_owned(),
        silence_ms: MINUTE,
    });
    house.model.sensors[mast.index()].gateway = Some(GatewayId(0));
    let mut rig = Rig::calm(house);
    let (gateway, present) = (GatewayId(0), false);
    rig.put("00:05:00", &In::Put(Input::Gateway { gateway, present }));
    for minute in 6..40 {
        rig.put(&format!("00:{minute:02}:00"), &gust(mast, 1.0));
    }
    assert_eq!(rig.core.lockouts(GroupId(0)).len(), 1);
}

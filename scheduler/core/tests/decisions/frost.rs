//! Ice, rain and hail: to refuge before it freezes, then hold; in from the wet.

use crate::support::*;
use leeside_core::ids::{GroupId, SensorId};
use leeside_core::input::{Ask, Origin};
use leeside_core::model::{FrozenWind, Kind, Moisture, SensorKind};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Fault};
use leeside_core::time::HOUR;

struct Cold {
    house: House,
    group: GroupId,
    thermo: SensorId,
    rain: SensorId,
    mast: SensorId,
}

/// An awning with wind, ice and rain sensors; moisture is rain within two hours.
fn awning() -> Cold {
    let mut house = House::new(Pose::EXTENDED);
    let thermo = house.sensor("thermo", SensorKind::Temperature);
    let rain = house.sensor("rain", SensorKind::Rain);
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("awning", Kind::Awning);
    let mut ice = ice_rule(&[thermo]);
    ice.moisture = vec![Moisture::Rain {
        sensor: rain,
        within_ms: 2 * HOUR,
    }];
    house.of(group).ice = Some(ice);
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    Cold {
        house,
        group,
        thermo,
        rain,
        mast,
    }
}

#[test]
fn to_refuge_before_it_freezes_and_back_only_after_warmth_has_lasted() {
    let Cold {
        house,
        thermo,
        rain,
        ..
    } = awning();
    Rig::calm(house).check(&[
        ("10:00:00", value(rain, 0.2), ""),
        ("10:10:00", value(rain, 0.0), ""),
        ("11:00:00", value(thermo, 3.0), ""),
        ("11:10:00", value(thermo, 2.9), "awning +ice; awning: ice 0"),
        ("12:00:00", value(thermo, 4.0), "awning ~ice"),
        // At the limit is not above it.
        ("13:00:00", value(thermo, 5.0), ""),
        ("14:00:00", value(thermo, 5.1), ""),
        ("14:59:59.999", tick(), ""),
        ("15:00:00", tick(), "awning -ice; awning: timetable 100"),
    ]);
}

#[test]
fn cold_and_dry_is_no_frost() {
    let Cold {
        house,
        thermo,
        rain,
        ..
    } = awning();
    Rig::calm(house).check(&[
        ("08:00:00", value(rain, 1.0), ""),
        ("08:05:00", value(rain, 0.0), ""),
        ("10:05:00.001", value(thermo, -5.0), ""),
        ("10:30:00", value(rain, 0.1), "awning +ice; !frozen/awning"),
    ]);
}

#[test]
fn rain_that_just_ended_is_moisture_even_if_it_lasted_unchanged_for_hours() {
    let Cold {
        house,
        thermo,
        rain,
        ..
    } = awning();
    Rig::calm(house).check(&[
        ("08:00:00", value(rain, 1.0), ""),
        ("12:00:00", value(rain, 1.0), ""),
        ("14:00:00", value(rain, 0.0), ""),
        ("15:00:00", value(thermo, 2.0), "awning +ice; awning: ice 0"),
    ]);
}

#[test]
fn a_frozen_device_holds_and_an_alarm_says_so() {
    let Cold {
        house,
        group,
        thermo,
        rain,
        ..
    } = awning();
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("10:00:00", value(rain, 1.0), ""),
        ("10:00:10", value(thermo, 2.0), "awning +ice; awning: ice 0"),
        // On its way to the refuge it goes on.
        ("10:00:20", value(thermo, 0.0), "!frozen/awning"),
        ("10:30:00", room(group, 50), "refused by panel: ice"),
        (
            "11:00:00",
            value(thermo, 6.0),
            "awning ~ice; !frozen/awning",
        ),
        (
            "12:00:00",
            tick(),
            "awning -ice; .frozen/awning; awning: timetable 100",
        ),
    ]);
}

#[test]
fn what_wind_may_do_to_a_frozen_device_is_stated() {
    let frozen = |policy| {
        let mut cold = awning();
        cold.house.model.policy.frozen_wind = policy;
        cold.house.of(cold.group).wind = Some(wind_rule(&[cold.mast]));
        cold
    };
    let Cold {
        house,
        thermo,
        rain,
        mast,
        ..
    } = frozen(FrozenWind::Hold);
    Rig::calm(house).check(&[
        ("10:00:00", value(thermo, -1.0), ""),
        ("10:01:00", value(rain, 1.0), "awning +ice; !frozen/awning"),
        ("10:02:00", gust(mast, 12.0), "awning +wind"),
    ]);
    let Cold {
        house,
        thermo,
        rain,
        mast,
        ..
    } = frozen(FrozenWind::Refuge);
    Rig::calm(house).check(&[
        ("10:00:00", value(thermo, -1.0), ""),
        ("10:01:00", value(rain, 1.0), "awning +ice; !frozen/awning"),
        ("10:02:00", gust(mast, 12.0), "awning +wind; awning: wind 0"),
        // Once the wind is over it does not move again.
        ("10:03:00", gust(mast, 1.0), "awning ~wind"),
        ("10:23:00", tick(), "awning -wind"),
    ]);
}

#[test]
fn unknown_cold_counts_as_frost() {
    // Last trusted above the limit: it can still reach its refuge.
    let watched = |last: f64, moved: &str| {
        let mut cold = awning();
        cold.house.model.sensors[0].validity = WATCHED;
        let thermo = cold.thermo;
        let mut rig = Rig::calm(cold.house);
        rig.check(&[
            ("00:05:00", value(thermo, last), ""),
            ("00:15:00", tick(), moved),
        ]);
    };
    watched(3.1, "!sensor_fault/thermo; awning +ice; awning: ice 0");
    // Else it may sit fast already.
    watched(3.0, "!sensor_fault/thermo; awning +ice; !frozen/awning");
}

#[test]
fn somebody_who_has_looked_may_free_it_until_the_next_frost() {
    let Cold {
        house,
        group,
        thermo,
        rain,
        ..
    } = awning();
    let free = || asks("A. Person", Origin::Centre, Ask::FrostCleared { group });
    Rig::calm(house).check(&[
        ("08:00:00", value(thermo, -2.0), ""),
        ("08:01:00", value(rain, 1.0), "awning +ice; !frozen/awning"),
        ("08:02:00", value(rain, 0.0), ""),
        ("09:00:00", free(), "awning -ice; .frozen/awning"),
        ("09:01:00", value(thermo, -1.0), ""),
        // Dry for two hours: the frost that was looked at is over ...
        ("11:00:00", value(thermo, -1.5), ""),
        // ... and this is another one.
        ("11:30:00", value(rain, 1.0), "awning +ice; !frozen/awning"),
    ]);
}

#[test]
fn what_was_cleared_does_not_outlive_the_sensor() {
    let mut cold = awning();
    cold.house.model.sensors[0].validity = WATCHED;
    let Cold {
        house,
        group,
        thermo,
        rain,
        ..
    } = cold;
    let free = asks("A. Person", Origin::Centre, Ask::FrostCleared { group });
    Rig::calm(house).check(&[
        ("00:05:00", value(thermo, -2.0), ""),
        ("00:06:00", value(rain, 1.0), "awning +ice; !frozen/awning"),
        ("00:07:00", free, "awning -ice; .frozen/awning"),
        (
            "00:15:00",
            tick(),
            "!sensor_fault/thermo; awning +ice; !frozen/awning",
        ),
    ]);
}

#[test]
fn humidity_tells_of_moisture_and_not_knowing_it_does_too() {
    let mut house = House::new(Pose::EXTENDED);
    let thermo = house.sensor("thermo", SensorKind::Temperature);
    let hygro = house.sensor_with("hygro", SensorKind::Humidity, WATCHED);
    let group = house.single("awning", Kind::Awning);
    let mut ice = ice_rule(&[thermo]);
    ice.moisture = vec![Moisture::Humidity {
        sensor: hygro,
        from_pct: 90.0,
    }];
    house.of(group).ice = Some(ice);
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:01:00", value(thermo, 2.0), ""),
        ("00:02:00", value(hygro, 89.9), ""),
        ("00:03:00", value(hygro, 90.0), "awning +ice; awning: ice 0"),
        ("00:05:00", value(thermo, 6.0), "awning ~ice"),
        ("00:06:00", value(hygro, 50.0), ""),
        (
            "01:06:00",
            tick(),
            "00:16:00 !sensor_fault/hygro; 01:05:00 awning -ice; 01:05:00 awning: timetable 100",
        ),
        ("02:00:00", value(thermo, 2.0), "awning +ice; awning: ice 0"),
    ]);
}

#[test]
fn rain_brings_in_what_it_harms_and_dryness_has_to_last() {
    let mut house = House::new(Pose::EXTENDED);
    let (front, back) = (
        house.sensor("front", SensorKind::Rain),
        house.sensor("back", SensorKind::Rain),
    );
    let group = house.single("awning", Kind::Awning);
    house.of(group).rain = Some(rain_rule(&[front, back]));
    house.product_of(group).refuge.rain = Some(Pose::RETRACTED);
    Rig::calm(house).check(&[
        ("10:00:00", value(front, 0.5), ""),
        (
            "10:01:00",
            value(front, 0.6),
            "awning +rain; awning: rain 0",
        ),
        ("10:02:00", value(front, 0.0), "awning ~rain"),
        ("10:10:00", value(back, 2.0), "awning ~rain"),
        ("10:20:00", value(back, 0.5), "awning ~rain"),
        // Exactly at the end of the hold.
        ("10:35:00", value(front, 0.6), "awning ~rain"),
        ("10:36:00", value(front, 0.0), "awning ~rain"),
        ("10:51:00", tick(), "awning -rain; awning: timetable 100"),
    ]);
}

#[test]
fn hail_sends_each_to_its_own_refuge() {
    let mut house = House::new(Pose::extension(30));
    let hail = house.sensor("hail", SensorKind::Hail);
    let (screen, shutter) = (
        house.single("screen", Kind::Screen),
        house.single("shutter", Kind::RollerShutter),
    );
    for group in [screen, shutter] {
        house.of(group).hail = Some(hail_rule(&[hail]));
    }
    house.product_of(screen).refuge.hail = Some(Pose::RETRACTED);
    house.product_of(shutter).refuge.hail = Some(Pose::EXTENDED);
    Rig::calm(house).check(&[
        ("10:00:00", value(hail, 0.9), ""),
        (
            "10:01:00",
            value(hail, 1.0),
            "screen +hail; shutter +hail; screen: hail 0; shutter: hail 100",
        ),
        ("10:02:00", value(hail, 0.0), "screen ~hail; shutter ~hail"),
        (
            "10:32:00",
            tick(),
            "screen -hail; shutter -hail; screen: timetable 30; shutter: timetable 30",
        ),
    ]);
}

#[test]
fn rain_counts_as_moisture_up_to_the_very_end_of_its_time() {
    let Cold {
        house,
        thermo,
        rain,
        ..
    } = awning();
    Rig::calm(house).check(&[
        ("08:00:00", value(rain, 1.0), ""),
        ("08:05:00", value(rain, 0.0), ""),
        ("10:05:00", value(thermo, 1.0), "awning +ice; awning: ice 0"),
    ]);
}

#[test]
fn the_coldest_sensor_counts() {
    let mut house = House::new(Pose::EXTENDED);
    let (north, south) = (
        house.sensor("north", SensorKind::Temperature),
        house.sensor("south", SensorKind::Temperature),
    );
    let group = house.single("awning", Kind::Awning);
    house.of(group).ice = Some(ice_rule(&[north, south]));
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    Rig::calm(house).check(&[
        ("10:00:00", value(north, 2.0), "awning +ice; awning: ice 0"),
        ("11:00:00", value(south, 9.0), ""),
        ("12:00:00", value(north, 9.0), "awning ~ice"),
        ("13:00:00", tick(), "awning -ice; awning: timetable 100"),
        ("14:00:00", value(south, 2.0), "awning +ice; awning: ice 0"),
    ]);
}

#[test]
fn on_its_way_to_the_refuge_it_is_not_frozen_for_not_knowing() {
    let mut cold = awning();
    cold.house.model.sensors[0].validity = WATCHED;
    let Cold {
        house,
        thermo,
        rain,
        ..
    } = cold;
    Rig::calm(house).check(&[
        ("00:01:00", value(rain, 1.0), ""),
        ("00:05:00", value(thermo, 2.0), "awning +ice; awning: ice 0"),
        ("00:15:00", tick(), "!sensor_fault/thermo; awning ~ice"),
    ]);
}

#[test]
fn a_cleared_frost_is_over_once_it_has_dried_even_if_no_reading_says_so() {
    let mut cold = awning();
    cold.house.model.sensors[1].validity.silence_ms = 4 * HOUR;
    let Cold {
        house,
        group,
        thermo,
        rain,
        ..
    } = cold;
    let free = asks("A. Person", Origin::Centre, Ask::FrostCleared { group });
    Rig::calm(house).check(&[
        ("00:50:00", value(thermo, -5.0), ""),
        ("00:55:00", value(rain, 1.0), "awning +ice; !frozen/awning"),
        ("01:00:00", value(rain, 0.0), ""),
        ("01:10:00", free, "awning -ice; .frozen/awning"),
        // Dry from 03:00 on. At 05:00 the rain sensor is silent: moist, for all one knows.
        (
            "05:00:00",
            tick(),
            "!sensor_fault/rain; awning +ice; !frozen/awning",
        ),
    ]);
}

#[test]
fn one_dry_sensor_of_two_is_not_dry() {
    let mut house = House::new(Pose::EXTENDED);
    let (front, back) = (
        house.sensor("front", SensorKind::Rain),
        house.sensor("back", SensorKind::Rain),
    );
    let group = house.single("awning", Kind::Awning);
    house.of(group).rain = Some(rain_rule(&[front, back]));
    house.product_of(group).refuge.rain = Some(Pose::RETRACTED);
    Rig::calm(house).check(&[
        (
            "10:00:00",
            value(front, 1.0),
            "awning +rain; awning: rain 0",
        ),
        ("10:10:00", restart(), "awning: rain 0"),
        ("10:11:00", value(front, 0.0), ""),
        ("10:40:00", value(back, 0.0), "awning ~rain"),
        ("10:55:00", tick(), "awning -rain; awning: timetable 100"),
    ]);
}

#[test]
fn rain_and_hail_that_nobody_measures_any_more_engage() {
    // A group is not talked out of its only sensor by a bypass.
    for kind in [SensorKind::Rain, SensorKind::Hail] {
        let mut house = House::new(Pose::EXTENDED);
        let sensor = house.sensor("sensor", kind);
        let group = house.single("awning", Kind::Awning);
        let refuge = &mut house.product_of(group).refuge;
        (refuge.rain, refuge.hail) = (Some(Pose::RETRACTED), Some(Pose::RETRACTED));
        if kind == SensorKind::Rain {
            house.of(group).rain = Some(rain_rule(&[sensor]));
        } else {
            house.of(group).hail = Some(hail_rule(&[sensor]));
        }
        let mut rig = Rig::calm(house);
        let until = Some(rig.now("20:00:00").wall);
        let ask = Ask::Bypass {
            sensor,
            substitute: None,
            until,
        };
        rig.put("10:00:00", &asks("A. Person", Origin::Centre, ask));
        rig.put("10:00:00.001", &tick());
        let because = rig.core.explain(group).verdict.because;
        let left_out = Because::SensorUnknown {
            sensor,
            fault: Fault::LeftOut,
        };
        assert_eq!(because, left_out, "{kind:?}");
    }
}

#[test]
fn after_a_restart_warmth_counts_once_every_thermometer_has_spoken() {
    let mut house = House::new(Pose::EXTENDED);
    let (north, south) = (
        house.sensor("north", SensorKind::Temperature),
        house.sensor("south", SensorKind::Temperature),
    );
    let group = house.single("awning", Kind::Awning);
    house.of(group).ice = Some(ice_rule(&[north, south]));
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    Rig::calm(house).check(&[
        ("10:00:00", value(north, 2.0), "awning +ice; awning: ice 0"),
        ("10:30:00", restart(), "awning: ice 0"),
        ("10:31:00", value(north, 9.0), ""),
        ("12:00:00", value(south, 9.0), "awning ~ice"),
        ("12:59:59.999", tick(), ""),
        ("13:00:00", tick(), "awning -ice; awning: timetable 100"),
    ]);
}

/// A shutter that wind asks out, half way down, with its wind sensor silent: unknown
/// wind lets it be, so it goes to its refuge before it freezes, and stays once it may
/// sit fast. The alarm that it is not where wind would have it stands meanwhile.
#[test]
fn unknown_wind_keeps_no_shutter_from_its_refuge_before_it_freezes() {
    let mut house = House::new(Pose::extension(40));
    let mast = house.sensor_with("mast", SensorKind::Wind, WATCHED);
    let thermo = house.sensor("thermo", SensorKind::Temperature);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.of(group).ice = Some(ice_rule(&[thermo]));
    house.product_of(group).refuge.wind = Pose::EXTENDED;
    house.product_of(group).refuge.ice = Some(Pose::RETRACTED);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("00:05:00", tick(), ""),
        (
            "00:30:00",
            tick(),
            "00:10:00 !sensor_fault/mast; 00:10:00 shutter +wind; 00:10:00 !not_in_refuge/shutter",
        ),
        (
            "01:00:00",
            value(thermo, 2.0),
            "shutter +ice; shutter: ice 0",
        ),
        (
            "02:00:00",
            value(thermo, -1.0),
            "!frozen/shutter; .not_in_refuge/shutter",
        ),
    ]);
    // What the wind is now that it is known again moves nothing that may be frozen.
    let out = rig.put("03:00:00", &gust(mast, 12.0));
    assert_eq!(rig.words("03:00:00", &out), "");
    let told = rig.core.explain(group).verdict;
    assert_eq!(told.decided_by.as_str(), "ice");
}

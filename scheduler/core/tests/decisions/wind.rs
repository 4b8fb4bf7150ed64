//! The wind guard: trip, hold and release to the second; what each sensor of a
//! group counts for.

use crate::support::*;
use leeside_core::ids::{GroupId, SensorId};
use leeside_core::model::{Kind, Sector, SensorKind, Unheard};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, WindPart};
use leeside_core::time::SECOND;

/// An awning that the timetable wants extended, and its mast.
fn awning() -> (House, GroupId, SensorId) {
    let mut house = House::new(Pose::EXTENDED);
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("awning", Kind::Awning);
    house.of(group).wind = Some(wind_rule(&[mast]));
    (house, group, mast)
}

#[test]
fn it_trips_at_the_limit_holds_and_releases_to_the_second() {
    let (house, _, mast) = awning();
    Rig::calm(house).check(&[
        ("10:00:00", gust(mast, 9.9), ""),
        ("10:01:00", gust(mast, 10.0), "awning +wind; awning: wind 0"),
        ("10:02:00", gust(mast, 14.0), ""),
        // Below the limit but not below limit less hysteresis: not calm.
        ("10:03:00", gust(mast, 8.0), "awning ~wind"),
        ("10:04:00", gust(mast, 7.9), ""),
        ("10:23:59.999", tick(), ""),
        ("10:24:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

#[test]
fn a_sample_exactly_at_the_end_of_the_hold_cancels_it() {
    let rows = |mast, last: f64, says| {
        [
            ("10:00:00", gust(mast, 12.0), "awning +wind; awning: wind 0"),
            ("10:01:00", gust(mast, 3.0), "awning ~wind"),
            ("10:21:00", gust(mast, last), says),
        ]
    };
    let (house, _, mast) = awning();
    let mut rig = Rig::calm(house);
    rig.check(&rows(mast, 10.0, "awning ~wind"));
    rig.check(&[
        ("10:22:00", gust(mast, 3.0), "awning ~wind"),
        ("10:41:59.999", tick(), ""),
        ("10:42:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
    let (house, _, mast) = awning();
    let mut rig = Rig::calm(house);
    rig.check(&rows(mast, 8.0, ""));
    rig.check(&[("23:00:00", tick(), "")]);
    // A thousandth of a second later is too late to cancel: released, then engaged again.
    let (house, _, mast) = awning();
    let mut rig = Rig::calm(house);
    rig.check(&rows(mast, 3.0, "awning -wind; awning: timetable 100")[..2]);
    rig.check(&[(
        "10:21:00.001",
        gust(mast, 10.0),
        "10:21:00 awning -wind; 10:21:00 awning: timetable 100; awning +wind; awning: wind 0+0.5s",
    )]);
}

#[test]
fn the_mean_counts_where_no_gust_is_told_and_where_it_is_higher() {
    let (house, group, mast) = awning();
    let mut rig = Rig::calm(house);
    let mean = |v| In::Read(mast, wind(None, Some(v), None));
    rig.check(&[
        // The gust of the start (2 m/s) is older than it counts.
        ("10:00:00", mean(9.9), ""),
        ("10:01:00", mean(10.0), "awning +wind; awning: wind 0"),
    ]);
    let part = rig.core.lockouts(group)[0].because.clone();
    let mean_part = matches!(
        part,
        Because::WindAbove {
            part: WindPart::Mean,
            ..
        }
    );
    assert!(mean_part, "{part:?}");
    // Gust calm, mean not: no release.
    rig.check(&[
        (
            "10:02:00",
            In::Read(mast, wind(Some(3.0), Some(9.0), None)),
            "awning ~wind",
        ),
        ("11:00:00", tick(), ""),
    ]);
}

#[test]
fn a_gust_counts_as_long_as_the_site_says_when_readings_leave_it_out() {
    let (mut house, _, mast) = awning();
    house.model.sensors[0].gust = Unheard::KeptFor(30 * SECOND);
    let mean = |v| In::Read(mast, wind(None, Some(v), None));
    Rig::calm(house).check(&[
        ("10:00:00", gust(mast, 11.0), "awning +wind; awning: wind 0"),
        ("10:00:30", mean(4.0), ""),
        ("10:00:31", mean(4.0), "awning ~wind"),
        ("10:20:31", tick(), "awning -wind; awning: timetable 100"),
    ]);
    let (mut house, _, mast) = awning();
    house.model.sensors[0].gust = Unheard::ThisReadingOnly;
    let mean = |v| In::Read(mast, wind(None, Some(v), None));
    Rig::calm(house).check(&[
        ("10:00:00", gust(mast, 11.0), "awning +wind; awning: wind 0"),
        ("10:00:01", mean(4.0), "awning ~wind"),
    ]);
}

#[test]
fn gust_mean_and_direction_of_one_moment_may_come_apart_and_twice() {
    let (house, group, mast) = awning();
    let mut rig = Rig::calm(house);
    let part = |g, m, d| In::ReadAt(mast, wind(g, m, d), "10:00:00");
    rig.check(&[
        (
            "10:00:00",
            part(Some(11.0), None, None),
            "awning +wind; awning: wind 0",
        ),
        ("10:00:01", part(None, Some(5.0), None), ""),
        ("10:00:02", part(None, None, Some(270.0)), ""),
        // The first again changes nothing; a contradiction is not believed.
        ("10:00:03", part(Some(11.0), None, None), ""),
        ("10:00:04", part(Some(2.0), None, None), ""),
    ]);
    assert_eq!(rig.core.lockouts(group).len(), 1);
    let state = rig.core.sensor(mast).state;
    assert_eq!(state.disbelieved.old, 1);
    let whole = wind(Some(11.0), Some(5.0), Some(270.0));
    assert_eq!(state.last().map(|reading| reading.sample), Some(whole));
}

#[test]
fn a_gust_that_counts_for_its_reading_only_outlives_the_other_parts_of_that_moment() {
    let (mut house, _, mast) = awning();
    house.model.sensors[0].gust = Unheard::ThisReadingOnly;
    let part = |g, m| In::ReadAt(mast, wind(g, m, None), "10:00:00");
    Rig::calm(house).check(&[
        (
            "10:00:00",
            part(Some(11.0), None),
            "awning +wind; awning: wind 0",
        ),
        // Its mean comes later and leaves the gust unsaid: it is still that reading.
        ("10:00:05", part(None, Some(4.0)), ""),
        ("10:10:00", gust(mast, 1.0), "awning ~wind"),
        ("10:30:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

/// Found by a mutant: vanes with a topic of their own were never believed.
#[test]
fn a_direction_may_come_by_itself_and_does_not_count_as_hearing_the_wind() {
    let (mut house, group, mast) = awning();
    house.model.sensors[0].validity = WATCHED;
    let mut rule = wind_rule(&[mast]);
    rule.links[0].sectors = vec![Sector {
        from_deg: 200.0,
        to_deg: 280.0,
        factor: 2.0,
    }];
    house.of(group).wind = Some(rule);
    let turns = |from| In::Read(mast, wind(None, None, Some(from)));
    Rig::calm(house).check(&[
        ("00:01:00", turns(90.0), ""),
        ("00:02:00", gust(mast, 6.0), ""),
        ("00:03:00", turns(240.0), "awning +wind; awning: wind 0"),
        ("00:04:00", turns(f64::NAN), ""),
        ("00:05:00", turns(100.0), "awning ~wind"),
        // The vane turns on, the cups have been silent since 00:02.
        ("00:11:59", turns(110.0), ""),
        (
            "00:12:30",
            turns(120.0),
            "00:12:00 !sensor_fault/mast; 00:12:00 awning ~wind",
        ),
    ]);
}

#[test]
fn a_direction_from_before_a_silence_is_none() {
    let (mut house, group, mast) = awning();
    house.model.sensors[0].validity = WATCHED;
    let mut rule = wind_rule(&[mast]);
    rule.links[0].sectors = vec![Sector {
        from_deg: 200.0,
        to_deg: 280.0,
        factor: 2.0,
    }];
    house.of(group).wind = Some(rule);
    let blows = |mps, from| In::Read(mast, wind(Some(mps), None, from));
    let mut rig = Rig::calm(house);
    for (time, from, counts) in [
        ("00:05:00", Some(90.0), 6.0),
        // Left out, the direction of five minutes ago stands.
        ("00:10:00", None, 6.0),
        // Silent from 00:20 on; believed again, it may blow from the sector.
        ("00:30:00", None, 0.0),
        ("00:32:00", None, 12.0),
    ] {
        rig.put(time, &blows(6.0, from));
        rig.put(&format!("{time}.001"), &tick());
        let engaged = matches!(
            rig.core.explain(group).verdict.because,
            leeside_core::reason::Because::WindAbove { .. }
        );
        assert_eq!(engaged, counts > 10.0, "{time}");
    }
}

#[test]
fn the_worst_sensor_counts_with_its_factor() {
    let (mut house, group, mast) = awning();
    let corner = house.sensor("corner", SensorKind::Wind);
    let mut rule = wind_rule(&[mast, corner]);
    rule.links[1].factor = 1.25;
    house.of(group).wind = Some(rule);
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("10:00:00", gust(corner, 7.9), ""),
        (
            "10:01:00",
            gust(corner, 8.0),
            "awning +wind; awning: wind 0",
        ),
        ("10:02:00", gust(mast, 1.0), ""),
        ("10:03:00", gust(corner, 6.3), "awning ~wind"),
        // The other one is not calm.
        ("10:10:00", gust(mast, 8.5), ""),
        ("10:30:00", tick(), ""),
        ("10:31:00", gust(mast, 7.0), ""),
        ("10:51:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

#[test]
fn sectors_only_tighten_and_an_unknown_direction_counts_as_the_worst() {
    let sectors = vec![
        Sector {
            from_deg: 200.0,
            to_deg: 280.0,
            factor: 2.0,
        },
        Sector {
            from_deg: 270.0,
            to_deg: 300.0,
            factor: 1.5,
        },
    ];
    let blows = |mps, from| wind(Some(mps), None, from);
    let cases = [
        // speed, direction, engages
        (9.9, Some(90.0), false),
        (10.0, Some(90.0), true),
        (4.9, Some(240.0), false),
        (5.0, Some(240.0), true),
        (5.0, Some(275.0), true),
        (6.6, Some(290.0), false),
        (6.7, Some(290.0), true),
        (4.9, None, false),
        (5.0, None, true),
    ];
    for (mps, from, engages) in cases {
        let (mut house, group, mast) = awning();
        let mut rule = wind_rule(&[mast]);
        rule.links[0].sectors = sectors.clone();
        house.of(group).wind = Some(rule);
        let mut rig = Rig::calm(house);
        rig.put("10:00:00", &In::Read(mast, blows(mps, from)));
        rig.put("10:00:01", &tick());
        let engaged = !rig.core.lockouts(group).is_empty();
        assert_eq!(engaged, engages, "{mps} m/s from {from:?}");
    }
}

#[test]
fn persistence_has_to_last_and_starts_over() {
    let (mut house, group, mast) = awning();
    let mut rule = wind_rule(&[mast]);
    rule.persistence_ms = 5 * SECOND;
    house.of(group).wind = Some(rule);
    Rig::calm(house).check(&[
        ("10:00:00", gust(mast, 15.0), ""),
        ("10:00:04.999", gust(mast, 9.0), ""),
        ("10:00:10", gust(mast, 10.0), ""),
        ("10:00:14.999", tick(), ""),
        ("10:00:15", tick(), "awning +wind; awning: wind 0"),
        ("10:00:20", gust(mast, 1.0), "awning ~wind"),
        ("10:20:20", tick(), "awning -wind; awning: timetable 100"),
        ("10:30:00", gust(mast, 10.0), ""),
        // A sample of the very moment is seen first.
        ("10:30:05", gust(mast, 9.0), ""),
        ("11:00:00", tick(), ""),
    ]);
}

#[test]
fn a_gust_that_came_and_went_within_one_moment_is_not_lost() {
    let (house, _, mast) = awning();
    let mut rig = Rig::calm(house);
    rig.put(
        "10:00:00",
        &In::ReadAt(mast, wind(Some(15.0), None, None), "09:59:59"),
    );
    rig.put("10:00:00", &gust(mast, 2.0));
    rig.check(&[
        ("10:00:00", tick(), "awning +wind; awning: wind 0"),
        // It held from the calm reading on.
        ("10:20:00", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

#[test]
fn a_forecast_may_only_tighten() {
    let (mut house, group, mast) = awning();
    let forecast = house.sensor_with("forecast", SensorKind::Wind, WATCHED);
    let mut rule = wind_rule(&[mast, forecast]);
    rule.links[1].advisory = true;
    house.of(group).wind = Some(rule);
    let mut rig = Rig::calm(house);
    rig.check(&[
        // Silent since midnight: a fault is told, but no guard engages for it.
        ("09:00:00", tick(), "00:10:00 !sensor_fault/forecast"),
        ("09:10:00", gust(forecast, 12.0), ""),
        (
            "09:11:00",
            gust(forecast, 12.5),
            ".sensor_fault/forecast; awning +wind; awning: wind 0",
        ),
        ("09:12:00", gust(forecast, 3.0), "awning ~wind"),
        ("09:20:00", gust(mast, 12.0), "awning ~wind"),
        ("09:21:00", gust(mast, 1.0), "awning ~wind"),
        ("09:21:30", gust(forecast, 8.5), ""),
        // No longer believed, it no longer counts: the mast alone has been calm, but from now.
        ("09:31:30", tick(), "!sensor_fault/forecast"),
        ("09:51:30", tick(), "awning -wind; awning: timetable 100"),
    ]);
}

#[test]
fn where_products_differ_each_device_takes_its_own_refuge() {
    let mut house = House::new(Pose::extension(50));
    let rain = house.sensor("rain", SensorKind::Rain);
    let (sturdy, wicker) = (house.product(Kind::Screen), house.product(Kind::Screen));
    house.model.products[wicker.index()].refuge.rain = Some(Pose::RETRACTED);
    let devices = [house.device("a", sturdy), house.device("b", wicker)];
    let pair = house.group("pair", Kind::Screen, &devices);
    house.of(pair).rain = Some(rain_rule(&[rain]));
    // The one that rain does not harm stays; that it comes first must not keep the other out.
    Rig::calm(house).check(&[("10:00:00", value(rain, 1.0), "pair +rain; pair: rain b 0")]);
}

#[test]
fn a_shutter_whose_refuge_is_extended_goes_there_from_measured_wind() {
    let mut house = House::new(Pose::extension(40));
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.product_of(group).refuge.wind = Pose::EXTENDED;
    Rig::calm(house).check(&[
        (
            "10:00:00",
            gust(mast, 12.0),
            "shutter +wind; shutter: wind 100",
        ),
        ("10:01:00", gust(mast, 1.0), "shutter ~wind"),
        ("10:21:00", tick(), "shutter -wind; shutter: timetable 40"),
    ]);
}

#[test]
fn every_command_and_lockout_says_why() {
    let (house, group, mast) = awning();
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &gust(mast, 12.0));
    let out = rig.put("10:00:01", &tick());
    let because = |output: &Output| match output {
        Output::Command(c) => Some(c.because.clone()),
        Output::Lockout(l) => Some(l.because.clone()),
        Output::Alarm(_) | Output::Refused { .. } | Output::Announce { .. } | Output::Wake(_) => {
            None
        }
    };
    let why = Because::WindAbove {
        sensor: mast,
        part: WindPart::Gust,
        speed_mps: 12.0,
        factor: 1.0,
        limit_mps: 10.0,
    };
    assert_eq!(
        out.iter().filter_map(because).collect::<Vec<_>>(),
        [why.clone(), why.clone()]
    );
    assert_eq!(rig.core.explain(group).verdict.because, why);
}

#[test]
fn not_knowing_one_sensor_makes_anothers_limit_count_at_once() {
    let (mut house, group, mast) = awning();
    house.model.sensors[0].validity = WATCHED;
    let tower = house.sensor("tower", SensorKind::Wind);
    let mut rule = wind_rule(&[mast, tower]);
    rule.persistence_ms = 20 * SECOND;
    house.of(group).wind = Some(rule);
    Rig::calm(house).check(&[
        ("00:09:55", gust(tower, 11.0), ""),
        (
            "00:10:00",
            tick(),
            "!sensor_fault/mast; awning +wind; awning: wind 0",
        ),
    ]);
}

#[test]
fn drives_that_do_not_report_are_told_when_a_lockout_begins_wherever_they_should_be() {
    let (house, group, mast) = awning();
    let mut rig = Rig::calm(house);
    rig.check(&[
        ("10:00:00", room(group, 0), "awning: hand 0"),
        // Somebody may have cranked it out since.
        (
            "11:00:00",
            gust(mast, 12.0),
            "awning +wind; awning: again wind 0",
        ),
        ("11:01:00", gust(mast, 13.0), ""),
    ]);
}

#[test]
fn while_it_holds_the_highest_wind_since_it_engaged_is_told() {
    let (house, group, mast) = awning();
    let mut rig = Rig::calm(house);
    for (time, mps) in [
        ("10:00:00", 12.0),
        ("10:01:00", 19.0),
        ("10:02:00", 11.0),
        ("10:03:00", 3.0),
    ] {
        rig.put(time, &gust(mast, mps));
    }
    rig.put("10:03:01", &tick());
    let because = Because::WindHolding {
        peak_mps: 19.0,
        limit_mps: 10.0,
        calm_below_mps: 8.0,
    };
    assert_eq!(rig.core.explain(group).verdict.because, because);
}

#[test]
fn a_sensor_at_fault_engages_while_another_has_not_been_heard_yet() {
    let (mut house, group, mast) = awning();
    house.model.sensors[0].validity.max = 60.0;
    let tower = house.sensor("tower", SensorKind::Wind);
    house.of(group).wind = Some(wind_rule(&[mast, tower]));
    Rig::cold(house).check(&[(
        "00:00:01",
        gust(mast, 61.0),
        "!sensor_fault/mast; awning +wind; awning: wind 0",
    )]);
}

/// Where gust and mean are the same it is the gust that is told.
#[test]
fn a_mean_as_high_as_the_gust_is_told_as_a_gust() {
    let (house, group, mast) = awning();
    let mut rig = Rig::calm(house);
    rig.put(
        "10:00:00",
        &In::Read(mast, wind(Some(12.0), Some(12.0), None)),
    );
    rig.put("10:00:01", &tick());
    let because = rig.core.explain(group).verdict.because;
    let told = matches!(because, Because::WindAbove { part, .. } if part == WindPart::Gust);
    assert!(told, "{because:?}");
}

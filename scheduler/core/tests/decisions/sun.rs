//! The sun wish: on and off with their delays, slats first, steps, intervals,
//! the day's cap, heat while nobody is in.

use crate::support::*;
use leeside_core::ids::{ContactId, GroupId, SensorId};
use leeside_core::model::{ContactKind, DailyCap, HeatRule, Kind, SensorKind, SunAim};
use leeside_core::pose::Pose;
use leeside_core::time::MINUTE;

pub(crate) fn lit(kind: Kind, aim: SunAim) -> (House, GroupId, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let light = house.sensor("light", SensorKind::PlaneIrradiance);
    house.model.facades[0].light = vec![light];
    let group = house.single("blind", kind);
    house.of(group).sun = Some(sun_rule(aim));
    (house, group, light)
}

#[test]
fn it_shades_after_the_on_delay_and_lets_go_after_the_off_delay() {
    let (house, _, light) = lit(Kind::Screen, SunAim::Fixed(Pose::extension(80)));
    Rig::calm(house).check(&[
        ("11:00:00", value(light, 199.9), ""),
        ("11:10:00", value(light, 200.0), ""),
        // A cloud starts the delay over.
        ("11:14:59.999", value(light, 150.0), ""),
        ("11:20:00", value(light, 300.0), ""),
        ("11:24:59.999", tick(), ""),
        ("11:25:00", tick(), "blind: sun 80"),
        ("11:30:00", value(light, 100.1), ""),
        ("11:40:00", value(light, 100.0), ""),
        ("11:54:59.999", value(light, 101.0), ""),
        ("12:00:00", value(light, 50.0), ""),
        ("12:14:59.999", tick(), ""),
        ("12:15:00", tick(), "blind: timetable 0"),
    ]);
}

#[test]
fn slats_open_first_and_the_blind_retracts_later() {
    let (house, _, light) = lit(Kind::SlatBlind, SunAim::TrackSlats);
    let mut rig = Rig::calm(house);
    rig.put("11:00:00", &value(light, 700.0));
    let out = rig.put("11:05:00.001", &tick());
    let shaded = rig.words("11:05:00", &out);
    // At noon in June the sun stands high on a south facade: a small tilt is enough.
    assert!(shaded.starts_with("blind: sun 100/"), "{shaded}");
    rig.check(&[("11:06:00", value(light, 50.0), "")]);
    let out = rig.put("11:21:00.001", &tick());
    let opened = rig.words("11:21:00", &out);
    assert!(
        opened.is_empty() || opened.ends_with("blind: sun 100/0"),
        "{opened}"
    );
    rig.check(&[
        ("11:40:59.999", tick(), ""),
        ("11:41:00", tick(), "blind: timetable 0/0"),
    ]);
}

#[test]
fn bright_again_before_it_retracted_it_shades_again() {
    let (house, _, light) = lit(Kind::SlatBlind, SunAim::Fixed(Pose::slats(100, 45)));
    Rig::calm(house).check(&[
        ("11:00:00", value(light, 700.0), ""),
        ("11:05:00", tick(), "blind: sun 100/45"),
        ("11:10:00", value(light, 50.0), ""),
        ("11:25:00", tick(), "blind: sun 100/0"),
        ("11:30:00", value(light, 700.0), ""),
        ("11:35:00", tick(), "blind: sun 100/45"),
    ]);
}

#[test]
fn the_days_travels_are_capped_with_the_way_back_in_hand() {
    let (mut house, group, light) = lit(Kind::Screen, SunAim::Fixed(Pose::EXTENDED));
    let rule = house.of(group).sun.as_mut().unwrap();
    rule.cap = DailyCap {
        travels: 3,
        tilts: 0,
    };
    rule.on_delay_ms = 0;
    rule.off_delay_ms = 0;
    Rig::calm(house).check(&[
        ("11:00:00", value(light, 700.0), "blind: sun 100"),
        ("11:10:00", value(light, 50.0), "blind: timetable 0"),
        // A second way out would leave none back.
        ("11:20:00", value(light, 700.0), ""),
        ("11:30:00", value(light, 50.0), ""),
        ("1d 11:00:00", value(light, 700.0), "blind: sun 100"),
    ]);
}

#[test]
fn slats_follow_the_sun_in_steps_and_not_more_often_than_the_interval() {
    let (mut house, group, light) = lit(Kind::SlatBlind, SunAim::TrackSlats);
    house.model.facades[0].plane = leeside_solar::Plane::new(240.0, 90.0).unwrap();
    house.of(group).sun.as_mut().unwrap().on_delay_ms = 0;
    let mut rig = Rig::calm(house);
    rig.put("13:00:00", &value(light, 700.0));
    let mut moves = Vec::new();
    let mut tilts = Vec::new();
    for minute in 1..300 {
        let time = format!("{:02}:{:02}:00.001", 13 + minute / 60, minute % 60);
        for output in rig.put(&time, &tick()) {
            if let leeside_core::output::Output::Command(command) = output {
                moves.push(command.at.wall.0);
                tilts.push(command.orders[0].pose.unwrap().tilt_deg.unwrap());
            }
        }
    }
    assert!(moves.len() > 5, "{moves:?}");
    assert!(
        moves.windows(2).all(|w| w[1] - w[0] >= 15 * MINUTE),
        "{moves:?}"
    );
    // The sun sinks toward the facade: the slats close, five degrees at a time or more.
    assert!(tilts.windows(2).all(|w| w[1] - w[0] >= 5), "{tilts:?}");
}

#[test]
fn a_light_sensor_that_is_not_believed_gives_way_to_the_clear_sky() {
    let (mut house, _, light) = lit(Kind::Screen, SunAim::Fixed(Pose::extension(80)));
    house.model.sensors[light.index()].validity = WATCHED;
    let mut rig = Rig::calm(house);
    rig.check(&[("05:00:00", tick(), "00:10:00 !sensor_fault/light")]);
    // Reckoned from a clear sky the facade is bright in the course of the morning.
    let mut said = String::new();
    for hour in 6..12 {
        let out = rig.put(&format!("{hour:02}:00:00"), &tick());
        said += &rig.words("06:00:00", &out);
    }
    assert!(said.contains("blind: sun 80"), "{said}");
}

pub(crate) fn heated() -> (House, SensorId, SensorId, ContactId) {
    let (mut house, group, light) = lit(Kind::Screen, SunAim::Fixed(Pose::extension(80)));
    let inside = house.sensor("inside", SensorKind::RoomTemperature);
    let somebody = house.contact("somebody", ContactKind::Occupancy);
    house.model.rooms[0].occupancy = Some(somebody);
    house.model.rooms[0].temperature = Some(inside);
    let rule = house.of(group).sun.as_mut().unwrap();
    rule.on_delay_ms = 0;
    rule.off_delay_ms = 0;
    rule.heat = Some(HeatRule {
        outdoor: None,
        setpoint_c: 22.0,
        band_k: 1.0,
        from_wm2: 150.0,
        keep_out: Pose::EXTENDED,
        let_in: Pose::extension(10),
    });
    house.model.timetables[0].plans[0].phases[0].pose = Pose::extension(30);
    (house, light, inside, somebody)
}

#[test]
fn while_nobody_is_in_heat_is_kept_out_or_let_in() {
    let (house, light, inside, somebody) = heated();
    Rig::calm(house).check(&[
        ("10:00:00", value(inside, 22.9), ""),
        // Nobody in: glare speaks as ever while heat asks for nothing.
        ("10:10:00", value(light, 500.0), "blind: sun 80"),
        ("10:20:00", value(inside, 23.0), "blind: sun 100"),
        ("10:30:00", value(inside, 21.0), "blind: sun 10"),
        // Somebody comes in: glare counts again, not heat.
        ("10:40:00", contact(somebody, true), "blind: sun 80"),
    ]);
}

/// At the thresholds it is bright, and dim, already.
#[test]
fn the_thresholds_belong_to_what_they_begin() {
    let (house, _, light) = lit(Kind::Screen, SunAim::Fixed(Pose::extension(80)));
    Rig::calm(house).check(&[
        ("11:00:00", value(light, 200.0), ""),
        ("11:05:00", tick(), "blind: sun 80"),
        ("11:30:00", value(light, 100.0), ""),
        ("11:44:59.999", tick(), ""),
        ("11:45:00", tick(), "blind: timetable 0"),
    ]);
}

/// Heat speaks from its threshold on, and lets in only where it is cooler outside than
/// is wanted inside.
#[test]
fn heat_is_let_in_from_its_threshold_on_and_only_where_it_is_cooler_outside() {
    for (outside_c, wm2, asks) in [
        (21.9, 150.0, "blind: sun 10"),
        (22.0, 150.0, ""),
        (21.9, 149.9, ""),
    ] {
        let (mut house, light, inside, _) = heated();
        let outside = house.sensor("outside", SensorKind::Temperature);
        let rule = house.model.groups[0].sun.as_mut().unwrap();
        rule.heat.as_mut().unwrap().outdoor = Some(outside);
        Rig::calm(house).check(&[
            ("10:00:00", value(outside, outside_c), ""),
            ("10:10:00", value(inside, 20.0), ""),
            ("10:20:00", value(light, wm2), asks),
        ]);
    }
}

//! Timetables: phases, day classes, sun events and their bounds, the two nights
//! on which clocks change, twilight, special days, quiet hours.

use crate::support::*;
use chrono::NaiveDate;
use leeside_core::ids::{DayClassId, GroupId, SensorId, TimetableId};
use leeside_core::input::Input;
use leeside_core::model::{
    Anchor, DayEntry, DayPlan, DayTable, IfNone, Kind, Phase, QuietHours, SensorKind, SpecialDay,
    SunAim, SunEvent, Twilight,
};
use leeside_core::pose::Pose;
use leeside_core::time::{MINUTE, Wall};

pub(crate) fn phase(start: Anchor, extension_pct: u8) -> Phase {
    Phase {
        name: format!("to {extension_pct}"),
        start,
        pose: Pose::extension(extension_pct),
        sun: true,
        jitter_min: 0,
        jitter_seed: 0,
    }
}

pub(crate) fn shutter(phases: Vec<Phase>) -> (House, GroupId) {
    let mut house = House::new(Pose::RETRACTED);
    house.model.timetables[0].plans[0].phases = phases;
    let group = house.single("shutter", Kind::RollerShutter);
    (house, group)
}

pub(crate) const fn at(minute: u16, pct: u8) -> (u16, u8) {
    (minute, pct)
}

pub(crate) fn times(phases: &[(u16, u8)]) -> Vec<Phase> {
    let one = |(minute, pct): &(u16, u8)| phase(Anchor::Time(*minute), *pct);
    phases.iter().map(one).collect()
}

pub(crate) fn date(y: i32, m: u32, d: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(y, m, d).unwrap()
}

#[test]
fn the_phase_that_applies_is_told_with_its_begin() {
    let (house, _) = shutter(times(&[(8 * 60, 100), (20 * 60, 0)]));
    let id = leeside_core::ids::TimetableId(0);
    let mut rig = Rig::calm(house);
    for (time, since, phase) in [
        // Begun on the day before, of which this day knows no begin.
        ("07:59:00", None, 1),
        ("08:00:00.001", Some("08:00:00"), 0),
        ("19:59:59", Some("08:00:00"), 0),
        ("20:00:00.001", Some("20:00:00"), 1),
    ] {
        rig.put(time, &tick());
        let since = since.map(|since| rig.now(since).wall);
        assert_eq!(rig.core.phase_of(id), Some((since, 0, phase)), "{time}");
    }
}

#[test]
fn phases_follow_each_other_and_the_last_goes_on_over_midnight() {
    let (house, _) = shutter(times(&[at(6 * 60, 0), at(20 * 60, 100)]));
    Rig::calm(house).check(&[
        // At midnight the phase of yesterday evening still applied.
        ("05:59:59.999", tick(), ""),
        ("06:00:00", tick(), "shutter: timetable 0"),
        ("20:00:00", tick(), "shutter: timetable 100"),
        ("1d 00:00:00", tick(), ""),
        ("1d 06:00:00", tick(), "shutter: timetable 0"),
    ]);
}

#[test]
fn of_two_that_start_together_the_later_in_the_file_wins() {
    let (house, _) = shutter(times(&[at(8 * 60, 100), at(6 * 60, 20), at(6 * 60, 40)]));
    Rig::calm(house).check(&[
        ("06:00:00", tick(), "shutter: timetable 40"),
        ("08:00:00", tick(), "shutter: timetable 100"),
    ]);
}

#[test]
fn a_time_that_the_clocks_skip_is_read_with_the_offset_before_the_gap() {
    // RFC 5545 §3.3.5: on 29 March 2026 in Berlin 02:30 does not exist and is read
    // with the offset before the gap, as 03:30 summer time, 01:30 UTC.
    let (mut house, _) = shutter(times(&[at(0, 0), at(2 * 60 + 30, 100)]));
    house.model.site.zone = chrono_tz::Europe::Berlin;
    Rig::at(house, date(2026, 3, 29)).check(&[
        ("00:00:00", tick(), "shutter: timetable 0+0.5s"),
        ("01:29:59.999", tick(), ""),
        ("01:30:00", tick(), "shutter: timetable 100"),
        // The day after begins at 22:00 UTC.
        ("22:00:00", tick(), "shutter: timetable 0"),
        ("1d 00:30:00", tick(), "shutter: timetable 100"),
    ]);
}

#[test]
fn a_time_that_comes_twice_is_the_first_of_the_two() {
    // RFC 5545 §3.3.5: on 25 October 2026 in Berlin 02:30 comes at 00:30 and 01:30 UTC.
    let (mut house, _) = shutter(times(&[at(0, 0), at(2 * 60 + 30, 100), at(3 * 60, 0)]));
    house.model.site.zone = chrono_tz::Europe::Berlin;
    Rig::at(house, date(2026, 10, 25)).check(&[
        ("00:00:00", tick(), "shutter: timetable 0+0.5s"),
        ("00:30:00", tick(), "shutter: timetable 100"),
        ("01:30:00", tick(), ""),
        ("02:00:00", tick(), "shutter: timetable 0"),
        ("23:00:00", tick(), ""),
        ("1d 01:30:00", tick(), "shutter: timetable 100"),
    ]);
}

/// A closed day follows the first day of the test.
fn closed_tomorrow(house: &mut House) {
    house.model.day_classes = vec!["workday".to_owned(), "closed".to_owned()];
    let entry = |class| DayEntry {
        class: DayClassId(class),
        why: "made up".to_owned(),
    };
    let days = vec![entry(0), entry(1), entry(0)];
    house.model.days = DayTable::new(date(2026, 6, 15), days, [DayClassId(0); 7]);
    let mut closed = phase(Anchor::Time(0), 70);
    closed.sun = false;
    house.model.timetables[0].plans.push(DayPlan {
        class: DayClassId(1),
        phases: vec![closed],
    });
}

#[test]
fn a_closed_day_keeps_its_pose_in_the_brightest_sun() {
    let mut house = House::new(Pose::RETRACTED);
    let light = house.sensor("light", SensorKind::PlaneIrradiance);
    house.model.facades[0].light = vec![light];
    let group = house.single("screen", Kind::Screen);
    let mut sun = sun_rule(SunAim::Fixed(Pose::EXTENDED));
    sun.on_delay_ms = 0;
    sun.retract_delay_ms = 0;
    house.of(group).sun = Some(sun);
    closed_tomorrow(&mut house);
    Rig::calm(house).check(&[
        ("11:00:00", value(light, 700.0), "screen: sun 100"),
        ("11:30:00", value(light, 50.0), ""),
        ("11:45:00", tick(), "screen: timetable 0"),
        ("1d 00:00:00", tick(), "screen: timetable 70"),
        ("1d 11:00:00", value(light, 700.0), ""),
        ("1d 12:00:00", value(light, 50.0), ""),
        // The workday has a phase of its own from midnight on.
        ("2d 00:00:00", tick(), "screen: timetable 0"),
        ("2d 11:00:00", value(light, 700.0), "screen: sun 100"),
    ]);
}

fn sun(event: SunEvent, bounds: (Option<u16>, Option<u16>), if_none: IfNone) -> Anchor {
    let (not_before, not_after) = bounds;
    Anchor::Sun {
        event,
        offset_min: 0,
        not_before,
        not_after,
        if_none,
    }
}

#[test]
fn sun_events_are_bounded_and_a_day_without_one_has_a_stated_consequence() {
    // At 50° N, 8° E on 15 June the sun rises at about 03:18 UTC and sets at about
    // 19:40 (from memory; the solar crate is checked against tables).
    let starts = |anchor| {
        let (house, _) = shutter(vec![phase(anchor, 100)]);
        let model = house.model;
        leeside_core::engine::phase_starts(&model, TimetableId(0), date(2026, 6, 15))
            .iter()
            .map(|(at, ..)| (at.0 - 1_781_481_600_000) / MINUTE)
            .collect::<Vec<_>>()
    };
    let free = (None, None);
    let rise = starts(sun(SunEvent::Sunrise, free, IfNone::Skip));
    assert!((196..=200).contains(&rise[0]), "{rise:?}");
    let set = starts(sun(SunEvent::Sunset, free, IfNone::Skip));
    assert!((1177..=1182).contains(&set[0]), "{set:?}");
    assert_eq!(
        starts(sun(SunEvent::Sunrise, (Some(360), None), IfNone::Skip)),
        [360]
    );
    assert_eq!(
        starts(sun(SunEvent::Sunrise, (Some(60), None), IfNone::Skip)),
        rise
    );
    assert_eq!(
        starts(sun(SunEvent::Sunset, (None, Some(1140)), IfNone::Skip)),
        [1140]
    );
    assert_eq!(
        starts(sun(SunEvent::Sunset, (None, Some(1300)), IfNone::Skip)),
        set
    );
    // The sun never reaches 70° there.
    let never = SunEvent::RisingThrough(70.0);
    assert_eq!(starts(sun(never, free, IfNone::Skip)), [0_i64; 0]);
    assert_eq!(starts(sun(never, free, IfNone::At(600))), [600]);
    // Moved past the day's edge it stays within its day.
    let late = Anchor::Sun {
        event: SunEvent::Sunset,
        offset_min: 600,
        not_before: None,
        not_after: None,
        if_none: IfNone::Skip,
    };
    assert_eq!(starts(late), [1439]);
}

#[test]
fn a_spread_is_the_same_every_time_and_within_its_bounds() {
    let mut spread = phase(Anchor::Time(12 * 60), 100);
    spread.jitter_min = 30;
    let (house, _) = shutter(vec![spread]);
    let mut seen = Vec::new();
    for day in 1..=28 {
        let of = |date| leeside_core::engine::phase_starts(&house.model, TimetableId(0), date)[0].0;
        let noon = date(2026, 6, day).and_hms_opt(12, 0, 0).unwrap().and_utc();
        let off = of(date(2026, 6, day)).0 - Wall::from_utc(noon).0;
        assert!(off.abs() <= 30 * MINUTE, "{off}");
        seen.push(off);
    }
    seen.sort_unstable();
    seen.dedup();
    assert!(
        seen.len() > 20 && seen[0] < 0 && *seen.last().unwrap() > 0,
        "{seen:?}"
    );
}

pub(crate) fn dusk(house: &mut House, dusk: bool) -> SensorId {
    let lux = house.sensor("lux", SensorKind::HorizontalIlluminance);
    let twilight = Twilight {
        sensor: lux,
        value: 50.0,
        dusk,
        from_elevation_deg: if dusk { 3.0 } else { -6.0 },
        at_latest_elevation_deg: if dusk { -6.0 } else { 3.0 },
    };
    let evening = phase(Anchor::Twilight(twilight), 100);
    house.model.timetables[0].plans[0].phases = vec![phase(Anchor::Time(0), 0), evening];
    lux
}

#[test]
fn dusk_comes_by_brightness_within_its_window_and_at_the_latest_by_the_sun() {
    // On 15 June 2026 at 50° N, 8° E the sun passes 3° at about 19:08 UTC and -6° at about 20:22.
    let house = || {
        let (mut house, _) = shutter(vec![]);
        let lux = dusk(&mut house, true);
        (house, lux)
    };
    let (made, lux) = house();
    Rig::calm(made).check(&[
        // A storm cloud in the afternoon is not dusk.
        ("15:00:00", value(lux, 10.0), ""),
        ("18:50:00", value(lux, 10.0), ""),
        ("19:30:00", value(lux, 50.1), ""),
        ("19:40:00", value(lux, 50.0), "shutter: timetable 100"),
        ("19:50:00", value(lux, 500.0), ""),
        ("1d 00:00:00", tick(), "shutter: timetable 0"),
    ]);
    let (made, lux) = house();
    let mut rig = Rig::calm(made);
    rig.check(&[
        ("19:30:00", value(lux, 900.0), ""),
        ("20:10:00", value(lux, 900.0), ""),
    ]);
    let out = rig.put("20:40:00", &tick());
    assert!(
        rig.words("20:40:00", &out)
            .ends_with("shutter: timetable 100"),
        "{out:?}"
    );
}

#[test]
fn dawn_comes_by_brightness_too() {
    let (mut house, _) = shutter(vec![]);
    let lux = dusk(&mut house, false);
    Rig::calm(house).check(&[
        ("02:00:00", value(lux, 80.0), ""),
        ("03:00:00", value(lux, 49.9), ""),
        ("03:10:00", value(lux, 50.0), "shutter: timetable 100"),
    ]);
}

#[test]
fn a_special_day_takes_the_place_of_the_phase_while_it_lasts() {
    let (mut house, group) = shutter(times(&[at(0, 0)]));
    let start = Wall::from_utc(date(2026, 6, 15).and_hms_opt(0, 0, 0).unwrap().and_utc());
    for (name, from, to, pct) in [("cleaning", 600, 720, 100), ("concert", 660, 700, 30)] {
        house.model.specials.push(SpecialDay {
            name: name.to_owned(),
            groups: vec![group],
            from: start.plus(from * MINUTE),
            to: start.plus(to * MINUTE),
            pose: Pose::extension(pct),
            sun: false,
        });
    }
    Rig::calm(house).check(&[
        ("10:00:00", tick(), "shutter: timetable 100"),
        // Of two at once the later in the file.
        ("11:00:00", tick(), "shutter: timetable 30"),
        ("11:40:00", tick(), "shutter: timetable 100"),
        ("12:00:00", tick(), "shutter: timetable 0"),
    ]);
}

#[test]
fn quiet_hours_stop_comfort_but_neither_hand_nor_weather() {
    let mut house = House::new(Pose::RETRACTED);
    house.model.timetables[0].plans[0].phases = times(&[at(0, 0), at(5 * 60, 100)]);
    let mast = house.sensor("mast", SensorKind::Wind);
    let group = house.single("shutter", Kind::RollerShutter);
    house.of(group).wind = Some(wind_rule(&[mast]));
    house.of(group).quiet = Some(QuietHours {
        from_min: 22 * 60,
        to_min: 6 * 60,
    });
    house.of(group).hand.hold_ms = 20 * MINUTE;
    Rig::calm(house).check(&[
        ("05:00:00", tick(), ""),
        ("05:59:59.999", tick(), ""),
        ("06:00:00", tick(), "shutter: timetable 100"),
        ("22:00:00", tick(), ""),
        ("22:30:00", room(group, 50), "shutter: hand 50"),
        // The hold ends; the pose stays.
        ("22:50:00", tick(), ""),
        (
            "23:00:00",
            gust(mast, 12.0),
            "shutter +wind; shutter: wind 0",
        ),
        ("23:01:00", gust(mast, 1.0), "shutter ~wind"),
        ("23:21:00", tick(), "shutter -wind"),
        ("1d 06:00:00", tick(), "shutter: timetable 100"),
    ]);
}

#[test]
fn a_day_without_any_plan_goes_on_with_the_phase_before_it() {
    let (mut house, _) = shutter(times(&[at(8 * 60, 40)]));
    house.model.day_classes = vec!["open".to_owned(), "no plan".to_owned()];
    let entry = |class| DayEntry {
        class: DayClassId(class),
        why: "made up".to_owned(),
    };
    house.model.days = DayTable::new(
        date(2026, 6, 15),
        vec![entry(0), entry(1)],
        [DayClassId(0); 7],
    );
    Rig::calm(house).check(&[
        ("08:00:00", In::Put(Input::Tick), ""),
        ("1d 08:00:00", tick(), ""),
        ("1d 23:59:00", tick(), ""),
    ]);
}

#[test]
fn dusk_that_the_sun_has_brought_does_not_come_again_by_brightness() {
    let (mut house, _) = shutter(vec![]);
    let lux = dusk(&mut house, true);
    let night = phase(Anchor::Time(22 * 60), 30);
    house.model.timetables[0].plans[0].phases.push(night);
    let mut rig = Rig::calm(house);
    rig.put("21:59:00", &value(lux, 900.0));
    rig.check(&[
        ("22:00:00", tick(), "shutter: timetable 30"),
        ("22:30:00", value(lux, 1.0), ""),
    ]);
}

#[test]
fn what_goes_on_over_midnight_is_the_last_phase_of_yesterday() {
    let (mut house, _) = shutter(times(&[at(6 * 60, 20)]));
    closed_tomorrow(&mut house);
    Rig::calm(house).check(&[
        ("06:00:00", tick(), ""),
        ("1d 00:00:00", tick(), "shutter: timetable 70"),
        // The closed day's pose, until the workday's first phase.
        ("2d 00:00:00", tick(), ""),
        ("2d 06:00:00", tick(), "shutter: timetable 20"),
    ]);
}

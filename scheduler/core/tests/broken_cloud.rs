//! A sky that flickers must not make blinds pump.
//!
//! The measured days at hand are too smooth, so the clouds are made up: a seeded
//! one-minute series that jumps between a clear sky (Haurwitz on the level,
//! carried onto the facade by the cosine of incidence) and a quarter of it, with
//! stays of one to six minutes (invented, to be nasty; no source). What is
//! promised: at most 4 travels and 20 tilt steps a day and group.

#![expect(clippy::unwrap_used, reason = "tests")]
#![expect(
    clippy::wildcard_enum_match_arm,
    reason = "what else comes out does not matter here"
)]

#[expect(dead_code, reason = "the tables beside use the rest of it")]
#[path = "decisions/support.rs"]
mod support;

use leeside_core::Core;
use leeside_core::ids::{GroupId, SensorId};
use leeside_core::input::{Input, Reading, Sample};
use leeside_core::model::{DailyCap, Kind, SensorKind, SunAim};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Now, Wall};
use leeside_solar::light::haurwitz;
use leeside_solar::reach::Section;
use leeside_solar::{Atmosphere, Plane, SunPath};
use std::sync::Arc;
use support::{House, sun_rule};

/// What is promised.
const CAP: DailyCap = DailyCap {
    travels: 4,
    tilts: 20,
};

/// SplitMix64 (Steele, Lea & Flood 2014), so that a seed is all it takes to see it again.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) % sides
    }
}

/// One group of a house on one facade, and its light sensor.
fn house(kind: Kind, aim: SunAim, cap: DailyCap) -> (House, GroupId, SensorId) {
    let mut house = House::new(Pose::RETRACTED);
    let light = house.sensor("light", SensorKind::PlaneIrradiance);
    house.model.facades[0].light = vec![light];
    let group = house.single("blind", kind);
    let mut rule = sun_rule(aim);
    rule.cap = cap;
    house.of(group).sun = Some(rule);
    (house, group, light)
}

/// Moves of one day.
#[derive(Clone, Copy, Default, Debug)]
struct Day {
    travels: u32,
    tilts: u32,
    /// Minutes extended while the sun was on the facade.
    shaded: u32,
    sunny: u32,
}

/// Plays `days` days from `first` on under a flickering sky.
fn play(
    house: House,
    group: GroupId,
    light: SensorId,
    first: Wall,
    days: i64,
    seed: u64,
) -> Vec<Day> {
    let model = Arc::new(house.model);
    let plane: Plane = model.facades[0].plane;
    let mut path = SunPath::new(model.site.location, Atmosphere::standard(100.0));
    let mut core = Core::new(model.clone(), Now::both(first.0));
    let mut dice = Dice(seed);
    let (mut cloudy, mut left) = (false, 0);
    let mut pose = Pose::RETRACTED;
    let mut told = vec![Day::default(); usize::try_from(days).unwrap()];
    for minute in 0..days * 24 * 60 {
        let at = first.0 + minute * MINUTE;
        let day = &mut told[usize::try_from(minute / (24 * 60)).unwrap()];
        if left == 0 {
            cloudy = !cloudy;
            left = 1 + dice.roll(6);
        }
        left -= 1;
        let sun = path.at(at);
        let clear = haurwitz(&sun) / sun.up.max(0.05) * plane.cos_incidence(&sun).max(0.0);
        let sample = Sample::Value(if cloudy { 0.25 * clear } else { clear });
        let reading = Reading {
            sensor: light,
            at: Wall(at),
            sample,
        };
        core.handle(Now::both(at), Input::Reading(reading));
        core.handle(Now::both(at + 1), Input::Tick);
        loop {
            match core.poll() {
                Output::Command(command) if command.group == group => {
                    if command.pose.extension_pct == pose.extension_pct {
                        day.tilts += u32::from(command.pose.tilt_deg != pose.tilt_deg);
                    } else {
                        day.travels += 1;
                    }
                    pose = command.pose;
                }
                Output::Wake(_) => break,
                _ => {}
            }
        }
        if plane.sunlit(&sun) {
            day.sunny += 1;
            day.shaded += u32::from(pose.extension_pct > 0);
        }
    }
    told
}

fn day_of(year_days: i64) -> Wall {
    // 2027-01-01T00:00Z and so many days later.
    Wall(1_798_761_600_000 + year_days * 24 * HOUR)
}

fn worst(days: &[Day]) -> (u32, u32) {
    days.iter().fold((0, 0), |(travels, tilts), day| {
        (travels.max(day.travels), tilts.max(day.tilts))
    })
}

#[test]
fn slats_do_not_pump_under_broken_cloud() {
    let (mut sunny, mut shaded) = (0, 0);
    for seed in 0..12 {
        let first = day_of(30 * i64::try_from(seed).unwrap());
        let (house, group, light) = house(Kind::SlatBlind, SunAim::TrackSlats, CAP);
        let days = play(house, group, light, first, 5, seed);
        let (travels, tilts) = worst(&days);
        assert!(
            travels <= u32::from(CAP.travels) && tilts <= u32::from(CAP.tilts),
            "seed {seed}: {travels} travels, {tilts} tilt steps in a day: {days:?}"
        );
        sunny += days.iter().map(|d| d.sunny).sum::<u32>();
        shaded += days.iter().map(|d| d.shaded).sum::<u32>();
    }
    // A blind that never comes down does not pump either: it has to shade.
    assert!(
        shaded * 2 > sunny,
        "shaded {shaded} of {sunny} sunny minutes"
    );
}

#[test]
fn a_screen_to_a_depth_does_not_pump_under_broken_cloud() {
    let section = Section::new(2.5, 0.8, 0.75, 0.3).unwrap();
    for seed in 100..106 {
        let aim = SunAim::Depth {
            section,
            depth_m: 1.0,
        };
        let (house, group, light) = house(Kind::Screen, aim, CAP);
        let first = day_of(60 * (i64::try_from(seed).unwrap() - 100));
        let days = play(house, group, light, first, 5, seed);
        let (travels, _) = worst(&days);
        assert!(
            travels <= u32::from(CAP.travels),
            "seed {seed}: {travels} travels in a day: {days:?}"
        );
    }
}

#[test]
fn the_same_sky_pumps_a_blind_without_delays_and_cap() {
    let none = DailyCap {
        travels: u16::MAX,
        tilts: u16::MAX,
    };
    let (mut house, group, light) = house(Kind::SlatBlind, SunAim::TrackSlats, none);
    let rule = house.of(group).sun.as_mut().unwrap();
    (rule.on_delay_ms, rule.off_delay_ms, rule.retract_delay_ms) = (0, 0, 0);
    let days = play(house, group, light, day_of(170), 3, 7);
    assert!(worst(&days).0 > 20, "the sky is not nasty enough: {days:?}");
}

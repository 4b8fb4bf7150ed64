//! Facades that doze while the sun stays behind them, against facades that are looked
//! at every minute: what is told of them is the same at any time.

use crate::support::*;
use leeside_core::Core;
use leeside_core::ids::GroupId;
use leeside_core::input::Input;
use leeside_core::model::{Kind, SensorKind, SunAim};
use leeside_core::pose::Pose;
use leeside_core::reason::Because;
use leeside_core::time::{MINUTE, SECOND};
use leeside_solar::Plane;

/// Moments of a day at which the light changes, and to what, W/m² on the level: where
/// the sun is not on the facade too, and not only at whole minutes.
const LIGHT: [(&str, f64); 8] = [
    ("05:00:00", 120.0),
    ("05:30:20", 420.0),
    ("09:00:00", 810.0),
    ("12:07:41", 790.0),
    ("12:20:00", 700.5),
    ("12:35:09", 640.0),
    ("15:00:00", 300.0),
    ("18:10:00", 90.0),
];

fn house() -> (House, GroupId) {
    let mut house = House::new(Pose::RETRACTED);
    let light = house.sensor("light", SensorKind::GlobalHorizontal);
    house.model.facades[0].plane = Plane::new(100.0, 90.0).unwrap();
    house.model.facades[0].light = vec![light];
    let group = house.single("blind", Kind::SlatBlind);
    house.of(group).sun = Some(sun_rule(SunAim::TrackSlats));
    (house, group)
}

/// What is told at a moment of a day, twice: of the facade that dozes, and of one that
/// was looked at each minute. A core that is put in the place of the first at `again`
/// goes on from what that one kept.
fn told(again: Option<i64>) -> Vec<(String, String, bool)> {
    let (plain, group) = house();
    let (watched, _) = house();
    let light = plain.model.facades[0].light[0];
    let (mut dozes, mut looks) = (Rig::calm(plain), Rig::calm(watched));
    let mut told = Vec::new();
    // While the sun is up: at night nobody looks, dozing or not.
    for minute in 5 * 60..19 * 60 {
        let time = |ms: i64| {
            let (second, ms) = (ms / SECOND, ms % SECOND);
            format!("{:02}:{:02}:{second:02}.{ms:03}", minute / 60, minute % 60)
        };
        let now = looks.now(&time(0));
        dozes.core.handle(now, Input::Tick);
        looks.core.look_anew(now);
        let mut put = |dozes: &mut Rig, time: &str, input: &In| {
            let (a, b) = (dozes.put(time, input), looks.put(time, input));
            assert_eq!(format!("{a:?}"), format!("{b:?}"), "{time}");
            let shades = |core: &Core| {
                let because = core.explain(group).verdict.because;
                matches!(
                    because,
                    Because::SunShading { .. } | Because::SunOpened { .. }
                )
            };
            let tell = |core: &Core| format!("{:?} {:?}", core.explain(group), core.ranks(group));
            (tell(&dozes.core), tell(&looks.core), shades(&dozes.core))
        };
        for (at, wm2) in LIGHT {
            if at[..5] == time(0)[..5] {
                put(&mut dozes, at, &value(light, wm2));
                // Once that moment has passed.
                let passed = format!("{at}.001");
                told.push(put(&mut dozes, &passed, &tick()));
            }
        }
        if minute % 3 == 0 {
            told.push(put(&mut dozes, &time(45_000), &tick()));
        }
        if again.is_some_and(|again| again == minute * MINUTE) {
            let kept = dozes.core.snapshot();
            dozes.core = Core::restore(dozes.core.model().clone(), &kept).unwrap();
        }
    }
    told
}

#[test]
fn what_is_told_of_a_facade_that_dozes_is_what_a_look_each_minute_tells() {
    for again in [None, Some(12 * 60 + 12), Some(16 * 60)] {
        let told = told(again.map(|minute| minute * MINUTE));
        for (dozes, looks, _) in &told {
            assert_eq!(dozes, looks);
        }
        // It says why it is out, also for a while after the sun has left the facade.
        let shading = told.iter().filter(|(.., shades)| *shades).count();
        assert!(shading > 60, "{shading} of {}", told.len());
    }
}

//! The fast path against the full algorithm, which the tables check.

mod common;

use common::{Dice, Worst};
use leeside_solar::{Atmosphere, Location, Plane, Sun, SunPath, VALID_FROM_MS, VALID_TO_MS};
use leeside_solar::{delta_t_estimate, position, trig};

fn random_path(dice: &mut Dice) -> (Location, Atmosphere, SunPath) {
    let place = Location::new(
        dice.between(-90.0, 90.0),
        dice.between(-180.0, 180.0),
        dice.between(-100.0, 4000.0),
    )
    .expect("in range");
    let air =
        Atmosphere::new(dice.between(600.0, 1050.0), dice.between(-30.0, 40.0)).expect("in range");
    (place, air, SunPath::new(place, air))
}

/// The error that `SunPath` states: 0.00001 degrees.
#[test]
fn within_its_stated_error_of_the_full_algorithm() {
    let mut truly = Worst::new(
        "fast path, true direction, against full SPA [degrees]",
        1e-5,
    );
    let mut seen = Worst::new(
        "fast path, apparent direction, against full SPA [degrees]",
        1e-5,
    );
    let mut dice = Dice(3);
    let (from, to) = (
        common::moment("1990-01-01T00:00:00Z"),
        common::moment("2051-01-01T00:00:00Z"),
    );
    for _ in 0..400 {
        let (place, air, mut path) = random_path(&mut dice);
        let day = dice.whole(from, to);
        for _ in 0..60 {
            let at = day + dice.whole(0, 2 * 86_400_000);
            let full = position(at, place, air, delta_t_estimate(at));
            let (true_sun, apparent) = path.both(at);
            let name = format!("{place:?} {at}");
            for (worst, sun, elevation) in [
                (&mut truly, true_sun, full.elevation_deg),
                (&mut seen, apparent, full.apparent_elevation_deg),
            ] {
                worst.see(&name, sun.elevation_deg(), elevation);
                let turned = trig::wrap_180(sun.azimuth_deg() - full.azimuth_deg);
                worst.see(&name, turned * trig::cos(elevation.to_radians()), 0.0);
            }
        }
    }
    truly.report();
    seen.report();
}

/// The worst of the refraction table would be near the horizon: look there.
#[test]
fn refraction_near_the_horizon() {
    let mut worst = Worst::new(
        "fast path, apparent elevation -1..2, against full SPA [degrees]",
        1e-5,
    );
    let mut dice = Dice(5);
    for _ in 0..40 {
        let (place, air, mut path) = random_path(&mut dice);
        let day = dice.whole(0, 20_000) * 86_400_000;
        for minute in 0..1440 {
            let at = day + minute * 60_000;
            let truly = path.without_refraction(at).elevation_deg();
            // Just at SPA's cut-off the two may fall on different sides of it.
            if (-1.0..2.0).contains(&truly) && (truly + 0.83337).abs() > 1e-4 {
                let full = position(at, place, air, delta_t_estimate(at));
                let got = path.at(at).elevation_deg();
                worst.see(&format!("{truly}"), got, full.apparent_elevation_deg);
            }
        }
    }
    worst.report();
}

#[test]
fn the_answer_does_not_depend_on_what_was_asked_before() {
    let mut dice = Dice(11);
    let (place, air, mut in_order) = random_path(&mut dice);
    let moments: Vec<i64> = (0..3000)
        .map(|i| 1_700_000_000_000 + i * 7_777_777)
        .collect();
    let straight: Vec<_> = moments.iter().map(|at| in_order.at(*at)).collect();
    let mut jumping = SunPath::new(place, air);
    for _ in 0..6000 {
        let i = usize::try_from(dice.whole(0, 3000)).unwrap();
        assert_eq!(jumping.at(moments[i]), straight[i]);
        // Wander far off in between.
        let _ = jumping.at(dice.whole(VALID_FROM_MS, VALID_TO_MS));
    }
}

/// A sun that is said to stay down is not seen up by then, whatever the place.
#[test]
fn a_sun_that_stays_down_does() {
    let mut dice = Dice(11);
    let (from, to) = (
        common::moment("1990-01-01T00:00:00Z"),
        common::moment("2051-01-01T00:00:00Z"),
    );
    let mut longest = 0;
    for _ in 0..4_000 {
        let (_, _, mut path) = random_path(&mut dice);
        let at = dice.whole(from, to);
        let (raw, apparent) = path.both(at);
        let down_ms = raw.stays_down_ms();
        assert!(down_ms == 0 || !apparent.is_up());
        for part in 1..=20 {
            let then = at + down_ms * part / 20;
            assert!(down_ms == 0 || !path.at(then).is_up(), "{at} + {down_ms}");
        }
        longest = longest.max(down_ms);
    }
    // It says something: hours, in deep night.
    assert!(longest > 3 * 3_600_000, "{longest}");
}

/// Minute by minute as long as it is said to, the sun is up and does not fall on the
/// plane, and no component of its direction changes faster than is said.
#[test]
fn a_sun_that_stays_behind_a_plane_does() {
    let mut dice = Dice(29);
    let (mut behind, mut moved) = (0, 0);
    for _ in 0..400 {
        let (_, _, mut path) = random_path(&mut dice);
        let plane =
            Plane::new(dice.between(0.0, 360.0), dice.between(0.0, 180.0)).expect("in range");
        let mut at = dice.whole(VALID_FROM_MS, VALID_TO_MS - 86_400_000);
        let end = at + 86_400_000;
        while at < end {
            let (raw, first) = path.both(at);
            let until = at + raw.stays_behind_ms(&plane);
            let from = at;
            let minutes = (until - at) / 60_000;
            for minute in 0..=minutes {
                let sun = path.at(at + minute * 60_000);
                let stays = sun.is_up() && !plane.sunlit(&sun);
                assert!(minutes == 0 || stays, "{plane:?} {at} {minute}");
            }
            behind += minutes;
            let later = from + dice.whole(0, 1_800_000);
            let sun = path.at(later);
            if first.is_up() && sun.is_up() {
                let parts = [
                    sun.east - first.east,
                    sun.north - first.north,
                    sun.up - first.up,
                    plane.cos_incidence(&sun) - plane.cos_incidence(&first),
                ];
                let most = Sun::moves_within(later - from);
                let slow = parts.iter().all(|part| part.abs() <= most + 1e-9);
                assert!(slow, "{plane:?} {from} {later} {parts:?} {most}");
                moved += 1;
            }
            at = until.max(at) + 600_000;
        }
    }
    assert!(behind > 20_000 && moved > 5_000, "{behind} {moved}");
}

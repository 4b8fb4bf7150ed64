//! Rise, transit, set and civil twilight by local date against roots found on
//! NREL SPA. Table: `reference/rise_set.csv`; tolerance 2 s, 60 s where a row is
//! flagged `grazing` (the sun all but touches the elevation).

mod common;

use chrono::{Days, NaiveDate, TimeZone};
use chrono_tz::Tz;
use common::{Dice, Worst, moment, rows};
use leeside_solar::{
    CIVIL_ELEVATION_DEG, Crossing, Location, SUNRISE_ELEVATION_DEG, Standing, crossings, position,
    standing, transits,
};

fn midnight(zone: Tz, date: NaiveDate) -> i64 {
    zone.from_local_datetime(&date.into())
        .earliest()
        .expect("no place of the table changes its clocks at midnight")
        .timestamp_millis()
}

fn of_kind(events: &[(i64, Crossing)], kind: Crossing) -> Vec<i64> {
    events
        .iter()
        .filter_map(|(at, k)| (*k == kind).then_some(*at))
        .collect()
}

#[test]
fn local_dates() {
    let mut usual = Worst::new("rise, transit, set, twilight against SPA roots [s]", 2.0);
    let mut grazing = Worst::new("the same, grazing dates [s]", 60.0);
    for row in rows(include_str!("reference/rise_set.csv")) {
        let id = row.text("id");
        let zone: Tz = row.text("tz").parse().unwrap();
        let date: NaiveDate = row.text("local_date").parse().unwrap();
        let (from, to) = (midnight(zone, date), midnight(zone, date + Days::new(1)));
        let place = Location::new(row.number("lat_deg"), row.number("lon_deg"), 0.0).unwrap();
        let sun = crossings(place, SUNRISE_ELEVATION_DEG, from, to);
        let civil = crossings(place, CIVIL_ELEVATION_DEG, from, to);
        let worst = if row.text("flags").contains("grazing") {
            &mut grazing
        } else {
            &mut usual
        };
        for (column, got) in [
            ("sunrise_utc", of_kind(&sun, Crossing::Rising)),
            ("sunset_utc", of_kind(&sun, Crossing::Falling)),
            ("civil_dawn_utc", of_kind(&civil, Crossing::Rising)),
            ("civil_dusk_utc", of_kind(&civil, Crossing::Falling)),
            ("transit_utc", transits(place, from, to)),
        ] {
            let expected: Vec<i64> = row
                .text(column)
                .split(';')
                .filter(|t| !t.is_empty())
                .map(moment)
                .collect();
            assert_eq!(got.len(), expected.len(), "{id} {column}: {got:?}");
            for (g, e) in got.iter().zip(&expected) {
                #[expect(clippy::cast_precision_loss, reason = "milliseconds apart")]
                worst.see(&format!("{id} {column}"), (g - e) as f64 / 1000.0, 0.0);
            }
        }
        let stands = standing(place, SUNRISE_ELEVATION_DEG, from, to);
        let expected = if row.text("flags").contains("polar_day") {
            Standing::Above
        } else if row.text("flags").contains("polar_night") {
            Standing::Below
        } else {
            Standing::Passes
        };
        assert_eq!(stands, expected, "{id}");
    }
    usual.report();
    grazing.report();
}

/// The solver's answer, put back into the full algorithm.
#[test]
fn at_a_crossing_the_sun_is_at_the_elevation() {
    let mut worst = Worst::new("true elevation (full SPA) at its crossing [degrees]", 1e-4);
    let mut dice = Dice(17);
    for _ in 0..300 {
        let place =
            Location::new(dice.between(-90.0, 90.0), dice.between(-180.0, 180.0), 0.0).unwrap();
        let elevation = dice.between(-18.0, 40.0);
        let from = dice.whole(
            moment("1990-01-01T00:00:00Z"),
            moment("2050-01-01T00:00:00Z"),
        );
        for (at, _) in crossings(place, elevation, from, from + 3 * 86_400_000) {
            let air = leeside_solar::Atmosphere::standard(0.0);
            let delta_t = leeside_solar::delta_t_estimate(at);
            let full = position(at, place, air, delta_t);
            worst.see(
                &format!("{place:?} {elevation} {at}"),
                full.elevation_deg,
                elevation,
            );
        }
    }
    worst.report();
}

/// An independent count: the fast path's side, minute by minute.
#[test]
fn no_crossing_is_missed_or_made_up() {
    let mut dice = Dice(23);
    let mut seen = 0;
    for i in 0..200 {
        // Half of the places where it is difficult: about the polar circles.
        let latitude = if i % 2 == 0 {
            dice.between(-90.0, 90.0)
        } else {
            dice.between(64.0, 70.0)
        };
        let place = Location::new(latitude, dice.between(-180.0, 180.0), 0.0).unwrap();
        let from = dice.whole(
            moment("2000-01-01T00:00:00Z"),
            moment("2040-01-01T00:00:00Z"),
        );
        let to = from + 2 * 86_400_000;
        let level = leeside_solar::trig::sin(SUNRISE_ELEVATION_DEG.to_radians());
        let mut path = leeside_solar::SunPath::new(place, leeside_solar::Atmosphere::standard(0.0));
        let mut up_at = |at: i64| path.without_refraction(at).up >= level;
        let found = crossings(place, SUNRISE_ELEVATION_DEG, from, to);
        for (at, kind) in &found {
            assert_eq!(up_at(*at), *kind == Crossing::Rising, "{place:?} {at}");
            assert_eq!(up_at(at - 1), *kind == Crossing::Falling, "{place:?} {at}");
        }
        let mut at = from;
        while at + 60_000 < to {
            let passes = found
                .iter()
                .filter(|(t, _)| (at + 1..=at + 60_000).contains(t));
            let changed = up_at(at) != up_at(at + 60_000);
            assert_eq!(passes.count() % 2 == 1, changed, "{place:?} {at}");
            seen += usize::from(changed);
            at += 60_000;
        }
    }
    assert!(seen > 400, "only {seen} crossings were looked at");
}

#[test]
fn splitting_a_span_loses_and_doubles_nothing() {
    let mut dice = Dice(29);
    for _ in 0..200 {
        let place =
            Location::new(dice.between(-90.0, 90.0), dice.between(-180.0, 180.0), 0.0).unwrap();
        let from = dice.whole(0, 2_000_000_000_000);
        let whole = crossings(place, -0.8333, from, from + 3 * 86_400_000);
        let noons = transits(place, from, from + 3 * 86_400_000);
        let mut cuts: Vec<i64> = (0..5)
            .map(|_| from + dice.whole(0, 3 * 86_400_000))
            .collect();
        // The sharpest cuts: at the events themselves and beside them.
        for (at, _) in &whole {
            cuts.extend([*at, at + 1]);
        }
        cuts.extend(noons.iter().flat_map(|at| [*at, at + 1]));
        cuts.extend([from, from + 3 * 86_400_000]);
        cuts.retain(|cut| (from..=from + 3 * 86_400_000).contains(cut));
        cuts.sort_unstable();
        let pieces: Vec<_> = cuts
            .windows(2)
            .flat_map(|w| crossings(place, -0.8333, w[0], w[1]))
            .collect();
        assert_eq!(pieces, whole, "{place:?} {from}");
        let pieces: Vec<_> = cuts
            .windows(2)
            .flat_map(|w| transits(place, w[0], w[1]))
            .collect();
        assert_eq!(pieces, noons, "{place:?} {from}");
    }
}

/// How far off the first guess would have been, for the record (crate
/// `sunrise` 3.0): the reason why it is only a guess.
#[test]
fn the_guess_alone_would_not_do() {
    let mut worst = 0.0_f64;
    for day in 0..365 {
        let date = NaiveDate::from_ymd_opt(2026, 1, 1).unwrap() + Days::new(day);
        let place = Location::new(65.0, 10.0, 0.0).unwrap();
        let from = date
            .and_hms_opt(0, 0, 0)
            .unwrap()
            .and_utc()
            .timestamp_millis();
        let coordinates = sunrise::Coordinates::new(65.0, 10.0).unwrap();
        let guess = sunrise::SolarDay::new(coordinates, date)
            .event_time(sunrise::SolarEvent::Sunset)
            .map(|t| t.timestamp_millis());
        let found = crossings(place, SUNRISE_ELEVATION_DEG, from, from + 2 * 86_400_000);
        let sets = of_kind(&found, Crossing::Falling);
        if let Some(guess) = guess {
            let nearest = sets.iter().map(|at| (at - guess).abs()).min().unwrap();
            #[expect(clippy::cast_precision_loss, reason = "milliseconds apart")]
            let seconds = nearest as f64 / 1000.0;
            worst = worst.max(seconds);
        }
    }
    common::say(&format!(
        "sunset at 65 degrees, crate sunrise 3.0 alone: worst {worst:.0} s of 365"
    ));
    assert!(
        worst > 60.0,
        "the crate has become good enough to use alone"
    );
}

//! Values printed in papers, almanacs and handbooks. Table:
//! `reference/published.csv`; the rest with its source beside it.

#![expect(clippy::unwrap_used, reason = "a failed unwrap is a failed test")]

mod common;

use common::{Row, Worst, moment, rows};
use leeside_solar::light::{haurwitz, ineichen};
use leeside_solar::{
    Atmosphere, Crossing, Cutoff, Location, Plane, Slats, Sun, crossings, delta_t_estimate,
    position, transits, trig,
};
use solar_positioning::SolarPositions;
use solar_positioning::time::JulianDate;

fn published(topic: &str) -> Vec<Row> {
    rows(include_str!("reference/published.csv"))
        .into_iter()
        .filter(|row| row.text("topic") == topic)
        .collect()
}

fn days(ms: i64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "exact to a microsecond")]
    let ms = ms as f64;
    ms / 86_400_000.0
}

/// Right ascension, declination (degrees) and distance (AU).
fn equatorial(at: i64, delta_t_s: f64) -> (f64, f64, f64) {
    let time = JulianDate::new(2_440_587.5 + days(at), delta_t_s).unwrap();
    let prepared = SolarPositions::new().for_time_from_julian(time).unwrap();
    (
        prepared.right_ascension(),
        prepared.declination(),
        prepared.earth_radius_vector().unwrap(),
    )
}

/// Source: Reda & Andreas, NREL/TP-560-34302, worked example; intermediates as
/// far as the crate shows them.
#[test]
fn nrel_worked_example() {
    let at = moment("2003-10-17T12:30:30-07:00");
    let place = Location::new(39.742_476, -105.1786, 1830.14).unwrap();
    let air = Atmosphere::new(820.0, 11.0).unwrap();
    let full = position(at, place, air, 67.0);
    let (right_ascension, declination, distance) = equatorial(at, 67.0);
    let sun = Sun::from_angles(full.apparent_elevation_deg, full.azimuth_deg);
    let slope = Plane::new(170.0, 30.0).unwrap();
    let incidence = trig::acos(slope.cos_incidence(&sun)).to_degrees();
    let mut compared = 0;
    for row in published("SPA") {
        let got = match row.text("what") {
            "Julian day" => 2_440_587.5 + days(at),
            "radius vector R (AU)" => distance,
            "geocentric right ascension" => right_ascension,
            "geocentric declination" => declination,
            "topocentric zenith (refracted)" => 90.0 - full.apparent_elevation_deg,
            "topocentric azimuth" => full.azimuth_deg,
            what if what.starts_with("incidence on slope") => incidence,
            _ => continue,
        };
        compared += 1;
        let mut worst = Worst::new(
            &format!("NREL SPA example, {}", row.text("what")),
            row.number("tolerance"),
        );
        worst.see(row.text("id"), got, row.number("published"));
        worst.report();
    }
    assert_eq!(compared, 7);

    // The same instant on walls. Source: derived from the example's angles by
    // the formulas of ASHRAE Fundamentals, fenestration.
    let mut worst = Worst::new("NREL SPA example on walls, derived [degrees]", 0.001);
    for (azimuth, gamma, profile, incidence) in [
        (180.0, 14.340, 40.783, 41.979),
        (120.0, 74.340, 72.102, 78.047),
    ] {
        let wall = Plane::new(azimuth, 90.0).unwrap();
        worst.see("hsa", wall.horizontal_shadow_angle_deg(&sun), gamma);
        worst.see("profile", wall.profile_angle_deg(&sun), profile);
        worst.see(
            "incidence",
            trig::acos(wall.cos_incidence(&sun)).to_degrees(),
            incidence,
        );
    }
    worst.report();
}

/// Source: NREL SPA example and SPA calculator, zenith angle 90 degrees 50'.
/// The appendix reckons without parallax (0.0024 degrees, about a second) and
/// prints whole seconds: 2 s.
///
/// SPA's appendix gives the events of the *UTC* date that has the local date's
/// name and prints them as local time: the sunset it prints for 17 October at
/// 105 degrees west is that of the evening of the 16th, and a minute and a half
/// off for the 17th. So each is sought on the UTC date.
#[test]
fn nrel_rise_transit_set() {
    let mut worst = Worst::new("rise, transit, set of the NREL SPA calculator [s]", 2.0);
    for row in published("SPA") {
        let what = row.text("what");
        let words: Vec<&str> = what.split(' ').collect();
        let event = words[0];
        let (date, lat, lon, offset) = match words[..] {
            [_, "local", "UTC-7"] => ("2003-10-17", 39.742_476, -105.1786, "-07:00"),
            [_, date, "lat", lat, "lon", lon, zone] => (
                date,
                lat.parse().unwrap(),
                lon.parse().unwrap(),
                if zone == "(MST)" { "-07:00" } else { "+00:00" },
            ),
            _ => continue,
        };
        let place = Location::new(lat, lon, 0.0).unwrap();
        let from = moment(&format!("{date}T00:00:00Z"));
        let to = from + 86_400_000;
        let printed = moment(&format!("{date}T{}{offset}", row.text("published")));
        let expected = from + (printed - from).rem_euclid(86_400_000);
        let sun = crossings(place, -50.0 / 60.0, from, to);
        let kind = |wanted| sun.iter().find(|(_, k)| *k == wanted).map(|(at, _)| *at);
        let got = match event {
            "sunrise" => kind(Crossing::Rising),
            "sunset" => kind(Crossing::Falling),
            "transit" => transits(place, from, to).first().copied(),
            _ => continue,
        };
        let off = days(got.unwrap() - expected) * 86_400.0;
        worst.see(&format!("{} {what}", row.text("id")), off, 0.0);
    }
    worst.report();
}

/// Source: USNO seasons, nearest minute. At an equinox the right ascension is 0
/// or 180 degrees, at a solstice 90 or 270.
#[test]
fn equinoxes_and_solstices() {
    let mut worst = Worst::new("equinoxes and solstices, USNO [min]", 1.0);
    for row in published("seasons") {
        let Some(quarter) = ["March", "June", "September", "December"]
            .iter()
            .position(|month| row.text("what").starts_with(month))
        else {
            continue;
        };
        let expected = moment(&row.text("published").replace('Z', ":00Z"));
        let goal = [0.0, 90.0, 180.0, 270.0][quarter];
        let mut at = expected;
        for _ in 0..4 {
            let (right_ascension, _, _) = equatorial(at, delta_t_estimate(at));
            let off = trig::wrap_180(goal - right_ascension);
            // About 0.9 to 1.1 degrees a day; the loop takes up the rest.
            #[expect(clippy::cast_possible_truncation, reason = "less than a day")]
            let step = (off * 86_400_000.0) as i64;
            at += step;
        }
        worst.see(row.text("what"), days(at - expected) * 1440.0, 0.0);
    }
    worst.report();
}

/// Source: ASHRAE-type table of solar angles at 40 degrees north by solar time,
/// azimuth from south. The sun is brought to the table's declination and hour
/// angle by choosing the moment of the year and the longitude.
#[test]
fn ashrae_40_north() {
    let mut worst = Worst::new("ASHRAE 40 N, altitude and azimuth [degrees]", 0.1);
    for row in published("ASHRAE 40N") {
        let what = row.text("what");
        let (declination, near) = match what {
            w if w.starts_with("Dec 21") => (-23.45, "2025-12-21T15:03:00Z"),
            w if w.starts_with("Jun 21") => (23.45, "2025-06-21T02:42:00Z"),
            w if w.starts_with("Mar 21") => (0.0, "2025-03-20T09:01:00Z"),
            _ => (-20.0, "2026-01-20T12:00:00Z"),
        };
        let mut at = moment(near);
        for _ in 0..20 {
            let (_, got, _) = equatorial(at, 69.0);
            let (_, next, _) = equatorial(at + 3_600_000, 69.0);
            // At the solstices there is nothing to gain: 23.44 is the most.
            if (next - got).abs() > 1e-3 {
                #[expect(clippy::cast_possible_truncation, reason = "some days at most")]
                let step = ((declination - got) / (next - got) * 3_600_000.0) as i64;
                at += step;
            }
        }
        let hour: f64 = what
            .split(' ')
            .find_map(|word| word.strip_suffix('h'))
            .unwrap()
            .parse()
            .unwrap();
        let mut longitude = 0.0;
        for _ in 0..3 {
            let place = Location::new(40.0, longitude, 0.0).unwrap();
            let noons = transits(place, at - 43_200_000, at + 43_200_000);
            let since = days(at - noons[0]) * 24.0;
            longitude = trig::wrap_180(longitude + (hour - 12.0 - since) * 15.0);
        }
        let place = Location::new(40.0, longitude, 0.0).unwrap();
        let got = position(at, place, Atmosphere::standard(0.0), 69.0);
        let got = if what.ends_with("altitude") {
            got.elevation_deg
        } else {
            (got.azimuth_deg - 180.0).abs()
        };
        worst.see(what, got, row.number("published"));
    }
    worst.report();
}

/// Source: the example blind of ISO 15099, 16 mm wide, 12 mm apart, as tabulated
/// in the EnergyPlus Engineering Reference (three digits).
#[test]
fn iso_15099_direct_transmittance() {
    let slats = Slats::new(16.0, 12.0, -90.0, 90.0, 0.0).unwrap();
    let mut worst = Worst::new("ISO 15099 example blind, direct transmittance", 0.0006);
    for (tilt, profile, expected) in [
        (45.0, 0.0, 0.057),
        (45.0, 60.0, 0.0),
        (45.0, -60.0, 0.310),
        (80.0, 0.0, 0.0),
        (80.0, 60.0, 0.0),
        (80.0, -60.0, 0.088),
    ] {
        let got = slats.transmittance(profile, tilt);
        worst.see(&format!("tilt {tilt} profile {profile}"), got, expected);
    }
    worst.report();
}

/// Source: rows derived from ZEMCH 2012 eq. 11, two digits; they agree with
/// Papamichael's quadratic of 1993 (Radiance `blinds.cal`).
#[test]
fn cutoff_rows() {
    let mut worst = Worst::new(
        "cut-off rows (ZEMCH 2012, Papamichael 1993) [degrees]",
        0.006,
    );
    for (width, spacing, profile, expected) in [
        (80.0, 72.0, 0.001, 64.16),
        (80.0, 72.0, 10.0, 52.42),
        (80.0, 72.0, 20.0, 37.75),
        (80.0, 72.0, 30.0, 21.21),
        (80.0, 72.0, 40.0, 3.59),
        (80.0, 72.0, 40.783, 2.18),
        (16.0, 12.0, 0.001, 48.59),
        (16.0, 12.0, 30.0, 10.51),
    ] {
        let slats = Slats::new(width, spacing, -90.0, 90.0, 0.0).unwrap();
        let Cutoff::Angle(got) = slats.cutoff(profile) else {
            panic!(
                "{width}/{spacing} at {profile}: {:?}",
                slats.cutoff(profile)
            )
        };
        worst.see(&format!("{width}/{spacing} at {profile}"), got, expected);
        worst.see(
            &format!("{width}/{spacing} at {profile}, quadratic"),
            papamichael(width, spacing, profile),
            got,
        );
    }
    let wide = Slats::new(80.0, 72.0, -90.0, 90.0, 0.0).unwrap();
    assert_eq!(wide.cutoff(45.0), Cutoff::HorizontalSuffices);
    let narrow = Slats::new(16.0, 12.0, -90.0, 90.0, 0.0).unwrap();
    assert_eq!(narrow.cutoff(45.0), Cutoff::HorizontalSuffices);
    let inner = narrow.cutoff_inner_edge_down(30.0).unwrap();
    worst.see("16/12 at 30, inner edge down", inner, -70.51);
    worst.report();

    // Spacing 90, width 80: no tilt blocks below a profile angle of 27.27.
    let gap = Slats::new(80.0, 90.0, -90.0, 90.0, 0.0).unwrap();
    let mut leaks = Worst::new("80/90, least leak and closed leak", 0.0006);
    for profile in [1.0, 10.0, 27.26] {
        let Cutoff::NotBlockable { tilt_deg, leak } = gap.cutoff(profile) else {
            panic!("{:?}", gap.cutoff(profile))
        };
        leaks.see("tilt of the least leak", tilt_deg, 90.0 - profile);
        let k = 90.0 / 80.0 * trig::cos(profile.to_radians());
        leaks.see("least leak 1 - 1/k", leak, 1.0 - 1.0 / k);
    }
    assert!(matches!(gap.cutoff(27.28), Cutoff::Angle(_)));
    leaks.see("closed", gap.transmittance(20.0, 90.0), 0.111);
    leaks.report();
    let blocks = |tilt: f64| gap.transmittance(30.0, tilt) <= 0.0;
    assert!(!blocks(46.97) && blocks(46.99) && blocks(73.01) && !blocks(73.03));
}

/// Papamichael's form: the cut-off as a root of a quadratic in the sine of the
/// tilt, from `w sin(b + p) = s cos p` written out and squared.
fn papamichael(width: f64, spacing: f64, profile: f64) -> f64 {
    let p = profile.to_radians();
    let t = trig::sin(p) / trig::cos(p);
    let k = spacing / width;
    // sin b + t cos b = k, so (1 + t²) sin² b - 2 k sin b + k² - t² = 0.
    let discriminant = k * k - (1.0 + t * t) * (k * k - t * t);
    trig::asin((k - trig::sqrt(discriminant)) / (1.0 + t * t)).to_degrees()
}

/// Source: pvlib's tests of `clearsky.haurwitz`, recomputed.
#[test]
fn haurwitz_rows() {
    let mut worst = Worst::new("Haurwitz, pvlib tests [W/m2]", 1e-4);
    for (elevation, expected) in [
        (5.0, 48.6299),
        (10.0, 135.7417),
        (30.0, 487.8941),
        (50.0, 778.7667),
        (90.0, 1035.0920),
    ] {
        let got = haurwitz(&Sun::from_angles(elevation, 180.0));
        worst.see(&format!("{elevation}"), got, expected);
    }
    worst.see("night", haurwitz(&Sun::from_angles(-1.0, 0.0)), 0.0);
    worst.report();
}

/// Source: pvlib's tests of `clearsky.ineichen`, recomputed: zenith angle 10,
/// absolute air mass 1, turbidity 3, 1364 W/m² above the air. Pressure is
/// chosen so that the absolute air mass is 1.
#[test]
fn ineichen_rows() {
    let mut worst = Worst::new("Ineichen, pvlib tests [W/m2]", 1e-3);
    let sun = Sun::from_angles(80.0, 180.0);
    let pressure = 1013.25 / leeside_solar::light::airmass(&sun).unwrap();
    for (altitude, ghi, dni, dhi) in [
        (0.0, 1038.159, 942.208, 110.265),
        (2000.0, 1134.243, 994.954, 154.405),
    ] {
        let got = ineichen(&sun, 3.0, pressure, altitude, 1364.0);
        worst.see("global", got.ghi, ghi);
        worst.see("direct", got.dni, dni);
        worst.see("diffuse", got.dhi, dhi);
    }
    worst.report();
}

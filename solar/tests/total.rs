//! Nothing yields NaN, infinity or a panic for accepted input, over the whole
//! range of it; what is not accepted is refused with its name.

use leeside_solar::light::{
    Components, Sky, SkyModel, Source, airmass, erbs, extraterrestrial, haurwitz, illuminance_lx,
    ineichen, irradiance_of_lx,
};
use leeside_solar::reach::{Awning, DEEPEST_M, Section};
use leeside_solar::shade::{Horizon, Obstructions, Opening};
use leeside_solar::{
    Atmosphere, Cutoff, Location, Plane, Slats, Sun, SunPath, crossings, delta_t_estimate,
    position, standing, transits,
};
use proptest::prelude::*;

/// A range with its ends and middle more likely than chance would have them.
fn ends(low: f64, high: f64) -> impl Strategy<Value = f64> + Clone {
    prop_oneof![4 => low..=high, 1 => Just(low), 1 => Just(high), 1 => Just(low.midpoint(high))]
}

fn moments() -> impl Strategy<Value = i64> + Clone {
    prop_oneof![
        4 => 0_i64..4_102_444_800_000,
        1 => any::<i64>(),
        1 => Just(i64::MIN),
        1 => Just(i64::MAX),
    ]
}

fn places() -> impl Strategy<Value = Location> {
    (ends(-90.0, 90.0), ends(-180.0, 180.0), ends(-500.0, 9000.0))
        .prop_map(|(lat, lon, alt)| Location::new(lat, lon, alt).expect("in range"))
}

/// Its fields are public: anything may stand in them.
fn airs() -> impl Strategy<Value = Atmosphere> {
    let field = prop_oneof![3 => ends(0.0, 1100.0), 1 => any::<f64>()];
    (field.clone(), field).prop_map(|(pressure_hpa, temperature_c)| Atmosphere {
        pressure_hpa,
        temperature_c,
    })
}

fn suns() -> impl Strategy<Value = Sun> {
    (ends(-90.0, 90.0), ends(0.0, 360.0)).prop_map(|(e, a)| Sun::from_angles(e, a))
}

fn planes() -> impl Strategy<Value = Plane> {
    (ends(0.0, 360.0), ends(0.0, 180.0)).prop_map(|(a, t)| Plane::new(a, t).expect("in range"))
}

fn check_sun(sun: &Sun) {
    let length = sun.east * sun.east + sun.north * sun.north + sun.up * sun.up;
    assert!((length - 1.0).abs() < 1e-9, "{sun:?}");
    assert!((-90.0..=90.0).contains(&sun.elevation_deg()), "{sun:?}");
    assert!((0.0..360.0).contains(&sun.azimuth_deg()), "{sun:?}");
}

fn check_share(share: f64) {
    assert!((0.0..=1.0).contains(&share), "{share}");
}

fn check_cutoff(cutoff: Cutoff) {
    match cutoff {
        Cutoff::NoDirectSun | Cutoff::HorizontalSuffices => {}
        Cutoff::Angle(tilt) => assert!((0.0..=90.0).contains(&tilt), "{tilt}"),
        Cutoff::NotBlockable { tilt_deg, leak } => {
            assert!((0.0..=90.0).contains(&tilt_deg), "{tilt_deg}");
            check_share(leak);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn positions(place in places(), air in airs(), at in moments(), delta_t in any::<f64>()) {
        let mut path = SunPath::new(place, air);
        let (truly, apparent) = path.both(at);
        check_sun(&truly);
        check_sun(&apparent);
        let full = position(at, place, air, delta_t);
        prop_assert!((-90.0..=90.0).contains(&full.elevation_deg));
        prop_assert!((-91.0..=91.0).contains(&full.apparent_elevation_deg));
        prop_assert!((0.0..360.0).contains(&full.azimuth_deg));
        prop_assert!(delta_t_estimate(at).is_finite());
    }

    #[test]
    fn planes_and_shade(
        sun in suns(),
        plane in planes(),
        size in (ends(0.01, 100.0), ends(0.01, 100.0)),
        plates in proptest::array::uniform6(ends(0.0, 50.0)),
        reveal in ends(0.0, 10.0),
        opposite in (ends(-100.0, 1000.0), ends(0.1, 10_000.0)),
        skyline in proptest::collection::vec((0.0..360.0_f64, ends(0.0, 90.0)), 0..6),
    ) {
        prop_assert!((-1.000_001..=1.000_001).contains(&plane.cos_incidence(&sun)));
        prop_assert!((-180.0..180.0).contains(&plane.horizontal_shadow_angle_deg(&sun)));
        prop_assert!((-180.0..=180.0).contains(&plane.profile_angle_deg(&sun)));
        let mut skyline = skyline;
        skyline.sort_by(|a, b| a.0.total_cmp(&b.0));
        skyline.dedup_by(|a, b| a.0 <= b.0);
        let all = Obstructions::default()
            .with_reveal(reveal).unwrap()
            .with_overhang(plates[0], plates[1]).unwrap()
            .with_left_fin(plates[2], plates[3]).unwrap()
            .with_right_fin(plates[4], plates[5]).unwrap()
            .with_opposite(opposite.0, opposite.1).unwrap()
            .with_horizon(Horizon::new(&skyline).unwrap());
        let opening = Opening::new(size.0, size.1).unwrap();
        check_share(all.lit_share(&plane, &sun, &opening));
        check_share(Obstructions::default().lit_share(&plane, &sun, &opening));
        prop_assert!((0.0..=1000.0).contains(&all.shadow_from_head(&plane, &sun)));
    }

    #[test]
    fn slats(
        sun in suns(),
        plane in planes(),
        (width, spacing) in (ends(1.0, 1000.0), ends(1.0, 1000.0)),
        (least, most) in (ends(-90.0, 0.0), ends(0.0, 90.0)),
        margin in ends(0.0, 30.0),
        profiles in proptest::collection::vec(prop_oneof![4 => ends(-180.0, 180.0), 1 => any::<f64>()], 0..6),
        tilt in any::<f64>(),
    ) {
        let slats = Slats::new(width, spacing, least, most, margin).unwrap();
        check_cutoff(slats.cutoff_at(&plane, &sun));
        check_cutoff(slats.cutoff_over(profiles.iter().copied()));
        for profile in profiles {
            check_cutoff(slats.cutoff(profile));
            check_share(slats.transmittance(profile, tilt));
            check_share(slats.transmittance(profile, most));
            if let Some(tilt) = slats.cutoff_inner_edge_down(profile) {
                prop_assert!((-90.0..=0.0).contains(&tilt));
            }
        }
    }

    #[test]
    fn reach(
        (sill, height) in (ends(0.0, 90.0), ends(0.02, 10.0)),
        (plane, wall) in (ends(0.0, 100.0), ends(0.0, 10.0)),
        (mount, projection) in (ends(0.0, 100.0), ends(0.1, 20.0)),
        (pitch, valance) in (ends(0.0, 90.0), ends(0.0, 5.0)),
        profile in prop_oneof![4 => ends(-180.0, 180.0), 1 => any::<f64>()],
        asked in any::<f64>(),
        shaded in any::<f64>(),
    ) {
        let room = Section::new(sill + height, sill, plane, wall).unwrap();
        prop_assert!((0.0..=DEEPEST_M).contains(&room.penetration_m(profile, shaded)));
        check_share(room.extension_for_depth(profile, shaded, asked));
        let awning = Awning::new(mount, projection, pitch, valance).unwrap();
        check_share(awning.extension_for_terrace(profile, asked, shaded).extension);
        check_share(awning.extension_for_room(profile, asked, wall, shaded).extension);
    }

    #[test]
    fn light(
        sun in suns(),
        plane in planes(),
        at in moments(),
        measured in proptest::array::uniform3(prop_oneof![3 => ends(0.0, 1400.0), 1 => any::<f64>()]),
        other in proptest::array::uniform4(any::<f64>()),
        albedo in any::<f64>(),
    ) {
        // At the very most 3000 W/m² of diffuse light, all of it in the ring, over the
        // least cosine that Hay and Davies' form takes (0.01745), beam and ground beside it.
        let fine = |w: f64| assert!((0.0..180_000.0).contains(&w), "{w}");
        let above = extraterrestrial(at);
        prop_assert!((1300.0..1420.0).contains(&above));
        if let Some(air) = airmass(&sun) {
            prop_assert!((0.9..50.0).contains(&air));
        }
        fine(haurwitz(&sun));
        let clear = ineichen(&sun, other[0], other[1], other[2], above);
        let split = erbs(measured[0], other[3], above);
        let true_split = erbs(measured[0], sun.up, above);
        let given = Components { ghi: measured[0], dni: measured[1], dhi: measured[2] };
        for parts in [clear, split, true_split, given] {
            for model in [SkyModel::Isotropic, SkyModel::HayDavies, SkyModel::Perez] {
                let sky = Sky::new(Source::Measured, parts, &sun, above, model, albedo);
                let on = sky.on_plane(&plane, &sun);
                for part in [on.direct, on.sky, on.ground, on.total(), on.total_with_lit_share(albedo)] {
                    fine(part);
                }
            }
        }
        prop_assert!(illuminance_lx(measured[0]) >= 0.0);
        prop_assert!(irradiance_of_lx(measured[0]) >= 0.0);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn events(place in places(), elevation in any::<f64>(), low in ends(-91.0, 91.0), at in moments()) {
        let to = at.saturating_add(3 * 86_400_000);
        for elevation in [elevation, low, -0.8333, -90.0, 90.0] {
            for (moment, _) in crossings(place, elevation, at, to) {
                prop_assert!((at..to).contains(&moment));
            }
            let _ = standing(place, elevation, at, to);
        }
        let noons = transits(place, at, to);
        prop_assert!(noons.len() <= 4);
        prop_assert!(noons.is_sorted());
        // Backwards is empty, not endless.
        prop_assert!(crossings(place, 0.0, to, at).is_empty());
    }
}

#[test]
fn what_is_out_of_range_is_named() {
    let said = [
        Location::new(91.0, 0.0, 0.0).unwrap_err(),
        Plane::new(0.0, f64::NAN).unwrap_err(),
        Slats::new(80.0, 0.0, -90.0, 90.0, 0.0).unwrap_err(),
        Slats::new(80.0, 72.0, 45.0, 30.0, 0.0).unwrap_err(),
        Opening::new(1.0, f64::INFINITY).unwrap_err(),
        Section::new(0.5, 0.9, 0.0, 0.0).unwrap_err(),
        Awning::new(3.0, 2.0, 91.0, 0.0).unwrap_err(),
    ]
    .map(|e| e.to_string());
    assert_eq!(
        said,
        [
            "latitude 91 is outside -90..90 degrees",
            "facade tilt is not a number; it must be 0..180 degrees",
            "slat spacing 0 is outside 1..1000 mm",
            "least slat tilt 45 is outside -90..30 degrees",
            "opening height inf is outside 0.01..100 m",
            "head height 0.5 is outside 0.91..100 m",
            "awning pitch 91 is outside 0..90 degrees",
        ]
    );
}

//! Incidence, shadow angles, cut-off and slat transmittance against pvlib and
//! a ray count. Table: `reference/facade_angles.csv`, tolerance 1e-6 degrees.

mod common;

use common::{Worst, rows};
use leeside_solar::{Cutoff, Plane, Slats, Sun, trig};

#[test]
fn pvlib_facade_table() {
    let mut incidence = Worst::new(
        "incidence against pvlib 0.16.1 irradiance.aoi [degrees]",
        1e-6,
    );
    let mut cosine = Worst::new("its cosine, pvlib aoi_projection", 1e-7);
    let mut hsa = Worst::new("horizontal shadow angle, pvlib [degrees]", 1e-6);
    let mut profile = Worst::new(
        "profile angle, pvlib projected_solar_zenith_angle [degrees]",
        1e-6,
    );
    let mut cutoff = Worst::new("cut-off tilt, formula of the table [degrees]", 1e-6);
    let mut by_rays = Worst::new("transmittance, 4001 rays", 3e-4);
    let mut passing = Worst::new("transmittance, formula of the table", 1e-7);
    for row in rows(include_str!("reference/facade_angles.csv")) {
        let id = row.text("id");
        let sun = Sun::from_angles(
            90.0 - row.number("sun_zenith_app_deg"),
            row.number("sun_az_deg"),
        );
        let plane = Plane::new(row.number("facade_az_deg"), row.number("facade_tilt_deg")).unwrap();
        let cos_incidence = plane.cos_incidence(&sun);
        // The table's angles have eight digits; near 0 and 180 the arc cosine
        // loses half of them, so there only the cosine is compared.
        if row.number("cos_aoi").abs() < 0.999_999 {
            incidence.see(
                id,
                trig::acos(cos_incidence).to_degrees(),
                row.number("aoi_deg"),
            );
        }
        cosine.see(id, cos_incidence, row.number("cos_aoi"));
        assert_eq!(
            plane.sunlit(&sun),
            row.text("direct_hits_facade") == "1",
            "{id}"
        );
        let angle = plane.horizontal_shadow_angle_deg(&sun);
        hsa.see(id, trig::wrap_180(angle - row.number("hsa_deg")), 0.0);
        let p = plane.profile_angle_deg(&sun);
        profile.see(id, trig::wrap_180(p - row.number("profile_deg")), 0.0);

        let slats = Slats::new(
            row.number("slat_width_mm"),
            row.number("slat_pitch_mm"),
            -90.0,
            90.0,
            0.0,
        )
        .unwrap();
        let got = slats.cutoff(row.number("profile_deg"));
        let kind = match got {
            Cutoff::NoDirectSun => "no_direct",
            Cutoff::HorizontalSuffices => "blocked_at_zero_tilt",
            Cutoff::Angle(tilt) => {
                cutoff.see(id, tilt, row.number("cutoff_tilt_deg"));
                "angle"
            }
            Cutoff::NotBlockable { .. } => "not_blockable",
        };
        assert_eq!(kind, row.text("cutoff_kind"), "{id}");
        // The same from the vector.
        match (slats.cutoff_at(&plane, &sun), got) {
            (Cutoff::Angle(a), Cutoff::Angle(b)) => cutoff.see(id, a, b),
            (a, b) => assert_eq!(
                std::mem::discriminant(&a),
                std::mem::discriminant(&b),
                "{id}"
            ),
        }
        if let Some(expected) = row.number_if_any("probe_direct_transmittance") {
            let tau = slats.transmittance(row.number("profile_deg"), row.number("probe_tilt_deg"));
            passing.see(id, tau, expected);
            by_rays.see(id, tau, row.number("probe_bruteforce"));
        }
    }
    for worst in [incidence, cosine, hsa, profile, cutoff, by_rays, passing] {
        worst.report();
    }
}

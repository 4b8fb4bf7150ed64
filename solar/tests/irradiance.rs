//! Clear sky, decomposition and transposition against pvlib.
//! Table: `reference/irradiance.csv`, tolerance 1e-4 W/m².

mod common;

use common::{Worst, rows};
use leeside_solar::light::{
    Components, Sky, SkyModel, Source, airmass, erbs, extraterrestrial, haurwitz, ineichen,
};
use leeside_solar::{Plane, Sun, trig};

#[test]
fn pvlib_irradiance_table() {
    let of = |what: &str| Worst::new(&format!("{what} against pvlib 0.16.1 [W/m2]"), 1e-4);
    let mut air = Worst::new("air mass (Kasten & Young 1989) against pvlib 0.16.1", 1e-5);
    let mut extra = of("extraterrestrial (Spencer)");
    let mut clear = of("Haurwitz");
    let mut turbid = of("Ineichen global, direct and diffuse");
    let mut split = of("Erbs direct and diffuse");
    let mut planes: Vec<_> = ["isotropic", "haydavies", "perez"]
        .map(|m| (m, of(&format!("{m} sky")), of(&format!("{m} total"))))
        .into();
    let mut beam = of("direct on the plane");
    let mut ground = of("reflected by the ground");
    for row in rows(include_str!("reference/irradiance.csv")) {
        let id = row.text("id");
        let n = |column: &str| row.number(column);
        let sun = Sun::from_angles(90.0 - n("zenith_app_deg"), n("sun_az_deg"));
        let e0 = extraterrestrial(row.moment("utc"));
        extra.see(id, e0, n("dni_extra_wm2"));
        air.see(id, airmass(&sun).unwrap(), n("airmass_rel"));
        clear.see(id, haurwitz(&sun), n("ghi_haurwitz"));
        let got = ineichen(
            &sun,
            n("linke_turbidity"),
            n("pressure_Pa") / 100.0,
            n("alt_m"),
            e0,
        );
        turbid.see(id, got.ghi, n("ghi_ineichen"));
        turbid.see(id, got.dni, n("dni_ineichen"));
        turbid.see(id, got.dhi, n("dhi_ineichen"));
        let true_up = trig::cos(n("zenith_true_deg").to_radians());
        let got = erbs(n("ghi_in"), true_up, e0);
        split.see(id, got.dni, n("erbs_dni"));
        split.see(id, got.dhi, n("erbs_dhi"));

        let plane = Plane::new(n("facade_az_deg"), n("facade_tilt_deg")).unwrap();
        let given = Components {
            ghi: n("ghi_in"),
            dni: n("erbs_dni"),
            dhi: n("erbs_dhi"),
        };
        for ((name, sky, total), model) in
            planes
                .iter_mut()
                .zip([SkyModel::Isotropic, SkyModel::HayDavies, SkyModel::Perez])
        {
            let got = Sky::new(Source::Measured, given, &sun, e0, model, n("albedo"))
                .on_plane(&plane, &sun);
            sky.see(id, got.sky, n(&format!("poa_sky_{name}")));
            total.see(id, got.total(), n(&format!("poa_global_{name}")));
            beam.see(id, got.direct, n("poa_direct"));
            ground.see(id, got.ground, n("poa_ground"));
        }
    }
    for worst in [air, extra, clear, turbid, split, beam, ground] {
        worst.report();
    }
    for (_, sky, total) in planes {
        sky.report();
        total.report();
    }
}

//! The full algorithm against NREL SPA as pvlib carries it out, and against
//! JPL's ephemeris DE421, an independent way. Table: `reference/sun_position.csv`.

mod common;

use common::{Worst, rows};
use leeside_solar::{Atmosphere, Location, delta_t_estimate, position};

#[test]
fn spa_and_de421() {
    let of = |what: &str| Worst::new(&format!("{what} [degrees]"), 0.0005);
    let mut elevation = of("true elevation against pvlib 0.16.1 NREL SPA");
    let mut apparent = of("apparent elevation against pvlib 0.16.1 NREL SPA");
    let mut azimuth = of("azimuth * cos(elevation) against pvlib 0.16.1 NREL SPA");
    let mut elevation_jpl = of("true elevation against JPL DE421 (skyfield 1.55)");
    let mut azimuth_jpl = of("azimuth * cos(elevation) against JPL DE421 (skyfield 1.55)");
    for row in rows(include_str!("reference/sun_position.csv")) {
        let id = row.text("id");
        let place = Location::new(
            row.number("lat_deg"),
            row.number("lon_deg"),
            row.number("alt_m"),
        )
        .unwrap();
        let air = Atmosphere::new(row.number("pressure_hPa"), row.number("temp_C")).unwrap();
        let got = position(row.moment("utc"), place, air, row.number("delta_t_s"));
        let level = row.number("elev_true_deg").to_radians();
        let level = leeside_solar::trig::cos(level);
        let turned = |column: &str| {
            leeside_solar::trig::wrap_180(got.azimuth_deg - row.number(column)) * level
        };
        elevation.see(id, got.elevation_deg, row.number("elev_true_deg"));
        apparent.see(id, got.apparent_elevation_deg, row.number("elev_app_deg"));
        azimuth.see(id, turned("az_deg"), 0.0);
        elevation_jpl.see(id, got.elevation_deg, row.number("elev_true_de421_deg"));
        azimuth_jpl.see(id, turned("az_de421_deg"), 0.0);
        // The estimate of TT - UT1 is another library's; 15 s of it are
        // 0.00017 degrees.
        let estimated = position(
            row.moment("utc"),
            place,
            air,
            delta_t_estimate(row.moment("utc")),
        );
        elevation.see(id, estimated.elevation_deg, row.number("elev_true_deg"));
    }
    for worst in [elevation, apparent, azimuth, elevation_jpl, azimuth_jpl] {
        worst.report();
    }
}

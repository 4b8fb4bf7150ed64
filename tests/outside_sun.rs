//! `leeside sun` as a whole program against the reference tables: what an
//! outside check would see. The tables and their sources stand in
//! `solar/tests/reference/README.md`; the crate's own tests compare more finely.
#![expect(clippy::expect_used, reason = "a failed expectation is a failed test")]
#![expect(clippy::print_stdout, reason = "worst errors are for the record")]

use std::collections::BTreeMap;
use std::io::Write;
use std::process::{Command, Output, Stdio};

use chrono::DateTime;
use serde_json::Value;

type Row = BTreeMap<String, String>;

fn rows(table: &str) -> Vec<Row> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(table.as_bytes());
    let rows: Vec<Row> = reader
        .deserialize()
        .map(|row| row.expect("a well-formed row"))
        .collect();
    assert!(!rows.is_empty(), "an empty table checks nothing");
    rows
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().expect("a number")
}

fn sun(arguments: &[&str], input: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .arg("sun")
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    // It may have ended over its arguments without reading.
    let _ = child
        .stdin
        .take()
        .expect("piped")
        .write_all(input.as_bytes());
    child.wait_with_output().expect("the program ends")
}

/// The objects of the machine form, one a line.
fn asked(arguments: &[&str], input: &str) -> Vec<Value> {
    let output = sun(&[arguments, &["--format", "json"]].concat(), input);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {said}");
    String::from_utf8(output.stdout)
        .expect("UTF-8")
        .lines()
        .map(|line| serde_json::from_str(line).expect("one object a line"))
        .collect()
}

fn field(object: &Value, name: &str) -> f64 {
    object[name]
        .as_f64()
        .unwrap_or_else(|| unreachable!("{name} in {object}"))
}

struct Worst(&'static str, f64, f64, String);

impl Worst {
    fn new(what: &'static str, tolerance: f64) -> Self {
        Self(what, tolerance, 0.0, String::new())
    }

    fn see(&mut self, id: &str, error: f64) {
        if error.abs() > self.2 || error.is_nan() {
            self.2 = error.abs();
            id.clone_into(&mut self.3);
        }
    }

    fn report(&self) {
        let Self(what, tolerance, error, id) = self;
        println!("{what}: worst {error:.2e} ({id}), tolerance {tolerance:.0e}");
        assert!(error <= tolerance, "{what}: {error} > {tolerance} at {id}");
    }
}

fn wrapped(degrees: f64) -> f64 {
    (degrees + 180.0).rem_euclid(360.0) - 180.0
}

/// Source: pvlib 0.16.1 NREL SPA.
#[test]
fn positions() {
    let mut worst = [
        Worst::new("true elevation [degrees]", 0.0005),
        Worst::new("apparent elevation [degrees]", 0.0005),
        Worst::new("azimuth * cos(elevation) [degrees]", 0.0005),
    ];
    for row in rows(include_str!("../solar/tests/reference/sun_position.csv")) {
        let got = asked(
            &[
                "--latitude",
                &row["lat_deg"],
                "--longitude",
                &row["lon_deg"],
                "--altitude",
                &row["alt_m"],
                "--pressure",
                &row["pressure_hPa"],
                "--temperature",
                &row["temp_C"],
                "--delta-t",
                &row["delta_t_s"],
                "--at",
                &row["utc"],
            ],
            "",
        );
        let got = &got[0];
        let elevation = number(&row, "elev_true_deg");
        let level = leeside_solar::trig::cos(elevation.to_radians());
        worst[0].see(&row["id"], field(got, "elevation_deg") - elevation);
        let apparent = number(&row, "elev_app_deg");
        worst[1].see(&row["id"], field(got, "apparent_elevation_deg") - apparent);
        let turned = wrapped(field(got, "azimuth_deg") - number(&row, "az_deg"));
        worst[2].see(&row["id"], turned * level);
        assert!(got["incidence_deg"].is_null() && got["cutoff"].is_null());
    }
    worst.iter().for_each(Worst::report);
}

/// Source: roots found on pvlib 0.16.1 NREL SPA.
#[test]
fn events_of_a_date() {
    let mut usual = Worst::new("events [s]", 2.0);
    let mut grazing = Worst::new("events of grazing dates [s]", 60.0);
    let seconds = |text: &str| {
        let at = DateTime::parse_from_rfc3339(text).expect("RFC 3339");
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of this century")]
        let ms = at.timestamp_millis() as f64;
        ms / 1000.0
    };
    for row in rows(include_str!("../solar/tests/reference/rise_set.csv")) {
        let got = asked(
            &[
                "--latitude",
                &row["lat_deg"],
                "--longitude",
                &row["lon_deg"],
                "--zone",
                &row["tz"],
                "--date",
                &row["local_date"],
            ],
            "",
        );
        let worst = if row["flags"].contains("grazing") {
            &mut grazing
        } else {
            &mut usual
        };
        for event in ["sunrise", "transit", "sunset", "civil_dawn", "civil_dusk"] {
            let expected: Vec<&str> = row[&format!("{event}_utc")]
                .split(';')
                .filter(|t| !t.is_empty())
                .collect();
            let found = got[0][event].as_array().expect("a list");
            assert_eq!(
                found.len(),
                expected.len(),
                "{} {event}: {found:?}",
                row["id"]
            );
            for (found, expected) in found.iter().zip(expected) {
                let found = found.as_str().expect("a time");
                assert!(
                    found.ends_with('Z') && found.len() == 22,
                    "tenths, UTC: {found}"
                );
                worst.see(&row["id"], seconds(found) - seconds(expected));
            }
        }
    }
    usual.report();
    grazing.report();
}

/// Source: pvlib 0.16.1; the sun is computed anew, so the tolerance is that of
/// the position, and wider for the cut-off, whose arc sine is steep near 90.
#[test]
fn facades() {
    let mut worst = [
        Worst::new("incidence [degrees]", 0.0005),
        Worst::new("horizontal shadow angle * cos(elevation) [degrees]", 0.0005),
        Worst::new("profile angle [degrees]", 0.002),
        Worst::new("cut-off tilt [degrees]", 0.01),
    ];
    for row in rows(include_str!("../solar/tests/reference/facade_angles.csv")) {
        let got = asked(
            &[
                "--latitude",
                &row["lat_deg"],
                "--longitude",
                &row["lon_deg"],
                "--facade-azimuth",
                &row["facade_az_deg"],
                "--facade-tilt",
                &row["facade_tilt_deg"],
                "--slat-width",
                &row["slat_width_mm"],
                "--slat-spacing",
                &row["slat_pitch_mm"],
                "--at",
                &row["utc"],
            ],
            "",
        );
        let (got, id) = (&got[0], &row["id"]);
        worst[0].see(id, field(got, "incidence_deg") - number(&row, "aoi_deg"));
        let level = leeside_solar::trig::sin(number(&row, "sun_zenith_app_deg").to_radians());
        let turned = wrapped(field(got, "horizontal_shadow_angle_deg") - number(&row, "hsa_deg"));
        worst[1].see(id, turned * level);
        let profile = wrapped(field(got, "profile_angle_deg") - number(&row, "profile_deg"));
        worst[2].see(id, profile);
        assert_eq!(got["sunlit"], row["direct_hits_facade"] == "1", "{id}");
        let kind = match row["cutoff_kind"].as_str() {
            "no_direct" => "no_direct_sun",
            "blocked_at_zero_tilt" => "horizontal_suffices",
            other => other,
        };
        assert_eq!(got["cutoff"], kind, "{id}");
        match row["cutoff_tilt_deg"].as_str() {
            "" => assert!(got["cutoff_tilt_deg"].is_null(), "{id}"),
            tilt => worst[3].see(
                id,
                field(got, "cutoff_tilt_deg") - tilt.parse::<f64>().expect("a number"),
            ),
        }
    }
    worst.iter().for_each(Worst::report);
}

/// Source: pvlib 0.16.1; the sun is computed anew, and a ten-thousandth of a
/// degree is worth some thousandths of a W/m².
#[test]
fn irradiance() {
    let mut worst = [
        Worst::new("Ineichen and Haurwitz [W/m2]", 0.02),
        Worst::new("total on the plane, three sky models [W/m2]", 0.02),
    ];
    for row in rows(include_str!("../solar/tests/reference/irradiance.csv")) {
        let id = &row["id"];
        let hpa = (number(&row, "pressure_Pa") / 100.0).to_string();
        let common = [
            "--latitude",
            &row["lat_deg"],
            "--longitude",
            &row["lon_deg"],
            "--altitude",
            &row["alt_m"],
            "--pressure",
            &hpa,
            "--albedo",
            &row["albedo"],
            "--at",
            &row["utc"],
            "--facade-azimuth",
            &row["facade_az_deg"],
            "--facade-tilt",
            &row["facade_tilt_deg"],
        ];
        let ask = |more: &[&str]| asked(&[&common, more].concat(), "").remove(0);
        let clear = ask(&[
            "--clear-sky",
            "ineichen",
            "--linke-turbidity",
            &row["linke_turbidity"],
        ]);
        for part in ["ghi", "dni", "dhi"] {
            let expected = number(&row, &format!("{part}_ineichen"));
            worst[0].see(id, field(&clear, &format!("{part}_wm2")) - expected);
        }
        let clear = ask(&["--clear-sky", "haurwitz"]);
        worst[0].see(id, field(&clear, "ghi_wm2") - number(&row, "ghi_haurwitz"));
        assert_eq!(clear["irradiance_source"], "clear_sky");
        for (model, column) in [
            ("isotropic", "poa_global_isotropic"),
            ("hay-davies", "poa_global_haydavies"),
            ("perez", "poa_global_perez"),
        ] {
            let got = ask(&["--ghi", &row["ghi_in"], "--sky-model", model]);
            worst[1].see(
                id,
                field(&got, "plane_irradiance_wm2") - number(&row, column),
            );
            assert_eq!(got["irradiance_source"], "measured");
        }
    }
    worst.iter().for_each(Worst::report);
}

#[test]
fn a_list_of_moments() {
    let place = [
        "--latitude",
        "48.1374",
        "--longitude",
        "11.5755",
        "--at",
        "-",
    ];
    let got = asked(
        &place,
        "2026-06-21T12:00:00+02:00\n\n2026-06-21T11:00:00Z\n",
    );
    let times: Vec<&str> = got.iter().filter_map(|o| o["at"].as_str()).collect();
    assert_eq!(times, ["2026-06-21T10:00:00Z", "2026-06-21T11:00:00Z"]);
    assert_eq!(asked(&place, "").len(), 0);
}

#[test]
fn what_is_broken_is_named_and_told_by_the_exit_code() {
    let place = ["--latitude", "48", "--longitude", "11"];
    for (arguments, input, said) in [
        (
            vec!["--latitude", "95", "--longitude", "11"],
            "",
            "--latitude: latitude 95 is outside -90..90 degrees",
        ),
        (
            vec!["--latitude", "48", "--longitude", "nan"],
            "",
            "--longitude: longitude is not a number; it must be -180..180 degrees",
        ),
        (
            [&place[..], &["--facade-azimuth", "361"]].concat(),
            "",
            "--facade-azimuth: facade azimuth 361 is outside 0..360 degrees",
        ),
        (
            [
                &place[..],
                &[
                    "--facade-azimuth",
                    "180",
                    "--slat-width",
                    "80",
                    "--slat-spacing",
                    "0",
                ],
            ]
            .concat(),
            "",
            "--slat-spacing: slat spacing 0 is outside 1..1000 mm",
        ),
        (
            [&place[..], &["--pressure", "-1"]].concat(),
            "",
            "--pressure: pressure -1 is outside 0..1200 hPa",
        ),
        (
            [&place[..], &["--albedo", "1.5"]].concat(),
            "",
            "--albedo: albedo 1.5 is outside 0..1",
        ),
        (
            [&place[..], &["--at", "noon"]].concat(),
            "",
            "--at: \"noon\" is no RFC 3339 moment",
        ),
        (
            [&place[..], &["--at", "-"]].concat(),
            "2026-06-21T12:00:00Z\n21 June\n",
            "standard input, line 2: \"21 June\"",
        ),
        (
            [&place[..], &["--date", "2026-13-01"]].concat(),
            "",
            "--date",
        ),
        (
            [&place[..], &["--zone", "Europe/Nowhere"]].concat(),
            "",
            "no such IANA time zone",
        ),
        (vec!["--latitude", "48"], "", "--longitude"),
        (
            vec![],
            "",
            "give --latitude and --longitude, or a site file",
        ),
        (vec!["no-such-site.toml"], "", "no-such-site.toml"),
    ] {
        let output = sun(&arguments, input);
        let error = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {error}");
        assert!(error.contains(said), "{arguments:?}: {error}");
        assert!(!error.contains("panicked"), "{error}");
    }
}

//! `leeside audit` over days of the real year with gusts. How exposure is worked
//! out is tested in the dry run's crate.

use crate::support::{SITE, TMY3, broken, copied_example, keys, leeside, leeside_in, root, text};
use serde_json::Value;
use std::fs;

const GUSTS: &str = "tests/weather/nycflights13_jfk_2013.csv.gz";
/// 6 March 2013 brought gusts of 21 m/s, the days before and after less.
const STORMY: [&str; 8] = [
    "audit",
    SITE,
    "--from",
    "2013-03-04",
    "--to",
    "2013-03-07",
    "--weather",
    GUSTS,
];

#[test]
fn in_calm_weather_nothing_is_exposed() {
    let day = [
        "--from",
        "2027-04-05",
        "--to",
        "2027-04-05",
        "--weather",
        "clear-sky-calm",
    ];
    let told = leeside(&[&["audit", SITE], &day[..]].concat()).well();
    assert!(
        told.contains(
            "Verdict: 0 of 75 devices exposed longer than the 2 min 30 s that the site allows\n"
        ),
        "{told}"
    );
}

/// The times to safe that `check` reckons with, by group: seconds.
fn times_to_safe() -> Vec<(String, f64)> {
    let told = leeside(&["check", "--format", "json", SITE]).json();
    let of = told["site"]["time_to_safe"].as_array().unwrap();
    of.iter()
        .map(|of| {
            (
                text(of, "group").to_owned(),
                of["time_to_safe_s"].as_f64().unwrap(),
            )
        })
        .collect()
}

#[test]
fn no_device_is_exposed_for_longer_than_check_reckons_with() {
    let told = leeside(&[&STORMY[..], &["--format", "json"]].concat()).json();
    assert_eq!(
        keys(&told),
        [
            "format_version",
            "head",
            "allowed_s",
            "findings",
            "assumed",
            "devices",
            "scenarios"
        ]
    );
    assert_eq!(told["format_version"], 1);
    assert_eq!(told["findings"], false);
    assert_eq!(told["allowed_s"], 150.0);
    let devices = told["devices"].as_array().unwrap();
    assert_eq!(devices.len(), 75);
    let safe = times_to_safe();
    let mut exposed = 0;
    for longest in devices
        .iter()
        .map(|device| &device["longest"])
        .filter(|of| of["hazard"] == "wind")
    {
        let (group, limit) = safe
            .iter()
            .find(|(name, _)| longest["group"] == **name)
            .unwrap();
        let stay = longest["exposed_s"].as_f64().unwrap();
        // The audit's clock begins with the gust of the data, and its step is a minute;
        // check adds the time until a silent sensor is noticed, which does not happen here.
        assert!(stay > 0.0 && stay <= *limit, "{group}: {stay} s, {limit} s");
        exposed += 1;
    }
    assert!(exposed > 20, "the blinds were out when it began: {exposed}");
    let again = leeside(&[&STORMY[..], &["--format", "json"]].concat()).json();
    assert_eq!(told, again);
}

#[test]
fn who_was_exposed_longer_than_allowed_is_a_finding() {
    let folder = copied_example();
    let path = folder.path().join("site.toml");
    let site = fs::read_to_string(&path).unwrap();
    assert!(site.contains("exposure_max_s = 150"));
    // A slat blind of the example takes 58 s to retract.
    fs::write(
        &path,
        site.replace("exposure_max_s = 150", "exposure_max_s = 20"),
    )
    .unwrap();
    let weather = root().join(GUSTS);
    let words = [
        &["audit", "site.toml"],
        &STORMY[2..7],
        &[weather.to_str().unwrap()],
    ]
    .concat();
    let said = leeside_in(folder.path(), &words, "");
    assert_eq!(said.code, Some(3), "{}", said.err);
    assert!(
        said.out
            .contains("exposed longer than the 20 s that the site allows\n"),
        "{}",
        said.out
    );
    let told = leeside_in(
        folder.path(),
        &[&words[..], &["--format", "json"]].concat(),
        "",
    );
    assert_eq!(told.code, Some(3));
    let told: Value = serde_json::from_str(&told.out).unwrap();
    assert_eq!(told["findings"], true);
}

#[test]
fn frost_goes_down_and_wind_goes_up() {
    // The evening of 7 March 2013 was below 3 °C and damp. Seen: "ice, up to -0.6 °C".
    let words = [
        "audit",
        SITE,
        "--from",
        "2013-03-07",
        "--to",
        "2013-03-08",
        "--weather",
        GUSTS,
    ];
    let told = leeside(&words).well();
    assert!(
        told.contains(": ice, down to ") && told.contains(": wind, up to "),
        "{told}"
    );
    assert!(!told.contains("ice, up to"), "{told}");
}

/// The real year with gusts: some nights it rained into hard frost, and the
/// workshop's shutters froze where they stood. The site's policy says that frozen
/// devices are held; that is told apart, and no finding.
#[test]
fn shutters_held_frozen_by_the_policy_are_no_finding_and_not_hidden() {
    let words = [
        "audit",
        SITE,
        "--from",
        "2013-01-20",
        "--to",
        "2013-02-12",
        "--weather",
        GUSTS,
    ];
    let text = leeside(&words).well();
    assert!(
        text.contains("held frozen: at or below 0 °C a wet device may be frozen in its guides"),
        "{text}"
    );
    assert!(
        text.contains("Storms in which a device was held frozen"),
        "{text}"
    );
    let told = leeside(&[&words[..], &["--format", "json"]].concat()).json();
    assert_eq!(told["findings"], false);
    for device in told["devices"].as_array().unwrap() {
        let held = device["held_frozen_s"].as_f64().unwrap();
        let name = self::text(device, "device");
        // Hours of frost with moisture, not minutes; and only of what stood out at night.
        assert_eq!(held > 3_600.0, name.starts_with("R-"), "{name}: {held} s");
        let longest = device["longest"]["exposed_s"].as_f64().unwrap_or(0.0);
        assert!(longest <= 150.0, "{name}: {longest} s");
    }
}

#[test]
fn what_is_broken_is_named() {
    let span = ["--from", "2013-03-04", "--to", "2013-03-07"];
    let [from, a, to, b] = span;
    broken(&[
        (&["audit"], "<SITE>"),
        (&["audit", SITE], "--year"),
        (
            &["audit", SITE, from, a, to, b],
            "weather is missing: give --weather FILE",
        ),
        (
            &["audit", SITE, from, a, to, b, "--weather", "nowhere.csv"],
            "nowhere.csv: cannot be read",
        ),
        (
            &["audit", SITE, "--year", "2027", "--weather", GUSTS],
            "which go from 2013-01-01T06:00:00Z",
        ),
        (
            &["audit", SITE, from, b, to, a, "--weather", GUSTS],
            "--from must lie before --to",
        ),
        (
            &["audit", "nowhere.toml", "--year", "2027", "--weather", TMY3],
            "nowhere.toml:1:1: error:",
        ),
    ]);
}

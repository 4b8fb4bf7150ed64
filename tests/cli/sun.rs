//! `leeside sun`: the machine form to the letter, and what is refused. The
//! numbers stand against their tables in `tests/outside_sun.rs`.

use crate::support::{SITE, broken, keys, leeside, leeside_in, root};
use serde_json::Value;

const MOMENT: [&str; 18] = [
    "at",
    "elevation_deg",
    "apparent_elevation_deg",
    "azimuth_deg",
    "facade",
    "incidence_deg",
    "horizontal_shadow_angle_deg",
    "profile_angle_deg",
    "sunlit",
    "hidden_by_horizon",
    "cutoff",
    "cutoff_tilt_deg",
    "least_leak_tilt_deg",
    "least_leak",
    "irradiance_source",
    "ghi_wm2",
    "dni_wm2",
    "dhi_wm2",
];

fn moment(more: &[&str]) -> Value {
    leeside(&[&["sun", "--format", "json"], more].concat()).json()
}

#[test]
fn the_machine_form_of_a_moment_to_the_letter() {
    let of_site = moment(&[SITE, "--facade", "harbour", "--at", "2027-07-01T14:14:00Z"]);
    let on_the_plane = [
        "plane_irradiance_wm2",
        "plane_direct_wm2",
        "plane_sky_wm2",
        "plane_ground_wm2",
        "groups",
    ];
    assert_eq!(keys(&of_site), [&MOMENT[..], &on_the_plane].concat());
    assert_eq!(of_site["at"], "2027-07-01T14:14:00Z");
    assert_eq!(of_site["facade"], "harbour");
    assert_eq!(of_site["irradiance_source"], "clear_sky");
    let groups = of_site["groups"].as_array().unwrap();
    assert_eq!(groups.len(), 4, "those on the harbour side");
    assert_eq!(
        keys(&groups[0]),
        [
            "group",
            "lit_share",
            "penetration_m",
            "cutoff",
            "cutoff_tilt_deg",
            "least_leak_tilt_deg",
            "least_leak"
        ]
    );
}

#[test]
fn each_word_for_the_cut_off_is_met() {
    // Slats 80 mm wide, 72 mm apart, on a facade to the south at 48° N, 11° E. The
    // profile angle of noon in summer is steep, that of noon in winter flat; in the
    // evening of midsummer the sun is behind the facade. Slats spaced wider than
    // they are wide cannot block a sun that stands straight before them.
    let slats = |spacing: &'static str, at: &'static str| {
        let words = [
            "--latitude",
            "48",
            "--longitude",
            "11",
            "--facade-azimuth",
            "180",
        ];
        moment(
            &[
                &words[..],
                &["--slat-width", "80", "--slat-spacing", spacing, "--at", at],
            ]
            .concat(),
        )
    };
    let suffices = slats("72", "2027-06-21T11:20:00Z");
    assert_eq!(suffices["cutoff"], "horizontal_suffices");
    assert_eq!(suffices["cutoff_tilt_deg"], 0.0);
    let angle = slats("72", "2027-12-21T11:15:00Z");
    assert_eq!(angle["cutoff"], "angle");
    assert!(angle["cutoff_tilt_deg"].as_f64().unwrap() > 0.0);
    let behind = slats("72", "2027-06-21T18:30:00Z");
    assert_eq!(behind["cutoff"], "no_direct_sun");
    assert!(behind["cutoff_tilt_deg"].is_null());
    let hopeless = slats("120", "2027-12-21T08:00:00Z");
    assert_eq!(hopeless["cutoff"], "not_blockable", "{hopeless}");
    assert!(hopeless["cutoff_tilt_deg"].is_null());
    assert!(hopeless["least_leak"].as_f64().unwrap() > 0.0);
}

#[test]
fn the_machine_form_of_a_date_to_the_letter() {
    let place = ["--longitude", "11", "--date", "2027-07-01", "--latitude"];
    for (latitude, sun) in [
        ("48", "rises_or_sets"),
        ("78", "stays_up"),
        ("-78", "stays_down"),
    ] {
        let told = moment(&[&place[..], &[latitude]].concat());
        assert_eq!(
            keys(&told),
            [
                "date",
                "zone",
                "sunrise",
                "transit",
                "sunset",
                "civil_dawn",
                "civil_dusk",
                "sun"
            ]
        );
        assert_eq!(told["sun"], sun);
        assert_eq!(
            told["sunrise"].as_array().unwrap().is_empty(),
            latitude != "48"
        );
    }
}

#[test]
fn what_is_out_of_range_is_named_with_its_limits() {
    const PLACE: [&str; 5] = ["sun", "--latitude", "48", "--longitude", "11"];
    const FACADE: [&str; 2] = ["--facade-azimuth", "180"];
    let table: [(&[&str], &str); 11] = [
        (
            &["--altitude", "99999"],
            "--altitude: altitude 99999 is outside -500..9000 m",
        ),
        (
            &["--temperature", "400"],
            "--temperature: temperature 400 is outside -90..60 °C",
        ),
        (
            &["--delta-t", "99999"],
            "--delta-t: delta T 99999 is outside -10000..10000 s",
        ),
        (
            &["--linke-turbidity", "40"],
            "--linke-turbidity: Linke turbidity 40 is outside 1..20",
        ),
        (
            &["--ghi", "-1"],
            "--ghi: global irradiance -1 is outside 0..2000 W/m²",
        ),
        (
            &[FACADE[0], FACADE[1], "--facade-tilt", "190"],
            "--facade-tilt: facade tilt 190 is outside 0..180 degrees",
        ),
        (
            &[
                FACADE[0],
                FACADE[1],
                "--slat-width",
                "-3",
                "--slat-spacing",
                "72",
            ],
            "--slat-width: slat width -3 is outside",
        ),
        (&["--slat-width", "80"], "--slat-spacing"),
        (
            &["--at", "1700-01-01T00:00:00Z"],
            "--at: 1700-01-01T00:00:00Z is outside the years 1800 to 2200",
        ),
        (
            &["--at", "noon on Thursday"],
            "write it like 2026-06-21T12:00:00Z",
        ),
        (&["--facade", "harbour"], "cannot be used with"),
    ];
    for (words, said) in table {
        broken(&[(&[&PLACE[..], words].concat(), said)]);
    }
    broken(&[
        (
            &["sun", SITE],
            "name one with --facade: \"harbour\", \"slip\", \"yard\", \"lane\"",
        ),
        (
            &["sun", SITE, "--facade", "north"],
            "has no facade \"north\"; it has \"harbour\", \"slip\"",
        ),
        (
            &["sun", SITE, "--latitude", "4", "--longitude", "1"],
            "cannot be used with",
        ),
    ]);
}

#[test]
fn a_bad_line_in_a_list_of_moments_is_named_after_the_good_ones_were_answered() {
    let words = [
        "sun",
        "--latitude",
        "48",
        "--longitude",
        "11",
        "--at",
        "-",
        "--format",
        "json",
    ];
    let said = leeside_in(
        &root(),
        &words,
        "2026-06-21T12:00:00Z\n\nnoon\n2026-06-21T13:00:00Z\n",
    );
    assert_eq!(said.code, Some(2));
    assert_eq!(said.out.lines().count(), 1);
    assert!(
        said.err
            .contains("standard input, line 3: \"noon\" is no RFC 3339 moment"),
        "{}",
        said.err
    );
}

/// A moment without an offset is local to the place: of the site's zone, or of
/// `--zone`; an hour that does not exist is read as RFC 5545 §3.3.5 has it.
#[test]
fn a_local_moment_is_read_as_everywhere() {
    let at = |more: &[&str]| moment(more)["at"].clone();
    let site = ["--facade", "harbour", "--at"];
    let site = [&[SITE], &site[..]].concat();
    let local = at(&[&site[..], &["2027-07-01T10:14"]].concat());
    assert_eq!(local, at(&[&site[..], &["2027-07-01T14:14:00Z"]].concat()));
    let bare = [
        "--latitude",
        "48",
        "--longitude",
        "11",
        "--zone",
        "Europe/Berlin",
        "--at",
    ];
    let gap = at(&[&bare[..], &["2027-03-28T02:30"]].concat());
    assert_eq!(
        gap,
        at(&[&bare[..], &["2027-03-28T03:30:00+02:00"]].concat())
    );
}

//! `leeside next`: what it counts from, how many it tells, and the days on which
//! the clocks change. What it foretells is held to the replay in the dry run's tests.

use crate::support::{SITE, broken, copied_example, keys, leeside, leeside_in};
use serde_json::Value;
use std::fs;

const LIGHTS: [&str; 4] = ["next", SITE, "--group", "workshop lights"];

fn lights(more: &[&str]) -> Value {
    leeside(&[&LIGHTS[..], &["--format", "json"], more].concat()).json()
}

#[test]
fn all_groups_are_told_in_the_order_of_the_site_file() {
    let told = leeside(&[
        "next",
        SITE,
        "--from",
        "2027-07-01T10:14",
        "--count",
        "1",
        "--format",
        "json",
    ])
    .json();
    assert_eq!(
        keys(&told),
        [
            "format_version",
            "head",
            "from_local",
            "from_utc",
            "until_utc",
            "groups"
        ]
    );
    assert_eq!(told["format_version"], 1);
    assert_eq!(told["from_local"], "2027-07-01T10:14:00-04:00");
    assert_eq!(told["from_utc"], "2027-07-01T14:14:00Z");
    let groups = told["groups"].as_array().unwrap();
    let names: Vec<&str> = groups
        .iter()
        .map(|group| group["group"].as_str().unwrap())
        .collect();
    let site = fs::read_to_string(crate::support::root().join(SITE)).unwrap();
    let stated = site.split("[[group]]\nname = \"").skip(1);
    let stated: Vec<&str> = stated.map(|rest| rest.split('"').next().unwrap()).collect();
    assert_eq!(names, stated);
    assert!(
        groups
            .iter()
            .all(|group| group["next"].as_array().unwrap().len() <= 1)
    );
}

#[test]
fn text_says_under_which_assumption_and_tells_three_unless_told_otherwise() {
    let told = leeside(&[&LIGHTS[..], &["--from", "2027-06-30T05:00"]].concat()).well();
    assert!(
        told.starts_with(
            "What the groups of The Slipway will do next, from Wed 30 Jun 2027 05:00 (America/New_York, \
             2027-06-30T09:00:00Z)\n"
        ),
        "{told}"
    );
    assert!(
        told.contains("made-up weather: no clouds, no wind, no rain"),
        "{told}"
    );
    assert!(
        told.contains("in 1 h 15 min    Wed 30 Jun 2027 06:15 (10:15 UTC): retracted\n"),
        "{told}"
    );
    assert_eq!(told.matches("\n  in ").count(), 3, "{told}");
    let one =
        leeside(&[&LIGHTS[..], &["--from", "2027-06-30T05:00", "--count", "1"]].concat()).well();
    assert_eq!(one.matches("\n  in ").count(), 1, "{one}");
}

#[test]
fn the_base_time_may_be_written_in_several_ways() {
    for from in [
        "2027-06-30T05:00",
        "2027-06-30 05:00",
        "2027-06-30T05:00:00-04:00",
        "2027-06-30T09:00:00Z",
    ] {
        assert_eq!(
            lights(&["--from", from])["from_utc"],
            "2027-06-30T09:00:00Z",
            "{from}"
        );
    }
    assert_eq!(
        lights(&["--from", "2027-06-30"])["from_utc"],
        "2027-06-30T04:00:00Z"
    );
}

#[test]
fn what_begins_at_the_base_time_is_still_ahead() {
    // The example opens the workshop's shutters at 06:15. Seen: at 06:15 itself they
    // stood open already and were to open "at once".
    let told = lights(&["--from", "2027-08-05T06:15", "--count", "1"]);
    let of = &told["groups"][0];
    assert_eq!(of["now"]["extension_pct"], 100);
    assert_eq!(of["next"][0]["at_utc"], "2027-08-05T10:15:00Z");
    assert_eq!(of["next"][0]["in_s"], 0);
    assert_eq!(of["next"][0]["extension_pct"], 0);
}

#[test]
fn on_days_of_a_clock_change_times_are_read_as_rfc_5545_has_it() {
    // §3.3.5: 02:30 does not exist on 14 March 2027 and is read with the offset before
    // the gap; 01:30 comes twice on 7 November 2027, and the first is meant.
    let folder = copied_example();
    let path = folder.path().join("site.toml");
    let site = fs::read_to_string(&path).unwrap();
    let shut = r#"weekend = [{ phase = "shut", at = "00:00", pose = "extended", sun = false }]"#;
    assert!(site.contains(shut));
    let aired = r#"weekend = [
  { phase = "air", at = "01:30", pose = "retracted", sun = false },
  { phase = "shut", at = "02:30", pose = "extended", sun = false },
]"#;
    fs::write(&path, site.replace(shut, aired)).unwrap();
    let ask = |from: &str| {
        let words = [
            "next",
            "site.toml",
            "--group",
            "workshop lights",
            "--count",
            "2",
            "--format",
            "json",
        ];
        let told = leeside_in(folder.path(), &[&words[..], &["--from", from]].concat(), "").json();
        let moves = told["groups"][0]["next"].as_array().unwrap().clone();
        moves
            .iter()
            .map(|of| {
                [
                    of["at_local"].as_str().unwrap().to_owned(),
                    of["at_utc"].as_str().unwrap().to_owned(),
                ]
            })
            .collect::<Vec<_>>()
    };
    assert_eq!(
        ask("2027-03-14T00:00"),
        [
            ["2027-03-14T01:30:00-05:00", "2027-03-14T06:30:00Z"],
            ["2027-03-14T03:30:00-04:00", "2027-03-14T07:30:00Z"]
        ]
    );
    assert_eq!(
        ask("2027-11-07T00:00"),
        [
            ["2027-11-07T01:30:00-04:00", "2027-11-07T05:30:00Z"],
            ["2027-11-07T02:30:00-05:00", "2027-11-07T07:30:00Z"]
        ]
    );
    // The base time itself, in the gap and in the overlap.
    assert_eq!(
        lights(&["--from", "2027-03-14T02:30"])["from_utc"],
        "2027-03-14T07:30:00Z"
    );
    assert_eq!(
        lights(&["--from", "2027-11-07T01:30"])["from_utc"],
        "2027-11-07T05:30:00Z"
    );
}

#[test]
fn what_is_broken_is_named() {
    broken(&[
        (&["next"], "<SITE>"),
        (
            &["next", "nowhere.toml"],
            "nowhere.toml:1:1: error: the site file cannot be read",
        ),
        (
            &["next", "tests/broken/empty.toml"],
            "empty.toml:1:1: error: there is no [site]",
        ),
        (&["next", SITE, "--count", "0"], "0 is not in 1..=1000"),
        (
            &["next", SITE, "--from", "noon"],
            "expected a moment between 1990 and 2099 like",
        ),
        (
            &["next", SITE, "--from", "1850-01-01"],
            "expected a moment between 1990 and 2099 like",
        ),
        (
            &["next", SITE, "--group", "penthouse"],
            "no such group; there are \"harbour offices 1\", ",
        ),
    ]);
}

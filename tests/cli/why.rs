//! `leeside why`: one moment, a room, and what is refused.

use crate::support::{SITE, TMY3, broken, leeside, text};

const OFFICES: [&str; 4] = ["why", SITE, "--group", "harbour offices 1"];

fn offices(at: &str, more: &[&str]) -> String {
    leeside(&[&OFFICES[..], &["--at", at], more].concat()).well()
}

#[test]
fn every_rank_is_told_in_its_order() {
    let text = offices("2027-07-01T10:14", &["--weather", TMY3]);
    let ranks: Vec<&str> = text
        .lines()
        .skip_while(|line| !line.starts_with("Every rank, highest first"))
        .skip(1)
        .filter(|line| !line.starts_with("   "))
        .map(|line| {
            line.trim_start_matches(['>', '-', ' '])
                .split_whitespace()
                .next()
                .unwrap()
        })
        .collect();
    assert_eq!(
        ranks,
        [
            "service",
            "fire",
            "wind",
            "hail",
            "ice",
            "rain",
            "hand",
            "sun",
            "timetable",
            "rest"
        ],
        "{text}"
    );
    assert!(text.contains("\n> sun "), "{text}");
    assert!(text.contains("\n- timetable "), "{text}");
    assert!(
        text.contains("no gusts in the data"),
        "what the data cannot say: {text}"
    );
}

#[test]
fn as_json_with_its_version() {
    let told: serde_json::Value =
        serde_json::from_str(&offices("2027-07-01T10:14", &["--format", "json"])).unwrap();
    assert_eq!(told["format_version"], 1);
    assert_eq!(told["group"], "harbour offices 1");
    assert_eq!(told["verdict"]["decided_by"], "sun");
    assert_eq!(told["verdict"]["extension_pct"], 100);
}

#[test]
fn a_minute_means_that_minute_and_not_the_next() {
    // The example's day phase begins at 06:30. Seen: asked about 06:29, the answer was
    // that of 06:30.
    for (at, phase) in [
        ("2027-08-05T06:28", "night"),
        ("2027-08-05T06:29", "night"),
        ("2027-08-05T06:29:59", "night"),
        ("2027-08-05T06:30", "day"),
        ("2027-08-05T10:30:00Z", "day"),
    ] {
        let text = offices(at, &[]);
        let want = format!("decided by    timetable offices, slats, workday: {phase}\n");
        assert!(text.contains(&want), "{at}:\n{text}");
    }
}

#[test]
fn for_a_tenant_it_is_a_few_sentences() {
    let text = offices("2027-07-01T10:14", &["--plain"]);
    assert!(
        text.starts_with("On Thursday 1 July 2027 at 10:14 "),
        "{text}"
    );
    assert_eq!(text.lines().count(), 1);
    // Figures may stand in it, words of the program may not.
    for jargon in [
        "_",
        "rank",
        "verdict",
        "extension",
        "tilt",
        "profile",
        "incidence",
    ] {
        assert!(!text.contains(jargon), "{jargon}: {text}");
    }
}

#[test]
fn what_moved_in_front_of_a_room_is_listed() {
    let words = [
        "why",
        SITE,
        "--room",
        "canteen",
        "--from",
        "2027-07-01",
        "--to",
        "2027-07-02",
    ];
    let text = leeside(&words).well();
    assert!(
        text.contains("groups: harbour terrace, slip terrace\n"),
        "{text}"
    );
    let moves = text
        .lines()
        .filter(|line| line.contains("terrace: "))
        .count();
    assert!(
        moves > 0 && text.ends_with(&format!("{moves} movements.\n")),
        "{text}"
    );
    let told = leeside(&[&words[..], &["--format", "json"]].concat()).json();
    assert_eq!(told["format_version"], 1);
}

#[test]
fn what_is_broken_is_named() {
    let hour = ["--from", "2027-07-01T10:00", "--to", "2027-07-01T11:00"];
    let [from, a, to, b] = hour;
    broken(&[
        (&["why", SITE], "--group"),
        (&["why", SITE, "--group", "entrance"], "--at"),
        (&["why", SITE, "--at", "2027-07-01T10:14"], "--group"),
        (
            &["why", SITE, "--group", "penthouse", "--at", "2027-07-01"],
            "no such group; there are \"harbour offices 1\"",
        ),
        (
            &["why", SITE, "--group", "entrance", "--at", "noon"],
            "expected a moment between 1990 and 2099",
        ),
        (
            &["why", SITE, "--room", "attic", from, a, to, b],
            "no such room; there are \"offices 1\"",
        ),
        (
            &["why", SITE, "--room", "canteen", from, b, to, a],
            "--from must lie before --to",
        ),
        (&["why", SITE, "--room", "canteen", from, a], "--to"),
        (
            &[
                "why",
                "nowhere.toml",
                "--group",
                "entrance",
                "--at",
                "2027-07-01",
            ],
            "nowhere.toml:1:1: error:",
        ),
        (
            &[
                "why",
                SITE,
                "--group",
                "entrance",
                "--at",
                "2027-07-01",
                "--journal",
                "no.sqlite",
            ],
            "no.sqlite: no such journal",
        ),
        (
            &[
                "why",
                SITE,
                "--group",
                "entrance",
                "--at",
                "2027-07-01",
                "--weather",
                crate::support::JFK_2013,
            ],
            "2013-12-31T00:00:00Z only: ask for a moment or span within it",
        ),
        (
            &[
                &[
                    "why",
                    SITE,
                    "--group",
                    "entrance",
                    "--at",
                    "2027-03-14T10:00",
                ],
                &["--weather", STORM_WITH_A_STRANGER][..],
            ]
            .concat(),
            "lets a sensor \"nobody\" fail, but the site has none of that name; it has mast harbour, ",
        ),
        (
            &[
                &[
                    "why",
                    SITE,
                    "--group",
                    "entrance",
                    "--at",
                    "2027-03-14T10:00",
                ],
                &["--gusts", "seed=7"][..],
            ]
            .concat(),
            "--gusts: expected weather with a mean wind",
        ),
    ]);
}

const STORM_WITH_A_STRANGER: &str = "storm:at=2027-03-14T10:00-04:00,peak=24,fail=nobody@10:14";

/// The same gusts as a dry run makes up with that seed.
#[test]
fn made_up_gusts_explain_what_they_did_in_the_dry_run() {
    let weather = ["--weather", TMY3, "--gusts", "seed=7"];
    let span = ["--from", "2027-04-10", "--to", "2027-04-10"];
    let run = [
        &["dry-run", SITE],
        &span[..],
        &weather,
        &["--format", "json"],
    ]
    .concat();
    let run = leeside(&run).json();
    let fingerprint = "seed 7, intensity 0.18";
    assert_eq!(run["head"]["synthetic_gusts"], fingerprint);
    let gust = run["movements"]
        .as_array()
        .unwrap()
        .iter()
        .find(|movement| {
            let reason = text(movement, "reason");
            movement["decided_by"] == "wind" && reason.starts_with("gust")
        });
    let gust = gust.expect("a gust above a limit");
    let asked = [
        &["why", SITE, "--group", text(gust, "group")],
        &["--at", text(gust, "at_utc")][..],
        &weather,
        &["--format", "json"],
    ]
    .concat();
    let told = leeside(&asked).json();
    assert_eq!(told["verdict"]["decided_by"], "wind");
    assert_eq!(told["verdict"]["reason"], gust["reason"]);
    assert_eq!(told["basis"]["head"]["synthetic_gusts"], fingerprint);
}

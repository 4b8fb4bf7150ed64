//! `leeside dry-run` over one week of the example in April: closed days, wind,
//! rain. Stopped runs and files are tested in `tests/dry_run`.

use crate::support::{SITE, TMY3, broken, leeside, root};
use std::collections::BTreeSet;
use std::fs;

/// Monday and Tuesday are closed days of the house (stocktaking).
const WEEK: [&str; 8] = [
    "dry-run",
    SITE,
    "--from",
    "2027-04-05",
    "--to",
    "2027-04-11",
    "--weather",
    TMY3,
];

fn week(more: &[&str]) -> String {
    leeside(&[&WEEK[..], more].concat()).well()
}

/// The summary without what changes with every comment in the site file.
fn without_fingerprint(text: &str) -> String {
    let line = text.lines().find(|line| line.starts_with("site ")).unwrap();
    let site = line.split([' ', ',']).nth(1).unwrap();
    assert_eq!(site.len(), 12, "{line}");
    text.replace(site, "(site file)")
}

#[test]
fn golden_summary_of_a_week() {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("golden");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.set_description(
        "leeside dry-run of the example, 5 to 11 April 2027; how to renew it: tests/cli/main.rs",
    );
    let summary = without_fingerprint(&week(&[]));
    settings.bind(|| insta::assert_snapshot!("week", summary));
}

/// The words that may decide, as the README and the interface promise them.
const WORDS: [&str; 12] = [
    "service",
    "fire",
    "wind",
    "hail",
    "ice",
    "rain",
    "door",
    "drive",
    "hand",
    "sun",
    "timetable",
    "rest",
];

struct Row(csv::StringRecord);

impl Row {
    fn local(&self) -> chrono::DateTime<chrono::FixedOffset> {
        chrono::DateTime::parse_from_rfc3339(&self.0[0]).unwrap()
    }

    fn utc(&self) -> chrono::DateTime<chrono::FixedOffset> {
        assert!(self.0[1].ends_with('Z'), "{:?}", self.0);
        chrono::DateTime::parse_from_rfc3339(&self.0[1]).unwrap()
    }
}

fn rows(text: &str) -> Vec<Row> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let header = reader.headers().unwrap().clone();
    assert_eq!(
        header,
        [
            "at_local",
            "at_utc",
            "group",
            "extension_pct",
            "tilt_deg",
            "decided_by",
            "reason",
            "lost"
        ][..]
    );
    let rows: Vec<Row> = reader.records().map(|row| Row(row.unwrap())).collect();
    assert!(rows.len() > 100, "{}", rows.len());
    rows
}

#[test]
fn csv_says_its_format_and_then_every_movement() {
    let text = week(&["--format", "csv"]);
    assert_eq!(
        text,
        week(&["--format", "csv"]),
        "two runs give the same bytes"
    );
    assert!(
        text.starts_with("# leeside dry run, CSV format 1\n"),
        "{text}"
    );
    let mut lines = text.lines().skip_while(|line| line.starts_with("# "));
    assert_eq!(
        lines.next(),
        Some("at_local,at_utc,group,extension_pct,tilt_deg,decided_by,reason,lost")
    );

    let rows = rows(&text);
    assert!(rows.is_sorted_by_key(Row::utc));
    let mut words = BTreeSet::new();
    for row in &rows {
        let r = &row.0;
        assert_eq!(row.local(), row.utc(), "{r:?}");
        assert_eq!(
            row.local().offset().local_minus_utc(),
            -4 * 3600,
            "daylight time: {r:?}"
        );
        let extension: f64 = r[3].parse().unwrap();
        assert!((0.0..=100.0).contains(&extension), "{r:?}");
        // Only slats have a tilt, and only while they are out.
        let slats =
            r[2].contains("offices 1") || r[2].contains("offices 2") || r[2].contains("top floor");
        if !r[4].is_empty() {
            let tilt: f64 = r[4].parse().unwrap();
            assert!(
                (-90.0..=90.0).contains(&tilt) && slats && extension > 0.0,
                "{r:?}"
            );
        }
        assert!(WORDS.contains(&&r[5]), "{r:?}");
        assert!(!r[6].is_empty(), "every movement says why: {r:?}");
        words.insert(r[5].to_owned());
    }
    // A windy week with sun; nobody is at home, no door opens.
    for word in ["wind", "sun", "timetable"] {
        assert!(words.contains(word), "{words:?}");
    }
    for word in ["service", "fire", "door", "hand"] {
        assert!(!words.contains(word), "{words:?}");
    }
}

#[test]
fn a_closed_day_keeps_its_pose_whatever_the_sun_does() {
    let text = week(&["--format", "csv"]);
    let offices = |row: &&Row| {
        row.0[2].starts_with("harbour offices") || row.0[2].starts_with("slip offices")
    };
    let on = |dates: [&str; 2]| {
        rows(&text)
            .into_iter()
            .filter(|row| offices(&row) && dates.iter().any(|date| row.0[0].starts_with(date)))
            .collect::<Vec<_>>()
    };
    let closed = on(["2027-04-05", "2027-04-06"]);
    assert!(closed.iter().all(|row| &row.0[5] != "sun"), "closed");
    let workdays = on(["2027-04-07", "2027-04-08"]);
    assert!(
        workdays.iter().any(|row| &row.0[5] == "sun"),
        "the days after"
    );
}

#[test]
fn json_says_the_same_as_csv() {
    let told: serde_json::Value = serde_json::from_str(&week(&["--format", "json"])).unwrap();
    assert_eq!(told["format_version"], 1);
    let movements = told["movements"].as_array().unwrap();
    let rows = rows(&week(&["--format", "csv"]));
    assert_eq!(movements.len(), rows.len());
    for (movement, row) in movements.iter().zip(&rows) {
        for (key, column) in [
            ("at_local", 0),
            ("at_utc", 1),
            ("group", 2),
            ("decided_by", 5),
            ("reason", 6),
        ] {
            assert_eq!(movement[key], row.0[column], "{movement}");
        }
        let number = |key: &str| {
            movement[key]
                .as_i64()
                .map_or_else(String::new, |n| n.to_string())
        };
        assert_eq!(
            [number("extension_pct"), number("tilt_deg")],
            [&row.0[3], &row.0[4]],
            "{movement}"
        );
    }
    let summary = &told["summary"];
    assert!(summary.is_object(), "{summary}");
    assert!(
        told["lockouts"]
            .as_array()
            .unwrap()
            .iter()
            .all(|of| of["guard"] == "wind" || of["guard"] == "rain")
    );
}

#[test]
fn a_span_may_be_written_in_several_ways() {
    // A date as last includes that day; a time does not include itself.
    let ends = [
        ["2027-04-05", "2027-04-05"],
        ["2027-04-05T00:00", "2027-04-06T00:00"],
        ["2027-04-05T00:00:00-04:00", "2027-04-06T04:00:00Z"],
    ];
    for [from, to] in ends {
        let span = ["--from", from, "--to", to, "--weather", "clear-sky-calm"];
        let told = leeside(&[&["dry-run", SITE], &span[..]].concat()).well();
        let want = "\n2027-04-05T00:00:00-04:00 to 2027-04-06T00:00:00-04:00 (America/New_York)\n";
        assert!(told.contains(want), "{from} {to}: {told}");
    }
}

#[test]
fn a_year_is_named_or_a_span_and_weather_has_to_be_there() {
    let folder = tempfile::tempdir().unwrap();
    let roof = folder.path().join("roof.csv");
    fs::write(
        &roof,
        "utc,mean_ms,gust_ms\n2027-04-05T00:00:00Z,2,3\n2027-04-05T01:00:00Z,2,minus\n",
    )
    .unwrap();
    let roof = roof.to_str().unwrap();
    let span = ["--from", "2027-04-05", "--to", "2027-04-05"];
    let [from, a, to, b] = span;
    broken(&[
        (&["dry-run"], "<SITE>"),
        (
            &["dry-run", SITE, "--weather", TMY3],
            "which span? Give --year, like --year 2027, or --from and --to, like",
        ),
        (
            &["dry-run", SITE, "--from", "2027-04-05", "--weather", TMY3],
            "--to",
        ),
        (
            &[
                "dry-run",
                SITE,
                "--year",
                "2027",
                from,
                a,
                to,
                b,
                "--weather",
                TMY3,
            ],
            "cannot be used with",
        ),
        (
            &["dry-run", SITE, from, a, to, b, "--weather", roof],
            "roof.csv:3:24: gust_ms: found \"minus\"",
        ),
        (
            &["dry-run", SITE, from, a, to, b, "--weather", "deploy"],
            "deploy: cannot be read",
        ),
        (
            &["dry-run", SITE, from, a, to, b, "--weather", SITE],
            "site.toml",
        ),
        (
            &[
                "dry-run",
                SITE,
                from,
                a,
                to,
                b,
                "--weather",
                TMY3,
                "--occupied",
                "18:00-08:00",
            ],
            "expected always, never, or times like 08:00-18:00",
        ),
        (
            &[
                "dry-run",
                "tests/broken/empty.toml",
                from,
                a,
                to,
                b,
                "--weather",
                TMY3,
            ],
            "there is no [site]",
        ),
    ]);
}

#[test]
fn weather_and_gusts_and_journals_that_do_not_fit_are_refused() {
    let [from, a, to, b] = ["--from", "2027-04-05", "--to", "2027-04-05"];
    broken(&[
        (
            &[
                &["dry-run", SITE, from, a, to, b][..],
                &["--weather", "clear-sky-calm", "--gusts", "seed=7"],
            ]
            .concat(),
            "clear-sky-calm has no wind",
        ),
        (
            &[
                &["dry-run", SITE, from, a, to, b][..],
                &[
                    "--weather",
                    "storm:at=2027-04-05T10:00-04:00,peak=24,fail=nobody@10:14",
                ],
            ]
            .concat(),
            "the site has none of that name; it has mast harbour, mast slip",
        ),
        (
            &[
                &["dry-run", SITE, from, a, to, b][..],
                &[
                    "--weather",
                    "storm:at=2027-04-05T10:00-04:00,peak=24",
                    "--gusts",
                    "seed=7",
                ],
            ]
            .concat(),
            "has no mean wind over more than a minute",
        ),
        (
            &["dry-run", SITE, from, a, to, b, "--journal", "no.sqlite"],
            "no.sqlite: no such journal",
        ),
    ]);
}

/// Seen: a span within one month gave the table of groups twice.
#[test]
fn a_single_month_is_told_once() {
    let once = week(&[]);
    assert_eq!(once.matches("\nharbour terrace ").count(), 2, "{once}");
    let span = [
        "--from",
        "2027-03-31",
        "--to",
        "2027-04-01",
        "--weather",
        TMY3,
    ];
    let twice = leeside(&[&["dry-run", SITE], &span[..]].concat()).well();
    assert_eq!(twice.matches("\nharbour terrace ").count(), 4, "{twice}");
    assert!(twice.contains("\nall "), "{twice}");
}

/// Two seeds are two fingerprints.
#[test]
fn the_seed_of_made_up_gusts_stands_in_the_fingerprint() {
    let of = |seed: &str| {
        let text = week(&["--gusts", seed]);
        let line = text.lines().find(|line| line.starts_with("site ")).unwrap();
        line.to_owned()
    };
    let (seven, eight) = (of("seed=7"), of("seed=8"));
    assert!(
        seven.contains(", synthetic gusts seed 7, intensity 0.18, leeside "),
        "{seven}"
    );
    assert_ne!(seven, eight);
    assert_ne!(seven, of("seed=7,intensity=0.2"));
}

#[test]
fn the_weather_of_the_example_is_where_the_readme_says() {
    assert!(root().join(TMY3).is_file());
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    assert!(readme.contains(TMY3));
}

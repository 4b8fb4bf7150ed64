//! `leeside dry-run` and `leeside lockouts` as somebody at a shell meets them:
//! output, exit codes, and what is left behind when a run is stopped.
#![expect(clippy::unwrap_used, reason = "tests")]

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

const TMY3: &str = "tests/weather/tmy3_744860_new_york_jfk.csv.gz";
const JFK_2013: &str = "tests/weather/jfk_2013_hourly.csv.gz";
const SITE: &str = "deploy/example/site.toml";

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn leeside(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_leeside"));
    command.current_dir(root()).args(args);
    command
}

fn run(args: &[&str]) -> Output {
    leeside(args).output().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

/// Names in a folder, hidden ones too.
fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

const WEEK: [&str; 8] = [
    "dry-run",
    SITE,
    "--from",
    "2027-06-14",
    "--to",
    "2027-06-20",
    "--weather",
    TMY3,
];

fn week(more: &[&str]) -> Output {
    run(&[&WEEK[..], more].concat())
}

#[test]
fn a_week_reads_well_and_says_first_what_it_rests_on() {
    let output = week(&[]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let text = out(&output);
    for words in [
        "Dry run of The Slipway",
        "2027-06-14T00:00:00-04:00 to 2027-06-21T00:00:00-04:00 (America/New_York)",
        "no gusts in the data",
        "gaps: none",
        "busiest day",
        "harbour offices 1",
    ] {
        assert!(text.contains(words), "{words} is not in\n{text}");
    }
    // No progress bar, no colour, where nobody sits at a terminal.
    assert_eq!(err(&output), "");
    assert!(!text.contains('\u{1b}'));
}

#[test]
fn csv_is_the_same_twice_and_in_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("week.csv");
    let printed = week(&["--format", "csv"]);
    assert_eq!(printed.status.code(), Some(0), "{}", err(&printed));
    let filed = week(&["--format", "csv", "--output", path.to_str().unwrap()]);
    assert_eq!(filed.status.code(), Some(0), "{}", err(&filed));
    assert_eq!(out(&filed), "");
    assert_eq!(fs::read_to_string(&path).unwrap(), out(&printed));
    assert_eq!(names(folder.path()), ["week.csv"]);
    let header = out(&printed)
        .lines()
        .find(|line| !line.starts_with('#'))
        .unwrap()
        .to_owned();
    assert_eq!(
        header,
        "at_local,at_utc,group,extension_pct,tilt_deg,decided_by,reason,lost"
    );
}

#[test]
fn json_is_one_object_with_its_version() {
    let output = week(&["--format", "json", "--plant", "simulated"]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let value: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(value["format_version"], 1);
    assert_eq!(value["head"]["plant"], "simulated");
    assert!(!value["movements"].as_array().unwrap().is_empty());
}

#[test]
fn made_up_weather_is_called_so() {
    let args = [
        "dry-run",
        SITE,
        "--from",
        "2027-06-14",
        "--to",
        "2027-06-14",
        "--weather",
        "clear-sky-calm",
    ];
    let text = out(&run(&args));
    assert!(text.contains("made-up weather"), "{text}");
}

#[test]
fn what_is_broken_gets_code_2_with_its_place_and_a_hint() {
    let folder = tempfile::tempdir().unwrap();
    let broken = folder.path().join("roof.csv");
    fs::write(
        &broken,
        "utc,mean_ms,gust_ms\n2027-06-14T00:00:00Z,2,3\n2027-06-14T01:00:00Z,two,3\n",
    )
    .unwrap();
    let broken = broken.to_str().unwrap();
    let table: [(&[&str], &str); 9] = [
        (
            &["dry-run", SITE, "--year", "2027"],
            "--weather clear-sky-calm",
        ),
        (&["dry-run", SITE, "--weather", TMY3], "--year"),
        (
            &["dry-run", SITE, "--year", "1066", "--weather", TMY3],
            "expected a year from 1990 to 2099",
        ),
        (
            &[
                "dry-run",
                SITE,
                "--year",
                "2027",
                "--weather",
                "nowhere.epw",
            ],
            "nowhere.epw: cannot be read",
        ),
        (
            &["dry-run", SITE, "--year", "2027", "--weather", broken],
            "roof.csv:3:22: mean_ms: found \"two\"",
        ),
        (
            &["dry-run", SITE, "--year", "2027", "--weather", JFK_2013],
            "which go from 2013-01-01T06:00:00Z to 2013-12-31T00:00:00Z",
        ),
        (
            &[
                "dry-run",
                SITE,
                "--from",
                "2027-07-02",
                "--to",
                "2027-07-01",
                "--weather",
                TMY3,
            ],
            "--from must lie before --to",
        ),
        (
            &[
                "dry-run",
                SITE,
                "--from",
                "2 July",
                "--to",
                "2027-07-01",
                "--weather",
                TMY3,
            ],
            "expected a date like 2027-07-01",
        ),
        (
            &[
                "dry-run",
                "nowhere.toml",
                "--year",
                "2027",
                "--weather",
                TMY3,
            ],
            "nowhere.toml",
        ),
    ];
    for (args, complaint) in table {
        let output = run(args);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", err(&output));
        assert!(
            err(&output).contains(complaint),
            "{args:?}: {}",
            err(&output)
        );
        assert_eq!(out(&output), "", "{args:?}");
    }
}

#[test]
fn a_reader_that_has_seen_enough_is_no_failure() {
    let mut child = leeside(&[&WEEK[..], &["--format", "csv"]].concat())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    assert!(line.starts_with("# leeside dry run"), "{line}");
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
}

#[test]
fn a_folder_that_is_not_there_fails_before_the_run() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("missing/week.csv");
    let output = week(&["--output", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        err(&output).contains("cannot be written"),
        "{}",
        err(&output)
    );
}

#[cfg(unix)]
#[test]
fn ctrl_c_leaves_no_half_file_and_an_older_one_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("years.csv");
    fs::write(&path, "old").unwrap();
    let args = [
        "dry-run",
        SITE,
        "--from",
        "2027-01-01",
        "--to",
        "2056-12-31",
        "--weather",
        TMY3,
    ];
    let child = leeside(
        &[
            &args[..],
            &["--format", "csv", "--output", path.to_str().unwrap()],
        ]
        .concat(),
    )
    .stdout(Stdio::null())
    .stderr(Stdio::piped())
    .spawn()
    .unwrap();
    // Wait until something has been written: by then the run listens.
    let written = || {
        let parts = fs::read_dir(folder.path()).unwrap().filter_map(Result::ok);
        parts
            .filter(|entry| entry.file_name() != "years.csv")
            .any(|entry| entry.metadata().is_ok_and(|m| m.len() > 0))
    };
    for _ in 0..1200 {
        if written() {
            break;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    assert!(written(), "the run has begun");
    let told = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(told.success());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    assert!(err(&output).contains("stopped at"), "{}", err(&output));
    assert_eq!(names(folder.path()), ["years.csv"]);
    assert_eq!(fs::read_to_string(&path).unwrap(), "old");
}

/// Whether a process catches SIGINT (proc(5): the mask `SigCgt`).
#[cfg(target_os = "linux")]
fn catches_sigint(process: u32) -> bool {
    let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let caught = status.lines().find_map(|line| line.strip_prefix("SigCgt:"));
    let mask = caught.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    mask.is_some_and(|mask| mask & (1 << (2 - 1)) != 0)
}

/// Audit, diff and tune gather before they write: stopped meanwhile, they leave an
/// older file as it was and nothing beside it.
#[cfg(target_os = "linux")]
#[test]
fn ctrl_c_while_gathering_leaves_an_older_file_as_it_was() {
    let years = [
        "--from",
        "2027-01-01",
        "--to",
        "2056-12-31",
        "--weather",
        TMY3,
    ];
    let tune = [
        "tune",
        SITE,
        "--facade",
        "slip",
        "--sweep",
        "on_wm2=100..300/10",
    ];
    let table: [(&[&str], &str); 3] = [
        (&["audit", SITE, "--faults"], "--output"),
        (&["diff", SITE, SITE], "--output"),
        (&tune, "--svg"),
    ];
    for (words, option) in table {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("told");
        fs::write(&path, "old").unwrap();
        let file = [option, path.to_str().unwrap()];
        let child = leeside(&[words, &years[..], &file].concat())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        for _ in 0..1200 {
            if catches_sigint(child.id()) {
                break;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        assert!(catches_sigint(child.id()), "{words:?} has begun");
        let told = Command::new("kill")
            .args(["-INT", &child.id().to_string()])
            .status()
            .unwrap();
        assert!(told.success());
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{words:?}: {}", err(&output));
        assert!(err(&output).contains("stopped at"), "{}", err(&output));
        assert_eq!(names(folder.path()), ["told"], "{words:?}");
        assert_eq!(fs::read_to_string(&path).unwrap(), "old", "{words:?}");
    }
}

#[test]
fn lockouts_of_a_limit_equal_the_storm_truth() {
    // storm_summary.csv: JFK-2013, wind, 10.8: 324 episodes, 1427.0 h.
    let args = [
        "lockouts",
        "--series",
        JFK_2013,
        "--limit",
        "10.8",
        "--hysteresis",
        "2",
        "--hold",
        "30m",
    ];
    let output = run(&[&args[..], &["--on-gap", "hold", "--format", "json"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let value: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(value["lockouts"].as_array().unwrap().len(), 324);
    assert_eq!(value["total_hours"], 1427.0);
    assert_eq!(value["by_month"]["2013-02"]["lockouts"], 34);
    let first = &value["lockouts"][0];
    assert_eq!(first["start_utc"], "2013-01-01T21:00:00Z");
    assert_eq!(first["open"], false);
    assert!(first["peak_mps"].as_f64().unwrap() >= 10.8);
    // As a building would take the gaps there is more. Of the hours, 24 are missing
    // in 14 gaps, and 3 stand there without a wind (counted in the file by hand).
    let output = run(&[&args[..], &["--on-gap", "unknown"]].concat());
    let text = out(&output);
    assert!(
        text.contains("Gaps:  17 (27.0 h)") && text.contains("unknown, so locked"),
        "{text}"
    );
}

#[test]
fn lockouts_refuse_what_they_cannot_answer() {
    let table: [(&[&str], &str); 4] = [
        (
            &["lockouts", "--series", TMY3, "--limit", "10"],
            "a typical year has no dates",
        ),
        (
            &["lockouts", "--series", JFK_2013, "--limit", "fast"],
            "expected a speed",
        ),
        (
            &[
                "lockouts", "--series", JFK_2013, "--limit", "10", "--hold", "30",
            ],
            "expected a time like 90s",
        ),
        (&["lockouts", "--series", JFK_2013], "--limit"),
    ];
    for (args, complaint) in table {
        let output = run(args);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", err(&output));
        assert!(
            err(&output).contains(complaint),
            "{args:?}: {}",
            err(&output)
        );
    }
}

#[test]
fn an_audit_tells_each_device_and_ends_with_3_where_one_was_out_too_long() {
    // A week in June with gusts and no frost: every device gets in within the 150 s of the site file.
    let args = [
        "audit",
        SITE,
        "--from",
        "2013-06-10",
        "--to",
        "2013-06-16",
        "--weather",
        JFK_2013,
    ];
    let calm = run(&args);
    assert_eq!(calm.status.code(), Some(0), "{}", err(&calm));
    let text = out(&calm);
    for words in [
        "Storm audit of The Slipway",
        "Verdict: 0 of 75 devices exposed longer than the 2 min 30 s that the site allows\n",
        "nothing fails",
        "simulated plant",
        "harbour terrace",
    ] {
        assert!(text.contains(words), "{words} is not in\n{text}");
    }
    // A broker gap of two minutes as each storm begins is more than that.
    let failing = run(&[&args[..], &["--faults", "--format", "json"]].concat());
    assert_eq!(failing.status.code(), Some(3), "{}", err(&failing));
    let value: serde_json::Value = serde_json::from_slice(&failing.stdout).unwrap();
    assert_eq!(value["format_version"], 1);
    assert_eq!(value["findings"], true);
    let scenarios = value["scenarios"].as_array().unwrap();
    assert_eq!(scenarios[0]["scenario"], "nothing fails");
    assert!(
        scenarios
            .iter()
            .any(|scenario| scenario["scenario"] == "broker gap")
    );
}

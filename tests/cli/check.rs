//! `leeside check`. That each broken file gives its complaint is the library's
//! test (`config/tests/broken_sites.rs`); here is that the program prints it.

use crate::support::{SITE, Said, keys, leeside, leeside_in, root, text};
use std::collections::BTreeMap;
use std::fs;

#[test]
fn the_example_is_sound() {
    let said = leeside(&["check", SITE]);
    assert_eq!(said.err, "");
    assert_eq!(
        said.well(),
        "The Slipway: 4 facades, 15 groups, 75 devices, 10 sensors; time to safe at worst 125.2 s \
         (lane offices 2); no warnings\n"
    );
    assert_eq!(leeside(&["check", "--strict", SITE]).code, Some(0));
}

#[test]
fn the_small_sites_of_the_tests_are_sound() {
    for site in ["tests/sites/quick.toml", "tests/sites/foreign.toml"] {
        let _ = leeside(&["check", site]).well();
    }
}

#[test]
fn explained_it_names_defaults_times_to_safe_and_files() {
    let told = leeside(&["check", "--explain", SITE]).well();
    for words in [
        "\n  [broker]: keep_alive_s = 15 s. ",
        "\n  harbour terrace: ",
        "\n  entrance: ",
        " deploy/example/site.toml\n",
        " house.ics\n",
        " cleaning.ics\n",
        "\nFingerprint: ",
    ] {
        assert!(told.contains(words), "{words:?} is not in\n{told}");
    }
    // 60 s to notice, 6.6 s until the last drive of both feeders starts, 45 s of travel:
    // the numbers stand in the example.
    assert!(
        told.contains("harbour terrace: 111.6 s = 60 + 6.6 + 45 (slowest: A-04)"),
        "{told}"
    );
}

#[test]
fn as_json_it_is_one_object_with_its_version() {
    let told = leeside(&["check", "--format", "json", SITE]).json();
    assert_eq!(
        keys(&told),
        ["format_version", "sound", "diagnostics", "site"]
    );
    assert_eq!(told["format_version"], 1);
    assert_eq!(told["sound"], true);
    assert_eq!(told["site"]["devices"], 75);
    let fingerprint = text(&told["site"], "fingerprint");
    assert!(fingerprint.len() == 64 && fingerprint.bytes().all(|b| b.is_ascii_hexdigit()));
    let explained = leeside(&["check", "--format", "json", "--explain", SITE]).json();
    assert!(!explained["defaults"].as_array().unwrap().is_empty());
}

/// A complaint as the table of broken files writes it.
fn line(complaint: &serde_json::Value) -> String {
    let hint = complaint["hint"].as_str().filter(|hint| !hint.is_empty());
    format!(
        "{}:{}:{}: {}: {}{}",
        text(complaint, "file"),
        complaint["line"],
        complaint["column"],
        text(complaint, "severity"),
        text(complaint, "message"),
        hint.map_or_else(String::new, |hint| format!(" (hint: {hint})"))
    )
}

/// Runs a check of a broken file from within its folder, as of 2027 like the table.
fn broken(file: &str, more: &[&str]) -> Said {
    let folder = root().join("tests/broken");
    leeside_in(
        &folder,
        &[&["check", "--year", "2027", file], more].concat(),
        "",
    )
}

#[test]
fn every_broken_file_is_told_as_in_its_table_and_by_the_exit_code() {
    let table = fs::read_to_string(root().join("tests/broken/expected.txt")).unwrap();
    let mut files: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for line in table
        .lines()
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
    {
        files
            .entry(line.split(':').next().unwrap())
            .or_default()
            .push(line);
    }
    assert!(files.len() >= 40, "{}", files.len());
    for (file, wanted) in files {
        let said = broken(file, &["--format", "json", "--strict"]);
        let code = if wanted.iter().any(|line| line.contains(": error: ")) {
            2
        } else {
            3
        };
        assert_eq!(said.code, Some(code), "{file}: {}", said.err);
        let told: serde_json::Value = serde_json::from_str(&said.out).unwrap();
        assert_eq!(told["sound"], code == 3, "{file}");
        let got: Vec<String> = told["diagnostics"]
            .as_array()
            .unwrap()
            .iter()
            .map(line)
            .collect();
        assert_eq!(got, wanted, "{file}");
    }
}

#[test]
fn a_complaint_shows_its_line_and_a_caret() {
    let said = broken("clock_bad.toml", &[]);
    assert_eq!(said.code, Some(2));
    let mut lines = said.out.lines();
    assert_eq!(
        lines.next().unwrap(),
        "clock_bad.toml:113:25: error: `at` is \"7 am\", expected a time of day or one of sunrise, sunset, civil_dawn, \
         civil_dusk, sun_rises_through, sun_falls_through, dawn_by_light, dusk_by_light"
    );
    let (source, caret) = (lines.next().unwrap(), lines.next().unwrap());
    let at = source.find("\"7 am\"").unwrap();
    assert_eq!(caret.find('^'), Some(at), "{}", said.out);
    assert!(
        said.out
            .contains("hint: a time of day is written \"07:30\""),
        "{}",
        said.out
    );
    assert!(
        said.out
            .ends_with("1 error, no warnings: this site file must not be run\n"),
        "{}",
        said.out
    );
}

#[test]
fn warnings_are_findings_when_asked_to_be_strict() {
    assert_eq!(broken("door_guards_nothing.toml", &[]).code, Some(0));
    let strict = broken("door_guards_nothing.toml", &["--strict"]);
    assert_eq!(strict.code, Some(3));
    assert!(strict.out.ends_with("; 1 warning\n"), "{}", strict.out);
}

#[test]
fn what_cannot_be_read_is_named() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("latin.toml"), b"name = \"B\xfcro\"").unwrap();
    fs::write(folder.path().join("empty.toml"), b"").unwrap();
    for (file, said) in [
        (
            "nowhere.toml",
            "nowhere.toml:1:1: error: the site file cannot be read: No such file",
        ),
        (
            ".",
            ".:1:1: error: the site file cannot be read: Is a directory",
        ),
        ("latin.toml", "latin.toml:1:1: error: the file is not UTF-8"),
        (
            "empty.toml",
            "empty.toml:1:1: error: there is no [site] in this file",
        ),
    ] {
        let got = leeside_in(folder.path(), &["check", file], "");
        assert_eq!(got.code, Some(2), "{file}");
        assert!(got.out.starts_with(said), "{file}: {}", got.out);
        assert!(
            got.out.contains("this site file must not be run"),
            "{file}: {}",
            got.out
        );
        let told = leeside_in(folder.path(), &["check", "--format", "json", file], "");
        let told: serde_json::Value = serde_json::from_str(&told.out).unwrap();
        assert_eq!(told["sound"], false, "{file}");
    }
}

//! Every file in `tests/broken` gives exactly the complaints that stand in the
//! table beside it, and every line of the table belongs to a file.
//!
//! The table is written and read by people: one complaint a line, as `leeside
//! check` would print it, under no heading but the file's own name.
#![expect(clippy::unwrap_used, reason = "tests")]

use leeside_config::{LoadOptions, Severity, site};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/broken")
}

/// Broken files by name, with what the library says about each.
fn said() -> BTreeMap<String, Vec<String>> {
    let mut all = BTreeMap::new();
    for entry in std::fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|ext| ext != "toml") {
            continue;
        }
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let outcome = site::load(&path, &LoadOptions::around(2027));
        let strip = |line: String| line.replace(&format!("{}/", folder().display()), "");
        let lines: Vec<String> = outcome
            .diagnostics
            .iter()
            .map(|d| strip(d.to_string()))
            .collect();
        let errors = outcome
            .diagnostics
            .iter()
            .any(|d| d.severity == Severity::Error);
        assert_eq!(
            outcome.site.is_none(),
            errors,
            "{name}: a site exactly where there is no error"
        );
        all.insert(name, lines);
    }
    all
}

/// The table: complaints by the file they name.
fn expected() -> BTreeMap<String, Vec<String>> {
    let table = std::fs::read_to_string(folder().join("expected.txt")).unwrap();
    let mut all: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for line in table
        .lines()
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
    {
        let file = line.split(':').next().unwrap().to_owned();
        all.entry(file).or_default().push(line.to_owned());
    }
    all
}

#[test]
fn every_broken_file_gives_its_complaints() {
    let (said, expected) = (said(), expected());
    for file in expected.keys() {
        assert!(
            said.contains_key(file),
            "the table names {file}, which is not there"
        );
    }
    let mut differing = Vec::new();
    for (file, lines) in &said {
        let wanted = expected.get(file).cloned().unwrap_or_default();
        if *lines != wanted {
            differing.push(format!(
                "{file}\n  expected:\n    {}\n  got:\n    {}",
                wanted.join("\n    "),
                lines.join("\n    ")
            ));
        }
    }
    assert!(
        differing.is_empty(),
        "{} files differ:\n{}",
        differing.len(),
        differing.join("\n")
    );
    assert!(
        said.values().all(|lines| !lines.is_empty()),
        "a broken file without a complaint is none"
    );
}

#[test]
fn there_are_enough_broken_files() {
    let count = said().len();
    assert!(count >= 40, "{count}");
}

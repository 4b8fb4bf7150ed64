//! Rules about what lies where.

use crate::{files, must_read, none, root, text};
use std::collections::BTreeSet;
use std::process::Command;

/// The names that may stand at the top, beside dot-files.
const TOP: &[&str] = &[
    "CHANGELOG.md",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "config",
    "deploy",
    "scheduler",
    "solar",
    "tests",
];

/// The crates that must be pure.
const PURE: &[&str] = &["solar", "scheduler/core", "scheduler/plant"];

/// What the `clippy.toml` of a pure crate bans at least.
const BANNED_IN_PURE: &[&str] = &[
    "std::time::Instant::now",
    "std::time::SystemTime::now",
    "chrono::Utc::now",
    "chrono::Local::now",
    "std::env::var",
    "std::env::args",
    "std::fs::read",
    "std::fs::read_to_string",
    "std::fs::write",
    "std::fs::File::open",
    "std::fs::File::create",
    "std::thread::spawn",
    "std::process::Command::new",
    "std::net::TcpStream::connect",
    "std::collections::HashMap",
    "std::collections::HashSet",
    "std::hash::RandomState",
];

/// What the `clippy.toml` of a crate whose output must be the same twice bans at least.
const BANNED_IN_DRYRUN: &[&str] = &[
    "std::time::Instant::now",
    "std::time::SystemTime::now",
    "chrono::Utc::now",
    "chrono::Local::now",
    "std::collections::HashMap",
    "std::collections::HashSet",
];

/// Functions whose last bit differs between platforms.
const BANNED_EVERYWHERE: &[&str] = &[
    "f64::sin",
    "f64::cos",
    "f64::sin_cos",
    "f64::tan",
    "f64::asin",
    "f64::acos",
    "f64::atan",
    "f64::atan2",
    "f64::exp",
    "f64::ln",
    "f64::log10",
    "f64::powf",
    "f64::powi",
    "f64::cbrt",
    "f64::hypot",
    "f64::mul_add",
];

/// Files that must be there, and those of them that must be executable.
const NEEDED: &[&str] = &[
    ".ci/run",
    "CHANGELOG.md",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "deploy/example/site.toml",
    "tests/run",
];
const EXECUTABLE: &[&str] = &[".ci/run", "tests/run"];

#[test]
fn the_top_holds_only_the_fixed_names() {
    let top: BTreeSet<String> = files()
        .into_iter()
        .map(|path| path.split('/').next().unwrap_or_default().to_owned())
        .collect();
    let strange: Vec<String> = top
        .into_iter()
        .filter(|name| !name.starts_with('.') && !TOP.contains(&name.as_str()))
        .collect();
    none("not among the fixed names at the top", &strange);
}

#[test]
fn what_a_newcomer_looks_for_is_there() {
    let all = files();
    let missing: Vec<String> = NEEDED
        .iter()
        .filter(|path| !all.iter().any(|file| file == *path))
        .map(|path| (*path).to_owned())
        .collect();
    none("missing", &missing);
    let changes = must_read("CHANGELOG.md");
    let first = changes.lines().find(|line| line.starts_with("## "));
    assert_eq!(first, Some("## Unreleased"), "on top of CHANGELOG.md");
    let readme = must_read("README.md");
    assert!(
        readme.contains("tests/run"),
        "README.md names the test command"
    );
}

/// Git keeps one bit of a file's mode; without git there is nothing to ask.
#[test]
fn scripts_can_be_run() {
    let out = Command::new("git")
        .args(["ls-files", "-s", "--"])
        .args(EXECUTABLE)
        .current_dir(root())
        .output();
    let listed = out.map_or_else(
        |_| String::new(),
        |out| String::from_utf8_lossy(&out.stdout).into_owned(),
    );
    let wrong: Vec<String> = listed
        .lines()
        .filter(|line| !line.starts_with("100755"))
        .map(String::from)
        .collect();
    none("a script that git does not know as executable", &wrong);
}

#[test]
fn pure_crates_ban_what_would_make_them_impure() {
    let first = must_read(&format!("{}/clippy.toml", PURE[0]));
    for crate_folder in PURE {
        let path = format!("{crate_folder}/clippy.toml");
        assert!(
            must_read(&path) == first,
            "{path} differs from {}/clippy.toml: the pure crates share one list",
            PURE[0]
        );
    }
    let lists = [
        ("solar/clippy.toml", BANNED_IN_PURE),
        ("scheduler/dryrun/clippy.toml", BANNED_IN_DRYRUN),
        (".clippy.toml", &["chrono::Local::now"][..]),
    ];
    let mut missing = Vec::new();
    for (path, list) in lists {
        let bans = must_read(path);
        for name in list.iter().chain(BANNED_EVERYWHERE) {
            if !bans.contains(&format!("{{ path = \"{name}\", reason = \"")) {
                missing.push(format!("{path}: `{name}` with its reason"));
            }
        }
    }
    none("a ban is missing", &missing);
    let manifest = must_read("Cargo.toml");
    for lint in [
        "disallowed_methods = \"deny\"",
        "disallowed_types = \"deny\"",
    ] {
        assert!(manifest.contains(lint), "Cargo.toml: {lint}");
    }
}

#[test]
fn no_place_of_one_machine_and_no_word_of_the_workshop() {
    // Put together from halves so that this file does not trip itself.
    let anywhere = [
        concat!("seed ", "document"),
        concat!("arti", "factory"),
        concat!(".lib", "rary/"),
        concat!("/tmp/", "brief"),
    ];
    let folders = [concat!("/wo", "rk/"), concat!("/fa", "rm/")];
    let mut found = Vec::new();
    for path in files() {
        if path == "Cargo.lock" {
            continue;
        }
        let Some(text) = text(&path) else { continue };
        for (number, line) in text.lines().enumerate() {
            let lower = line.to_lowercase();
            let named = anywhere.iter().any(|word| lower.contains(word));
            let placed = folders.iter().any(|folder| {
                lower.match_indices(folder).any(|(at, _)| {
                    // A folder of that name inside the project is another matter.
                    let before = lower[..at].chars().next_back();
                    before.is_none_or(|c| !(c.is_alphanumeric() || c == '_' || c == '.'))
                })
            });
            if named || placed {
                found.push(format!("{path}:{}: {line}", number + 1));
            }
        }
    }
    none("say it without them", &found);
}

#[test]
fn data_says_where_it_comes_from() {
    let all = files();
    let mut silent = Vec::new();
    for path in &all {
        let Some((folder, name)) = path.rsplit_once('/') else {
            continue;
        };
        let data = folder.ends_with("/reference") || folder.ends_with("tests/weather");
        if !data || name == "README.md" {
            continue;
        }
        let readme = format!("{folder}/README.md");
        // What describes a file (`x.csv.toml` beside `x.csv`) goes with it.
        let named = all.contains(&readme)
            && must_read(&readme).contains(name.strip_suffix(".toml").unwrap_or(name));
        if !named {
            silent.push(format!("{path} is not named in {readme}"));
        }
    }
    none(
        "source and licence of each file of data stand beside it",
        &silent,
    );
}

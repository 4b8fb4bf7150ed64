//! Rules about crates: who may know whom, and what the pure ones rest on.
//!
//! Asked of cargo itself, offline, from `Cargo.lock`.

use crate::{files, must_read, none, root};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

/// Which crate of ours may use which. An arrow that is not here points the wrong way.
const ARROWS: &[(&str, &[&str])] = &[
    ("leeside-solar", &[]),
    ("leeside-core", &["leeside-solar"]),
    ("leeside-plant", &["leeside-core", "leeside-solar"]),
    ("leeside-journal", &["leeside-core"]),
    ("leeside-config", &["leeside-core", "leeside-solar"]),
    (
        "leeside-dryrun",
        &[
            "leeside-core",
            "leeside-journal",
            "leeside-plant",
            "leeside-solar",
        ],
    ),
    (
        "leeside-daemon",
        &[
            "leeside-config",
            "leeside-core",
            "leeside-dryrun",
            "leeside-journal",
            "leeside-plant",
            "leeside-solar",
        ],
    ),
    (
        "leeside-page",
        &[
            "leeside-config",
            "leeside-core",
            "leeside-daemon",
            "leeside-dryrun",
            "leeside-journal",
            "leeside-solar",
        ],
    ),
    (
        "leeside",
        &[
            "leeside-config",
            "leeside-core",
            "leeside-daemon",
            "leeside-dryrun",
            "leeside-journal",
            "leeside-page",
            "leeside-plant",
            "leeside-solar",
        ],
    ),
];

/// What the tests of a crate may use beyond that: never something above it.
const TEST_ARROWS: &[(&str, &str)] = &[
    // The example site, read as anybody would, replayed.
    ("leeside-dryrun", "leeside-config"),
];

/// Everything the sun rests on, with features, when it is built alone. No
/// `clock`, no `now`, no `std` under chrono: it could not read a clock if it tried.
const UNDER_SOLAR: &[&str] = &[
    "autocfg",
    "chrono alloc",
    "libm arch,default",
    "num-traits",
    "solar-positioning alloc,libm",
    "sunrise default,libm,std",
];

/// What the core adds to that.
const UNDER_CORE: &[&str] = &[
    "chrono-tz",
    "leeside-solar",
    "phf",
    "phf_shared",
    "proc-macro2 proc-macro",
    "quote proc-macro",
    "serde default,derive,serde_derive,std",
    "serde_core result,std",
    "serde_derive default",
    "siphasher default,std",
    "syn clone-impls,derive,parsing,printing,proc-macro",
    "unicode-ident",
];

/// What the simulated plant adds to that.
const UNDER_PLANT: &[&str] = &["leeside-core"];

/// What nothing that `check` goes through may rest on.
const NETWORK: &[&str] = &[
    "tokio",
    "mio",
    "socket2",
    "rumqttc",
    "mqtt5",
    "rustls",
    "hyper",
    "reqwest",
    "ureq",
    "native-tls",
];

fn cargo(args: &[&str]) -> String {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let out = Command::new(cargo)
        .args(args)
        .args(["--offline", "--locked"])
        .current_dir(root())
        .output()
        .unwrap_or_else(|e| panic!("cargo: {e}"));
    assert!(
        out.status.success(),
        "cargo {}: {}",
        args.join(" "),
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8_lossy(&out.stdout).into_owned()
}

/// Everything a crate rests on when it is built alone, "name features" each,
/// without itself. Tests and benches not counted.
fn under(name: &str) -> BTreeSet<String> {
    let tree = cargo(&[
        "tree",
        "--package",
        name,
        "--edges",
        "normal,build",
        "--prefix",
        "none",
        "--format",
        "{p}\t{f}",
    ]);
    let all: BTreeSet<String> = tree
        .lines()
        .filter_map(|line| {
            let (package, features) = line.split_once('\t')?;
            let package = package.split(' ').next()?;
            let features = features.trim_end_matches("(*)").trim();
            Some(format!("{package} {features}").trim_end().to_owned())
        })
        .collect();
    assert!(all.contains(name), "{name} is not in its own tree:\n{tree}");
    all.into_iter().filter(|line| line != name).collect()
}

fn expect_under(name: &str, expected: &[&[&str]]) {
    let expected: BTreeSet<String> = expected.concat().into_iter().map(String::from).collect();
    let found = under(name);
    let mut wrong: Vec<String> = found
        .difference(&expected)
        .map(|line| format!("{name} rests on `{line}`, which is not in its list"))
        .collect();
    wrong.extend(
        expected
            .difference(&found)
            .map(|line| format!("{name} no longer rests on `{line}`")),
    );
    none(
        "what the pure crates rest on is listed in tests/tidy/crates.rs, to the feature",
        &wrong,
    );
}

#[test]
fn the_sun_rests_on_its_list() {
    expect_under("leeside-solar", &[UNDER_SOLAR]);
}

#[test]
fn the_core_rests_on_its_list() {
    expect_under("leeside-core", &[UNDER_SOLAR, UNDER_CORE]);
}

#[test]
fn the_plant_rests_on_its_list() {
    expect_under("leeside-plant", &[UNDER_SOLAR, UNDER_CORE, UNDER_PLANT]);
}

#[test]
fn check_rests_on_nothing_that_reaches_the_network() {
    let found: Vec<String> = under("leeside-config")
        .into_iter()
        .filter(|line| NETWORK.contains(&line.split(' ').next().unwrap_or_default()))
        .collect();
    none("leeside-config must not rest on", &found);
}

#[test]
fn arrows_point_one_way() {
    let metadata: Value =
        serde_json::from_str(&cargo(&["metadata", "--no-deps", "--format-version", "1"]))
            .unwrap_or_else(|e| panic!("cargo metadata: {e}"));
    let allowed: BTreeMap<&str, &[&str]> = ARROWS.iter().copied().collect();
    let packages = metadata["packages"]
        .as_array()
        .map_or(&[][..], Vec::as_slice);
    let mut wrong = Vec::new();
    let mut seen = BTreeSet::new();
    for package in packages {
        let name = package["name"].as_str().unwrap_or_default();
        let Some(may) = allowed.get(name) else {
            wrong.push(format!("{name} is not in the list of arrows"));
            continue;
        };
        seen.insert(name);
        let dependencies = package["dependencies"].as_array();
        for dependency in dependencies.map_or(&[][..], Vec::as_slice) {
            let ours = dependency["path"].is_string();
            let used = dependency["name"].as_str().unwrap_or_default();
            let for_tests = dependency["kind"] == "dev" && TEST_ARROWS.contains(&(name, used));
            if ours && !may.contains(&used) && !for_tests {
                wrong.push(format!("{name} -> {used}"));
            }
        }
    }
    assert_eq!(seen.len(), ARROWS.len(), "crates found: {seen:?}");
    none("an arrow between crates that points the wrong way", &wrong);
}

#[test]
fn every_crate_takes_the_lints_of_the_workspace() {
    let without: Vec<String> = files()
        .into_iter()
        .filter(|path| path.ends_with("Cargo.toml"))
        // A workspace of its own, for a tool that is not built with the rest.
        .filter(|path| path != "tests/fuzz/guided/Cargo.toml")
        .filter(|path| !must_read(path).contains("[lints]\nworkspace = true"))
        .collect();
    none("a manifest without `[lints] workspace = true`", &without);
}

#[test]
fn every_direct_dependency_has_its_reason() {
    let manifest = must_read("Cargo.toml");
    let developers = must_read("DEVELOPERS.md");
    let table = manifest
        .split("[workspace.dependencies]")
        .nth(1)
        .and_then(|rest| rest.split("\n[").next())
        .unwrap_or_default();
    let names: Vec<&str> = table
        .lines()
        .filter(|line| !line.starts_with('#'))
        .filter_map(|line| line.split_once(" = ").map(|(name, _)| name))
        .filter(|name| !name.starts_with("leeside"))
        .collect();
    assert!(names.len() > 20, "read only {names:?}");
    let reasons = developers
        .split("## What it rests on")
        .nth(1)
        .unwrap_or_default();
    let explained: BTreeSet<&str> = reasons
        .lines()
        .filter_map(|line| line.strip_prefix("| ")?.split(" | ").next())
        .flat_map(|cell| cell.split('`').skip(1).step_by(2))
        .collect();
    let mut wrong: Vec<String> = names
        .iter()
        .filter(|name| !explained.contains(*name))
        .map(|name| format!("`{name}` has no reason in DEVELOPERS.md"))
        .collect();
    let gone = explained.iter().filter(|name| !names.contains(name));
    wrong.extend(gone.map(|name| format!("`{name}` has a reason and is no longer used")));
    none("DEVELOPERS.md says why each dependency is there", &wrong);
}

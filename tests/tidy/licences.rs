//! Rules about licences: what is built in may be, by the list of `.deny.toml`.

use crate::{must_read, none, root};
use std::collections::BTreeSet;
use std::process::Command;

fn said(program: &str, words: &[&str]) -> String {
    let out = Command::new(program)
        .args(words)
        .current_dir(root())
        .output();
    let out = out.unwrap_or_else(|e| panic!("{program}: {e}"));
    assert!(
        out.status.success(),
        "{program} {}: {}",
        words.join(" "),
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8_lossy(&out.stdout).into_owned()
}

/// The list of `.deny.toml`.
fn allowed() -> BTreeSet<String> {
    let text = must_read(".deny.toml");
    let list = text
        .split_once("\nallow = [")
        .and_then(|(_, rest)| rest.split_once(']'));
    let names = list.map_or("", |(list, _)| list).split('"').skip(1);
    let allowed: BTreeSet<String> = names.step_by(2).map(String::from).collect();
    assert!(allowed.contains("MIT"), "{allowed:?}");
    allowed
}

/// Whether an expression of SPDX can be met with these licences: OR needs one
/// side, AND both, and what stands after WITH only gives more. An old `A/B` is OR.
fn is_met(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let spaced = expression
        .replace('/', " OR ")
        .replace('(', " ( ")
        .replace(')', " ) ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut at = 0;
    let met = any(&words, &mut at, allowed);
    met && at == words.len()
}

fn any(words: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut met = all(words, at, allowed);
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        // Both sides are read to their end, whatever the first says.
        met |= all(words, at, allowed);
    }
    met
}

fn all(words: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut met = one(words, at, allowed);
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        met &= one(words, at, allowed);
    }
    met
}

fn one(words: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let Some(word) = words.get(*at) else {
        return false;
    };
    *at += 1;
    if *word == "(" {
        let met = any(words, at, allowed);
        let closed = words.get(*at) == Some(&")");
        *at += usize::from(closed);
        return met && closed;
    }
    if words.get(*at) == Some(&"WITH") {
        *at += 2;
    }
    allowed.contains(*word)
}

#[test]
fn expressions_are_read_as_spdx_has_them() {
    let allowed = BTreeSet::from(["MIT".to_owned(), "Zlib".to_owned()]);
    for (expression, met) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("GPL-3.0-only OR MIT", true),
        ("GPL-3.0-only AND MIT", false),
        ("MIT/Apache-2.0", true),
        ("(MIT OR Apache-2.0) AND Zlib", true),
        ("(MIT OR Apache-2.0) AND GPL-2.0-only", false),
        ("Apache-2.0 OR MIT AND Zlib", true),
        ("MIT WITH some-exception", true),
        ("(MIT", false),
        ("MIT Zlib", false),
        ("", false),
    ] {
        assert_eq!(is_met(expression, &allowed), met, "{expression}");
    }
}

/// Tests and benches are not counted: nobody gets them.
#[test]
fn what_is_built_in_has_a_licence_from_the_list() {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let tree = said(
        &cargo,
        &[
            "tree",
            "--offline",
            "--locked",
            "--package",
            "leeside",
            "--edges",
            "normal,build",
            "--prefix",
            "none",
            "--format",
            "{p}\t{l}",
        ],
    );
    let allowed = allowed();
    let crates: BTreeSet<(&str, &str)> = tree
        .lines()
        .filter_map(|line| line.split_once('\t'))
        .map(|(name, licence)| (name, licence.trim_end_matches("(*)").trim()))
        .collect();
    assert!(crates.len() > 100, "only {} crates", crates.len());
    let wrong: Vec<String> = crates
        .iter()
        .filter(|(_, licence)| !is_met(licence, &allowed))
        .map(|(name, licence)| format!("{name}: {licence:?}"))
        .collect();
    none("a licence that is not on the list of .deny.toml", &wrong);
}

#[test]
fn everything_comes_from_the_registry() {
    let lock = must_read("Cargo.lock");
    let from: Vec<&str> = lock
        .lines()
        .filter_map(|line| line.strip_prefix("source = "))
        .collect();
    assert!(from.len() > 100, "only {} crates", from.len());
    let elsewhere: Vec<String> = from
        .into_iter()
        .filter(|source| !source.starts_with("\"registry+"))
        .map(String::from)
        .collect();
    none("a crate that does not come from the registry", &elsewhere);
}

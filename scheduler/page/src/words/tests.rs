//! The catalogues are whole: same keys, same places, none unknown, none unused.
#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn sources(folder: &Path, all: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, all);
        } else if path.extension().is_some_and(|end| end == "rs") && !path.ends_with("tests.rs") {
            all.push(path);
        }
    }
}

/// What stands in quotes right after each `call(` in the sources.
fn quoted_after(text: &str, call: &str) -> BTreeSet<String> {
    text.split(call)
        .skip(1)
        .filter_map(|rest| {
            let rest = rest.trim_start().strip_prefix('"')?;
            Some(rest.split_once('"')?.0.to_owned())
        })
        .collect()
}

fn source() -> String {
    let mut paths = Vec::new();
    sources(
        &Path::new(env!("CARGO_MANIFEST_DIR")).join("src"),
        &mut paths,
    );
    paths
        .iter()
        .map(|path| std::fs::read_to_string(path).unwrap())
        .collect()
}

/// Every quoted text that could be a key.
fn literals(source: &str) -> BTreeSet<&str> {
    source.split('"').collect()
}

fn places(text: &str) -> BTreeSet<&str> {
    text.split('{')
        .skip(1)
        .filter_map(|rest| rest.split_once('}'))
        .map(|(name, _)| name)
        .collect()
}

#[test]
fn both_languages_have_the_same_keys_and_places() {
    assert!(ENGLISH.len() > 100, "only {} keys", ENGLISH.len());
    let (en, de): (BTreeSet<_>, BTreeSet<_>) = (ENGLISH.keys().collect(), GERMAN.keys().collect());
    let only: Vec<_> = en.symmetric_difference(&de).collect();
    assert!(only.is_empty(), "in one language only: {only:?}");
    for (key, english) in ENGLISH.iter() {
        assert_eq!(places(english), places(&GERMAN[key]), "places of {key}");
        assert!(
            !english.trim().is_empty() && !GERMAN[key].trim().is_empty(),
            "{key} is empty"
        );
    }
}

#[test]
fn no_key_is_missing_and_none_is_unused() {
    let source = source();
    let (literals, mut families) = (literals(&source), quoted_after(&source, "say_of("));
    families.retain(|family| !family.is_empty());
    let missing: Vec<String> = quoted_after(&source, "say(")
        .into_iter()
        .chain(quoted_after(&source, "fill("))
        .chain(quoted_after(&source, "Failure::of("))
        .filter(|key| !ENGLISH.contains_key(key))
        .collect();
    assert!(missing.is_empty(), "used and in no catalogue: {missing:?}");
    let used = |key: &str| {
        literals.contains(key)
            || key
                .rsplit_once('.')
                .is_some_and(|(family, _)| families.contains(family))
    };
    let unused: Vec<&String> = ENGLISH.keys().filter(|key| !used(key)).collect();
    assert!(
        unused.is_empty(),
        "in the catalogue and nowhere used: {unused:?}"
    );
}

/// Whatever looks like a key of one of the catalogue's families is one: keys also go
/// through functions that only pass them on.
#[test]
fn what_looks_like_a_key_is_one() {
    let families: BTreeSet<&str> = ENGLISH
        .keys()
        .filter_map(|key| Some(key.split_once('.')?.0))
        .collect();
    let source = source();
    let is_word = |text: &str| {
        !text.is_empty()
            && text
                .chars()
                .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
    };
    let missing: Vec<&str> = literals(&source)
        .into_iter()
        .filter(|text| {
            text.split_once('.').is_some_and(|(family, member)| {
                families.contains(family) && is_word(member) && !ENGLISH.contains_key(*text)
            })
        })
        // Names of files.
        .filter(|text| {
            !["css", "csv", "ics", "js", "png", "svg"]
                .iter()
                .any(|end| text.ends_with(end))
        })
        .collect();
    assert!(missing.is_empty(), "in no catalogue: {missing:?}");
}

/// A German text that is the English one was forgotten, unless both languages say so.
#[test]
fn german_is_german() {
    let said = |text: &str| {
        text.split_whitespace()
            .filter(|word| word.chars().all(char::is_alphabetic))
            .count()
    };
    let alike: Vec<&String> = ENGLISH
        .iter()
        .filter(|(key, english)| GERMAN[*key] == **english && said(english) > 2)
        .map(|(key, _)| key)
        .collect();
    assert!(alike.is_empty(), "not translated: {alike:?}");
}

#[test]
fn numbers_dates_and_spans_are_written_as_the_language_has_them() {
    let (en, de) = (Words::of(Language::English), Words::of(Language::German));
    assert_eq!(
        (en.number(-7.25, 1), de.number(7.25, 2)),
        ("−7.2".into(), "7,25".into())
    );
    assert_eq!(en.number(-0.01, 1), "0.0");
    let date = NaiveDate::from_ymd_opt(2026, 12, 24).unwrap();
    assert_eq!(
        (en.date(date), de.date(date)),
        ("Thu 24 Dec 2026".into(), "Do 24. Dez. 2026".into())
    );
    assert_eq!(en.span(3_900_000), "1 h 5 min");
    assert_eq!(
        de.span(2 * 86_400_000),
        "2 Tage".replace("Tage", de.say("form.day"))
    );
}

#[test]
fn what_is_filled_in_is_not_looked_into_again() {
    let text = Words::of(Language::English).fill(
        "form.date",
        &[
            ("weekday", &"{day}"),
            ("day", &1),
            ("month", &"x"),
            ("year", &"{"),
        ],
    );
    assert_eq!(text, "{day} 1 x {");
}

#[test]
fn the_reader_is_asked_for_the_language() {
    let wanted = |name: &'static str, value: &str| {
        let mut headers = HeaderMap::new();
        headers.insert(name, value.parse().unwrap());
        Language::wanted(&headers)
    };
    assert_eq!(
        wanted("accept-language", "fr-CA,de-AT;q=0.8,en;q=0.5"),
        Language::German
    );
    assert_eq!(wanted("accept-language", "fr, xx"), Language::English);
    assert_eq!(
        wanted("cookie", "a=b; leeside_language=de"),
        Language::German
    );
    assert_eq!(
        wanted("cookie", "leeside_language=<script>"),
        Language::English
    );
}

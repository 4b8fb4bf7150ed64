//! Help, the exit codes of the README, and that commands in the documents can be
//! typed as they stand there.

use crate::support::{SITE, copied_example, leeside, leeside_in, root};
use std::collections::BTreeSet;
use std::fs;

/// The names listed under `Commands:` of a help text.
fn listed(help: &str) -> Vec<String> {
    help.lines()
        .skip_while(|line| *line != "Commands:")
        .skip(1)
        .take_while(|line| !line.is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .map(|line| line.split_whitespace().next().unwrap().to_owned())
        .filter(|name| name != "help")
        .collect()
}

/// Every verb, with what stands beneath it ("closed-days add").
pub(crate) fn verbs() -> Vec<Vec<String>> {
    let mut all = Vec::new();
    for verb in listed(&leeside(&["--help"]).well()) {
        let beneath = listed(&leeside(&[&verb, "--help"]).well());
        all.extend(beneath.into_iter().map(|word| vec![verb.clone(), word]));
        all.push(vec![verb]);
    }
    all
}

fn help(verb: &[String]) -> String {
    let words: Vec<&str> = verb.iter().map(String::as_str).chain(["--help"]).collect();
    leeside(&words).well()
}

/// Words like `--weather` in a text, as they come.
fn options(text: &str) -> Vec<&str> {
    text.split(|c: char| !(c.is_ascii_alphanumeric() || c == '-'))
        .filter(|word| word.starts_with("--") && word.len() > 3 && !word.starts_with("---"))
        .collect()
}

/// The options that a help text defines: those at the beginning of their line.
fn defined(help: &str) -> BTreeSet<&str> {
    let lines = help.lines().map(str::trim_start);
    let lines = lines.filter(|line| line.starts_with('-'));
    lines
        .filter_map(|line| options(line).first().copied())
        .collect()
}

#[test]
fn every_verb_of_the_readme_is_there() {
    let verbs: Vec<String> = verbs().iter().map(|verb| verb.join(" ")).collect();
    for verb in [
        "check",
        "sun",
        "calendar",
        "closed-days",
        "closed-days add",
        "closed-days list",
        "closed-days remove",
        "next",
        "dry-run",
        "audit",
        "lockouts",
        "why",
        "run",
        "journal verify",
        "journal head",
        "journal export",
        "journal erase",
    ] {
        assert!(verbs.iter().any(|name| name == verb), "{verb}: {verbs:?}");
    }
}

#[test]
fn help_says_what_each_verb_does_and_speaks_of_options_that_there_are() {
    let texts: Vec<(String, String)> = verbs()
        .iter()
        .map(|verb| (verb.join(" "), help(verb)))
        .collect();
    let all: BTreeSet<&str> = texts.iter().flat_map(|(_, text)| defined(text)).collect();
    let mut summaries = BTreeSet::new();
    for (name, text) in &texts {
        let summary = text.lines().next().unwrap();
        assert!(
            summary.len() > 10 && !summary.starts_with("Usage"),
            "{name}: {summary}"
        );
        // Written for whoever types, not for whoever programs.
        assert!(
            !summary.contains('`') && !summary.contains("was asked"),
            "{name}: {summary}"
        );
        assert!(
            summaries.insert(summary),
            "{name} says what another verb says: {summary}"
        );
        assert!(defined(text).contains("--help"), "{text}");
        for option in options(text) {
            assert!(
                all.contains(option),
                "{name} speaks of {option}, which there is not"
            );
        }
    }
}

/// Words that the vocabulary replaces (DEVELOPERS.md, last lines of the README's tour):
/// a device has an extension and a tilt, it is extended or retracted, it stands in its
/// refuge, and drives hang on feeders in groups.
const REPLACED: [&str; 14] = [
    "louver",
    "louvre",
    "lamella",
    "actuator",
    "setpoint",
    "interlock",
    "scene",
    "channel",
    "zone group",
    "safety position",
    "alarm position",
    "wind alarm",
    "unfold",
    "lowered",
];

#[test]
fn help_keeps_to_the_vocabulary() {
    for verb in verbs() {
        let text = help(&verb).to_lowercase();
        for word in REPLACED {
            assert!(!text.contains(word), "{}: {word}", verb.join(" "));
        }
    }
}

/// Commands in a document: what follows `leeside ` or `cargo run ... -- ` on a line,
/// up to the end of the code.
fn commands(text: &str) -> Vec<&str> {
    let after = |line: &'static str| move |text: &'_ str| text.find(line).map(|at| at + line.len());
    let mut all = Vec::new();
    for line in text.lines() {
        let line = line.trim();
        let begins = line.starts_with("cargo run")
            || line.starts_with("leeside ")
            || line.contains("`leeside ");
        let at = after(" -- ")(line)
            .filter(|_| line.starts_with("cargo run"))
            .or_else(|| after("leeside ")(line));
        if let Some(at) = at.filter(|_| begins) {
            all.push(line[at..].split(['`', '#', '…']).next().unwrap().trim());
        }
    }
    all
}

#[test]
fn commands_in_the_documents_can_be_typed() {
    let verbs = verbs();
    let mut seen = 0;
    for document in [
        "README.md",
        "DEVELOPERS.md",
        "deploy/example/README.md",
        "tests/README.md",
    ] {
        let text = fs::read_to_string(root().join(document)).unwrap();
        for command in commands(&text) {
            let words: Vec<&str> = command.split_whitespace().collect();
            let verb = verbs
                .iter()
                .filter(|verb| {
                    words.iter().zip(verb.iter()).all(|(a, b)| a == b) && words.len() >= verb.len()
                })
                .max_by_key(|verb| verb.len());
            assert!(verb.is_some(), "{document}: {command}: no such verb");
            let text = help(verb.unwrap());
            for option in options(command) {
                assert!(
                    defined(&text).contains(option),
                    "{document}: {command}: {option}"
                );
            }
            for file in words
                .iter()
                .filter(|word| word.contains('/') && word.contains('.'))
            {
                assert!(root().join(file).exists(), "{document}: {command}: {file}");
            }
            seen += 1;
        }
    }
    assert!(seen >= 6, "{seen}");
}

#[test]
fn exit_codes_are_those_of_the_readme() {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    let readme = readme.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        readme.contains(
            "Exit codes of every command: 0 well; 1 the run failed; 2 what was given is broken; 3 findings \
             (behaviour differs, a device was exposed, warnings under `--strict`)."
        )
    );
    assert_eq!(leeside(&["check", SITE]).code, Some(0));
    let folder = copied_example();
    let far = folder.path().join("not/there.csv");
    let day = [
        "dry-run",
        SITE,
        "--from",
        "2027-04-05",
        "--to",
        "2027-04-05",
        "--weather",
        "clear-sky-calm",
    ];
    assert_eq!(
        leeside(&[&day[..], &["--output", far.to_str().unwrap()]].concat()).code,
        Some(1)
    );
    assert_eq!(leeside(&["check", "tests/broken/empty.toml"]).code, Some(2));
    assert_eq!(
        leeside(&["check", "--strict", "tests/broken/door_guards_nothing.toml"]).code,
        Some(3)
    );
    // Help and version are answers, a missing or unknown verb is broken input.
    for (words, code) in [
        (&["--help"][..], 0),
        (&["--version"], 0),
        (&[], 2),
        (&["chekc"], 2),
        (&["help", "sun"], 0),
    ] {
        assert_eq!(leeside(words).code, Some(code), "{words:?}");
    }
    let version = leeside(&["--version"]).well();
    assert_eq!(version, format!("leeside {}\n", env!("CARGO_PKG_VERSION")));
}

#[test]
fn every_verb_refuses_a_file_that_is_not_there_as_broken() {
    let folder = tempfile::tempdir().unwrap();
    let weather = root().join(crate::support::TMY3);
    let weather = weather.to_str().unwrap();
    let table: [&[&str]; 10] = [
        &["check", "nowhere.toml"],
        &["sun", "nowhere.toml"],
        &["calendar", "nowhere.toml", "--year", "2027"],
        &["closed-days", "list", "nowhere.toml"],
        &[
            "closed-days",
            "add",
            "nowhere.toml",
            "2027-08-09",
            "--name",
            "x",
        ],
        &["next", "nowhere.toml"],
        &[
            "audit",
            "nowhere.toml",
            "--year",
            "2027",
            "--weather",
            weather,
        ],
        &[
            "dry-run",
            "nowhere.toml",
            "--year",
            "2027",
            "--weather",
            weather,
        ],
        &["why", "nowhere.toml", "--group", "x", "--at", "2027-07-01"],
        &["run", "nowhere.toml"],
    ];
    for words in table {
        let said = leeside_in(folder.path(), words, "");
        assert_eq!(said.code, Some(2), "{words:?}: {said:?}");
        assert!(
            format!("{}{}", said.out, said.err).contains("nowhere.toml"),
            "{words:?}: {said:?}"
        );
    }
}

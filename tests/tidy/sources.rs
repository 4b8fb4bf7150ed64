//! Rules about source files.

use crate::{files, must_read, none};

/// Longer than this, a file is hard to find one's way in.
const MOST_LINES: usize = 600;

/// Files that may be longer, with the reason.
const LONGER: &[(&str, &str)] = &[];

/// What the sources of pure crates may not name, whatever the path by which
/// they would get at it. `clippy.toml` bans the calls; this also stops a type in
/// a signature, a macro, or a re-export.
const NOT_IN_PURE: &[&str] = &[
    "std::time",
    "Instant",
    "SystemTime",
    "Utc::now",
    "Local::",
    "std::fs",
    "std::env",
    "env!(",
    "std::io",
    "std::net",
    "std::process",
    "std::thread",
    "HashMap",
    "HashSet",
    "RandomState",
    "rand::",
    "getrandom",
    "tokio",
    "async fn",
    "async move",
    "static mut",
    "thread_local!",
    "println!",
];

/// What the sources of the dry run may not name: it reads files, but two runs
/// give the same bytes.
const NOT_IN_DRYRUN: &[&str] = &[
    "Instant",
    "SystemTime",
    "Utc::now",
    "Local::",
    "std::env",
    "HashMap",
    "HashSet",
    "RandomState",
    "rand::",
    "getrandom",
    "tokio",
];

/// What the sources that `check` goes through may not name: it reads files and
/// never touches the network.
const NOT_IN_CONFIG: &[&str] = &[
    "TcpStream",
    "TcpListener",
    "UdpSocket",
    "ToSocketAddrs",
    "std::process::Command",
    "Instant",
    "SystemTime",
    "Utc::now",
    "Local::",
    "tokio",
];

/// What the shell may name in one file only: the wall clock has one door, so that
/// simulated time, a replay and a doubt about the clock reach everything.
const WALL_CLOCK: &[&str] = &["SystemTime::now", "Utc::now", "Local::"];
const WALL_CLOCK_DOOR: &str = "scheduler/daemon/src/clock.rs";

fn sources() -> Vec<String> {
    files()
        .into_iter()
        .filter(|path| path.ends_with(".rs"))
        .collect()
}

/// The code of a line: what stands before a comment.
fn code(line: &str) -> &str {
    line.split("//").next().unwrap_or_default()
}

#[test]
fn every_module_says_what_it_is_for() {
    let silent: Vec<String> = sources()
        .into_iter()
        .filter(|path| {
            let text = must_read(path);
            let first = text.lines().next().unwrap_or_default();
            first.strip_prefix("//! ").is_none_or(str::is_empty)
        })
        .collect();
    none("the first line of a source file is its `//!` doc", &silent);
}

#[test]
fn files_stay_small() {
    let long: Vec<String> = files()
        .into_iter()
        .filter(|path| {
            [".rs", ".js", ".css", ".html"]
                .iter()
                .any(|end| path.ends_with(end))
        })
        .filter(|path| !LONGER.iter().any(|(exempt, _)| exempt == path))
        .filter_map(|path| {
            let lines = must_read(&path).lines().count();
            (lines > MOST_LINES).then(|| format!("{path}: {lines} lines"))
        })
        .collect();
    none("no file over 600 lines; split it by what it does", &long);
}

#[test]
fn crates_name_no_clock_file_network_or_random_source_that_is_not_theirs() {
    let mut found = Vec::new();
    for (folder, banned) in [
        ("solar/src/", NOT_IN_PURE),
        ("scheduler/core/src/", NOT_IN_PURE),
        ("scheduler/plant/src/", NOT_IN_PURE),
        ("scheduler/dryrun/src/", NOT_IN_DRYRUN),
        ("config/src/", NOT_IN_CONFIG),
        ("scheduler/journal/src/", WALL_CLOCK),
        ("scheduler/daemon/src/", WALL_CLOCK),
        ("scheduler/page/src/", WALL_CLOCK),
    ] {
        let mine: Vec<String> = sources()
            .into_iter()
            .filter(|path| path.starts_with(folder) && path != WALL_CLOCK_DOOR)
            .collect();
        assert!(!mine.is_empty(), "no sources under {folder}");
        for path in mine {
            for (number, line) in must_read(&path).lines().enumerate() {
                for word in banned.iter().filter(|word| code(line).contains(**word)) {
                    found.push(format!("{path}:{}: `{word}`", number + 1));
                }
            }
        }
    }
    none("these crates must not name", &found);
}

#[test]
fn every_suppression_gives_its_reason() {
    let mut found = Vec::new();
    for path in sources() {
        let text = must_read(&path);
        let mut lines = text.lines().enumerate();
        while let Some((number, line)) = lines.next() {
            let start = line.trim_start();
            let puts_aside = ["allow", "expect", "ignore"].iter().any(|word| {
                start.starts_with(&format!("#[{word}")) || start.starts_with(&format!("#![{word}"))
            });
            if !puts_aside {
                continue;
            }
            let mut attribute = String::from(start);
            while !attribute.contains(']') {
                let Some((_, more)) = lines.next() else { break };
                attribute.push_str(more.trim());
            }
            if !attribute.contains("reason = \"") && !attribute.contains("ignore = \"") {
                found.push(format!("{path}:{}: {attribute}", number + 1));
            }
        }
    }
    none("a lint or a test is put aside only with a reason", &found);
}

#[test]
fn nothing_is_left_for_later() {
    // Put together from halves so that this file does not trip itself.
    let words = [
        concat!("to", "do!("),
        concat!("unimple", "mented!("),
        concat!("FIX", "ME"),
        concat!("XX", "X"),
        concat!("TO", "DO"),
    ];
    let mut found = Vec::new();
    for path in files() {
        if ![".rs", ".py", ".js", ".html", ".css"]
            .iter()
            .any(|end| path.ends_with(end))
        {
            continue;
        }
        for (number, line) in must_read(&path).lines().enumerate() {
            let stands = |word: &str| {
                line.match_indices(word).any(|(at, _)| {
                    // VTODO is a word of the calendar standard.
                    !line[..at].ends_with(|c: char| c.is_alphanumeric())
                })
            };
            if words.into_iter().any(stands) {
                found.push(format!("{path}:{}: {}", number + 1, line.trim()));
            }
        }
    }
    none("finish it, or leave it out", &found);
}

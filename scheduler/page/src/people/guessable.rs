//! Passwords that are guessed first: those that many people chose before (`common.txt`
//! says where they are from), alone or with digits around them, and those that a
//! pattern makes. Nothing is asked of anybody for it (OWASP ASVS 2.1.7).

use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::sync::LazyLock;

/// First bytes of the SHA-256 of each, in hexadecimal.
static COMMON: LazyLock<BTreeSet<&'static str>> = LazyLock::new(|| {
    include_str!("common.txt")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .collect()
});

/// Keys in the order in which they lie, and the alphabet.
const RUNS: [&str; 6] = [
    "qwertyuiopasdfghjklzxcvbnm",
    "qwertzuiopasdfghjklyxcvbnm",
    "azertyuiopqsdfghjklmwxcvbn",
    "abcdefghijklmnopqrstuvwxyz",
    "0123456789012345678901234567890",
    "1qaz2wsx3edc4rfv5tgb6yhn7ujm8ik9ol0p",
];

/// What has to be left of a password besides the name of its owner.
const BESIDES_NAME: usize = 8;

fn is_common(text: &str) -> bool {
    let hash = Sha256::digest(text.as_bytes());
    let hex: String = hash
        .iter()
        .take(6)
        .map(|byte| format!("{byte:02x}"))
        .collect();
    COMMON.contains(hex.as_str())
}

/// Why a password is easily guessed, to go after "the password".
pub(super) fn why(name: &str, password: &str) -> Option<&'static str> {
    let lower = password.to_lowercase();
    let stem = lower.trim_matches(|c: char| !c.is_alphabetic());
    if is_common(&lower) || is_common(password) {
        return Some("is one that many people have chosen");
    }
    if stem.chars().count() >= 4 && is_common(stem) {
        return Some("is one that many people have chosen, with digits or signs around it");
    }
    if repeats(&lower) {
        return Some("is the same few characters again and again");
    }
    if runs(&lower) {
        return Some("is a row of keys or letters");
    }
    let name = name.to_lowercase();
    let besides = lower.replace(&name, "").chars().count();
    if !name.is_empty() && lower.contains(&name) && besides < BESIDES_NAME {
        return Some("is little more than the name");
    }
    None
}

/// Whether one block of at most half its length, again and again, makes it.
fn repeats(text: &str) -> bool {
    let all: Vec<char> = text.chars().collect();
    (1..=all.len() / 2).any(|period| {
        all.iter()
            .skip(period)
            .zip(&all)
            .all(|(later, earlier)| later == earlier)
    })
}

/// Whether it is part of a row, forwards or backwards.
fn runs(text: &str) -> bool {
    let back: String = text.chars().rev().collect();
    RUNS.iter().any(|run| {
        let twice = run.repeat(2);
        twice.contains(text) || twice.contains(&back)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_guessed_first_is_refused_and_a_sentence_is_not() {
        assert!(COMMON.len() > 5_000, "{}", COMMON.len());
        for (password, reason) in [
            ("123456789987654321", "many people"),
            ("QwertyAsdfgh", "many people"),
            ("password!!2027", "many people have chosen, with"),
            ("000 Password 000", "many people have chosen, with"),
            ("abcabcabcabc", "again and again"),
            ("üüüüüüüüüüüü", "again and again"),
            ("lkjhgfdsapoiuytrewq", "row of keys"),
            ("opqrstuvwxyzab", "row of keys"),
            ("345678901234", "row of keys"),
            ("caretaker-2027", "little more than the name"),
        ] {
            let told = why("caretaker", password);
            assert!(
                told.is_some_and(|told| told.contains(reason)),
                "{password}: {told:?}"
            );
        }
        for password in [
            "wind from the west",
            "a long enough one",
            "caretaker of slats",
        ] {
            assert_eq!(why("caretaker", password), None, "{password}");
        }
        assert_eq!(why("", "wind from the west"), None);
    }
}

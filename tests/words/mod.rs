//! The words after `--` of tests that take some of their own (`harness = false`), and
//! what such a test prints. Part of each of them, no test by itself.

use std::io::Write as _;
use std::process::ExitCode;

/// Where a word's value comes from.
pub(crate) type Next<'a> = &'a mut dyn FnMut() -> Result<String, String>;

/// Reads the words of the command line for the test of that name. `take` is given each
/// word that is the test's own, and says whether it knows it.
///
/// # Errors
/// How to end, where the test is not meant or a word is not known.
pub(crate) fn read(
    name: &str,
    known: &str,
    mut take: impl FnMut(&str, Next<'_>) -> Result<bool, String>,
) -> Result<(), ExitCode> {
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            // What the test runner gives to every test.
            "--nocapture" | "--show-output" | "--quiet" | "-q" | "--include-ignored" => continue,
            "--list" => {
                say(&format!("{name}: test\n"));
                return Err(ExitCode::SUCCESS);
            }
            "--ignored" => return Err(ExitCode::SUCCESS),
            _ => {}
        }
        let mut next = || words.next().ok_or_else(|| format!("{word} needs a value"));
        let why = match take(&word, &mut next) {
            Ok(true) => continue,
            Ok(false) if word.starts_with('-') => format!("unknown: {word}"),
            // A filter that does not mean this test.
            Ok(false) if !name.contains(&word) => return Err(ExitCode::SUCCESS),
            Ok(false) => continue,
            Err(why) => why,
        };
        say(&format!("{why}\nknown: {known}\n"));
        return Err(ExitCode::from(2));
    }
    Ok(())
}

/// A number.
///
/// # Errors
/// Where it is none, in words.
pub(crate) fn number(text: String) -> Result<u64, String> {
    text.parse()
        .map_err(|_| format!("expected a number, not '{text}'"))
}

/// Prints; nobody may be reading any more.
pub(crate) fn say(text: &str) {
    let _ = std::io::stdout().write_all(text.as_bytes());
}

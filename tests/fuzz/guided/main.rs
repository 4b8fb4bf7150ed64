//! One fuzz target of `tests/fuzz/targets.rs` under libFuzzer, which keeps whatever
//! reaches code that nothing before it reached. `run` builds and starts it.
//!
//! `LEESIDE_TARGET` names the target. With `LEESIDE_LAY_OUT` nothing runs: its seeds and
//! the corpus of what was found are written into that folder, its words into `words.dict`
//! beside it.
#![no_main]
#![expect(clippy::unwrap_used, reason = "a harness")]

#[path = "../targets.rs"]
mod targets;

use std::fmt::Write as _;
use std::path::Path;
use std::sync::LazyLock;
use targets::{TARGETS, Target};

static TARGET: LazyLock<&Target> = LazyLock::new(|| {
    let name = std::env::var("LEESIDE_TARGET").unwrap_or_default();
    let names: Vec<&str> = TARGETS.iter().map(|target| target.name).collect();
    TARGETS
        .iter()
        .find(|target| target.name == name)
        .unwrap_or_else(|| panic!("LEESIDE_TARGET is {name:?}; expected one of {names:?}"))
});

fn lay_out(folder: &Path) {
    std::fs::create_dir_all(folder).unwrap();
    for (number, seed) in (TARGET.seeds)().into_iter().enumerate() {
        std::fs::write(folder.join(format!("seed-{number:04}")), seed).unwrap();
    }
    // A dictionary of libFuzzer: a quoted word a line, other than plain letters as \xNN.
    let mut words = String::new();
    for word in TARGET.words {
        words.push('"');
        for byte in word.bytes() {
            if byte.is_ascii_alphanumeric() {
                words.push(char::from(byte));
            } else {
                let _ = write!(words, "\\x{byte:02X}");
            }
        }
        words.push_str("\"\n");
    }
    std::fs::write(folder.with_extension("dict"), words).unwrap();
}

libfuzzer_sys::fuzz_target!(
    init: {
        if let Some(folder) = std::env::var_os("LEESIDE_LAY_OUT") {
            lay_out(Path::new(&folder));
            std::process::exit(0);
        }
        LazyLock::force(&TARGET);
    },
    |bytes: &[u8]| (TARGET.run)(bytes)
);

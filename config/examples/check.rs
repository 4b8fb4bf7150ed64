//! Reads site files and prints what is wrong with them, without the rest of the
//! program: `cargo run -p leeside-config --example check -- site.toml`.
//!
//! With `--plain` one line for each problem: the form of `tests/broken/expected.txt`.
#![expect(clippy::print_stdout, reason = "a command line")]

use leeside_config::{LoadOptions, site};

fn main() {
    let plain = std::env::args().any(|argument| argument == "--plain");
    for path in std::env::args()
        .skip(1)
        .filter(|argument| !argument.starts_with("--"))
    {
        let outcome = site::load(path.as_ref(), &LoadOptions::around(2027));
        for diagnostic in &outcome.diagnostics {
            if plain {
                println!("{diagnostic}");
            } else {
                println!("{}", diagnostic.render(&outcome.text, false));
            }
        }
        if !plain {
            let sound = outcome
                .site
                .map_or_else(|| "broken".to_owned(), |site| site.fingerprint);
            println!("{path}: {} problems; {sound}", outcome.diagnostics.len());
        }
    }
}

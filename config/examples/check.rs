//! Reads site files and prints what is wrong with them, without the rest of the
//! program: `cargo run -p leeside-config --example check -- site.toml`.
#![expect(clippy::print_stdout, reason = "a command line")]

use leeside_config::{LoadOptions, site};

fn main() {
    for path in std::env::args().skip(1) {
        let outcome = site::load(path.as_ref(), &LoadOptions::around(2027));
        for diagnostic in &outcome.diagnostics {
            println!("{}", diagnostic.render(&outcome.text, false));
        }
        println!(
            "{path}: {} problems, {} defaults, {}",
            outcome.diagnostics.len(),
            outcome.defaults.len(),
            outcome.site.map_or("no site".to_owned(), |s| s.fingerprint)
        );
    }
}

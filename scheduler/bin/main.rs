//! The command line `leeside`: thin verbs around the library crates.
//!
//! Exit codes everywhere: 0 well, 1 the run failed, 2 what was given is broken,
//! 3 findings.

mod exit;

use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Sun shading by the minute, out of harm's way before the wind.
///
/// Software, network and broker are not a safety system: wind, fire and people
/// need hard-wired, independent means, and the maker's limits always win.
#[derive(Parser)]
#[command(name = "leeside", version, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Subcommand)]
enum Verb {}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let outcome: anyhow::Result<ExitCode> = match arguments.verb {};
    exit::code(outcome)
}

//! The command line `leeside`: thin verbs around the library crates.
//!
//! Exit codes everywhere: 0 well, 1 the run failed, 2 what was given is broken,
//! 3 findings.

mod audit;
mod calendar;
mod check;
mod closed_days;
mod diff;
mod dry_run;
mod exit;
mod given;
mod journal;
mod lockouts;
mod manual;
mod next;
mod people;
mod reload;
mod run;
mod sun;
mod tune;
mod weather;
mod why;

use clap::{CommandFactory, Parser, Subcommand};
use std::process::ExitCode;

/// Decisions and rows ask for many small pieces of memory, and a gust gives thousands
/// back at once.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

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
enum Verb {
    /// Read a site file and tell every problem in one pass.
    Check(check::CheckArgs),
    Sun(sun::SunArgs),
    Calendar(calendar::CalendarArgs),
    /// Set, list and remove the house's closed days.
    #[command(subcommand)]
    ClosedDays(closed_days::ClosedDaysArgs),
    Next(next::NextArgs),
    #[command(subcommand)]
    People(people::PeopleArgs),
    DryRun(dry_run::DryRunArgs),
    Audit(audit::AuditArgs),
    Lockouts(lockouts::LockoutsArgs),
    Why(why::WhyArgs),
    Diff(diff::DiffArgs),
    Run(run::RunArgs),
    Reload(reload::ReloadArgs),
    /// Check, export and clean what the service recorded.
    #[command(subcommand)]
    Journal(journal::JournalArgs),
    #[command(hide = true)]
    Manual(manual::ManualArgs),
    Tune(tune::TuneArgs),
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let outcome = match arguments.verb {
        Verb::Check(args) => check::run(args),
        Verb::Sun(args) => sun::run(args),
        Verb::Calendar(args) => calendar::run(&args),
        Verb::ClosedDays(args) => closed_days::run(&args, chrono::Utc::now()),
        Verb::Next(args) => next::run(args),
        Verb::People(args) => people::run(args),
        Verb::DryRun(args) => dry_run::run(&args),
        Verb::Audit(args) => audit::run(&args),
        Verb::Lockouts(args) => lockouts::run(&args),
        Verb::Why(args) => why::run(args),
        Verb::Diff(args) => diff::run(args),
        Verb::Run(args) => run::run(args),
        Verb::Reload(args) => reload::run(args),
        Verb::Journal(args) => journal::run(&args),
        Verb::Manual(args) => manual::run(&args, Arguments::command()),
        Verb::Tune(args) => tune::run(&args),
    };
    exit::code(outcome)
}

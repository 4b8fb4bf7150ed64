//! Months of made-up weather and mishaps, watched at every step.
//!
//! The core and the simulated plant are driven through wind, rain, hail, frost
//! and sun, while readings are lost, late, doubled and out of order, sensors die
//! or stick, drives and feeders fail, the broker goes away, the program dies and
//! comes back (with its last snapshot or with nothing), clocks step, doors open,
//! and people ask for things. [`checks`] share no code with the core.
//!
//! ```text
//! cargo test --test simulation                             the fixed seeds, under a minute
//! cargo test --test simulation -- --seeds 500 --days 120   a long run
//! cargo test --test simulation -- --from 42 --seeds 1      one seed again, with what led to it
//! ```
//!
//! Before that each check is shown that it can complain ([`trips`]).
//!
//! A seed that fails fails again in the same way on every machine.

#![expect(clippy::unwrap_used, reason = "tests")]

mod account;
mod bench;
mod checks;
mod looks;
mod mishaps;
mod orders;
mod power;
mod reasons;
mod refuge;
mod rng;
mod site;
mod switches;
mod trips;
mod truth;
mod weather;
#[path = "../words/mod.rs"]
mod words;
mod world;

use std::process::ExitCode;
use words::{number, say};
use world::{Outcome, World};

/// What to run.
struct Plan {
    from: u64,
    seeds: u64,
    days: i64,
    all: bool,
}

fn main() -> ExitCode {
    let plan = match plan() {
        Ok(plan) => plan,
        Err(end) => return end,
    };
    let mut failed = 0_u32;
    for wrong in trips::all() {
        say(&format!("{wrong}\n"));
        failed += 1;
    }
    let (mut inputs, mut commands, mut lockouts) = (0, 0, 0);
    for seed in plan.from..plan.from + plan.seeds {
        match World::new(seed, plan.days, false).run() {
            Ok(outcome) => {
                inputs += outcome.inputs;
                commands += outcome.commands;
                lockouts += outcome.lockouts;
                // Now and then: the same seed, the same outcome to the byte.
                if seed % 16 == 1
                    && let Err(why) = same_again(seed, plan.days, outcome)
                {
                    say(&format!("{why}\n"));
                    failed += 1;
                }
            }
            Err(_) => {
                // Once more, keeping what led to it.
                let told = World::new(seed, plan.days, true).run();
                let why = told
                    .err()
                    .unwrap_or_else(|| format!("seed {seed} failed once only"));
                say(&format!(
                    "{why}\n  commit: {}\n  again: cargo test --test simulation -- --from {seed} --seeds 1 --days {}\n",
                    commit(),
                    plan.days
                ));
                failed += 1;
                if !plan.all {
                    break;
                }
            }
        }
    }
    let days = plan.days.unsigned_abs() * plan.seeds;
    say(&format!(
        "simulation: {} seeds of {} days ({:.1} years): {inputs} inputs, {commands} commands, {lockouts} lockout changes, {failed} failed\n",
        plan.seeds,
        plan.days,
        f64::from(u32::try_from(days).unwrap_or(u32::MAX)) / 365.25,
    ));
    if failed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// The commit that was checked out, and whether something was changed since: with the
/// seed, all it takes to see a failure again.
fn commit() -> String {
    let words = ["describe", "--always", "--dirty", "--abbrev=12"];
    let told = std::process::Command::new("git").args(words).output();
    let told = told.ok().filter(|told| told.status.success());
    told.map_or_else(
        || "unknown: no git repository here".to_owned(),
        |told| String::from_utf8_lossy(&told.stdout).trim().to_owned(),
    )
}

/// The same seed once more gives the same, to the byte.
fn same_again(seed: u64, days: i64, outcome: Outcome) -> Result<(), String> {
    let again = World::new(seed, days, false).run()?;
    let same = again.mark == outcome.mark;
    same.then_some(())
        .ok_or_else(|| format!("seed {seed} came out otherwise the second time"))
}

/// Reads the words after `--`.
fn plan() -> Result<Plan, ExitCode> {
    let mut plan = Plan {
        from: 1,
        seeds: 24,
        days: 30,
        all: false,
    };
    let known = "--from SEED --seeds N --days D --all";
    words::read("simulation", known, |word, next| {
        match word {
            "--from" => plan.from = number(next()?)?,
            "--seeds" => plan.seeds = number(next()?)?,
            "--days" => plan.days = i64::try_from(number(next()?)?).unwrap_or(i64::MAX),
            "--all" => plan.all = true,
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(plan)
}

//! Bytes that nobody meant: everything that reads from outside, with input that
//! was right once and has been damaged.
//!
//! Each target is a plain function of bytes that must come back, whatever they
//! are; it may refuse them. Seeds are the files that other tests use, and what
//! was found (`corpus/TARGET/`). No coverage guides the damage: it is cut, copied,
//! spliced, and set with words of the form.
//!
//! ```text
//! cargo test --test fuzz                                        seeds, and a few damaged ones each
//! cargo test --test fuzz -- --executions 1000000 --seed 7       a long run
//! cargo test --test fuzz -- --only site --from 4711 --executions 1    one again
//! ```
//!
//! What ends the whole process (a stack that overflows, memory that nobody has) ends
//! it without a word: the number of that execution stands in `leeside-fuzz-TARGET-PID`
//! in the system's folder for temporary files, which is taken away otherwise.
#![expect(clippy::unwrap_used, reason = "tests")]

mod damage;
#[path = "../simulation/rng.rs"]
#[expect(dead_code, reason = "shared with the simulation")]
mod rng;
mod targets;
#[path = "../words/mod.rs"]
mod words;

use rng::Rng;
use std::os::unix::fs::FileExt as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};
use targets::{TARGETS, Target};
use words::{number, say};

struct Plan {
    executions: u64,
    from: u64,
    seed: u64,
    only: Option<String>,
}

/// How many panics there were, on whatever thread; where the last one was, and what it said.
static PANICS: Mutex<(u64, String)> = Mutex::new((0, String::new()));

fn main() -> ExitCode {
    match plan() {
        Ok(plan) => run(&plan),
        Err(ends) => ends,
    }
}

fn run(plan: &Plan) -> ExitCode {
    std::panic::set_hook(Box::new(|info| {
        let mut panics = PANICS.lock().unwrap_or_else(PoisonError::into_inner);
        *panics = (panics.0 + 1, info.to_string());
    }));
    let mut failed = 0_u32;
    for target in TARGETS {
        if plan.only.as_ref().is_none_or(|only| only == target.name) {
            failed += u32::from(!fuzz(target, plan));
        }
    }
    if failed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// Seeds first, then damaged ones; whether all came back.
fn fuzz(target: &Target, plan: &Plan) -> bool {
    let mut seeds = (target.seeds)();
    seeds.extend(found(target.name));
    assert!(!seeds.is_empty(), "{} has no seeds", target.name);
    let mut wrong = Vec::new();
    for seed in &seeds {
        wrong.extend(execute(target, seed).1);
    }
    let (mut slowest, mut slowest_at, begin) = (Duration::ZERO, 0, Instant::now());
    let running = std::env::temp_dir().join(format!(
        "leeside-fuzz-{}-{}",
        target.name,
        std::process::id()
    ));
    let at = std::fs::File::create(&running).unwrap();
    for number in plan.from..plan.from + plan.executions {
        let note = format!(
            "--only {} --seed {} --from {number:020} --executions 1\n",
            target.name, plan.seed
        );
        at.write_all_at(note.as_bytes(), 0).unwrap();
        // Each by itself, so that one can be seen again without those before it.
        let mut rng = Rng::new(plan.seed.wrapping_mul(0x9E37_79B9).wrapping_add(number));
        let input = damage::damaged(&seeds, target.words, &mut rng);
        let (took, panicked) = execute(target, &input);
        if took > slowest {
            (slowest, slowest_at) = (took, number);
        }
        if let Some(why) = panicked {
            let kept = keep(target.name, &input);
            wrong.push(format!(
                "{why}\n    input: {}\n    again: cargo test --test fuzz -- --only {} --seed {} --from {number} --executions 1",
                kept.display(),
                target.name,
                plan.seed
            ));
            if wrong.len() >= 10 {
                break;
            }
        }
    }
    std::fs::remove_file(&running).unwrap();
    say(&format!(
        "fuzz {}: {} seeds, {} executions in {} s, slowest {} ms (--from {slowest_at}), {} panics\n",
        target.name,
        seeds.len(),
        plan.executions,
        begin.elapsed().as_secs(),
        slowest.as_millis(),
        wrong.len()
    ));
    for line in &wrong {
        say(&format!("  {line}\n"));
    }
    wrong.is_empty()
}

fn execute(target: &Target, input: &[u8]) -> (Duration, Option<String>) {
    let panics = || {
        PANICS
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    };
    let (begin, before) = (Instant::now(), panics().0);
    let came_back = catch_unwind(AssertUnwindSafe(|| (target.run)(input)));
    let (after, said) = panics();
    // One on another thread than this does not come back as one.
    let wrong = came_back.is_err() || after != before;
    (begin.elapsed(), wrong.then_some(said))
}

/// What earlier runs found.
fn found(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fuzz/corpus")
        .join(target);
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)
        .map(|all| all.map(|entry| entry.unwrap().path()).collect())
        .unwrap_or_default();
    paths.sort();
    paths
        .iter()
        .map(|path| std::fs::read(path).unwrap())
        .collect()
}

/// Keeps an input where it can be looked at; mended, it belongs into the corpus.
fn keep(target: &str, input: &[u8]) -> PathBuf {
    let mut sum = 0_u64;
    for byte in input {
        sum = sum.wrapping_mul(0x0100_0000_01B3) ^ u64::from(*byte);
    }
    let path = std::env::temp_dir().join(format!("leeside-fuzz-{target}-{sum:016x}"));
    std::fs::write(&path, input).unwrap();
    path
}

/// What the words after `--` ask for.
fn plan() -> Result<Plan, ExitCode> {
    let mut plan = Plan {
        executions: 300,
        from: 0,
        seed: 1,
        only: None,
    };
    let known = "--executions N --seed N --from N --only TARGET";
    words::read("fuzz", known, |word, next| {
        match word {
            "--executions" => plan.executions = number(next()?)?,
            "--seed" => plan.seed = number(next()?)?,
            "--from" => plan.from = number(next()?)?,
            "--only" => plan.only = Some(next()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(plan)
}

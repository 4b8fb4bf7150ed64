//! How the cost of deciding grows with the number of groups: ten to a hundred
//! thousand on one mast, decided upon after one gust, with caches warm and cold
//! (`awnings` says what is meant), and after readings that change no verdict.
//!
//!     cargo bench -p leeside-core --bench scale
//!     cargo bench -p leeside-core --bench scale -- GROUPS calm|gust ROUNDS
//!
//! Prints nanoseconds a group, the least of several tries, the slope of the straight line through log(time) over
//! log(groups) (1 is linear), and the memory that a group's state takes with all it
//! points to, from what the process holds more for a second core (goal: less than
//! 2 KiB; the model, which several cores share, is not in it). The second form runs one of them only,
//! for a profiler.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    clippy::cast_precision_loss,
    reason = "a bench: it stops where it cannot go on, prints, takes words and looks at the clock"
)]

mod awnings;

use awnings::{Lived, Sweep, awnings, gust, least};
use leeside_core::Core;
use leeside_core::time::SECOND;
use std::time::{Duration, Instant};

/// As the program does.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Readings that change no verdict.
fn calm(core: &mut Core, rounds: i64) {
    for round in 0..rounds {
        let mps = if round % 2 == 0 { 4.0 } else { 1.0 };
        assert_eq!(gust(core, 1_000 + 10 * round, mps), 0);
    }
}

/// What this process holds in memory, KiB; nought where the system does not say.
fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
    line.and_then(|l| l.split_whitespace().next()?.parse().ok())
        .unwrap_or(0)
}

/// What a group's state takes after a gust and its release, bytes.
fn bytes_a_group() -> u64 {
    const GROUPS: u32 = 20_000;
    let mut core = awnings(GROUPS as usize);
    for (round, mps) in (1..).zip([12.0, 1.0, 12.0]) {
        gust(&mut core, 120 * SECOND * round, mps);
    }
    let before = resident_kib();
    let second = core.clone();
    let more = resident_kib() - before;
    drop(second);
    more * 1024 / u64::from(GROUPS)
}

/// The least of several tries, ns.
fn least_ns(tries: u32, take: impl FnMut() -> Duration) -> f64 {
    least(u64::from(tries), take).as_nanos() as f64
}

/// The slope of the least-squares line through the points' logarithms.
fn slope(points: &[(f64, f64)]) -> f64 {
    use leeside_solar::trig::ln;
    let logs: Vec<(f64, f64)> = points.iter().map(|(x, y)| (ln(*x), ln(*y))).collect();
    let n = logs.len() as f64;
    let mx = logs.iter().map(|p| p.0).sum::<f64>() / n;
    let my = logs.iter().map(|p| p.1).sum::<f64>() / n;
    let over = logs.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>();
    over / logs.iter().map(|p| (p.0 - mx) * (p.0 - mx)).sum::<f64>()
}

fn main() {
    let words: Vec<String> = std::env::args().filter(|a| a != "--bench").collect();
    if let [_, groups, what, rounds] = words.as_slice() {
        let groups = groups.parse().unwrap();
        let rounds: i64 = rounds.parse().unwrap();
        match what.as_str() {
            "calm" => calm(&mut awnings(groups), rounds),
            _ => {
                let mut lived = Lived::new(groups);
                for _ in 0..rounds {
                    lived.gust(None);
                }
            }
        }
        return;
    }
    // First of all, while no memory given back could be used again.
    let bytes = bytes_a_group();
    println!("state of a group with its drive: {bytes} bytes (goal: less than 2048)");
    let mut sweep = Sweep::new();
    let (mut calms, mut warms, mut colds) = (Vec::new(), Vec::new(), Vec::new());
    for groups in [10_u32, 100, 1_000, 10_000, 100_000] {
        let tries = (400_000 / groups).clamp(5, 2_000);
        let each = f64::from(groups);
        let mut core = awnings(groups as usize);
        calm(&mut core, 2);
        let (mut at, mut mps) = (5_000, 1.0);
        let quiet = least_ns(tries, || {
            (at, mps) = (at + 10, 5.0 - mps);
            let begun = Instant::now();
            gust(&mut core, at, mps);
            begun.elapsed()
        });
        drop(core);
        let mut lived = Lived::new(groups as usize);
        let warm = least_ns(tries.min(200), || lived.gust(None));
        let cold = least_ns(tries.min(20), || lived.gust(Some(&mut sweep)));
        println!(
            "{groups:>7} groups: a reading that changes nothing {:>6.1} ns a group; one gust, warm {:>7.1} ns a group ({:.3} ms), cold {:>7.1} ({:.3} ms)",
            quiet / each,
            warm / each,
            warm / 1e6,
            cold / each,
            cold / 1e6,
        );
        calms.push((each, quiet));
        warms.push((each, warm));
        colds.push((each, cold));
    }
    println!(
        "slope over groups: a reading that changes nothing {:.3}; one gust, warm {:.3}, cold {:.3}",
        slope(&calms),
        slope(&warms),
        slope(&colds)
    );
}

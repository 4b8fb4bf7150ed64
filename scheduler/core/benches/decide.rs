//! How long decisions take: one group when nothing changed and when something
//! did, and ten thousand groups re-decided after one gust (`awnings` says what a gust
//! is, and what is warm and cold; of these, each sample is the least of its rounds).

#![expect(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a bench: it stops where it cannot go on, and looks at the clock"
)]

mod awnings;

use awnings::{CALM, GUST, Lived, Sweep, awnings, gust, least};
use criterion::{Criterion, criterion_group, criterion_main};
use leeside_core::input::Input;
use leeside_core::time::Now;
use std::time::{Duration, Instant};

/// As the program does.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn decide(criterion: &mut Criterion) {
    criterion.bench_function("one group, a tick, nothing changed", |bench| {
        let (mut core, mut ms) = (awnings(1), 1_000);
        bench.iter(|| {
            ms += 1;
            core.handle(Now::both(ms), Input::Tick);
            core.poll()
        });
    });
    criterion.bench_function(
        "one group of a thousand, a reading that changes no verdict",
        |bench| {
            let (mut core, mut ms, mut mps) = (awnings(1_000), 1_000, 1.0);
            bench.iter(|| {
                ms += 10;
                mps = 5.0 - mps;
                gust(&mut core, ms, mps)
            });
        },
    );
    criterion.bench_function("one group, a gust trips it or a calm frees it", |bench| {
        /// So many of each at a time, so that the clock's own time is no matter.
        const PAIRS: u32 = 64;
        let mut lived = Lived::new(1);
        bench.iter_custom(|rounds| {
            let pairs = least(rounds.div_ceil(u64::from(2 * PAIRS)), || {
                let begun = Instant::now();
                for _ in 0..PAIRS {
                    lived.blow(GUST);
                    lived.blow(CALM);
                }
                begun.elapsed()
            });
            times(pairs / (2 * PAIRS), rounds)
        });
    });
    let mut sweep = Sweep::new();
    for groups in [1_000, 10_000] {
        let mut lived = Lived::new(groups);
        criterion.bench_function(&format!("{groups} groups after one gust, warm"), |bench| {
            bench.iter_custom(|rounds| times(least(rounds.max(8), || lived.gust(None)), rounds));
        });
        let cold = format!("{groups} groups after one gust, cold");
        criterion.bench_function(&cold, |bench| {
            let mut gust = || lived.gust(Some(&mut sweep));
            bench.iter_custom(|rounds| times(least(rounds.clamp(4, 16), &mut gust), rounds));
        });
    }
}

/// As long as `rounds` of them would have taken.
fn times(one: Duration, rounds: u64) -> Duration {
    one * u32::try_from(rounds).unwrap_or(u32::MAX)
}

criterion_group! {
    name = benches;
    // A sweep of the caches takes longer than what it prepares.
    config = Criterion::default().sample_size(20).measurement_time(Duration::from_secs(2));
    targets = decide
}
criterion_main!(benches);

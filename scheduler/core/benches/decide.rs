//! How long decisions take: one group when nothing changed and when something
//! did, and ten thousand groups re-decided after one gust.

#![expect(clippy::unwrap_used, reason = "benchmarks")]

mod awnings;

use awnings::{awnings, gust};
use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use leeside_core::input::Input;
use leeside_core::time::{Now, SECOND};

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
        let (mut core, mut ms, mut over) = (awnings(1), 1_000, false);
        bench.iter(|| {
            ms += 120 * SECOND;
            over = !over;
            gust(&mut core, ms, if over { 12.0 } else { 1.0 })
        });
    });
    let calm = awnings(10_000);
    criterion.bench_function("ten thousand groups after one gust", |bench| {
        bench.iter_batched_ref(
            || calm.clone(),
            |core| gust(core, 120 * SECOND, 12.0),
            BatchSize::LargeInput,
        );
    });
    let thousand = awnings(1_000);
    criterion.bench_function("a thousand groups after one gust", |bench| {
        bench.iter_batched_ref(
            || thousand.clone(),
            |core| gust(core, 120 * SECOND, 12.0),
            BatchSize::LargeInput,
        );
    });
}

criterion_group!(benches, decide);
criterion_main!(benches);

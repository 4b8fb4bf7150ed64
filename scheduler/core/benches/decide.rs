//! How long decisions take: one group when nothing changed and when something
//! did, and ten thousand groups re-decided after one gust.

#![expect(clippy::unwrap_used, reason = "benchmarks")]

#[expect(dead_code, reason = "shared with the tests")]
#[path = "../tests/decisions/support.rs"]
mod support;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use leeside_core::Core;
use leeside_core::ids::{FeederId, SensorId};
use leeside_core::input::{Input, Reading};
use leeside_core::model::{Kind, SensorKind};
use leeside_core::pose::Pose;
use leeside_core::time::{Now, SECOND};
use support::{House, drain, wind, wind_rule};

/// Awnings on one mast, twenty to a feeder; limit 10 m/s, no hold.
fn awnings(count: usize) -> Core {
    let mut house = House::new(Pose::EXTENDED);
    house.sensor("mast", SensorKind::Wind);
    let product = house.product(Kind::Awning);
    for index in 0..count {
        if index % 20 == 0 {
            house.feeder(&format!("feeder {index}"), SECOND / 2, 1);
        }
        let name = format!("awning {index}");
        let device = house.device(&name, product);
        house.model.devices[index].drive.feeder = FeederId::of(house.model.feeders.len() - 1);
        let group = house.group(&name, Kind::Awning, &[device]);
        let mut rule = wind_rule(&[SensorId(0)]);
        rule.hold_ms = 0;
        house.of(group).wind = Some(rule);
    }
    let mut core = Core::new(std::sync::Arc::new(house.model), Now::both(0));
    gust(&mut core, 1, 1.0);
    core
}

/// A gust, and the moment after it, in which it is decided upon.
fn gust(core: &mut Core, ms: i64, mps: f64) -> usize {
    let reading = Reading {
        sensor: SensorId(0),
        at: Now::both(ms).wall,
        sample: wind(Some(mps), None, None),
    };
    core.handle(Now::both(ms), Input::Reading(reading));
    core.handle(Now::both(ms + 1), Input::Tick);
    drain(core).len()
}

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

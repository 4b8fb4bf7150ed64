//! A year of the example site at one-minute steps, and where the time goes.
//!
//! `year/all` is the whole replay with CSV written to memory; `year/replay` the
//! same without output; `year/feed` only sun, light and readings, without the
//! core. The differences are the shares of output and core.
#![expect(clippy::unwrap_used, reason = "a bench stops where it cannot go on")]

use criterion::{Criterion, criterion_group, criterion_main};
use leeside_core::time::Wall;
use leeside_dryrun::replay::{LEAD_IN_MS, Nothing, Occupancy, PlantKind, Setting, Sky, replay};
use leeside_dryrun::weather;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .join(path)
}

/// 2027 at the example site with its typical year.
fn example() -> Setting {
    let options = leeside_config::LoadOptions::around(2027);
    let (site, _) = leeside_config::load_site(&root("deploy/example/site.toml"), &options).unwrap();
    // Eastern standard time all year round, close enough for a bench.
    let (from, to) = (Wall(1_798_779_600_000), Wall(1_830_315_600_000));
    let tmy3 = weather::read(&root("tests/weather/tmy3_744860_new_york_jfk.csv.gz")).unwrap();
    Setting {
        model: site.model,
        sky: Sky::Rows(tmy3.over(from.plus(-LEAD_IN_MS), to).unwrap()),
        from,
        to,
        step_ms: 60_000,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::OFFICE,
    }
}

fn year(c: &mut Criterion) {
    let setting = example();
    let mut group = c.benchmark_group("year");
    group.sample_size(10);
    group.bench_function("replay", |b| {
        b.iter(|| replay(&setting, &mut Nothing, &mut |_| ControlFlow::Continue(())).unwrap());
    });
    group.finish();
}

criterion_group!(benches, year);
criterion_main!(benches);

//! A year of the example site at one-minute steps, and where the time goes.
//!
//! `year/csv` is the whole run with every movement written to memory,
//! `year/replay` the same without output, `year/sun` only where the sun stands
//! and what falls on each facade, once a minute. So output = csv - replay, and
//! core, plant and bookkeeping = replay - sun (the core looks at the sun again
//! by itself, by day; that share counts as the core's).
#![expect(clippy::unwrap_used, reason = "a bench stops where it cannot go on")]

use criterion::{Criterion, criterion_group, criterion_main};
use leeside_core::time::Wall;
use leeside_dryrun::replay::{LEAD_IN_MS, Nothing, Occupancy, PlantKind, Setting, Sky, replay};
use leeside_dryrun::report::{CsvSink, Head};
use leeside_dryrun::weather;
use leeside_solar::SunPath;
use leeside_solar::light::{Components, Sky as Light, SkyModel, Source};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

/// As the program does.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

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

/// The sun of every minute and the light on every facade.
fn sun(setting: &Setting) -> f64 {
    let site = &setting.model.site;
    let mut path = SunPath::new(site.location, site.atmosphere);
    let components = Components {
        ghi: 500.0,
        dni: 500.0,
        dhi: 150.0,
    };
    let mut sum = 0.0;
    for at in (setting.from.0..setting.to.0).step_by(60_000) {
        let (_, sun) = path.both(at);
        let sky = Light::new(
            Source::Measured,
            components,
            &sun,
            1_360.0,
            SkyModel::Isotropic,
            site.albedo,
        );
        for facade in &setting.model.facades {
            sum += sky.on_plane(&facade.plane, &sun).total();
        }
    }
    sum
}

fn year(c: &mut Criterion) {
    let setting = example();
    let head = Head::of(&setting, "bench");
    let mut on = |_| ControlFlow::Continue(());
    let mut group = c.benchmark_group("year");
    group.sample_size(10);
    group.bench_function("sun", |b| b.iter(|| sun(&setting)));
    group.bench_function("replay", |b| {
        b.iter(|| replay(&setting, &mut Nothing, &mut on).unwrap())
    });
    group.bench_function("csv", |b| {
        b.iter(|| {
            let mut sink = CsvSink::new(Vec::new(), &head).unwrap();
            replay(&setting, &mut sink, &mut on).unwrap();
            sink.finish().unwrap()
        });
    });
    group.finish();
}

criterion_group!(benches, year);
criterion_main!(benches);

//! A year of a made-up campus at one-minute steps, every movement written as CSV.
//!
//! `campus/year` is the whole: 50 facades, 1,000 groups, 5,000 drives.
//! `groups/…` and `days/…` are parts of it, to see that time is linear in both.
#![expect(clippy::unwrap_used, reason = "a bench stops where it cannot go on")]

mod site;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use leeside_core::model::Model;
use leeside_core::time::{HOUR, Wall};
use leeside_dryrun::replay::{LEAD_IN_MS, Occupancy, PlantKind, Setting, Sky, replay};
use leeside_dryrun::report::{CsvSink, Head};
use leeside_dryrun::weather;
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Local midnight at the start of 2027, five hours after that of UTC.
const NEW_YEAR: Wall = Wall(1_798_779_600_000);

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .join(path)
}

fn setting(model: Arc<Model>, days: i64) -> Setting {
    let (from, to) = (NEW_YEAR, NEW_YEAR.plus(days * 24 * HOUR));
    let tmy3 = weather::read(&root("tests/weather/tmy3_744860_new_york_jfk.csv.gz")).unwrap();
    Setting {
        model,
        sky: Sky::Rows(tmy3.over(from.plus(-LEAD_IN_MS), to).unwrap()),
        from,
        to,
        step_ms: 60_000,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::OFFICE,
    }
}

/// A file that is only counted, so that the disk is not measured.
#[derive(Default)]
struct Counted(u64);

impl Write for Counted {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0 += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn run(setting: &Setting) -> u64 {
    let head = Head::of(setting, "bench");
    let mut sink = CsvSink::new(Counted::default(), &head).unwrap();
    replay(setting, &mut sink, &mut |_| ControlFlow::Continue(())).unwrap();
    sink.finish().unwrap().0
}

fn year(c: &mut Criterion) {
    let options = leeside_config::LoadOptions::around(2027);
    let (example, _) =
        leeside_config::load_site(&root("deploy/example/site.toml"), &options).unwrap();
    let of = |facades| site::campus(&example.model, facades, 20, 5);
    let whole = setting(of(50), 365);
    let mut group = c.benchmark_group("campus");
    group.sample_size(10);
    group.bench_function("year", |b| b.iter(|| run(&whole)));
    for facades in [5, 10, 20] {
        let setting = setting(of(facades), 60);
        group.bench_with_input(
            BenchmarkId::new("groups", facades * 20),
            &setting,
            |b, s| b.iter(|| run(s)),
        );
    }
    for days in [15, 30, 120] {
        let setting = setting(of(10), days);
        group.bench_with_input(BenchmarkId::new("days", days), &setting, |b, s| {
            b.iter(|| run(s))
        });
    }
    group.finish();
}

criterion_group!(benches, year);
criterion_main!(benches);

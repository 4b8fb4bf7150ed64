//! A year at one-minute steps on one core: the fast path against the full
//! algorithm, and what a facade costs on top.
//!
//! Each figure is for one position or one facade and minute, over a whole year
//! (nights included), so that the share of the daily work is in it. Run with
//! `cargo bench -p leeside-solar`; ratios count, not nanoseconds.
#![expect(
    clippy::expect_used,
    reason = "constants in range; a bench that cannot start may stop"
)]

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use leeside_solar::light::{
    Components, Sky, SkyModel, Source, erbs, extraterrestrial, haurwitz, ineichen,
};
use leeside_solar::shade::{Horizon, Obstructions, Opening};
use leeside_solar::{
    Atmosphere, Location, Plane, Slats, Sun, SunPath, crossings, delta_t_estimate, position,
};

const FROM: i64 = 1_767_225_600_000; // 2026-01-01T00:00Z
const MINUTES: i64 = 525_600;

fn minutes() -> impl Iterator<Item = i64> {
    (0..MINUTES).map(|minute| FROM + minute * 60_000)
}

fn place() -> (Location, Atmosphere) {
    let place = Location::new(48.1374, 11.5755, 520.0).expect("in range");
    (place, Atmosphere::standard(520.0))
}

fn path(c: &mut Criterion) {
    let (place, air) = place();
    let mut group = c.benchmark_group("position");
    group.sample_size(10);
    group.throughput(Throughput::Elements(MINUTES.unsigned_abs()));
    group.bench_function("fast path, vector", |b| {
        b.iter(|| {
            let mut path = SunPath::new(place, air);
            minutes().map(|at| path.at(at).up).sum::<f64>()
        });
    });
    group.bench_function("fast path, elevation and azimuth", |b| {
        b.iter(|| {
            let mut path = SunPath::new(place, air);
            minutes()
                .map(|at| {
                    let sun = path.at(at);
                    sun.elevation_deg() + sun.azimuth_deg()
                })
                .sum::<f64>()
        });
    });
    // The same minutes would take seconds a round.
    group.throughput(Throughput::Elements(MINUTES.unsigned_abs() / 60));
    group.bench_function("full SPA (every 60th minute)", |b| {
        b.iter(|| {
            minutes()
                .step_by(60)
                .map(|at| position(at, place, air, delta_t_estimate(at)).azimuth_deg)
                .sum::<f64>()
        });
    });
    group.finish();
}

/// A year of suns and skies, computed beforehand.
fn year() -> Vec<(Sun, Sky)> {
    let (place, air) = place();
    let mut path = SunPath::new(place, air);
    minutes()
        .map(|at| {
            let (truly, sun) = path.both(at);
            let above = extraterrestrial(at);
            let parts = erbs(haurwitz(&sun) * 0.9, truly.up, above);
            (
                sun,
                Sky::new(Source::Measured, parts, &sun, above, SkyModel::Perez, 0.2),
            )
        })
        .collect()
}

fn facade(c: &mut Criterion) {
    let year = year();
    let plane = Plane::new(215.0, 90.0).expect("in range");
    let slats = Slats::new(80.0, 72.0, -90.0, 90.0, 3.0).expect("in range");
    let opening = Opening::new(1.4, 1.6).expect("in range");
    let skyline: Vec<(f64, f64)> = (0..36_u8)
        .map(|i| (f64::from(i) * 10.0, f64::from(i % 5) * 3.0))
        .collect();
    let shade = Obstructions::default()
        .with_reveal(0.15)
        .and_then(|s| s.with_overhang(0.8, 0.2))
        .and_then(|s| s.with_left_fin(0.3, 0.1))
        .and_then(|s| s.with_opposite(6.0, 25.0))
        .and_then(|s| Horizon::new(&skyline).map(|h| s.with_horizon(h)))
        .expect("in range");

    let mut group = c.benchmark_group("facade and minute");
    group.sample_size(20);
    group.throughput(Throughput::Elements(MINUTES.unsigned_abs()));
    group.bench_function("lit or not", |b| {
        b.iter(|| {
            year.iter()
                .filter(|(sun, _)| plane.sunlit(black_box(sun)))
                .count()
        });
    });
    group.bench_function("incidence, profile, lit share, cut-off, irradiance", |b| {
        b.iter(|| {
            year.iter()
                .map(|(sun, sky)| {
                    let cos_incidence = plane.cos_incidence(sun);
                    let profile = plane.profile_angle_deg(sun);
                    let share = shade.lit_share(&plane, sun, &opening);
                    let _ = black_box(slats.cutoff_at(&plane, sun));
                    let watts = sky.on_plane(&plane, sun).total_with_lit_share(share);
                    cos_incidence + profile + watts
                })
                .sum::<f64>()
        });
    });
    group.finish();
}

fn site(c: &mut Criterion) {
    let (place, air) = place();
    let mut group = c.benchmark_group("site and minute");
    group.sample_size(10);
    group.throughput(Throughput::Elements(MINUTES.unsigned_abs()));
    group.bench_function("clear sky (Ineichen), Perez", |b| {
        let mut path = SunPath::new(place, air);
        let suns: Vec<(i64, Sun)> = minutes().map(|at| (at, path.at(at))).collect();
        b.iter(|| {
            suns.iter()
                .map(|(at, sun)| {
                    let above = extraterrestrial(*at);
                    let parts: Components = ineichen(sun, 3.0, 952.0, 520.0, above);
                    Sky::new(Source::ClearSky, parts, sun, above, SkyModel::Perez, 0.2)
                        .components()
                        .dni
                })
                .sum::<f64>()
        });
    });
    group.finish();
    let mut group = c.benchmark_group("events");
    group.sample_size(10);
    group.throughput(Throughput::Elements(365));
    group.bench_function("rise and set of a year, per day", |b| {
        b.iter(|| crossings(place, -0.8333, FROM, FROM + 365 * 86_400_000).len());
    });
    group.finish();
}

criterion_group!(benches, path, facade, site);
criterion_main!(benches);

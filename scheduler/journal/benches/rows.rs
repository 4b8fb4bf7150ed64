//! What a row costs: commands of ten thousand groups written in transactions of a few
//! hundred, again and again into one file, as gusts do.
//!
//! `cargo bench -p leeside-journal --bench rows [-- GROUPS GUSTS ROWS_PER_TRANSACTION]`
#![expect(clippy::unwrap_used, clippy::print_stdout, reason = "a benchmark")]

use leeside_core::time::Now;
use leeside_journal::{Batch, Journal, Kind};
use std::time::Instant;

fn main() {
    // cargo itself adds --bench.
    let mut numbers = std::env::args().filter_map(|word| word.parse::<usize>().ok());
    let mut next = |otherwise| numbers.next().unwrap_or(otherwise).max(1);
    let (groups, gusts, rows) = (next(10_000), next(10), next(512));
    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("journal.sqlite")).unwrap();
    let body = format!("{{\"reason\":\"{}\"}}", "w".repeat(420));
    let mut each = Vec::new();
    for gust in 0..gusts {
        let now = Now::both(i64::try_from(gust).unwrap() * 1_000);
        let batches: Vec<Batch> = (0..groups)
            .collect::<Vec<_>>()
            .chunks(rows)
            .map(|chunk| {
                let mut batch = Batch::new();
                for group in chunk {
                    let name = format!("G-{group}");
                    batch.row(now, Kind::Command, &name, body.clone());
                }
                batch
            })
            .collect();
        let start = Instant::now();
        for batch in &batches {
            journal.write(batch).unwrap();
        }
        let micros = start.elapsed().as_secs_f64() * 1e6;
        each.push(micros / f64::from(u32::try_from(groups).unwrap()));
        // As the service does beside, between two gusts.
        journal.sync().unwrap();
        leeside_journal::checkpoint(journal.path(), leeside_journal::LARGE_LOG).unwrap();
    }
    each.sort_by(f64::total_cmp);
    println!(
        "{groups} rows a gust, {rows} in a transaction, {gusts} gusts: a row takes {:.2} µs (least {:.2}, most {:.2})",
        each[each.len() / 2],
        each[0],
        each[each.len() - 1]
    );
}

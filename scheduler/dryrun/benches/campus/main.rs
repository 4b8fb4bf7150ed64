//! A year of a made-up campus at one-minute steps, every movement written as CSV:
//! 50 facades, 1,000 groups, 5,000 drives.
//!
//!     cargo bench -p leeside-dryrun --bench campus               the year
//!     cargo bench -p leeside-dryrun --bench campus -- fit        how time grows
//!     cargo bench -p leeside-dryrun --bench campus -- FACADES DAYS [digest] [from DAY]
//!
//! Says processor seconds (a busy machine weighs less on them than on the clock),
//! wall seconds, the most memory it held, and with `digest` a digest of the bytes
//! it wrote, so that two programs can be seen to write the same. `fit` prints the slope of the
//! straight line through log(time) over log(groups) and log(days): 1 is linear.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a bench: it stops where it cannot go on, prints, takes words and looks at the clock"
)]

mod site;

use leeside_core::model::Model;
use leeside_core::time::{HOUR, Wall};
use leeside_dryrun::replay::{LEAD_IN_MS, Occupancy, PlantKind, Setting, Sky, replay};
use leeside_dryrun::report::{CsvSink, Head};
use leeside_dryrun::weather;
use leeside_solar::trig;
use sha2::{Digest, Sha256};
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

/// As the program does.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Local midnight at the start of 2027, five hours after that of UTC.
const NEW_YEAR: Wall = Wall(1_798_779_600_000);

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .join(path)
}

/// So many days from so many days after New Year.
fn setting(model: Arc<Model>, first: i64, days: i64) -> Setting {
    let from = NEW_YEAR.plus(first * 24 * HOUR);
    let to = from.plus(days * 24 * HOUR);
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

/// A file that is only counted, so that the disk is not measured, and digested
/// where that is asked for.
#[derive(Debug, Default)]
struct Digested {
    bytes: u64,
    digest: Option<Sha256>,
}

impl Write for Digested {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.bytes += bytes.len() as u64;
        if let Some(digest) = &mut self.digest {
            digest.update(bytes);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Processor seconds of this process so far (user only); nought where the
/// system does not say.
fn processor_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let ticks = stat.rsplit(") ").next().unwrap_or_default();
    // The 14th field of the file, in hundredths of a second.
    let ticks = ticks.split(' ').nth(11).and_then(|t| t.parse().ok());
    ticks.map_or(0.0, |ticks: u32| f64::from(ticks) / 100.0)
}

/// The most memory this process has held, MiB.
fn most_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let kib = line.and_then(|l| l.split_whitespace().next()?.parse::<u64>().ok());
    kib.unwrap_or(0) / 1024
}

/// Runs it; processor and wall seconds.
fn run(setting: &Setting, digest: bool) -> (f64, f64) {
    let (cpu, clock) = (processor_s(), Instant::now());
    let head = Head::of(setting, "bench");
    let out = Digested {
        bytes: 0,
        digest: digest.then(Sha256::new),
    };
    let out = io::BufWriter::with_capacity(1 << 16, out);
    let mut sink = CsvSink::new(out, &head).unwrap();
    replay(setting, &mut sink, &mut |_| ControlFlow::Continue(())).unwrap();
    let out = sink.finish().unwrap().into_inner().unwrap();
    let (cpu, wall) = (processor_s() - cpu, clock.elapsed().as_secs_f64());
    let digest = out.digest.map_or_else(String::new, |digest| {
        let bytes = digest.finalize();
        let hex: String = bytes.iter().take(8).map(|b| format!("{b:02x}")).collect();
        format!(", digest {hex}")
    });
    println!(
        "{} groups, {} drives, {} days: {cpu:.2} s processor, {wall:.2} s wall, {} MiB at most; {} bytes{digest}",
        setting.model.groups.len(),
        setting.model.devices.len(),
        (setting.to.0 - setting.from.0) / (24 * HOUR),
        most_mib(),
        out.bytes,
    );
    (cpu, wall)
}

/// The slope of the least-squares line through the points' logarithms.
fn slope(points: &[(f64, f64)]) -> f64 {
    let logs: Vec<(f64, f64)> = points
        .iter()
        .map(|(x, y)| (trig::ln(*x), trig::ln(y.max(0.01))))
        .collect();
    let n = logs.iter().map(|_| 1.0).sum::<f64>();
    let mean = |f: fn(&(f64, f64)) -> f64| logs.iter().map(f).sum::<f64>() / n;
    let (mx, my) = (mean(|p| p.0), mean(|p| p.1));
    let over = logs.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>();
    over / logs.iter().map(|p| (p.0 - mx) * (p.0 - mx)).sum::<f64>()
}

fn main() {
    let options = leeside_config::LoadOptions::around(2027);
    let (example, _) =
        leeside_config::load_site(&root("deploy/example/site.toml"), &options).unwrap();
    let of = |facades| site::campus(&example.model, facades, 20, 5);
    let words: Vec<String> = std::env::args().filter(|a| a != "--bench").collect();
    match words.get(1).map(String::as_str) {
        None => {
            run(&setting(of(50), 0, 365), false);
        }
        Some("fit") => {
            let by_groups: Vec<(f64, f64)> = [5, 10, 20, 50, 100]
                .into_iter()
                .map(|facades| {
                    (
                        f64::from(facades * 20),
                        run(&setting(of(facades), 0, 60), false).0,
                    )
                })
                .collect();
            println!("time over groups: slope {:.3}", slope(&by_groups));
            let by_days: Vec<(f64, f64)> = [22_u32, 45, 91, 182, 365]
                .into_iter()
                .map(|days| {
                    (
                        f64::from(days),
                        run(&setting(of(20), 0, i64::from(days)), false).0,
                    )
                })
                .collect();
            println!("time over days: slope {:.3}", slope(&by_days));
        }
        Some(facades) => {
            let days = words.get(2).map_or(365, |days| days.parse().unwrap());
            let digest = words.iter().any(|word| word == "digest");
            let first = words.iter().skip_while(|word| *word != "from").nth(1);
            let first = first.map_or(0, |day| day.parse().unwrap());
            run(&setting(of(facades.parse().unwrap()), first, days), digest);
        }
    }
}

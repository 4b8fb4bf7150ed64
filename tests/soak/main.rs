//! A long time of dense traffic: does memory grow, do file handles?
//!
//! The built program at a real mosquitto, its sensors speaking forty times a
//! second, a storm every few seconds, requests by hand, doors, and a broker that
//! is restarted now and then. What the process holds is read from `/proc`.
//!
//! ```text
//! cargo test --test soak                          some seconds: handles, and that it goes on
//! cargo test --test soak -- --minutes 60          an hour: resident memory as well
//! cargo test --test soak -- --minutes 60 --program /usr/bin/leeside
//! ```
//!
//! Compared are the sixth of the time after a warm-up of a tenth, and the last
//! sixth: of an hour, ten minutes each.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "../broker/brokers.rs"]
#[expect(dead_code, reason = "shared with the broker tests")]
mod brokers;
#[path = "../broker/building.rs"]
#[expect(dead_code, reason = "shared with the broker tests")]
mod building;
#[path = "../broker/client.rs"]
#[expect(dead_code, reason = "shared with the broker tests")]
mod client;
#[path = "../kill/house.rs"]
#[expect(dead_code, reason = "shared with the kill tests")]
mod house;
#[path = "../words/mod.rs"]
mod words;

use brokers::Mosquitto;
use building::Building;
use client::{Listener, commands};
use house::House;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};
use words::{number, say};

/// The most that resident memory may have grown by.
const MOST_GROWTH: f64 = 1.05;
/// Sensors of the building speak this often: forty times as often as every second.
const EVERY: Duration = Duration::from_millis(25);
/// One round of weather: a gust in the south, calm, a gust in the west, calm.
const ROUND: Duration = Duration::from_secs(16);
/// Shorter than this, the resident memory says nothing yet.
const LONG_ENOUGH: Duration = Duration::from_secs(10 * 60);
/// The broker is restarted this often.
const RESTART: Duration = Duration::from_secs(7 * 60);

/// What the process holds at one moment.
#[derive(Clone, Copy, Debug)]
struct Sample {
    at: Duration,
    resident_kb: f64,
    handles: usize,
}

struct Plan {
    length: Duration,
    program: PathBuf,
}

fn main() -> ExitCode {
    match plan() {
        Ok(plan) => soak(&plan),
        Err(ends) => ends,
    }
}

fn soak(plan: &Plan) -> ExitCode {
    let scratch = tempfile::tempdir().unwrap();
    let mut mosquitto = Mosquitto::open(scratch.path());
    let house = House::new(mosquitto.port, &plan.program);
    let listener = Listener::with(mosquitto.port, None, "quick/group/+/command");
    let mut daemon = house.start();
    let building = Building::that_speaks(&listener, EVERY);
    let begin = Instant::now();
    let (mut samples, mut round, mut restarts) = (Vec::new(), 0_u32, 0_u32);
    while begin.elapsed() < plan.length {
        let (south, west) = ([13.0, 2.0, 2.0, 2.0], [2.0, 2.0, 15.0, 2.0]);
        for quarter in 0..4 {
            building.blow("wind south", south[quarter]);
            building.blow("wind west", west[quarter]);
            building.open_door(quarter == 3 && round % 3 == 0);
            if quarter == 1 && round % 5 == 0 {
                listener.say("quick/request", "{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"south slats\",\"extension_pct\":40,\"hold_s\":6}");
            }
            std::thread::sleep(ROUND / 4);
            let Some(sample) = sample(daemon.id(), begin.elapsed()) else {
                say("the program is gone\n");
                return ExitCode::FAILURE;
            };
            samples.push(sample);
        }
        round += 1;
        if begin.elapsed() > RESTART * (restarts + 1) {
            restarts += 1;
            mosquitto.stop();
            std::thread::sleep(Duration::from_secs(2));
            mosquitto.start();
        }
        if round % 20 == 0 {
            let last = samples[samples.len() - 1];
            say(&format!(
                "{:>5} s: {:.0} kB resident, {} handles\n",
                last.at.as_secs(),
                last.resident_kb,
                last.handles
            ));
        }
    }
    drop(building);
    let sent = commands(&listener.since(0)).len();
    house::signal(daemon.id(), "TERM");
    let status = daemon.wait().unwrap();
    let rows = house.verified();
    say(&format!(
        "soak: {} s, {sent} commands, {rows} rows, {restarts} restarts of the broker; it ended with {status}\n",
        begin.elapsed().as_secs()
    ));
    let well = judge(&samples, plan.length) & status.success();
    if well && sent > usize::try_from(round).unwrap() {
        ExitCode::SUCCESS
    } else {
        say("soak: FAILED\n");
        ExitCode::FAILURE
    }
}

/// Compares the first part after the warm-up with the last.
fn judge(samples: &[Sample], length: Duration) -> bool {
    let part = |from: Duration, to: Duration| {
        let all: Vec<Sample> = samples
            .iter()
            .filter(|sample| (from..to).contains(&sample.at))
            .copied()
            .collect();
        assert!(!all.is_empty(), "no sample between {from:?} and {to:?}");
        let count = f64::from(u32::try_from(all.len()).unwrap());
        let resident = all.iter().map(|sample| sample.resident_kb).sum::<f64>() / count;
        // The middle one: files that are open for a moment (a sync, a connection) come
        // and go in every part.
        let mut handles: Vec<usize> = all.iter().map(|sample| sample.handles).collect();
        handles.sort_unstable();
        (
            resident,
            handles[handles.len() / 2],
            handles[handles.len() - 1],
        )
    };
    let warm = length / 10;
    let first = part(warm, warm + length / 6);
    let last = part(length - length / 6, length + ROUND);
    let growth = last.0 / first.0;
    say(&format!(
        "resident: {:.0} kB in the first part after the warm-up, {:.0} kB in the last: {growth:.3} (at most {MOST_GROWTH}{})\n\
         handles: {} in the first part (at most {}), {} in the last (at most {})\n",
        first.0,
        last.0,
        if length < LONG_ENOUGH {
            ", in a run long enough to say"
        } else {
            ""
        },
        first.1,
        first.2,
        last.1,
        last.2
    ));
    (length < LONG_ENOUGH || growth <= MOST_GROWTH) && last.1 <= first.1
}

/// From `/proc`: proc(5), `VmRSS` of status and the entries of fd.
fn sample(pid: u32, at: Duration) -> Option<Sample> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    let resident_kb = line.split_whitespace().next()?.parse().ok()?;
    let handles = std::fs::read_dir(format!("/proc/{pid}/fd")).ok()?.count();
    Some(Sample {
        at,
        resident_kb,
        handles,
    })
}

/// What the words after `--` ask for.
fn plan() -> Result<Plan, ExitCode> {
    let mut plan = Plan {
        length: Duration::from_secs(16),
        program: PathBuf::from(env!("CARGO_BIN_EXE_leeside")),
    };
    words::read(
        "soak",
        "--minutes N --seconds N --program FILE",
        |word, next| {
            match word {
                "--minutes" => plan.length = Duration::from_secs(60 * number(next()?)?),
                "--seconds" => plan.length = Duration::from_secs(number(next()?)?),
                "--program" => plan.program = PathBuf::from(next()?),
                _ => return Ok(false),
            }
            Ok(true)
        },
    )?;
    Ok(plan)
}

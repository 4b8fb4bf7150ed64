//! Pulls the plug of the program in storms, again and again.
//!
//! The built program at a real mosquitto, gusts coming and going, people asking
//! by hand, and SIGKILL at random instants, many of them in the very moment in
//! which a command leaves. After each the journal's chain is followed; in the end
//! what was heard at the broker and what stands in the journal are judged by
//! [`heard`] and [`record`], which share no code with what they judge.
//!
//! ```text
//! cargo test --test kill                              eight times, under half a minute
//! cargo test --test kill -- --kills 500 --seed 7      half an hour
//! ```
//!
//! The seed decides when sensors, people and plugs act; what the machine's
//! scheduler makes of it differs between runs.
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
mod heard;
#[expect(dead_code, reason = "shared with the soak")]
mod house;
mod record;
#[path = "../simulation/rng.rs"]
#[expect(dead_code, reason = "shared with the simulation")]
mod rng;
mod weather;
#[path = "../words/mod.rs"]
mod words;

use brokers::Mosquitto;
use building::{Building, GROUPS};
use client::{Listener, Message};
use heard::Heard;
use house::House;
use rng::Rng;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};
use weather::Weather;
use words::{number, say};

/// Sensors speak this often.
const EVERY: Duration = Duration::from_millis(100);
/// The harness looks this often.
const LOOK: Duration = Duration::from_millis(5);
/// No run of the program lasts longer than this.
const LONGEST: i64 = 9_000;

struct Plan {
    kills: u32,
    seed: u64,
    program: PathBuf,
}

/// What happened, in numbers.
#[derive(Default)]
struct Tally {
    locked: u32,
    leaving: u32,
}

fn main() -> ExitCode {
    match plan() {
        Ok(plan) => run(&plan),
        Err(ends) => ends,
    }
}

fn run(plan: &Plan) -> ExitCode {
    let scratch = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::open(scratch.path());
    let house = House::new(mosquitto.port, &plan.program);
    let listener = Listener::with(mosquitto.port, None, "quick/group/#");
    set_trap(&listener);
    let building = Building::that_speaks(&listener, EVERY);
    let mut rng = Rng::new(plan.seed);
    let mut weather = Weather::new();
    let mut heard = Heard::new();
    let mut tally = Tally::default();
    let begin = Instant::now();
    for kill in 1..=plan.kills {
        let mut program = house.start();
        let start = Instant::now();
        let at_news = rng.once_in(3);
        let mut due = start
            + Duration::from_millis(if rng.once_in(2) {
                rng.draw() % 2_000
            } else {
                u64::try_from(rng.int(2_000, LONGEST)).unwrap()
            });
        if rng.once_in(3) {
            weather.deafen(&building, &mut rng);
        }
        while Instant::now() < due {
            std::thread::sleep(LOOK);
            weather.go_on(&building, &mut rng);
            heard.people(&listener, &mut rng);
            let news = heard.take(&listener);
            if at_news && news && start.elapsed() > Duration::from_millis(50) {
                // In the middle of it: a command has left, more may follow.
                due = due.min(Instant::now() + Duration::from_micros(rng.draw() % 10_000));
                tally.leaving += 1;
            }
            assert!(
                !program.has_ended(),
                "the program ended by itself:\n{}",
                std::fs::read_to_string(house.log()).unwrap()
            );
        }
        tally.locked += u32::from(heard.somebody_is_locked());
        program.kill();
        heard.take(&listener);
        house.verified();
        if kill % 50 == 0 {
            say(&format!(
                "kill: {kill} after {} s\n",
                begin.elapsed().as_secs()
            ));
        }
    }
    // Calm in the end: everything comes to where it belongs.
    weather.end(&building);
    let mut program = house.start();
    let settled = |messages: &[Message]| heard.settled(messages).then_some(());
    let mark = listener.mark();
    listener.wait_some(mark, "everything where it belongs, in the end", settled);
    heard.take(&listener);
    house::signal(program.id(), "TERM");
    let status = program.wait().unwrap();
    assert!(status.success(), "{status}");
    let rows = house.verified();
    let record = record::judge(&house.journal());
    let mut wrong = record.wrong;
    wrong.extend(heard.wrong().iter().cloned());
    let unrecorded = heard.unrecorded(&record.commands);
    let late = std::fs::read_to_string(house.log())
        .unwrap()
        .matches("the journal is late")
        .count();
    if late == 0 {
        wrong.extend(unrecorded.iter().cloned());
    }
    say(&format!(
        "kill: {} times, seed {}: {} of them with a lockout standing, {} as a command left; {rows} rows, {} commands, \
         {} lockouts released, {} extensions, {} holds by hand confirmed; {} heard without a row, the journal {late} times late; {} complaints\n",
        plan.kills,
        plan.seed,
        tally.locked,
        tally.leaving,
        record.commands.len(),
        record.released,
        record.extensions,
        heard.confirmed,
        unrecorded.len(),
        wrong.len()
    ));
    for line in wrong.iter().take(40) {
        say(&format!("  {line}\n"));
    }
    // A run in which nothing happened proves nothing.
    let lived = record.released > 0 && record.extensions > 0 && heard.confirmed > 0;
    if !lived {
        say("kill: too little happened to say anything\n");
    }
    if wrong.is_empty() && lived {
        ExitCode::SUCCESS
    } else {
        keep(&house);
        ExitCode::FAILURE
    }
}

/// What the broker keeps says that all is calm.
fn set_trap(listener: &Listener) {
    for sensor in weather::SENSORS {
        listener.say_retained(&format!("quick/sensor/{sensor}"), building::wind_of(1.0));
    }
    listener.say_retained("quick/sensor/rain", "{\"value\":0}");
}

/// Leaves the journal where it can be looked at.
fn keep(house: &House) {
    let to = std::env::temp_dir().join(format!("leeside-kill-{}.sqlite", std::process::id()));
    let db = rusqlite::Connection::open(house.journal()).unwrap();
    db.execute("VACUUM INTO ?", [to.display().to_string()])
        .unwrap();
    say(&format!("  the journal: {}\n", to.display()));
}

/// What the words after `--` ask for.
fn plan() -> Result<Plan, ExitCode> {
    let mut plan = Plan {
        kills: 8,
        seed: 1,
        program: PathBuf::from(env!("CARGO_BIN_EXE_leeside")),
    };
    words::read("kill", "--kills N --seed N --program FILE", |word, next| {
        match word {
            "--kills" => plan.kills = u32::try_from(number(next()?)?).unwrap_or(u32::MAX),
            "--seed" => plan.seed = number(next()?)?,
            "--program" => plan.program = PathBuf::from(next()?),
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    Ok(plan)
}

/// The index of a group.
fn group_of(name: &str) -> Option<usize> {
    GROUPS.iter().position(|group| *group == name)
}

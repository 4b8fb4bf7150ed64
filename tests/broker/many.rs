//! A gust over so many groups that its moment is written and sent in portions.

use crate::client::{Listener, Message, commands};
use crate::daemon::{At, Setup, external};
use crate::journal::replayed;
use leeside_journal::{Entry, Journal, Kind, Span};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicI32, Ordering};
use std::time::Duration;

/// Several times what leaves as the first portion.
const GROUPS: usize = 300;

/// Screens on a facade, each a group of its own on a feeder of its own.
fn site(port: u16) -> String {
    let mut text = format!(
        r#"
[site]
name = "Many"
latitude_deg = 50
longitude_deg = 8
altitude_m = 100
zone = "Europe/Berlin"
[policy]
fire_moves_service = {{ answer = false, decided_by = "a test", decided_on = 2026-11-01 }}
frozen_device_in_wind = {{ answer = "hold", decided_by = "a test", decided_on = 2026-11-01 }}
weather_known_for_s = 1
command_lifetime_s = 60
time_to_safe_max_s = 60
[broker]
root = "quick"
{}
[journal]
file = "journal.sqlite"
[[facade]]
name = "south"
azimuth_deg = 180
[[product]]
name = "screen"
kind = "screen"
travel_extend_s = 1
travel_retract_s = 1
reversal_pause_s = 0.5
wind_limit_mps = 14
wind_limit_source = "made up for a test"
refuge = {{ wind = "retracted", hail = "not_harmed", ice = "not_harmed", rain = "not_harmed" }}
[[sensor]]
name = "mast"
kind = "wind"
facades = ["south"]
silence_s = 60
recover_s = 1
[[wind]]
name = "mast"
sensors = [{{ sensor = "mast", factor = 1.0 }}]
hold_min = 0.05
[[timetable]]
name = "out"
[timetable.days]
workday = [{{ phase = "out", at = "00:00", pose = "extended", sun = false }}]
weekend = "workday"
holiday = "workday"
closed = "workday"
"#,
        external(port)
    );
    for n in 0..GROUPS {
        write!(
            text,
            "[[feeder]]\nname = \"F-{n}\"\nstagger_s = 0.2\n\
             [[device]]\nname = \"D-{n}\"\nproduct = \"screen\"\nfacade = \"south\"\nfeeder = \"F-{n}\"\nreports = false\n\
             [[group]]\nname = \"G-{n}\"\ndevices = [\"D-{n}\"]\nwind = \"mast\"\ntimetable = \"out\"\nrest = \"retracted\"\n"
        )
        .unwrap();
    }
    text
}

/// A mast that says the same again and again until it is told otherwise.
fn mast(listener: &Listener) -> Arc<AtomicI32> {
    let gust = Arc::new(AtomicI32::new(2));
    let (says, listener) = (Arc::downgrade(&gust), listener.clone());
    std::thread::spawn(move || {
        while let Some(gust) = says.upgrade() {
            let now = gust.load(Ordering::SeqCst);
            let reading = format!("{{\"gust_mps\":{now},\"mean_mps\":{now}}}");
            listener.say("quick/sensor/mast", reading);
            std::thread::sleep(Duration::from_millis(250));
        }
    });
    gust
}

/// Waits until each group was last sent there.
fn all_at(listener: &Listener, mark: usize, extension: u64) {
    listener.wait_some(mark, "every group to be sent there", |messages| {
        let heard = messages.iter().filter(|m| m.topic.ends_with("/command"));
        if heard.count() < GROUPS {
            return None;
        }
        let last: BTreeMap<String, Option<u64>> = commands(messages)
            .into_iter()
            .map(|(group, command)| (group, command["pose"]["extension_pct"].as_u64()))
            .collect();
        let there = last.values().filter(|at| **at == Some(extension)).count();
        (there == GROUPS).then_some(())
    });
}

fn rows(setup: &Setup) -> Vec<Entry> {
    let journal = Journal::open_read_only(&setup.site.journal()).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
    journal.entries(Span::ALL).map(Result::unwrap).collect()
}

/// What is on disk when a command leaves: the input, and its own row. What only tells
/// of it comes after. Cut off at the first command, the next start goes on with all of
/// it: every group is locked out, and is sent away.
#[test]
fn a_gust_over_many_groups_is_written_in_portions_and_gone_on_with_after_a_sudden_end() {
    let setup = Setup::new(At::Mosquitto);
    std::fs::write(&setup.site.path, site(setup.port)).unwrap();
    let listener = Listener::new(setup.port);
    let gust = mast(&listener);
    let daemon = setup.start();
    all_at(&listener, 0, 100);
    let mark = listener.mark();
    gust.store(20, Ordering::SeqCst);
    all_at(&listener, mark, 0);
    let mark = listener.mark();
    gust.store(2, Ordering::SeqCst);
    all_at(&listener, mark, 100);
    let mark = listener.mark();
    gust.store(20, Ordering::SeqCst);
    listener.wait_some(mark, "the first command", |messages| {
        (!commands(messages).is_empty()).then_some(())
    });
    daemon.kill();
    let heard = |messages: Vec<Message>| -> BTreeSet<String> {
        let commands = messages
            .into_iter()
            .filter(|m| m.topic.ends_with("/command"));
        commands
            .map(|m| String::from_utf8(m.payload).unwrap())
            .collect()
    };
    let before = heard(listener.since(0));
    let cut_off = rows(&setup);
    assert!(
        recorded(&cut_off).is_superset(&before),
        "heard, and not on record"
    );

    // The first gust: one input, then all commands, then what tells of it.
    let first = cut_off
        .iter()
        .position(|row| row.kind == Kind::Lockout && row.body.contains("\"engaged\":true"));
    let lockout = first.unwrap();
    let tick = cut_off[..lockout]
        .iter()
        .rposition(|row| row.kind == Kind::Tick)
        .unwrap();
    let between = &cut_off[tick + 1..lockout];
    assert!(between.iter().all(|row| row.kind == Kind::Command));
    assert_eq!(between.len(), GROUPS);
    let after = cut_off[lockout..]
        .iter()
        .take_while(|row| row.kind == Kind::Lockout);
    assert_eq!(after.count(), GROUPS);
    // The second: its input is there, whatever else is.
    let last = cut_off
        .iter()
        .rposition(|row| row.kind == Kind::Tick)
        .unwrap();
    assert!(
        cut_off[last + 1..]
            .iter()
            .any(|row| row.kind == Kind::Command)
    );

    let mark = listener.mark();
    let daemon = setup.start();
    all_at(&listener, mark, 0);
    let (status, _) = daemon.terminate();
    assert!(status.success());
    assert!(recorded(&rows(&setup)).is_superset(&heard(listener.since(0))));
    let found = replayed(&setup.site.path, &setup.site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
    assert!(found.same >= 3 * u64::try_from(GROUPS).unwrap());
}

fn recorded(rows: &[Entry]) -> BTreeSet<String> {
    let commands = rows.iter().filter(|row| row.kind == Kind::Command);
    commands.map(|row| row.body.clone()).collect()
}

//! A second machine that takes over: words in `deploy/standby.md`.
//!
//! The first one dies in a storm. The second has a copy of its journal, or the
//! same file on a shared disk, and the same name at the broker.

use crate::building::Building;
use crate::client::{Listener, commands, last_extension};
use crate::daemon::{At, Daemon, Setup, TestSite, external, signal};
use crate::storm::{all_out, engaged, sent_in};
use chrono::{DateTime, Utc};
use serde_json::Value;
use std::path::Path;

fn moment(value: &Value) -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(value.as_str().unwrap())
        .unwrap()
        .to_utc()
}

/// As `deploy/standby.md` has it: the file and its write-ahead log, of a service that is dead.
fn copy_journal(from: &Path, to: &Path) {
    for end in ["", "-wal"] {
        let name = |path: &Path| format!("{}{end}", path.display());
        if Path::new(&name(from)).exists() {
            std::fs::copy(name(from), name(to)).unwrap();
        }
    }
}

/// Lockouts, holds by hand and numbers go on at the second machine.
#[test]
fn the_second_takes_over_with_a_copy_of_the_journal() {
    let setup = Setup::new(At::Mosquitto);
    let first = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    listener.say("quick/request", "{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"west screens\",\"extension_pct\":40,\"hold_s\":600}");
    listener.wait_some(0, "the pose by hand", |messages| {
        (last_extension(messages, "west screens") == Some(40)).then_some(())
    });
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    listener.wait(mark, "the lockout", |m| engaged(m, "south slats", "wind"));
    first.kill();
    building.blow("wind south", 2.0);
    let highest = commands(&listener.since(0))
        .iter()
        .filter_map(|(_, command)| command["sequence"].as_u64())
        .max()
        .unwrap();

    // The other machine: its own folder, the same site file, a copy of the journal.
    let other = TestSite::new(&external(setup.port));
    copy_journal(&setup.site.journal(), &other.journal());
    let mark = listener.mark();
    let took_over = Utc::now();
    let second = Daemon::start(&other.path, &[]);
    second.wait_line("connected to the broker");
    listener.wait(mark, "the lockout, taken over", |m| {
        engaged(m, "south slats", "wind")
    });
    listener.wait_some(mark, "the slats going out again", |messages| {
        (last_extension(messages, "south slats") == Some(100)).then_some(())
    });
    let since = commands(&listener.since(mark));
    for (group, command) in &since {
        assert!(command["sequence"].as_u64().unwrap() > highest, "{command}");
        let to = &command["pose"]["extension_pct"];
        if group == "south slats" && to.as_u64() > Some(0) {
            let calm = moment(&command["at"]) - took_over;
            assert!(calm.num_milliseconds() >= 3_000, "after {calm}: {command}");
        }
        if group == "west screens" && !to.is_null() {
            assert_eq!(*to, 40, "the hold by hand was lost: {command}");
        }
    }
}

/// Without a journal nothing is known of before: then lockouts begin anew with
/// the weather, and still nothing moves before it is known.
#[test]
fn a_second_without_the_journal_waits_for_the_weather() {
    let setup = Setup::new(At::Mosquitto);
    let first = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    first.kill();
    // The storm goes on where one sensor stands, and the other is not heard.
    building.blow("wind south", 13.0);
    building.silence("wind west");
    let other = TestSite::new(&external(setup.port));
    let mark = listener.mark();
    let _second = Daemon::start(&other.path, &[]);
    for group in ["south slats", "west screens", "terrace awnings"] {
        listener.wait(mark, "the lockout of each", |m| engaged(m, group, "wind"));
    }
    let out = commands(&listener.since(mark))
        .into_iter()
        .find(|(_, command)| command["pose"]["extension_pct"].as_u64() > Some(0));
    assert!(out.is_none(), "{out:?}");
}

/// Two at once: the file lets one of them in only, and the other says so.
#[test]
fn on_a_shared_disk_the_journal_belongs_to_one() {
    let setup = Setup::new(At::Mosquitto);
    let _first = setup.start();
    let listener = Listener::new(setup.port);
    let _building = Building::calm(&listener);
    all_out(&listener, 0);
    let second = Daemon::start(&setup.site.path, &[]);
    let line = second.wait_line("the journal cannot be kept");
    assert!(line.contains("in use by another process"), "{line}");
    // And they fight for one name at the broker, which each of them tells.
    second.wait_line("each needs a client_id of its own");
}

/// The first only hung (its disk, its machine): the second comes in under the
/// same name, and the broker lets go of the first. Nothing is commanded twice.
#[test]
fn a_first_that_hangs_is_put_out_by_the_second() {
    let setup = Setup::new(At::Mosquitto);
    let first = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    signal(first.pid(), "STOP");
    let other = TestSite::new(&external(setup.port));
    copy_journal(&setup.site.journal(), &other.journal());
    let mark = listener.mark();
    let second = Daemon::start(&other.path, &[]);
    second.wait_line("connected to the broker");
    building.blow("wind south", 2.0);
    listener.wait_some(
        mark,
        "the slats going out again, by the second",
        |messages| (last_extension(messages, "south slats") == Some(100)).then_some(()),
    );
    signal(first.pid(), "CONT");
    signal(first.pid(), "KILL");
}

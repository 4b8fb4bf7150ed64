//! Journals of other versions: what `deploy/upgrade.md` says of them.

use crate::building::Building;
use crate::client::{Listener, commands};
use crate::daemon::{At, Setup};
use crate::storm::{all_out, engaged, sent_in};
use chrono::{DateTime, Utc};
use leeside_journal::{Journal, Kind, Span};
use rusqlite::Connection;
use std::path::Path;

/// What version 0.1.0 left behind; see the first lines of the file.
const FORMAT_1: &str = include_str!("old/journal_format_1.sql");

fn old_journal(path: &Path) {
    let db = Connection::open(path).unwrap();
    db.execute_batch("PRAGMA auto_vacuum = INCREMENTAL; PRAGMA journal_mode = WAL")
        .unwrap();
    db.execute_batch(FORMAT_1).unwrap();
}

/// A journal of format 1 is taken up as it is: its chain goes on, a lockout in it
/// ends only after a calm of its own, numbers of commands go on.
#[test]
fn a_journal_of_format_1_is_taken_up() {
    let setup = Setup::new(At::Mosquitto);
    old_journal(&setup.site.journal());
    let old = Journal::open_read_only(&setup.site.journal()).unwrap();
    assert_eq!(old.verify().unwrap().fault, None);
    let noted = old.head();
    let highest = old
        .entries(Span::ALL)
        .map(Result::unwrap)
        .filter(|entry| entry.kind == Kind::Command)
        .count();
    drop(old);
    let listener = Listener::new(setup.port);
    let _building = Building::calm(&listener);
    let began = Utc::now();
    let daemon = setup.start();
    all_out(&listener, 0);
    for (group, command) in commands(&listener.since(0)) {
        assert!(
            command["sequence"].as_u64().unwrap() > u64::try_from(highest).unwrap(),
            "{command}"
        );
        let out = command["pose"]["extension_pct"].as_u64() > Some(0);
        if group == "south slats" && out {
            let at = DateTime::parse_from_rfc3339(command["at"].as_str().unwrap()).unwrap();
            let calm = (at.to_utc() - began).num_milliseconds();
            assert!(calm >= 3_000, "after {calm} ms of calm: {command}");
        }
    }
    let (status, _) = daemon.terminate();
    assert!(status.success());
    let journal = Journal::open_read_only(&setup.site.journal()).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
    assert_eq!(journal.row_of(&noted.hash).unwrap(), Some(noted.id));
    assert!(journal.head().id > noted.id);
}

/// A journal of a newer version: it is not touched, guards go on without one, and
/// an alarm says so.
#[test]
fn a_journal_of_a_newer_version_is_left_alone_and_guards_go_on() {
    let setup = Setup::new(At::Mosquitto);
    old_journal(&setup.site.journal());
    let db = Connection::open(setup.site.journal()).unwrap();
    db.execute_batch("PRAGMA user_version = 99; PRAGMA wal_checkpoint(TRUNCATE)")
        .unwrap();
    drop(db);
    let before = std::fs::read(setup.site.journal()).unwrap();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = setup.start();
    let alarm = listener.wait(0, "the alarm", |m| {
        m.topic == "quick/alarm/journal_fault" && m.json()["active"] == true
    });
    let why = alarm.json()["reason"].to_string();
    assert!(why.contains("has format 99"), "{why}");
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    daemon.terminate();
    assert_eq!(std::fs::read(setup.site.journal()).unwrap(), before);
}

/// A state that this version cannot read: it begins with none, says so, waits for
/// the weather like after any start, and goes on with the same journal.
#[test]
fn a_state_that_cannot_be_read_is_told_and_the_journal_goes_on() {
    let setup = Setup::new(At::Mosquitto);
    old_journal(&setup.site.journal());
    let db = Connection::open(setup.site.journal()).unwrap();
    db.execute_batch("UPDATE snapshot SET body = '{\"core\":{\"of\":\"another time\"}}'")
        .unwrap();
    drop(db);
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    building.silence("wind south");
    let daemon = setup.start();
    daemon.wait_line("the state before cannot be taken up");
    listener.wait(0, "the silent sensor's guard", |m| {
        engaged(m, "south slats", "wind")
    });
    let out = commands(&listener.since(0))
        .into_iter()
        .find(|(group, c)| group == "south slats" && c["pose"]["extension_pct"].as_u64() > Some(0));
    assert!(out.is_none(), "unknown weather, and yet: {out:?}");
    building.blow("wind south", 2.0);
    all_out(&listener, 0);
    daemon.terminate();
    let journal = Journal::open_read_only(&setup.site.journal()).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
    assert!(journal.is_pruned().is_ok_and(|pruned| !pruned));
}

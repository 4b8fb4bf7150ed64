//! A storm, seen from outside: exactly the right groups, then silence, then
//! release after the hold.

use crate::building::{Building, GROUPS};
use crate::client::{Listener, Message, commands, last_extension};
use crate::daemon::{At, Setup};
use chrono::DateTime;
use std::collections::BTreeSet;

/// Waits until every group is out.
pub(crate) fn all_out(listener: &Listener, mark: usize) {
    for group in GROUPS {
        listener.wait_some(mark, &format!("{group} going out"), |messages| {
            (last_extension(messages, group) == Some(100)).then_some(())
        });
    }
}

/// Waits until a group is sent in, and gives the command.
pub(crate) fn sent_in(listener: &Listener, mark: usize, group: &str) -> serde_json::Value {
    listener.wait_some(mark, &format!("{group} coming in"), |messages| {
        let all = commands(messages);
        all.into_iter()
            .find(|(name, command)| name == group && command["pose"]["extension_pct"] == 0)
            .map(|(_, c)| c)
    })
}

fn millis(value: &serde_json::Value) -> i64 {
    DateTime::parse_from_rfc3339(value.as_str().unwrap())
        .unwrap()
        .timestamp_millis()
}

/// Whether a message says that a group has this guard engaged.
pub(crate) fn engaged(message: &Message, group: &str, guard: &str) -> bool {
    message.topic == format!("quick/group/{group}/lockout")
        && message.json()["guards"]
            .as_array()
            .unwrap()
            .iter()
            .any(|held| held["guard"] == guard)
}

fn a_gust_brings_in_exactly_its_groups(at: At) {
    let setup = Setup::new(at);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);

    // 13 m/s at the south sensor: above the limit of slats (12) and awnings (7) there.
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    let slats = sent_in(&listener, mark, "south slats");
    let awnings = sent_in(&listener, mark, "terrace awnings");
    for (command, drives) in [(&slats, 4), (&awnings, 2)] {
        assert_eq!(command["decided_by"], "wind");
        assert!(
            command["reason"].as_str().unwrap().contains("13.0"),
            "{command}"
        );
        let orders = command["orders"].as_array().unwrap();
        assert_eq!(orders.len(), drives);
        // One feeder of 0.2 s for both groups: starts are apart.
        let delays: BTreeSet<u64> = orders
            .iter()
            .map(|o| o["start_delay_ms"].as_u64().unwrap())
            .collect();
        assert_eq!(delays.len(), drives, "{orders:?}");
        assert_eq!(command["lost"][0]["word"], "timetable");
    }
    listener.wait(mark, "the lockout of the slats", |m| {
        engaged(m, "south slats", "wind")
    });

    // Calm again: nothing until the hold of 3 s is over, then both go out again.
    building.blow("wind south", 2.0);
    all_out_again(&listener, mark);
    let heard = listener.since(mark);
    let all = commands(&heard);
    for group in ["south slats", "terrace awnings"] {
        let of: Vec<&serde_json::Value> = all
            .iter()
            .filter(|(name, _)| name == group)
            .map(|(_, c)| c)
            .collect();
        assert_eq!(
            of.len(),
            2,
            "in once, out once, and nothing between: {of:#?}"
        );
        let held = millis(&of[1]["at"]) - millis(&of[0]["at"]);
        assert!(
            held >= 3_000,
            "released after {held} ms, before the hold was over"
        );
    }
    let others: Vec<_> = all
        .iter()
        .filter(|(name, _)| name == "west screens")
        .collect();
    assert!(
        others.is_empty(),
        "nothing for a group that listens to other sensors: {others:?}"
    );
    let alarms: Vec<_> = heard
        .iter()
        .filter(|m| m.topic.starts_with("quick/alarm/drive"))
        .collect();
    assert!(alarms.is_empty(), "{alarms:?}");
    drop(building);
    drop(daemon);
}

fn all_out_again(listener: &Listener, mark: usize) {
    for group in ["south slats", "terrace awnings"] {
        listener.wait_some(mark, &format!("{group} going out again"), |messages| {
            (last_extension(messages, group) == Some(100)).then_some(())
        });
    }
}

#[test]
fn a_gust_brings_in_exactly_its_groups_at_mosquitto() {
    a_gust_brings_in_exactly_its_groups(At::Mosquitto);
}

#[test]
fn a_gust_brings_in_exactly_its_groups_at_the_embedded_broker() {
    a_gust_brings_in_exactly_its_groups(At::Embedded);
}

fn a_sensor_that_falls_silent_sends_its_groups_to_refuge(at: At) {
    let setup = Setup::new(at);
    let _daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    building.silence("wind west");
    let screens = sent_in(&listener, mark, "west screens");
    assert_eq!(screens["decided_by"], "wind");
    assert!(
        screens["reason"].as_str().unwrap().contains("silent"),
        "{screens}"
    );
    listener.wait(mark, "the alarm", |m| {
        m.topic == "quick/alarm/sensor_fault/wind west" && m.json()["active"] == true
    });
    // Heard again, and believed again: out again.
    building.blow("wind west", 2.0);
    listener.wait_some(mark, "the screens going out again", |messages| {
        (last_extension(messages, "west screens") == Some(100)).then_some(())
    });
    listener.wait(mark, "the alarm's end", |m| {
        m.topic == "quick/alarm/sensor_fault/wind west" && m.json()["active"] == false
    });
    let others: Vec<_> = commands(&listener.since(mark))
        .into_iter()
        .filter(|(name, _)| name != "west screens")
        .collect();
    assert!(others.is_empty(), "{others:?}");
}

#[test]
fn a_sensor_that_falls_silent_sends_its_groups_to_refuge_at_mosquitto() {
    a_sensor_that_falls_silent_sends_its_groups_to_refuge(At::Mosquitto);
}

#[test]
fn a_sensor_that_falls_silent_sends_its_groups_to_refuge_at_the_embedded_broker() {
    a_sensor_that_falls_silent_sends_its_groups_to_refuge(At::Embedded);
}

/// Mosquitto only: the embedded broker starts with the program and has nothing from before.
#[test]
fn a_retained_reading_is_not_fresh() {
    let setup = Setup::new(At::Mosquitto);
    let listener = Listener::new(setup.port);
    for sensor in ["wind south", "wind west", "wind roof"] {
        listener.say_retained(
            &format!("quick/sensor/{sensor}"),
            crate::building::wind_of(1.0),
        );
    }
    listener.say_retained("quick/sensor/rain", "0");
    listener.wait_some(0, "what the broker keeps", |messages| {
        (messages.len() >= 4).then_some(())
    });
    let mark = listener.mark();
    let _daemon = setup.start();
    // The sensors go silent for the program, because what the broker kept was none of their words.
    for group in GROUPS {
        listener.wait(mark, "the wind guard of each group", |m| {
            engaged(m, group, "wind")
        });
    }
    let out: Vec<_> = commands(&listener.since(mark))
        .into_iter()
        .filter(|(_, command)| command["pose"]["extension_pct"] != 0)
        .collect();
    assert!(
        out.is_empty(),
        "nothing goes out on words from before: {out:?}"
    );
    // Spoken live, the same words count.
    let _building = Building::calm(&listener);
    all_out(&listener, mark);
}

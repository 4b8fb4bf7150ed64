//! What must not harm: hostile messages, an orderly end, a sudden one.

use crate::building::{Building, GROUPS};
use crate::client::{Listener, commands};
use crate::daemon::{At, Setup};
use crate::storm::{all_out, sent_in};

/// Payloads that are no reading of wind, no request, no report.
const HOSTILE: [&str; 14] = [
    "",
    "{",
    "null",
    "[]",
    "NaN",
    "{\"gust_mps\":\"99\"}",
    "{\"gust_mps\":1e999}",
    "{\"gust_mps\":{\"a\":1}}",
    "{\"by\":\"x\",\"ask\":\"open everything\"}",
    "{\"by\":\"x\",\"ask\":\"pose\",\"group\":\"no such\",\"extension_pct\":100}",
    "{\"by\":\"x\",\"ask\":\"pose\",\"group\":\"south slats\",\"extension_pct\":255}",
    "{\"state\":\"standing\",\"extension_pct\":-4}",
    "{\"state\":\"gone\"}",
    "\u{0}\u{1}\u{2}",
];

const TOPICS: [&str; 10] = [
    "quick/sensor/rain",
    "quick/sensor/nobody",
    "quick/contact/terrace door",
    "quick/contact/nobody",
    "quick/drive/S-1/report",
    "quick/drive/nobody/report",
    "quick/request",
    "quick/room/nobody/request",
    "quick/gateway/nobody",
    "quick/sensor/wind south",
];

/// Ten thousand hostile messages during a storm move nothing and stop nothing.
#[test]
fn hostile_messages_during_a_storm_change_nothing() {
    let setup = Setup::new(At::Mosquitto);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    for group in ["south slats", "terrace awnings"] {
        sent_in(&listener, mark, group);
    }
    let attacker = Listener::with(setup.port, None, "nothing/here");
    let big = "x".repeat(200_000);
    let mark = listener.mark();
    for n in 0..10_000 {
        let topic = TOPICS[n % TOPICS.len()];
        match n % 500 {
            499 => attacker.say(topic, big.as_bytes()),
            _ => attacker.say(topic, HOSTILE[n % HOSTILE.len()]),
        }
        if n % 100 == 0 {
            // The attacker's own client takes so many at a time.
            std::thread::sleep(std::time::Duration::from_millis(10));
        }
    }
    // What comes after it is still understood: the west has its storm too.
    building.blow("wind west", 15.0);
    sent_in(&listener, mark, "west screens");
    let out: Vec<_> = commands(&listener.since(mark))
        .into_iter()
        .filter(|(_, command)| command["pose"]["extension_pct"] != 0)
        .collect();
    assert!(out.is_empty(), "nothing goes out: {out:?}");
    listener.wait(mark, "an answer to a request that is none", |m| {
        m.topic == "quick/request/refused"
    });
    daemon.wait_line("a message is not used");
    let (status, _) = daemon.terminate();
    assert!(status.success());
}

#[test]
fn a_request_by_hand_loses_to_the_wind() {
    let setup = Setup::new(At::Embedded);
    let _daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    let ask = |pct: u8| {
        format!(
            "{{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"west screens\",\"extension_pct\":{pct},\"hold_s\":600}}"
        )
    };
    listener.say("quick/request", ask(40));
    listener.wait(mark, "the pose asked for by hand", |m| {
        m.topic == "quick/group/west screens/pose"
            && m.json()["extension_pct"] == 40
            && m.json()["decided_by"] == "hand"
    });
    let mark = listener.mark();
    building.blow("wind west", 15.0);
    let command = sent_in(&listener, mark, "west screens");
    assert_eq!(command["decided_by"], "wind");
    assert_eq!(command["lost"][0]["word"], "hand");
    // Asked again in the storm: refused, and said so.
    listener.say("quick/request", ask(100));
    let refusal = listener
        .wait(mark, "the refusal", |m| m.topic == "quick/request/refused")
        .json();
    assert_eq!(
        (&refusal["by"], &refusal["refused_by"]),
        (&"panel".into(), &"wind".into())
    );
}

#[test]
fn an_open_door_lets_nothing_past_it() {
    let setup = Setup::new(At::Embedded);
    let _daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    building.blow("wind south", 13.0);
    let mark = listener.mark();
    sent_in(&listener, mark, "terrace awnings");
    building.open_door(true);
    building.blow("wind south", 2.0);
    // The slats go out after the hold; the awnings beside them do not.
    let mark = listener.mark();
    listener.wait_some(mark, "the slats going out again", |messages| {
        (crate::client::last_extension(messages, "south slats") == Some(100)).then_some(())
    });
    let past: Vec<_> = commands(&listener.since(mark))
        .into_iter()
        .filter(|(name, command)| {
            name == "terrace awnings" && command["pose"]["extension_pct"] != 0
        })
        .collect();
    assert!(past.is_empty(), "{past:?}");
    building.open_door(false);
    listener.wait_some(
        mark,
        "the awnings going out once the door is closed",
        |messages| {
            (crate::client::last_extension(messages, "terrace awnings") == Some(100)).then_some(())
        },
    );
}

fn an_orderly_end(at: At) {
    let setup = Setup::new(at);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let mark = listener.mark();
    let _building = Building::calm(&listener);
    all_out(&listener, 0);
    let (status, lines) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{lines:#?}");
    assert!(lines.last().unwrap().contains("stopped"), "{lines:#?}");
    let said: Vec<String> = listener
        .since(mark)
        .iter()
        .filter(|m| m.topic == "quick/service")
        .map(|m| m.json()["state"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(
        said.last().map(String::as_str),
        Some("offline"),
        "and no last will after it: {said:?}"
    );
    let journal = leeside_journal::Journal::open(&setup.site.journal()).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
    assert!(journal.snapshot_before(i64::MAX).unwrap().is_some());
}

#[test]
fn an_orderly_end_at_mosquitto() {
    an_orderly_end(At::Mosquitto);
}

#[test]
fn an_orderly_end_at_the_embedded_broker() {
    an_orderly_end(At::Embedded);
}

/// The broker says it for us.
#[test]
fn after_a_sudden_end_the_last_will_says_that_the_service_is_gone() {
    let setup = Setup::new(At::Mosquitto);
    let listener = Listener::new(setup.port);
    let daemon = setup.start();
    listener.wait(0, "the sign of life", |m| {
        m.topic == "quick/service" && m.json()["state"] == "online"
    });
    daemon.kill();
    listener.wait(0, "the last will", |m| {
        m.topic == "quick/service" && m.json()["state"] == "gone"
    });
    // Whoever comes later is told as well.
    let late = Listener::new(setup.port);
    let kept = late.wait(0, "the last will, kept", |m| m.topic == "quick/service");
    assert!(kept.retained);
    assert_eq!(kept.json()["state"], "gone");
}

#[test]
fn states_are_kept_for_those_who_come_later_and_commands_are_not() {
    for at in [At::Mosquitto, At::Embedded] {
        let setup = Setup::new(at);
        let _daemon = setup.start();
        let listener = Listener::new(setup.port);
        let building = Building::calm(&listener);
        all_out(&listener, 0);
        building.blow("wind west", 15.0);
        let mark = listener.mark();
        sent_in(&listener, mark, "west screens");
        listener.wait(mark, "the lockout", |m| {
            crate::storm::engaged(m, "west screens", "wind")
        });
        let late = Listener::new(setup.port);
        for group in GROUPS {
            for what in ["pose", "lockout"] {
                let topic = format!("quick/group/{group}/{what}");
                let kept = late.wait(0, &topic, |m| m.topic == topic);
                assert!(kept.retained, "{at:?} {topic}");
            }
        }
        let kept: Vec<_> = late
            .since(0)
            .into_iter()
            .filter(|m| m.retained && m.topic.ends_with("/command"))
            .collect();
        assert!(kept.is_empty(), "{kept:?}");
    }
}

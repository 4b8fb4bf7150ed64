//! The description of the wire (`deploy/asyncapi.json`, AsyncAPI 3.0) held
//! against what is really sent and taken.

use crate::building::Building;
use crate::client::{Listener, Message};
use crate::daemon::{At, Daemon, Setup};
use crate::described::Described;
use crate::storm::{all_out, sent_in};
use leeside_config::{LoadOptions, load_site};
use leeside_core::time::Wall;
use leeside_daemon::wire::{Arrival, Decoded, Decoder, Topics};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;

impl Described {
    /// Channels of an action: name, address under the root, whether retained, payload schemas.
    fn channels(&self, action: &str) -> Vec<(String, String, bool, &Value)> {
        let operations = self.0["operations"].as_object().unwrap().values();
        operations
            .filter(|operation| operation["action"] == action)
            .map(|operation| {
                let name = operation["channel"]["$ref"]
                    .as_str()
                    .unwrap()
                    .rsplit('/')
                    .next()
                    .unwrap();
                let channel = &self.0["channels"][name];
                let message = channel["messages"]
                    .as_object()
                    .unwrap()
                    .values()
                    .next()
                    .unwrap();
                let message = self.resolve(message);
                let retain = operation["bindings"]["mqtt"]["retain"].as_bool().unwrap();
                assert_eq!(operation["bindings"]["mqtt"]["qos"], 1);
                (
                    name.to_owned(),
                    channel["address"].as_str().unwrap().to_owned(),
                    retain,
                    message,
                )
            })
            .collect()
    }
}

/// Whether a topic is one of an address; `{alarm}` may be several levels.
fn fits(address: &str, topic: &str) -> bool {
    let (mut names, mut levels) = (address.split('/'), topic.split('/'));
    loop {
        match (names.next(), levels.next()) {
            (None, None) => return true,
            (Some("{alarm}"), Some(_)) => return true,
            (Some("{root}"), Some("quick")) => {}
            (Some(name), Some(level))
                if (name.starts_with('{') && name != "{root}") || name == level => {}
            _ => return false,
        }
    }
}

/// The most exact channel of a topic: `service/heartbeat` before anything with a parameter there.
fn channel_of<'a, T>(
    channels: &'a [(String, String, bool, T)],
    topic: &str,
) -> Option<&'a (String, String, bool, T)> {
    channels
        .iter()
        .filter(|(_, address, ..)| fits(address, topic))
        .min_by_key(|(_, address, ..)| address.matches('{').count())
}

/// Everything the service has to say, in one storm.
fn listen_to_all() -> (Vec<Message>, Vec<Message>) {
    let setup = Setup::new(At::Mosquitto);
    let text = std::fs::read_to_string(&setup.site.path).unwrap();
    let short = "[[hand]]\nname = \"short\"\nhold_min = 0.05\nannounce_min = 0.04\n\n[[group]]\nname = \"west screens\"\nhand = \"short\"\n";
    let text = text.replace("[[group]]\nname = \"west screens\"\n", short);
    std::fs::write(&setup.site.path, text).unwrap();
    let listener = Listener::new(setup.port);
    let daemon = Daemon::start(&setup.site.path, &[]);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let ask = "{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"west screens\",\"extension_pct\":40}";
    listener.say("quick/request", ask);
    listener.wait(0, "the announcement", |m| {
        m.topic == "quick/group/west screens/announce"
    });
    listener.say("quick/request", "nonsense");
    building.blow("wind south", 13.0);
    sent_in(&listener, 0, "south slats");
    building.silence("wind west");
    sent_in(&listener, 0, "west screens");
    listener.say("quick/request", ask);
    listener.wait(0, "a refusal by a guard", |m| {
        m.topic == "quick/request/refused" && m.json()["by"] == "panel"
    });
    listener.wait(0, "a heartbeat", |m| m.topic == "quick/service/heartbeat");
    let late = Listener::new(setup.port);
    // Kept messages come in no order of their own.
    for topic in ["quick/service", "quick/service/journal"] {
        late.wait(0, topic, |m| m.topic == topic);
    }
    let kept = late.since(0).into_iter().filter(|m| m.retained).collect();
    daemon.terminate();
    listener.wait(0, "the goodbye", |m| {
        m.topic == "quick/service" && m.json()["state"] == "offline"
    });
    (listener.since(0), kept)
}

#[test]
fn what_is_sent_is_what_is_described() {
    let described = Described::read("deploy/asyncapi.json");
    let (sends, receives) = (described.channels("send"), described.channels("receive"));
    let (heard, kept) = listen_to_all();
    let mut seen = BTreeSet::new();
    for message in &heard {
        if channel_of(&receives, &message.topic).is_some() {
            // Said by the building, not by the service.
            continue;
        }
        let Some((name, _, _, described_as)) = channel_of(&sends, &message.topic) else {
            panic!("sent, but not described: {}", message.topic);
        };
        assert_eq!(message.qos, 1, "{}", message.topic);
        let payload = message.json();
        described
            .check(&described_as["payload"], &payload, &message.topic)
            .unwrap_or_else(|wrong| panic!("{wrong}\n{payload:#}"));
        seen.insert(name.clone());
    }
    let all: BTreeSet<String> = sends.iter().map(|(name, ..)| name.clone()).collect();
    assert_eq!(seen, all, "described, but never sent");
    let kept_of: BTreeSet<&str> = kept
        .iter()
        .filter_map(|m| channel_of(&sends, &m.topic))
        .map(|(name, ..)| name.as_str())
        .collect();
    let retained: BTreeSet<&str> = sends
        .iter()
        .filter(|(_, _, retain, _)| *retain)
        .map(|(name, ..)| name.as_str())
        .collect();
    assert_eq!(kept_of, retained, "kept by the broker");
}

#[test]
fn what_is_described_as_taken_is_taken() {
    let described = Described::read("deploy/asyncapi.json");
    let quick = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sites/quick.toml");
    let text = std::fs::read_to_string(quick).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("site.toml");
    let more = "[[room]]\nname = \"office\"\n[[gateway]]\nname = \"hall\"\nsilence_s = 60\n";
    std::fs::write(&path, format!("{text}\n{more}")).unwrap();
    let (site, _) = load_site(&path, &LoadOptions::around(2027)).unwrap();
    let decoder = Decoder::new(site.model.clone(), &Topics::new("quick"), &site.wire);
    let mut taken = 0;
    for (name, address, _, message) in described.channels("receive") {
        let topic = address
            .replace("{root}", "quick")
            .replace(
                "{sensor}",
                if name == "wind" { "wind south" } else { "rain" },
            )
            .replace("{contact}", "terrace door")
            .replace("{gateway}", "hall")
            .replace("{drive}", "S-1")
            .replace("{room}", "office");
        for example in message["examples"].as_array().unwrap() {
            let example = &example["payload"];
            described
                .check(&message["payload"], example, &name)
                .unwrap();
            let payload = example.to_string();
            let arrival = Arrival {
                topic: &topic,
                payload: payload.as_bytes(),
                retained: false,
                at: Wall(0),
            };
            for decoded in decoder.decode(&arrival) {
                assert!(
                    matches!(decoded, Decoded::Input(_)),
                    "{topic} {payload}: {decoded:?}"
                );
                taken += 1;
            }
        }
    }
    assert!(taken >= 20, "{taken}");
}

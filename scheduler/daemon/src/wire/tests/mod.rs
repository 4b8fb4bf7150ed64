//! Topics and messages, in tables.
#![expect(clippy::unwrap_used, reason = "tests")]

mod foreign;
mod incoming;
mod outgoing;
mod requests;

use super::{Arrival, Decoded, Decoder, Encoder, Topics, segment};
use leeside_config::{LoadOptions, Site, load_site};
use leeside_core::time::Wall;
use std::path::Path;

/// The quick site with more lines at its end.
fn site(more: &str) -> Site {
    let quick = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/sites/quick.toml");
    let text = std::fs::read_to_string(quick).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("site.toml");
    std::fs::write(&path, format!("{text}\n{more}")).unwrap();
    load_site(&path, &LoadOptions::around(2027))
        .map_err(|problems| format!("{problems:#?}"))
        .unwrap()
        .0
}

fn decoder(site: &Site) -> Decoder {
    Decoder::new(site.model.clone(), &Topics::new("house"), &site.wire)
}

fn encoder(site: &Site) -> Encoder {
    Encoder::new(site.model.clone(), Topics::new("house"), &site.wire, "f1")
}

const ARRIVED: Wall = Wall(1_800_000_000_000);

fn arrival<'a>(topic: &'a str, payload: &'a str) -> Arrival<'a> {
    Arrival {
        topic,
        payload: payload.as_bytes(),
        retained: false,
        at: ARRIVED,
    }
}

/// What one listener makes of a message.
fn one(decoder: &Decoder, topic: &str, payload: &str) -> Decoded {
    let mut all = decoder.decode(&arrival(topic, payload));
    assert_eq!(all.len(), 1, "{topic}");
    all.remove(0)
}

#[test]
fn what_mqtt_gives_a_meaning_is_escaped_in_names() {
    let table = [
        ("south slats", "south slats"),
        ("A/B", "A%2FB"),
        ("+1", "%2B1"),
        ("#", "%23"),
        ("50 %", "50 %25"),
        ("a\u{0}b", "a%00b"),
        ("Süd", "Süd"),
    ];
    for (name, expected) in table {
        assert_eq!(segment(name), expected);
    }
    let topics = Topics::new("/site/one/");
    assert_eq!(topics.service(), "site/one/service");
    assert_eq!(
        topics.alarm("sensor_fault/roof #1"),
        "site/one/alarm/sensor_fault/roof %231"
    );
}

//! Foreign sensors and plants: topics and forms of their own, at a real broker.

use crate::brokers::Mosquitto;
use crate::client::{Listener, Message};
use crate::daemon::Daemon;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

fn sent(messages: &[Message], topic: &str) -> Vec<String> {
    let of =
        |m: &Message| (m.topic == topic).then(|| String::from_utf8(m.payload.clone()).unwrap());
    messages.iter().filter_map(of).collect()
}

#[test]
fn a_foreign_building_is_brought_in_too() {
    let dir = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::open(dir.path());
    let text = std::fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sites/foreign.toml"),
    )
    .unwrap();
    let site = dir.path().join("site.toml");
    let more = format!(
        "[broker]\nroot = \"foreign\"\n{}\n[journal]\nfile = \"journal.sqlite\"\n",
        crate::daemon::external(mosquitto.port)
    );
    std::fs::write(&site, format!("{text}\n{more}")).unwrap();
    let listener = Listener::new(mosquitto.port);
    let gust_kmh = Arc::new(AtomicU32::new(10));
    let ends = Arc::new(AtomicBool::new(false));
    let sensors = {
        let (listener, gust_kmh, ends) =
            (listener.clone(), Arc::clone(&gust_kmh), Arc::clone(&ends));
        std::thread::spawn(move || {
            while !ends.load(Ordering::SeqCst) {
                let gust = gust_kmh.load(Ordering::SeqCst);
                let weather = format!("{{\"wind\":{{\"gust\":{gust},\"mean\":\"4\"}},\"air\":68}}");
                listener.say("roof/weather", weather);
                listener.say("roof/vane", "270");
                listener.say("roof/rain", "0");
                for own in ["wind south", "wind roof"] {
                    listener.say(
                        &format!("foreign/sensor/{own}"),
                        "{\"gust_mps\":2,\"mean_mps\":1}",
                    );
                }
                listener.say("doors/terrace", "{\"state\":\"closed\"}");
                listener.say("hall/alive", "online");
                std::thread::sleep(Duration::from_millis(250));
            }
        })
    };
    let daemon = Daemon::start(&site, &[]);
    // 100 % out: the hall controller counts as we do, the bare relay the other way.
    let out = "{\"position\": 100, \"slats\": 0}";
    for topic in ["hall/17/set", "hall/18/set"] {
        listener.wait_some(0, topic, |messages| {
            sent(messages, topic)
                .contains(&out.to_owned())
                .then_some(())
        });
    }
    for topic in ["relay/A-1", "relay/A-2"] {
        listener.wait_some(0, topic, |messages| {
            sent(messages, topic)
                .contains(&"0".to_owned())
                .then_some(())
        });
    }
    // 54 km/h are 15 m/s: above the screens' 14.
    let mark = listener.mark();
    gust_kmh.store(54, Ordering::SeqCst);
    let first = listener.wait(mark, "the first screen coming in", |m| {
        m.topic == "hall/17/set"
    });
    assert_eq!(first.payload, b"{\"position\": 0, \"slats\": 0}");
    assert_eq!((first.qos, first.retained), (1, false));
    assert!(first.expires_s.is_some(), "foreign commands expire too");
    listener.wait_some(mark, "the second one", |messages| {
        sent(messages, "hall/18/set")
            .contains(&"{\"position\": 0, \"slats\": 0}".to_owned())
            .then_some(())
    });
    assert!(
        sent(&listener.since(mark), "relay/A-1").is_empty(),
        "awnings listen to other sensors"
    );
    listener.say("hall/17/state", "{\"position\":0,\"moving\":false}");
    daemon.wait_line("C-1: standing, retracted");
    ends.store(true, Ordering::SeqCst);
    sensors.join().unwrap();
    let (status, _) = daemon.terminate();
    assert!(status.success());
}

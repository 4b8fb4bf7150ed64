//! What monitoring asks of a running service: `/metrics`, `/healthz`, `/readyz`,
//! by a plain HTTP client.

use crate::brokers::{PATIENCE, free_port, wait_for_port};
use crate::building::Building;
use crate::client::Listener;
use crate::daemon::{At, Daemon, Setup};
use crate::open_metrics::{self, Exposition, value};
use crate::outside::add;
use crate::storm::{all_out, sent_in};
use leeside_config::{LoadOptions, load_site};
use leeside_core::time::Wall;
use leeside_daemon::clock::Clock;
use leeside_daemon::door::door;
use leeside_daemon::keeper::reloads;
use serde_json::Value;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What a server answered.
struct Answer {
    status: u16,
    head: String,
    body: String,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap()
    }

    /// What stands beside a check of that name.
    fn well(&self, what: &str) -> bool {
        let all = self.json();
        let checks = all["checks"].as_array().unwrap();
        let check = checks.iter().find(|check| check["what"] == what).unwrap();
        check["well"].as_bool().unwrap()
    }
}

/// HTTP/1.1 (RFC 9112) as small as it can be: one request, the connection closed.
fn get(port: u16, path: &str) -> Answer {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let request =
        format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).unwrap();
    let mut all = String::new();
    stream.read_to_string(&mut all).unwrap();
    let (head, body) = all.split_once("\r\n\r\n").unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    Answer {
        status,
        head: head.to_ascii_lowercase(),
        body: body.to_owned(),
    }
}

fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let begin = Instant::now();
    while !is_so() {
        assert!(begin.elapsed() < PATIENCE, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn metrics(port: u16) -> Exposition {
    let answer = get(port, "/metrics");
    assert_eq!(answer.status, 200);
    // OpenMetrics 1.0.0, "Content Type".
    let kind = "content-type: application/openmetrics-text; version=1.0.0; charset=utf-8";
    assert!(answer.head.contains(kind), "{}", answer.head);
    open_metrics::read(&answer.body).unwrap_or_else(|why| panic!("{why}\n{}", answer.body))
}

/// Ready only while the plant can be reached, and well all along: no restart brings
/// a broker back.
#[test]
fn numbers_and_health_of_a_running_service() {
    let mut setup = Setup::new(At::Mosquitto);
    let page = free_port();
    add(
        &setup.site.path,
        &format!("[page]\nlisten = \"127.0.0.1:{page}\"\n"),
    );
    setup.mosquitto.as_mut().unwrap().stop();
    let daemon = Daemon::start(&setup.site.path, &[]);
    wait_for_port(page);
    until("health", || get(page, "/healthz").status == 200);
    let early = get(page, "/readyz");
    assert_eq!(early.status, 503, "{}", early.body);
    assert!(early.well("the loop turns") && !early.well("connected to the broker"));
    let numbers = metrics(page);
    assert!(value(&numbers, "leeside_broker_connected", &[]).abs() < 0.5);

    setup.mosquitto.as_mut().unwrap().start();
    until("being ready", || get(page, "/readyz").status == 200);
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let before = metrics(page);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    sent_in(&listener, mark, "terrace awnings");
    until("the lockouts in numbers", || {
        (value(&metrics(page), "leeside_lockouts", &[("guard", "wind")]) - 2.0).abs() < 0.5
    });
    let storm = metrics(page);
    let wind = [("decided_by", "wind")];
    assert!(value(&storm, "leeside_commands", &wind) >= 2.0);
    let both = [("group", "south slats"), ("guard", "wind")];
    assert!(value(&storm, "leeside_lockout", &both) > 0.5);
    assert!(
        value(
            &storm,
            "leeside_sensor_believed",
            &[("sensor", "wind south")]
        ) > 0.5
    );
    assert!((value(&storm, "leeside_devices", &[]) - 8.0).abs() < 0.5);
    // Counters never go back.
    for (name, family) in before.iter().filter(|(_, family)| family.kind == "counter") {
        for sample in &family.samples {
            let labels: Vec<(&str, &str)> = sample
                .labels
                .iter()
                .map(|(k, v)| (k.as_str(), v.as_str()))
                .collect();
            assert!(
                value(&storm, name, &labels) >= sample.value,
                "{name} {labels:?}"
            );
        }
    }

    setup.mosquitto.as_mut().unwrap().stop();
    until("not being ready", || get(page, "/readyz").status == 503);
    assert_eq!(get(page, "/healthz").status, 200);
    let (status, _) = daemon.terminate();
    assert!(status.success());
}

/// A page before a loop that does not turn: its side of the door is held, and nobody
/// answers there.
#[test]
fn a_loop_that_stands_is_ill() {
    let setup = Setup::new(At::Embedded);
    let port = free_port();
    add(
        &setup.site.path,
        &format!("[page]\nlisten = \"127.0.0.1:{port}\"\n"),
    );
    let (site, _) = load_site(&setup.site.path, &LoadOptions::around(2027)).unwrap();
    let clock = Arc::new(Clock::simulated(Wall(1_800_000_000_000), 1));
    let (looks_in, porter) = door(&site.model, &site.fingerprint, clock.now());
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let (stopper, stop) = tokio::sync::watch::channel(false);
    let page = runtime.spawn(leeside_page::run(leeside_page::Options {
        site: setup.site.path.clone(),
        settings: site.wire.page.clone(),
        door: looks_in,
        reloads: reloads().0,
        clock,
        journal: None,
        stop,
    }));
    wait_for_port(port);
    let ill = get(port, "/healthz");
    assert_eq!(ill.status, 503, "{}", ill.body);
    assert!(!ill.well("the loop turns"));
    assert_eq!(get(port, "/readyz").status, 503);
    assert_eq!(get(port, "/metrics").status, 503);
    drop(porter);
    stopper.send(true).unwrap();
    page.abort();
}

//! The cable is pulled: no reset, no farewell, packets just do not arrive.
//!
//! The program runs in a network namespace of its own, joined to the broker by a
//! pair of virtual interfaces of which one end goes down. Needs root; without it
//! the tests say so and check nothing. With root, a namespace that cannot be made
//! is a failure.

use crate::brokers::{Mosquitto, free_port};
use crate::building::{Building, GROUPS};
use crate::client::{Listener, Message, commands, last_extension};
use crate::daemon::{Daemon, TestSite};
use crate::storm::all_out;
use chrono::{DateTime, Utc};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{Client, Event, MqttOptions};
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

fn ip(words: &[&str]) {
    let out = Command::new("ip")
        .args(words)
        .output()
        .expect("ip is needed for this test: apt-get install iproute2");
    assert!(
        out.status.success(),
        "ip {}: {}",
        words.join(" "),
        String::from_utf8_lossy(&out.stderr)
    );
}

#[expect(
    clippy::print_stderr,
    reason = "whoever runs it must know that nothing was checked"
)]
fn is_root() -> bool {
    let out = Command::new("id").arg("-u").output().unwrap();
    let root = out.stdout == b"0\n";
    if !root {
        eprintln!("NOT CHECKED: the network can be cut by root only");
    }
    root
}

static COUNT: AtomicU32 = AtomicU32::new(0);

/// A namespace with one cable to here. It goes with this value.
struct Cable {
    name: String,
    here: String,
    there: String,
    /// The address of this end.
    address: String,
}

impl Cable {
    fn new() -> Self {
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let own = (std::process::id() % 4_096) * 8 + number;
        let name = format!("leeside{own}");
        let (here, there) = (format!("lsh{own}"), format!("lst{own}"));
        // Of 198.18.0.0/15, kept for tests of networks (RFC 2544 appendix C.2.2).
        let (high, low) = (own / 64 % 256, own % 64 * 4);
        let (address, far) = (
            format!("198.18.{high}.{}", low + 1),
            format!("198.18.{high}.{}/30", low + 2),
        );
        let cable = Self {
            name,
            here,
            there,
            address,
        };
        ip(&["netns", "add", &cable.name]);
        ip(&[
            "link",
            "add",
            &cable.here,
            "type",
            "veth",
            "peer",
            "name",
            &cable.there,
        ]);
        ip(&["link", "set", &cable.there, "netns", &cable.name]);
        ip(&[
            "addr",
            "add",
            &format!("{}/30", cable.address),
            "dev",
            &cable.here,
        ]);
        ip(&["link", "set", &cable.here, "up"]);
        let inside = |words: &[&str]| ip(&[&["-n", cable.name.as_str()], words].concat());
        inside(&["addr", "add", &far, "dev", &cable.there]);
        inside(&["link", "set", "lo", "up"]);
        inside(&["link", "set", &cable.there, "up"]);
        cable
    }

    /// Pulled out at the broker's end: the program's own end stays up.
    fn pull(&self) {
        ip(&["link", "set", &self.here, "down"]);
    }

    fn plug_in(&self) {
        ip(&["link", "set", &self.here, "up"]);
    }
}

impl Drop for Cable {
    fn drop(&mut self) {
        // Takes both ends of the cable with it; it may be half made.
        let _ = Command::new("ip")
            .args(["netns", "del", &self.name])
            .output();
        let _ = Command::new("ip")
            .args(["link", "del", &self.here])
            .output();
    }
}

/// Everything of one test, in the order in which it has to end.
struct Scene {
    building: Building,
    daemon: Daemon,
    listener: Listener,
    _mosquitto: Mosquitto,
    _site: TestSite,
    _scratch: tempfile::TempDir,
    cable: Cable,
}

fn scene() -> Scene {
    let cable = Cable::new();
    let scratch = tempfile::tempdir().unwrap();
    let port = free_port();
    let text = format!(
        "listener {port} 127.0.0.1\nlistener {port} {}\nallow_anonymous true\npersistence false\n",
        cable.address
    );
    let mosquitto = Mosquitto::with_config(scratch.path(), port, &text);
    let site = TestSite::new(&format!(
        "external = {{ host = \"{}\", port = {port} }}",
        cable.address
    ));
    let daemon = Daemon::start_by(&["ip", "netns", "exec", &cable.name], &site.path, &[]);
    let listener = Listener::new(port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    Scene {
        building,
        daemon,
        listener,
        _mosquitto: mosquitto,
        _site: site,
        _scratch: scratch,
        cable,
    }
}

impl Scene {
    fn right_in_the_end(&self, mark: usize) {
        self.listener
            .wait_some(mark, "the right state in the end", |messages| {
                let last = GROUPS.map(|group| last_extension(messages, group));
                (last == [Some(0), Some(100), Some(0)]).then_some(())
            });
    }

    fn highest(&self) -> u64 {
        let all = commands(&self.listener.since(0));
        let numbers = all.iter().filter_map(|(_, c)| c["sequence"].as_u64());
        numbers.max().unwrap()
    }
}

fn not_after(message: &Message) -> DateTime<Utc> {
    let text = message.json()["not_after"].as_str().unwrap().to_owned();
    DateTime::parse_from_rfc3339(&text).unwrap().to_utc()
}

/// Cut for so long that the connection is given up: then the present verdicts.
#[test]
fn after_a_long_cut_the_present_verdicts_come_and_no_old_ones() {
    if !is_root() {
        return;
    }
    let scene = scene();
    let highest = scene.highest();
    scene.cable.pull();
    scene.building.blow("wind south", 13.0);
    scene.daemon.wait_line("wind west is silent");
    scene.daemon.wait_line("no connection to the broker");
    let mark = scene.listener.mark();
    scene.cable.plug_in();
    let back = Utc::now();
    scene.right_in_the_end(mark);
    for message in scene.listener.since(mark) {
        if message.topic.ends_with("/command") {
            let command = message.json();
            assert!(command["sequence"].as_u64().unwrap() > highest, "{command}");
            assert!(not_after(&message) > back, "{command}");
        }
    }
}

/// Cut for so short that the connection outlives it: what was on its way is
/// delivered late, and only while it may still be carried out.
#[test]
fn after_a_short_cut_nothing_is_lost_and_nothing_comes_too_late() {
    if !is_root() {
        return;
    }
    let scene = scene();
    let mark = scene.listener.mark();
    scene.cable.pull();
    scene.building.blow("wind south", 13.0);
    scene.daemon.wait_line("wind west is silent");
    scene.cable.plug_in();
    let back = Utc::now();
    scene.right_in_the_end(mark);
    for message in scene.listener.since(mark) {
        if message.topic.ends_with("/command") {
            assert!(not_after(&message) > back, "{}", message.json());
        }
    }
}

/// A plant that keeps its place at the broker and is away: what waits for it
/// there expires with its command (MQTT 5 §3.3.2.3.3).
#[test]
#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "what else passes on the line does not matter"
)]
fn a_command_that_waits_for_an_absent_plant_expires() {
    let setup = crate::daemon::Setup::new(crate::daemon::At::Mosquitto);
    let _daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let plant = |clean: bool| {
        let mut options = MqttOptions::new("absent-plant", "127.0.0.1", setup.port);
        options
            .set_clean_start(clean)
            .set_session_expiry_interval(Some(300))
            .set_keep_alive(Duration::from_secs(5));
        Client::new(options, 10)
    };
    let (client, mut connection) = plant(true);
    for event in connection.iter() {
        match event.unwrap() {
            Event::Incoming(Packet::ConnAck(_)) => client
                .subscribe("quick/group/+/command", QoS::AtLeastOnce)
                .unwrap(),
            Event::Incoming(Packet::SubAck(_)) => break,
            _ => {}
        }
    }
    drop((client, connection));
    // In, and out again once it is calm: two commands wait for the plant.
    let mark = listener.mark();
    building.blow("wind west", 15.0);
    crate::storm::sent_in(&listener, mark, "west screens");
    let old = listener.wait(mark, "the command", |m| {
        m.topic == "quick/group/west screens/command"
    });
    while Utc::now() <= not_after(&old) + chrono::TimeDelta::seconds(1) {
        std::thread::sleep(Duration::from_millis(100));
    }
    // It comes back, and hears what is sent from now on, not what waited too long.
    building.blow("wind south", 13.0);
    let (client, mut connection) = plant(false);
    let mut heard = Vec::new();
    for event in connection.iter() {
        match event.unwrap() {
            Event::Incoming(Packet::ConnAck(ack)) => {
                assert!(ack.session_present, "its place was kept");
            }
            Event::Incoming(Packet::Publish(publish)) => {
                heard.push(String::from_utf8(publish.payload.to_vec()).unwrap());
                if publish.topic == "quick/group/south slats/command" {
                    break;
                }
            }
            _ => {}
        }
    }
    drop(client);
    let old = String::from_utf8(old.payload).unwrap();
    assert!(!heard.contains(&old), "carried out too late: {old}");
}

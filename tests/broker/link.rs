//! The way to the plant: lost, frozen, refused, too old, not there yet.

use crate::brokers::{Mosquitto, free_port, wait_for_port};
use crate::building::{Building, GROUPS};
use crate::client::{Listener, commands, last_extension};
use crate::daemon::{At, Daemon, Setup, TestSite, external, signal};
use crate::storm::{all_out, engaged, sent_in};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::time::Duration;

/// The present verdicts come after a reconnect, never a queue of old ones.
#[test]
fn after_the_broker_was_restarted_the_right_state_is_sent() {
    let mut setup = Setup::new(At::Mosquitto);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let before = commands(&listener.since(0));
    let highest = before
        .iter()
        .filter_map(|(_, c)| c["sequence"].as_u64())
        .max()
        .unwrap();

    // While it is away, all sensors are; the storm comes at the south meanwhile.
    let mosquitto = setup.mosquitto.as_mut().unwrap();
    mosquitto.stop();
    building.blow("wind south", 13.0);
    daemon.wait_line("wind west is silent");
    let mark = listener.mark();
    let back = chrono::Utc::now();
    mosquitto.start();
    listener.wait_connected();
    listener.wait_some(mark, "the right state in the end", |messages| {
        let last = GROUPS.map(|group| last_extension(messages, group));
        (last == [Some(0), Some(100), Some(0)]).then_some(())
    });
    for (group, command) in commands(&listener.since(mark)) {
        assert!(
            command["sequence"].as_u64().unwrap() > highest,
            "{group}: an old command came late"
        );
        let not_after =
            chrono::DateTime::parse_from_rfc3339(command["not_after"].as_str().unwrap()).unwrap();
        assert!(not_after > back, "{group}: {command}");
    }
    // A broker that kept nothing is told every state again.
    let late = Listener::new(setup.port);
    for group in GROUPS {
        for what in ["pose", "lockout"] {
            let topic = format!("quick/group/{group}/{what}");
            assert!(late.wait(0, &topic, |m| m.topic == topic).retained);
        }
    }
    let service = late.wait(0, "the sign of life", |m| m.topic == "quick/service");
    assert_eq!(service.json()["state"], "online");
}

/// A broker that hangs (half-open connection) is given up, and found again.
#[test]
fn a_frozen_broker_is_given_up_and_found_again() {
    let setup = Setup::new(At::Mosquitto);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let broker = setup.mosquitto.as_ref().unwrap().pid();
    signal(broker, "STOP");
    daemon.wait_line("no connection to the broker");
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    signal(broker, "CONT");
    listener.wait_some(mark, "the right state in the end", |messages| {
        let last = GROUPS.map(|group| last_extension(messages, group));
        (last == [Some(0), Some(100), Some(0)]).then_some(())
    });
}

#[test]
fn a_broker_that_comes_later_is_found() {
    let port = free_port();
    let site = TestSite::new(&external(port));
    let daemon = Daemon::start(&site.path, &[]);
    daemon.wait_line("no connection to the broker");
    let text = format!("listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n");
    let _mosquitto = Mosquitto::with_config(site.dir.path(), port, &text);
    let listener = Listener::new(port);
    let _building = Building::calm(&listener);
    all_out(&listener, 0);
}

/// A broker without MQTT 5: says so to whoever comes with 5, as 3.1.1 has it
/// (OASIS MQTT 3.1.1 §3.1.2.2: return code 1, then the connection is closed),
/// and hands everybody else on to mosquitto.
fn old_broker(behind: u16) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for client in listener.incoming() {
            let Ok(client) = client else { return };
            std::thread::spawn(move || serve_as_old(client, behind));
        }
    });
    port
}

fn serve_as_old(mut client: TcpStream, behind: u16) {
    let mut first = [0_u8; 512];
    let Ok(read) = client.read(&mut first) else {
        return;
    };
    let name = first
        .windows(4)
        .position(|window| window == b"MQTT")
        .unwrap();
    if first[name + 4] == 5 {
        client.write_all(&[0x20, 0x02, 0x00, 0x01]).unwrap();
        return;
    }
    let mut server = TcpStream::connect(("127.0.0.1", behind)).unwrap();
    server.write_all(&first[..read]).unwrap();
    let (mut from_client, mut to_client) = (client.try_clone().unwrap(), client);
    let mut to_server = server.try_clone().unwrap();
    std::thread::spawn(move || {
        // Either end may go first.
        let _ = std::io::copy(&mut from_client, &mut to_server);
        let _ = to_server.shutdown(std::net::Shutdown::Both);
    });
    let _ = std::io::copy(&mut server, &mut to_client);
    let _ = to_client.shutdown(std::net::Shutdown::Both);
}

#[test]
fn a_broker_without_mqtt_5_is_spoken_to_in_3_1_1() {
    let scratch = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::open(scratch.path());
    let old = old_broker(mosquitto.port);
    let site = TestSite::new(&external(old));
    let daemon = Daemon::start(&site.path, &[]);
    daemon.wait_line("MQTT 3.1.1");
    let listener = Listener::new(mosquitto.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind west", 15.0);
    let command = sent_in(&listener, mark, "west screens");
    // No expiry there: the moment in the payload has to do.
    assert!(command["not_after"].is_string());
    let raw = listener.wait(mark, "the command", |m| {
        m.topic == "quick/group/west screens/command"
    });
    assert_eq!((raw.expires_s, raw.sequence, raw.qos), (None, None, 1));
    let (status, _) = daemon.terminate();
    assert!(status.success());
    listener.wait(mark, "the goodbye", |m| {
        m.topic == "quick/service" && m.json()["state"] == "offline"
    });
}

#[test]
fn commands_of_mqtt_5_expire_and_are_numbered() {
    for at in [At::Mosquitto, At::Embedded] {
        let setup = Setup::new(at);
        let _daemon = setup.start();
        let listener = Listener::new(setup.port);
        let _building = Building::calm(&listener);
        all_out(&listener, 0);
        let raw = listener.wait(0, "a command", |m| m.topic.ends_with("/command"));
        assert_eq!((raw.qos, raw.retained), (1, false));
        assert_eq!(
            raw.sequence,
            Some(raw.json()["sequence"].to_string()),
            "{at:?}"
        );
        let number = raw.json()["sequence"].to_string();
        assert_eq!(raw.correlation, Some(number.into_bytes()), "{at:?}");
        // The quick site gives commands 10 s; the time to get here is taken off.
        assert!(
            raw.expires_s.is_some_and(|s| (1..=10).contains(&s)),
            "{at:?} {:?}",
            raw.expires_s
        );
    }
}

/// The ready configuration of `deploy/mosquitto`, with its listener on a free
/// port without TLS, and its files in a folder of the test.
struct Guarded {
    mosquitto: Mosquitto,
    site: TestSite,
}

impl Guarded {
    fn new(service_password: &str) -> Self {
        let port = free_port();
        let login = "login = { user = \"leeside\", password_file = \"password\" }";
        let site = TestSite::new(&format!(
            "external = {{ host = \"127.0.0.1\", port = {port}, {login} }}"
        ));
        let dir = site.dir.path();
        std::fs::write(dir.join("password"), format!("{service_password}\n")).unwrap();
        let passwords = dir.join("passwords");
        std::fs::write(&passwords, "").unwrap();
        for user in ["leeside", "plant", "centre", "office", "viewer"] {
            let status = Command::new("mosquitto_passwd")
                .arg("-b")
                .arg(&passwords)
                .args([user, &format!("{user}-secret")])
                .status();
            assert!(status.unwrap().success());
        }
        let deploy = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/mosquitto");
        let access = std::fs::read_to_string(deploy.join("access")).unwrap();
        std::fs::write(dir.join("access"), access.replace("leeside/", "quick/")).unwrap();
        let config = std::fs::read_to_string(deploy.join("mosquitto.conf")).unwrap();
        let config = config
            .replace(
                "listener 1883 127.0.0.1",
                &format!("listener {port} 127.0.0.1"),
            )
            .replace("/etc/mosquitto/leeside", &dir.display().to_string())
            .replace(
                "persistence_location /var/lib/mosquitto/",
                &format!("persistence_location {}/", dir.display()),
            )
            // Run as whoever runs the tests.
            .replace("user mosquitto", &format!("user {}", whoami()));
        let mosquitto = Mosquitto::with_config(dir, port, &config);
        Self { mosquitto, site }
    }

    fn client(&self, user: &str) -> Listener {
        Listener::with(
            self.mosquitto.port,
            Some((user, &format!("{user}-secret"))),
            "quick/#",
        )
    }
}

fn whoami() -> String {
    let output = Command::new("id").arg("-un").output().unwrap();
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

#[test]
fn with_access_rules_everybody_does_their_part_and_no_other() {
    let guarded = Guarded::new("leeside-secret");
    let _daemon = Daemon::start(&guarded.site.path, &[]);
    let (plant, viewer, office) = (
        guarded.client("plant"),
        guarded.client("viewer"),
        guarded.client("office"),
    );
    let building = Building::calm(&plant);
    all_out(&viewer, 0);

    // Neither a forged command nor a forged reading of somebody who may only look gets anywhere.
    let mark = plant.mark();
    let forged = "{\"sequence\":9,\"forged\":true,\"pose\":{\"extension_pct\":0},\"orders\":[]}";
    viewer.say("quick/group/south slats/command", forged);
    plant.say("quick/group/south slats/command", forged);
    viewer.say("quick/sensor/wind west", crate::building::wind_of(40.0));
    viewer.say(
        "quick/request",
        "{\"by\":\"viewer\",\"ask\":\"release\",\"group\":\"south slats\"}",
    );
    plant.say(
        "quick/request",
        "{\"by\":\"plant\",\"ask\":\"release\",\"group\":\"south slats\"}",
    );
    office.say(
        "quick/request",
        "{\"by\":\"office\",\"ask\":\"release\",\"group\":\"south slats\"}",
    );
    // What everybody may do goes on, and comes after all of that.
    building.blow("wind south", 13.0);
    sent_in(&viewer, mark.min(viewer.mark()), "south slats");
    let centre = guarded.client("centre");
    let mark_centre = viewer.mark();
    centre.say(
        "quick/request",
        "{\"by\":\"centre\",\"ask\":\"pose\",\"group\":\"south slats\",\"extension_pct\":100}",
    );
    let refusal = viewer.wait(mark_centre, "the centre's answer", |m| {
        m.topic == "quick/request/refused"
    });
    assert_eq!(refusal.json()["by"], "centre");

    let heard = plant.since(mark);
    assert!(
        !heard.iter().any(|m| m.payload == forged.as_bytes()),
        "a forged command was delivered"
    );
    let screens = commands(&heard)
        .into_iter()
        .find(|(group, c)| group == "west screens" && c["pose"]["extension_pct"] == 0);
    assert!(screens.is_none(), "a forged gust was believed: {screens:?}");
    let answers: Vec<_> = viewer
        .since(0)
        .into_iter()
        .filter(|m| m.topic == "quick/request/refused")
        .collect();
    assert!(
        answers.iter().all(|m| m.json()["by"] == "centre"),
        "{answers:?}"
    );
}

#[test]
fn refused_credentials_are_told_and_tried_again() {
    let guarded = Guarded::new("not-the-secret");
    let daemon = Daemon::start(&guarded.site.path, &[]);
    let line = daemon.wait_line("no connection to the broker");
    assert!(
        line.contains("NotAuthorized") || line.contains("BadUserNamePassword"),
        "{line}"
    );
    std::thread::sleep(Duration::from_millis(200));
    let all = daemon.lines().join("\n");
    assert!(!all.contains("not-the-secret"), "a password in the log");
    let (status, _) = daemon.terminate();
    assert!(status.success(), "it goes on trying, and ends in order");
}

/// Two services under one name would throw each other out for ever.
#[test]
fn a_second_client_of_the_same_name_is_told_of() {
    let setup = Setup::new(At::Mosquitto);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let _building = Building::calm(&listener);
    all_out(&listener, 0);
    let mut options = rumqttc::v5::MqttOptions::new("leeside", "127.0.0.1", setup.port);
    options.set_keep_alive(Duration::from_secs(5));
    let (_client, mut connection) = rumqttc::v5::Client::new(options, 10);
    let fight = std::thread::spawn(move || {
        // Thrown out, it comes again, until the service gives way.
        for event in connection.iter().take(400) {
            if event.is_err() {
                std::thread::sleep(Duration::from_millis(100));
            }
        }
    });
    daemon.wait_line("each needs a client_id of its own");
    drop(setup);
    fight.join().unwrap();
}

/// The simulated plant talks to the same broker as a real one would.
#[test]
fn the_simulated_plant_lives_through_a_storm() {
    let setup = Setup::new(At::Mosquitto);
    let weather = setup.site.dir.path().join("storm.csv");
    let row = |hour: u32, gust: f64, mean: f64| {
        format!("2027-06-15T{hour:02}:00:00Z,{gust},{mean},20,0\n")
    };
    let mut text = "time,gust_mps,mean_mps,temperature_c,rain_mm_h\n".to_owned();
    for hour in 0..24 {
        let storm = hour == 16;
        text.push_str(&row(
            hour,
            if storm { 19.0 } else { 3.0 },
            if storm { 12.0 } else { 2.0 },
        ));
    }
    std::fs::write(&weather, text).unwrap();
    describe_weather(&setup.site.dir.path().join("storm.csv.toml"));
    let listener = Listener::new(setup.port);
    let weather = weather.display().to_string();
    let daemon = Daemon::start(
        &setup.site.path,
        &[
            "--plant",
            "simulated",
            "--weather",
            &weather,
            "--speed",
            "60",
        ],
    );
    wait_for_port(setup.port);
    all_out(&listener, 0);
    let mark = listener.mark();
    for group in GROUPS {
        // A machine that stalls for some seconds makes its sensors silent first, which sends
        // everything in for another reason: by what the guard says, not by which command came
        // first, it is seen that the gust got there.
        let for_the_gust = |m: &crate::client::Message| {
            engaged(m, group, "wind") && m.json()["guards"].to_string().contains("19.0 m/s")
        };
        let seen = listener.wait_some(mark, &format!("{group} locked out by the gust"), |all| {
            all.iter().position(for_the_gust)
        });
        listener.wait_some(mark, &format!("{group} coming in"), |all| {
            (last_extension(all, group) == Some(0)).then_some(())
        });
        // By the moments that the messages bear: whatever sends it in is the wind, or not
        // knowing it; and while the gust holds it, nothing sends it out.
        let all = listener.since(mark);
        let at = |json: &serde_json::Value| json["at"].as_str().unwrap().to_owned();
        let begins = at(&all[seen].json());
        let ends = all[seen..]
            .iter()
            .filter(|m| m.topic == format!("quick/group/{group}/lockout"))
            .find(|m| !engaged(m, group, "wind"))
            .map(|m| at(&m.json()));
        let before_the_end =
            |command: &serde_json::Value| ends.as_ref().is_none_or(|ends| at(command) < *ends);
        let all = commands(&all);
        for (_, command) in all.iter().filter(|(name, _)| name == group) {
            let comes_in = command["pose"]["extension_pct"] == 0;
            if comes_in {
                assert_eq!(command["decided_by"], "wind", "{command}");
            } else if before_the_end(command) {
                assert!(at(command) < begins, "out during the gust: {command}");
            }
        }
    }
    listener.wait(mark, "the report of a drive that came in", |m| {
        m.topic == "quick/drive/C-1/report"
            && m.json()["state"] == "standing"
            && m.json()["extension_pct"] == 0
    });
    for word in ["reading", "LOCKOUT", "COMMAND", "report"] {
        daemon.wait_line(word);
    }
    let (status, _) = daemon.terminate();
    assert!(status.success());
}

/// What the columns of a made-up weather file are.
pub(crate) fn describe_weather(path: &Path) {
    std::fs::write(
        path,
        "source = \"made up for a test\"\n\
         [time]\ncolumn = \"time\"\nzone = \"UTC\"\nlabel = \"start\"\nstep = \"1h\"\n\
         [columns.gust]\ncolumn = \"gust_mps\"\nunit = \"m/s\"\n\
         [columns.mean]\ncolumn = \"mean_mps\"\nunit = \"m/s\"\n\
         [columns.temperature]\ncolumn = \"temperature_c\"\nunit = \"degC\"\n\
         [columns.rain]\ncolumn = \"rain_mm_h\"\nunit = \"mm/h\"\n",
    )
    .unwrap();
}

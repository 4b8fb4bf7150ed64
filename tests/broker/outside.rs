//! The service seen from outside: alarms handed on, the service manager, the
//! log, the journal's head and bounds.

use crate::building::Building;
use crate::client::Listener;
use crate::daemon::{At, Daemon, Setup, TestSite, external, signal};
use crate::storm::{all_out, sent_in};
use leeside_journal::{Journal, Span};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// A web server that takes every message with this answer and hands it on; after
/// `slow`, should it be so.
fn server(answer: &'static str, slow: Duration) -> (u16, Receiver<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (got, messages) = channel();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            let mut reader = BufReader::new(stream.try_clone().unwrap());
            let mut length = 0;
            loop {
                let mut line = String::new();
                if reader.read_line(&mut line).unwrap() <= 2 {
                    break;
                }
                if let Some(text) = line.strip_prefix("Content-Length: ") {
                    length = text.trim().parse().unwrap();
                }
            }
            let mut body = vec![0; length];
            reader.read_exact(&mut body).unwrap();
            std::thread::sleep(slow);
            // It may have lost patience.
            let _ = stream.write_all(answer.as_bytes());
            if got.send(String::from_utf8(body).unwrap()).is_err() {
                return;
            }
        }
    });
    (port, messages)
}

pub(crate) fn add(site: &Path, more: &str) {
    let text = std::fs::read_to_string(site).unwrap();
    std::fs::write(site, format!("{text}\n{more}\n")).unwrap();
}

/// A sensor falls silent: the alarm gets to a program and to a web server, its
/// acknowledgement too, and a server that never answers delays no command.
#[test]
fn alarms_are_handed_on_and_a_slow_receiver_delays_nothing() {
    let setup = Setup::new(At::Mosquitto);
    let (port, messages) = server("HTTP/1.1 200 OK\r\n\r\n", Duration::ZERO);
    let (slow, _never) = server("HTTP/1.1 200 OK\r\n\r\n", Duration::from_secs(3_600));
    let to = setup.site.dir.path().join("alarms");
    add(
        &setup.site.path,
        &format!(
            "[[alarm_receiver]]\nname = \"file\"\ncommand = [\"/usr/bin/tee\", \"--append\", \"{}\"]\n\
             [[alarm_receiver]]\nname = \"web\"\nwebhook = \"http://127.0.0.1:{port}/\"\n\
             [[alarm_receiver]]\nname = \"stuck\"\nwebhook = \"http://127.0.0.1:{slow}/\"\ntimeout_s = 1\n",
            to.display()
        ),
    );
    let _daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    building.silence("wind west");
    let screens = sent_in(&listener, mark, "west screens");
    assert_eq!(screens["decided_by"], "wind");
    // The command has left while the stuck receiver still holds its message.
    let raised = |m: &crate::client::Message| m.topic == "quick/alarm/sensor_fault/wind west";
    let told = listener.wait(mark, "the alarm", raised);
    let posted = messages.recv_timeout(Duration::from_secs(30)).unwrap();
    assert_eq!(posted.as_bytes(), told.payload);
    listener.wait(mark, "the alarm about the stuck receiver", |m| {
        m.topic == "quick/alarm/alarm_not_handed_on/stuck"
            && m.json()["reason"]
                .as_str()
                .unwrap()
                .contains("no answer within 1 s")
    });
    listener.say(
        "quick/request",
        "{\"by\":\"caretaker\",\"ask\":\"acknowledge\",\"key\":\"sensor_fault/wind west\"}",
    );
    let seen: serde_json::Value =
        serde_json::from_str(&messages.recv_timeout(Duration::from_secs(30)).unwrap()).unwrap();
    assert_eq!(seen["acknowledged_by"], "caretaker");
    // An alarm of the service itself can be acknowledged as well.
    listener.say(
        "quick/request",
        "{\"by\":\"caretaker\",\"ask\":\"acknowledge\",\"key\":\"alarm_not_handed_on/stuck\"}",
    );
    listener.wait(mark, "its acknowledgement", |m| {
        m.topic == "quick/alarm/alarm_not_handed_on/stuck"
            && m.json()["acknowledged_by"] == "caretaker"
    });
    let begun = std::time::Instant::now();
    loop {
        let text = std::fs::read_to_string(&to).unwrap_or_default();
        if text
            .lines()
            .filter(|line| line.contains("sensor_fault/wind west"))
            .count()
            == 2
        {
            break;
        }
        assert!(begun.elapsed() < Duration::from_secs(30), "{text}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// What a service manager is told, by a socket of its kind.
struct Manager {
    socket: UnixDatagram,
    _dir: tempfile::TempDir,
    said: Vec<String>,
}

impl Manager {
    fn new() -> (Self, String) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        socket
            .set_read_timeout(Some(Duration::from_millis(200)))
            .unwrap();
        let manager = Self {
            socket,
            _dir: dir,
            said: Vec::new(),
        };
        (manager, path.display().to_string())
    }

    fn read(&mut self) -> bool {
        let mut message = [0; 4_096];
        let Ok(n) = self.socket.recv(&mut message) else {
            return false;
        };
        let text = String::from_utf8(message[..n].to_vec()).unwrap();
        self.said.extend(text.lines().map(str::to_owned));
        true
    }

    fn wait(&mut self, what: &str) {
        let begun = std::time::Instant::now();
        let from = self.said.len();
        while !self.said[from..].iter().any(|line| line.starts_with(what)) {
            self.read();
            assert!(
                begun.elapsed() < Duration::from_secs(60),
                "no {what} in {:?}",
                self.said
            );
        }
    }
}

#[test]
fn the_service_manager_is_told_and_the_watchdog_is_fed_by_the_loop() {
    let setup = Setup::new(At::Mosquitto);
    let (mut manager, place) = Manager::new();
    let socket = format!("NOTIFY_SOCKET={place}");
    let daemon = Daemon::start_by(
        &["env", &socket, "WATCHDOG_USEC=900000"],
        &setup.site.path,
        &["--log", "json", "--log-level", "info"],
    );
    manager.wait("READY=1");
    manager.wait("WATCHDOG=1");
    manager.wait("WATCHDOG=1");
    signal(daemon.pid(), "HUP");
    let text = std::fs::read_to_string(&setup.site.path).unwrap();
    std::fs::write(
        &setup.site.path,
        text.replace("hold_min = 0.05", "hold_min = 0.06"),
    )
    .unwrap();
    signal(daemon.pid(), "HUP");
    manager.wait("RELOADING=1");
    // systemd wants to know when, or it does not believe it (sd_notify(3)).
    assert!(
        manager
            .said
            .iter()
            .any(|line| line.starts_with("MONOTONIC_USEC="))
    );
    manager.wait("READY=1");
    // A loop that does not turn feeds nobody.
    signal(daemon.pid(), "STOP");
    while manager.read() {}
    std::thread::sleep(Duration::from_millis(1_000));
    assert!(
        !manager.read(),
        "fed while it stood still: {:?}",
        manager.said.last()
    );
    signal(daemon.pid(), "CONT");
    manager.wait("WATCHDOG=1");
    let (status, lines) = daemon.terminate();
    assert!(status.success());
    manager.wait("STOPPING=1");
    // The log is one JSON object a line; what goes by is beside it, on standard output.
    let logged: Vec<serde_json::Value> = lines
        .iter()
        .filter(|line| line.starts_with('{'))
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let head = logged
        .iter()
        .find(|entry| entry["message"] == "head of the journal")
        .unwrap();
    assert_eq!(head["level"], "INFO");
    assert_eq!(head["hash"].as_str().unwrap().len(), 64);
}

#[test]
fn the_head_of_the_journal_is_shown_outside_of_it() {
    let setup = Setup::new(At::Mosquitto);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let _building = Building::calm(&listener);
    all_out(&listener, 0);
    daemon.terminate();
    let late = Listener::new(setup.port);
    let head = late.wait(0, "the head, kept", |m| m.topic == "quick/service/journal");
    assert!(head.retained);
    let head = head.json();
    let journal = Journal::open_read_only(&setup.site.journal()).unwrap();
    let row = head["row"].as_i64().unwrap();
    assert!(row > 10 && row <= journal.head().id, "{head}");
    let db = rusqlite::Connection::open(setup.site.journal()).unwrap();
    let hash: Vec<u8> = db
        .query_row("SELECT hash FROM entry WHERE id = ?", [row], |r| r.get(0))
        .unwrap();
    let hash: String = hash.iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(head["hash"], hash);
}

/// A journal larger than it may be loses its oldest rows, and is still whole.
#[test]
fn a_journal_stays_within_its_size() {
    let mut mosquitto = Setup::new(At::Mosquitto);
    let site = TestSite::new(&external(mosquitto.port));
    let text = std::fs::read_to_string(&site.path).unwrap();
    let bounded = text.replace("[journal]\n", "[journal]\nkeep_mb = 1\n");
    std::fs::write(&site.path, bounded).unwrap();
    mosquitto.site = site;
    let path = mosquitto.site.journal();
    {
        // Years of readings, in a moment.
        let mut journal = Journal::open(&path).unwrap();
        let mut batch = leeside_journal::Batch::new();
        for ms in 0..30_000 {
            let now = leeside_core::time::Now::both(1_700_000_000_000 + ms);
            batch
                .input(now, "wind west", &leeside_core::input::Input::Tick)
                .unwrap();
        }
        journal.write(&batch).unwrap();
    }
    let size = |path: &Path| Journal::open_read_only(path).unwrap().size().unwrap();
    assert!(size(&path) > 2_000_000);
    let daemon = mosquitto.start();
    let listener = Listener::new(mosquitto.port);
    let _building = Building::calm(&listener);
    all_out(&listener, 0);
    daemon.wait_line("old rows were removed from the journal");
    daemon.terminate();
    assert!(size(&path) <= 1_100_000, "{}", size(&path));
    let journal = Journal::open_read_only(&path).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
    assert!(journal.entries(Span::ALL).count() > 10);
}

/// The disk is full (here: no file may grow beyond 400 KiB): guards go on, an alarm
/// says so, and what was kept is whole.
#[test]
fn on_a_full_disk_guards_go_on_and_an_alarm_says_so() {
    let setup = Setup::new(At::Mosquitto);
    let full = "trap '' XFSZ; ulimit -f 400; exec \"$0\" \"$@\"";
    let daemon = Daemon::start_by(&["bash", "-c", full], &setup.site.path, &["--quiet"]);
    let listener = Listener::new(setup.port);
    let building = Building::that_speaks(&listener, Duration::from_millis(2));
    all_out(&listener, 0);
    listener.wait(0, "the alarm", |m| {
        m.topic == "quick/alarm/journal_fault" && m.json()["active"] == true
    });
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    building.blow("wind south", 2.0);
    listener.wait_some(mark, "the slats going out again", |messages| {
        (crate::client::last_extension(messages, "south slats") == Some(100)).then_some(())
    });
    let (status, _) = daemon.terminate();
    assert!(status.success(), "and it ends in order");
    let journal = Journal::open(&setup.site.journal()).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
    assert!(journal.entries(Span::ALL).count() > 5);
}

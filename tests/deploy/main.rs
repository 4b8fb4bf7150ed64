//! What lies under `deploy/`, as far as it can be tried without the systems it is
//! for. Long checks (package, manifests, crates): `deploy/check`.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "../broker/brokers.rs"]
#[expect(dead_code, reason = "shared with the broker tests")]
mod brokers;
#[path = "../kill/house.rs"]
#[expect(dead_code, reason = "shared with the kill tests")]
mod house;

use brokers::{Mosquitto, free_port};
use std::collections::BTreeSet;
use std::fs;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn read(path: &str) -> String {
    fs::read_to_string(root().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// The values of a key of a unit, in order.
fn values<'a>(unit: &'a str, key: &str) -> Vec<&'a str> {
    unit.lines()
        .filter_map(|line| line.strip_prefix(key)?.strip_prefix('='))
        .collect()
}

fn help(verb: &str) -> String {
    let out = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .args([verb, "--help"])
        .output();
    String::from_utf8(out.unwrap().stdout).unwrap()
}

/// What service manager, container and cluster start is a verb with options that
/// there are.
#[test]
fn what_is_started_can_be_typed() {
    let unit = read("deploy/systemd/leeside.service");
    let container = read("deploy/container/Containerfile");
    let set = read("deploy/kubernetes/base/statefulset.yaml");
    let start = values(&unit, "ExecStart")[0];
    assert!(start.starts_with("/usr/bin/leeside run "), "{start}");
    let told = help("run");
    let mut options = BTreeSet::new();
    for text in [&unit, &container, &set] {
        let words = text.split(|c: char| !(c.is_ascii_alphanumeric() || "-_".contains(c)));
        options.extend(words.filter(|word| {
            word.starts_with("--")
                && !["--from", "--chown", "--read-only", "--cap-drop"].contains(word)
        }));
    }
    options.retain(|word| *word != "--no-install-recommends" && *word != "--locked");
    options.retain(|word| *word != "--release" && *word != "--bin");
    assert_eq!(options, BTreeSet::from(["--journal", "--quiet"]));
    for option in options {
        assert!(told.contains(option), "{option}:\n{told}");
    }
}

/// The fences that must not get lost when somebody edits the unit; how much they
/// are worth together, `systemd-analyze security` says in `deploy/check`.
#[test]
fn the_unit_keeps_its_fences() {
    let unit = read("deploy/systemd/leeside.service");
    for (key, value) in [
        ("Type", "notify"),
        ("Restart", "always"),
        ("StartLimitIntervalSec", "0"),
        ("User", "leeside"),
        ("NoNewPrivileges", "yes"),
        ("ProtectSystem", "strict"),
        ("ProtectHome", "yes"),
        ("CapabilityBoundingSet", ""),
        ("MemoryDenyWriteExecute", "yes"),
        ("RestrictAddressFamilies", "AF_INET AF_INET6 AF_UNIX"),
    ] {
        assert_eq!(values(&unit, key), [value], "{key}");
    }
    assert_eq!(
        values(&unit, "SystemCallFilter"),
        ["@system-service", "~@privileged @resources"]
    );
    // It beats every ten seconds; two may be missed.
    let watchdog: u32 = values(&unit, "WatchdogSec")[0].parse().unwrap();
    assert!(watchdog >= 30, "{watchdog}");
}

/// As the service manager sees it (`sd_notify(3)`): ready, alive, stopping.
#[test]
fn the_service_manager_is_told() {
    let scratch = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::open(scratch.path());
    let house = house::House::new(mosquitto.port, Path::new(env!("CARGO_BIN_EXE_leeside")));
    let socket = scratch.path().join("notify");
    let listener = UnixDatagram::bind(&socket).unwrap();
    listener.set_read_timeout(Some(brokers::PATIENCE)).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .arg("run")
        .arg(house.site())
        .arg("--quiet")
        .env("NOTIFY_SOCKET", &socket)
        .env("WATCHDOG_USEC", "30000000")
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let wait_for = |wanted: &str| {
        let mut buffer = [0_u8; 512];
        loop {
            let length = listener.recv(&mut buffer).unwrap();
            let text = String::from_utf8_lossy(&buffer[..length]).into_owned();
            if text.lines().any(|line| line == wanted) {
                return;
            }
        }
    };
    wait_for("READY=1");
    wait_for("WATCHDOG=1");
    house::signal(child.id(), "TERM");
    wait_for("STOPPING=1");
    assert!(child.wait().unwrap().success());
}

fn run(program: &str, words: &[&str]) -> Output {
    Command::new(program)
        .args(words)
        .output()
        .unwrap_or_else(|error| panic!("{program} is needed for this test: {error}"))
}

/// The certificates and the configuration with TLS that lie in `deploy/mosquitto`
/// let in whom they should, and nobody else.
#[test]
fn the_broker_with_tls_lets_in_whom_it_should() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = scratch.path();
    let folder = dir.to_str().unwrap();
    let deploy = root().join("deploy/mosquitto");
    let script = deploy.join("certificates");
    let script = script.to_str().unwrap();
    let made = run(script, &[folder, "127.0.0.1", "leeside"]);
    assert!(made.status.success(), "{made:?}");
    let authority = fs::read(dir.join("ca.pem")).unwrap();
    // Once more, for another client: what was there stays.
    let made = run(script, &[folder, "127.0.0.1", "leeside", "plant"]);
    assert!(made.status.success(), "{made:?}");
    assert_eq!(fs::read(dir.join("ca.pem")).unwrap(), authority);

    let (with_certificate, with_password) = (free_port(), free_port());
    let me = String::from_utf8(run("id", &["-un"]).stdout).unwrap();
    let config = fs::read_to_string(deploy.join("tls.conf"))
        .unwrap()
        .replace(
            "listener 8883",
            &format!("listener {with_certificate} 127.0.0.1"),
        )
        .replace(
            "listener 8884",
            &format!("listener {with_password} 127.0.0.1"),
        )
        .replace("/etc/mosquitto/leeside", folder)
        .replace("user mosquitto", &format!("user {}", me.trim()));
    fs::copy(deploy.join("access"), dir.join("access")).unwrap();
    let passwords = dir.join("passwords");
    fs::write(&passwords, "").unwrap();
    let known = run(
        "mosquitto_passwd",
        &["-b", passwords.to_str().unwrap(), "plant", "secret"],
    );
    assert!(known.status.success(), "{known:?}");
    let _broker = Mosquitto::with_config(dir, with_certificate, &config);
    brokers::wait_for_port(with_password);

    let file = |name: &str| dir.join(name).to_str().unwrap().to_owned();
    let publish = |port: u16, more: &[&str]| {
        let (port, ca) = (port.to_string(), file("ca.pem"));
        let words = [
            &[
                "-h",
                "127.0.0.1",
                "-p",
                &port,
                "-V",
                "5",
                "-q",
                "1",
                "-t",
                "leeside/sensor/roof",
                "-m",
                "{}",
            ][..],
            &["--cafile", &ca],
            more,
        ]
        .concat();
        run("mosquitto_pub", &words)
    };
    let (pem, key) = (file("plant.pem"), file("plant.key"));
    let plant = ["--cert", pem.as_str(), "--key", key.as_str()];
    let well = publish(with_certificate, &plant);
    assert!(well.status.success(), "{well:?}");
    let well = publish(with_password, &["-u", "plant", "-P", "secret"]);
    assert!(well.status.success(), "{well:?}");
    for (port, words, who) in [
        (with_certificate, &[][..], "without a certificate"),
        (
            with_certificate,
            &["-u", "plant", "-P", "secret"],
            "with a password only",
        ),
        (with_password, &[], "without a name"),
        (
            with_password,
            &["-u", "plant", "-P", "guessed"],
            "with a wrong password",
        ),
    ] {
        let said = publish(port, words);
        assert!(!said.status.success(), "{who}: {said:?}");
    }
    // Without TLS nobody gets anywhere.
    let port = with_certificate.to_string();
    let bare = run(
        "mosquitto_pub",
        &["-h", "127.0.0.1", "-p", &port, "-t", "x", "-m", "y"],
    );
    assert!(!bare.status.success(), "{bare:?}");
}

/// Whether a filter (MQTT 5, 4.7) takes a topic in which a name stands in braces.
fn takes(filter: &str, topic: &str) -> bool {
    let (mut filter, mut topic) = (filter.split('/'), topic.split('/'));
    loop {
        match (filter.next(), topic.next()) {
            (Some("#"), _) | (None, None) => return true,
            (Some("+"), Some(_)) => {}
            (Some(part), Some(level)) if part == level => {}
            _ => return false,
        }
    }
}

/// Under the broker configuration that we hand out the service may say and hear all
/// that it is described with, and each of its lines is for something described.
#[test]
fn the_access_file_lets_the_service_do_what_is_described() {
    let described: serde_json::Value = serde_json::from_str(&read("deploy/asyncapi.json")).unwrap();
    let access = read("deploy/mosquitto/access");
    let own = access
        .split("\nuser ")
        .find(|user| user.starts_with("leeside\n"));
    let lines: BTreeSet<(&str, &str)> = own
        .unwrap()
        .lines()
        .filter_map(|line| line.strip_prefix("topic ")?.split_once(' '))
        .collect();
    let mut used = BTreeSet::new();
    for (name, operation) in described["operations"].as_object().unwrap() {
        let verb = if operation["action"] == "send" {
            "write"
        } else {
            "read"
        };
        let channel = operation["channel"]["$ref"].as_str().unwrap();
        let channel = described.pointer(channel.trim_start_matches('#')).unwrap();
        let topic = channel["address"]
            .as_str()
            .unwrap()
            .replace("{root}", "leeside");
        let mut allowed = lines
            .iter()
            .filter(|(may, filter)| *may == verb && takes(filter, &topic));
        let line = allowed.next();
        assert!(
            line.is_some(),
            "{name}: the access file lets the service {verb} no {topic}"
        );
        used.extend(line);
    }
    assert_eq!(used, lines, "lines for nothing that is described");
}

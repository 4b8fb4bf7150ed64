//! TLS towards the broker, with the ready configuration and the certificates of
//! `deploy/mosquitto`: who is let in, and what is said where nobody is.

use crate::brokers::{Mosquitto, free_port};
use crate::building::Building;
use crate::client::Listener;
use crate::daemon::{Daemon, TestSite};
use crate::storm::{all_out, sent_in};
use std::path::{Path, PathBuf};
use std::process::Command;

/// A mosquitto with TLS as `deploy/mosquitto/tls.conf` has it, and a door of its
/// own for the building of the test.
struct Secure {
    dir: tempfile::TempDir,
    by_certificate: u16,
    by_password: u16,
    building: u16,
    mosquitto: Option<Mosquitto>,
}

fn deploy() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/mosquitto")
}

fn run(command: &mut Command) {
    let output = command.output().unwrap();
    assert!(
        output.status.success(),
        "{command:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
}

pub(crate) fn certificates(dir: &Path, clients: &[&str]) {
    run(Command::new("bash")
        .arg(deploy().join("certificates"))
        .arg(dir)
        .arg("127.0.0.1")
        .args(clients));
}

impl Secure {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        certificates(dir.path(), &["leeside"]);
        Self::with(dir)
    }

    /// With the certificates that lie there.
    fn with(dir: tempfile::TempDir) -> Self {
        let (by_certificate, by_password, building) = (free_port(), free_port(), free_port());
        let passwords = dir.path().join("passwords");
        std::fs::write(&passwords, "").unwrap();
        run(Command::new("mosquitto_passwd")
            .arg("-b")
            .arg(&passwords)
            .args(["leeside", "leeside-secret"]));
        let access = std::fs::read_to_string(deploy().join("access")).unwrap();
        std::fs::write(
            dir.path().join("access"),
            access.replace("leeside/", "quick/"),
        )
        .unwrap();
        let user = String::from_utf8(Command::new("id").arg("-un").output().unwrap().stdout);
        let config = std::fs::read_to_string(deploy().join("tls.conf")).unwrap();
        let config = config
            .replace(
                "listener 8883",
                &format!("listener {by_certificate} 127.0.0.1"),
            )
            .replace(
                "listener 8884",
                &format!("listener {by_password} 127.0.0.1"),
            )
            .replace("/etc/mosquitto/leeside", &dir.path().display().to_string())
            .replace("user mosquitto", &format!("user {}", user.unwrap().trim()));
        let config = format!("{config}\nlistener {building} 127.0.0.1\nallow_anonymous true\n");
        let mosquitto = Mosquitto::with_config(dir.path(), building, &config);
        Self {
            dir,
            by_certificate,
            by_password,
            building,
            mosquitto: Some(mosquitto),
        }
    }

    fn file(&self, name: &str) -> String {
        self.dir.path().join(name).display().to_string()
    }

    /// A site that comes to one of the doors like this.
    fn site(&self, port: u16, ca: &str, more: &str, login: &str) -> TestSite {
        TestSite::new(&format!(
            "external = {{ host = \"127.0.0.1\", port = {port}, tls = {{ ca_file = \"{ca}\"{more} }}{login} }}"
        ))
    }

    fn own_certificate(&self) -> String {
        format!(
            ", certificate_file = \"{}\", key_file = \"{}\"",
            self.file("leeside.pem"),
            self.file("leeside.key")
        )
    }

    /// The service does its part: out, and in again in the wind.
    fn works(&self, site: &TestSite) {
        let daemon = Daemon::start(&site.path, &[]);
        let listener = Listener::new(self.building);
        let building = Building::calm(&listener);
        all_out(&listener, 0);
        let mark = listener.mark();
        building.blow("wind south", 13.0);
        sent_in(&listener, mark, "south slats");
        let (status, _) = daemon.terminate();
        assert!(status.success());
    }

    /// It is not let in, says why, goes on trying and ends in order.
    fn is_kept_out(&self, site: &TestSite, why: &str) {
        let daemon = Daemon::start(&site.path, &[]);
        let line = daemon.wait_line("no connection to the broker");
        assert!(line.contains(why), "{why} in {line}");
        let tries = || {
            let lines = daemon.lines();
            lines
                .iter()
                .filter(|l| l.contains("no connection to the broker"))
                .count()
        };
        let begun = std::time::Instant::now();
        // Each is told twice: in the log, and among what goes by.
        while tries() < 4 {
            assert!(begun.elapsed() < crate::brokers::PATIENCE, "it gave up");
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        let said = daemon.lines().join("\n");
        assert!(
            !said.contains("secret") && !said.contains("PRIVATE"),
            "{said}"
        );
        let (status, _) = daemon.terminate();
        assert!(status.success());
    }
}

#[test]
fn a_certificate_of_the_house_is_let_in_and_without_one_nobody_is() {
    let secure = Secure::new();
    let ca = secure.file("ca.pem");
    secure.works(&secure.site(secure.by_certificate, &ca, &secure.own_certificate(), ""));
    // TLS 1.3 tells so only after the handshake, so the words are the broker's choice.
    let without = secure.site(secure.by_certificate, &ca, "", "");
    secure.is_kept_out(&without, "no connection");
}

#[test]
fn a_password_is_let_in_over_tls_and_a_wrong_one_is_not() {
    let secure = Secure::new();
    let ca = secure.file("ca.pem");
    let login = format!(
        ", login = {{ user = \"leeside\", password_file = \"{}\" }}",
        secure.file("password")
    );
    std::fs::write(secure.file("password"), "leeside-secret\n").unwrap();
    secure.works(&secure.site(secure.by_password, &ca, "", &login));
    std::fs::write(secure.file("password"), "wrong-secret\n").unwrap();
    let wrong = secure.site(secure.by_password, &ca, "", &login);
    secure.is_kept_out(&wrong, "NotAuthorized");
}

#[test]
fn a_broker_that_another_authority_vouches_for_is_not_trusted() {
    let secure = Secure::new();
    let other = tempfile::tempdir().unwrap();
    certificates(other.path(), &[]);
    let ca = other.path().join("ca.pem").display().to_string();
    let site = secure.site(secure.by_certificate, &ca, &secure.own_certificate(), "");
    // The same name, another key.
    secure.is_kept_out(&site, "invalid peer certificate");
}

#[test]
fn an_expired_broker_is_not_trusted() {
    let dir = tempfile::tempdir().unwrap();
    certificates(dir.path(), &["leeside"]);
    // The broker's certificate anew, of a day long ago.
    let script = "openssl req -new -key broker.key -subj /CN=127.0.0.1 -out broker.csr 2>/dev/null && \
        printf 'subjectAltName=IP:127.0.0.1\\nextendedKeyUsage=serverAuth\\n' > extensions && \
        mkdir -p authority && : > authority/index && echo 77 > authority/serial && \
        printf '[ca]\\ndefault_ca=house\\n[house]\\ndatabase=authority/index\\nserial=authority/serial\\nnew_certs_dir=authority\\ndefault_md=sha256\\npolicy=any\\n[any]\\ncommonName=supplied\\n' > ca.conf && \
        openssl ca -batch -config ca.conf -cert ca.pem -keyfile ca.key -in broker.csr -out broker.pem \
          -extfile extensions -startdate 20200101000000Z -enddate 20200201000000Z -notext 2>&1";
    run(Command::new("bash")
        .arg("-c")
        .arg(script)
        .current_dir(dir.path()));
    let secure = Secure::with(dir);
    let ca = secure.file("ca.pem");
    let site = secure.site(secure.by_certificate, &ca, &secure.own_certificate(), "");
    secure.is_kept_out(&site, "certificate expired");
    drop(secure.mosquitto);
}

#[test]
fn certificates_that_are_none_stop_the_start_and_are_named() {
    let secure = Secure::new();
    let site = secure.site(secure.by_certificate, &secure.file("passwords"), "", "");
    let output = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .arg("run")
        .arg(&site.path)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("passwords holds no certificate"), "{said}");
}

#[test]
fn the_broker_inside_never_opens_to_the_network() {
    for listen in ["0.0.0.0:0", "[::]:0"] {
        let site = TestSite::new(&format!("embedded = {{ listen = \"{listen}\" }}"));
        let output = Command::new(env!("CARGO_BIN_EXE_leeside"))
            .arg("run")
            .arg(&site.path)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(1), "{listen}");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(
            said.contains("which is not loopback, without asking for credentials"),
            "{said}"
        );
    }
}

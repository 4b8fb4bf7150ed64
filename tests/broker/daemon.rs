//! The built program, running.

use crate::brokers::{Mosquitto, PATIENCE, free_port, wait_for_port};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// A site file for a test, in a folder of its own.
pub(crate) struct TestSite {
    pub(crate) dir: tempfile::TempDir,
    pub(crate) path: PathBuf,
}

impl TestSite {
    /// The quick site with its own lines about broker and journal.
    pub(crate) fn new(broker: &str) -> Self {
        let quick = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sites/quick.toml");
        let text = std::fs::read_to_string(quick).unwrap();
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("site.toml");
        let more = format!(
            "[broker]\nroot = \"quick\"\nkeep_alive_s = 5\n{broker}\n[journal]\nfile = \"journal.sqlite\"\n"
        );
        std::fs::write(&path, format!("{text}\n{more}")).unwrap();
        Self { dir, path }
    }

    pub(crate) fn journal(&self) -> PathBuf {
        self.dir.path().join("journal.sqlite")
    }
}

/// Lines for a broker that runs elsewhere.
pub(crate) fn external(port: u16) -> String {
    format!("external = {{ host = \"127.0.0.1\", port = {port} }}")
}

/// Which broker a test runs at.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum At {
    Mosquitto,
    Embedded,
}

/// A site at its broker, the program not started yet.
pub(crate) struct Setup {
    pub(crate) site: TestSite,
    pub(crate) port: u16,
    pub(crate) mosquitto: Option<Mosquitto>,
    /// Where mosquitto's configuration lies: it is read again at each start.
    _scratch: Option<tempfile::TempDir>,
}

impl Setup {
    pub(crate) fn new(at: At) -> Self {
        match at {
            At::Mosquitto => {
                let scratch = tempfile::tempdir().unwrap();
                let mosquitto = Mosquitto::open(scratch.path());
                let site = TestSite::new(&external(mosquitto.port));
                Self {
                    site,
                    port: mosquitto.port,
                    mosquitto: Some(mosquitto),
                    _scratch: Some(scratch),
                }
            }
            At::Embedded => {
                let port = free_port();
                let site =
                    TestSite::new(&format!("embedded = {{ listen = \"127.0.0.1:{port}\" }}"));
                Self {
                    site,
                    port,
                    mosquitto: None,
                    _scratch: None,
                }
            }
        }
    }

    /// Starts the program, and waits until its broker can be reached.
    pub(crate) fn start(&self) -> Daemon {
        let daemon = Daemon::start(&self.site.path, &[]);
        wait_for_port(self.port);
        daemon
    }
}

/// The program, running. It is killed with this value, if it still runs.
pub(crate) struct Daemon {
    child: Child,
    lines: Arc<Mutex<Vec<String>>>,
}

impl Daemon {
    pub(crate) fn start(site: &Path, more: &[&str]) -> Self {
        Self::start_by(&[], site, more)
    }

    /// The same by way of another program, like `ip netns exec NAME`.
    pub(crate) fn start_by(by: &[&str], site: &Path, more: &[&str]) -> Self {
        let words = [by, &[env!("CARGO_BIN_EXE_leeside"), "run"]].concat();
        let mut child = Command::new(words[0])
            .args(&words[1..])
            .arg(site)
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = Arc::new(Mutex::new(Vec::new()));
        collect(child.stdout.take().unwrap(), Arc::clone(&lines));
        collect(child.stderr.take().unwrap(), Arc::clone(&lines));
        Self { child, lines }
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    /// All lines so far, of both outputs.
    pub(crate) fn lines(&self) -> Vec<String> {
        self.lines.lock().unwrap().clone()
    }

    /// Waits for a line with this text.
    pub(crate) fn wait_line(&self, part: &str) -> String {
        let begin = Instant::now();
        loop {
            let lines = self.lines();
            if let Some(line) = lines.iter().find(|line| line.contains(part)) {
                return line.clone();
            }
            assert!(
                begin.elapsed() < PATIENCE,
                "no line with {part:?}; there is:\n{}",
                lines.join("\n")
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Asks it to end, as a service manager does, and waits until it has.
    pub(crate) fn terminate(mut self) -> (ExitStatus, Vec<String>) {
        signal(self.pid(), "TERM");
        let begin = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return (status, self.lines());
            }
            assert!(
                begin.elapsed() < PATIENCE,
                "it does not end:\n{}",
                self.lines().join("\n")
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Ends it without a warning, as a power cut does.
    pub(crate) fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Daemon {
    #[expect(clippy::print_stdout, reason = "shown with the failed test")]
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            let lines = self.lines();
            let tail = lines.len().saturating_sub(60);
            for line in &lines[tail..] {
                println!("daemon: {line}");
            }
        }
    }
}

/// Sends a signal to a process that a test started itself.
pub(crate) fn signal(pid: u32, name: &str) {
    let status = Command::new("kill")
        .arg(format!("-{name}"))
        .arg(pid.to_string())
        .status()
        .unwrap();
    assert!(status.success());
}

fn collect(output: impl std::io::Read + Send + 'static, lines: Arc<Mutex<Vec<String>>>) {
    std::thread::spawn(move || {
        for line in BufReader::new(output).lines().map_while(Result::ok) {
            lines.lock().unwrap().push(line);
        }
    });
}

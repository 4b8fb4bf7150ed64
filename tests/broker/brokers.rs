//! Brokers to test with.

use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Nothing in these tests waits longer than this.
pub(crate) const PATIENCE: Duration = Duration::from_secs(60);

/// A port that nobody listens on.
pub(crate) fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port()
}

/// Waits until somebody listens on a port of the loopback interface.
pub(crate) fn wait_for_port(port: u16) {
    let begin = Instant::now();
    while TcpStream::connect(("127.0.0.1", port)).is_err() {
        assert!(begin.elapsed() < PATIENCE, "nobody listens on port {port}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A mosquitto of our own. It ends with this value.
pub(crate) struct Mosquitto {
    pub(crate) port: u16,
    config: PathBuf,
    child: Option<Child>,
}

impl Mosquitto {
    /// One that lets everybody in, from this machine only, and keeps nothing.
    pub(crate) fn open(dir: &Path) -> Self {
        let port = free_port();
        let text = format!("listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n");
        Self::with_config(dir, port, &text)
    }

    /// One with a configuration.
    pub(crate) fn with_config(dir: &Path, port: u16, text: &str) -> Self {
        let config = dir.join(format!("mosquitto-{port}.conf"));
        std::fs::write(&config, text).unwrap();
        let mut broker = Self {
            port,
            config,
            child: None,
        };
        broker.start();
        broker
    }

    pub(crate) fn start(&mut self) {
        let child = Command::new("mosquitto")
            .env(
                "PATH",
                format!(
                    "{}:/usr/sbin:/usr/local/sbin",
                    std::env::var("PATH").unwrap_or_default()
                ),
            )
            .arg("-c")
            .arg(&self.config)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto is needed for this test: apt-get install mosquitto");
        self.child = Some(child);
        wait_for_port(self.port);
    }

    pub(crate) fn stop(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    /// The process, for signals.
    pub(crate) fn pid(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.stop();
    }
}

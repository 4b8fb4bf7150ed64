//! A house with its page: the quick site, its sensors and drives, the program.

use crate::brokers::{free_port, wait_for_port};
use crate::browser::Browser;
use crate::building::Building;
use crate::client::Listener;
use crate::daemon::{Daemon, TestSite};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

/// What everybody's password is here.
pub(crate) const PASSWORD: &str = "wind from the west";

/// A running house.
pub(crate) struct House {
    /// First, so that it ends first.
    pub(crate) daemon: Daemon,
    pub(crate) building: Building,
    pub(crate) listener: Listener,
    pub(crate) site: TestSite,
    pub(crate) page: u16,
}

impl House {
    /// With nobody who could sign in: it only shows.
    pub(crate) fn open() -> Self {
        Self::with("", &[], |_| ())
    }

    /// With people who may sign in: name, role, rooms.
    pub(crate) fn peopled(people: &[(&str, &str, &[&str])]) -> Self {
        Self::with("people_file = \"people.toml\"", people, |_| ())
    }

    /// With more lines for `[page]` (and whole tables after them), people, and more
    /// files in its folder.
    pub(crate) fn with(
        lines: &str,
        people: &[(&str, &str, &[&str])],
        files: impl FnOnce(&Path),
    ) -> Self {
        let (broker, page) = (free_port(), free_port());
        let site = TestSite::new(&format!(
            "embedded = {{ listen = \"127.0.0.1:{broker}\" }}\n\
             [page]\nlisten = \"127.0.0.1:{page}\"\n{lines}\n"
        ));
        files(site.dir.path());
        for (name, role, rooms) in people {
            let mut words = vec!["add", "SITE", name, "--role", role];
            words.extend(rooms.iter().flat_map(|room| ["--room", room]));
            let out = people_verb(&site.path, &words, PASSWORD);
            assert!(
                out.status.success(),
                "{}",
                String::from_utf8_lossy(&out.stderr)
            );
        }
        let daemon = Daemon::start(&site.path, &[]);
        wait_for_port(broker);
        wait_for_port(page);
        let listener = Listener::new(broker);
        let building = Building::calm(&listener);
        Self {
            daemon,
            building,
            listener,
            site,
            page,
        }
    }

    /// An address of the page.
    pub(crate) fn at(&self, path: &str) -> String {
        format!("http://127.0.0.1:{}{path}", self.page)
    }

    /// Runs `leeside people` on this house; `SITE` stands for its site file.
    pub(crate) fn people(&self, words: &[&str]) -> Output {
        people_verb(&self.site.path, words, PASSWORD)
    }

    /// Signs somebody in, and ends on the page asked for.
    pub(crate) fn sign_in(&self, browser: &Browser, name: &str, to: &str) {
        browser.go(&self.at(&format!("/sign-in?to={to}")));
        browser.fill("#name", name);
        browser.fill("#password", PASSWORD);
        browser.click("main button");
        browser.wait("nav.pages");
    }

    /// Waits until nothing holds the groups for lack of knowledge any more.
    pub(crate) fn settle(&self, browser: &Browser) {
        browser.go(&self.at("/"));
        browser.wait_text("#p-lockouts", "None");
        browser.wait_text("#g-0 .tag", "timetable");
    }
}

/// `leeside people`, with a password on its standard input.
pub(crate) fn people_verb(site: &Path, words: &[&str], password: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .arg("people")
        .args(words.iter().map(|word| {
            if *word == "SITE" {
                site.as_os_str()
            } else {
                word.as_ref()
            }
        }))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // It may refuse before it reads.
    let _ = writeln!(child.stdin.take().unwrap(), "{password}");
    child.wait_with_output().unwrap()
}

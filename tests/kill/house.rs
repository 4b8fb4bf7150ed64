//! The quick site in a folder of its own, and the program that runs it.

use leeside_journal::Journal;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// A house with its broker's place, its journal, and its program.
pub(crate) struct House {
    dir: tempfile::TempDir,
    site: PathBuf,
    program: PathBuf,
}

impl House {
    /// The quick site at a broker of this machine.
    pub(crate) fn new(port: u16, program: &Path) -> Self {
        let quick = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sites/quick.toml");
        let text = std::fs::read_to_string(quick).unwrap();
        let dir = tempfile::tempdir().unwrap();
        let site = dir.path().join("site.toml");
        let more = format!(
            "[broker]\nroot = \"quick\"\nkeep_alive_s = 5\nexternal = {{ host = \"127.0.0.1\", port = {port} }}\n\
             [journal]\nfile = \"journal.sqlite\"\n"
        );
        std::fs::write(&site, format!("{text}\n{more}")).unwrap();
        Self {
            dir,
            site,
            program: program.to_owned(),
        }
    }

    /// Where the journal lies.
    pub(crate) fn journal(&self) -> PathBuf {
        self.dir.path().join("journal.sqlite")
    }

    /// The site file.
    pub(crate) fn site(&self) -> &Path {
        &self.site
    }

    /// Starts the program. What it logs goes to a file beside the site.
    pub(crate) fn start(&self) -> Program {
        let log = File::options()
            .create(true)
            .append(true)
            .open(self.log())
            .unwrap();
        let child = Command::new(&self.program)
            .arg("run")
            .arg(&self.site)
            .arg("--quiet")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        Program(child)
    }

    /// Where the program's log goes.
    pub(crate) fn log(&self) -> PathBuf {
        self.dir.path().join("log")
    }

    /// Follows the chain of the journal: how many rows it has. A torn row, a
    /// broken chain or a damaged page ends the test.
    pub(crate) fn verified(&self) -> u64 {
        let path = self.journal();
        let verified = Journal::open_read_only(&path).unwrap().verify().unwrap();
        assert_eq!(verified.fault, None, "the chain is broken");
        // Only looked at: what the program finds at its next start is its own doing.
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        let db = rusqlite::Connection::open_with_flags(&path, flags).unwrap();
        let pages: String = db
            .query_row("PRAGMA quick_check", [], |row| row.get(0))
            .unwrap();
        assert_eq!(pages, "ok", "the file is damaged");
        verified.rows
    }
}

/// The running program. It ends with this value.
pub(crate) struct Program(Child);

impl Program {
    /// The process, for signals and `/proc`.
    pub(crate) fn id(&self) -> u32 {
        self.0.id()
    }

    /// Ends it without a warning, as a power cut does.
    pub(crate) fn kill(mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }

    /// Whether it has ended by itself.
    pub(crate) fn has_ended(&mut self) -> bool {
        self.0.try_wait().unwrap().is_some()
    }

    /// Waits until it has ended.
    pub(crate) fn wait(&mut self) -> std::io::Result<std::process::ExitStatus> {
        self.0.wait()
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Sends a signal to a process that a test started itself.
pub(crate) fn signal(pid: u32, name: &str) {
    let status = Command::new("kill")
        .arg(format!("-{name}"))
        .arg(pid.to_string())
        .status();
    assert!(status.unwrap().success());
}

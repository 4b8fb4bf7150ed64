//! Runs the program, and keeps what it said.

use serde_json::Value;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use tempfile::TempDir;

/// The example building.
pub(crate) const SITE: &str = "deploy/example/site.toml";
/// Its typical year.
pub(crate) const TMY3: &str = "tests/weather/tmy3_744860_new_york_jfk.csv.gz";
/// Real hours of the year 2013.
pub(crate) const JFK_2013: &str = "tests/weather/jfk_2013_hourly.csv.gz";

/// What a run left behind.
pub(crate) struct Said {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// What matters of it; a year's answer is long.
impl std::fmt::Debug for Said {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let begins: String = self.out.chars().take(2000).collect();
        write!(
            f,
            "exit {:?}\n--- out\n{begins}\n--- err\n{}",
            self.code, self.err
        )
    }
}

impl Said {
    /// Standard output of a run that went well.
    pub(crate) fn well(self) -> String {
        assert_eq!(self.code, Some(0), "{self:#?}");
        self.out
    }

    /// The same as JSON.
    pub(crate) fn json(self) -> Value {
        serde_json::from_str(&self.well()).unwrap()
    }

    /// Standard error of a run that ended so, with nothing on standard output.
    pub(crate) fn refused(self, code: i32) -> String {
        assert_eq!(self.code, Some(code), "{self:#?}");
        assert_eq!(self.out, "", "{self:#?}");
        assert!(!self.err.contains("panicked"), "{self:#?}");
        self.err
    }
}

/// The folder of the project.
pub(crate) fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// `leeside` with these words, in a folder, with something on standard input.
pub(crate) fn leeside_in(folder: &Path, words: &[&str], input: &str) -> Said {
    let mut child = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .current_dir(folder)
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // It may have ended over its words without reading.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    let output = child.wait_with_output().unwrap();
    Said {
        code: output.status.code(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// `leeside` with these words, in the folder of the project.
pub(crate) fn leeside(words: &[&str]) -> Said {
    leeside_in(&root(), words, "")
}

/// Each line of a table: words, and what is said when they are refused as broken.
pub(crate) fn broken(table: &[(&[&str], &str)]) {
    for (words, said) in table {
        let err = leeside(words).refused(2);
        assert!(err.contains(said), "{words:?}:\n{err}");
    }
}

/// The example, copied to where it may be changed.
pub(crate) fn copied_example() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for entry in fs::read_dir(root().join("deploy/example")).unwrap() {
        let path = entry.unwrap().path();
        fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
    }
    folder
}

/// The names of an object's fields, in order.
pub(crate) fn keys(object: &Value) -> Vec<&str> {
    let object = object.as_object().unwrap();
    object.keys().map(String::as_str).collect()
}

/// A field that is text.
pub(crate) fn text<'a>(object: &'a Value, key: &str) -> &'a str {
    object[key].as_str().unwrap()
}

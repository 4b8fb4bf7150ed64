//! House rules that no compiler checks, each a test that trips when the rule is
//! broken. `DEVELOPERS.md` says why each rule stands; its numbered invariants name
//! these tests as their gates.
//!
//! Needs no network and a few seconds. A rule that must give way gets an entry
//! with its reason in the list beside it, not a weaker rule.

mod crates;
mod invariants;
mod licences;
mod sources;
mod tree;

use std::path::{Path, PathBuf};
use std::process::Command;

/// The folder of the workspace.
fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every file of the project, by its path from the root: what git tracks, or,
/// unpacked without git, what lies there.
fn files() -> Vec<String> {
    let tracked = Command::new("git")
        .args(["ls-files", "-z"])
        .current_dir(root())
        .output()
        .ok()
        .filter(|out| out.status.success() && !out.stdout.is_empty());
    let mut files = match tracked {
        Some(out) => String::from_utf8_lossy(&out.stdout)
            .split_terminator('\0')
            .map(String::from)
            .filter(|path| root().join(path).is_file())
            .collect(),
        None => {
            let mut found = Vec::new();
            walk(root(), &mut found);
            found
        }
    };
    files.sort();
    assert!(files.len() > 50, "found only {} files", files.len());
    files
}

fn walk(folder: &Path, found: &mut Vec<String>) {
    let entries = std::fs::read_dir(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    let mut paths: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    for path in paths {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if name == "target" || name == ".git" {
            continue;
        }
        if path.is_dir() {
            walk(&path, found);
        } else if let Ok(short) = path.strip_prefix(root()) {
            found.push(short.to_string_lossy().into_owned());
        }
    }
}

/// The text of a file, by its path from the root; `None` where it is not text.
fn text(path: &str) -> Option<String> {
    let bytes = std::fs::read(root().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"));
    String::from_utf8(bytes).ok()
}

/// The text of a file that must be there and be text.
fn must_read(path: &str) -> String {
    text(path).unwrap_or_else(|| panic!("{path} is not UTF-8"))
}

/// Fails with all that was found, one a line.
fn none(rule: &str, found: &[String]) {
    assert!(found.is_empty(), "{rule}:\n  {}", found.join("\n  "));
}

//! Files beside the site file: has one changed, and can it be used?
//!
//! They are looked at again and again instead of being waited for: that works on
//! every file system, network ones too, and costs a handful of calls.

use leeside_config::{LoadOptions, Severity, Site, Sources};
use std::collections::BTreeMap;
use std::path::Path;
use std::time::SystemTime;

/// Larger files are not read, bytes.
const LARGEST: u64 = 16 * 1024 * 1024;

/// By what a change is noticed; `None`: the file is not there.
type Mark = Option<(SystemTime, u64)>;

/// What was last seen of each file, and whether it has been dealt with.
#[derive(Default)]
pub(super) struct Watched(BTreeMap<String, (Mark, bool)>);

/// A file that has changed: its name, and what stands in it or why that cannot be read.
pub(super) type Changed = (String, Result<Vec<u8>, String>);

impl Watched {
    /// The files that have changed and then stayed as they are for one look: one
    /// that is just being written is left alone.
    pub(super) fn changed(&mut self, folder: &Path, sources: &Sources) -> Vec<Changed> {
        let mut changed = Vec::new();
        for name in sources.beside.keys() {
            let path = folder.join(name);
            let mark = mark(&path);
            match self.0.get_mut(name) {
                Some((seen, dealt_with)) if *seen == mark => {
                    if !std::mem::replace(dealt_with, true) {
                        changed.push((name.clone(), read(&path)));
                    }
                }
                Some(_) | None => {
                    self.0.insert(name.clone(), (mark, false));
                }
            }
        }
        changed
    }
}

fn mark(path: &Path) -> Mark {
    let data = std::fs::metadata(path).ok()?;
    let modified = data.modified().unwrap_or(SystemTime::UNIX_EPOCH);
    Some((modified, data.len()))
}

fn read(path: &Path) -> Result<Vec<u8>, String> {
    let too_large = std::fs::metadata(path).is_ok_and(|data| data.len() > LARGEST);
    if too_large {
        return Err(format!("it is larger than {LARGEST} bytes"));
    }
    std::fs::read(path).map_err(|error| {
        if error.kind() == std::io::ErrorKind::NotFound {
            "there is no such file".to_owned()
        } else {
            error.to_string()
        }
    })
}

/// What became of changed files.
pub(super) struct Judged {
    /// The site with every changed file that can be used; `None`: nothing changes.
    pub(super) site: Option<Box<Site>>,
    /// Per changed file what is wrong with it, if anything.
    pub(super) complaints: Vec<(String, Option<String>)>,
}

/// Takes in every changed file that can be used, one after the other; of the
/// others the previous content stays.
pub(super) fn judge(
    sources: &Sources,
    folder: &Path,
    options: &LoadOptions,
    changed: Vec<Changed>,
) -> Judged {
    let mut adopted = sources.clone();
    let mut judged = Judged {
        site: None,
        complaints: Vec::new(),
    };
    for (name, content) in changed {
        let complaint = match content {
            Err(why) => Some(format!("{name}: {why}")),
            Ok(bytes) if adopted.beside.get(&name) == Some(&bytes) => None,
            Ok(bytes) => {
                let mut with = adopted.clone();
                with.beside.insert(name.clone(), bytes);
                let outcome = with.read(folder, options);
                if let Some(site) = outcome.site {
                    (adopted, judged.site) = (with, Some(Box::new(site)));
                    None
                } else {
                    let errors = outcome
                        .diagnostics
                        .iter()
                        .filter(|problem| problem.severity == Severity::Error);
                    let all: Vec<String> = errors.map(ToString::to_string).collect();
                    Some(all.join("; "))
                }
            }
        };
        let complaint = complaint.map(|why| format!("{why}; the previous one stays in force"));
        judged.complaints.push((name, complaint));
    }
    judged
}

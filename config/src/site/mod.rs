//! The site file: what an integrator writes by hand, and what becomes of it.
//!
//! The path from text to model: `read` checks every key against the table of
//! `keys` (types, ranges, names) and leaves typed tables (`node`); `build`
//! makes the model's parts of them; `lint` looks at what is possible but
//! unwise. All of it runs in one pass over given texts, and every problem of
//! every file comes out of it; only [`load`] touches the disk, and nothing
//! touches the network.

mod build;
mod collect;
mod form;
mod keys;
mod lint;
mod list;
mod names;
mod node;
mod read;
mod schema;
mod sources;
mod tree;
mod value;

use crate::diagnostic::{Diagnostic, Severity};
use crate::wire::Wire;
use leeside_core::model::Model;
use read::Reader;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use node::DefaultInForce;
pub use schema::schema;
pub use sources::Sources;

/// Larger site files are refused: ten thousand devices fit in a fraction of this.
pub const MAX_BYTES: usize = 16 * 1024 * 1024;

/// The journal file of a site file that names none, beside it.
pub(crate) const DEFAULT_JOURNAL: &str = "leeside-journal.sqlite";

/// A site file and everything it names, read and found sound.
#[derive(Clone, Debug)]
pub struct Site {
    /// What the decision core knows.
    pub model: Arc<Model>,
    /// What the daemon needs beside it.
    pub wire: Wire,
    /// SHA-256 over all files read, hex: the same fingerprint means the same parameters.
    pub fingerprint: String,
    /// The files read, the site file first.
    pub files: Vec<FileRead>,
    /// What stood in them.
    pub sources: Arc<Sources>,
    /// The years for which the class of every day was worked out.
    pub years: RangeInclusive<i32>,
}

/// A file that was read.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize)]
pub struct FileRead {
    /// As the site file names it (the site file itself: as the caller named it).
    pub name: String,
    /// SHA-256 of its bytes, hex.
    pub sha256: String,
}

/// What the caller has to say about reading a site.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LoadOptions {
    /// The years for which the class of every day is worked out. Outside of them
    /// days go by weekday.
    pub years: RangeInclusive<i32>,
}

impl LoadOptions {
    /// From the year before `year` to three years after it.
    #[must_use]
    pub const fn around(year: i32) -> Self {
        Self {
            years: year.saturating_sub(1)..=year.saturating_add(3),
        }
    }
}

/// Where the files beside the site file come from.
pub trait Files {
    /// The bytes of a file, by the name that the site file gives it.
    ///
    /// # Errors
    /// Why it cannot be read, in words.
    fn read(&mut self, name: &str) -> Result<Vec<u8>, String>;
}

/// Files given as texts, for whoever has no disk: tests, fuzzing, an editor.
impl Files for BTreeMap<String, String> {
    fn read(&mut self, name: &str) -> Result<Vec<u8>, String> {
        self.get(name)
            .map(|text| text.clone().into_bytes())
            .ok_or_else(|| "there is no such file".to_owned())
    }
}

/// Files beside the site file on disk.
#[derive(Debug)]
struct Folder(PathBuf);

impl Files for Folder {
    fn read(&mut self, name: &str) -> Result<Vec<u8>, String> {
        std::fs::read(self.0.join(name)).map_err(|error| {
            if error.kind() == std::io::ErrorKind::NotFound {
                "there is no such file".to_owned()
            } else {
                error.to_string()
            }
        })
    }
}

/// What reading a site gave.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The site; `None` where there was an error.
    pub site: Option<Site>,
    /// Every problem, in the order of the files.
    pub diagnostics: Vec<Diagnostic>,
    /// Every value that holds because the file leaves it out.
    pub defaults: Vec<DefaultInForce>,
    /// The text of the site file, for drawing the problems; empty where it could not be read.
    pub text: String,
}

impl Outcome {
    fn failure(file: String, message: String, hint: String) -> Self {
        let diagnostic = Diagnostic {
            file,
            line: 1,
            column: 1,
            span: 0..0,
            severity: Severity::Error,
            message,
            hint,
        };
        Self {
            site: None,
            diagnostics: vec![diagnostic],
            defaults: Vec::new(),
            text: String::new(),
        }
    }
}

/// Reads a site from disk: the site file and the files it names.
///
/// # Errors
/// Every problem, where one of them is an error.
pub fn load_site(
    path: &Path,
    options: &LoadOptions,
) -> Result<(Site, Vec<Diagnostic>), Vec<Diagnostic>> {
    let outcome = load(path, options);
    match outcome.site {
        Some(site) => Ok((site, outcome.diagnostics)),
        None => Err(outcome.diagnostics),
    }
}

/// Reads a site from disk and gives all that came of it. Paths in the wire's
/// settings are made to lie beside the site file.
#[must_use]
pub fn load(path: &Path, options: &LoadOptions) -> Outcome {
    let name = path.display().to_string();
    let text = match std::fs::read(path) {
        Ok(bytes) if bytes.len() > MAX_BYTES => {
            return Outcome::failure(
                name,
                format!("the file has {} bytes, more than {MAX_BYTES}", bytes.len()),
                "is this a site file?".to_owned(),
            );
        }
        Ok(bytes) => match String::from_utf8(bytes) {
            Ok(text) => text,
            Err(error) => {
                return Outcome::failure(
                    name,
                    format!("the file is not UTF-8: {error}"),
                    "save it as UTF-8".to_owned(),
                );
            }
        },
        Err(error) => {
            return Outcome::failure(
                name,
                format!("the site file cannot be read: {error}"),
                String::new(),
            );
        }
    };
    let folder = path.parent().unwrap_or_else(|| Path::new("")).to_owned();
    let mut outcome = parse(&name, &text, &mut Folder(folder.clone()), options);
    if let Some(site) = &mut outcome.site {
        site.wire.lie_in(&folder);
    }
    outcome
}

/// The journal file that a site file names, also where the site file is broken
/// elsewhere: then the default beside it.
#[must_use]
pub fn journal_named(path: &Path) -> PathBuf {
    let text = std::fs::read(path).unwrap_or_default();
    let text = String::from_utf8_lossy(&text);
    let (table, _) = toml::de::DeTable::parse_recoverable(&text);
    let named = table
        .get_ref()
        .get("journal")
        .and_then(|section| section.get_ref().get("file")?.get_ref().as_str())
        .unwrap_or(DEFAULT_JOURNAL);
    path.parent().unwrap_or_else(|| Path::new("")).join(named)
}

/// Reads a site from its texts. `name` is what diagnostics call the site file.
#[must_use]
pub fn parse(name: &str, text: &str, files: &mut dyn Files, options: &LoadOptions) -> Outcome {
    let mut files = Recording {
        inner: files,
        seen: vec![(name.to_owned(), Sha256::digest(text.as_bytes()).into())],
        kept: BTreeMap::new(),
    };
    let mut reader = Reader::new(name, text);
    let tree = reader.tree();
    let draft = build::draft(&mut reader, &tree, &mut files, &options.years);
    lint::lint(&mut reader, &tree, &draft, &options.years);
    let mut defaults = std::mem::take(&mut reader.assumed);
    tree.nodes()
        .for_each(|node| node.defaults_in_force(&mut defaults));
    let model = if reader.failed() {
        None
    } else {
        draft.model(&reader)
    };
    let site = model.zip(draft.wire).map(|(model, wire)| Site {
        model: Arc::new(model),
        wire,
        fingerprint: files.fingerprint(),
        files: files.list(),
        sources: Arc::new(Sources {
            name: name.to_owned(),
            text: text.to_owned(),
            beside: std::mem::take(&mut files.kept),
        }),
        years: options.years.clone(),
    });
    if site.is_none() && !reader.failed() {
        // Something was given up on without a word: never let that pass as well.
        reader.error(
            &(0..0),
            "this site file could not be understood, and the reader cannot say where",
            "please report this with the file",
        );
    }
    Outcome {
        site,
        diagnostics: reader.finish(),
        defaults,
        text: text.to_owned(),
    }
}

/// Notes what was read.
struct Recording<'f> {
    inner: &'f mut dyn Files,
    seen: Vec<(String, [u8; 32])>,
    kept: BTreeMap<String, Vec<u8>>,
}

impl Files for Recording<'_> {
    fn read(&mut self, name: &str) -> Result<Vec<u8>, String> {
        let bytes = self.inner.read(name)?;
        if !self.seen.iter().any(|(seen, _)| seen == name) {
            self.seen
                .push((name.to_owned(), Sha256::digest(&bytes).into()));
            self.kept.insert(name.to_owned(), bytes.clone());
        }
        Ok(bytes)
    }
}

impl Recording<'_> {
    fn list(&self) -> Vec<FileRead> {
        self.seen
            .iter()
            .map(|(name, sum)| FileRead {
                name: name.clone(),
                sha256: hex(sum),
            })
            .collect()
    }

    /// Over the contents and, but for the site file, the names: the same site
    /// has the same fingerprint wherever it lies.
    fn fingerprint(&self) -> String {
        let mut all = Sha256::new();
        for (index, (name, sum)) in self.seen.iter().enumerate() {
            if index > 0 {
                all.update(name.as_bytes());
                all.update([0]);
            }
            all.update(sum);
        }
        hex(&all.finalize())
    }
}

fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes
        .iter()
        .fold(String::with_capacity(bytes.len() * 2), |mut out, byte| {
            let _ = write!(out, "{byte:02x}");
            out
        })
}

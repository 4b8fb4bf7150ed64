//! The site file: what an integrator writes by hand, and what becomes of it.

use crate::diagnostic::Diagnostic;
use crate::wire::Wire;
use leeside_core::model::Model;
use std::ops::RangeInclusive;
use std::path::Path;
use std::sync::Arc;

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
}

/// A file that was read.
#[derive(Clone, PartialEq, Eq, Debug)]
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

/// Where the text of the files beside the site file comes from.
pub trait Files {
    /// The text of a file, by the name that the site file gives it.
    ///
    /// # Errors
    /// Why it cannot be read, in words.
    fn read(&self, name: &str) -> Result<String, String>;
}

/// What reading a site gave.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The site; `None` where there was an error.
    pub site: Option<Site>,
    /// Every problem, in the order of the files.
    pub diagnostics: Vec<Diagnostic>,
}

/// Reads a site file and what it names from disk.
///
/// # Errors
/// Every problem, where one of them is an error.
pub fn load_site(path: &Path, options: &LoadOptions) -> Result<(Site, Vec<Diagnostic>), Vec<Diagnostic>> {
    let outcome = load(path, options);
    match outcome.site {
        Some(site) => Ok((site, outcome.diagnostics)),
        None => Err(outcome.diagnostics),
    }
}

/// Reads a site file and what it names from disk, and keeps the problems beside
/// the site.
#[must_use]
pub fn load(path: &Path, options: &LoadOptions) -> Outcome {
    let _ = (path, options);
    Outcome { site: None, diagnostics: Vec::new() }
}

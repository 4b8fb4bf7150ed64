//! The texts that a site was read from, kept: to read it again for other years,
//! with one of its files exchanged, or long after the files have changed.

use super::{Files, LoadOptions, Outcome, parse};
use std::collections::BTreeMap;
use std::path::Path;

/// What stood in the files of a site.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Sources {
    /// What diagnostics call the site file.
    pub name: String,
    /// The site file.
    pub text: String,
    /// The files it names, by the names it gives them.
    pub beside: BTreeMap<String, Vec<u8>>,
}

/// Files as they were read then.
struct Kept<'a>(&'a BTreeMap<String, Vec<u8>>);

impl Files for Kept<'_> {
    fn read(&mut self, name: &str) -> Result<Vec<u8>, String> {
        self.0
            .get(name)
            .cloned()
            .ok_or_else(|| "there is no such file".to_owned())
    }
}

impl Sources {
    /// Reads the site again, without the disk. Relative paths of the wire's
    /// settings are made to lie in `folder`, that of the site file.
    #[must_use]
    pub fn read(&self, folder: &Path, options: &LoadOptions) -> Outcome {
        let mut kept = Kept(&self.beside);
        let mut outcome = parse(&self.name, &self.text, &mut kept, options);
        if let Some(site) = &mut outcome.site {
            site.wire.lie_in(folder);
        }
        outcome
    }
}

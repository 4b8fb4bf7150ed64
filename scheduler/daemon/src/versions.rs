//! Sites by their fingerprint: the one that was read from disk, and those whose
//! files the journal kept, read anew.

use leeside_config::{LoadOptions, Site, Sources};
use leeside_core::model::Model;
use leeside_journal::{Journal, SiteFiles};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

/// What a run makes of every site that it reads (a simulation has its own wire).
pub type Fit = Arc<dyn Fn(Site) -> Site + Send + Sync>;

/// First and last year for which the class of every day is worked out.
pub type Years = (i32, i32);

/// The years of a site.
#[must_use]
pub fn years(site: &Site) -> Years {
    (*site.years.start(), *site.years.end())
}

/// The files of a site as the journal keeps them.
#[must_use]
pub fn files(site: &Site) -> SiteFiles {
    let sources = &site.sources;
    // In the order in which they were read, which the fingerprint depends on.
    let beside = site.files.iter().skip(1).filter_map(|file| {
        let content = sources.beside.get(&file.name)?;
        Some((file.name.clone(), content.clone()))
    });
    let own = (sources.name.clone(), sources.text.clone().into_bytes());
    SiteFiles {
        fingerprint: site.fingerprint.clone(),
        files: std::iter::once(own).chain(beside).collect(),
    }
}

/// Finds models by fingerprint and years.
pub struct Versions<'a> {
    journal: Option<&'a Journal>,
    given: &'a Site,
    fit: Option<Fit>,
    found: BTreeMap<(String, Years), Option<Arc<Model>>>,
}

impl core::fmt::Debug for Versions<'_> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Versions")
            .field("found", &self.found.keys())
            .finish_non_exhaustive()
    }
}

impl<'a> Versions<'a> {
    /// The site that was read from disk, and what the journal kept.
    #[must_use]
    pub const fn new(given: &'a Site, journal: Option<&'a Journal>, fit: Option<Fit>) -> Self {
        Self {
            journal,
            given,
            fit,
            found: BTreeMap::new(),
        }
    }

    /// The site that was read from disk.
    #[must_use]
    pub const fn given(&self) -> &Site {
        self.given
    }

    /// The model of that fingerprint for those years (where they are not known:
    /// for those of the site at hand); `None` where its files were not kept, or
    /// are no longer what they were.
    pub fn model(&mut self, fingerprint: &str, wanted: Option<Years>) -> Option<Arc<Model>> {
        let wanted = wanted.unwrap_or_else(|| years(self.given));
        if fingerprint == self.given.fingerprint && wanted == years(self.given) {
            return Some(Arc::clone(&self.given.model));
        }
        let key = (fingerprint.to_owned(), wanted);
        if let Some(found) = self.found.get(&key) {
            return found.clone();
        }
        let model = self.read(fingerprint, wanted);
        self.found.insert(key, model.clone());
        model
    }

    fn read(&self, fingerprint: &str, (first, last): Years) -> Option<Arc<Model>> {
        let options = LoadOptions {
            years: first..=last,
        };
        let nowhere = Path::new("");
        let site = if fingerprint == self.given.fingerprint {
            self.given.sources.read(nowhere, &options).site?
        } else {
            sources(self.journal?.site_files(fingerprint).ok()??)?
                .read(nowhere, &options)
                .site?
        };
        if site.fingerprint != fingerprint {
            return None;
        }
        let site = match &self.fit {
            Some(fit) => fit(site),
            None => site,
        };
        Some(site.model)
    }
}

fn sources(kept: SiteFiles) -> Option<Sources> {
    let mut files = kept.files.into_iter();
    let (name, text) = files.next()?;
    Some(Sources {
        name,
        text: String::from_utf8(text).ok()?,
        beside: files.collect(),
    })
}

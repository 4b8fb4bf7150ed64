//! Sites by their fingerprint: the one that was read from disk, and those whose
//! files the journal kept, read anew.

use crate::simulated::Fitting;
use leeside_config::{LoadOptions, Site, Sources};
use leeside_core::model::Model;
use leeside_core::time::Wall;
use leeside_dryrun::lived::VersionAt;
pub use leeside_dryrun::lived::Years;
use leeside_journal::{Journal, SiteFiles};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

/// What a run makes of every site that it reads (a simulation has its own wire).
pub type Fit = Arc<dyn Fn(Site) -> Site + Send + Sync>;

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

/// The site that was last in force, as the journal kept its files: for a start that
/// finds the site file at `path` broken. `None` where the journal kept none, or none
/// of a file of that name.
#[must_use]
pub fn last_in_force(journal: &Path, path: &Path, options: &LoadOptions) -> Option<Site> {
    let journal = Journal::open_read_only(journal).ok()?;
    let version = journal.version_before(Wall(i64::MAX)).ok()?;
    let version = version.and_then(|row| serde_json::from_str::<VersionAt>(&row.body).ok());
    let snapshot = || Some(journal.snapshot_before(i64::MAX).ok()??.2.fingerprint);
    let fingerprint = version.map(|at| at.fingerprint).or_else(snapshot)?;
    let kept = sources(journal.site_files(&fingerprint).ok()??)?;
    if Path::new(&kept.name).file_name() != path.file_name() {
        return None;
    }
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    let site = kept.read(folder, options).site?;
    (site.fingerprint == fingerprint).then_some(site)
}

/// Finds models by fingerprint and years.
pub struct Versions<'a> {
    journal: Option<&'a Journal>,
    given: Given<'a>,
    found: BTreeMap<(String, Years), Option<Arc<Model>>>,
}

/// The site at hand.
struct Given<'a> {
    fingerprint: &'a str,
    model: &'a Arc<Model>,
    /// Where it is known which, and its files.
    years: Option<Years>,
    sources: Option<&'a Sources>,
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
    pub fn new(given: &'a Site, journal: Option<&'a Journal>) -> Self {
        Self {
            journal,
            given: Given {
                fingerprint: &given.fingerprint,
                model: &given.model,
                years: Some(years(given)),
                sources: Some(&given.sources),
            },
            found: BTreeMap::new(),
        }
    }

    /// The model that runs, and what the journal kept.
    #[must_use]
    pub const fn running(
        model: &'a Arc<Model>,
        fingerprint: &'a str,
        journal: &'a Journal,
    ) -> Self {
        Self {
            journal: Some(journal),
            given: Given {
                fingerprint,
                model,
                years: None,
                sources: None,
            },
            found: BTreeMap::new(),
        }
    }

    /// The model of the site at hand.
    #[must_use]
    pub const fn given(&self) -> &Arc<Model> {
        self.given.model
    }

    fn read(&self, fingerprint: &str, wanted: Option<Years>) -> Option<Arc<Model>> {
        let (files, fitting) = Fitting::of(fingerprint);
        let given = &self.given;
        let at_hand = given
            .sources
            .filter(|_| Fitting::of(given.fingerprint).0 == files);
        let kept;
        let read_from = if let Some(sources) = at_hand {
            sources
        } else {
            kept = sources(self.journal?.site_files(fingerprint).ok()??)?;
            &kept
        };
        let (first, last) = wanted.or(given.years)?;
        let options = LoadOptions {
            years: first..=last,
        };
        let site = read_from.read(Path::new(""), &options).site?;
        if site.fingerprint != files {
            return None;
        }
        Some(match fitting {
            Some(fitting) => Arc::new(fitting.model(&site.model)),
            None => site.model,
        })
    }
}

impl leeside_dryrun::lived::Versions for Versions<'_> {
    /// `None` also where its files are no longer what they were.
    fn model(&mut self, fingerprint: &str, wanted: Option<Years>) -> Option<Arc<Model>> {
        let given = &self.given;
        let the_same_years = wanted.is_none() || given.years.is_none() || wanted == given.years;
        if fingerprint == given.fingerprint && the_same_years {
            return Some(Arc::clone(given.model));
        }
        let key = (
            fingerprint.to_owned(),
            wanted.or(given.years).unwrap_or_default(),
        );
        if let Some(found) = self.found.get(&key) {
            return found.clone();
        }
        let model = self.read(fingerprint, wanted);
        self.found.insert(key, model.clone());
        model
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

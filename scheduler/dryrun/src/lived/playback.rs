//! A journal's entries run through a core again, one by one: the one door through
//! which a journal is replayed, whoever asks.
//!
//! The same inputs at the same moments give the same outputs, byte for byte, each
//! decided by the version of the site that was in force then. Where they do not,
//! either the journal was altered, or the program is another one than then, or a
//! version was not kept.

use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::input::Input;
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::Now;
use leeside_journal::{Entry, Error, Kind};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// First and last year for which the class of every day is worked out.
pub type Years = (i32, i32);

/// Finds the versions of a site that a journal speaks of.
pub trait Versions {
    /// The site with that fingerprint for those years (where they are not known:
    /// for those of the site at hand); `None` where it was not kept.
    fn model(&mut self, fingerprint: &str, years: Option<Years>) -> Option<Arc<Model>>;
}

/// What rows of kinds `run` and `site` say of the version that they put in force.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize, Debug)]
pub struct VersionAt {
    /// Of the site's files.
    #[serde(default)]
    pub fingerprint: String,
    /// For which years of it.
    #[serde(default)]
    pub years: Option<Years>,
}

/// What is needed here of a snapshot's body.
#[derive(Deserialize)]
struct Kept {
    core: Snapshot,
    #[serde(default)]
    years: Option<Years>,
}

/// Takes what comes out, with the version of the site that decided it.
pub type Heard<'a> = &'a mut dyn FnMut(&Arc<Model>, Output);

/// A core, as far as the entries have brought it.
pub struct Playback<V> {
    versions: V,
    /// What has to do where a version was not kept.
    given: Arc<Model>,
    /// The version in force.
    model: Arc<Model>,
    core: Option<Core>,
}

impl<V> std::fmt::Debug for Playback<V> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Playback")
            .field("site", &self.model.site.name)
            .field("now", &self.core.as_ref().map(Core::now))
            .finish_non_exhaustive()
    }
}

impl<V: Versions> Playback<V> {
    /// Before the first entry of a journal. The site at hand decides where the
    /// version in force was not kept.
    #[must_use]
    pub fn new(versions: V, given: Arc<Model>) -> Self {
        Self {
            versions,
            model: Arc::clone(&given),
            given,
            core: None,
        }
    }

    /// After the entry at which a snapshot was taken.
    ///
    /// # Errors
    /// Where the snapshot does not hold a core that fits the site.
    pub fn restored(
        versions: V,
        given: Arc<Model>,
        snapshot: &leeside_journal::Snapshot,
    ) -> Result<Self, Error> {
        let kept: Kept = serde_json::from_str(&snapshot.body)?;
        let mut playback = Self::new(versions, given);
        playback.take_version(&VersionAt {
            fingerprint: snapshot.fingerprint.clone(),
            years: kept.years,
        });
        playback.core = Some(Core::restore(Arc::clone(&playback.model), &kept.core)?);
        Ok(playback)
    }

    /// The core; `None` before the first start or input.
    #[must_use]
    pub const fn core(&self) -> Option<&Core> {
        self.core.as_ref()
    }

    /// Gives an entry to the core and tells what came out of it. What is neither an
    /// input nor a start of the program nor another site does nothing.
    ///
    /// # Errors
    /// Where the entry does not hold what its kind promises.
    pub fn entry(&mut self, entry: &Entry, heard: Heard<'_>) -> Result<(), Error> {
        match entry.kind {
            Kind::Run => self.begin(entry)?,
            Kind::Site => self.another_site(entry, heard)?,
            kind if kind.is_input() => self.handle(entry.now, entry.input()?, heard),
            Kind::Reading
            | Kind::Garbled
            | Kind::Contact
            | Kind::Request
            | Kind::Report
            | Kind::Connected
            | Kind::Disconnected
            | Kind::Gateway
            | Kind::Restart
            | Kind::Clock
            | Kind::Tick
            | Kind::Command
            | Kind::Lockout
            | Kind::Alarm
            | Kind::Refused
            | Kind::Announce
            | Kind::Erasure
            | Kind::Pruned
            | Kind::Gap => {}
        }
        Ok(())
    }

    fn handle(&mut self, now: Now, input: Input, heard: Heard<'_>) {
        let model = Arc::clone(&self.model);
        self.core
            .get_or_insert_with(|| Core::new(model, now))
            .handle(now, input);
        self.drain(heard);
    }

    fn drain(&mut self, heard: Heard<'_>) {
        let Some(core) = &mut self.core else { return };
        loop {
            match core.poll() {
                Output::Wake(_) => return,
                output @ (Output::Command(_)
                | Output::Lockout(_)
                | Output::Alarm(_)
                | Output::Refused { .. }
                | Output::Announce { .. }) => heard(&self.model, output),
            }
        }
    }

    fn take_version(&mut self, at: &VersionAt) {
        self.model = self
            .versions
            .model(&at.fingerprint, at.years)
            .unwrap_or_else(|| Arc::clone(&self.given));
    }

    /// The site was loaded anew while the program ran. As the service does it: the
    /// old version decides up to this moment.
    fn another_site(&mut self, entry: &Entry, heard: Heard<'_>) -> Result<(), Error> {
        let at: VersionAt = serde_json::from_str(&entry.body)?;
        self.handle(entry.now, Input::Tick, heard);
        self.take_version(&at);
        let model = Arc::clone(&self.model);
        self.core = self.core.take().map(|core| core.reload(model));
        self.drain(heard);
        Ok(())
    }

    /// A start of the program: it went on with a snapshot, or began anew. The
    /// core that is here is put through the same door. What comes out of that was
    /// sent by no one.
    fn begin(&mut self, entry: &Entry) -> Result<(), Error> {
        #[derive(Deserialize)]
        struct Body {
            #[serde(default)]
            resumed: bool,
            #[serde(default)]
            reloaded: bool,
        }
        let body: Body = serde_json::from_str(&entry.body)?;
        let before = Arc::clone(&self.model);
        self.take_version(&serde_json::from_str(&entry.body)?);
        let model = &self.model;
        self.core = Some(match self.core.take() {
            Some(core) if body.resumed => {
                let text = serde_json::to_string(&core.snapshot())?;
                let state = serde_json::from_str(&text)?;
                if body.reloaded {
                    Core::restore(before, &state)?.reload(Arc::clone(model))
                } else {
                    Core::restore(Arc::clone(model), &state)?
                }
            }
            Some(_) | None => Core::new(Arc::clone(model), entry.now),
        });
        self.drain(&mut |_, _| {});
        Ok(())
    }
}

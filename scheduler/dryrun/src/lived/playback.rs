//! A journal's entries run through a core again, one by one.
//!
//! The same inputs at the same moments give the same outputs, byte for byte.
//! Where they do not, either the journal was altered, or the site file or the
//! program is another one than then.

use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_journal::{Entry, Error, Kind};
use std::sync::Arc;

/// A core, as far as the entries have brought it.
#[derive(Clone)]
pub struct Playback {
    model: Arc<Model>,
    core: Option<Core>,
}

impl std::fmt::Debug for Playback {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Playback")
            .field("site", &self.model.site.name)
            .field("now", &self.core.as_ref().map(Core::now))
            .finish_non_exhaustive()
    }
}

impl Playback {
    /// Before the first entry of a journal.
    #[must_use]
    pub const fn new(model: Arc<Model>) -> Self {
        Self { model, core: None }
    }

    /// After the entry at which a snapshot was taken.
    #[must_use]
    pub fn restored(model: Arc<Model>, snapshot: &Snapshot) -> Self {
        let core = Some(Core::restore(Arc::clone(&model), snapshot));
        Self { model, core }
    }

    /// The core; `None` before the first start or input.
    #[must_use]
    pub const fn core(&self) -> Option<&Core> {
        self.core.as_ref()
    }

    /// Gives an entry to the core and says what came out of it. What is neither an
    /// input nor a start of the program does nothing.
    ///
    /// # Errors
    /// Where the entry does not hold what its kind promises.
    pub fn entry(&mut self, entry: &Entry) -> Result<Vec<Output>, Error> {
        if entry.kind == Kind::Run {
            self.begin(entry)?;
            return Ok(vec![]);
        }
        if !entry.kind.is_input() {
            return Ok(vec![]);
        }
        let input = entry.input()?;
        let model = &self.model;
        let core = self
            .core
            .get_or_insert_with(|| Core::new(Arc::clone(model), entry.now));
        core.handle(entry.now, input);
        let mut came = vec![];
        loop {
            match core.poll() {
                Output::Wake(_) => return Ok(came),
                output @ (Output::Command(_)
                | Output::Lockout(_)
                | Output::Alarm(_)
                | Output::Refused { .. }
                | Output::Announce { .. }) => came.push(output),
            }
        }
    }

    /// A start of the program: it went on with a snapshot, or began anew. The
    /// core that is here is put through the same door.
    fn begin(&mut self, entry: &Entry) -> Result<(), Error> {
        let body: serde_json::Value = serde_json::from_str(&entry.body)?;
        let resumed = body
            .get("resumed")
            .and_then(serde_json::Value::as_bool)
            .unwrap_or(false);
        let model = Arc::clone(&self.model);
        self.core = Some(match self.core.take() {
            Some(core) if resumed => {
                let text = serde_json::to_string(&core.snapshot())?;
                Core::restore(model, &serde_json::from_str(&text)?)
            }
            Some(_) | None => Core::new(model, entry.now),
        });
        Ok(())
    }
}

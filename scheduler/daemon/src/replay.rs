//! A journal run through a core again: what was lived through, decided anew.
//!
//! The same inputs at the same moments must give the same commands, byte for
//! byte. Where they do not, either the journal was altered, or the site file or
//! the program is another one than then.

use crate::resume::{State, VersionAt};
use crate::versions::{Versions, Years};
use crate::wire::command_payload;
use leeside_config::Site;
use leeside_core::Core;
use leeside_core::input::Input;
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::Now;
use leeside_journal::{Entry, Error, Journal, Kind, Span};
use serde::Deserialize;
use std::collections::VecDeque;
use std::sync::Arc;

/// A command that differs.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Difference {
    /// The row of the journal that has it, or before which it is missing.
    pub row: i64,
    /// What the journal holds.
    pub recorded: Option<String>,
    /// What the core decides now.
    pub replayed: Option<String>,
}

/// What a replay found.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Replayed {
    /// Inputs run through the core.
    pub inputs: u64,
    /// Starts of the program among them.
    pub runs: u64,
    /// Commands that are the same.
    pub same: u64,
    /// The first commands that differ, at most as many as were asked for.
    pub differences: Vec<Difference>,
    /// How many differ in all.
    pub differ: u64,
    /// Every command in order, as it comes out now.
    pub commands: Vec<String>,
}

/// Runs a whole journal through a core. Where the site file was another than
/// `site` at the time, the one that the journal kept decides.
///
/// # Errors
/// Where the journal cannot be read.
pub fn replay(journal: &Journal, site: &Site, most_differences: usize) -> Result<Replayed, Error> {
    let mut replay = Replay {
        versions: Versions::new(site, Some(journal), None),
        model: Arc::clone(&site.model),
        core: None,
        due: VecDeque::new(),
        found: Replayed::default(),
        most_differences,
    };
    // Where the beginning was pruned, the oldest snapshot is the beginning.
    let mut span = Span::ALL;
    if journal.is_pruned()? {
        let Some((after, _, snapshot)) = journal.first_snapshot()? else {
            return Ok(replay.found);
        };
        let state: State = serde_json::from_str(&snapshot.body)?;
        replay.take_model(&snapshot.fingerprint, state.years);
        replay.core = Some(Core::restore(Arc::clone(&replay.model), &state.core));
        span = Span::after(after);
    }
    for entry in journal.entries(span) {
        replay.entry(&entry?)?;
    }
    replay.settle(i64::MAX);
    Ok(replay.found)
}

struct Replay<'a> {
    versions: Versions<'a>,
    /// The one in force.
    model: Arc<Model>,
    core: Option<Core>,
    /// Commands decided anew that the journal has not shown yet.
    due: VecDeque<String>,
    found: Replayed,
    most_differences: usize,
}

impl Replay<'_> {
    fn entry(&mut self, entry: &Entry) -> Result<(), Error> {
        match entry.kind {
            Kind::Run => {
                self.found.runs += 1;
                self.begin(entry)?;
            }
            Kind::Command => {
                let replayed = self.due.pop_front();
                self.compare(entry.id, Some(entry.body.clone()), replayed);
            }
            Kind::Site => self.another_site(entry)?,
            kind if kind.is_input() => {
                self.settle(entry.id);
                self.found.inputs += 1;
                self.handle(entry.now, entry.input()?);
            }
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

    fn handle(&mut self, now: Now, input: Input) {
        let model = Arc::clone(&self.model);
        self.core
            .get_or_insert_with(|| Core::new(model, now))
            .handle(now, input);
        self.drain();
    }

    fn drain(&mut self) {
        let Some(core) = &mut self.core else { return };
        loop {
            match core.poll() {
                Output::Wake(_) => return,
                Output::Command(command) => {
                    let payload = command_payload(&self.model, &command);
                    self.found.commands.push(payload.clone());
                    self.due.push_back(payload);
                }
                Output::Lockout(_)
                | Output::Alarm(_)
                | Output::Refused { .. }
                | Output::Announce { .. } => {}
            }
        }
    }

    /// The model of a version of the site, from here on; where it was not kept, the
    /// one at hand has to do.
    fn take_model(&mut self, fingerprint: &str, years: Option<Years>) {
        self.model = self
            .versions
            .model(fingerprint, years)
            .unwrap_or_else(|| Arc::clone(&self.versions.given().model));
    }

    /// The site was loaded anew while the program ran.
    fn another_site(&mut self, entry: &Entry) -> Result<(), Error> {
        let at: VersionAt = serde_json::from_str(&entry.body)?;
        // As the service does it: the old model decides up to this moment.
        self.handle(entry.now, Input::Tick);
        self.settle(entry.id);
        self.take_model(&at.fingerprint, at.years);
        self.core = self
            .core
            .take()
            .map(|core| core.reload(Arc::clone(&self.model)));
        self.drain();
        Ok(())
    }

    /// A start of the program: it went on with a snapshot, or began anew. The
    /// replay's own state is put through the same door.
    fn begin(&mut self, entry: &Entry) -> Result<(), Error> {
        #[derive(Deserialize)]
        struct Body {
            #[serde(default)]
            resumed: bool,
            #[serde(default)]
            reloaded: bool,
        }
        let at: VersionAt = serde_json::from_str(&entry.body)?;
        let body: Body = serde_json::from_str(&entry.body)?;
        let before = Arc::clone(&self.model);
        self.take_model(&at.fingerprint, at.years);
        let model = &self.model;
        self.core = Some(match self.core.take() {
            Some(core) if body.resumed => {
                let text = serde_json::to_string(&core.snapshot())?;
                let state = serde_json::from_str(&text)?;
                if body.reloaded {
                    Core::restore(before, &state).reload(Arc::clone(model))
                } else {
                    Core::restore(Arc::clone(model), &state)
                }
            }
            Some(_) | None => Core::new(Arc::clone(model), entry.now),
        });
        self.drain();
        self.due.clear();
        Ok(())
    }

    /// Commands decided anew that the journal does not have.
    fn settle(&mut self, before: i64) {
        while let Some(replayed) = self.due.pop_front() {
            self.compare(before, None, Some(replayed));
        }
    }

    fn compare(&mut self, row: i64, recorded: Option<String>, replayed: Option<String>) {
        if recorded == replayed {
            self.found.same += 1;
            return;
        }
        self.found.differ += 1;
        if self.found.differences.len() < self.most_differences {
            self.found.differences.push(Difference {
                row,
                recorded,
                replayed,
            });
        }
    }
}

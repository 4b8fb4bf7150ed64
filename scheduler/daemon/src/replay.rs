//! A journal run through a core again: what was lived through, decided anew.
//!
//! The same inputs at the same moments must give the same commands, byte for
//! byte. Where they do not, either the journal was altered, or the site file or
//! the program is another one than then.

use crate::resume::State;
use crate::wire::command_payload;
use leeside_core::Core;
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_journal::{Entry, Error, Journal, Kind, Span};
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

/// Runs a whole journal through a core.
///
/// # Errors
/// Where the journal cannot be read.
pub fn replay(
    journal: &Journal,
    model: &Arc<Model>,
    most_differences: usize,
) -> Result<Replayed, Error> {
    let mut replay = Replay {
        model,
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
        replay.core = Some(Core::restore(Arc::clone(model), &state.core));
        span = Span::after(after);
    }
    for entry in journal.entries(span) {
        replay.entry(&entry?)?;
    }
    replay.settle(i64::MAX);
    Ok(replay.found)
}

struct Replay<'a> {
    model: &'a Arc<Model>,
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
            kind if kind.is_input() => {
                self.settle(entry.id);
                self.found.inputs += 1;
                let core = self
                    .core
                    .get_or_insert_with(|| Core::new(Arc::clone(self.model), entry.now));
                core.handle(entry.now, entry.input()?);
                loop {
                    match core.poll() {
                        Output::Wake(_) => break,
                        Output::Command(command) => {
                            let payload = command_payload(self.model, &command);
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

    /// A start of the program: it went on with a snapshot, or began anew. The
    /// replay's own state is put through the same door.
    fn begin(&mut self, entry: &Entry) -> Result<(), Error> {
        let body: serde_json::Value = serde_json::from_str(&entry.body)?;
        let resumed = body
            .get("resumed")
            .and_then(serde_json::Value::as_bool)
            .unwrap_or(false);
        self.core = Some(match (self.core.take(), resumed) {
            (Some(core), true) => {
                let text = serde_json::to_string(&core.snapshot())?;
                Core::restore(Arc::clone(self.model), &serde_json::from_str(&text)?)
            }
            (None, true) | (_, false) => Core::new(Arc::clone(self.model), entry.now),
        });
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

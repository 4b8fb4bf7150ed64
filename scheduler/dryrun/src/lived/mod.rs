//! A daemon's journal as a story: its recorded inputs run through a core again.

mod count;
mod playback;

pub use playback::Playback;

use crate::replay::Sink;
use leeside_core::engine::Snapshot;
use leeside_core::input::Input;
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::{HOUR, Wall};
use leeside_journal::{Entry, Error, Journal, Kind, Span};
use serde::Deserialize;
use std::cell::Cell;
use std::io;
use std::sync::Arc;

/// Inputs of so long before the span are run through the core first, ms, so
/// that guards, holds and positions are those of then.
const LEAD_IN_MS: i64 = 48 * HOUR;

/// Why a journal does not tell.
#[derive(Debug, thiserror::Error)]
pub enum LivedError {
    /// It cannot be read.
    #[error("the journal cannot be read: {0}")]
    Journal(#[from] Error),
    /// A row or snapshot is not what it should be.
    #[error("row {row} of the journal is not understood: {what}")]
    Row {
        /// The row.
        row: i64,
        /// What is wrong.
        what: String,
    },
    /// Nothing was recorded in that span.
    #[error("the journal holds nothing from {from} to {to}; its last row is of {last}")]
    Nothing {
        /// Begin of the span.
        from: String,
        /// End of the span.
        to: String,
        /// The moment of its last row.
        last: String,
    },
    /// What was seen cannot be written.
    #[error("the output cannot be written: {0}")]
    Sink(#[from] io::Error),
    /// The caller's progress function said so.
    #[error("stopped at {0}")]
    Stopped(String),
}

/// A span of a journal.
#[derive(Debug)]
pub struct Lived<'a> {
    journal: &'a Journal,
    model: Arc<Model>,
    from: Wall,
    to: Wall,
    /// The moment of the last row.
    last: Wall,
    rows: Span,
    notes: Vec<String>,
}

/// What of a daemon's snapshot is needed here.
#[derive(Deserialize)]
struct Kept {
    core: Snapshot,
}

impl<'a> Lived<'a> {
    /// The span of a journal, read with the site file of `model` and
    /// `fingerprint`. Movements are told from `from` (included) to `to`
    /// (excluded).
    ///
    /// # Errors
    /// Where the journal cannot be read or holds nothing of the span.
    pub fn of(
        journal: &'a Journal,
        model: Arc<Model>,
        fingerprint: &str,
        from: Wall,
        to: Wall,
    ) -> Result<Self, LivedError> {
        let last = journal.last_moment()?.map(|now| now.wall);
        let Some(rows) = journal.span_of(from.plus(-LEAD_IN_MS), to)? else {
            let moment = crate::weather::moment;
            return Err(LivedError::Nothing {
                from: moment(from),
                to: moment(to),
                last: last.map_or_else(|| "nothing".to_owned(), moment),
            });
        };
        let mut notes = vec![];
        let begun = journal.snapshot_before(rows.from - 1)?;
        let snapshot = begun
            .as_ref()
            .map(|(_, _, snapshot)| snapshot.fingerprint.as_str());
        if snapshot.is_some_and(|then| then != fingerprint) {
            notes.push(
                "the site file is another than then: rows name things by their place in it, so that reasons and \
                 numbers may be those of the present file"
                    .to_owned(),
            );
        }
        Ok(Self {
            journal,
            model,
            from,
            to,
            last: last.unwrap_or(from),
            rows,
            notes,
        })
    }

    /// What to mind.
    #[must_use]
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// The site that it is read with.
    pub(crate) fn model(&self) -> &Model {
        &self.model
    }

    /// In which span movements are known.
    pub(crate) fn span(&self) -> (Wall, Wall) {
        (self.from, self.to.min(self.last))
    }

    pub(crate) fn run(&self, sink: &mut dyn Sink, enough: &Cell<bool>) -> Result<(), LivedError> {
        let mut rows = self.rows;
        // What led up to the span begins at the last snapshot before it, or at the
        // first row that there is.
        let playback = match self.journal.snapshot_before(rows.from - 1)? {
            Some((after, _, snapshot)) => {
                let kept: Kept =
                    serde_json::from_str(&snapshot.body).map_err(|error| LivedError::Row {
                        row: after,
                        what: error.to_string(),
                    })?;
                rows.from = after + 1;
                Playback::restored(Arc::clone(&self.model), &kept.core)
            }
            None => {
                rows.from = 0;
                Playback::new(Arc::clone(&self.model))
            }
        };
        let mut run = Run {
            lived: self,
            playback,
            sink,
        };
        for entry in self.journal.entries(rows) {
            run.entry(&entry?)?;
            if enough.get() {
                return Ok(());
            }
        }
        run.look(self.to)
    }
}

struct Run<'a> {
    lived: &'a Lived<'a>,
    playback: Playback,
    sink: &'a mut dyn Sink,
}

impl Run<'_> {
    fn entry(&mut self, entry: &Entry) -> Result<(), LivedError> {
        self.look(entry.now.wall)?;
        if entry.kind == Kind::Reading
            && self.sink.hears()
            && let Ok(Input::Reading(reading)) = entry.input()
        {
            self.sink.heard(&reading);
        }
        let came = self.playback.entry(entry);
        let came = came.map_err(|error| LivedError::Row {
            row: entry.id,
            what: error.to_string(),
        })?;
        let (model, from, to) = (&self.lived.model, self.lived.from, self.lived.to);
        let told = |at: Wall| from <= at && at < to;
        for output in came {
            match output {
                Output::Command(command) if !command.repeat && told(command.at.wall) => {
                    self.sink.movement(model, &command)?;
                }
                Output::Lockout(change) if told(change.at.wall) => {
                    self.sink.lockout(model, &change)?;
                }
                Output::Alarm(alarm) if told(alarm.at.wall) => self.sink.alarm(model, &alarm)?,
                Output::Command(_)
                | Output::Lockout(_)
                | Output::Alarm(_)
                | Output::Refused { .. }
                | Output::Announce { .. }
                | Output::Wake(_) => {}
            }
        }
        Ok(())
    }

    /// Shows the core as it stood just after each moment asked for that the story
    /// has come past. A copy is shown, so that looking changes nothing.
    fn look(&mut self, reached: Wall) -> Result<(), LivedError> {
        let mut last = None;
        while let Some(at) = self.sink.look_at().filter(|at| *at < reached) {
            // A sink that asks for nothing later has had its answer.
            if last.replace(at) == Some(at) {
                return Ok(());
            }
            let core = self.playback.core().filter(|core| core.now().wall <= at);
            let Some(core) = core else {
                // The story begins after that moment.
                self.sink.missed(at);
                continue;
            };
            let now = core.now();
            let mut copy = core.clone();
            let ahead = at.0 + 1 - now.wall.0;
            copy.handle(now.plus(ahead), Input::Tick);
            while !matches!(copy.poll(), Output::Wake(_)) {}
            self.sink.look(&copy, at)?;
        }
        Ok(())
    }
}

//! A daemon's journal as a story: its recorded inputs run through a core again.

mod count;
mod playback;
mod renumber;

pub use playback::{Heard, Playback, VersionAt, Versions, Years};

use crate::note::Note;
use crate::replay::Sink;
use leeside_core::input::Input;
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::{HOUR, Wall};
use leeside_journal::{Entry, Error, Journal, Kind, Span};
use renumber::Renumber;
use std::cell::Cell;
use std::collections::BTreeMap;
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
    /// Whose groups and devices it is told of.
    model: Arc<Model>,
    versions: Known,
    from: Wall,
    to: Wall,
    /// The moment of the last row.
    last: Wall,
    rows: Span,
    notes: Vec<Note>,
    /// Whether a version that decided was not kept.
    not_kept: bool,
}

/// The versions of a span.
#[derive(Clone, Debug, Default)]
struct Known(BTreeMap<(String, Option<Years>), Arc<Model>>);

impl Versions for Known {
    fn model(&mut self, fingerprint: &str, years: Option<Years>) -> Option<Arc<Model>> {
        self.0.get(&(fingerprint.to_owned(), years)).cloned()
    }
}

/// The version of the site that was in force at a moment; `None` where the journal
/// does not say, or did not keep it.
///
/// # Errors
/// Where the journal cannot be read.
pub fn version_at(
    journal: &Journal,
    versions: &mut dyn Versions,
    at: Wall,
) -> Result<Option<Arc<Model>>, LivedError> {
    let Some(entry) = journal.version_before(at)? else {
        return Ok(None);
    };
    let version = spoken_of(&entry)?;
    Ok(versions.model(&version.fingerprint, version.years))
}

/// Which version a row of kind `run` or `site` puts in force.
fn spoken_of(entry: &Entry) -> Result<VersionAt, LivedError> {
    serde_json::from_str(&entry.body).map_err(|error| LivedError::Row {
        row: entry.id,
        what: error.to_string(),
    })
}

impl<'a> Lived<'a> {
    /// The span of a journal, each part of it decided by the version of the site
    /// that was in force then. It is told in the groups and devices of `model`,
    /// which also decides where a version was not kept. Movements are told from
    /// `from` (included) to `to` (excluded).
    ///
    /// # Errors
    /// Where the journal cannot be read or holds nothing of the span.
    pub fn of(
        journal: &'a Journal,
        model: Arc<Model>,
        versions: &mut dyn Versions,
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
        let mut lived = Self {
            journal,
            model,
            versions: Known::default(),
            from,
            to,
            last: last.unwrap_or(from),
            rows,
            notes: vec![],
            not_kept: false,
        };
        lived.find_versions(versions)?;
        Ok(lived)
    }

    /// Every version that the replay of the span comes through.
    fn find_versions(&mut self, versions: &mut dyn Versions) -> Result<(), LivedError> {
        let mut rows = self.rows;
        let mut told: Option<String> = None;
        if let Some((after, now, snapshot)) = self.journal.snapshot_before(rows.from - 1)? {
            rows.from = after + 1;
            let years = serde_json::from_str(&snapshot.body).map(|at: VersionAt| at.years);
            let years = years.map_err(|error| LivedError::Row {
                row: after,
                what: error.to_string(),
            })?;
            self.version(
                versions,
                now.wall,
                (&snapshot.fingerprint, years),
                &mut told,
            );
        } else {
            rows.from = 0;
        }
        for entry in self.journal.versions(rows)? {
            let at = spoken_of(&entry)?;
            self.version(
                versions,
                entry.now.wall,
                (&at.fingerprint, at.years),
                &mut told,
            );
        }
        Ok(())
    }

    fn version(
        &mut self,
        versions: &mut dyn Versions,
        at: Wall,
        (fingerprint, years): (&str, Option<Years>),
        told: &mut Option<String>,
    ) {
        if fingerprint.is_empty() {
            // A row that does not say.
            return;
        }
        let found = versions.model(fingerprint, years);
        let short: String = fingerprint.chars().take(12).collect();
        let from = at.max(self.from);
        if found.is_none() {
            self.not_kept = true;
            self.notes.push(Note::VersionNotKept {
                from,
                fingerprint: short,
            });
        } else if told.as_ref().is_some_and(|before| before != fingerprint) {
            self.notes.push(Note::VersionFrom {
                from,
                fingerprint: short,
            });
        }
        *told = Some(fingerprint.to_owned());
        if let Some(model) = found {
            self.versions
                .0
                .insert((fingerprint.to_owned(), years), model);
        }
    }

    /// Whether some of it had to be decided by the file at hand, because the
    /// version of then was not kept.
    #[must_use]
    pub const fn is_of_another_site(&self) -> bool {
        self.not_kept
    }

    /// What to mind.
    #[must_use]
    pub fn notes(&self) -> &[Note] {
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
        let (versions, model) = (self.versions.clone(), Arc::clone(&self.model));
        // What led up to the span begins at the last snapshot before it, or at the
        // first row that there is.
        let playback =
            if let Some((after, _, snapshot)) = self.journal.snapshot_before(rows.from - 1)? {
                rows.from = after + 1;
                let restored = Playback::restored(versions, model, &snapshot);
                restored.map_err(|error| LivedError::Row {
                    row: after,
                    what: error.to_string(),
                })?
            } else {
                rows.from = 0;
                Playback::new(versions, model)
            };
        let mut run = Run {
            lived: self,
            playback,
            then: (Arc::clone(&self.model), None),
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
    playback: Playback<Known>,
    /// A version, and what has to be found again by its name in the story's own.
    then: (Arc<Model>, Option<Renumber>),
    sink: &'a mut dyn Sink,
}

impl Run<'_> {
    fn entry(&mut self, entry: &Entry) -> Result<(), LivedError> {
        self.look(entry.now.wall)?;
        if entry.kind == Kind::Reading
            && self.sink.hears()
            && let Ok(Input::Reading(mut reading)) = entry.input()
        {
            if let Some(renumber) = self
                .playback
                .core()
                .and_then(|core| renumber_from(&mut self.then, core.model(), &self.lived.model))
            {
                reading.sensor = renumber.sensor(reading.sensor);
            }
            self.sink.heard(&reading);
        }
        let mut came = vec![];
        let played = self.playback.entry(entry, &mut |model, output| {
            came.push((Arc::clone(model), output))
        });
        played.map_err(|error| LivedError::Row {
            row: entry.id,
            what: error.to_string(),
        })?;
        for (then, output) in came {
            self.tell(&then, output)?;
        }
        Ok(())
    }

    fn tell(&mut self, then: &Arc<Model>, output: Output) -> Result<(), LivedError> {
        let (from, to) = (self.lived.from, self.lived.to);
        let told = |at: Wall| from <= at && at < to;
        let renumber = renumber_from(&mut self.then, then, &self.lived.model);
        // Reasons of a version with other places are told in the places of the story.
        let model = if renumber.is_some() {
            &self.lived.model
        } else {
            then
        };
        match output {
            Output::Command(command) if !command.repeat && told(command.at.wall) => {
                let command = match renumber {
                    Some(renumber) => renumber.command(&command),
                    None => Some(command),
                };
                if let Some(command) = command {
                    self.sink.movement(model, &command)?;
                }
            }
            Output::Lockout(change) if told(change.at.wall) => {
                let change = match renumber {
                    Some(renumber) => renumber.lockout(&change),
                    None => Some(change),
                };
                if let Some(change) = change {
                    self.sink.lockout(model, &change)?;
                }
            }
            Output::Alarm(alarm) if told(alarm.at.wall) => {
                let alarm = match renumber {
                    Some(renumber) => renumber.alarm(&alarm),
                    None => alarm,
                };
                self.sink.alarm(model, &alarm)?;
            }
            Output::Command(_)
            | Output::Lockout(_)
            | Output::Alarm(_)
            | Output::Refused { .. }
            | Output::Announce { .. }
            | Output::Wake(_) => {}
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
            let then = Arc::clone(copy.model());
            if renumber_from(&mut self.then, &then, &self.lived.model).is_some() {
                // Positions, lockouts and holds are those of then; a version with
                // other places can be shown in the story's own only.
                copy = copy.reload(Arc::clone(&self.lived.model));
            }
            self.sink.look(&copy, at)?;
        }
        Ok(())
    }
}

/// What changes from the version of then to the story's own; found once a version.
fn renumber_from<'k>(
    kept: &'k mut (Arc<Model>, Option<Renumber>),
    then: &Arc<Model>,
    story: &Arc<Model>,
) -> Option<&'k Renumber> {
    if !Arc::ptr_eq(&kept.0, then) {
        *kept = (Arc::clone(then), Renumber::between(then, story));
    }
    kept.1.as_ref()
}

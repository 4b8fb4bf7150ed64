//! The state after a start: the last snapshot, and what the journal holds since.
//!
//! Every input is a row of the journal before anything follows from it, so the
//! state of the core is always *snapshot plus the inputs after it*. The core
//! then gets the restart as an input of its own: nothing heard before counts as
//! fresh, and no wish moves anything until the weather is known. Where there is a
//! state but it cannot be taken up, that is an input too: then everything that the
//! weather may harm is locked out until it has been calm for long enough.

use crate::versions::{Versions, Years};
use crate::wire::Board;
use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::input::{Input, RestartCause};
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::{HOUR, Now};
use leeside_dryrun::lived::{VersionAt, Versions as _};
use leeside_journal::{Error, Journal, Kind, Span};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

const DAY: i64 = 24 * HOUR;

/// What a snapshot in the journal holds.
#[derive(Serialize, Deserialize, Clone, Debug)]
pub struct State {
    /// The core's.
    pub core: Snapshot,
    /// Lockouts and alarms that stand.
    pub board: Board,
    /// For which years of the site file.
    #[serde(default)]
    pub years: Option<Years>,
}

/// What was found.
pub struct Resumed {
    /// The core.
    pub core: Core,
    /// Lockouts and alarms that stand.
    pub board: Board,
    /// Whether an earlier state was taken up.
    pub taken_up: bool,
    /// How many inputs were run through the core after the snapshot.
    pub replayed: usize,
    /// Whether it was the state of another version of the site file.
    pub reloaded: bool,
    /// Whether there was a state that could not be taken up: nobody knows what was
    /// locked out then.
    pub lost: bool,
    /// What could not be taken up, in words.
    pub notes: Vec<String>,
}

impl core::fmt::Debug for Resumed {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Resumed")
            .field("taken_up", &self.taken_up)
            .field("replayed", &self.replayed)
            .finish_non_exhaustive()
    }
}

/// A core as the journal left it, or a new one where there is nothing to take up.
#[must_use]
pub fn resume(journal: Option<&Journal>, versions: &mut Versions<'_>, now: Now) -> Resumed {
    let model = Arc::clone(versions.given());
    let fresh = |notes: Vec<String>| Resumed {
        core: Core::new(model, now),
        board: Board::default(),
        taken_up: false,
        replayed: 0,
        reloaded: false,
        lost: !notes.is_empty(),
        notes,
    };
    match journal.map(|journal| taken_up(journal, versions)) {
        Some(Ok(Some(resumed))) => resumed,
        None | Some(Ok(None)) => fresh(Vec::new()),
        Some(Err(why)) => fresh(vec![format!("the state before cannot be taken up: {why}")]),
    }
}

fn taken_up(journal: &Journal, versions: &mut Versions<'_>) -> Result<Option<Resumed>, Error> {
    let Some((after, kept, snapshot)) = journal.snapshot_before(i64::MAX)? else {
        return Ok(None);
    };
    let state: State = serde_json::from_str(&snapshot.body)?;
    // Years that were not would be gone through minute by minute. (A timetable looks
    // at each new day, so a core's last moment is never older.)
    let apart = kept.wall.0.abs_diff(state.core.taken.wall.0);
    if apart > (2 * DAY).unsigned_abs() {
        let what = "the state says that it was taken at another moment than its row".to_owned();
        return Err(Error::Row { id: after, what });
    }
    let present = Arc::clone(versions.given());
    let then = versions.model(&snapshot.fingerprint, state.years);
    let mut resumed = Resumed {
        core: Core::restore(Arc::clone(then.as_ref().unwrap_or(&present)), &state.core)?,
        board: state.board,
        taken_up: true,
        replayed: 0,
        reloaded: false,
        lost: false,
        notes: Vec::new(),
    };
    let Some(mut model) = then else {
        // Rows name things by their place in the old site file. What is lost with
        // them is at most what came after the last command or request.
        resumed.notes.push(
            "the site file is another than at the last snapshot, and that one was not kept; the state was taken up by names"
                .to_owned(),
        );
        return Ok(Some(resumed));
    };
    for entry in journal.entries(Span::after(after)) {
        let entry = entry?;
        if entry.kind == Kind::Site {
            let at: VersionAt = serde_json::from_str(&entry.body)?;
            if let Some(next) = versions.model(&at.fingerprint, at.years) {
                resumed.core.handle(entry.now, Input::Tick);
                resumed.drain(&model);
                resumed.core = resumed.core.reload(Arc::clone(&next));
                model = next;
                resumed.drain(&model);
            }
        } else if entry.kind.is_input() {
            resumed.core.handle(entry.now, entry.input()?);
            resumed.replayed += 1;
            resumed.drain(&model);
        }
    }
    if !Arc::ptr_eq(&model, &present) {
        resumed.notes.push(
            "the site file has changed since the last run; the state was taken over into it"
                .to_owned(),
        );
        resumed.core = resumed.core.reload(Arc::clone(&present));
        resumed.reloaded = true;
        resumed.drain(&present);
    }
    Ok(Some(resumed))
}

impl Resumed {
    /// As what the core is to be told of the start.
    #[must_use]
    pub const fn cause(&self) -> RestartCause {
        if self.lost {
            RestartCause::StateLost
        } else {
            RestartCause::Started
        }
    }

    /// What came out then has been sent then; only what stands is kept.
    fn drain(&mut self, model: &Model) {
        loop {
            match self.core.poll() {
                Output::Wake(_) => return,
                Output::Lockout(change) => {
                    self.board.lockout(model, &change);
                }
                Output::Alarm(alarm) => self.board.alarm(model, &alarm),
                Output::Command(_) | Output::Refused { .. } | Output::Announce { .. } => {}
            }
        }
    }
}

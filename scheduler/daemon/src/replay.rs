//! A journal run through a core again: what was lived through, decided anew.
//!
//! The same inputs at the same moments must give the same commands, byte for
//! byte. Where they do not, either the journal was altered, or the site file or
//! the program is another one than then.

use crate::versions::Versions;
use crate::wire::command_payload;
use leeside_config::Site;
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_dryrun::lived::Playback;
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
    let (versions, given) = (Versions::new(site, Some(journal)), Arc::clone(&site.model));
    // Where the beginning was pruned, or the file was begun anew with a state that
    // stands in none of its rows, the oldest snapshot is the beginning.
    let mut span = Span::ALL;
    let first = journal.entries(Span::ALL).next().transpose()?;
    let playback = if journal.is_pruned()? || !first.as_ref().is_some_and(begins) {
        let Some((after, _, snapshot)) = journal.first_snapshot()? else {
            return Ok(Replayed::default());
        };
        span = Span::after(after);
        Playback::restored(versions, given, &snapshot)?
    } else {
        Playback::new(versions, given)
    };
    let mut replay = Replay {
        playback,
        due: VecDeque::new(),
        found: Replayed::default(),
        most_differences,
    };
    for entry in journal.entries(span) {
        replay.entry(&entry?)?;
    }
    replay.settle(i64::MAX);
    Ok(replay.found)
}

/// Whether all that was before a row stands in the row: a start without a state.
fn begins(first: &Entry) -> bool {
    #[derive(Deserialize)]
    struct Body {
        #[serde(default)]
        resumed: bool,
    }
    let body = serde_json::from_str::<Body>(&first.body);
    first.kind == Kind::Run && body.is_ok_and(|body| !body.resumed)
}

struct Replay<'a> {
    playback: Playback<Versions<'a>>,
    /// Commands decided anew that the journal has not shown yet.
    due: VecDeque<String>,
    found: Replayed,
    most_differences: usize,
}

impl Replay<'_> {
    fn entry(&mut self, entry: &Entry) -> Result<(), Error> {
        if entry.kind == Kind::Command {
            let replayed = self.due.pop_front();
            self.compare(entry.id, Some(entry.body.clone()), replayed);
            return Ok(());
        }
        if entry.kind == Kind::Run {
            // What had been decided when it ended was not sent.
            self.found.runs += 1;
            self.due.clear();
        } else if entry.kind == Kind::Site || entry.kind.is_input() {
            self.settle(entry.id);
            self.found.inputs += u64::from(entry.kind.is_input());
        }
        let Self {
            playback,
            due,
            found,
            ..
        } = self;
        playback.entry(entry, &mut |model: &Arc<Model>, output| {
            if let Output::Command(command) = output {
                let payload = command_payload(model, &command);
                found.commands.push(payload.clone());
                due.push_back(payload);
            }
        })
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

//! What was heard at the broker: holds by hand, numbers of commands.
//!
//! A hold counts as confirmed once a command "by hand" with its pose was heard.
//! From then on, and until somebody asks for its end, no wish of lower rank may
//! move the group, whatever happens to the program.

use crate::building::GROUPS;
use crate::client::{Listener, Message};
use crate::rng::Rng;
use serde_json::Value;
use std::collections::BTreeSet;
use std::time::{Duration, Instant};

/// People ask about this often.
const ASK_MS: i64 = 2_500;
/// What a hold by hand stands above.
const BELOW: [&str; 3] = ["sun", "timetable", "rest"];

/// A group, as somebody who listens knows it.
#[derive(Clone, Default)]
struct Group {
    /// Asked for since the last end.
    asked: BTreeSet<u64>,
    /// Confirmed.
    held: Option<u64>,
    /// Its end was asked for.
    leaving: bool,
    extension: Option<u64>,
    locked: bool,
}

/// All that was heard so far.
pub(crate) struct Heard {
    mark: usize,
    groups: Vec<Group>,
    commands: Vec<(u64, String)>,
    wrong: Vec<String>,
    /// What follows where the program ended before a row was written.
    unrecorded: Vec<String>,
    next: Instant,
    /// Holds that were confirmed.
    pub(crate) confirmed: u32,
}

impl Heard {
    pub(crate) fn new() -> Self {
        Self {
            mark: 0,
            groups: vec![Group::default(); GROUPS.len()],
            commands: Vec::new(),
            wrong: Vec::new(),
            unrecorded: Vec::new(),
            next: Instant::now() + Duration::from_secs(4),
            confirmed: 0,
        }
    }

    /// Now and then somebody asks for a pose, or for the end of a hold. The
    /// terrace is left to its timetable.
    pub(crate) fn people(&mut self, listener: &Listener, rng: &mut Rng) {
        if Instant::now() < self.next {
            return;
        }
        let wait = u64::try_from(rng.int(ASK_MS / 5, ASK_MS * 2)).unwrap_or(0);
        self.next = Instant::now() + Duration::from_millis(wait);
        let index = rng.index(2);
        let (group, state) = (GROUPS[index], &mut self.groups[index]);
        let ask = if rng.once_in(4) {
            state.leaving = true;
            state.asked.clear();
            format!("{{\"by\":\"panel\",\"ask\":\"release\",\"group\":\"{group}\"}}")
        } else {
            let pct = 10 + rng.draw() % 80;
            state.asked.insert(pct);
            format!(
                "{{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"{group}\",\"extension_pct\":{pct},\"hold_s\":7200}}"
            )
        };
        listener.say("quick/request", ask);
    }

    /// Takes in what is new; whether a command or a lockout was among it.
    pub(crate) fn take(&mut self, listener: &Listener) -> bool {
        let new = listener.since(self.mark);
        self.mark += new.len();
        let mut news = false;
        for message in &new {
            let Some((name, what)) = message
                .topic
                .strip_prefix("quick/group/")
                .and_then(|rest| rest.rsplit_once('/'))
            else {
                continue;
            };
            let Some(index) = crate::group_of(name) else {
                continue;
            };
            match what {
                "command" => self.command(index, message),
                "lockout" => self.groups[index].locked = message.json()["engaged"] == true,
                _ => continue,
            }
            news = true;
        }
        news
    }

    fn command(&mut self, index: usize, message: &Message) {
        let command = message.json();
        let sequence = command["sequence"].as_u64().unwrap();
        let text = String::from_utf8(message.payload.clone()).unwrap();
        // The same message twice is what QoS 1 allows; a number twice is not.
        if let Some((last, before)) = self.commands.last()
            && sequence <= *last
            && !self.commands.iter().any(|(_, earlier)| *earlier == text)
        {
            self.unrecorded.push(format!(
                "number {sequence} after {last}: {text} after {before}"
            ));
        }
        self.commands.push((sequence, text));
        let group = &mut self.groups[index];
        let by = command["decided_by"].as_str().unwrap();
        let Some(extension) = command["pose"]["extension_pct"].as_u64() else {
            return;
        };
        group.extension = Some(extension);
        if by == "hand" && group.asked.contains(&extension) {
            self.confirmed += u32::from(group.held != Some(extension));
            group.held = Some(extension);
            group.leaving = false;
        } else if BELOW.contains(&by) {
            if let (Some(held), false) = (group.held, group.leaving) {
                self.wrong.push(format!(
                    "{}: held by hand at {held} %, and now: {command}",
                    GROUPS[index]
                ));
            }
            group.held = None;
        }
    }

    /// Whether any group was locked when last heard.
    pub(crate) fn somebody_is_locked(&self) -> bool {
        self.groups.iter().any(|group| group.locked)
    }

    /// Whether these messages leave every group where it belongs in the calm:
    /// by hand where a hold was confirmed and not ended, else out.
    pub(crate) fn settled(&self, messages: &[Message]) -> bool {
        self.groups.iter().zip(GROUPS).all(|(group, name)| {
            let last = crate::client::commands(messages)
                .into_iter()
                .filter(|(of, _)| of == name)
                .filter_map(|(_, command)| belongs(&command))
                .next_back();
            match (group.held, group.leaving, last) {
                (Some(held), false, Some((by, at))) => {
                    by == "hand" && (at == held || group.asked.contains(&at))
                }
                // The end may have been asked for while nobody listened.
                (_, _, Some((by, at))) => by == "hand" || at == 100,
                (_, _, None) => false,
            }
        })
    }

    /// Everything that is wrong, in the end.
    pub(crate) fn wrong(&self) -> &[String] {
        &self.wrong
    }

    /// What was heard and is not on record, and numbers that came twice for it:
    /// allowed only where the program said that its journal was late.
    pub(crate) fn unrecorded(&self, recorded: &BTreeSet<String>) -> Vec<String> {
        let silent = self
            .commands
            .iter()
            .filter(|(_, text)| !recorded.contains(text));
        let silent = silent.map(|(_, text)| format!("heard, and not in the journal: {text}"));
        self.unrecorded.iter().cloned().chain(silent).collect()
    }
}

/// What decided a command, and where it sends its group.
fn belongs(command: &Value) -> Option<(String, u64)> {
    let at = command["pose"]["extension_pct"].as_u64()?;
    Some((command["decided_by"].as_str()?.to_owned(), at))
}

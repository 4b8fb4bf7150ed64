//! A message on its way out.

use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::time::Wall;

/// What a message is about; decides what becomes of it when it cannot leave at once.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Slot {
    /// A command to a group. Dropped when the way to the plant is lost: the
    /// present verdict is sent then.
    Command(GroupId),
    /// A command to one drive; likewise.
    Drive(DeviceId),
    /// A state, retained, named by its topic: only the newest counts, and it is
    /// sent again after each reconnect.
    State(String),
    /// Something that happened: sent once, dropped when the way is lost.
    Event,
}

/// A message on its way out.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Message {
    /// What it is about.
    pub slot: Slot,
    /// Where it goes.
    pub topic: String,
    /// What it says.
    pub payload: String,
    /// Names it: the number of its command.
    pub sequence: Option<u64>,
    /// Must not be carried out, so not be delivered, after this moment.
    pub not_after: Option<Wall>,
    /// To be sent so long after now, ms: for plants that cannot wait themselves.
    pub delay_ms: u32,
    /// The drives that it moves, where it is a command to a group.
    pub moves: Vec<DeviceId>,
    /// Whether nothing moves by it: it tells of what was, or of what other messages
    /// bring about. Those go first.
    pub tells: bool,
}

impl Message {
    /// A state of its topic.
    #[must_use]
    pub fn state(topic: String, payload: String) -> Self {
        Self {
            slot: Slot::State(topic.clone()),
            ..Self::event(topic, payload)
        }
    }

    /// Something that happened.
    #[must_use]
    pub const fn event(topic: String, payload: String) -> Self {
        Self {
            slot: Slot::Event,
            topic,
            payload,
            sequence: None,
            not_after: None,
            delay_ms: 0,
            moves: Vec::new(),
            tells: true,
        }
    }

    /// Whether the broker keeps it for those who come later.
    #[must_use]
    pub const fn retained(&self) -> bool {
        matches!(self.slot, Slot::State(_))
    }

    /// Whether this one says all that `older` says, so that `older` need not be sent.
    #[must_use]
    pub fn replaces(&self, older: &Self) -> bool {
        match (&self.slot, &older.slot) {
            (Slot::State(mine), Slot::State(theirs)) => mine == theirs,
            (Slot::Drive(mine), Slot::Drive(theirs)) => mine == theirs,
            // A command names only the drives that move: one that leaves out a
            // drive of the older one has not taken that drive's order back.
            (Slot::Command(mine), Slot::Command(theirs)) => {
                mine == theirs && older.moves.iter().all(|device| self.moves.contains(device))
            }
            (Slot::State(_) | Slot::Drive(_) | Slot::Command(_) | Slot::Event, _) => false,
        }
    }
}

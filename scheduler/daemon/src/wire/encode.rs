//! What goes out: from outputs of the core to messages.

use super::board::Board;
use super::foreign::fill;
use super::message::{Message, Slot};
use super::stamp::stamp;
use super::topics::Topics;
use super::trouble::Trouble;
use core::fmt::Write as _;
use leeside_config::wire::{DriveForm, DriveWire, Wire};
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange, Lost, Order, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::Because;
use leeside_core::say;
use leeside_core::time::Wall;
use serde::Serialize;
use std::cell::RefCell;
use std::sync::Arc;

/// So much room, bytes, is kept for the next message.
const LONGEST_DRAFT: usize = 64 * 1024;

/// Whether the service is there.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Presence {
    /// It runs.
    Online,
    /// It was stopped in an orderly way.
    Offline,
    /// The broker lost it without a goodbye (last will).
    Gone,
}

#[derive(Serialize)]
struct PoseOut {
    extension_pct: u8,
    tilt_deg: Option<i16>,
}

impl From<Pose> for PoseOut {
    fn from(pose: Pose) -> Self {
        Self {
            extension_pct: pose.extension_pct,
            tilt_deg: pose.tilt_deg,
        }
    }
}

#[derive(Serialize)]
struct OrderOut<'a> {
    drive: &'a str,
    /// Nothing: halt where it is.
    extension_pct: Option<u8>,
    tilt_deg: Option<i16>,
    start_delay_ms: u32,
}

#[derive(Serialize)]
struct LostOut {
    word: &'static str,
    pose: Option<PoseOut>,
    reason: String,
}

#[derive(Serialize)]
struct CommandOut<'a> {
    sequence: u64,
    group: &'a str,
    /// Nothing: all of it stays where it is.
    pose: Option<PoseOut>,
    orders: Vec<OrderOut<'a>>,
    at: String,
    not_after: String,
    decided_by: &'static str,
    reason: String,
    lost: Vec<LostOut>,
    release: String,
    repeat: bool,
}

#[derive(Serialize)]
struct PoseState<'a> {
    group: &'a str,
    extension_pct: Option<u8>,
    tilt_deg: Option<i16>,
    at: String,
    sequence: u64,
    decided_by: &'static str,
    reason: String,
}

#[derive(Serialize)]
struct AlarmOut<'a> {
    key: &'a str,
    word: &'a str,
    active: bool,
    at: String,
    acknowledged_by: Option<&'a str>,
    reason: &'a str,
}

#[derive(Serialize)]
struct RefusedOut<'a> {
    group: Option<&'a str>,
    by: &'a str,
    refused_by: &'static str,
    reason: String,
    at: String,
}

#[derive(Serialize)]
struct AnnounceOut<'a> {
    group: &'a str,
    ends: String,
    at: String,
}

#[derive(Serialize)]
struct ServiceOut<'a> {
    state: &'static str,
    site: &'a str,
    at: Option<String>,
    version: &'static str,
    fingerprint: &'a str,
}

thread_local! {
    /// Where a message is written first, so that its own text is asked for once, as
    /// long as it is.
    static DRAFT: RefCell<Vec<u8>> = const { RefCell::new(Vec::new()) };
}

/// JSON of a value whose keys are text and whose numbers are finite, so that it cannot fail.
pub(super) fn json<T: Serialize>(value: &T) -> String {
    DRAFT.with_borrow_mut(|draft| {
        draft.clear();
        draft.shrink_to(LONGEST_DRAFT);
        let written = serde_json::to_writer(&mut *draft, value);
        let text = written.ok().and_then(|()| str::from_utf8(draft).ok());
        text.unwrap_or_default().to_owned()
    })
}

/// The payload of a command: also what the journal keeps and a replay must give again.
#[must_use]
pub fn command_payload(model: &Model, command: &Command) -> String {
    json(&CommandOut {
        sequence: command.sequence,
        group: &model.group(command.group).name,
        pose: command.goes_to().map(PoseOut::from),
        orders: command
            .orders
            .iter()
            .map(|order| order_out(model, order))
            .collect(),
        at: stamp(command.at.wall),
        not_after: stamp(command.not_after),
        decided_by: command.decided_by.as_str(),
        reason: say::because(model, &command.because),
        lost: command
            .lost
            .iter()
            .map(|lost| lost_out(model, lost))
            .collect(),
        release: say::release(model, &command.release, command.at),
        repeat: command.repeat,
    })
}

fn order_out<'a>(model: &'a Model, order: &Order) -> OrderOut<'a> {
    OrderOut {
        drive: &model.device(order.device).name,
        extension_pct: order.pose.map(|pose| pose.extension_pct),
        tilt_deg: order.pose.and_then(|pose| pose.tilt_deg),
        start_delay_ms: order.start_delay_ms,
    }
}

fn lost_out(model: &Model, lost: &Lost) -> LostOut {
    LostOut {
        word: lost.word.as_str(),
        pose: lost.pose.map(PoseOut::from),
        reason: say::because(model, &lost.because),
    }
}

/// Turns outputs of the core into messages.
#[derive(Clone, Debug)]
pub struct Encoder {
    model: Arc<Model>,
    topics: Topics,
    drives: Vec<DriveWire>,
    forms: Vec<DriveForm>,
    fingerprint: String,
}

impl Encoder {
    /// The encoder of a site.
    #[must_use]
    pub fn new(model: Arc<Model>, topics: Topics, wire: &Wire, fingerprint: &str) -> Self {
        Self {
            model,
            topics,
            drives: wire.drives.clone(),
            forms: wire.forms.clone(),
            fingerprint: fingerprint.to_owned(),
        }
    }

    /// The topics.
    #[must_use]
    pub const fn topics(&self) -> &Topics {
        &self.topics
    }

    /// A command to its group. Where each drive that it moves has a foreign form, the
    /// messages in that form move them, and this one tells of it.
    #[must_use]
    pub fn command(&self, command: &Command) -> Message {
        let model = &self.model;
        let foreign = |order: &Order| {
            let wire = self.drives.get(order.device.index());
            matches!(wire, Some(DriveWire::Foreign { .. }))
        };
        Message {
            slot: Slot::Command(command.group),
            sequence: Some(command.sequence),
            not_after: Some(command.not_after),
            moves: command.orders.iter().map(|order| order.device).collect(),
            tells: command.orders.iter().all(foreign),
            ..Message::event(
                self.topics.group(model, command.group, "command"),
                command_payload(model, command),
            )
        }
    }

    /// The same command to each of its drives that has a foreign form.
    pub fn foreign_orders<'a>(
        &'a self,
        command: &'a Command,
    ) -> impl Iterator<Item = Message> + 'a {
        command
            .orders
            .iter()
            .filter_map(|order| self.foreign_order(command, order))
    }

    /// The pose that a command sends its group to.
    #[must_use]
    pub fn pose(&self, command: &Command) -> Message {
        let model = &self.model;
        let name = &model.group(command.group).name;
        let pose = command.goes_to();
        let state = PoseState {
            group: name,
            extension_pct: pose.map(|pose| pose.extension_pct),
            tilt_deg: pose.and_then(|pose| pose.tilt_deg),
            at: stamp(command.at.wall),
            sequence: command.sequence,
            decided_by: command.decided_by.as_str(),
            reason: say::because(model, &command.because),
        };
        Message::state(
            self.topics.group(model, command.group, "pose"),
            json(&state),
        )
    }

    /// An order in the form of a foreign plant; `None` for drives that listen to
    /// the group's command, and for a halt that the plant does not know.
    fn foreign_order(&self, command: &Command, order: &Order) -> Option<Message> {
        let DriveWire::Foreign { form, address } = self.drives.get(order.device.index())? else {
            return None;
        };
        let form = self.forms.get(*form)?;
        let (topic, text) = match order.pose {
            Some(_) => &form.pose,
            None => form.halt.as_ref()?,
        };
        let value =
            |name: &str, out: &mut String| self.placeholder(name, command, order, address, out);
        let waits_itself = text.contains("{start_delay_ms}") || topic.contains("{start_delay_ms}");
        Some(Message {
            slot: Slot::Drive(order.device),
            sequence: Some(command.sequence),
            not_after: Some(command.not_after),
            delay_ms: if waits_itself {
                0
            } else {
                order.start_delay_ms
            },
            tells: false,
            ..Message::event(fill(topic, value), fill(text, value))
        })
    }

    /// Writes what stands for a placeholder (`leeside_config::wire::PLACEHOLDERS`), if it is one.
    fn placeholder(
        &self,
        name: &str,
        command: &Command,
        order: &Order,
        address: &str,
        out: &mut String,
    ) -> bool {
        let pose = order.pose.unwrap_or(command.pose);
        // Writing to a string cannot fail.
        let _ = match name {
            "device" => out.write_str(&self.model.device(order.device).name),
            "address" => out.write_str(address),
            "group" => out.write_str(&self.model.group(command.group).name),
            "extension_pct" => write!(out, "{}", pose.extension_pct),
            "retraction_pct" => write!(out, "{}", 100_u8.saturating_sub(pose.extension_pct)),
            "tilt_deg" => write!(out, "{}", pose.tilt_deg.unwrap_or(0)),
            "start_delay_ms" => write!(out, "{}", order.start_delay_ms),
            "sequence" => write!(out, "{}", command.sequence),
            _ => return false,
        };
        true
    }

    /// The lockouts of a group as they stand.
    #[must_use]
    pub fn lockouts(&self, board: &Board, group: GroupId, at: Wall) -> Message {
        let payload = board.lockout_payload(&self.model.group(group).name, at);
        Message::state(self.topics.group(&self.model, group, "lockout"), payload)
    }

    /// A lockout's change as the journal keeps it.
    #[must_use]
    pub fn lockout_record(&self, change: &LockoutChange) -> String {
        #[derive(Serialize)]
        struct Record<'a> {
            group: &'a str,
            guard: &'static str,
            engaged: bool,
            at: String,
            reason: String,
            release: String,
        }
        json(&Record {
            group: &self.model.group(change.group).name,
            guard: change.word.as_str(),
            engaged: change.engaged,
            at: stamp(change.at.wall),
            reason: say::because(&self.model, &change.because),
            release: say::release(&self.model, &change.release, change.at),
        })
    }

    /// An alarm.
    #[must_use]
    pub fn alarm(&self, alarm: &Alarm) -> Message {
        let payload = json(&AlarmOut {
            key: &alarm.key,
            word: &super::board::word_of(alarm.word),
            active: alarm.active,
            at: stamp(alarm.at.wall),
            acknowledged_by: alarm.acknowledged_by.as_deref(),
            reason: &say::because(&self.model, &alarm.because),
        });
        Message::state(self.topics.alarm(&alarm.key), payload)
    }

    /// An alarm about the service itself: whether it stands, and who has seen it.
    #[must_use]
    pub fn trouble(
        &self,
        trouble: Trouble,
        about: Option<&str>,
        (active, by): (bool, Option<&str>),
        at: Wall,
        reason: &str,
    ) -> Message {
        let key = trouble.key(about);
        let payload = json(&AlarmOut {
            key: &key,
            word: trouble.as_str(),
            active,
            at: stamp(at),
            acknowledged_by: by,
            reason,
        });
        Message::state(self.topics.alarm(&key), payload)
    }

    /// An alarm that ended with what it was about.
    #[must_use]
    pub fn cleared(&self, key: &str, word: &str, at: Wall) -> Message {
        let payload = json(&AlarmOut {
            key,
            word,
            active: false,
            at: stamp(at),
            acknowledged_by: None,
            reason: "what it was about is no longer in the site file",
        });
        Message::state(self.topics.alarm(key), payload)
    }

    /// A request that was refused.
    #[must_use]
    pub fn refused(
        &self,
        group: Option<GroupId>,
        by: &str,
        word: Word,
        because: &Because,
        at: Wall,
    ) -> Message {
        let payload = json(&RefusedOut {
            group: group.map(|group| self.model.group(group).name.as_str()),
            by,
            refused_by: word.as_str(),
            reason: say::because(&self.model, because),
            at: stamp(at),
        });
        Message::event(self.topics.refused(), payload)
    }

    /// A request that could not be read.
    #[must_use]
    pub fn unreadable(&self, why: &str, at: Wall) -> Message {
        #[derive(Serialize)]
        struct Unreadable<'a> {
            reason: &'a str,
            at: String,
        }
        Message::event(
            self.topics.refused(),
            json(&Unreadable {
                reason: why,
                at: stamp(at),
            }),
        )
    }

    /// The end of a hold by hand is near.
    #[must_use]
    pub fn announce(&self, group: GroupId, ends: Wall, at: Wall) -> Message {
        let payload = json(&AnnounceOut {
            group: &self.model.group(group).name,
            ends: stamp(ends),
            at: stamp(at),
        });
        Message::event(self.topics.group(&self.model, group, "announce"), payload)
    }

    /// The sign of life; without a moment for the last will, which is written long before.
    #[must_use]
    pub fn service(&self, presence: Presence, at: Option<Wall>) -> Message {
        let payload = json(&ServiceOut {
            state: match presence {
                Presence::Online => "online",
                Presence::Offline => "offline",
                Presence::Gone => "gone",
            },
            site: &self.model.site.name,
            at: at.map(stamp),
            version: env!("CARGO_PKG_VERSION"),
            fingerprint: &self.fingerprint,
        });
        Message::state(self.topics.service(), payload)
    }

    /// The beat by which plants notice that the service is gone.
    #[must_use]
    pub fn heartbeat(&self, at: Wall) -> Message {
        #[derive(Serialize)]
        struct Beat {
            at: String,
        }
        Message::event(self.topics.heartbeat(), json(&Beat { at: stamp(at) }))
    }

    /// The head of the journal's chain: its last row and that row's hash, hex. Noted
    /// elsewhere, it shows that the journal's end was not cut off or written anew.
    #[must_use]
    pub fn journal_head(&self, row: i64, hash: &str, at: Wall) -> Message {
        #[derive(Serialize)]
        struct Head<'a> {
            row: i64,
            hash: &'a str,
            at: String,
        }
        let head = Head {
            row,
            hash,
            at: stamp(at),
        };
        Message::state(self.topics.journal(), json(&head))
    }

    /// The name of a device, for lines and records.
    #[must_use]
    pub fn device(&self, device: DeviceId) -> &str {
        &self.model.device(device).name
    }
}

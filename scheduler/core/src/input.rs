//! What goes into the core: exactly one of these at a time.

use crate::ids::{ArrangementId, ContactId, DeviceId, GatewayId, GroupId, RoomId, SensorId};
use crate::time::Wall;
use serde::{Deserialize, Serialize};

/// One input.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Input {
    /// A sensor measured something.
    Reading(Reading),
    /// A sensor sent something that is no reading (not a number, wrong form).
    Garbled {
        /// The sensor.
        sensor: SensorId,
    },
    /// A contact changed or repeated its state.
    Contact {
        /// The contact.
        contact: ContactId,
        /// Open, alarm, occupied, pressed.
        active: bool,
    },
    /// Somebody asks for something.
    Request(Request),
    /// A drive (or the plant on its behalf) tells of itself.
    Report(Report),
    /// The way to the plant is there (again): present verdicts are sent.
    Connected,
    /// The way to the plant is lost.
    Disconnected,
    /// A gateway is heard (again) or lost.
    Gateway {
        /// The gateway.
        gateway: GatewayId,
        /// Heard, or lost.
        present: bool,
    },
    /// The program started, woke from a suspend, or the wall clock jumped:
    /// nothing heard before counts as fresh.
    Restart(RestartCause),
    /// Whether the wall clock is to be trusted.
    Clock {
        /// Synchronised and plausible.
        trusted: bool,
    },
    /// Nothing happened but time.
    Tick,
}

/// Why the core must not trust what it heard before.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RestartCause {
    /// The program started.
    Started,
    /// Wall and steady time drifted apart at once: suspend or clock step.
    ClockJump,
    /// The site file was loaded anew; lockouts and fresh readings stay.
    Reloaded,
    /// The program starts, and what it had kept cannot be read: whatever was locked
    /// out then may have to be still. Every weather guard engages until its weather
    /// has been calm for its hold time.
    StateLost,
}

/// One value (or set of wind values) of one sensor at one time.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Reading {
    /// The sensor.
    pub sensor: SensorId,
    /// When it was measured, by the sensor's word, or when it arrived.
    pub at: Wall,
    /// What was measured.
    pub sample: Sample,
}

/// What was measured.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sample {
    /// A single value in the sensor's unit.
    Value(f64),
    /// Wind.
    Wind {
        /// Gust, m/s.
        gust: Part,
        /// Mean, m/s.
        mean: Part,
        /// Direction it blows from, degrees.
        direction: Part,
    },
}

/// A part of a wind reading.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// This reading does not speak of it.
    #[default]
    Unsaid,
    /// The sensor says that it has none.
    Absent,
    /// The value.
    Value(f64),
}

impl Part {
    /// The value, where there is one.
    #[must_use]
    pub const fn value(self) -> Option<f64> {
        match self {
            Self::Value(v) => Some(v),
            Self::Unsaid | Self::Absent => None,
        }
    }
}

/// Somebody asks for something.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Request {
    /// Who, in a word that the journal can carry ("room panel 3", "centre: A. Person").
    pub by: String,
    /// From where.
    pub from: Origin,
    /// What.
    pub ask: Ask,
}

/// From where a request comes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// From a room; outranks the centre.
    Room(RoomId),
    /// From the centre.
    Centre,
}

/// What is asked.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Ask {
    /// A pose for a group; extension and tilt may be asked separately.
    Pose {
        /// The group.
        group: GroupId,
        /// Extension, %.
        extension_pct: Option<u8>,
        /// Tilt, degrees.
        tilt_deg: Option<i16>,
        /// Until when.
        until: Until,
    },
    /// One drive, for setting up: ends with the group's next movement.
    Device {
        /// The device.
        device: DeviceId,
        /// Extension, %.
        extension_pct: Option<u8>,
        /// Tilt, degrees.
        tilt_deg: Option<i16>,
        /// Until when.
        until: Until,
    },
    /// Stop where it is, and stay there.
    Halt {
        /// The group.
        group: GroupId,
        /// Until when.
        until: Until,
    },
    /// End the hold by hand.
    Release {
        /// The group.
        group: GroupId,
    },
    /// Poses for several groups at once.
    Arrange {
        /// The arrangement.
        arrangement: ArrangementId,
    },
    /// Somebody works at the facade: nothing moves.
    Service {
        /// The group.
        group: GroupId,
        /// On or off.
        on: bool,
        /// When it is expected to end (a reminder, never an automatic release).
        expected_end: Option<Wall>,
    },
    /// Do without a sensor known to be dead.
    Bypass {
        /// The dead sensor.
        sensor: SensorId,
        /// Another one to stand in for it; `None`: leave it out.
        substitute: Option<SensorId>,
        /// Until when, at the latest; `None` ends the bypass now.
        until: Option<Wall>,
    },
    /// An alarm has been seen.
    Acknowledge {
        /// Its key (see [`Alarm::key`](crate::output::Alarm)).
        key: String,
    },
    /// Somebody has looked at a device after frost; it may move again.
    FrostCleared {
        /// The group.
        group: GroupId,
    },
}

/// How long a request by hand holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Until {
    /// As long as the group's rule says.
    Rule,
    /// For this long, ms.
    For(i64),
    /// Until the timetable's next phase.
    NextPhase,
    /// Until the local day ends.
    EndOfDay,
}

/// What a drive tells of itself.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Report {
    /// The device.
    pub device: DeviceId,
    /// The command it answers, where it says so.
    pub sequence: Option<u64>,
    /// What it does.
    pub state: DriveState,
    /// Where it stands, where it knows.
    pub pose: Option<crate::pose::Pose>,
    /// Electrical power it draws, W, where the plant measures it.
    pub power_w: Option<f64>,
}

/// What a drive does.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DriveState {
    /// It runs.
    Moving,
    /// It stands.
    Standing,
    /// It refuses the command.
    Refused,
    /// It cannot move.
    Fault,
}

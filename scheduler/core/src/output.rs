//! What comes out of the core.

use crate::ids::{DeviceId, GroupId, SensorId};
use crate::pose::Pose;
use crate::reason::{Because, Release};
use crate::time::{Now, Steady, Wall};
use serde::Serialize;
use std::sync::Arc;

/// The word that decided: one for each rank of the order of precedence
/// (design: service, fire, wind, hail, ice, rain, door, drive, hand, sun, timetable, rest).
#[derive(
    Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, serde::Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum Word {
    /// Somebody works at the facade.
    Service,
    /// Fire and escape.
    Fire,
    /// Wind.
    Wind,
    /// Hail.
    Hail,
    /// Ice.
    Ice,
    /// Rain.
    Rain,
    /// An open door.
    Door,
    /// The drive itself: pause, stagger, duty, or a position to be found again.
    Drive,
    /// A request by hand.
    Hand,
    /// Sun shading.
    Sun,
    /// The timetable, or a special day in its place.
    Timetable,
    /// Nothing else.
    Rest,
}

impl Word {
    /// All words, highest rank first.
    pub const ALL: [Self; 12] = [
        Self::Service,
        Self::Fire,
        Self::Wind,
        Self::Hail,
        Self::Ice,
        Self::Rain,
        Self::Door,
        Self::Drive,
        Self::Hand,
        Self::Sun,
        Self::Timetable,
        Self::Rest,
    ];

    /// The word as it stands in files and messages.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Service => "service",
            Self::Fire => "fire",
            Self::Wind => "wind",
            Self::Hail => "hail",
            Self::Ice => "ice",
            Self::Rain => "rain",
            Self::Door => "door",
            Self::Drive => "drive",
            Self::Hand => "hand",
            Self::Sun => "sun",
            Self::Timetable => "timetable",
            Self::Rest => "rest",
        }
    }

    /// Whether it limits movement rather than asks for it.
    #[must_use]
    pub const fn is_guard(self) -> bool {
        matches!(
            self,
            Self::Service
                | Self::Fire
                | Self::Wind
                | Self::Hail
                | Self::Ice
                | Self::Rain
                | Self::Door
                | Self::Drive
        )
    }
}

/// What one group shall do now.
#[derive(Clone, PartialEq, Debug, Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Course {
    /// Go to (or stay in) this pose.
    To(Pose),
    /// Stay where it is.
    Hold,
}

/// A verdict: what one group shall do now, and why.
#[derive(Clone, PartialEq, Debug, Serialize, serde::Deserialize)]
pub struct Verdict {
    /// The group.
    pub group: GroupId,
    /// When it was reached (a timer's verdict carries the moment it was due).
    pub at: Now,
    /// What to do.
    pub course: Course,
    /// Devices that do something else.
    pub exceptions: Vec<Exception>,
    /// Which guard or wish decided.
    pub decided_by: Word,
    /// Why, with its numbers.
    pub because: Because,
    /// What else spoke and lost, highest rank first.
    #[serde(with = "shared")]
    pub lost: Arc<[Lost]>,
    /// What releases it.
    pub release: Release,
}

/// A device that does not follow its group.
#[derive(Clone, PartialEq, Debug, Serialize, serde::Deserialize)]
pub struct Exception {
    /// The device.
    pub device: DeviceId,
    /// What it does instead.
    pub course: Course,
    /// Which guard or wish says so.
    pub word: Word,
    /// Why.
    pub because: Because,
}

/// A guard or wish that spoke and lost.
#[derive(Clone, PartialEq, Debug, Serialize, serde::Deserialize)]
pub struct Lost {
    /// Which.
    pub word: Word,
    /// What it asked for; `None`: to hold.
    pub pose: Option<Pose>,
    /// Why.
    pub because: Because,
}

/// A list that several share, written and read as any other.
mod shared {
    use super::Lost;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};
    use std::sync::Arc;

    pub(super) fn serialize<S: Serializer>(list: &Arc<[Lost]>, to: S) -> Result<S::Ok, S::Error> {
        list.as_ref().serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Arc<[Lost]>, D::Error> {
        Vec::deserialize(from).map(Arc::from)
    }
}

/// A verdict on the wire.
#[derive(Clone, PartialEq, Debug)]
pub struct Command {
    /// Counts up over all commands of the site, never repeated.
    pub sequence: u64,
    /// The group.
    pub group: GroupId,
    /// When it was made.
    pub at: Now,
    /// Must not be carried out after this moment.
    pub not_after: Wall,
    /// The pose of the group (for a group of exceptions, of most of it).
    pub pose: Pose,
    /// The drives that shall move, in the order of their starts.
    pub orders: Vec<Order>,
    /// Which guard or wish decided.
    pub decided_by: Word,
    /// Why.
    pub because: Because,
    /// What spoke and lost.
    pub lost: Arc<[Lost]>,
    /// What releases it.
    pub release: Release,
    /// Whether this only repeats a verdict already sent (after a reconnect or for lack of an answer).
    pub repeat: bool,
}

impl Command {
    /// Where it sends the group; `None` where it only halts drives.
    #[must_use]
    pub fn goes_to(&self) -> Option<Pose> {
        let halts = !self.orders.is_empty() && self.orders.iter().all(|order| order.pose.is_none());
        (!halts).then_some(self.pose)
    }
}

/// What one drive shall do.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Order {
    /// The device.
    pub device: DeviceId,
    /// Where to go; `None`: halt.
    pub pose: Option<Pose>,
    /// Start so long after the command's time (stagger, reversal pause), ms.
    pub start_delay_ms: u32,
}

/// A weather guard of a group engaged or was released.
#[derive(Clone, PartialEq, Debug)]
pub struct LockoutChange {
    /// The group.
    pub group: GroupId,
    /// The guard.
    pub word: Word,
    /// When.
    pub at: Now,
    /// Engaged (or its reason changed), or released.
    pub engaged: bool,
    /// Why.
    pub because: Because,
    /// What releases it.
    pub release: Release,
}

/// A closed list of what can be alarmed.
#[derive(
    Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, serde::Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum AlarmWord {
    /// A sensor is not to be believed.
    SensorFault,
    /// A sensor is bypassed or substituted.
    SensorBypassed,
    /// A device cannot be in its refuge though its guard wants it there.
    NotInRefuge,
    /// The wind exceeds a limit while service holds the group.
    WindDuringService,
    /// Service lasts longer than expected.
    ServiceOverdue,
    /// A drive does not answer, refuses or stands elsewhere than told.
    DriveUnconfirmed,
    /// A drive's power contradicts what it was told.
    DrivePower,
    /// The duty budget stops comfort moves of a drive.
    DriveDuty,
    /// A gateway is lost.
    GatewayLost,
    /// The wall clock is not to be trusted.
    ClockUntrusted,
    /// A device may be frozen.
    Frozen,
    /// Fire or escape is active.
    FireActive,
    /// The state of the run before was lost; stands until somebody has seen it.
    StateLost,
}

/// An alarm raised, changed or cleared.
#[derive(Clone, PartialEq, Debug)]
pub struct Alarm {
    /// Names the alarm; the same thing has the same key ("sensor_fault/roof west").
    pub key: String,
    /// The closed-list word.
    pub word: AlarmWord,
    /// When it was raised or cleared.
    pub at: Now,
    /// Raised, or cleared.
    pub active: bool,
    /// Who has seen it.
    pub acknowledged_by: Option<String>,
    /// Why.
    pub because: Because,
}

/// Why the core wants to be woken. Each pending moment is one of these.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WakeFor {
    /// A sensor would be silent.
    SensorSilent(SensorId),
    /// Another check of a sensor (stuck, zero, recovery, bypass end).
    SensorCheck(SensorId),
    /// A weather guard's persistence or hold ends.
    Guard(GroupId, Word),
    /// A group's weather has been known for long enough after a restart.
    WeatherKnown(GroupId),
    /// A door's latch or a contact's silence.
    Contact(crate::ids::ContactId),
    /// A hold by hand ends or is announced.
    Hand(GroupId),
    /// The sun on a facade is looked at again.
    Facade(crate::ids::FacadeId),
    /// A delay, interval or step of a group's sun wish.
    Sun(GroupId),
    /// A timetable changes phase, or looks at the next day.
    Phase(crate::ids::TimetableId),
    /// A special day begins or ends.
    Special,
    /// Quiet hours begin or end.
    Quiet(GroupId),
    /// A drive's budget, report or reference.
    Drive(DeviceId),
    /// A reminder of a service hold.
    Service(GroupId),
    /// Inputs of this moment are to be decided upon once it has passed.
    Settle,
}

/// The next moment at which something would happen without any input.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Wake {
    /// When to call again, at the latest (late is allowed, and changes nothing).
    pub at: Now,
    /// Why.
    pub why: WakeFor,
}

/// Where an output stands in the order of a core's outputs.
///
/// Groups that share no feeder know nothing of each other. So where each of
/// several cores has some of a site's groups and all of its readings, their outputs
/// in the order of places are those of one core that has all groups.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Place {
    /// The moment it is stamped with.
    pub at: Steady,
    /// Where in that moment.
    pub stage: Stage,
}

/// The order of things within a moment.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Stage {
    /// Inputs and timers are taken.
    Taking,
    /// The guards of a group are looked at.
    Guards(GroupId),
    /// The verdict of a group is carried out, weather before comfort.
    Verdict(Word, GroupId),
}

/// One output.
#[derive(Clone, PartialEq, Debug)]
pub enum Output {
    /// Send this.
    Command(Command),
    /// A lockout began, changed its reason or ended.
    Lockout(LockoutChange),
    /// An alarm was raised, acknowledged or cleared.
    Alarm(Alarm),
    /// A request was refused, and why.
    Refused {
        /// The group it was for.
        group: Option<GroupId>,
        /// Who asked.
        by: String,
        /// Which guard refuses.
        word: Word,
        /// Why.
        because: Because,
    },
    /// A hold by hand is about to end.
    Announce {
        /// The group.
        group: GroupId,
        /// When it ends.
        ends: Wall,
    },
    /// Nothing more; call again by then.
    Wake(Option<Wake>),
}

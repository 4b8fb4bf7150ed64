//! Why: a closed list of reasons with their numbers.
//!
//! Reasons explain; they never steer. [`crate::say`] turns them into words.

use crate::ids::{ContactId, SensorId, TimetableId};
use crate::time::{Steady, Wall};
use serde::{Deserialize, Serialize};

/// What is wrong with a sensor.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// Nothing heard for longer than it may be silent.
    Silent,
    /// The very same value for too long.
    Stuck,
    /// A value outside what it can measure.
    OutOfRange,
    /// A change faster than the weather changes.
    TooFast,
    /// Zero wind while a neighbour blows.
    ZeroWhileNeighbourBlows,
    /// Its gateway is lost.
    GatewayLost,
    /// Left out by somebody's word, and no other speaks in its place.
    LeftOut,
}

/// What spoke of the wind.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WindPart {
    /// The gust.
    Gust,
    /// The mean.
    Mean,
}

/// From where the light on a facade is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LightSource {
    /// Measured on the facade.
    Measured(SensorId),
    /// Measured on the roof and transposed.
    Transposed(SensorId),
    /// Estimated from a clear sky, for lack of a trusted sensor.
    ClearSky,
}

/// Why a guard or wish spoke.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Because {
    /// Wind at or above the limit.
    WindAbove {
        /// The sensor that decides.
        sensor: SensorId,
        /// Gust or mean.
        part: WindPart,
        /// Speed at the sensor, m/s.
        speed_mps: f64,
        /// Factor to the group.
        factor: f64,
        /// The group's limit, m/s.
        limit_mps: f64,
    },
    /// Wind was above the limit and has not been below it (less hysteresis) for long enough.
    WindHolding {
        /// The highest speed at the group since it engaged, m/s.
        peak_mps: f64,
        /// The limit, m/s.
        limit_mps: f64,
        /// Below this it counts as calm, m/s.
        calm_below_mps: f64,
    },
    /// A sensor that a guard needs is not to be believed.
    SensorUnknown {
        /// The sensor.
        sensor: SensorId,
        /// What is wrong.
        fault: Fault,
    },
    /// After a restart, this sensor has not been heard yet (or not for long enough).
    WeatherUnknown {
        /// A sensor that is waited for.
        sensor: Option<SensorId>,
    },
    /// Hail.
    Hail {
        /// The sensor.
        sensor: SensorId,
    },
    /// Hail has ended, but not for long enough.
    HailHolding,
    /// It may freeze.
    Frost {
        /// The sensor that decides.
        sensor: SensorId,
        /// Its temperature, °C.
        temperature_c: f64,
        /// The limit, °C.
        below_c: f64,
    },
    /// It may have frozen, and warmth has not lasted long enough.
    FrostHolding {
        /// Release above this, °C.
        above_c: f64,
    },
    /// It rains.
    Rain {
        /// The sensor.
        sensor: SensorId,
        /// What it reads.
        value: f64,
    },
    /// It has stopped raining, but not for long enough.
    RainHolding,
    /// A door is open (or was, a moment ago; or is unknown).
    DoorOpen {
        /// The contact.
        contact: ContactId,
    },
    /// Fire or escape.
    Fire {
        /// The contact.
        contact: ContactId,
    },
    /// Somebody works at the facade.
    Service {
        /// Who.
        owner: String,
        /// Since when.
        since: Wall,
    },
    /// Asked by hand.
    Hand {
        /// Who.
        by: String,
        /// From a room (`true`) or the centre.
        room: bool,
    },
    /// The sun is to be kept out.
    SunShading {
        /// From where the light is known.
        light: LightSource,
        /// Irradiance on the facade, W/m².
        irradiance_wm2: f64,
        /// Threshold, W/m².
        on_wm2: f64,
        /// Angle of incidence, degrees.
        incidence_deg: f64,
        /// Profile angle, degrees.
        profile_deg: f64,
        /// What the slats can do.
        slats: SlatsSay,
    },
    /// It is no longer bright: slats opened first, retraction follows.
    SunOpened {
        /// Irradiance on the facade, W/m².
        irradiance_wm2: f64,
        /// Threshold, W/m².
        off_wm2: f64,
    },
    /// The sun wish has used up its moves of the day.
    SunCapped {
        /// How many travels or tilts it may make.
        cap: u16,
    },
    /// Heat is kept out of, or let into, unoccupied rooms.
    Heat {
        /// Kept out (`true`) or let in.
        keep_out: bool,
        /// Room temperature, °C.
        room_c: f64,
        /// Wanted temperature, °C.
        setpoint_c: f64,
        /// Irradiance on the facade, W/m².
        irradiance_wm2: f64,
    },
    /// The timetable's phase.
    Phase {
        /// The timetable.
        timetable: TimetableId,
        /// Name of the phase, as indices into plan and phase.
        plan: u16,
        /// The phase within the plan.
        phase: u16,
    },
    /// A special day in place of the phase (index into the model's special days).
    Special {
        /// Index into the model's special days.
        index: u32,
    },
    /// Nothing else asks.
    Rest,
    /// No comfort move in quiet hours.
    Quiet,
    /// The clock is not to be trusted: sun and timetable hold.
    ClockUntrusted,
    /// The drive's duty budget has no more than its reserve left.
    DutySpent {
        /// Running time within the window, ms.
        used_ms: i64,
        /// Allowed, ms.
        allowed_ms: i64,
    },
    /// The drive finds its position again at an end stop.
    Reference {
        /// Moves since the last time.
        moves: u32,
    },
    /// A refuge would extend on unknown weather or past an open door: it holds instead.
    RefugeWouldExtend,
    /// A drive does not do what it was told.
    Drive {
        /// What is wrong.
        trouble: DriveTrouble,
    },
    /// The state of the run before was lost: what was locked out then may have to
    /// be still.
    StateLost,
    /// A gateway is lost.
    GatewayLost {
        /// The gateway.
        gateway: crate::ids::GatewayId,
    },
    /// A sensor is bypassed.
    Bypassed {
        /// Who said so.
        by: String,
        /// Until when.
        until: Wall,
    },
}

/// What is wrong with a drive.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DriveTrouble {
    /// No answer after all retries.
    Silent,
    /// It refuses.
    Refused,
    /// It stands elsewhere than told.
    Elsewhere,
    /// It cannot move.
    Fault,
    /// Commanded, but no power.
    NoPower,
    /// Power without a command.
    PowerUncommanded,
    /// Too much power.
    TooMuchPower,
    /// It runs too long.
    RunsTooLong,
}

/// What slats can do about the sun.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SlatsSay {
    /// No slats, or they do not track.
    None,
    /// Horizontal slats already block.
    Horizontal,
    /// They block at this tilt, degrees.
    CutOff(f64),
    /// No tilt blocks through the interval; the least leak, 0..1.
    Leak(f64),
}

/// What releases a verdict, and when.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Release {
    /// Not before this steady moment, and only if it stays calm until then.
    EarliestIfCalm(Steady),
    /// The wind (rain, frost ...) has to fall first, then the hold runs for so long, ms.
    AfterCalm(i64),
    /// The sensor has to be believable again.
    SensorRecovers(SensorId),
    /// The sensor has to be heard.
    SensorHeard,
    /// The door has to be closed.
    DoorCloses,
    /// The contact has to clear.
    ContactClears(ContactId),
    /// Whoever set it has to end it.
    OwnerEnds,
    /// At this wall moment.
    At(Wall),
    /// At this steady moment.
    AtSteady(Steady),
    /// When the sun or the light changes.
    LightChanges,
    /// When something else asks.
    AnyWish,
    /// When the clock is trusted again.
    ClockTrusted,
    /// When running time falls out of the window.
    BudgetRecovers,
}

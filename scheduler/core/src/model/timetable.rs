//! Timetables: the phases of a day for a class of days.

use crate::ids::{DayClassId, SensorId};
use crate::pose::Pose;

/// The phases per day class.
#[derive(Clone, Debug)]
pub struct Timetable {
    /// What people call it.
    pub name: String,
    /// One plan per day class that has one.
    pub plans: Vec<DayPlan>,
}

/// The phases of one class of days. Before the first phase of a day the last
/// phase of the day before goes on.
#[derive(Clone, Debug)]
pub struct DayPlan {
    /// The day class.
    pub class: DayClassId,
    /// Phases in the order of the file; a day sorts them by when they start, and
    /// of two that start together the later in the file wins.
    pub phases: Vec<Phase>,
}

/// A part of the day.
#[derive(Clone, Debug)]
pub struct Phase {
    /// What people call it.
    pub name: String,
    /// When it starts.
    pub start: Anchor,
    /// Its base pose.
    pub pose: Pose,
    /// Whether the sun wish may override the base pose.
    pub sun: bool,
    /// Spread of the start, minutes, to look lived-in at night (0: none).
    pub jitter_min: u16,
    /// Seed of the spread.
    pub jitter_seed: u64,
}

/// When a phase starts, on a local date.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Anchor {
    /// At a local time of day, minutes after midnight.
    Time(u16),
    /// At a sun event, moved and bounded.
    Sun {
        /// The event.
        event: SunEvent,
        /// Minutes after (negative: before) it.
        offset_min: i16,
        /// Not before this minute of the local day.
        not_before: Option<u16>,
        /// Not after this minute of the local day.
        not_after: Option<u16>,
        /// On a day without the event.
        if_none: IfNone,
    },
    /// When a light sensor says so, within a window of sun elevation.
    Twilight(Twilight),
}

/// Dusk or dawn by brightness, guarded by the sun's elevation.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Twilight {
    /// Horizontal illuminance or irradiance sensor.
    pub sensor: SensorId,
    /// Dusk: at or below this value; dawn: at or above it.
    pub value: f64,
    /// Dusk (`true`) or dawn (`false`).
    pub dusk: bool,
    /// The reading counts only once the sun has passed this elevation, degrees.
    pub from_elevation_deg: f64,
    /// At this elevation the phase starts whatever the reading, degrees.
    pub at_latest_elevation_deg: f64,
}

/// Events of the sun.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum SunEvent {
    /// The sun's upper limb appears (true elevation of the centre −0.8333°, rising).
    Sunrise,
    /// The sun's upper limb disappears.
    Sunset,
    /// The sun's centre at −6°, rising.
    CivilDawn,
    /// The sun's centre at −6°, falling.
    CivilDusk,
    /// The sun's centre (true elevation) at this many degrees, rising.
    RisingThrough(f64),
    /// The sun's centre (true elevation) at this many degrees, falling.
    FallingThrough(f64),
}

/// What a phase does on a day without its sun event.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum IfNone {
    /// The phase does not happen that day.
    Skip,
    /// It starts at this minute of the local day.
    At(u16),
}

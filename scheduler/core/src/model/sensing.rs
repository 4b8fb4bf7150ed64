//! Sensors and contacts, and when to believe them.

use crate::ids::{GatewayId, SensorId};

/// What a sensor measures, and in which unit its readings come.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SensorKind {
    /// Wind: gust and mean in m/s, direction in degrees (where it blows from, N = 0, clockwise).
    Wind,
    /// Rain: intensity in mm/h, or 0/1 from a contact-like sensor.
    Rain,
    /// Hail: 0/1, or a warning service's level.
    Hail,
    /// Outdoor air temperature, °C.
    Temperature,
    /// Relative humidity, %.
    Humidity,
    /// Temperature of the surface that may freeze, °C.
    SurfaceTemperature,
    /// Room air temperature, °C.
    RoomTemperature,
    /// Irradiance on its facade's plane, W/m².
    PlaneIrradiance,
    /// Illuminance on its facade's plane, lx.
    PlaneIlluminance,
    /// Global horizontal irradiance on the roof, W/m².
    GlobalHorizontal,
    /// Horizontal illuminance on the roof, lx.
    HorizontalIlluminance,
}

/// When a sensor's readings are not to be believed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Validity {
    /// Lowest believable value.
    pub min: f64,
    /// Highest believable value.
    pub max: f64,
    /// No reading for this long: silent, ms.
    pub silence_ms: i64,
    /// The very same value for this long: stuck, ms; `None`: not checked.
    pub stuck_ms: Option<i64>,
    /// Fastest believable change, units per second; `None`: not checked.
    pub max_rate_per_s: Option<f64>,
    /// For wind: reads 0 for `zero_ms` while a neighbour reads at least `zero_neighbour_mps`.
    pub zero: Option<ZeroCheck>,
    /// A fault is over after good readings for this long, ms.
    pub recover_ms: i64,
}

/// The check that tells a broken anemometer cable from a calm.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ZeroCheck {
    /// The neighbour to compare with.
    pub neighbour: SensorId,
    /// What the neighbour reads at least, m/s.
    pub neighbour_mps: f64,
    /// For how long, ms.
    pub for_ms: i64,
}

impl Validity {
    /// Everything off but the range: for replays that must hold the last value
    /// across gaps, as a reference table does. Never for a building.
    #[must_use]
    pub const fn trusting(min: f64, max: f64) -> Self {
        Self {
            min,
            max,
            silence_ms: i64::MAX,
            stuck_ms: None,
            max_rate_per_s: None,
            zero: None,
            recover_ms: 0,
        }
    }
}

/// What a guard does about a wind sensor's gust that a later reading leaves out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Unheard {
    /// A gust counts only with the reading that carried it (hourly station reports).
    ThisReadingOnly,
    /// A gust counts until it is this old, ms (gust and mean come separately).
    KeptFor(i64),
}

/// A sensor.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// What people call it.
    pub name: String,
    /// What it measures.
    pub kind: SensorKind,
    /// When to believe it.
    pub validity: Validity,
    /// For wind: what becomes of a gust that a later reading leaves out.
    pub gust: Unheard,
    /// The gateway it comes through.
    pub gateway: Option<GatewayId>,
}

/// What a contact stands for. *Active* means: open, alarm, occupied, pressed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ContactKind {
    /// A door that somebody may step out of.
    Door,
    /// A window.
    Window,
    /// The fire alarm or an escape release.
    Fire,
    /// Somebody is in the room.
    Occupancy,
    /// A plain switch input that says pressed and released, and what it asks for.
    Switch,
}

/// A contact.
#[derive(Clone, Debug)]
pub struct Contact {
    /// What people call it.
    pub name: String,
    /// What it stands for.
    pub kind: ContactKind,
    /// Not heard for this long: unknown, and taken as active; `None`: it speaks
    /// only when it changes.
    pub silence_ms: Option<i64>,
    /// For doors: stays latched this long after closing, ms.
    pub latch_ms: i64,
    /// For switches: what they do.
    pub switch: Option<super::group::SwitchRule>,
    /// The gateway it comes through.
    pub gateway: Option<GatewayId>,
}

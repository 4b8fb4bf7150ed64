//! Products, devices, drives and feeders.

use crate::ids::{ContactId, FeederId, GatewayId, ProductId, RoomId};
use crate::pose::Pose;
use leeside_solar::Slats;
use leeside_solar::shade::Opening;

/// The kinds of device (EN 12216 terms).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// External venetian blind.
    SlatBlind,
    /// Roller shutter.
    RollerShutter,
    /// Fabric screen in front of an opening.
    Screen,
    /// Awning.
    Awning,
}

/// Per guard, the pose in which a product is out of harm's way.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Refuges {
    /// In wind.
    pub wind: Pose,
    /// In hail; `None` where hail does not harm it.
    pub hail: Option<Pose>,
    /// Before it freezes; `None` where ice does not harm it.
    pub ice: Option<Pose>,
    /// In rain; `None` where rain does not harm it.
    pub rain: Option<Pose>,
}

/// The make-up that several devices share. The maker's sheet decides every number here.
#[derive(Clone, Debug)]
pub struct Product {
    /// What people call it.
    pub name: String,
    /// The kind of device.
    pub kind: Kind,
    /// Time from fully retracted to fully extended, ms.
    pub extend_ms: i64,
    /// Time from fully extended to fully retracted, ms.
    pub retract_ms: i64,
    /// Time for the whole tilt range, ms (0 without slats).
    pub tilt_ms: i64,
    /// Slat geometry, for slat blinds.
    pub slats: Option<Slats>,
    /// Wind limit in m/s at the device.
    pub wind_limit_mps: f64,
    /// Where that limit comes from ("maker's sheet p. 4", ...).
    pub wind_limit_source: String,
    /// Refuge per guard.
    pub refuge: Refuges,
    /// Pause between running one way and the other, ms.
    pub reversal_pause_ms: i64,
    /// Running time the motor allows.
    pub budget: Option<Budget>,
    /// Runs to an end stop after so many moves between the stops, to find its
    /// position again; 0 never.
    pub reference_after_moves: u32,
    /// Full cycles the maker vouches for (endurance class), for reports.
    pub endurance_cycles: Option<u32>,
    /// Solar transmittance (g value with glazing) when shading, for reports, 0..1.
    pub g_total: Option<f64>,
}

/// Short-time duty: at most `run_ms` of running within any window of `window_ms`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Budget {
    /// Running time allowed within the window, ms.
    pub run_ms: i64,
    /// Length of the sliding window, ms.
    pub window_ms: i64,
}

/// What a plant measures of a drive's running.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Evidence {
    /// Running power from this on counts as movement, W.
    pub running_from_w: f64,
    /// More than this is too much, W.
    pub too_much_w: f64,
    /// Where the plant measures the current instead: the voltage by which it counts
    /// as (apparent) power, V.
    pub supply_v: Option<f64>,
}

/// A drive on its feeder.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Drive {
    /// The feeder it hangs on.
    pub feeder: FeederId,
    /// The gateway that reaches it; none: the plant as a whole.
    pub gateway: Option<GatewayId>,
    /// Its measured power, where the plant sends it.
    pub evidence: Option<Evidence>,
    /// Whether the plant tells where the drive stands. Then silence after a
    /// command is retried and alarmed; without reports nothing can be said.
    pub reports: bool,
}

/// One shutter, slat blind, screen or awning, with its drive.
#[derive(Clone, Debug)]
pub struct Device {
    /// What people call it.
    pub name: String,
    /// Its product.
    pub product: ProductId,
    /// The room behind it.
    pub room: Option<RoomId>,
    /// The opening it covers.
    pub opening: Option<Opening>,
    /// Its drive.
    pub drive: Drive,
    /// Doors that it must never extend past while they are open.
    pub doors: Vec<ContactId>,
    /// Whether it covers an escape, rescue or smoke opening: then fire retracts it
    /// and nothing extends it while the fire contact is active.
    pub escape: bool,
}

/// A breaker-protected circuit.
#[derive(Clone, Debug)]
pub struct Feeder {
    /// What people call it.
    pub name: String,
    /// Least time between two starts on this feeder, ms.
    pub stagger_ms: i64,
    /// How many drives may start at one time.
    pub starts_at_once: u32,
}

/// A gateway whose presence is watched.
#[derive(Clone, Debug)]
pub struct Gateway {
    /// What people call it.
    pub name: String,
    /// Not heard for this long: lost, ms.
    pub silence_ms: i64,
}

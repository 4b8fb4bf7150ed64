//! Groups: drives that are commanded together, with their guards and wishes.

use crate::ids::{ContactId, DeviceId, FacadeId, GroupId, RoomId, SensorId, TimetableId};
use crate::model::Kind;
use crate::pose::Pose;
use leeside_solar::Slats;
use leeside_solar::reach::{Awning, Section};
use leeside_solar::shade::{Obstructions, Opening};

/// Drives that are commanded together: same facade, same exposure, same kind.
#[derive(Clone, Debug)]
pub struct Group {
    /// What people call it.
    pub name: String,
    /// The facade it hangs on.
    pub facade: FacadeId,
    /// The kind of all its devices.
    pub kind: Kind,
    /// Its devices.
    pub devices: Vec<DeviceId>,
    /// The rooms behind it (of its devices, without repeats).
    pub rooms: Vec<RoomId>,
    /// Wind guard. `None` only where the site file says why.
    pub wind: Option<WindRule>,
    /// Hail guard: sensors that count.
    pub hail: Option<HailRule>,
    /// Ice guard.
    pub ice: Option<IceRule>,
    /// Rain guard.
    pub rain: Option<RainRule>,
    /// Fire and escape.
    pub fire: Option<FireRule>,
    /// Its timetable.
    pub timetable: TimetableId,
    /// The pose when nothing asks for another.
    pub rest: Pose,
    /// Sun shading.
    pub sun: Option<SunRule>,
    /// Requests by hand.
    pub hand: HandRule,
    /// Hours in which no comfort move happens.
    pub quiet: Option<QuietHours>,
    /// Slat geometry of its devices (the one that is hardest to block, where they differ).
    pub slats: Option<Slats>,
    /// The opening that stands for the group in shading geometry.
    pub opening: Option<Opening>,
    /// What stands in the sun's way at that opening: what its facade has, and the
    /// opening's own reveal, overhang and fins.
    pub obstructions: Obstructions,
}

/// A wind sector that makes the limit stricter. It may only tighten.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sector {
    /// From this direction, degrees (where the wind blows from).
    pub from_deg: f64,
    /// Clockwise to this direction, degrees.
    pub to_deg: f64,
    /// Factor on the measured speed within the sector, at least 1.
    pub factor: f64,
}

/// A wind sensor as it counts for one group.
#[derive(Clone, PartialEq, Debug)]
pub struct WindLink {
    /// The sensor.
    pub sensor: SensorId,
    /// Factor from the speed at the sensor to the speed at the group (height,
    /// exposure, roof edge), at least 1.
    pub factor: f64,
    /// Sectors; a reading without direction counts with the largest factor.
    pub sectors: Vec<Sector>,
    /// A forecast: it may engage the guard, and while it is not to be believed
    /// it says nothing. It can only tighten.
    pub advisory: bool,
}

impl WindLink {
    /// From the speed at the sensor to the speed at the group for wind that blows
    /// from `direction`, degrees; without a direction, the largest factor there is:
    /// unknown is not calm.
    #[must_use]
    pub fn factor_for(&self, direction: Option<f64>) -> f64 {
        let sector = self
            .sectors
            .iter()
            .filter(|s| direction.is_none_or(|d| within(d, s.from_deg, s.to_deg)))
            .map(|s| s.factor)
            .fold(1.0, f64::max);
        self.factor * sector
    }
}

fn within(direction: f64, from: f64, to: f64) -> bool {
    let turn = |d: f64| d.rem_euclid(360.0);
    turn(direction - from) <= turn(to - from)
}

/// The wind guard of a group.
#[derive(Clone, PartialEq, Debug)]
pub struct WindRule {
    /// Lowest limit of the group's devices, m/s at the group. Engages at or above it.
    pub limit_mps: f64,
    /// Where the limit comes from.
    pub source: String,
    /// Releases below limit minus this, m/s.
    pub hysteresis_mps: f64,
    /// Gust and mean must have stayed below that for so long, ms.
    pub hold_ms: i64,
    /// The limit must have been reached for so long before the guard engages, ms (0: at once).
    pub persistence_ms: i64,
    /// The sensors that count; the worst decides.
    pub links: Vec<WindLink>,
}

/// The hail guard of a group.
#[derive(Clone, PartialEq, Debug)]
pub struct HailRule {
    /// Sensors that count; any of them engages.
    pub sensors: Vec<SensorId>,
    /// Engages at or above this value.
    pub from: f64,
    /// Free of hail for so long before release, ms.
    pub hold_ms: i64,
}

/// What tells that there is moisture to freeze.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Moisture {
    /// Rain within the last `within_ms`.
    Rain {
        /// The rain sensor.
        sensor: SensorId,
        /// How long ago at most, ms.
        within_ms: i64,
    },
    /// Relative humidity of at least `from_pct`.
    Humidity {
        /// The humidity sensor.
        sensor: SensorId,
        /// From this relative humidity on, %.
        from_pct: f64,
    },
    /// Taken as always moist: the careful reading where nothing measures it.
    Always,
}

/// The ice guard of a group.
#[derive(Clone, PartialEq, Debug)]
pub struct IceRule {
    /// Temperature sensors that count (air or surface); the coldest decides.
    pub sensors: Vec<SensorId>,
    /// To refuge below this, °C (before it freezes), when moist.
    pub below_c: f64,
    /// Release above this, °C.
    pub above_c: f64,
    /// ... after it has lasted so long, ms.
    pub hold_ms: i64,
    /// What tells of moisture; any of them counts.
    pub moisture: Vec<Moisture>,
}

/// The rain guard of a group.
#[derive(Clone, PartialEq, Debug)]
pub struct RainRule {
    /// Sensors that count; any of them engages.
    pub sensors: Vec<SensorId>,
    /// Engages above this intensity (mm/h, or 0/1).
    pub above: f64,
    /// Dry for so long before release, ms.
    pub hold_ms: i64,
}

/// Fire and escape.
#[derive(Clone, PartialEq, Debug)]
pub struct FireRule {
    /// Fire contacts; any of them engages.
    pub contacts: Vec<ContactId>,
    /// The pose to go to. Nothing extends meanwhile.
    pub pose: Pose,
}

/// Hours without comfort moves, local minutes of the day, may wrap over midnight.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct QuietHours {
    /// From this minute of the local day.
    pub from_min: u16,
    /// To this minute of the local day.
    pub to_min: u16,
}

/// How many comfort moves a day and group may have.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DailyCap {
    /// Travels (changes of extension).
    pub travels: u16,
    /// Tilt steps.
    pub tilts: u16,
}

/// What the sun wish keeps out.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum SunAim {
    /// Slats follow the sun at cut-off.
    TrackSlats,
    /// A fixed pose whenever the sun is on the opening.
    Fixed(Pose),
    /// A shutter or screen just so far down that direct sun reaches no deeper
    /// than `depth_m` behind the wall at the height of the work plane.
    Depth {
        /// The opening and the room behind it, in section.
        section: Section,
        /// How deep direct sun may reach, m.
        depth_m: f64,
    },
    /// An awning just so far out that direct sun stays off the terrace.
    Terrace {
        /// The awning's geometry.
        awning: Awning,
        /// Off the terrace from the wall out to this, m.
        depth_m: f64,
        /// ... at this height above it, m.
        plane_m: f64,
    },
}

/// The sun wish of a group.
#[derive(Clone, Debug)]
pub struct SunRule {
    /// What to do.
    pub aim: SunAim,
    /// Bright at or above this irradiance on the facade, W/m².
    pub on_wm2: f64,
    /// No longer bright at or below this, W/m².
    pub off_wm2: f64,
    /// Bright for so long before shading, ms.
    pub on_delay_ms: i64,
    /// Dim for so long before the slats open (or, without slats, the device retracts), ms.
    pub off_delay_ms: i64,
    /// After the slats opened, so long until the blind retracts, ms.
    pub retract_delay_ms: i64,
    /// Tilt (or extension, for depth) moves by at least this, degrees or %.
    pub least_step: i16,
    /// ... and not more often than this, ms.
    pub least_interval_ms: i64,
    /// Comfort moves a day.
    pub cap: DailyCap,
    /// Heat in or out while nobody is in.
    pub heat: Option<HeatRule>,
}

/// Heat in or out while the rooms behind the group are unoccupied.
#[derive(Clone, Debug)]
pub struct HeatRule {
    /// Outdoor temperature sensor.
    pub outdoor: Option<SensorId>,
    /// Wanted room temperature, °C.
    pub setpoint_c: f64,
    /// Band around it in which nothing is done, K.
    pub band_k: f64,
    /// Irradiance from which sun is worth letting in or keeping out, W/m².
    pub from_wm2: f64,
    /// The pose that keeps heat out.
    pub keep_out: Pose,
    /// The pose that lets heat in.
    pub let_in: Pose,
}

/// Requests by hand.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct HandRule {
    /// A request without an end of its own holds for so long, ms.
    pub hold_ms: i64,
    /// So long before the hold ends the return is announced, ms.
    pub announce_ms: i64,
}

/// A plain switch input: a short press starts or halts, a long one runs while pressed
/// (common practice, no source).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SwitchRule {
    /// The group it asks for.
    pub group: GroupId,
    /// True: asks to extend; false: asks to retract.
    pub extend: bool,
    /// Pressed at least this long is a long press, ms.
    pub long_press_ms: i64,
}

/// A named arrangement: poses for several groups at once.
#[derive(Clone, Debug)]
pub struct Arrangement {
    /// What people call it.
    pub name: String,
    /// Poses, one per group.
    pub poses: Vec<(GroupId, Pose)>,
    /// How long it holds, ms; `None`: the group's own rule.
    pub hold_ms: Option<i64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sector_may_cross_north_and_an_unknown_direction_counts_as_the_worst() {
        assert!(within(350.0, 340.0, 20.0));
        assert!(within(10.0, 340.0, 20.0));
        assert!(!within(180.0, 340.0, 20.0));
        assert!(within(340.0, 340.0, 20.0) && within(20.0, 340.0, 20.0));
        let link = WindLink {
            sensor: SensorId(0),
            factor: 1.1,
            sectors: vec![Sector {
                from_deg: 180.0,
                to_deg: 270.0,
                factor: 1.5,
            }],
            advisory: false,
        };
        let close = |a: f64, b: f64| (a - b).abs() < 1e-12;
        assert!(close(link.factor_for(Some(200.0)), 1.65));
        assert!(close(link.factor_for(Some(90.0)), 1.1));
        assert!(close(link.factor_for(None), 1.65));
    }
}

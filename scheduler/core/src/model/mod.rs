//! What the core knows of a site: plain tables, built elsewhere from what
//! people wrote, checked there, and never changed while the core runs.
//!
//! Names and sources are carried for people; decisions use indices and numbers.
//! Every list in the model is in the order of the site file, and that order is
//! the order of commands and reports.

mod days;
mod group;
mod plant;
mod sensing;
mod timetable;

pub use days::{DayEntry, DayTable, SpecialDay};
pub use group::{
    Arrangement, DailyCap, FireRule, Group, HailRule, HandRule, HeatRule, IceRule, Moisture,
    QuietHours, RainRule, Sector, SunAim, SunRule, SwitchRule, WindLink, WindRule,
};
pub use plant::{Budget, Device, Drive, Evidence, Feeder, Gateway, Kind, Product, Refuges};
pub use sensing::{Contact, ContactKind, Sensor, SensorKind, Unheard, Validity, ZeroCheck};
pub use timetable::{Anchor, DayPlan, IfNone, Phase, SunEvent, Timetable, Twilight};

use crate::ids::{
    ContactId, DayClassId, DeviceId, FacadeId, FeederId, GroupId, ProductId, RoomId, SensorId,
    TimetableId,
};
use chrono_tz::Tz;
use leeside_solar::shade::Obstructions;
use leeside_solar::{Atmosphere, Location, Plane};

/// How long a drive's answer is waited for at a real plant, ms
/// ([`Policy::answer_grace_ms`]; common practice: run times vary by 10–20 %).
pub const ANSWER_GRACE_MS: i64 = 10_000;

/// Everything the core knows of a site.
#[derive(Clone, Debug)]
pub struct Model {
    /// The place and its zone.
    pub site: Site,
    /// The questions without a default, and other rules of the whole site.
    pub policy: Policy,
    /// Facades.
    pub facades: Vec<Facade>,
    /// Rooms.
    pub rooms: Vec<Room>,
    /// Products.
    pub products: Vec<Product>,
    /// Devices, each with its drive.
    pub devices: Vec<Device>,
    /// Feeders.
    pub feeders: Vec<Feeder>,
    /// Gateways.
    pub gateways: Vec<Gateway>,
    /// Groups.
    pub groups: Vec<Group>,
    /// Sensors.
    pub sensors: Vec<Sensor>,
    /// Contacts.
    pub contacts: Vec<Contact>,
    /// Names of the day classes.
    pub day_classes: Vec<String>,
    /// Which class each date belongs to, and why.
    pub days: DayTable,
    /// Special days of groups, by start.
    pub specials: Vec<SpecialDay>,
    /// Timetables.
    pub timetables: Vec<Timetable>,
    /// Named arrangements of poses.
    pub arrangements: Vec<Arrangement>,
}

/// The place.
#[derive(Clone, Debug)]
pub struct Site {
    /// What people call it.
    pub name: String,
    /// Latitude, longitude and altitude.
    pub location: Location,
    /// Pressure and temperature for refraction.
    pub atmosphere: Atmosphere,
    /// The zone in which people read clocks there.
    pub zone: Tz,
    /// Albedo of the ground, 0..1.
    pub albedo: f64,
    /// Linke turbidity for the clear-sky estimate.
    pub linke_turbidity: f64,
}

/// What wind may do to a device that may be frozen in its guides.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum FrozenWind {
    /// It stays where it is; an alarm says so.
    Hold,
    /// Wind may still send it to its refuge.
    Refuge,
}

/// Rules of the whole site.
#[derive(Clone, Debug)]
pub struct Policy {
    /// Whether fire may move what service holds. No default: stated in the site file.
    pub fire_moves_service: bool,
    /// Who decided that and when.
    pub fire_moves_service_decided: String,
    /// What wind may do to a frozen device. No default: stated in the site file.
    pub frozen_wind: FrozenWind,
    /// Who decided that and when.
    pub frozen_wind_decided: String,
    /// How long the weather must have been known after a restart before any wish
    /// moves anything, ms.
    pub known_for_ms: i64,
    /// A service hold older than this is reminded of, ms.
    pub service_reminder_ms: i64,
    /// Commands say that they must not be carried out later than this after they
    /// were made, ms.
    pub command_lifetime_ms: i64,
    /// A drive's answer is waited for so long after its time of arrival, ms, on top
    /// of a tenth of the travel.
    pub answer_grace_ms: i64,
    /// Longest time to safe that the site accepts without a warning, ms.
    pub time_to_safe_max_ms: i64,
    /// Longest exposure above a limit that the audit accepts, ms.
    pub exposure_max_ms: i64,
}

/// A plane of the building.
#[derive(Clone, Debug)]
pub struct Facade {
    /// What people call it.
    pub name: String,
    /// Azimuth and tilt.
    pub plane: Plane,
    /// What stands in the sun's way for the whole facade (horizon, opposite building).
    pub obstructions: Obstructions,
    /// Light sensors that speak for this facade, best first.
    pub light: Vec<SensorId>,
}

/// A room, or several that are treated as one.
#[derive(Clone, Debug)]
pub struct Room {
    /// What people call it.
    pub name: String,
    /// Says whether somebody is in (active = occupied); none: taken as occupied.
    pub occupancy: Option<ContactId>,
    /// Room temperature, for heat in or out.
    pub temperature: Option<SensorId>,
}

impl Model {
    /// The group of that name.
    #[must_use]
    pub fn group_named(&self, name: &str) -> Option<GroupId> {
        self.groups
            .iter()
            .position(|g| g.name == name)
            .map(GroupId::of)
    }

    /// The device of that name.
    #[must_use]
    pub fn device_named(&self, name: &str) -> Option<DeviceId> {
        self.devices
            .iter()
            .position(|d| d.name == name)
            .map(DeviceId::of)
    }

    /// The sensor of that name.
    #[must_use]
    pub fn sensor_named(&self, name: &str) -> Option<SensorId> {
        self.sensors
            .iter()
            .position(|s| s.name == name)
            .map(SensorId::of)
    }

    /// The contact of that name.
    #[must_use]
    pub fn contact_named(&self, name: &str) -> Option<ContactId> {
        self.contacts
            .iter()
            .position(|c| c.name == name)
            .map(ContactId::of)
    }

    /// The facade of that name.
    #[must_use]
    pub fn facade_named(&self, name: &str) -> Option<FacadeId> {
        self.facades
            .iter()
            .position(|f| f.name == name)
            .map(FacadeId::of)
    }

    /// The room of that name.
    #[must_use]
    pub fn room_named(&self, name: &str) -> Option<RoomId> {
        self.rooms
            .iter()
            .position(|r| r.name == name)
            .map(RoomId::of)
    }

    /// The facade with that id.
    #[must_use]
    pub fn facade(&self, id: FacadeId) -> &Facade {
        &self.facades[id.index()]
    }

    /// The group with that id.
    #[must_use]
    pub fn group(&self, id: GroupId) -> &Group {
        &self.groups[id.index()]
    }

    /// The device with that id.
    #[must_use]
    pub fn device(&self, id: DeviceId) -> &Device {
        &self.devices[id.index()]
    }

    /// The product of a device.
    #[must_use]
    pub fn product_of(&self, id: DeviceId) -> &Product {
        self.product(self.device(id).product)
    }

    /// The product with that id.
    #[must_use]
    pub fn product(&self, id: ProductId) -> &Product {
        &self.products[id.index()]
    }

    /// The feeder with that id.
    #[must_use]
    pub fn feeder(&self, id: FeederId) -> &Feeder {
        &self.feeders[id.index()]
    }

    /// The sensor with that id.
    #[must_use]
    pub fn sensor(&self, id: SensorId) -> &Sensor {
        &self.sensors[id.index()]
    }

    /// The contact with that id.
    #[must_use]
    pub fn contact(&self, id: ContactId) -> &Contact {
        &self.contacts[id.index()]
    }

    /// The timetable with that id.
    #[must_use]
    pub fn timetable(&self, id: TimetableId) -> &Timetable {
        &self.timetables[id.index()]
    }

    /// The name of a day class.
    #[must_use]
    pub fn day_class(&self, id: DayClassId) -> &str {
        &self.day_classes[id.index()]
    }
}

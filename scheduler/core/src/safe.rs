//! Time to safe: how long, at worst, from the wind reaching a group's limit to
//! the last of its devices standing in its refuge.
//!
//! Detection plus start plus travel:
//!
//! - *Detection.* The reading that would tell may be overdue by nearly the whole
//!   time a sensor may be silent; then either it comes and the persistence runs,
//!   or silence engages the guard by itself. So: longest silence of the group's
//!   wind sensors, plus the persistence. Forecasts do not count.
//! - *Start.* A storm moves everything: every drive on the feeder wants to start,
//!   others have started a moment ago, and each may first have to keep its
//!   reversal pause.
//! - *Travel.* The whole way to the refuge, tilt included.
//!
//! It is a bound for a sound plant; a drive that does not move is an alarm, not
//! a longer time.

use crate::ids::{DeviceId, FeederId, GroupId};
use crate::model::{Model, Product};
use std::collections::BTreeMap;

/// A group's time to safe and its parts, ms.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TimeToSafe {
    /// The group.
    pub group: GroupId,
    /// From the limit being reached to the guard engaging.
    pub detection_ms: i64,
    /// From the command to the start of the slowest device: pause and stagger.
    pub start_ms: i64,
    /// The slowest device's travel.
    pub travel_ms: i64,
    /// The device that is last.
    pub slowest: DeviceId,
}

impl TimeToSafe {
    /// All parts together, ms.
    #[must_use]
    pub const fn total_ms(&self) -> i64 {
        self.detection_ms
            .saturating_add(self.start_ms)
            .saturating_add(self.travel_ms)
    }
}

/// A group's time to safe in wind; `None` for a group without a wind guard or
/// without devices.
#[must_use]
pub fn time_to_safe(model: &Model, group: GroupId) -> Option<TimeToSafe> {
    let rule = model.group(group).wind.as_ref()?;
    let silence = |link: &crate::model::WindLink| model.sensor(link.sensor).validity.silence_ms;
    let measuring = rule.links.iter().filter(|link| !link.advisory);
    let detection_ms = measuring
        .map(silence)
        .max()?
        .saturating_add(rule.persistence_ms);
    let mut starts: BTreeMap<FeederId, i64> = BTreeMap::new();
    let mut parts = |device: &DeviceId| {
        let feeder = model.device(*device).drive.feeder;
        let start_ms = *starts
            .entry(feeder)
            .or_insert_with(|| longest_start_ms(model, feeder));
        (start_ms, longest_way_ms(model.product_of(*device)), *device)
    };
    let devices = &model.group(group).devices;
    let (start_ms, travel_ms, slowest) = devices
        .iter()
        .map(&mut parts)
        .max_by_key(|(start, way, _)| start + way)?;
    Some(TimeToSafe {
        group,
        detection_ms,
        start_ms,
        travel_ms,
        slowest,
    })
}

/// The longest of all groups.
#[must_use]
pub fn longest_time_to_safe(model: &Model) -> Option<TimeToSafe> {
    (0..model.groups.len())
        .filter_map(|index| time_to_safe(model, GroupId::of(index)))
        .max_by_key(TimeToSafe::total_ms)
}

/// From a command to the last start on a feeder on which everything wants to move.
fn longest_start_ms(model: &Model, id: FeederId) -> i64 {
    let feeder = model.feeder(id);
    let on_it = || {
        model
            .devices
            .iter()
            .filter(|device| device.drive.feeder == id)
    };
    let pause_ms = on_it()
        .map(|device| model.product(device.product).reversal_pause_ms)
        .max();
    let drives = i64::try_from(on_it().count()).unwrap_or(i64::MAX);
    let at_once = i64::from(feeder.starts_at_once.max(1));
    // One step more than the drives need among themselves: starts of a moment ago.
    let steps = (drives - 1).max(0) / at_once + 1;
    pause_ms
        .unwrap_or(0)
        .saturating_add(steps.saturating_mul(feeder.stagger_ms))
}

/// The longest way to a product's wind refuge.
fn longest_way_ms(product: &Product) -> i64 {
    let refuge = i64::from(product.refuge.wind.extension_pct);
    let retracting = product.retract_ms * (100 - refuge) / 100;
    let extending = product.extend_ms * refuge / 100;
    retracting.max(extending) + product.tilt_ms
}

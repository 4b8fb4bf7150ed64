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

use crate::ids::{DeviceId, GroupId};
use crate::model::{Feeder, Model, Product};

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
    within(model, group, &longest_starts_ms(model))
}

/// The time to safe of every group, in the order of the site file.
#[must_use]
pub fn times_to_safe(model: &Model) -> Vec<Option<TimeToSafe>> {
    let starts = longest_starts_ms(model);
    let groups = (0..model.groups.len()).map(GroupId::of);
    groups.map(|group| within(model, group, &starts)).collect()
}

/// The longest of all groups.
#[must_use]
pub fn longest_time_to_safe(model: &Model) -> Option<TimeToSafe> {
    let all = times_to_safe(model).into_iter().flatten();
    all.max_by_key(TimeToSafe::total_ms)
}

fn within(model: &Model, group: GroupId, starts: &[i64]) -> Option<TimeToSafe> {
    let rule = model.group(group).wind.as_ref()?;
    let silence = |link: &crate::model::WindLink| model.sensor(link.sensor).validity.silence_ms;
    let measuring = rule.links.iter().filter(|link| !link.advisory);
    let detection_ms = measuring
        .map(silence)
        .max()?
        .saturating_add(rule.persistence_ms);
    let parts = |device: &DeviceId| {
        let start_ms = starts[model.device(*device).drive.feeder.index()];
        (start_ms, longest_way_ms(model.product_of(*device)), *device)
    };
    let devices = &model.group(group).devices;
    let (start_ms, travel_ms, slowest) = devices
        .iter()
        .map(parts)
        .max_by_key(|(start, way, _)| start + way)?;
    Some(TimeToSafe {
        group,
        detection_ms,
        start_ms,
        travel_ms,
        slowest,
    })
}

/// Per feeder, from a command to the last start where everything wants to move.
fn longest_starts_ms(model: &Model) -> Vec<i64> {
    // Longest pause and number of its drives.
    let mut on_it = vec![(0_i64, 0_i64); model.feeders.len()];
    for device in &model.devices {
        let (pause_ms, drives) = &mut on_it[device.drive.feeder.index()];
        *pause_ms = (*pause_ms).max(model.product(device.product).reversal_pause_ms);
        *drives += 1;
    }
    let start_ms = |(feeder, (pause_ms, drives)): (&Feeder, (i64, i64))| {
        let at_once = i64::from(feeder.starts_at_once.max(1));
        // One step more than the drives need among themselves: starts of a moment ago.
        let steps = (drives - 1).max(0) / at_once + 1;
        pause_ms.saturating_add(steps.saturating_mul(feeder.stagger_ms))
    };
    model.feeders.iter().zip(on_it).map(start_ms).collect()
}

/// The longest way to a product's wind refuge.
fn longest_way_ms(product: &Product) -> i64 {
    let refuge = i64::from(product.refuge.wind.extension_pct);
    let retracting = product.retract_ms * (100 - refuge) / 100;
    let extending = product.extend_ms * refuge / 100;
    retracting.max(extending) + product.tilt_ms
}

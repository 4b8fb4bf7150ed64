//! A plant in which nothing takes time and nothing ever goes wrong.

use crate::drive::tilt_range_mdeg;
use crate::leg::Stand;
use crate::plant::Told;
use leeside_core::ids::DeviceId;
use leeside_core::input::{DriveState, Report};
use leeside_core::model::Model;
use leeside_core::output::Command;
use leeside_core::pose::Pose;
use leeside_core::time::{Now, Steady};

/// Drives that are where they were told to be at once.
///
/// It says what [`Plant::ideal`](crate::Plant::ideal) says as long as that is told of
/// no fault and no supply, and is asked for nothing but reports. Then no drive is ever
/// on its way or off its place, so a few bytes are enough to know of each: many
/// thousands of them stay at hand.
#[derive(Clone, Debug)]
pub struct Ideal {
    drives: Vec<Standing>,
    /// Per product, between which limits its slats turn, thousandths of a degree.
    ranges: Vec<Option<(i32, i32)>>,
    now: i64,
    /// Drives that the present command moves; empty between commands.
    moved: Vec<u32>,
}

/// What has to be known of a drive.
#[derive(Clone, Copy, Debug)]
struct Standing {
    /// The last command it took, to know a copy of it.
    sequence: Option<u64>,
    /// Where it says it stands: its extension, and the tilt that it was told.
    says: Pose,
    /// Where its slats stand, thousandths of a degree; 0 without slats.
    tilt_mdeg: i32,
    product: u32,
    reports: bool,
    /// Its power is measured.
    measured: bool,
}

impl Ideal {
    /// Every device retracted and slats level, as far as they can be.
    #[must_use]
    pub fn new(model: &Model, now: Now) -> Self {
        let ranges: Vec<_> = model.products.iter().map(tilt_range_mdeg).collect();
        let drives = model.devices.iter().map(|device| {
            let range = ranges.get(device.product.index()).copied().flatten();
            let tilt_mdeg = range.map(|(least, greatest)| 0.clamp(least, greatest));
            let stand = Stand {
                extension_ppm: 0,
                tilt_mdeg: tilt_mdeg.map(i64::from),
            };
            Standing {
                sequence: None,
                says: stand.pose(),
                tilt_mdeg: tilt_mdeg.unwrap_or(0),
                product: device.product.0,
                reports: device.drive.reports,
                measured: device.drive.evidence.is_some(),
            }
        });
        Self {
            drives: drives.collect(),
            ranges,
            now: now.steady.0,
            moved: Vec::new(),
        }
    }

    /// A command arrives; adds the answers of its drives to `told`. A command that
    /// comes too late is refused; a copy of the last one changes nothing.
    pub fn handle(&mut self, now: Now, command: &Command, told: &mut Vec<Told>) {
        self.now = self.now.max(now.steady.0);
        for order in &command.orders {
            let Some(drive) = self.drives.get_mut(order.device.index()) else {
                continue;
            };
            if drive.sequence == Some(command.sequence) {
                continue;
            }
            drive.sequence = Some(command.sequence);
            let mut state = DriveState::Standing;
            if now.wall > command.not_after {
                state = DriveState::Refused;
            } else if let Some(pose) = order.pose
                && drive.go(pose, self.ranges[drive.product as usize])
            {
                // Who moves tells when all have been told.
                self.moved.push(order.device.0);
                continue;
            }
            if let Some(report) = self.report(order.device, state) {
                told.push(report);
            }
        }
        // In the order in which they would come from among what is due.
        let mut moved = std::mem::take(&mut self.moved);
        moved.sort_unstable();
        for device in moved.drain(..) {
            if let Some(report) = self.report(DeviceId(device), DriveState::Standing) {
                told.push(report);
            }
        }
        self.moved = moved;
    }

    /// Lets time pass. Time never goes back: a moment before the last one counts as
    /// the last one.
    pub const fn advance(&mut self, now: Now) {
        if now.steady.0 > self.now {
            self.now = now.steady.0;
        }
    }

    #[inline]
    fn report(&self, device: DeviceId, state: DriveState) -> Option<Told> {
        let drive = &self.drives[device.index()];
        // It stands whenever it tells, so it draws nothing.
        let power_w = if drive.measured { Some(0.0) } else { None };
        drive.reports.then_some(Told {
            at: Steady(self.now),
            report: Report {
                device,
                sequence: drive.sequence,
                state,
                pose: Some(drive.says),
                power_w,
            },
        })
    }
}

impl Standing {
    /// Goes where it is told, within its reach; whether it moves. A tilt not asked for
    /// stays.
    #[inline]
    fn go(&mut self, pose: Pose, range: Option<(i32, i32)>) -> bool {
        let (extension_pct, tilt_mdeg) = (self.says.extension_pct, self.tilt_mdeg);
        self.says.extension_pct = pose.extension_pct.min(100);
        if let (Some((least, greatest)), Some(tilt)) = (range, pose.tilt_deg) {
            self.says.tilt_deg = Some(tilt);
            self.tilt_mdeg = (i32::from(tilt) * 1_000).clamp(least, greatest);
        }
        self.says.extension_pct != extension_pct || self.tilt_mdeg != tilt_mdeg
    }
}

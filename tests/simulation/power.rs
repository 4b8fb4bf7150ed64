//! Measured power as evidence: what drives draw, sometimes not what they should; and
//! what has to be seen of it. Running time and energy are summed up apart from the core.

use crate::checks::{UNDER_WAY_MS, Watched};
use crate::mishaps::asked;
use crate::world::{Happening, Outcome, World};
use leeside_core::ids::DeviceId;
use leeside_core::input::{Ask, DriveState, Input, Origin, Report};
use leeside_core::output::{Alarm, AlarmWord};
use leeside_core::reason::{Because, DriveTrouble};
use leeside_core::time::{MINUTE, SECOND};

/// Above this it runs, and above that it is too much, W (as the drawn sites have it).
const RUNS_W: f64 = 50.0;
const TOO_MUCH_W: f64 = 300.0;
/// The key of the alarm that what had been kept cannot be read.
const STATE_LOST: &str = "state_lost";

/// What was heard of a drive's power.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(crate) struct Meter {
    last: Option<(i64, f64)>,
    ran_ms: i64,
    joules: f64,
}

impl Meter {
    pub(crate) fn hear(&mut self, at: i64, power_w: f64) {
        if let Some((from, w)) = self.last.replace((at, power_w)) {
            self.ran_ms += if w >= RUNS_W { at - from } else { 0 };
            let ms = i32::try_from(at - from).map_or(f64::INFINITY, f64::from);
            self.joules += w * ms / 1_000.0;
        }
    }
}

impl Watched {
    /// What it says, of where it stands or that it runs, is a sign of it.
    pub(crate) fn heard(&mut self, report: &Report) {
        let runs = report.power_w.is_some_and(|power_w| power_w >= RUNS_W);
        let stands = report.state == DriveState::Standing && report.pose.is_some();
        self.powerless &= !runs && !stands;
    }
}

/// Whether a drive that is said to draw so much gives that trouble.
fn tells(power_w: f64, trouble: DriveTrouble) -> bool {
    match trouble {
        DriveTrouble::TooMuchPower => power_w > TOO_MUCH_W,
        DriveTrouble::NoPower => power_w < RUNS_W,
        DriveTrouble::RunsTooLong | DriveTrouble::PowerUncommanded => power_w >= RUNS_W,
        DriveTrouble::Silent
        | DriveTrouble::Elsewhere
        | DriveTrouble::Refused
        | DriveTrouble::Fault => false,
    }
}

impl World {
    /// A drive's power is measured and reaches the core.
    pub(crate) fn power(
        &mut self,
        device: DeviceId,
        again: bool,
        outcome: &mut Outcome,
    ) -> Result<(), String> {
        let runs_until = |ms: i64| {
            let usage = |ms| self.plant.usage(device, self.now().steady.plus(ms));
            let ran = |ms| usage(ms).map_or(0, |usage| usage.run_ms);
            ran(ms) - ran(0) >= ms - 5
        };
        let (runs, long) = (runs_until(200), runs_until(12 * SECOND));
        if again {
            let next = if runs {
                self.rng.int(4, 15) * SECOND
            } else {
                self.rng.int(1, 20) * MINUTE
            };
            self.after(next, Happening::Power(device, true));
        }
        if self.gap || self.core.is_none() {
            return Ok(());
        }
        let right = if runs {
            self.rng.real(120.0, 250.0)
        } else {
            self.rng.real(0.0, 3.0)
        };
        let lie = self.lies[device.index()];
        let power_w = lie.unwrap_or(right);
        let report = Report {
            device,
            sequence: None,
            state: DriveState::Moving,
            pose: None,
            power_w: Some(power_w),
        };
        let name = self.model.device(device).name.clone();
        self.put(Input::Report(report), outcome)?;
        let told = self.checks.devices[device.index()].barred;
        let watched = &self.checks.devices[device.index()];
        let stands = watched.idle_since.map_or(0, |from| self.t - from);
        let began = watched.busy_since.map_or(0, |from| self.t - from);
        let judged = !watched.excused && self.sound(device) && self.t > self.checks.forgot_until;
        let rests = !runs && stands.min(self.t - watched.commanded_at) > UNDER_WAY_MS;
        let under_way = long && began > 5 * SECOND && !watched.unsure;
        let ought = power_w > TOO_MUCH_W
            || judged && power_w >= RUNS_W && rests
            || judged && power_w < RUNS_W && under_way;
        if ought && !told {
            return Err(format!(
                "{name} draws {power_w:.0} W, runs: {runs}, stands for {stands} ms: no alarm"
            ));
        }
        if runs && lie.is_none() {
            // Its end stop is found, or its report heard, before the next one.
            self.checks.devices[device.index()].unsure &= !judged;
        }
        Ok(())
    }

    pub(crate) fn power_lies(&mut self) {
        let device = DeviceId::of(self.rng.index(self.model.devices.len()));
        let lie = self.rng.pick(&[0.0, 200.0, 400.0]);
        self.note(|| format!("{device:?} draws {lie} W"));
        self.lies[device.index()] = Some(lie);
        let lasts = self.rng.int(1, 200) * MINUTE;
        self.after(lasts, Happening::PowerRight(device));
    }

    /// Somebody will see an alarm.
    fn see(&mut self, alarm: &Alarm) {
        if alarm.active && alarm.acknowledged_by.is_none() {
            let key = alarm.key.clone();
            let seen = asked(Origin::Centre, Ask::Acknowledge { key });
            let later = self.rng.int(1, 180) * MINUTE;
            self.after(later, Happening::Deliver(seen));
        }
    }

    /// An alarm about power bars comfort until somebody has seen it, and none is
    /// raised where nothing is wrong.
    pub(crate) fn alarm(&mut self, alarm: &Alarm) -> Result<(), String> {
        if alarm.word == AlarmWord::StateLost {
            self.see(alarm);
            return Ok(());
        }
        if alarm.word != AlarmWord::DrivePower {
            return Ok(());
        }
        let named = |name: &str| alarm.key == format!("drive_power/{name}");
        let index = self.model.devices.iter().position(|d| named(&d.name));
        let index = index.ok_or_else(|| format!("{} is of no device", alarm.key))?;
        self.see(alarm);
        if alarm.active && alarm.acknowledged_by.is_none() {
            let device = DeviceId::of(index);
            let watched = &self.checks.devices[index];
            let judged = !watched.excused && self.sound(device);
            let known = self.t > self.checks.forgot_until && !self.gap;
            // One that did not do what it was told before, unseen, may be there already
            // and draw nothing now, or have further to go than is believed: that is how
            // it comes to light.
            let Because::Drive { trouble } = alarm.because else {
                return Err(format!("{} because {:?}", alarm.key, alarm.because));
            };
            let no_power = trouble == DriveTrouble::NoPower;
            let usage = |ms| self.plant.usage(device, self.now().steady.plus(ms));
            let ran = |ms| usage(ms).map_or(0, |usage| usage.run_ms);
            let runs = ran(200) > ran(0);
            let of_late = self.t - watched.commanded_at < UNDER_WAY_MS;
            let news = watched.reveals && of_late && no_power != runs;
            self.checks.devices[index].unsure |= no_power;
            self.checks.devices[index].powerless |= no_power;
            let measured = self.lies[index].is_some_and(|lie| tells(lie, trouble));
            if judged && known && !news && !measured {
                return Err(format!("{}: nothing is wrong with it", alarm.key));
            }
        }
        self.checks.devices[index].barred = alarm.active;
        Ok(())
    }

    /// After a start the alarms stand that were kept.
    pub(crate) fn alarms_kept(&mut self) {
        let Some(core) = &self.core else { return };
        let standing: Vec<String> = core.alarms().into_iter().map(|alarm| alarm.key).collect();
        for (watched, device) in self.checks.devices.iter_mut().zip(&self.model.devices) {
            watched.barred = standing.contains(&format!("drive_power/{}", device.name));
            watched.powerless = false;
        }
    }

    /// A drive known to have no power is believed to stand nowhere.
    pub(crate) fn believed(&self) -> Result<(), String> {
        let Some(core) = &self.core else {
            return Ok(());
        };
        for (index, watched) in self.checks.devices.iter().enumerate() {
            let pose = core.pose(DeviceId::of(index)).filter(|_| watched.powerless);
            if let Some(pose) = pose {
                let name = &self.model.devices[index].name;
                return Err(format!(
                    "{name} is believed to stand at {pose:?}, but drew no power when told"
                ));
            }
        }
        Ok(())
    }

    /// That the state was lost stands as an alarm until somebody has seen it.
    pub(crate) fn said_lost(&self) -> Result<(), String> {
        let Some(core) = self.core.as_ref().filter(|_| self.state_lost) else {
            return Ok(());
        };
        let stands = core.alarms().iter().any(|alarm| alarm.key == STATE_LOST);
        stands
            .then_some(())
            .ok_or_else(|| "the state was lost, nobody has seen it, and no alarm stands".to_owned())
    }

    /// What the core has counted is what was heard.
    pub(crate) fn counted(&self) -> Result<(), String> {
        let Some(core) = &self.core else {
            return Ok(());
        };
        for (index, meter) in self.truth.meters.iter().enumerate() {
            let (ran_ms, wh) = core.measured_running(DeviceId::of(index));
            let joules = wh * 3_600.0;
            if ran_ms != meter.ran_ms || (joules - meter.joules).abs() > 1e-6 * joules.max(1.0) {
                let name = &self.model.devices[index].name;
                return Err(format!(
                    "{name}: {ran_ms} ms, {joules} J counted; {meter:?}"
                ));
            }
        }
        Ok(())
    }
}

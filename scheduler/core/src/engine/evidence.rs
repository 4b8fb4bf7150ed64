//! Measured power as evidence of movement: no power on a command, power without
//! one, too much, too long. Any of these raises an alarm and stops comfort moves
//! of that drive until somebody has seen it; weather still moves it.

use super::{Core, stale_bits};
use crate::ids::DeviceId;
use crate::output::AlarmWord;
use crate::reason::{Because, DriveTrouble};
use crate::time::{MINUTE, SECOND, Steady};
use serde::{Deserialize, Serialize};

/// How long after its start or stop a drive's power may lag, ms (common practice).
const LAG_MS: i64 = 3 * SECOND;

/// How long after a run that drew no power a guard has it told again, ms (our choice:
/// breakers are put back within minutes, and a storm does not wait for an alarm to be seen).
const RETRY_MS: i64 = 5 * MINUTE;

/// What a drive's power has told so far.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(super) struct Evidence {
    pub(super) trouble: Option<DriveTrouble>,
    last: Option<(Steady, f64)>,
    /// Running time by power, ms.
    pub(super) ran_ms: i64,
    /// Energy, Ws.
    pub(super) energy_ws: f64,
}

impl Core {
    /// A measured power of a drive.
    pub(super) fn power(&mut self, device: DeviceId, power_w: f64) {
        let Some(rule) = self.model.device(device).drive.evidence else {
            return;
        };
        if !power_w.is_finite() || power_w < 0.0 {
            return;
        }
        let now = self.now.steady;
        let runs = power_w >= rule.running_from_w;
        let evidence = &mut self.evidence[device.index()];
        if let Some((since, before)) = evidence.last {
            let ms = now.0 - since.0;
            if before >= rule.running_from_w {
                evidence.ran_ms += ms;
            }
            evidence.energy_ws += before * seconds(ms);
        }
        evidence.last = Some((now, power_w));
        let run = self.drives[device.index()].run;
        let rested_ms = self.drives[device.index()].rested_ms(now);
        if runs && run.is_some_and(|run| run.start <= now && now < run.stop) {
            self.drives[device.index()].draws();
        }
        let trouble = if power_w > rule.too_much_w {
            Some(DriveTrouble::TooMuchPower)
        } else {
            match run {
                Some(run) if now.0 < run.start.0 => None,
                Some(run) if now < run.stop => {
                    // At the very end it may have run into its stop a little early, and
                    // whether its slats turn at all is not certain.
                    let lag = LAG_MS.max((run.there.0 - run.start.0) / 5);
                    let due = now.0 - run.start.0 >= LAG_MS && run.there.0 - now.0 >= lag;
                    // Told again after a gap it may stand there already, and rest.
                    let ought = due && run.knows_from();
                    (!runs && ought).then_some(DriveTrouble::NoPower)
                }
                Some(run) => {
                    let late = now.0 - run.stop.0;
                    let allowed = LAG_MS + (run.stop.0 - run.start.0) / 5;
                    let too_long = runs && late > allowed;
                    let still = late <= 2 * allowed;
                    too_long.then_some(if still {
                        DriveTrouble::RunsTooLong
                    } else {
                        DriveTrouble::PowerUncommanded
                    })
                }
                // Halted a moment ago it may not have heard of it, or still be measured.
                None => (runs && rested_ms > LAG_MS).then_some(DriveTrouble::PowerUncommanded),
            }
        };
        if trouble.is_some() {
            self.power_trouble(device, trouble);
        }
    }

    fn power_trouble(&mut self, device: DeviceId, trouble: Option<DriveTrouble>) {
        let evidence = &mut self.evidence[device.index()];
        if evidence.trouble == trouble {
            return;
        }
        let told = trouble.or(evidence.trouble);
        evidence.trouble = trouble;
        if trouble == Some(DriveTrouble::NoPower) {
            self.drives[device.index()].drew_nothing();
            self.try_later(device, self.now.steady);
        }
        let key = power_key(&self.model.device(device).name);
        if let Some(told) = told {
            let because = Because::Drive { trouble: told };
            self.set_alarm(key, AlarmWord::DrivePower, trouble.is_some(), because);
        }
        if let Some(group) = self.topology.device_group[device.index()] {
            self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
        }
    }

    /// Somebody has seen the alarm: comfort may move the drive again.
    pub(super) fn power_seen(&mut self, key: &str) {
        let named = |d: &crate::model::Device| power_key(&d.name) == key;
        if let Some(index) = self.model.devices.iter().position(named) {
            if self.drives[index].is_idle() {
                // Whoever has seen it may have mended it.
                self.drives[index].forget_target();
            }
            self.power_trouble(DeviceId::of(index), None);
        }
    }

    /// A drive that drew no power on a command is looked at again after a while: its
    /// supply may have come back. A guard that wants it somewhere then tells it again.
    pub(super) fn try_later(&mut self, device: DeviceId, from: Steady) {
        self.look_again(device, from.plus(RETRY_MS));
    }

    /// Running time (ms) and energy (Wh) of a drive, by its measured power.
    #[must_use]
    pub fn measured_running(&self, device: DeviceId) -> (i64, f64) {
        let evidence = &self.evidence[device.index()];
        (evidence.ran_ms, evidence.energy_ws / 3_600.0)
    }
}

fn power_key(device: &str) -> String {
    format!("drive_power/{device}")
}

#[expect(
    clippy::cast_precision_loss,
    reason = "spans between reports are far below 2^53 ms"
)]
fn seconds(ms: i64) -> f64 {
    ms as f64 / 1_000.0
}

//! Stories of hands, alarms and measured power.

use super::{BLIND, Finding, measured};
use crate::bench::Bench;
use crate::site::SWITCHED;
use crate::world::Outcome;
use leeside_core::Core;
use leeside_core::input::{Ask, Input, RestartCause, Until};
use leeside_core::output::{Alarm, AlarmWord};
use leeside_core::reason::{Because, DriveTrouble, Fault};
use leeside_core::time::{HOUR, MINUTE, SECOND};
use std::sync::Arc;

pub(super) fn hand(broken: bool) -> Finding {
    let mut bench = Bench::with(|model| {
        model.sensors.iter_mut().for_each(|sensor| {
            sensor.validity.silence_ms = 72 * HOUR;
        });
    });
    let until = Until::For(if broken { 60 * HOUR } else { 20 * HOUR });
    bench.ask(asked(until));
    bench.0.checks.asked[SWITCHED.index()] = bench.now().steady.0;
    bench.later(27 * HOUR);
    bench.look(true)
}

/// What was asked for an hour holds an hour, also where the clock falls back to 1970:
/// a core that counted by it would hold on for fifty years.
pub(super) fn hand_in_1970(broken: bool) -> Finding {
    let mut bench = Bench::with(|model| {
        model.sensors.iter_mut().for_each(|sensor| {
            sensor.validity.silence_ms = 72 * HOUR;
        });
    });
    let until = Until::For(if broken { 400_000 * HOUR } else { HOUR });
    bench.ask(asked(until));
    bench.0.checks.asked[SWITCHED.index()] = bench.now().steady.0;
    bench.later(MINUTE);
    bench.0.wall_ahead = -bench.0.t;
    bench.input(Input::Restart(RestartCause::ClockJump));
    let mut bench = bench.calmed();
    bench.later(27 * HOUR);
    bench.look(true)
}

const fn asked(until: Until) -> Ask {
    Ask::Pose {
        group: SWITCHED,
        extension_pct: Some(50),
        tilt_deg: None,
        until,
    }
}

/// More than a drive may draw.
pub(super) fn power_unseen(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    draws(&mut bench, 400.0, broken)
}

/// The drive draws so much, and the core does not look at it (where it is broken).
fn draws(bench: &mut Bench, power_w: f64, broken: bool) -> Finding {
    bench.0.lies[BLIND.index()] = Some(power_w);
    if broken {
        let mut deaf = (*bench.0.model).clone();
        for device in &mut deaf.devices {
            device.drive.evidence = None;
        }
        bench.0.core = Some(Core::new(Arc::new(deaf), bench.now()));
    }
    bench.0.power(BLIND, false, &mut Outcome::default())
}

/// A drive that nobody has told anything for long, and that runs.
pub(super) fn power_uncommanded(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    bench.look(false)?;
    bench.later(5 * MINUTE);
    draws(&mut bench, 200.0, broken)
}

/// One that was told to run, and draws nothing; unless nobody knows from where it goes.
pub(super) fn power_missing(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    let command = bench.by_hand(BLIND, 100);
    bench.carried_out(&command)?;
    bench.later(10 * SECOND);
    bench.look(false)?;
    bench.0.checks.devices[BLIND.index()].unsure = !broken;
    draws(&mut bench, 0.0, true)
}

fn power_alarm(bench: &Bench, device: &str) -> Alarm {
    let trouble = DriveTrouble::NoPower;
    Alarm {
        key: format!("drive_power/{device}"),
        word: AlarmWord::DrivePower,
        at: bench.now(),
        active: true,
        acknowledged_by: None,
        because: Because::Drive { trouble },
    }
}

pub(super) fn false_alarm(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    let told_at = bench.now().steady.0;
    let watched = &mut bench.0.checks.devices[BLIND.index()];
    (watched.reveals, watched.commanded_at) = (!broken, told_at);
    let alarm = power_alarm(&bench, "device 2");
    bench.0.alarm(&alarm)
}

/// What a drive is said to draw explains the alarm of that, and no other.
pub(super) fn another_alarm(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    bench.0.lies[BLIND.index()] = Some(if broken { 200.0 } else { 0.0 });
    let alarm = power_alarm(&bench, "device 2");
    bench.0.alarm(&alarm)
}

/// An alarm about a drive's power says what is wrong with the drive.
pub(super) fn alarm_without_trouble(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    bench.0.lies[BLIND.index()] = Some(0.0);
    let mut alarm = power_alarm(&bench, "device 2");
    if broken {
        let (sensor, fault) = (crate::site::MAST, Fault::Silent);
        alarm.because = Because::SensorUnknown { sensor, fault };
    }
    bench.0.alarm(&alarm)
}

pub(super) fn nobodys_alarm(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    let told_at = bench.now().steady.0;
    let watched = &mut bench.0.checks.devices[BLIND.index()];
    (watched.reveals, watched.commanded_at) = (true, told_at);
    let name = if broken { "nobody's" } else { "device 2" };
    let alarm = power_alarm(&bench, name);
    bench.0.alarm(&alarm)
}

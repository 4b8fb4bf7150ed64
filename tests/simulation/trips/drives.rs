//! Stories of drives: what the plant does is looked at, whatever anybody believes.

use super::{BLIND, Finding, SECOND_BLIND, SHUTTER, service};
use crate::bench::Bench;
use crate::site::{DOORS, FIRE, SWITCHES};
use crate::switches::Pressed;
use leeside_core::ids::{ContactId, DeviceId, GroupId};
use leeside_core::input::Input;
use leeside_core::output::Command;
use leeside_core::pose::Pose;
use leeside_core::time::{MINUTE, SECOND};

pub(super) fn pause(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let command = bench.by_hand(BLIND, 100);
    bench.carried_out(&command)?;
    bench.later(10 * SECOND);
    let mut command = bench.by_hand(BLIND, 0);
    command.orders[0].start_delay_ms = if broken { 0 } else { 600 };
    bench.carried_out(&command)
}

pub(super) fn stagger(broken: bool) -> Finding {
    let mut bench = Bench::with(|model| {
        for feeder in &mut model.feeders {
            (feeder.stagger_ms, feeder.starts_at_once) = (2_000, 1);
        }
    });
    let command = bench.by_hand(BLIND, 100);
    bench.carried_out(&command)?;
    bench.later(if broken { 1_000 } else { 2_000 });
    let command = bench.by_hand(SECOND_BLIND, 100);
    bench.carried_out(&command)
}

/// Nobody remembers what was told before a start, until that is over.
pub(super) fn pause_after_a_start(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.checks.forget(bench.0.t, None);
    bench.later(if broken { 5 * MINUTE } else { SECOND });
    let command = bench.by_hand(BLIND, 100);
    bench.carried_out(&command)?;
    bench.later(10 * SECOND);
    let command = bench.by_hand(BLIND, 0);
    bench.carried_out(&command)
}

fn runs_out(contact: ContactId, device: DeviceId, halts: bool) -> Result<Bench, String> {
    let mut bench = Bench::new();
    let command = bench.by_hand(device, 100);
    bench.carried_out(&command)?;
    bench.later(5 * SECOND);
    let active = true;
    bench.input(Input::Contact { contact, active });
    bench.look(false)?;
    if halts {
        let halt = halt(&bench, device);
        bench.carried_out(&halt)?;
    }
    bench.later(10 * SECOND);
    Ok(bench)
}

fn halt(bench: &Bench, device: DeviceId) -> Command {
    let mut halt = bench.by_hand(device, 100);
    halt.orders[0].pose = None;
    halt
}

pub(super) fn runs_past_door(broken: bool) -> Finding {
    runs_out(DOORS[0], SHUTTER, !broken)?.look(false)
}

pub(super) fn runs_out_in_a_fire(broken: bool) -> Finding {
    runs_out(FIRE, BLIND, !broken)?.look(false)
}

/// What cannot be reached runs on; once it can be, it has to be halted.
pub(super) fn runs_past_door_unreached(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let command = bench.by_hand(SHUTTER, 100);
    bench.carried_out(&command)?;
    bench.0.gap = true;
    let (contact, active) = (DOORS[0], true);
    bench.input(Input::Contact { contact, active });
    bench.look(false)?;
    bench.later(5 * SECOND);
    bench.0.gap = !broken;
    bench.look(false)?;
    bench.later(10 * SECOND);
    bench.look(false)
}

pub(super) fn moves_in_service(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let command = bench.by_hand(BLIND, 100);
    if broken {
        bench.carried_out(&command)?;
    }
    bench.later(5 * SECOND);
    service(&mut bench, true);
    bench.look(false)?;
    bench.later(20 * SECOND);
    bench.look(false)
}

/// One that was not in order may be anywhere, until it has gone where it was told anew.
pub(super) fn mended(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.checks.devices[SHUTTER.index()].excuse();
    let command = bench.by_hand(SHUTTER, 50);
    bench.carried_out(&command)?;
    bench.0.checks.devices[SHUTTER.index()].told = command.orders[0].pose;
    bench.later(if broken { MINUTE } else { SECOND });
    bench.look(false)?;
    let (contact, active) = (DOORS[0], true);
    bench.input(Input::Contact { contact, active });
    let command = bench.by_hand(SHUTTER, 100);
    bench.told(&command)
}

/// A blind that is out while the wind blows, looked at every ten seconds.
fn out_in_wind(
    bench: &mut Bench,
    mut meanwhile: impl FnMut(&mut Bench, i64) -> Finding,
) -> Finding {
    bench.0.plant.put(BLIND, Pose::EXTENDED);
    bench.gust(30.0);
    for step in 0..100 {
        meanwhile(bench, step)?;
        bench.later(10 * SECOND);
        bench.look_at_refuge(GroupId(1), BLIND)?;
    }
    Ok(())
}

pub(super) fn refuge(broken: bool) -> Finding {
    let mut bench = Bench::new();
    out_in_wind(&mut bench, |bench, step| {
        if !broken && step == 2 {
            bench.0.plant.put(BLIND, Pose::RETRACTED);
        }
        Ok(())
    })
}

pub(super) fn tried_again(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.checks.devices[BLIND.index()].excuse();
    out_in_wind(&mut bench, |bench, _| {
        let watched = &mut bench.0.checks.devices[BLIND.index()];
        watched.powerless = true;
        watched.sound = broken;
        Ok(())
    })
}

/// A command that was lost with the broker is owed once the broker is back.
pub(super) fn owed(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let watched = &mut bench.0.checks.devices[BLIND.index()];
    watched.excuse();
    watched.owed = broken;
    out_in_wind(&mut bench, |_, _| Ok(()))
}

/// A shutter that wind wants out, behind a door: as soon as that is shut it has to go.
pub(super) fn out_when_shut(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let (contact, active) = (DOORS[0], true);
    bench.input(Input::Contact { contact, active });
    bench.gust(30.0);
    for step in 0..100 {
        if broken && step == 50 {
            let active = false;
            bench.input(Input::Contact { contact, active });
        }
        bench.later(10 * SECOND);
        bench.look_at_refuge(GroupId(2), SHUTTER)?;
    }
    Ok(())
}

/// Unknown weather extends nothing; as soon as it is known it does.
pub(super) fn out_when_known(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.later(61 * MINUTE);
    if broken {
        bench.gust(30.0);
        bench.later(15 * MINUTE);
        bench.gust(30.0);
    }
    for _ in 0..100 {
        bench.later(10 * SECOND);
        bench.look_at_refuge(GroupId(2), SHUTTER)?;
    }
    Ok(())
}

/// Frozen it stays where it is, where the site says that not even wind moves it.
pub(super) fn frozen(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.policy(super::weather::frozen_wind, broken);
    super::weather::freeze(&mut bench);
    out_in_wind(&mut bench, |_, _| Ok(()))
}

/// Where somebody works it stays out; afterwards it goes in.
pub(super) fn in_after_service(broken: bool) -> Finding {
    let mut bench = Bench::new();
    service(&mut bench, true);
    out_in_wind(&mut bench, |bench, step| {
        if broken && step == 50 {
            service(bench, false);
        }
        Ok(())
    })
}

pub(super) fn runs_by_switch(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let (contact, active) = (SWITCHES[1], true);
    if !broken {
        bench.input(Input::Contact { contact, active });
    }
    let pressed = Pressed::running(bench.now().steady.0, bench.0.starts);
    bench.later(SECOND);
    bench.0.judge(contact, &pressed)
}

/// The other switch runs it the other way.
pub(super) fn other_way_by_switch(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let (contact, active) = (SWITCHES[usize::from(broken)], true);
    bench.input(Input::Contact { contact, active });
    let pressed = Pressed::running(bench.now().steady.0, bench.0.starts);
    bench.later(SECOND);
    bench.0.judge(SWITCHES[0], &pressed)
}

/// Let go after a long press it halts.
pub(super) fn halts_by_switch(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let contact = SWITCHES[1];
    for active in [true, false] {
        if active || !broken {
            bench.input(Input::Contact { contact, active });
        }
        bench.later(SECOND);
    }
    let pressed = Pressed::halting(bench.now().steady.0, bench.0.starts);
    bench.0.judge(contact, &pressed)
}

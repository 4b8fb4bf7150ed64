//! Stories of the weather and of what the core knows: what it has locked out, counted
//! and believes is held against what was heard.

use super::{BLIND, Finding, measured};
use crate::bench::{Bench, breeze};
use crate::site::{HYGRO, MAST, RAIN, THERMO, TOWER};
use crate::world::World;
use leeside_core::Core;
use leeside_core::input::{DriveState, Input, Report, RestartCause, Sample};
use leeside_core::model::{FrozenWind, Model, Policy, ZeroCheck};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, SECOND};
use std::sync::Arc;

pub(super) fn missing_lockout(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let reading = bench.reading(MAST, breeze(30.0));
    bench.truth_hears(&reading);
    if !broken {
        bench.core_hears(reading);
    }
    bench.later(MINUTE);
    bench.look(true)
}

pub(super) fn needless_lockout(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let reading = bench.reading(MAST, breeze(30.0));
    if !broken {
        bench.truth_hears(&reading);
    }
    bench.core_hears(reading);
    bench.later(MINUTE);
    bench.look(true)
}

/// A core that decides by another model than what is held against it.
fn misled(bench: &mut Bench, shape: impl Fn(&mut Model)) {
    let mut other = (*bench.0.model).clone();
    shape(&mut other);
    bench.0.core = Some(Core::new(Arc::new(other), bench.now()));
}

/// Cups that stand still while a neighbour blows are broken, whatever the mast says.
pub(super) fn zero(broken: bool) -> Finding {
    let mut bench = Bench::cold(|model| {
        model.sensors[MAST.index()].validity.zero = Some(ZeroCheck {
            neighbour: TOWER,
            neighbour_mps: 3.0,
            for_ms: 20 * MINUTE,
        });
        for group in &mut model.groups {
            group.wind.as_mut().unwrap().links.truncate(1);
            group.wind.as_mut().unwrap().links[0].sensor = MAST;
            group.wind.as_mut().unwrap().limit_mps = 10.0;
        }
    });
    if broken {
        misled(&mut bench, |model| {
            model.sensors[MAST.index()].validity.zero = None;
        });
    }
    let mut bench = bench.calmed();
    for _ in 0..25 {
        bench.hear(MAST, breeze(0.0));
        bench.hear(TOWER, breeze(6.0));
        bench.later(MINUTE);
        bench.look(true)?;
    }
    let held = bench.0.truth.holds(0)[0];
    held.then_some(())
        .ok_or_else(|| "no zero was seen".to_owned())
}

/// The same with a neighbour that stands still, too: it is only calm.
pub(super) fn zero_in_calm(broken: bool) -> Finding {
    let mut bench = Bench::cold(|model| {
        model.sensors[MAST.index()].validity.zero = Some(ZeroCheck {
            neighbour: TOWER,
            neighbour_mps: 3.0,
            for_ms: 20 * MINUTE,
        });
    });
    if broken {
        misled(&mut bench, |model| {
            let zero = model.sensors[MAST.index()].validity.zero.as_mut();
            zero.unwrap().neighbour_mps = 0.0;
            for group in &mut model.groups {
                group.wind.as_mut().unwrap().links[0].sensor = MAST;
            }
        });
    }
    let mut bench = bench.calmed();
    for _ in 0..25 {
        bench.hear(MAST, breeze(0.0));
        bench.hear(TOWER, breeze(0.0));
        bench.later(MINUTE);
        bench.look(true)?;
    }
    Ok(())
}

/// From now on the wall clock shows the first of January 1970.
fn falls_back(bench: &mut Bench) {
    bench.0.wall_ahead = -bench.0.t;
}

/// A clock that falls back to 1970: what the masts say then is as new as ever.
pub(super) fn heard_in_1970(broken: bool) -> Finding {
    let mut bench = Bench::new();
    falls_back(&mut bench);
    let jump = Input::Restart(RestartCause::ClockJump);
    bench.truth_hears(&jump);
    if !broken {
        bench.core_hears(jump);
    }
    let mut bench = bench.calmed();
    bench.gust(30.0);
    bench.later(MINUTE);
    bench.look(true)
}

/// ... and a lockout of before is held to its end by the count that never steps.
pub(super) fn held_in_1970(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.gust(30.0);
    bench.later(MINUTE);
    falls_back(&mut bench);
    bench.input(Input::Restart(RestartCause::ClockJump));
    if broken {
        misled(&mut bench, |_| {});
        bench.core_hears(Input::Restart(RestartCause::Started));
    }
    let mut bench = bench.calmed();
    bench.look(true)?;
    bench.later(HOUR - 4 * MINUTE);
    bench.look(true)?;
    let held = bench.0.truth.holds(0)[0];
    (!held)
        .then_some(())
        .ok_or_else(|| "it never ended".to_owned())
}

/// Wet and below freezing, not faster than it is believed.
pub(super) fn freeze(bench: &mut Bench) {
    bench.hear(RAIN, Sample::Value(1.0));
    bench.hear(HYGRO, Sample::Value(99.0));
    bench.later(10 * MINUTE);
    bench.hear(THERMO, Sample::Value(-5.0));
    bench.later(MINUTE);
}

pub(super) const fn frozen_wind(policy: &mut Policy, moves: bool) {
    policy.frozen_wind = if moves {
        FrozenWind::Refuge
    } else {
        FrozenWind::Hold
    };
}

/// Frost that somebody has looked at locks nothing out, until it freezes anew.
pub(super) fn frost(broken: bool) -> Finding {
    let mut bench = Bench::new();
    if broken {
        misled(&mut bench, |model| {
            for ice in model.groups.iter_mut().filter_map(|g| g.ice.as_mut()) {
                ice.below_c = -20.0;
            }
        });
        bench = bench.calmed();
    }
    freeze(&mut bench);
    bench.look(true)
}

fn reports(bench: &mut Bench, power_w: Option<f64>) -> Input {
    let device = BLIND;
    let pose = Some(Pose {
        extension_pct: 0,
        tilt_deg: Some(0),
    });
    bench.later(10 * SECOND);
    Input::Report(Report {
        device,
        sequence: None,
        state: DriveState::Standing,
        pose,
        power_w,
    })
}

pub(super) fn counts(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    for power_w in [200.0, 200.0, 1.0] {
        let report = reports(&mut bench, Some(power_w));
        bench.truth_hears(&report);
        if !broken || power_w < 100.0 {
            bench.core_hears(report);
        }
    }
    bench.0.counted()
}

pub(super) fn believed(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    let report = reports(&mut bench, None);
    bench.input(report);
    bench.0.checks.devices[BLIND.index()].powerless = broken;
    bench.0.believed()
}

pub(super) fn state_lost(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.state_lost = true;
    bench.input(Input::Restart(if broken {
        RestartCause::Started
    } else {
        RestartCause::StateLost
    }));
    bench.0.said_lost()
}

/// The same seed comes out the same, to the byte.
pub(super) fn same_again(broken: bool) -> Finding {
    let (seed, days) = (1, 1);
    let mut outcome = World::new(seed, days, false).run()?;
    outcome.mark += u64::from(broken);
    crate::same_again(seed, days, outcome)
}

//! Stories of commands: each is shown to the checks as it comes out.

use super::{BLIND, Finding, SHUTTER, service};
use crate::bench::Bench;
use crate::site::{DOORS, FIRE};
use crate::world::Outcome;
use leeside_core::ids::SensorId;
use leeside_core::input::Input;
use leeside_core::model::{Budget, QuietHours};
use leeside_core::output::Word;
use leeside_core::reason::Because;
use leeside_core::time::{HOUR, MINUTE, SECOND};

pub(super) fn numbers(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)?;
    let mut next = bench.by_hand(BLIND, 60);
    next.sequence -= u64::from(broken);
    bench.told(&next)
}

pub(super) fn lateness(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let mut command = bench.by_hand(BLIND, 50);
    if broken {
        command.not_after = command.at.wall;
    }
    bench.told(&command)
}

pub(super) fn emptiness(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let mut command = bench.by_hand(BLIND, 50);
    if broken {
        command.orders.clear();
    }
    bench.told(&command)
}

pub(super) fn strangers(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let mut command = bench.by_hand(BLIND, 50);
    if broken {
        command.orders[0].device = SHUTTER;
    }
    bench.told(&command)
}

pub(super) fn reasons(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let mut command = bench.by_hand(BLIND, 50);
    if broken {
        command.because = Because::HailHolding;
    }
    bench.told(&command)
}

pub(super) fn names(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let hail = Because::Hail {
        sensor: SensorId(if broken { 99 } else { 5 }),
    };
    let command = bench.command(Word::Hail, hail, BLIND, 0);
    bench.told(&command)
}

pub(super) fn held(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.gust(if broken { 30.0 } else { 2.0 });
    bench.later(MINUTE);
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

pub(super) fn barred(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.checks.devices[BLIND.index()].barred = broken;
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

pub(super) fn unknown(broken: bool) -> Finding {
    let mut bench = if broken {
        Bench::cold(|_| {})
    } else {
        Bench::new()
    };
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

pub(super) fn served(broken: bool) -> Finding {
    let mut bench = Bench::new();
    service(&mut bench, broken);
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

pub(super) fn quiet(broken: bool) -> Finding {
    let mut bench = Bench::with(|model| {
        model.groups[1].quiet = Some(QuietHours {
            from_min: 22 * 60,
            to_min: 6 * 60,
        });
        model.sensors.iter_mut().for_each(|sensor| {
            sensor.validity.silence_ms = 24 * HOUR;
        });
    });
    // From ten in the morning to eleven at night.
    bench.later(if broken { 13 * HOUR } else { HOUR });
    let command = bench.by_timetable(50);
    bench.told(&command)
}

pub(super) fn clock(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.input(Input::Clock { trusted: !broken });
    let command = bench.by_timetable(50);
    bench.told(&command)
}

pub(super) fn fire(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let (contact, active) = (FIRE, broken);
    bench.input(Input::Contact { contact, active });
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

pub(super) fn door(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let (contact, active) = (DOORS[0], broken);
    bench.input(Input::Contact { contact, active });
    let command = bench.by_hand(SHUTTER, 50);
    bench.told(&command)
}

pub(super) fn blind_refuge(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.later(50 * MINUTE);
    if !broken {
        bench.gust(30.0);
    }
    bench.later(11 * MINUTE);
    let holding = Because::WindHolding {
        peak_mps: 30.0,
        limit_mps: 10.0,
        calm_below_mps: 9.0,
    };
    let command = bench.command(Word::Wind, holding, SHUTTER, 100);
    bench.told(&command)
}

/// Orders to halt may be given to whoever works there; to move, if the site says so in
/// a fire.
pub(super) fn served_in_fire(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.policy(|policy, broken| policy.fire_moves_service = !broken, broken);
    service(&mut bench, true);
    let (contact, active) = (FIRE, true);
    bench.input(Input::Contact { contact, active });
    let command = bench.command(Word::Fire, Because::Fire { contact }, BLIND, 0);
    bench.told(&command)
}

fn with_budget(model: &mut leeside_core::model::Model) {
    model.products[1].budget = Some(Budget {
        run_ms: 193 * SECOND,
        window_ms: 20 * MINUTE,
    });
}

/// Some 50 and 60 s.
fn out_and_in(bench: &mut Bench) -> Finding {
    for to in [100, 0] {
        let command = bench.by_hand(BLIND, to);
        bench.carried_out(&command)?;
        for _ in 0..10 {
            bench.later(10 * SECOND);
            bench.look(false)?;
        }
    }
    Ok(())
}

pub(super) fn duty(broken: bool) -> Finding {
    let mut bench = Bench::with(with_budget);
    out_and_in(&mut bench)?;
    if !broken {
        bench.later(20 * MINUTE);
        bench.look(false)?;
    }
    // And then 50 more with one of 60 in reserve.
    let command = bench.by_hand(BLIND, 100);
    bench.told(&command)
}

/// What was kept is remembered over a start; only what came later may be forgotten.
pub(super) fn duty_over_a_start(broken: bool) -> Finding {
    let mut bench = Bench::with(with_budget);
    let before = bench.now().steady.0;
    out_and_in(&mut bench)?;
    let kept = if broken { bench.now().steady.0 } else { before };
    bench.0.checks.forget(bench.0.t, Some(kept));
    let command = bench.by_hand(BLIND, 100);
    bench.told(&command)
}

/// Where nothing was kept the clock stands in for the numbers of before.
pub(super) fn numbers_over_a_start(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.checks.sequence = u64::MAX / 2;
    bench.0.start(true, &mut Outcome::default())?;
    bench.0.gap = true;
    let seconds = u64::try_from(bench.now().wall.0 / 1_000).unwrap();
    let mut command = bench.command(Word::Wind, Because::StateLost, BLIND, 0);
    command.sequence = seconds + u64::from(!broken);
    bench.told(&command)
}

//! A check that cannot trip checks nothing: each one is shown a made-up story that
//! breaks its rule, and has to complain of that; and the same story in order, of which
//! it has to say nothing.

use crate::bench::{Bench, breeze};
use crate::site::{DOORS, FIRE, MAST, SWITCHED, SWITCHES};
use crate::switches::Pressed;
use crate::world::Outcome;
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId, SensorId};
use leeside_core::input::{Ask, DriveState, Input, Report, RestartCause, Until};
use leeside_core::model::{Budget, Evidence, Model, QuietHours};
use leeside_core::output::{Alarm, AlarmWord, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, DriveTrouble};
use leeside_core::time::{HOUR, MINUTE, SECOND};
use std::sync::Arc;

type Finding = Result<(), String>;

/// A slat blind without doors, a shutter with one, and a screen on another feeder.
const BLIND: DeviceId = DeviceId(2);
const SECOND_BLIND: DeviceId = DeviceId(3);
const SHUTTER: DeviceId = DeviceId(5);

/// A story: what is told, in order or (`true`) with its rule broken.
type Story = fn(bool) -> Finding;

/// Each rule, some words of the complaint that its check must make, and the story.
const STORIES: [(&str, &str, Story); 30] = [
    ("numbers rise", "sequence", numbers),
    ("no command is late", "too late", lateness),
    ("no command is empty", "asks nothing", emptiness),
    ("orders are for the group's drives", "is not of", strangers),
    ("reasons fit", "decided because", reasons),
    ("reasons name what there is", "decided because", names),
    (
        "no wish while a guard holds",
        "although a guard holds",
        held,
    ),
    (
        "no comfort without power",
        "its power is in question",
        barred,
    ),
    (
        "no wish on unknown weather",
        "the weather is not known",
        unknown,
    ),
    ("no wish in service", "somebody works there", served),
    ("no comfort in quiet hours", "in quiet hours", quiet),
    ("no comfort by a wrong clock", "not to be trusted", clock),
    ("no extending in a fire", "in a fire", fire),
    ("no extending past a door", "past an open door", door),
    (
        "no refuge extends unknown",
        "on unknown weather",
        blind_refuge,
    ),
    ("duty", "ms duty", duty),
    ("reversal pause", "within its reversal pause", pause),
    ("stagger", "stagger", stagger),
    ("no lockout is missing", "ought", missing_lockout),
    ("no lockout is too long", "ought", needless_lockout),
    (
        "what runs out halts at a door",
        "past an open door",
        runs_past_door,
    ),
    (
        "nothing moves in service",
        "while somebody works",
        moves_in_service,
    ),
    ("refuge in time", "out of its refuge for", refuge),
    ("tried again with power", "not told again", tried_again),
    (
        "power that contradicts is alarmed",
        "no alarm",
        power_unseen,
    ),
    ("no alarm for nothing", "nothing is wrong", false_alarm),
    ("alarms name drives", "is of no device", nobodys_alarm),
    ("what is counted was heard", "counted", counts),
    ("without power nowhere", "drew no power when told", believed),
    ("a lost state is said", "no alarm stands", state_lost),
];

/// Tells all stories; what did not go as it should.
pub(crate) fn all() -> Vec<String> {
    let mut wrong = Vec::new();
    let more: [(&str, &str, Story); 2] = [
        ("switches", "ought to", switches),
        ("holds by hand end", "still held by hand", hand),
    ];
    for (rule, words, story) in STORIES.into_iter().chain(more) {
        if let Err(why) = story(false) {
            wrong.push(format!("{rule}: complains of what is in order: {why}"));
        }
        match story(true) {
            Err(why) if why.contains(words) => {}
            Err(why) => wrong.push(format!("{rule}: complains of something else: {why}")),
            Ok(()) => wrong.push(format!("{rule}: the check did not trip")),
        }
    }
    wrong
}

fn numbers(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)?;
    let mut next = bench.by_hand(BLIND, 60);
    next.sequence -= u64::from(broken);
    bench.told(&next)
}

fn lateness(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let mut command = bench.by_hand(BLIND, 50);
    if broken {
        command.not_after = command.at.wall;
    }
    bench.told(&command)
}

fn emptiness(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let mut command = bench.by_hand(BLIND, 50);
    if broken {
        command.orders.clear();
    }
    bench.told(&command)
}

fn strangers(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let mut command = bench.by_hand(BLIND, 50);
    if broken {
        command.orders[0].device = SHUTTER;
    }
    bench.told(&command)
}

fn reasons(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let mut command = bench.by_hand(BLIND, 50);
    if broken {
        command.because = Because::HailHolding;
    }
    bench.told(&command)
}

fn names(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let hail = Because::Hail {
        sensor: SensorId(if broken { 99 } else { 5 }),
    };
    let command = bench.command(Word::Hail, hail, BLIND, 0);
    bench.told(&command)
}

fn held(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.gust(if broken { 30.0 } else { 2.0 });
    bench.later(MINUTE);
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

fn barred(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.checks.devices[BLIND.index()].barred = broken;
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

fn unknown(broken: bool) -> Finding {
    let mut bench = if broken {
        Bench::cold(|_| {})
    } else {
        Bench::new()
    };
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

fn service(bench: &mut Bench, on: bool) {
    let group = GroupId(1);
    let expected_end = None;
    bench.ask(Ask::Service {
        group,
        on,
        expected_end,
    });
}

fn served(broken: bool) -> Finding {
    let mut bench = Bench::new();
    service(&mut bench, broken);
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

fn quiet(broken: bool) -> Finding {
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

fn clock(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.input(Input::Clock { trusted: !broken });
    let command = bench.by_timetable(50);
    bench.told(&command)
}

fn fire(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let (contact, active) = (FIRE, broken);
    bench.input(Input::Contact { contact, active });
    let command = bench.by_hand(BLIND, 50);
    bench.told(&command)
}

fn door(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let (contact, active) = (DOORS[0], broken);
    bench.input(Input::Contact { contact, active });
    let command = bench.by_hand(SHUTTER, 50);
    bench.told(&command)
}

fn blind_refuge(broken: bool) -> Finding {
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

fn duty(broken: bool) -> Finding {
    let mut bench = Bench::with(|model| {
        model.products[1].budget = Some(Budget {
            run_ms: 190 * SECOND,
            window_ms: 20 * MINUTE,
        });
    });
    // Some 50 and 60 s, and then 50 more with one of 60 in reserve.
    for to in [100, 0] {
        let command = bench.by_hand(BLIND, to);
        bench.carried_out(&command)?;
        for _ in 0..10 {
            bench.later(10 * SECOND);
            bench.look(false)?;
        }
    }
    if !broken {
        bench.later(20 * MINUTE);
        bench.look(false)?;
    }
    let command = bench.by_hand(BLIND, 100);
    bench.told(&command)
}

fn pause(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let command = bench.by_hand(BLIND, 100);
    bench.carried_out(&command)?;
    bench.later(10 * SECOND);
    let mut command = bench.by_hand(BLIND, 0);
    command.orders[0].start_delay_ms = if broken { 0 } else { 600 };
    bench.carried_out(&command)
}

fn stagger(broken: bool) -> Finding {
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

fn missing_lockout(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let reading = bench.reading(MAST, breeze(30.0));
    bench.truth_hears(&reading);
    if !broken {
        bench.core_hears(reading);
    }
    bench.later(MINUTE);
    bench.look(true)
}

fn needless_lockout(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let reading = bench.reading(MAST, breeze(30.0));
    if !broken {
        bench.truth_hears(&reading);
    }
    bench.core_hears(reading);
    bench.later(MINUTE);
    bench.look(true)
}

fn runs_past_door(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let command = bench.by_hand(SHUTTER, 100);
    bench.carried_out(&command)?;
    bench.later(5 * SECOND);
    let (contact, active) = (DOORS[0], true);
    bench.input(Input::Contact { contact, active });
    bench.look(false)?;
    let mut halt = bench.by_hand(SHUTTER, 100);
    halt.orders[0].pose = None;
    if !broken {
        bench.carried_out(&halt)?;
    }
    bench.later(10 * SECOND);
    bench.look(false)
}

fn moves_in_service(broken: bool) -> Finding {
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

fn refuge(broken: bool) -> Finding {
    let mut bench = Bench::new();
    out_in_wind(&mut bench, |bench, step| {
        if !broken && step == 2 {
            bench.0.plant.put(BLIND, Pose::RETRACTED);
        }
        Ok(())
    })
}

fn tried_again(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.checks.devices[BLIND.index()].excuse();
    out_in_wind(&mut bench, |bench, _| {
        let watched = &mut bench.0.checks.devices[BLIND.index()];
        watched.powerless = true;
        watched.sound = broken;
        Ok(())
    })
}

fn measured(model: &mut Model) {
    for device in &mut model.devices {
        device.drive.evidence = Some(Evidence {
            running_from_w: 50.0,
            too_much_w: 300.0,
            supply_v: None,
        });
    }
}

fn power_unseen(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    bench.0.lies[BLIND.index()] = Some(400.0);
    if broken {
        // A core that does not look at it.
        let mut deaf = (*bench.0.model).clone();
        for device in &mut deaf.devices {
            device.drive.evidence = None;
        }
        bench.0.core = Some(Core::new(Arc::new(deaf), bench.now()));
    }
    bench.0.power(BLIND, false, &mut Outcome::default())
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

fn false_alarm(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    let told_at = bench.now().steady.0;
    let watched = &mut bench.0.checks.devices[BLIND.index()];
    (watched.reveals, watched.commanded_at) = (!broken, told_at);
    let alarm = power_alarm(&bench, "device 2");
    bench.0.alarm(&alarm)
}

fn nobodys_alarm(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    let told_at = bench.now().steady.0;
    let watched = &mut bench.0.checks.devices[BLIND.index()];
    (watched.reveals, watched.commanded_at) = (true, told_at);
    let name = if broken { "nobody's" } else { "device 2" };
    let alarm = power_alarm(&bench, name);
    bench.0.alarm(&alarm)
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

fn counts(broken: bool) -> Finding {
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

fn believed(broken: bool) -> Finding {
    let mut bench = Bench::with(measured);
    let report = reports(&mut bench, None);
    bench.input(report);
    bench.0.checks.devices[BLIND.index()].powerless = broken;
    bench.0.believed()
}

fn state_lost(broken: bool) -> Finding {
    let mut bench = Bench::new();
    bench.0.state_lost = true;
    bench.input(Input::Restart(if broken {
        RestartCause::Started
    } else {
        RestartCause::StateLost
    }));
    bench.0.said_lost()
}

fn switches(broken: bool) -> Finding {
    let mut bench = Bench::new();
    let (contact, active) = (SWITCHES[1], true);
    if !broken {
        bench.input(Input::Contact { contact, active });
    }
    let pressed = Pressed::running(bench.now().steady.0, bench.0.starts);
    bench.later(SECOND);
    bench.0.judge(contact, &pressed)
}

fn hand(broken: bool) -> Finding {
    let mut bench = Bench::with(|model| {
        model.sensors.iter_mut().for_each(|sensor| {
            sensor.validity.silence_ms = 72 * HOUR;
        });
    });
    let until = Until::For(if broken { 60 * HOUR } else { 20 * HOUR });
    bench.ask(Ask::Pose {
        group: SWITCHED,
        extension_pct: Some(50),
        tilt_deg: None,
        until,
    });
    bench.0.checks.asked[SWITCHED.index()] = bench.now().steady.0;
    bench.later(27 * HOUR);
    bench.look(true)
}

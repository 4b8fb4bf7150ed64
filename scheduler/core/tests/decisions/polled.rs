//! Verdicts carried out as they are polled, against all of a moment at once.

use crate::drives::{reporting, row};
use crate::laws::{Event, Run, anything, events, same, site};
use crate::support::*;
use leeside_core::ids::{GroupId, SensorId};
use leeside_core::input::Input;
use leeside_core::model::{Kind, SensorKind};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::time::Now;
use proptest::prelude::*;
use std::sync::Arc;

/// How a core is ticked.
type Tick = fn(&mut Run, Now);

fn at_once(run: &mut Run, now: Now) {
    run.core.handle(now, Input::Tick);
}

fn as_polled(run: &mut Run, now: Now) {
    run.core.tick_as_polled(now);
}

/// One event with the ticks before it: the first so late after the event before, which
/// has been decided upon then; one output of it is polled, and all is kept that counts.
fn step(run: &mut Run, tick: Tick, event: &Event, late_ms: i64) -> String {
    let until = run.ms + event.after_ms;
    tick(run, Now::both((run.ms + 1 + late_ms).min(until)));
    let first = run.core.poll();
    if !matches!(first, Output::Wake(_)) {
        run.said.push(first);
    }
    // Now and then the next input comes before all is polled.
    if late_ms > 0 {
        run.said.extend(drain(&mut run.core));
        while let Output::Wake(Some(wake)) = run.core.poll()
            && wake.at.steady.0 < until
        {
            tick(run, wake.at.plus(1));
            run.said.extend(drain(&mut run.core));
        }
    }
    run.put(event);
    format!("{:?}", run.core.snapshot())
}

/// Commands in their order; of all else, what there is of each moment, in any: where the
/// groups are looked at one by one, what one says stands before what the next does.
fn ordered(said: Vec<Output>) -> Vec<Output> {
    let is_command = |output: &Output| matches!(output, Output::Command(_));
    let (mut commands, mut rest): (Vec<_>, Vec<_>) = said.into_iter().partition(is_command);
    rest.sort_by_key(|output| format!("{output:?}"));
    commands.extend(rest);
    commands
}

proptest! {
    /// By ticks in time or late, drained or not: the same comes out, and the same is kept.
    #[test]
    fn carrying_out_as_it_is_polled_changes_nothing(
        events in events(anything()),
        late_ms in prop::collection::vec(0..3_i64, 120),
    ) {
        let model = Arc::new(site());
        let (mut whole, mut polled) = (Run::new(&model), Run::new(&model));
        for (event, late_ms) in events.iter().zip(&late_ms) {
            let a = step(&mut whole, at_once, event, *late_ms);
            let b = step(&mut polled, as_polled, event, *late_ms);
            prop_assert_eq!(a, b);
        }
        same(ordered(whole.said), ordered(polled.said))?;
    }
}

/// What comes out of a house after each input, ticked in time in either way: all of it,
/// and what a command is good for.
fn both_ways(house: impl Fn() -> House, inputs: &[(&str, In)]) -> [Vec<Vec<Output>>; 2] {
    let ticks = [
        |rig: &mut Rig, now: Now| rig.core.handle(now, Input::Tick),
        |rig: &mut Rig, now: Now| rig.core.tick_as_polled(now),
    ];
    ticks.map(|tick| {
        let mut rig = Rig::calm(house());
        let mut said = Vec::new();
        for (index, (time, input)) in inputs.iter().enumerate() {
            let mut out = rig.put(time, input);
            if inputs.get(index + 1).is_none_or(|(next, _)| next != time) {
                let now = rig.now(time).plus(1);
                tick(&mut rig, now);
                out.extend(drain(&mut rig.core));
                assert_eq!(rig.core.now(), now);
            }
            said.push(ordered(out));
        }
        said
    })
}

/// Starts that are still to come and given up in the same moment: the places are those
/// that all of them leave.
#[test]
fn as_polled_too_a_start_that_is_given_up_frees_its_place_for_the_weather() {
    let house = || {
        let (mut house, ..) = row(&["a", "b", "c"], 10_000, 1);
        // The last that is told starts at once, on a feeder of its own.
        house.single("z", Kind::Screen);
        house
    };
    let mut inputs = vec![("09:00:00", gust(SensorId(0), 1.5))];
    inputs.extend((0..4).map(|group| ("10:00:00", room(GroupId(group), 100))));
    inputs.push(("10:00:01", gust(SensorId(0), 12.0)));
    let [whole, polled] = both_ways(house, &inputs);
    assert_eq!(whole, polled);
    assert_eq!(whole.last().map(Vec::len), Some(6));
}

/// The same in a core that has just been put in the place of another.
#[test]
fn a_core_that_goes_on_from_another_knows_of_its_starts_to_come() {
    let said = [false, true].map(|as_polled| {
        let (house, groups, mast) = row(&["a", "b", "c"], 10_000, 1);
        let mut rig = Rig::calm(house);
        for group in &groups {
            rig.put("10:00:00", &room(*group, 100));
        }
        rig.put("10:00:00.001", &tick());
        let kept = rig.core.snapshot();
        rig.core = leeside_core::Core::restore(rig.core.model().clone(), &kept).unwrap();
        rig.put("10:00:01", &gust(mast, 12.0));
        let now = rig.now("10:00:01").plus(1);
        if as_polled {
            rig.core.tick_as_polled(now);
        } else {
            rig.core.handle(now, Input::Tick);
        }
        ordered(drain(&mut rig.core))
    });
    assert_eq!(said[0], said[1]);
}

/// Service that begins in the moment of a gust goes before it, and wind before hail,
/// whichever group comes first in the site file.
#[test]
fn as_polled_too_what_outranks_wind_goes_first_and_hail_after_it() {
    let house = || {
        let (mut house, groups, _) = row(&["a", "b", "c"], 2_000, 1);
        let hail = house.sensor("hail", SensorKind::Hail);
        house.of(groups[0]).wind = None;
        house.of(groups[0]).hail = Some(hail_rule(&[hail]));
        house.product_of(groups[0]).refuge.hail = Some(Pose::RETRACTED);
        house
    };
    for with_service in [true, false] {
        let mut inputs: Vec<_> = (0..3)
            .map(|group| ("10:00:00", room(GroupId(group), 100)))
            .collect();
        inputs.push(("10:00:30", gust(SensorId(0), 12.0)));
        inputs.push(("10:00:30", value(SensorId(1), 2.0)));
        if with_service {
            inputs.push(("10:00:30", service(GroupId(2), true)));
        }
        let [whole, polled] = both_ways(house, &inputs);
        assert_eq!(whole, polled);
    }
}

/// A tick that comes late is one as any other: what follows from its first moment, like
/// an answer that fails to come, acts in its own.
#[test]
fn a_late_tick_as_polled_brings_all_that_was_due_meanwhile() {
    let said = [false, true].map(|as_polled| {
        let (house, a, device, _) = reporting();
        let mut rig = Rig::calm(house);
        rig.put("00:01:00", &stands(device, Pose::RETRACTED));
        rig.put("10:00:00", &room(a, 100));
        let late = rig.now("10:05:00");
        if as_polled {
            rig.core.tick_as_polled(late);
        } else {
            rig.core.handle(late, Input::Tick);
        }
        drain(&mut rig.core)
    });
    assert_eq!(said[0], said[1]);
    assert_eq!(said[0].len(), 4, "{:?}", said[0]);
}

/// A verdict that is carried out only when the next input comes was decided in time:
/// its command is good from then, not from that input.
#[test]
fn what_was_not_polled_before_the_next_input_is_as_good_as_if_it_had_been() {
    let (house, _, mast) = row(&["a", "b"], 0, 1);
    let mut rig = Rig::calm(house);
    rig.put("10:00:00", &gust(mast, 12.0));
    rig.core.tick_as_polled(rig.now("10:00:00.001"));
    let until = rig.now("10:01:00").wall;
    rig.core.handle(rig.now("10:00:05"), Input::Tick);
    let out = drain(&mut rig.core);
    let commands = out.iter().filter_map(|output| match output {
        Output::Command(command) => Some(command.not_after),
        Output::Lockout(_)
        | Output::Alarm(_)
        | Output::Refused { .. }
        | Output::Announce { .. }
        | Output::Wake(_) => None,
    });
    assert_eq!(commands.collect::<Vec<_>>(), [until, until]);
}

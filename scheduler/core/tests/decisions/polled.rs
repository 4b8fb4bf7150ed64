//! Verdicts carried out as they are polled, against all of a moment at once.

use crate::laws::{Event, Run, anything, events, same, site};
use crate::support::drain;
use leeside_core::input::Input;
use leeside_core::output::Output;
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

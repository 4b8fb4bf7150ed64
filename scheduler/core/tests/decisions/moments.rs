//! Laws of the contract about moments: when what is due acts, and what a start after
//! a sudden end may do before it knows anything.

use crate::laws::{Event, Run, anything, events, site};
use crate::support::drain;
use leeside_core::Core;
use leeside_core::input::{Ask, Input, RestartCause};
use leeside_core::output::{Output, Wake};
use leeside_core::time::{HOUR, Now};
use proptest::prelude::*;
use std::sync::Arc;

/// Until when it has to be called again.
fn wake(run: &mut Run) -> Option<Wake> {
    let Output::Wake(wake) = run.core.poll() else {
        unreachable!("drained")
    };
    wake
}

/// When commands and lockouts were stamped. (Alarms and refusals answer an input at once.)
fn stamps(said: &[Output]) -> Vec<i64> {
    let mut stamps = Vec::new();
    for output in said {
        match output {
            Output::Command(command) => stamps.push(command.at.steady.0),
            Output::Lockout(change) => stamps.push(change.at.steady.0),
            Output::Alarm(_)
            | Output::Refused { .. }
            | Output::Announce { .. }
            | Output::Wake(_) => {}
        }
    }
    stamps
}

proptest! {
    /// A timer due at T acts when time passes T and is stamped T: no decision comes out
    /// of a call at T itself, and each bears the moment for which the wake-up was asked.
    #[test]
    fn what_is_due_acts_when_its_moment_has_passed_and_bears_it(events in events(anything())) {
        let model = Arc::new(site());
        let mut run = Run::new(&model);
        let mut decided = 0;
        for event in events.iter().filter(|event| !frees_at_once(event)) {
            let until = run.ms + event.after_ms;
            while let Some(at) = wake(&mut run).map(|wake| wake.at.steady.0).filter(|at| *at < until) {
                // At T itself nothing has happened yet: inputs of that moment come first.
                run.said.clear();
                run.tick(at);
                prop_assert_eq!(stamps(&run.said), Vec::<i64>::new(), "at {}", at);
                run.tick(at + 1);
                for stamp in stamps(&run.said) {
                    prop_assert_eq!(stamp, at);
                    decided += 1;
                }
            }
            run.said.clear();
            run.put(event);
            prop_assert_eq!(stamps(&run.said), Vec::<i64>::new(), "with {:?}", event);
        }
        // Most runs decide something, or this would show nothing.
        prop_assume!(decided > 0);
    }

    /// Restored, and told that it has started: until the weather speaks nothing extends,
    /// and no wish moves anything, whatever doors, people and the broker do.
    #[test]
    fn after_a_start_nothing_extends_before_the_weather_speaks(
        before in events(anything()),
        after in events(anything()),
        down_ms in 0..3 * HOUR,
    ) {
        let model = Arc::new(site());
        let mut run = Run::new(&model);
        for event in &before {
            run.put(event);
        }
        run.core = Core::restore(model.clone(), &run.core.snapshot()).unwrap();
        run.ms += down_ms;
        run.core.handle(Now::both(run.ms), Input::Restart(RestartCause::Started));
        drain(&mut run.core);
        run.core.handle(Now::both(run.ms), Input::Connected);
        run.said.clear();
        for event in after.iter().filter(|event| is_no_weather(event)) {
            run.put(event);
        }
        run.tick(run.ms + 5 * HOUR);
        for output in &run.said {
            let Output::Command(command) = output else { continue };
            prop_assert!(command.decided_by.is_guard(), "{command:?}");
            for order in &command.orders {
                let extension = order.pose.map_or(0, |pose| pose.extension_pct);
                prop_assert_eq!(extension, 0, "{:?}", command);
            }
        }
    }
}

/// Somebody has looked at a frozen device: that is an answer, given at once.
fn frees_at_once(event: &Event) -> bool {
    let Input::Request(request) = &event.input else {
        return false;
    };
    matches!(request.ask, Ask::FrostCleared { .. })
}

/// Neither a reading, nor a report of a drive (which says where it stands), nor
/// somebody's word about sensors or frost, nor another restart.
fn is_no_weather(event: &Event) -> bool {
    match &event.input {
        Input::Reading(_) | Input::Garbled { .. } | Input::Report(_) | Input::Restart(_) => false,
        Input::Request(request) => {
            !matches!(request.ask, Ask::Bypass { .. } | Ask::FrostCleared { .. })
        }
        Input::Contact { .. }
        | Input::Connected
        | Input::Disconnected
        | Input::Gateway { .. }
        | Input::Clock { .. }
        | Input::Tick => true,
    }
}

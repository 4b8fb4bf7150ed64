//! Exit codes, the same for every verb.

use leeside_dryrun::replay::Stopped;
use std::process::ExitCode;

/// The run failed.
pub(crate) const FAILED: u8 = 1;
/// What was given is broken.
pub(crate) const BROKEN: u8 = 2;
/// Findings: behaviour differs, a device was exposed, warnings under `--strict`.
pub(crate) const FINDINGS: u8 = 3;

/// What was given is broken: told apart from a run that failed.
#[derive(Debug)]
pub(crate) struct Broken(pub(crate) String);

impl std::fmt::Display for Broken {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Broken {}

/// The exit code of a verb's outcome; an error is told on standard error.
#[expect(clippy::print_stderr, reason = "this is where a verb's error is told")]
pub(crate) fn code(outcome: anyhow::Result<ExitCode>) -> ExitCode {
    match outcome {
        Ok(code) => code,
        Err(error) => {
            eprintln!("leeside: {error:#}");
            // That weather and site do not fit shows only where both are at hand.
            let unfit = |cause: &(dyn std::error::Error + 'static)| {
                matches!(
                    cause.downcast_ref::<Stopped>(),
                    Some(Stopped::NoSensor(..) | Stopped::Step(_))
                )
            };
            let broken = error
                .chain()
                .any(|cause| cause.is::<Broken>() || unfit(cause));
            ExitCode::from(if broken { BROKEN } else { FAILED })
        }
    }
}

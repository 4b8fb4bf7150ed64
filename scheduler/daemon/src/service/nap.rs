//! Waking to a fraction of a millisecond.
//!
//! The runtime's timers count whole milliseconds and round up, and so does its wait
//! for the system: what is decided upon in the millisecond after a reading would be
//! woken for in the third. A thread that sleeps is late by a twentieth of one.

use std::time::Duration;
use tokio::task::JoinHandle;
use tokio::time::Instant;

/// Longer waits are left to the runtime: who has waited so long can wait a little more.
const SHORT: Duration = Duration::from_millis(3);

/// Moments nearer than this are the same: the same moment of our clock is never quite
/// the same on the runtime's.
const SAME: Duration = Duration::from_micros(50);

/// A short sleep under way. It stays while the loop is called away to something else,
/// so that who is called away often does not start a thread each time.
#[derive(Debug, Default)]
pub(super) struct Nap(Option<(Instant, JoinHandle<()>)>);

impl Nap {
    /// Waits until then; for ever without a moment. May be given up and called again.
    pub(super) async fn until(&mut self, at: Option<Instant>) {
        while let Some(at) = at {
            let left = at.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            if left > SHORT {
                break;
            }
            let sleeping = self.0.take().filter(|(until, _)| same(*until, at));
            let sleeps = || tokio::task::spawn_blocking(move || std::thread::sleep(left + SAME));
            let (_, sleeping) = self.0.insert(sleeping.unwrap_or_else(|| (at, sleeps())));
            let slept = sleeping.await;
            self.0 = None;
            if slept.is_err() {
                break;
            }
        }
        super::sleep_until(at).await;
    }
}

fn same(a: Instant, b: Instant) -> bool {
    a.max(b).duration_since(a.min(b)) < SAME
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn it_never_wakes_early_whether_or_not_it_was_called_away() {
        let mut nap = Nap::default();
        for micros in [0, 1, 300, 999, 1_500, 2_900, 3_100, 6_000] {
            let at = Instant::now() + Duration::from_micros(micros);
            // Called away at once, and again later.
            for _ in 0..3 {
                tokio::select! {
                    biased;
                    () = nap.until(Some(at)) => break,
                    () = tokio::task::yield_now() => {}
                }
            }
            nap.until(Some(at)).await;
            assert!(Instant::now() >= at, "{micros}");
        }
    }

    #[tokio::test]
    async fn one_moment_is_slept_for_once_however_often_it_is_asked_for() {
        let mut nap = Nap::default();
        let at = Instant::now() + Duration::from_millis(2);
        let mut begun = Vec::new();
        for _ in 0..20 {
            tokio::select! {
                biased;
                () = nap.until(Some(at)) => break,
                () = tokio::task::yield_now() => {}
            }
            begun.extend(nap.0.as_ref().map(|(_, sleeping)| sleeping.id()));
        }
        begun.dedup();
        assert!(begun.len() <= 1, "{begun:?}");
    }
}

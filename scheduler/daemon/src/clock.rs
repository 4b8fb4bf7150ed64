//! The only place of this program's daemon that reads a clock.
//!
//! Two clocks with two jobs (see `leeside_core::time`): the wall clock says
//! what time it is for calendar and sun, the steady one counts on through
//! every step of the wall clock. Their distance is kept fixed and only moved
//! where the wall clock has really been stepped; so a moment on one clock means
//! exactly one moment on the other, and a replay of the journal sees the same.

use leeside_core::time::{Now, Steady, Wall};
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;
use tokio::time::Instant;

/// Where the two clocks drift apart by more than this at once, ms, the program
/// was suspended or the wall clock stepped: what was heard before is not fresh.
pub const JUMP_MS: i64 = 2_000;

/// Differences up to this, ms, are the noise of reading two clocks one after the other.
const NOISE_MS: i64 = 20;

/// Before this moment (2026-01-01T00:00Z) no wall clock is right: a battery is empty.
const EARLIEST_MS: i64 = 1_767_225_600_000;

/// Where time comes from.
trait Source: Send + Sync {
    /// Milliseconds since 1970.
    fn wall_ms(&self) -> i64;
    /// Milliseconds since some start.
    fn steady_ms(&self) -> i64;
    /// How much of the present one of these milliseconds has passed already.
    fn part_of_ms(&self) -> Duration {
        Duration::ZERO
    }
    /// How many milliseconds of it pass in one of real time.
    fn speed(&self) -> u32;
    /// Whether its wall clock can be right.
    fn plausible(&self) -> bool;
}

/// The machine's clocks.
struct Machine {
    start: Instant,
}

impl Source for Machine {
    fn wall_ms(&self) -> i64 {
        let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
        // A clock before 1970 is taken as 1970, and distrusted.
        since.map_or(0, |since| {
            i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
        })
    }

    fn steady_ms(&self) -> i64 {
        millis(self.start.elapsed())
    }

    fn part_of_ms(&self) -> Duration {
        Duration::from_nanos(u64::from(self.start.elapsed().subsec_nanos() % 1_000_000))
    }

    fn speed(&self) -> u32 {
        1
    }

    fn plausible(&self) -> bool {
        self.wall_ms() >= EARLIEST_MS && synchronised()
    }
}

/// A day out of a weather file, passing `speed` times as fast as a real one.
struct Simulated {
    start: Instant,
    from: Wall,
    speed: u32,
}

impl Source for Simulated {
    fn wall_ms(&self) -> i64 {
        self.from.0.saturating_add(self.steady_ms())
    }

    fn steady_ms(&self) -> i64 {
        let micros = i64::try_from(self.start.elapsed().as_micros()).unwrap_or(i64::MAX);
        micros.saturating_mul(i64::from(self.speed)) / 1_000
    }

    fn speed(&self) -> u32 {
        self.speed
    }

    fn plausible(&self) -> bool {
        true
    }
}

/// What time it is, on both clocks.
pub struct Clock {
    source: Box<dyn Source>,
    /// Added to the source's steady count, so that it goes on where an earlier run ended.
    base_ms: AtomicI64,
    /// Wall minus steady.
    distance_ms: AtomicI64,
}

impl Clock {
    /// The machine's clocks.
    #[must_use]
    pub fn machine() -> Self {
        Self::of(Box::new(Machine {
            start: Instant::now(),
        }))
    }

    /// Simulated time that begins at `from` and passes `speed` times as fast as real time.
    #[must_use]
    pub fn simulated(from: Wall, speed: u32) -> Self {
        Self::of(Box::new(Simulated {
            start: Instant::now(),
            from,
            speed: speed.max(1),
        }))
    }

    fn of(source: Box<dyn Source>) -> Self {
        let distance = source.wall_ms().saturating_sub(source.steady_ms());
        Self {
            source,
            base_ms: AtomicI64::new(0),
            distance_ms: AtomicI64::new(distance),
        }
    }

    /// Lets the steady count go on after `last`, the last moment of an earlier
    /// run: by the wall time that has passed since, or, where the wall clock went
    /// back, by a millisecond. Called once, before anything else.
    pub fn resume_after(&self, last: Now) {
        let passed = self.source.wall_ms().saturating_sub(last.wall.0).max(1);
        let steady = last.steady.0.saturating_add(passed);
        let base = steady.saturating_sub(self.source.steady_ms());
        self.base_ms.store(base, Ordering::Relaxed);
        self.distance_ms.store(
            self.source.wall_ms().saturating_sub(self.steady().0),
            Ordering::Relaxed,
        );
    }

    /// The present moment.
    #[must_use]
    pub fn now(&self) -> Now {
        let steady = self.steady();
        Now {
            wall: Wall(
                steady
                    .0
                    .saturating_add(self.distance_ms.load(Ordering::Relaxed)),
            ),
            steady,
        }
    }

    /// Compares the clocks, follows a step of the wall clock, and says whether it
    /// was more than a small correction.
    pub fn compare(&self) -> bool {
        let before = self.distance_ms.load(Ordering::Relaxed);
        let found = self.source.wall_ms().saturating_sub(self.steady().0);
        let apart = found.saturating_sub(before).saturating_abs();
        if apart > NOISE_MS {
            self.distance_ms.store(found, Ordering::Relaxed);
        }
        apart > JUMP_MS
    }

    /// Whether the wall clock can be right at all: later than when this program was
    /// made, and, where the system says so, synchronised.
    #[must_use]
    pub fn plausible(&self) -> bool {
        self.source.plausible()
    }

    /// How many times as fast as real time this clock runs.
    #[must_use]
    pub fn speed(&self) -> u32 {
        self.source.speed()
    }

    /// When the runtime has to wake somebody for this moment of the steady count.
    #[must_use]
    pub fn instant(&self, steady: Steady) -> Instant {
        let ahead = u64::try_from(steady.0.saturating_sub(self.steady().0)).unwrap_or(0);
        // The milliseconds ahead are counted from the begin of the present one.
        Instant::now() + self.real(ahead).saturating_sub(self.source.part_of_ms())
    }

    /// When the runtime's clock shows this wall moment.
    #[must_use]
    pub fn instant_of_wall(&self, wall: Wall) -> Instant {
        self.instant(Steady(
            wall.0
                .saturating_sub(self.distance_ms.load(Ordering::Relaxed)),
        ))
    }

    /// How long so many milliseconds of this clock really take, rounded up.
    #[must_use]
    pub fn real(&self, ms: u64) -> Duration {
        // A year at most: the runtime's own clock has an end.
        const YEAR_MS: u64 = 366 * 24 * 3_600_000;
        let micros = ms.min(YEAR_MS).saturating_mul(1_000);
        Duration::from_micros(micros.div_ceil(u64::from(self.speed())))
    }

    fn steady(&self) -> Steady {
        Steady(
            self.source
                .steady_ms()
                .saturating_add(self.base_ms.load(Ordering::Relaxed)),
        )
    }
}

impl core::fmt::Debug for Clock {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Clock")
            .field("now", &self.now())
            .field("speed", &self.speed())
            .finish()
    }
}

/// Where systemd-timesyncd keeps time it leaves a mark once it has synchronised;
/// elsewhere nothing is known and the clock is taken as synchronised.
fn synchronised() -> bool {
    let dir = std::path::Path::new("/run/systemd/timesync");
    !dir.is_dir() || dir.join("synchronized").exists()
}

fn millis(passed: Duration) -> i64 {
    i64::try_from(passed.as_millis()).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::{Clock, Source};
    use leeside_core::time::{Now, Steady, Wall};
    use std::sync::Arc;
    use std::sync::atomic::{AtomicI64, Ordering};
    use std::time::Duration;

    /// Clocks that stand where a test puts them.
    #[derive(Clone, Default)]
    struct Hand {
        wall: Arc<AtomicI64>,
        steady: Arc<AtomicI64>,
    }

    impl Hand {
        fn put(&self, wall: i64, steady: i64) {
            self.wall.store(wall, Ordering::Relaxed);
            self.steady.store(steady, Ordering::Relaxed);
        }
    }

    impl Source for Hand {
        fn wall_ms(&self) -> i64 {
            self.wall.load(Ordering::Relaxed)
        }
        fn steady_ms(&self) -> i64 {
            self.steady.load(Ordering::Relaxed)
        }
        fn speed(&self) -> u32 {
            1
        }
        fn plausible(&self) -> bool {
            self.wall_ms() >= super::EARLIEST_MS
        }
    }

    fn clock(wall: i64, steady: i64) -> (Hand, Clock) {
        let hand = Hand::default();
        hand.put(wall, steady);
        (hand.clone(), Clock::of(Box::new(hand)))
    }

    #[test]
    fn a_step_counts_as_a_jump_and_a_small_correction_does_not() {
        // wall and steady later, jump?, wall read
        let table = [
            (1_010_000, 10_000, false, 1_010_000),
            (1_010_015, 10_000, false, 1_010_000), // noise: not even followed
            (1_011_500, 10_000, false, 1_011_500), // a correction
            (1_012_001, 10_000, true, 1_012_001),  // forward step, or a suspend
            (1_007_999, 10_000, true, 1_007_999),  // backward step
            (0, 10_000, true, 0),
        ];
        for (wall, steady, jump, read) in table {
            let (hand, clock) = clock(1_000_000, 0);
            hand.put(wall, steady);
            assert_eq!(clock.compare(), jump, "{wall} {steady}");
            assert_eq!(
                clock.now(),
                Now {
                    wall: Wall(read),
                    steady: Steady(steady)
                }
            );
            assert!(!clock.compare(), "a jump is told once");
        }
    }

    #[test]
    fn a_new_run_goes_on_counting_where_the_last_one_ended() {
        let last = Now {
            wall: Wall(5_000_000),
            steady: Steady(700),
        };
        // wall at start, steady of the first moment
        for (wall, steady) in [(5_060_000, 60_700), (5_000_000, 701), (4_000_000, 701)] {
            let (hand, clock) = clock(wall, 33);
            clock.resume_after(last);
            assert_eq!(
                clock.now(),
                Now {
                    wall: Wall(wall),
                    steady: Steady(steady)
                }
            );
            hand.put(wall + 10, 43);
            assert_eq!(
                clock.now(),
                Now {
                    wall: Wall(wall + 10),
                    steady: Steady(steady + 10)
                }
            );
        }
    }

    #[test]
    fn an_early_wall_clock_is_not_plausible() {
        assert!(!clock(0, 0).1.plausible());
        assert!(!clock(1_767_225_599_999, 0).1.plausible());
        assert!(clock(1_767_225_600_000, 0).1.plausible());
    }

    #[test]
    fn simulated_time_runs_faster() {
        let clock = Clock::simulated(Wall(1_000), 60);
        assert_eq!(clock.real(60_000), Duration::from_secs(1));
        assert_eq!(clock.real(1), Duration::from_micros(17));
        assert!(clock.now().wall >= Wall(1_000));
        assert!(!clock.compare());
    }
}

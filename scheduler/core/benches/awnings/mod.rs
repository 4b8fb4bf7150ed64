//! Awnings on one mast, and the gust that both benches mean: the same to the last
//! function, so that they say the same.
//!
//! A gust is a reading above the limit, the moment after it in which it is decided
//! upon, and all that comes out drained and dropped: of each group a lockout and a
//! command with one order. The core has lived: it has been through gusts before, so
//! its lists and the heap have the room that they need, as in a service that runs.
//!
//! *Warm*: of what the last gust touched the caches hold what they can. *Cold*: a
//! sweep over more memory than the caches hold comes before, so that nothing of the
//! core is in them, as where a gust comes after minutes of other work.

#[expect(dead_code, reason = "shared with the tests")]
#[path = "../../tests/decisions/support.rs"]
mod support;

use leeside_core::Core;
use leeside_core::ids::{FeederId, SensorId};
use leeside_core::input::{Input, Reading};
use leeside_core::model::{Kind, SensorKind};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::time::{Now, SECOND};
use std::time::{Duration, Instant};
use support::{House, wind, wind_rule};

/// Awnings on one mast, twenty to a feeder; limit 10 m/s, no hold.
pub(crate) fn awnings(count: usize) -> Core {
    let mut house = House::new(Pose::EXTENDED);
    house.sensor("mast", SensorKind::Wind);
    let product = house.product(Kind::Awning);
    for index in 0..count {
        if index % 20 == 0 {
            house.feeder(&format!("feeder {index}"), SECOND / 2, 1);
        }
        let name = format!("awning {index}");
        let device = house.device(&name, product);
        house.model.devices[index].drive.feeder = FeederId::of(house.model.feeders.len() - 1);
        let group = house.group(&name, Kind::Awning, &[device]);
        let mut rule = wind_rule(&[SensorId(0)]);
        rule.hold_ms = 0;
        house.of(group).wind = Some(rule);
    }
    let mut core = Core::new(std::sync::Arc::new(house.model), Now::both(0));
    gust(&mut core, 1, 1.0);
    core
}

/// A gust, and the moment after it, in which it is decided upon; how much came out.
pub(crate) fn gust(core: &mut Core, ms: i64, mps: f64) -> usize {
    let reading = Reading {
        sensor: SensorId(0),
        at: Now::both(ms).wall,
        sample: wind(Some(mps), None, None),
    };
    core.handle(Now::both(ms), Input::Reading(reading));
    core.handle(Now::both(ms + 1), Input::Tick);
    let mut came = 0;
    while !matches!(core.poll(), Output::Wake(_)) {
        came += 1;
    }
    came
}

/// A core that has lived, and the time at it.
#[derive(Clone)]
pub(crate) struct Lived {
    core: Core,
    ms: i64,
}

impl Lived {
    pub(crate) fn new(groups: usize) -> Self {
        let (core, ms) = (awnings(groups), 0);
        let mut lived = Self { core, ms };
        for mps in [GUST, CALM, GUST, CALM] {
            lived.blow(mps);
        }
        lived
    }

    /// Two minutes later the wind is another; how much came out.
    pub(crate) fn blow(&mut self, mps: f64) -> usize {
        self.ms += 120 * SECOND;
        gust(&mut self.core, self.ms, mps)
    }

    /// How long one gust takes; calm again afterwards. Cold where there is a `sweep`.
    pub(crate) fn gust(&mut self, sweep: Option<&mut Sweep>) -> Duration {
        if let Some(sweep) = sweep {
            sweep.over();
        }
        let begun = Instant::now();
        let came = self.blow(GUST);
        let took = begun.elapsed();
        assert!(came > 0);
        self.blow(CALM);
        took
    }
}

/// The least of so many tries: what else a machine does only ever adds.
pub(crate) fn least(tries: u64, take: impl FnMut() -> Duration) -> Duration {
    std::iter::repeat_with(take)
        .take(usize::try_from(tries).unwrap_or(1).max(1))
        .min()
        .unwrap_or_default()
}

/// Above the limit, and far below it, m/s.
pub(crate) const GUST: f64 = 12.0;
pub(crate) const CALM: f64 = 1.0;

/// More memory than the caches hold.
pub(crate) struct Sweep(Vec<u64>);

impl Sweep {
    pub(crate) fn new() -> Self {
        const BYTES: usize = 96 << 20;
        Self(vec![1; BYTES / size_of::<u64>()])
    }

    fn over(&mut self) {
        for word in &mut self.0 {
            *word = word.wrapping_mul(3);
        }
        std::hint::black_box(&mut self.0);
    }
}

//! Awnings on one mast, for the benches.

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

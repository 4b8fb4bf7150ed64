//! Gusts that come and go at each sensor, and sensors that are late.

use crate::building::Building;
use crate::rng::Rng;
use std::time::{Duration, Instant};

/// The sensors of wind of the quick site.
pub(crate) const SENSORS: [&str; 3] = ["wind south", "wind west", "wind roof"];
const CALM_MPS: f64 = 2.0;
/// Above the limit of awnings only, and above every limit.
const GUSTS_MPS: [f64; 3] = [9.0, 16.0, 19.0];

/// What a sensor measures, and until when.
#[derive(Clone, Copy)]
struct At {
    until: Instant,
    gust: bool,
    deaf: bool,
}

/// The weather around the house.
pub(crate) struct Weather([At; 3]);

impl Weather {
    /// Calm, for a while.
    pub(crate) fn new() -> Self {
        let until = Instant::now() + Duration::from_secs(5);
        Self(
            [At {
                until,
                gust: false,
                deaf: false,
            }; 3],
        )
    }

    /// One sensor is not heard for a moment, as after a power cut.
    pub(crate) fn deafen(&mut self, building: &Building, rng: &mut Rng) {
        let index = rng.index(SENSORS.len());
        building.silence(SENSORS[index]);
        self.0[index] = At {
            until: Instant::now() + Duration::from_millis(rng.draw() % 2_000),
            gust: false,
            deaf: true,
        };
    }

    /// Lets pass what has passed: a short gust, then a calm that is long enough
    /// for a release or is not.
    pub(crate) fn go_on(&mut self, building: &Building, rng: &mut Rng) {
        let now = Instant::now();
        for (at, sensor) in self.0.iter_mut().zip(SENSORS) {
            if now < at.until {
                continue;
            }
            let (gust, ms) = if at.gust || at.deaf {
                (false, rng.int(1_500, 14_000))
            } else {
                (true, rng.int(150, 1_500))
            };
            building.blow(sensor, if gust { rng.pick(&GUSTS_MPS) } else { CALM_MPS });
            *at = At {
                until: now + Duration::from_millis(u64::try_from(ms).unwrap_or(0)),
                gust,
                deaf: false,
            };
        }
    }

    /// Calm from now on.
    pub(crate) fn end(&mut self, building: &Building) {
        for sensor in SENSORS {
            building.blow(sensor, CALM_MPS);
        }
    }
}

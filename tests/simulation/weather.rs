//! Made-up weather: gusty wind with storms, rain, hail, frost, sun and cloud.
//!
//! It need not be likely; it has to visit every limit from both sides, often.

use crate::rng::Rng;

const MINUTE: i64 = 60_000;
const DAY: i64 = 24 * 60 * MINUTE;

/// The weather at a moment.
#[derive(Clone, Debug)]
pub(crate) struct Weather {
    rng: Rng,
    minute: i64,
    storm: f64,
    storm_left: i64,
    breeze: f64,
    direction: f64,
    rain_left: i64,
    rain: f64,
    hail_left: i64,
    warmth: f64,
    cloud: f64,
}

/// What it is like.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Sky {
    pub(crate) gust: f64,
    pub(crate) mean: f64,
    pub(crate) direction: f64,
    pub(crate) rain: f64,
    pub(crate) hail: f64,
    pub(crate) air_c: f64,
    pub(crate) humidity: f64,
    pub(crate) light_wm2: f64,
    pub(crate) room_c: f64,
}

impl Weather {
    pub(crate) fn new(mut rng: Rng, start: i64) -> Self {
        let warmth = rng.real(-3.0, 3.0);
        Self {
            rng,
            minute: start / MINUTE,
            storm: 0.0,
            storm_left: 0,
            breeze: 3.0,
            direction: 240.0,
            rain_left: 0,
            rain: 0.0,
            hail_left: 0,
            warmth,
            cloud: 0.5,
        }
    }

    /// The weather at `t`, which only goes forward (ms UTC).
    pub(crate) fn at(&mut self, t: i64) -> Sky {
        while self.minute < t / MINUTE {
            self.minute += 1;
            self.pass_a_minute();
        }
        let of_day = fraction(t.rem_euclid(DAY), DAY);
        let of_year = fraction(t.rem_euclid(365 * DAY), 365 * DAY);
        // Warmest in July and at three in the afternoon; frost from autumn to spring.
        let season = 9.0 - 11.0 * wave(of_year + 0.96);
        let daily = 4.0 * wave(of_day - 0.625);
        let air_c = season + daily + self.warmth;
        let mean = (self.breeze + self.storm).max(0.0);
        let gust = mean * self.rng.real(1.2, 1.9);
        let day = (1.0 - (of_day - 0.5).abs() * 4.0).max(0.0);
        Sky {
            gust: tenth(gust),
            mean: tenth(mean),
            direction: tenth(self.direction.rem_euclid(360.0)),
            rain: tenth(if self.rain_left > 0 { self.rain } else { 0.0 }),
            hail: if self.hail_left > 0 { 1.0 } else { 0.0 },
            air_c: tenth(air_c),
            humidity: tenth(if self.rain_left > 0 {
                97.0
            } else {
                55.0 + 40.0 * self.cloud
            }),
            light_wm2: tenth(900.0 * day * (1.0 - 0.85 * self.cloud)),
            room_c: tenth(21.0 + 4.0 * wave(of_day)),
        }
    }

    fn pass_a_minute(&mut self) {
        let rng = &mut self.rng;
        self.breeze = (self.breeze + rng.real(-0.6, 0.6)).clamp(0.0, 7.5);
        self.direction += rng.real(-6.0, 6.0);
        if self.storm_left > 0 {
            self.storm_left -= 1;
            self.storm = (self.storm + rng.real(-1.0, 1.2)).clamp(0.0, 14.0);
        } else {
            self.storm = (self.storm - 0.3).max(0.0);
            if rng.once_in(60 * 14) {
                self.storm_left = rng.int(20, 240);
            }
        }
        if self.rain_left > 0 {
            self.rain_left -= 1;
        } else if rng.once_in(60 * 16) {
            self.rain_left = rng.int(5, 200);
            self.rain = rng.real(0.1, 4.0);
            if rng.once_in(6) {
                self.hail_left = rng.int(3, 12);
            }
        }
        self.hail_left = (self.hail_left - 1).max(0);
        self.warmth = (self.warmth + rng.real(-0.08, 0.08)).clamp(-6.0, 6.0);
        self.cloud = (self.cloud + rng.real(-0.07, 0.07)).clamp(0.0, 1.0);
    }
}

/// A round wave of period 1 between -1 and 1, highest at 0: no trigonometry needed.
fn wave(x: f64) -> f64 {
    let x = x.rem_euclid(1.0);
    let tent = 4.0 * (x - 0.5).abs() - 1.0;
    tent * (2.0 - tent.abs())
}

fn tenth(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

fn fraction(part: i64, of: i64) -> f64 {
    let seconds = |ms: i64| f64::from(i32::try_from(ms / 1000).unwrap_or(i32::MAX));
    seconds(part) / seconds(of)
}

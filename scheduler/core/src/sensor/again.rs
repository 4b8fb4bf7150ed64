//! A reading that says just what the last one said, as most do.

use super::{FUTURE_TOLERANCE_MS, SensorState, Standing};
use crate::input::{Part, Reading, Sample};
use crate::model::{Sensor, SensorKind};
use crate::time::Now;

impl SensorState {
    /// Takes a reading by which a believed sensor says again just what it said
    /// before, if it is one: then only times go on. Most readings are of that sort.
    #[inline]
    pub(crate) fn again(&mut self, sensor: &Sensor, reading: &Reading, now: Now) -> bool {
        let same = |said: Option<f64>, known: Option<f64>| {
            said.map(f64::to_bits) == known.map(f64::to_bits)
        };
        let wind = match reading.sample {
            Sample::Value(value) => {
                if sensor.kind == SensorKind::Wind || !same(Some(value), self.value) {
                    return false;
                }
                false
            }
            Sample::Wind {
                gust,
                mean,
                direction,
            } => {
                let all = [gust, mean, direction];
                if sensor.kind != SensorKind::Wind
                    || all.contains(&Part::Unsaid)
                    || gust.value().or(mean.value()).is_none()
                    || !same(gust.value(), self.gust)
                    || !same(mean.value(), self.value)
                    || !same(direction.value(), self.direction)
                {
                    return false;
                }
                true
            }
        };
        let newer = self.last.is_some_and(|last| last.at < reading.at);
        let age = now.wall.0.saturating_sub(reading.at.0);
        let in_time = newer && age >= -FUTURE_TOLERANCE_MS && age <= sensor.validity.silence_ms;
        if self.standing != Standing::Good || self.bypass.is_some() || !in_time {
            return false;
        }
        self.heard = self.heard.max(now.steady.plus(-age.max(0)));
        self.last = Some(*reading);
        if wind {
            if self.gust.is_some() {
                self.gust_at = now.steady;
            }
            self.repeated = self.wind().map(|(speed, _)| (now.steady, speed));
        }
        if self.value.is_some() {
            self.value_at = Some(reading.at);
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::SensorId;
    use crate::model::{Unheard, Validity};
    use crate::reason::Fault;
    use crate::time::Wall;

    fn sensor(kind: SensorKind, gust: Unheard) -> Sensor {
        Sensor {
            name: "mast".to_owned(),
            kind,
            validity: Validity {
                min: 0.0,
                max: 40.0,
                max_rate_per_s: Some(5.0),
                silence_ms: 5_000,
                stuck_ms: Some(30_000),
                recover_ms: 4_000,
                zero: None,
            },
            gust,
            gateway: None,
        }
    }

    /// Whatever a sensor says, in whatever order, and whatever befalls it: with the
    /// quick way and without it the same is kept of it, and the worst of each moment
    /// is the same.
    #[test]
    fn the_quick_way_keeps_what_the_long_way_keeps() {
        let mut drawn = 1_u64;
        let mut draw = |below: u64| {
            drawn = drawn
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (drawn >> 33) % below
        };
        let mut quick_ways = 0;
        for round in 0..60_u64 {
            let wind = round % 3 != 0;
            let (kind, gust) = match round % 3 {
                0 => (SensorKind::Rain, Unheard::ThisReadingOnly),
                1 => (SensorKind::Wind, Unheard::ThisReadingOnly),
                _ => (SensorKind::Wind, Unheard::KeptFor(3_000)),
            };
            let sensor = sensor(kind, gust);
            let mut ms = 1_000_000_i64;
            let now = |ms| Now::both(ms);
            let (mut quick, mut long) = (SensorState::new(now(ms)), SensorState::new(now(ms)));
            for _ in 0..2_000 {
                if draw(3) != 0 {
                    // The moment has passed, and was looked at.
                    ms += i64::try_from(1 + draw(4)).unwrap() * 400;
                    (quick.peak, long.peak) = (None, None);
                }
                let value = |n: u64| f64::from(u32::try_from(n).unwrap()) * 3.0;
                let part = |n: u64, what: u64| match what {
                    0 => Part::Unsaid,
                    1 => Part::Absent,
                    _ => Part::Value(value(n)),
                };
                let at =
                    ms - i64::try_from(draw(4)).unwrap() * 400 + i64::from(draw(50) == 0) * 9_000;
                let reading = Reading {
                    sensor: SensorId(0),
                    at: Wall(at),
                    sample: if wind != (draw(60) == 0) {
                        Sample::Wind {
                            gust: part(draw(2), draw(9)),
                            mean: part(draw(2), draw(9)),
                            direction: part(draw(2), 1 + draw(2)),
                        }
                    } else {
                        Sample::Value(if draw(40) == 0 { 99.0 } else { value(draw(2)) })
                    },
                };
                match draw(100) {
                    0 => {
                        quick.fail(Fault::Silent);
                        long.fail(Fault::Silent);
                    }
                    1 => {
                        quick.restart(now(ms));
                        long.restart(now(ms));
                    }
                    _ => {
                        let again = quick.again(&sensor, &reading, now(ms));
                        quick_ways += u32::from(again);
                        let news = again || quick.take(&sensor, &reading, now(ms));
                        assert_eq!(long.take(&sensor, &reading, now(ms)), news);
                    }
                }
                let worst = |state: &SensorState| {
                    let good = state.standing == Standing::Good;
                    let (speed, _) = state.wind().filter(|_| good)?;
                    Some(state.peak.map_or(speed, |peak| peak.max(speed)))
                };
                assert_eq!(worst(&quick), worst(&long));
                let all_but_the_peak = |state: &SensorState| SensorState {
                    peak: None,
                    repeated: None,
                    ..state.clone()
                };
                assert_eq!(all_but_the_peak(&quick), all_but_the_peak(&long));
            }
        }
        assert!(quick_ways > 1_000, "{quick_ways}");
    }
}

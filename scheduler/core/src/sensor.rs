//! When a sensor is to be believed.
//!
//! A sensor is *waiting* until it is heard after a restart, then *good*, or it
//! has a *fault* that ends only after good readings for the recovery time.
//! Nothing here knows what a reading is used for.

mod again;

use crate::ids::SensorId;
use crate::input::{Part, Reading, Sample};
use crate::model::{Sensor, SensorKind, Unheard};
use crate::reason::Fault;
use crate::time::{Now, Steady, Wall};
use serde::{Deserialize, Serialize};

/// How far a reading's own time may lie ahead of ours and still be believed, ms.
const FUTURE_TOLERANCE_MS: i64 = 5_000;

/// Whether a sensor is to be believed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Not heard since the restart.
    Waiting,
    /// Believed.
    Good,
    /// Not believed.
    Fault(Fault),
}

/// Readings that were not believed, counted by why.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Disbelieved {
    /// Not a number, wrong form, wrong kind.
    pub garbled: u64,
    /// From the future.
    pub future: u64,
    /// Older than the last one, or too old to be fresh.
    pub old: u64,
    /// Outside the range, or changing too fast.
    pub implausible: u64,
}

/// Somebody said to do without a sensor.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Bypass {
    /// Who.
    pub by: String,
    /// Another sensor to stand in.
    pub substitute: Option<SensorId>,
    /// Until when.
    pub until: Wall,
}

/// A sensor's state.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct SensorState {
    pub(crate) standing: Standing,
    /// Since when it counts as listened to: start of the silence count.
    pub(crate) heard: Steady,
    pub(crate) last: Option<Reading>,
    /// Scalar value, or the mean wind.
    pub(crate) value: Option<f64>,
    /// When that value was measured.
    value_at: Option<Wall>,
    pub(crate) gust: Option<f64>,
    gust_at: Steady,
    pub(crate) direction: Option<f64>,
    /// The highest gust or mean since the last settling: nothing that came and
    /// went between two looks is lost.
    pub(crate) peak: Option<f64>,
    /// When it last said the same [again](Self::again), and what: it counts toward the
    /// peak if more comes in the same moment.
    #[serde(default)]
    repeated: Option<(Steady, f64)>,
    /// Value and gust that it said last, and since when it has said other than before.
    says: Option<(Option<f64>, Option<f64>)>,
    changed: Steady,
    zero_since: Option<Steady>,
    good_since: Option<Steady>,
    pub(crate) bypass: Option<Bypass>,
    /// Counts of readings that were not believed.
    pub disbelieved: Disbelieved,
}

impl SensorState {
    pub(crate) fn new(now: Now) -> Self {
        Self {
            standing: Standing::Waiting,
            heard: now.steady,
            last: None,
            value: None,
            value_at: None,
            gust: None,
            gust_at: now.steady,
            direction: None,
            peak: None,
            repeated: None,
            says: None,
            changed: now.steady,
            zero_since: None,
            good_since: None,
            bypass: None,
            disbelieved: Disbelieved::default(),
        }
    }

    /// After a restart nothing that was heard before counts. A fault stays one:
    /// it has to be recovered from as ever.
    pub(crate) fn restart(&mut self, now: Now) {
        if self.standing == Standing::Good {
            self.standing = Standing::Waiting;
        }
        self.heard = now.steady;
        // After a step back of the wall clock nothing would be newer than this.
        self.last = self.last.filter(|last| last.at <= now.wall);
        self.value = None;
        self.gust = None;
        self.direction = None;
        self.peak = None;
        self.repeated = None;
        self.changed = now.steady;
        self.zero_since = None;
        self.good_since = None;
    }

    /// Whether it is believed, by its own word.
    #[must_use]
    pub const fn standing(&self) -> Standing {
        self.standing
    }

    /// When it was last heard.
    #[must_use]
    pub const fn heard(&self) -> Steady {
        self.heard
    }

    /// The last accepted reading.
    #[must_use]
    pub const fn last(&self) -> Option<&Reading> {
        self.last.as_ref()
    }

    /// Who said to do without it, and until when.
    #[must_use]
    pub const fn bypass(&self) -> Option<&Bypass> {
        self.bypass.as_ref()
    }

    /// The speed that counts: the worst of gust and mean.
    pub(crate) fn wind(&self) -> Option<(f64, crate::reason::WindPart)> {
        use crate::reason::WindPart::{Gust, Mean};
        match (self.gust, self.value) {
            (Some(gust), Some(mean)) if mean > gust => Some((mean, Mean)),
            (Some(gust), _) => Some((gust, Gust)),
            (None, Some(mean)) => Some((mean, Mean)),
            (None, None) => None,
        }
    }

    /// Takes a reading; says whether anything changed.
    pub(crate) fn take(&mut self, sensor: &Sensor, reading: &Reading, now: Now) -> bool {
        let before = self.standing;
        if !self.in_time(reading, sensor, now) {
            return false;
        }
        if let (
            SensorKind::Wind,
            Sample::Wind {
                gust: Part::Unsaid,
                mean: Part::Unsaid,
                direction,
            },
        ) = (sensor.kind, reading.sample)
        {
            return self.turn(direction, reading);
        }
        let Some((fresh_main, lowest, highest)) = extent(sensor.kind, &reading.sample) else {
            return self.garbled();
        };
        let age = (now.wall.0.saturating_sub(reading.at.0)).clamp(0, sensor.validity.silence_ms);
        let measured = now.steady.plus(-age);
        let plausible = if lowest < sensor.validity.min || highest > sensor.validity.max {
            Err(Fault::OutOfRange)
        } else if self.too_fast(sensor, fresh_main, reading.at) {
            Err(Fault::TooFast)
        } else {
            Ok(())
        };
        // Heard all the same: a sensor that speaks nonsense is not silent.
        self.heard = self.heard.max(measured);
        if let Err(fault) = plausible {
            count(&mut self.disbelieved.implausible);
            self.last = Some(*reading);
            self.good_since = None;
            // Whatever it was, it was no zero.
            self.zero_since = None;
            self.standing = Standing::Fault(fault);
            return before != self.standing;
        }
        self.keep(sensor, reading, now);
        self.last = Some(self.merged(reading));
        self.recover(sensor, now);
        true
    }

    /// A direction by itself: a vane that speaks does not say that the cups still do,
    /// so nobody counts as heard.
    fn turn(&mut self, direction: Part, reading: &Reading) -> bool {
        let turned = match direction {
            Part::Value(degrees) if degrees.is_finite() => Some(degrees),
            Part::Absent => None,
            Part::Value(_) | Part::Unsaid => return self.garbled(),
        };
        if self.last.is_some_and(|last| last.at == reading.at) {
            self.last = Some(self.merged(reading));
        }
        let changed = self.direction != turned;
        self.direction = turned;
        changed
    }

    /// Something arrived that is no reading.
    pub(crate) const fn garbled(&mut self) -> bool {
        count(&mut self.disbelieved.garbled);
        false
    }

    fn in_time(&mut self, reading: &Reading, sensor: &Sensor, now: Now) -> bool {
        if reading.at.0 > now.wall.0.saturating_add(FUTURE_TOLERANCE_MS) {
            count(&mut self.disbelieved.future);
            return false;
        }
        if now.wall.0.saturating_sub(reading.at.0) > sensor.validity.silence_ms {
            count(&mut self.disbelieved.old);
            return false;
        }
        match &self.last {
            // The same reading twice changes nothing; a wind sensor may send gust
            // and mean of one moment in two messages.
            Some(last) if last.at == reading.at && self.standing != Standing::Waiting => {
                if completes(&last.sample, &reading.sample) {
                    return true;
                }
                if contradicts(&last.sample, &reading.sample) {
                    count(&mut self.disbelieved.old);
                }
                false
            }
            Some(last) if last.at > reading.at => {
                count(&mut self.disbelieved.old);
                false
            }
            _ => true,
        }
    }

    fn too_fast(&self, sensor: &Sensor, value: Option<f64>, at: Wall) -> bool {
        // Against the last value that was believed, so that a lasting change is
        // believed in the end.
        let (Some(limit), Some(old), Some(new), Some(since)) = (
            sensor.validity.max_rate_per_s,
            self.value,
            value,
            self.value_at,
        ) else {
            return false;
        };
        let seconds = seconds((at.0 - since.0).max(1_000));
        (new - old).abs() > limit * seconds
    }

    /// The reading as one, where it completes the last one of its moment.
    fn merged(&self, reading: &Reading) -> Reading {
        let first = self.last.filter(|last| last.at == reading.at);
        let (
            Some(Sample::Wind {
                gust: g1,
                mean: m1,
                direction: d1,
            }),
            Sample::Wind {
                gust,
                mean,
                direction,
            },
        ) = (first.map(|last| last.sample), reading.sample)
        else {
            return *reading;
        };
        let or = |new: Part, old: Part| if new == Part::Unsaid { old } else { new };
        Reading {
            sample: Sample::Wind {
                gust: or(gust, g1),
                mean: or(mean, m1),
                direction: or(direction, d1),
            },
            ..*reading
        }
    }

    fn keep(&mut self, sensor: &Sensor, reading: &Reading, now: Now) {
        let completing = self.last.is_some_and(|last| last.at == reading.at);
        if let Some((at, speed)) = self.repeated
            && at == now.steady
        {
            self.peak = Some(self.peak.map_or(speed, |p| p.max(speed)));
        }
        let measures = match reading.sample {
            Sample::Value(_) => true,
            Sample::Wind { mean, .. } => mean.value().is_some(),
        };
        if measures {
            self.value_at = Some(reading.at);
        }
        match reading.sample {
            Sample::Value(value) => self.value = Some(value),
            Sample::Wind {
                gust,
                mean,
                direction,
            } => {
                match mean {
                    Part::Value(v) => self.value = Some(v),
                    Part::Absent => self.value = None,
                    Part::Unsaid => {}
                }
                match gust {
                    Part::Value(v) => {
                        self.gust = Some(v);
                        self.gust_at = now.steady;
                    }
                    Part::Absent => self.gust = None,
                    Part::Unsaid if completing => {}
                    Part::Unsaid => match sensor.gust {
                        Unheard::ThisReadingOnly => self.gust = None,
                        Unheard::KeptFor(ms) if now.steady.0 - self.gust_at.0 > ms => {
                            self.gust = None;
                        }
                        Unheard::KeptFor(_) => {}
                    },
                }
                match direction {
                    Part::Value(v) => self.direction = Some(v),
                    Part::Absent => self.direction = None,
                    Part::Unsaid => {}
                }
                if let Some((speed, _)) = self.wind() {
                    self.peak = Some(self.peak.map_or(speed, |p| p.max(speed)));
                }
            }
        }
        // Compared with what it said last, even if silence has come between.
        let says = (self.value, self.gust);
        if self.says.replace(says) != Some(says) {
            self.changed = now.steady;
        }
        let zero = self.wind().is_none_or(|(speed, _)| speed <= 0.0);
        self.zero_since = if zero {
            Some(self.zero_since.unwrap_or(now.steady))
        } else {
            None
        };
    }

    fn recover(&mut self, sensor: &Sensor, now: Now) {
        // Whatever else was wrong: one that says the same for too long is stuck.
        let fault = matches!(self.standing, Standing::Fault(_));
        if fault && self.stuck_at(sensor).is_some_and(|at| at <= now.steady) {
            self.standing = Standing::Fault(Fault::Stuck);
            self.good_since = None;
            return;
        }
        match self.standing {
            Standing::Waiting => self.standing = Standing::Good,
            Standing::Good => {}
            Standing::Fault(Fault::Stuck | Fault::ZeroWhileNeighbourBlows)
                if self.changed != now.steady && self.good_since.is_none() =>
            {
                // Still the same value: no sign of recovery.
            }
            Standing::Fault(_) => {
                let since = *self.good_since.get_or_insert(now.steady);
                if now.steady.0 - since.0 >= sensor.validity.recover_ms {
                    self.standing = Standing::Good;
                    self.good_since = None;
                }
            }
        }
    }

    /// Puts a fault on the sensor; says whether that is new.
    pub(crate) fn fail(&mut self, fault: Fault) -> bool {
        self.good_since = None;
        let new = self.standing != Standing::Fault(fault);
        self.standing = Standing::Fault(fault);
        if fault == Fault::Silent || fault == Fault::GatewayLost {
            self.gust = None;
            self.direction = None;
        }
        new
    }

    /// When it would be silent, if nothing comes.
    pub(crate) const fn silent_at(&self, sensor: &Sensor) -> Steady {
        self.heard.plus(sensor.validity.silence_ms)
    }

    /// When it would be stuck, if nothing changes.
    pub(crate) fn stuck_at(&self, sensor: &Sensor) -> Option<Steady> {
        sensor.validity.stuck_ms.map(|ms| self.changed.plus(ms))
    }

    /// When its zero would have lasted too long, if a neighbour blows.
    pub(crate) fn zero_at(&self, sensor: &Sensor) -> Option<Steady> {
        Some(self.zero_since?.plus(sensor.validity.zero?.for_ms))
    }
}

/// Main value, lowest and highest of what a sample says; `None` if it does not
/// fit the kind or is not a number.
fn extent(kind: SensorKind, sample: &Sample) -> Option<(Option<f64>, f64, f64)> {
    match (kind, *sample) {
        (
            SensorKind::Wind,
            Sample::Wind {
                gust,
                mean,
                direction,
            },
        ) => {
            let parts = [gust.value(), mean.value()];
            if parts
                .iter()
                .flatten()
                .chain(direction.value().iter())
                .any(|v| !v.is_finite())
            {
                return None;
            }
            if parts.iter().all(Option::is_none) {
                return None;
            }
            let low = parts
                .iter()
                .flatten()
                .copied()
                .fold(f64::INFINITY, f64::min);
            let high = parts
                .iter()
                .flatten()
                .copied()
                .fold(f64::NEG_INFINITY, f64::max);
            Some((mean.value(), low, high))
        }
        (SensorKind::Wind, Sample::Value(_)) | (_, Sample::Wind { .. }) => None,
        (_, Sample::Value(v)) => v.is_finite().then_some((Some(v), v, v)),
    }
}

/// Whether a second message of the same moment adds what the first left unsaid.
fn completes(first: &Sample, second: &Sample) -> bool {
    let (
        Sample::Wind {
            gust: g1,
            mean: m1,
            direction: d1,
        },
        Sample::Wind {
            gust: g2,
            mean: m2,
            direction: d2,
        },
    ) = (first, second)
    else {
        return false;
    };
    let adds = |a: &Part, b: &Part| *a == Part::Unsaid && *b != Part::Unsaid;
    let pairs = [(g1, g2), (m1, m2), (d1, d2)];
    pairs.iter().any(|(a, b)| adds(a, b)) && !contradicts(first, second)
}

/// Whether a second message of the same moment says other than the first.
fn contradicts(first: &Sample, second: &Sample) -> bool {
    let clashes = |a: &Part, b: &Part| *a != Part::Unsaid && *b != Part::Unsaid && a != b;
    match (first, second) {
        (
            Sample::Wind {
                gust: g1,
                mean: m1,
                direction: d1,
            },
            Sample::Wind {
                gust: g2,
                mean: m2,
                direction: d2,
            },
        ) => clashes(g1, g2) || clashes(m1, m2) || clashes(d1, d2),
        _ => first != second,
    }
}

/// One more.
const fn count(of: &mut u64) {
    *of = of.saturating_add(1);
}

/// Milliseconds as seconds.
#[expect(
    clippy::cast_precision_loss,
    reason = "spans of readings are far below 2^53 ms"
)]
fn seconds(ms: i64) -> f64 {
    ms as f64 / 1_000.0
}

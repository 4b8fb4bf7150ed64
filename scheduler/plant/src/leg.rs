//! Places and legs of movement, in whole numbers, so that they are exact.

use leeside_core::pose::Pose;

/// Millionths in one: the unit of extension.
pub(crate) const WHOLE_PPM: i64 = 1_000_000;
/// Millionths in a hundredth.
const PPM_PER_PCT: i64 = WHOLE_PPM / 100;
/// Thousandths in a degree.
const MDEG_PER_DEG: i64 = 1_000;

/// Where a device stands, finer than a [`Pose`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stand {
    /// Extension in millionths: 0 fully retracted … 1 000 000 fully extended.
    pub extension_ppm: i64,
    /// Slat angle in thousandths of a degree, positive outer edge down; `None`
    /// without slats.
    pub tilt_mdeg: Option<i64>,
}

impl Stand {
    /// The place of a pose.
    #[must_use]
    pub fn of(pose: Pose) -> Self {
        Self {
            extension_ppm: i64::from(pose.extension_pct.min(100)) * PPM_PER_PCT,
            tilt_mdeg: pose.tilt_deg.map(|deg| i64::from(deg) * MDEG_PER_DEG),
        }
    }

    /// The nearest pose.
    #[must_use]
    pub fn pose(self) -> Pose {
        let nearest = |value: i64, unit: i64| (value + unit.signum() * unit / 2).div_euclid(unit);
        Pose {
            extension_pct: u8::try_from(nearest(self.extension_ppm, PPM_PER_PCT).clamp(0, 100))
                .unwrap_or(100),
            tilt_deg: self.tilt_mdeg.map(|tilt| {
                i16::try_from(nearest(tilt, MDEG_PER_DEG).clamp(-360, 360)).unwrap_or(0)
            }),
        }
    }

    /// Whether extension is at an end stop.
    pub(crate) const fn at_end_stop(self) -> bool {
        self.extension_ppm <= 0 || self.extension_ppm >= WHOLE_PPM
    }
}

/// Which way a motor runs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Way {
    /// Extending, or turning the outer edge down.
    Out,
    /// Retracting, or turning the outer edge up.
    In,
}

/// What a leg changes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Part {
    Extension,
    Tilt,
}

/// An even movement of one part from one moment to another.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Leg {
    pub(crate) part: Part,
    pub(crate) from_ms: i64,
    pub(crate) to_ms: i64,
    pub(crate) from: i64,
    pub(crate) to: i64,
}

impl Leg {
    pub(crate) const fn way(&self) -> Way {
        if self.to >= self.from {
            Way::Out
        } else {
            Way::In
        }
    }

    /// The value at a moment; before and after the leg its ends.
    pub(crate) fn at(&self, ms: i64) -> i64 {
        // The end first: a leg that takes no time is over when it begins.
        if ms >= self.to_ms {
            self.to
        } else if ms <= self.from_ms {
            self.from
        } else {
            let way = i128::from(self.to - self.from) * i128::from(ms - self.from_ms);
            let part = way / i128::from(self.to_ms - self.from_ms);
            self.from + i64::try_from(part).unwrap_or(0)
        }
    }

    /// How long it has been running by `ms`.
    pub(crate) fn run_ms(&self, ms: i64) -> i64 {
        (ms.min(self.to_ms) - self.from_ms).max(0)
    }
}

/// The time an even movement over `part` of `whole` takes when the whole takes
/// `whole_ms`, rounded up to the millisecond.
pub(crate) fn time_for(part: i64, whole: i64, whole_ms: i64) -> i64 {
    if whole <= 0 || whole_ms <= 0 {
        return 0;
    }
    let product = i128::from(part.abs()) * i128::from(whole_ms);
    let whole = i128::from(whole);
    i64::try_from((product + whole - 1) / whole).unwrap_or(i64::MAX)
}

//! Which keys are swept, and over what.

use leeside_core::model::{SunAim, SunRule};
use leeside_core::time::MINUTE;

/// A key of a sun rule that can be swept. The names are those of the site file,
/// with their units.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Key {
    /// Irradiance on the facade from which it shades, W/m².
    On,
    /// Irradiance at which it lets go, W/m².
    Off,
    /// How long it has to be bright, minutes.
    OnDelay,
    /// How long it has to be dim, minutes.
    OffDelay,
    /// From open slats to retraction, minutes.
    RetractDelay,
    /// Least step: slats degrees, others per cent.
    LeastStep,
    /// Least time between steps, minutes.
    LeastInterval,
    /// How far direct sun may reach into the room, m.
    Depth,
}

impl Key {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::On,
        Self::Off,
        Self::OnDelay,
        Self::OffDelay,
        Self::RetractDelay,
        Self::LeastStep,
        Self::LeastInterval,
        Self::Depth,
    ];

    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::On => "on_wm2",
            Self::Off => "off_wm2",
            Self::OnDelay => "on_delay_min",
            Self::OffDelay => "off_delay_min",
            Self::RetractDelay => "retract_delay_min",
            Self::LeastStep => "least_step",
            Self::LeastInterval => "least_interval_min",
            Self::Depth => "depth_m",
        }
    }

    /// The values that make sense.
    const fn bounds(self) -> (f64, f64) {
        match self {
            Self::On | Self::Off => (0.0, 1_500.0),
            Self::OnDelay | Self::OffDelay | Self::RetractDelay => (0.0, 240.0),
            Self::LeastStep => (1.0, 90.0),
            Self::LeastInterval => (1.0, 240.0),
            Self::Depth => (0.0, 20.0),
        }
    }

    /// What it is in a rule; `None` where the rule has no such thing.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "hours of milliseconds, far below 2^53"
    )]
    pub fn get(self, rule: &SunRule) -> Option<f64> {
        let minutes = |ms: i64| ms as f64 / 60_000.0;
        Some(match self {
            Self::On => rule.on_wm2,
            Self::Off => rule.off_wm2,
            Self::OnDelay => minutes(rule.on_delay_ms),
            Self::OffDelay => minutes(rule.off_delay_ms),
            Self::RetractDelay => minutes(rule.retract_delay_ms),
            Self::LeastStep => f64::from(rule.least_step),
            Self::LeastInterval => minutes(rule.least_interval_ms),
            Self::Depth => match &rule.aim {
                SunAim::Depth { depth_m, .. } | SunAim::Terrace { depth_m, .. } => *depth_m,
                SunAim::TrackSlats | SunAim::Fixed(_) => return None,
            },
        })
    }

    /// Sets it in a rule; a depth only where the rule has one. Letting go never
    /// lies above shading.
    #[expect(clippy::cast_possible_truncation, reason = "within the bounds above")]
    pub fn set(self, rule: &mut SunRule, value: f64) {
        let minutes = (value * 60_000.0).round() as i64;
        match self {
            Self::On => {
                rule.on_wm2 = value;
                rule.off_wm2 = rule.off_wm2.min(value);
            }
            Self::Off => rule.off_wm2 = value.min(rule.on_wm2),
            Self::OnDelay => rule.on_delay_ms = minutes,
            Self::OffDelay => rule.off_delay_ms = minutes,
            Self::RetractDelay => rule.retract_delay_ms = minutes,
            Self::LeastStep => rule.least_step = value.round() as i16,
            Self::LeastInterval => rule.least_interval_ms = minutes.max(MINUTE),
            Self::Depth => match &mut rule.aim {
                SunAim::Depth { depth_m, .. } | SunAim::Terrace { depth_m, .. } => *depth_m = value,
                SunAim::TrackSlats | SunAim::Fixed(_) => {}
            },
        }
    }
}

/// A key and the values it takes.
#[derive(Clone, PartialEq, Debug)]
pub struct Sweep {
    /// Which.
    pub key: Key,
    /// The values, in order.
    pub values: Vec<f64>,
}

/// A sweep that cannot be read.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("--sweep {text}: {found}; expected KEY=from..to/step, like on_wm2=150..300/50; keys are {}", Key::ALL.map(Key::name).join(", "))]
pub struct SweepError {
    text: String,
    found: String,
}

impl Sweep {
    /// Most values of one sweep.
    const MOST: usize = 100;

    /// Reads `on_wm2=150..300/50`.
    ///
    /// # Errors
    /// [`SweepError`] that says what was expected.
    pub fn read(text: &str) -> Result<Self, SweepError> {
        let wrong = |found: String| SweepError {
            text: text.to_owned(),
            found,
        };
        let (name, range) = text
            .split_once('=')
            .ok_or_else(|| wrong("there is no =".to_owned()))?;
        let key = Key::ALL.into_iter().find(|key| key.name() == name.trim());
        let key = key.ok_or_else(|| wrong(format!("there is no key {name:?}")))?;
        let number = |text: &str| text.trim().parse::<f64>().ok().filter(|n| n.is_finite());
        let parts = range.split_once("..").and_then(|(from, rest)| {
            let (to, step) = rest.split_once('/')?;
            Some((number(from)?, number(to)?, number(step)?))
        });
        let (from, to, step) =
            parts.ok_or_else(|| wrong(format!("{range:?} is no range with a step")))?;
        let (least, most) = key.bounds();
        if from < least || to > most || from > to || step <= 0.0 {
            return Err(wrong(format!(
                "{range:?} does not go upwards within {least} to {most}"
            )));
        }
        let values: Vec<f64> = (0_u32..)
            .map(|index| from + f64::from(index) * step)
            // A hair of tolerance, so that 0..1/0.1 ends at 1.
            .take_while(|value| *value <= to + step * 1e-6)
            .take(Self::MOST + 1)
            .collect();
        if values.len() > Self::MOST {
            return Err(wrong(format!("more than {} values", Self::MOST)));
        }
        Ok(Self { key, values })
    }
}

/// Every combination, the last sweep running fastest.
pub(super) fn combinations(sweeps: &[Sweep]) -> Vec<Vec<f64>> {
    if sweeps.is_empty() {
        return Vec::new();
    }
    sweeps.iter().fold(vec![vec![]], |all, sweep| {
        let longer = |values: Vec<f64>| {
            sweep.values.iter().map(move |value| {
                let mut values = values.clone();
                values.push(*value);
                values
            })
        };
        all.into_iter().flat_map(longer).collect()
    })
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;

    #[test]
    fn sweeps_are_read_and_combined() {
        let on = Sweep::read("on_wm2=150..250/50").unwrap();
        assert_eq!((on.key, on.values.len()), (Key::On, 3));
        let depth = Sweep::read("depth_m=0..1/0.1").unwrap();
        assert_eq!(depth.values.len(), 11);
        assert_eq!(combinations(&[on, depth]).len(), 33);
        for (text, want) in [
            ("on=1..2/1", "there is no key"),
            ("on_wm2=300..150/50", "does not go upwards"),
            ("on_wm2=150..300", "no range with a step"),
            ("on_wm2", "there is no ="),
            ("off_delay_min=0..240/0.1", "more than 100 values"),
        ] {
            let error = Sweep::read(text).unwrap_err().to_string();
            assert!(error.contains(want), "{error}");
        }
    }
}

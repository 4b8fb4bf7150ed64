//! The one error of this crate: a number outside its limits.

use std::fmt;

/// A number that is outside its limits, or is no number at all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RangeError {
    /// What the number is, in words: `latitude`.
    pub what: &'static str,
    /// The number as given.
    pub value: f64,
    /// Least admissible value.
    pub min: f64,
    /// Greatest admissible value.
    pub max: f64,
    /// The unit of all three: `degrees`.
    pub unit: &'static str,
}

impl RangeError {
    /// Gives `value` back where it lies within `min..=max`.
    ///
    /// # Errors
    /// A [`RangeError`] where it does not, or is not a number.
    pub fn check(
        what: &'static str,
        value: f64,
        (min, max): (f64, f64),
        unit: &'static str,
    ) -> Result<f64, Self> {
        if (min..=max).contains(&value) {
            Ok(value)
        } else {
            Err(Self {
                what,
                value,
                min,
                max,
                unit,
            })
        }
    }
}

/// `value` brought into `min..=max`, and to `min` where it is not a number:
/// for fields that are public or come from sensors, so may hold anything.
/// (`clamp` would hand a NaN on.)
pub(crate) fn limit(value: f64, min: f64, max: f64) -> f64 {
    value.max(min).min(max)
}

impl fmt::Display for RangeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            what,
            value,
            min,
            max,
            unit,
        } = self;
        if value.is_nan() {
            write!(f, "{what} is not a number; it must be {min}..{max} {unit}")
        } else {
            write!(f, "{what} {value} is outside {min}..{max} {unit}")
        }
    }
}

impl std::error::Error for RangeError {}

#[cfg(test)]
mod tests {
    use super::RangeError;

    #[test]
    fn names_the_value_and_its_limits() {
        let said = |value| {
            RangeError::check("latitude", value, (-90.0, 90.0), "degrees")
                .map_err(|e| e.to_string())
        };
        assert_eq!(said(90.0), Ok(90.0));
        assert_eq!(
            said(95.0),
            Err("latitude 95 is outside -90..90 degrees".into())
        );
        assert_eq!(
            said(f64::NAN),
            Err("latitude is not a number; it must be -90..90 degrees".into())
        );
        assert!(said(f64::INFINITY).is_err());
    }
}

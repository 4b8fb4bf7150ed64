//! The one door to trigonometry.
//!
//! The standard library hands these functions to the platform, and about three
//! in a hundred results differ in the last bit from one platform to the next:
//! enough to move a threshold by a minute and a year's plan by a line. `libm`
//! computes them in Rust, alike everywhere. `clippy.toml` keeps every other
//! door shut. Only `sqrt` is the processor's own: IEEE 754 fixes its last bit.
//!
//! Radians throughout, as in the standard library; [`asin`] and [`acos`] clamp
//! their argument to -1..1, so that rounding never makes a NaN.

/// Sine of radians.
#[inline]
#[must_use]
pub fn sin(x: f64) -> f64 {
    libm::sin(x)
}

/// Cosine of radians.
#[inline]
#[must_use]
pub fn cos(x: f64) -> f64 {
    libm::cos(x)
}

/// Sine and cosine of radians in one go.
#[inline]
#[must_use]
pub fn sin_cos(x: f64) -> (f64, f64) {
    libm::sincos(x)
}

/// Sine and cosine of an angle in whole turns.
///
/// Quicker than by radians: what exceeds an eighth of a turn is taken off
/// exactly beforehand.
#[inline]
#[must_use]
pub fn sin_cos_turns(turns: f64) -> (f64, f64) {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "cast is a cheap floor; angles of 10^8 turns have no business here"
    )]
    let quarters = (4.0 * turns + 1e9 + 0.5) as i64 - 1_000_000_000;
    #[expect(clippy::cast_precision_loss, reason = "a small whole number")]
    let rest = turns - 0.25 * quarters as f64;
    let (s, c) = libm::sincos(rest * std::f64::consts::TAU);
    match quarters & 3 {
        0 => (s, c),
        1 => (c, -s),
        2 => (-s, -c),
        _ => (-c, s),
    }
}

/// Tangent of radians.
#[inline]
#[must_use]
pub fn tan(x: f64) -> f64 {
    libm::tan(x)
}

/// Arc sine in radians, -pi/2..pi/2; the argument is clamped to -1..1.
#[inline]
#[must_use]
pub fn asin(x: f64) -> f64 {
    libm::asin(x.clamp(-1.0, 1.0))
}

/// Arc cosine in radians, 0..pi; the argument is clamped to -1..1.
#[inline]
#[must_use]
pub fn acos(x: f64) -> f64 {
    libm::acos(x.clamp(-1.0, 1.0))
}

/// Angle of the point (`x`, `y`) in radians, -pi..pi, anticlockwise from x.
#[inline]
#[must_use]
pub fn atan2(y: f64, x: f64) -> f64 {
    libm::atan2(y, x)
}

/// Square root.
#[inline]
#[must_use]
pub fn sqrt(x: f64) -> f64 {
    x.sqrt()
}

/// e to the power of `x`.
#[inline]
#[must_use]
pub fn exp(x: f64) -> f64 {
    libm::exp(x)
}

/// `x` to the power of `y`.
#[inline]
#[must_use]
pub fn pow(x: f64, y: f64) -> f64 {
    libm::pow(x, y)
}

/// Natural logarithm.
#[inline]
#[must_use]
pub fn ln(x: f64) -> f64 {
    libm::log(x)
}

/// `degrees` wrapped into -180 (included) .. 180 (excluded).
#[inline]
#[must_use]
pub fn wrap_180(degrees: f64) -> f64 {
    wrap_360(degrees + 180.0) - 180.0
}

/// `degrees` wrapped into 0 (included) .. 360 (excluded).
#[inline]
#[must_use]
pub fn wrap_360(degrees: f64) -> f64 {
    let wrapped = degrees - 360.0 * (degrees / 360.0).floor();
    // A tiny negative number rounds up to 360 itself.
    if wrapped >= 360.0 { 0.0 } else { wrapped }
}

#[cfg(test)]
mod tests {
    use super::{asin, wrap_180, wrap_360};

    #[test]
    fn wraps_at_the_seam() {
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} {b}");
        close(wrap_360(360.0), 0.0);
        close(wrap_360(-1.0), 359.0);
        assert!(wrap_360(-1e-300) < 360.0);
        close(wrap_180(180.0), -180.0);
        close(wrap_180(190.0), -170.0);
        close(wrap_180(-540.0), -180.0);
    }

    #[test]
    fn turns_agree_with_radians() {
        for i in -1000..1000_i32 {
            let turns = f64::from(i) / 333.0;
            let (s, c) = super::sin_cos_turns(turns);
            let x = turns * std::f64::consts::TAU;
            assert!((s - super::sin(x)).abs() < 1e-14, "{turns}");
            assert!((c - super::cos(x)).abs() < 1e-14, "{turns}");
        }
    }

    #[test]
    fn rounding_beyond_one_is_no_nan() {
        assert!(asin(1.0 + 1e-12).is_finite());
    }
}

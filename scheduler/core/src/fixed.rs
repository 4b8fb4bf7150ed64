//! Numbers with a fixed count of decimals, as `{:.1}` writes them, and moments with a
//! fixed count of digits, but quicker: a year's report has millions, and a gust over
//! ten thousand groups writes as many before its last command has left.

use chrono::{Datelike as _, NaiveDateTime, Timelike as _};
use core::fmt::{self, Write as _};

/// A number that shows with so many decimals (0 to 3), the very digits of the
/// standard library: the exact value rounded half to even.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fixed(pub(crate) f64, pub(crate) u8);

const TENS: [u64; 4] = [1, 10, 100, 1_000];

impl fmt::Display for Fixed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.digits(&mut [b'0'; 22]) {
            Some(digits) => f.write_str(digits),
            None => write!(f, "{:.*}", usize::from(self.1), self.0),
        }
    }
}

impl Fixed {
    /// Appends it as it shows.
    pub(crate) fn push(self, into: &mut String) {
        match self.digits(&mut [b'0'; 22]) {
            Some(digits) => into.push_str(digits),
            // Writing to a string cannot fail.
            None => drop(write!(into, "{:.*}", usize::from(self.1), self.0)),
        }
    }

    /// As it shows; `None` where that does not fit a quick sum.
    fn digits(self, text: &mut [u8; 22]) -> Option<&str> {
        let scaled = self.scaled()?;
        // Twenty digits of a u64, a point and a sign; filled from the end.
        let (mut at, mut rest, mut digit) = (text.len(), scaled, 0);
        while rest > 0 || digit <= self.1 {
            if digit == self.1 && digit > 0 {
                at -= 1;
                text[at] = b'.';
            }
            at -= 1;
            text[at] = b'0' + u8::try_from(rest % 10).unwrap_or(0);
            rest /= 10;
            digit += 1;
        }
        if self.0.is_sign_negative() {
            at -= 1;
            text[at] = b'-';
        }
        core::str::from_utf8(&text[at..]).ok()
    }

    /// The magnitude in units of the last decimal; `None` where that does not fit
    /// a quick sum.
    fn scaled(self) -> Option<u64> {
        let tens = *TENS.get(usize::from(self.1))?;
        let bits = self.0.to_bits();
        let exponent = (bits >> 52) & 0x7FF;
        let fraction = bits & ((1 << 52) - 1);
        // value = mantissa / 2^shift, exactly; from 2^-10 up to 2^53, and nought.
        if exponent == 0 && fraction == 0 {
            return Some(0);
        }
        if !(1_013..=1_075).contains(&exponent) {
            return None;
        }
        let shift = 1_075 - exponent;
        let product = (fraction | 1 << 52).checked_mul(tens)?;
        if shift == 0 {
            return Some(product);
        }
        let (whole, rest) = (product >> shift, product & ((1 << shift) - 1));
        let half = 1 << (shift - 1);
        let up = rest > half || (rest == half && whole & 1 == 1);
        Some(whole + u64::from(up))
    }
}

/// A date and a time of day to the second, at the end of a text:
/// `2027-03-14 10:14:05` with a space between.
pub fn write_moment(into: &mut String, at: NaiveDateTime, between: char) {
    let year = at.year();
    if !(0..=9_999).contains(&year) {
        // Writing to a string cannot fail.
        let _ = write!(
            into,
            "{}{between}{}",
            at.date(),
            at.time().format("%H:%M:%S")
        );
        return;
    }
    let year = year.unsigned_abs();
    let mut two = |mark: Option<char>, value: u32| {
        into.extend(mark);
        for digit in [value / 10 % 10, value % 10] {
            into.push(char::from_digit(digit, 10).unwrap_or('0'));
        }
    };
    two(None, year / 100);
    two(None, year % 100);
    two(Some('-'), at.month());
    two(Some('-'), at.day());
    two(Some(between), at.hour());
    two(Some(':'), at.minute());
    two(Some(':'), at.second());
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::DateTime;

    #[test]
    fn moments_are_those_of_chrono() {
        let mut drawn = 1_u64;
        for n in 0..100_000_i64 {
            drawn = drawn
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            // Every kind of second, day and year, a few beyond the four digits.
            let seconds = i64::try_from(drawn >> 25).unwrap() - 62_167_219_200 * 2 + n;
            let at = DateTime::from_timestamp(seconds, 0).unwrap().naive_utc();
            let mut told = String::new();
            write_moment(&mut told, at, 'T');
            assert_eq!(told, at.format("%Y-%m-%dT%H:%M:%S").to_string());
        }
    }

    #[test]
    fn the_digits_are_those_of_the_standard_library() {
        let mut drawn = 1_u64;
        let mut values = vec![
            0.0,
            -0.0,
            0.5,
            1.5,
            2.5,
            0.25,
            0.35,
            0.125,
            0.375,
            0.05,
            0.95,
            9.995,
            99.95,
            0.0005,
            1e-9,
            1e15,
            1e300,
            9_007_199_254_740_993.0,
            f64::NAN,
            f64::INFINITY,
            0.000_976_562_5,
        ];
        for _ in 0..200_000 {
            drawn = drawn
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            // Thousandths, eighths (many ties) and any bits at all.
            let small = f64::from(u32::try_from(drawn >> 44).unwrap());
            values.extend([small / 1_000.0, small / 8.0, f64::from_bits(drawn)]);
        }
        for value in values {
            for value in [value, -value] {
                let all = [
                    (format!("{value:.0}"), Fixed(value, 0)),
                    (format!("{value:.1}"), Fixed(value, 1)),
                    (format!("{value:.2}"), Fixed(value, 2)),
                    (format!("{value:.3}"), Fixed(value, 3)),
                ];
                for (want, fixed) in all {
                    assert_eq!(fixed.to_string(), want, "{value:e}");
                }
            }
        }
    }
}

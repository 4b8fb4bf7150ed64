//! Easter Sunday.

use chrono::NaiveDate;

/// Easter Sunday of the Gregorian calendar, by the algorithm of Meeus, Jones and
/// Butcher (J. Meeus, *Astronomical Algorithms*, ch. 8 "Date of Easter"; no
/// exceptions). `None` outside the years that `NaiveDate` knows and before 1583,
/// the first year in which the Gregorian rule held.
#[must_use]
pub fn easter(year: i32) -> Option<NaiveDate> {
    if year < 1583 {
        return None;
    }
    let a = year % 19;
    let (b, c) = (year / 100, year % 100);
    let (d, e) = (b / 4, b % 4);
    let f = (b + 8) / 25;
    let g = (b - f + 1) / 3;
    let h = (19 * a + b - d - g + 15) % 30;
    let (i, k) = (c / 4, c % 4);
    let l = (32 + 2 * e + 2 * i - h - k) % 7;
    let m = (a + 11 * h + 22 * l) / 451;
    let n = h + l - 7 * m + 114;
    NaiveDate::from_ymd_opt(
        year,
        u32::try_from(n / 31).ok()?,
        u32::try_from(n % 31 + 1).ok()?,
    )
}

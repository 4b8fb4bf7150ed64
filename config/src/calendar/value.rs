//! Property values (RFC 5545 §3.3): dates, date-times, durations, offsets, text.

use chrono::{NaiveDate, NaiveDateTime};

/// A DATE or DATE-TIME as written, without its zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stamp {
    /// A DATE.
    Date(NaiveDate),
    /// A DATE-TIME; `utc` when written with a trailing `Z`.
    Time { wall: NaiveDateTime, utc: bool },
}

/// Nominal days and exact seconds (RFC 5545 §3.3.6).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Duration {
    pub(crate) days: i64,
    pub(crate) seconds: i64,
}

/// A duration longer than this is refused: no closed day lasts a century, and
/// later arithmetic then cannot overflow.
const MAX_DURATION_DAYS: i64 = 36_525;

/// Reads `YYYYMMDD` or `YYYYMMDDTHHMMSS[Z]`.
pub(crate) fn stamp(text: &str) -> Result<Stamp, String> {
    let text = text.trim();
    let wrong = || {
        format!(
            "`{}` is neither a date YYYYMMDD nor a date-time YYYYMMDDTHHMMSS with or without Z",
            shorten(text)
        )
    };
    let (body, utc) = match text.strip_suffix(['Z', 'z']) {
        Some(body) => (body, true),
        None => (text, false),
    };
    let (day, time) = match body.split_once(['T', 't']) {
        Some((day, time)) => (day, Some(time)),
        None => (body, None),
    };
    let [y1, y2, m, d] = pairs::<4>(day).ok_or_else(wrong)?;
    let date = NaiveDate::from_ymd_opt(i32::from(y1) * 100 + i32::from(y2), m.into(), d.into())
        .filter(|_| y1 > 0 || y2 > 0)
        .ok_or_else(|| format!("`{}` is not a day of the calendar", shorten(day)))?;
    let Some(time) = time else {
        return if utc {
            Err(wrong())
        } else {
            Ok(Stamp::Date(date))
        };
    };
    let [hour, minute, second] = pairs::<3>(time).ok_or_else(wrong)?;
    // §3.3.12: who does not support leap seconds reads second 60 as 59.
    let wall = date
        .and_hms_opt(
            hour.into(),
            minute.into(),
            if second == 60 { 59 } else { second.into() },
        )
        .ok_or_else(|| format!("`{}` is not a time of day", shorten(time)))?;
    Ok(Stamp::Time { wall, utc })
}

/// Splits `N` pairs of decimal digits, and nothing else.
fn pairs<const N: usize>(text: &str) -> Option<[u8; N]> {
    let bytes = text.as_bytes();
    if bytes.len() != 2 * N || !bytes.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let mut out = [0; N];
    for (slot, pair) in out.iter_mut().zip(bytes.chunks_exact(2)) {
        *slot = pair.iter().fold(0, |sum, digit| sum * 10 + (digit - b'0'));
    }
    Some(out)
}

/// Reads a DURATION such as `P1DT2H30M` (§3.3.6); negative ones are refused,
/// as no event has one.
pub(crate) fn duration(text: &str) -> Result<Duration, String> {
    let text = text.trim();
    let wrong = || {
        format!(
            "`{}` is not a duration such as P1D, PT2H30M or P2W",
            shorten(text)
        )
    };
    if text.starts_with('-') {
        return Err(format!(
            "`{}` is negative; an event lasts forward",
            shorten(text)
        ));
    }
    let body = text
        .strip_prefix('+')
        .unwrap_or(text)
        .strip_prefix('P')
        .ok_or_else(wrong)?;
    let (date_part, time_part) = match body.split_once('T') {
        Some((_, "")) => return Err(wrong()),
        Some((date_part, time_part)) => (date_part, time_part),
        None => (body, ""),
    };
    let weeks_and_days = units(date_part, &[('W', 7), ('D', 1)]).ok_or_else(wrong)?;
    let seconds = units(time_part, &[('H', 3600), ('M', 60), ('S', 1)]).ok_or_else(wrong)?;
    if date_part.is_empty() && time_part.is_empty() {
        return Err(wrong());
    }
    let too_long = || {
        format!(
            "`{}` is longer than {MAX_DURATION_DAYS} days",
            shorten(text)
        )
    };
    if weeks_and_days > MAX_DURATION_DAYS || seconds > MAX_DURATION_DAYS * 86_400 {
        return Err(too_long());
    }
    Ok(Duration {
        days: weeks_and_days,
        seconds,
    })
}

/// Sums `3H20M`-like text over units that must appear in the given order.
fn units(mut text: &str, units: &[(char, i64)]) -> Option<i64> {
    let mut sum = 0_i64;
    for (letter, size) in units {
        let digits = text.bytes().take_while(u8::is_ascii_digit).count();
        if let Some(rest) = text
            .get(digits..)
            .and_then(|rest| rest.strip_prefix(*letter))
        {
            let count: i64 = text.get(..digits)?.parse().ok()?;
            sum = sum.checked_add(count.checked_mul(*size)?)?;
            text = rest;
        }
    }
    text.is_empty().then_some(sum)
}

/// Reads a UTC-OFFSET `+HHMM[SS]` (§3.3.14) into seconds east of Greenwich.
pub(crate) fn offset(text: &str) -> Result<i64, String> {
    let text = text.trim();
    let wrong = || {
        format!(
            "`{}` is not an offset such as +0100 or -0330",
            shorten(text)
        )
    };
    let (sign, digits) = match text.as_bytes().first() {
        Some(b'+') => (1, text.get(1..)),
        Some(b'-') => (-1, text.get(1..)),
        _ => return Err(wrong()),
    };
    let digits = digits.unwrap_or_default();
    let [hour, minute, second] = pairs::<3>(digits)
        .or_else(|| pairs::<2>(digits).map(|[h, m]| [h, m, 0]))
        .ok_or_else(wrong)?;
    if hour > 23 || minute > 59 || second > 59 {
        return Err(wrong());
    }
    Ok(sign * (i64::from(hour) * 3600 + i64::from(minute) * 60 + i64::from(second)))
}

/// Takes the escapes out of a TEXT (§3.3.11).
pub(crate) fn unescape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        match c {
            '\\' => match chars.next() {
                Some('n' | 'N') => out.push('\n'),
                Some(other) => out.push(other),
                None => out.push('\\'),
            },
            other => out.push(other),
        }
    }
    out
}

/// Splits a list of TEXT at its unescaped commas and unescapes the parts.
pub(crate) fn text_list(text: &str) -> Vec<String> {
    let mut parts = Vec::new();
    let mut begin = 0;
    let mut escaped = false;
    for (index, c) in text.char_indices() {
        if c == ',' && !escaped {
            parts.push(unescape(text.get(begin..index).unwrap_or_default()));
            begin = index + 1;
        }
        escaped = c == '\\' && !escaped;
    }
    parts.push(unescape(text.get(begin..).unwrap_or_default()));
    parts.retain(|part| !part.trim().is_empty());
    parts
}

/// A stretch of foreign text short enough for a message.
pub(crate) fn shorten(text: &str) -> String {
    const KEEP: usize = 40;
    let mut out: String = text
        .chars()
        .take(KEEP)
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    if text.chars().count() > KEEP {
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(text: &str) -> String {
        match stamp(text) {
            Ok(Stamp::Date(date)) => date.to_string(),
            Ok(Stamp::Time { wall, utc }) => format!("{wall}{}", if utc { " UTC" } else { "" }),
            Err(_) => "error".to_owned(),
        }
    }

    /// The forms of RFC 5545 §3.3.4 and §3.3.5, and their edges.
    #[test]
    fn dates_and_times_are_read_strictly() {
        for (text, wanted) in [
            ("19970714", "1997-07-14"),
            ("20240229", "2024-02-29"),
            ("20230229", "error"),
            ("00011231", "0001-12-31"),
            ("00000101", "error"),
            ("00990101", "0099-01-01"),
            ("19980118T230000", "1998-01-18 23:00:00"),
            ("19980119T070000Z", "1998-01-19 07:00:00 UTC"),
            ("19980119t070000z", "1998-01-19 07:00:00 UTC"),
            ("19970630T235960Z", "1997-06-30 23:59:59 UTC"),
            ("19970630T235961Z", "error"),
            ("19980118T240000", "error"),
            ("19980118T236000", "error"),
            ("19980119Z", "error"),
            ("19980119T0700", "error"),
            ("1998-01-19", "error"),
            ("1998011", "error"),
            ("199801199", "error"),
            ("+9980119", "error"),
            ("", "error"),
        ] {
            assert_eq!(shown(text), wanted, "{text}");
        }
    }

    /// RFC 5545 §3.3.6, its example P15DT5H0M20S among them.
    #[test]
    fn durations_are_days_and_seconds() {
        let read = |text: &str| duration(text).ok().map(|d| (d.days, d.seconds));
        for (text, wanted) in [
            ("P15DT5H0M20S", Some((15, 5 * 3600 + 20))),
            ("P7W", Some((49, 0))),
            ("+P1D", Some((1, 0))),
            ("PT90M", Some((0, 5400))),
            ("PT0S", Some((0, 0))),
            ("P36525D", Some((36_525, 0))),
            ("P36526D", None),
            ("PT3155760000S", Some((0, 3_155_760_000))),
            ("PT3155760001S", None),
            ("PT99999999999999999999H", None),
            ("P", None),
            ("PT", None),
            ("P1DT", None),
            ("P1H", None),
            ("PT1D", None),
            ("PT1S1H", None),
            ("PD", None),
            ("1D", None),
            ("-P1D", None),
        ] {
            assert_eq!(read(text), wanted, "{text}");
        }
    }

    /// RFC 5545 §3.3.14.
    #[test]
    fn offsets_are_seconds_east() {
        for (text, wanted) in [
            ("+0100", Some(3600)),
            ("-0500", Some(-18_000)),
            ("-0330", Some(-12_600)),
            ("+053045", Some(19_845)),
            ("+2359", Some(86_340)),
            ("+2400", None),
            ("+0060", None),
            ("+000060", None),
            ("0100", None),
            ("+1", None),
            ("", None),
        ] {
            assert_eq!(offset(text).ok(), wanted, "{text}");
        }
    }

    #[test]
    fn text_loses_its_escapes_and_lists_their_commas() {
        assert_eq!(unescape("a\\, b\\; c\\n\\N\\\\d\\"), "a, b; c\n\n\\d\\");
        assert_eq!(text_list("a,b\\,c,, d\\\\,e"), ["a", "b,c", " d\\", "e"]);
        assert_eq!(shorten(&"ä".repeat(41)), format!("{}…", "ä".repeat(40)));
        assert_eq!(shorten(&"ä".repeat(40)), "ä".repeat(40));
    }
}

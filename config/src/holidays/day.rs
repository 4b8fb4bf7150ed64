//! The day of a rule, as the data files write it.

use chrono::{Datelike, NaiveDate, TimeDelta, Weekday};

use super::easter::easter;

/// A day of each year.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Day {
    base: Base,
    /// Days after the base, negative before it.
    offset: i64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Base {
    Easter,
    Fixed {
        month: u32,
        day: u32,
    },
    /// The nth weekday of a month.
    Nth {
        nth: u8,
        weekday: Weekday,
        month: u32,
    },
    /// The last weekday of a month.
    Last {
        weekday: Weekday,
        month: u32,
    },
    /// The first weekday not before a date that lies `shift` days from a fixed one.
    From {
        weekday: Weekday,
        month: u32,
        day: u32,
        shift: i64,
    },
}

impl Day {
    /// The date in a year; `None` where the year has no such day.
    pub(crate) fn in_year(self, year: i32) -> Option<NaiveDate> {
        let date = match self.base {
            Base::Easter => easter(year)?,
            Base::Fixed { month, day } => NaiveDate::from_ymd_opt(year, month, day)?,
            Base::Nth {
                nth,
                weekday,
                month,
            } => NaiveDate::from_weekday_of_month_opt(year, month, weekday, nth)?,
            Base::Last { weekday, month } => (4..=5)
                .rev()
                .find_map(|nth| NaiveDate::from_weekday_of_month_opt(year, month, weekday, nth))?,
            Base::From {
                weekday,
                month,
                day,
                shift,
            } => {
                let first = NaiveDate::from_ymd_opt(year, month, day)?
                    .checked_add_signed(TimeDelta::days(shift))?;
                let ahead = weekday.days_since(first.weekday());
                first.checked_add_signed(TimeDelta::days(i64::from(ahead)))?
            }
        };
        date.checked_add_signed(TimeDelta::days(self.offset))
    }

    /// Reads the text of `on`; see the README beside the data files.
    pub(crate) fn parse(text: &str) -> Result<Self, String> {
        let mut words: Vec<&str> = text.split_whitespace().collect();
        let offset = offset(&mut words)?;
        let base = match words.as_slice() {
            ["easter"] => Base::Easter,
            [date] => {
                let (month, day) = month_day(date)?;
                Base::Fixed { month, day }
            }
            ["last", weekday, "of", month] => Base::Last {
                weekday: self::weekday(weekday)?,
                month: self::month(month)?,
            },
            [nth, weekday, "of", month] => Base::Nth {
                nth: self::nth(nth)?,
                weekday: self::weekday(weekday)?,
                month: self::month(month)?,
            },
            [weekday, "on", "or", "after", date] => around(weekday, date, 0)?,
            [weekday, "after", date] => around(weekday, date, 1)?,
            [weekday, "on", "or", "before", date] => around(weekday, date, -6)?,
            [weekday, "before", date] => around(weekday, date, -7)?,
            _ => {
                return Err(format!(
                    "`{text}` is not a day such as 05-01, easter + 39 days or 1st monday of may"
                ));
            }
        };
        Ok(Self { base, offset })
    }
}

fn around(weekday: &str, date: &str, shift: i64) -> Result<Base, String> {
    let (month, day) = month_day(date)?;
    Ok(Base::From {
        weekday: self::weekday(weekday)?,
        month,
        day,
        shift,
    })
}

/// Takes `± N day[s]` off the end.
fn offset(words: &mut Vec<&str>) -> Result<i64, String> {
    let [.., sign @ ("+" | "-"), number, "day" | "days"] = words.as_slice() else {
        return Ok(0);
    };
    let days: i64 = number
        .parse()
        .ok()
        .filter(|n| (1..=366).contains(n))
        .ok_or_else(|| format!("`{number}` is not a number of days from 1 to 366"))?;
    let days = if *sign == "-" { -days } else { days };
    words.truncate(words.len() - 3);
    Ok(days)
}

fn month_day(text: &str) -> Result<(u32, u32), String> {
    let read = || {
        let (month, day) = text.split_once('-')?;
        let (month, day) = (month.parse().ok()?, day.parse().ok()?);
        // A leap year, so that 29 February is a day.
        NaiveDate::from_ymd_opt(2000, month, day).map(|_| (month, day))
    };
    read().ok_or_else(|| format!("`{text}` is not a month and day such as 05-01"))
}

fn nth(text: &str) -> Result<u8, String> {
    ["1st", "2nd", "3rd", "4th"]
        .iter()
        .zip(1..)
        .find_map(|(word, number)| (*word == text).then_some(number))
        .ok_or_else(|| format!("`{text}` is none of 1st, 2nd, 3rd, 4th, last"))
}

pub(crate) fn weekday(text: &str) -> Result<Weekday, String> {
    const DAYS: [(&str, Weekday); 7] = [
        ("monday", Weekday::Mon),
        ("tuesday", Weekday::Tue),
        ("wednesday", Weekday::Wed),
        ("thursday", Weekday::Thu),
        ("friday", Weekday::Fri),
        ("saturday", Weekday::Sat),
        ("sunday", Weekday::Sun),
    ];
    DAYS.iter()
        .find(|(word, _)| *word == text)
        .map(|(_, day)| *day)
        .ok_or_else(|| format!("`{text}` is not a weekday such as monday"))
}

fn month(text: &str) -> Result<u32, String> {
    const MONTHS: [&str; 12] = [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ];
    MONTHS
        .iter()
        .zip(1..)
        .find_map(|(word, number)| (*word == text).then_some(number))
        .ok_or_else(|| format!("`{text}` is not a month such as may"))
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;

    fn date(text: &str, year: i32) -> String {
        Day::parse(text).unwrap().in_year(year).unwrap().to_string()
    }

    /// Dates counted off a printed calendar of 2027.
    #[test]
    fn every_form_gives_its_day() {
        assert_eq!(date("05-01", 2027), "2027-05-01");
        assert_eq!(date("easter", 2027), "2027-03-28");
        assert_eq!(date("easter - 2 days", 2027), "2027-03-26");
        assert_eq!(date("1st monday of may", 2027), "2027-05-03");
        assert_eq!(date("last monday of may", 2027), "2027-05-31");
        assert_eq!(date("last friday of february", 2027), "2027-02-26");
        assert_eq!(date("saturday on or after 06-20", 2027), "2027-06-26");
        assert_eq!(date("saturday on or after 06-26", 2027), "2027-06-26");
        assert_eq!(date("saturday after 06-26", 2027), "2027-07-03");
        assert_eq!(date("saturday on or before 06-26", 2027), "2027-06-26");
        assert_eq!(date("saturday before 06-26", 2027), "2027-06-19");
        assert_eq!(date("1st sunday of september + 4 days", 2027), "2027-09-09");
        assert_eq!(Day::parse("02-29").unwrap().in_year(2027), None);
    }

    #[test]
    fn what_is_not_a_day_says_what_is() {
        for (text, part) in [
            ("13-01", "month and day"),
            ("02-30", "month and day"),
            ("5th monday of may", "1st, 2nd, 3rd, 4th, last"),
            ("1st moonday of may", "weekday"),
            ("1st monday of mai", "month such as"),
            ("easter + 0 days", "number of days"),
            ("easter + two days", "number of days"),
            ("whenever it rains", "is not a day such as"),
            ("", "is not a day such as"),
        ] {
            assert!(Day::parse(text).unwrap_err().contains(part), "{text}");
        }
    }
}

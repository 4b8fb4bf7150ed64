//! What a rule's BY… parts ask of a day and of a time of day (RFC 5545 §3.3.10).

use chrono::{Datelike, NaiveDate, NaiveDateTime, TimeDelta, Timelike, Weekday};

use super::rule::{Frequency, Rule};

/// What stays the same over all periods of a series.
pub(crate) struct Plan {
    /// Ascending; empty: all.
    pub(crate) months: Vec<i32>,
    month_days: Vec<i32>,
    weekdays: Vec<Weekday>,
    /// Times of day of a Daily or longer period, or offsets within a shorter one.
    pub(crate) times: Vec<i64>,
}

impl Plan {
    pub(crate) fn new(rule: &Rule, start: NaiveDateTime) -> Self {
        use Frequency::{Daily, Hourly, Minutely, Monthly, Secondly, Weekly, Yearly};
        let mut months = rule.by_month.clone();
        let mut month_days = rule.by_month_day.clone();
        let mut weekdays = Vec::new();
        // §3.3.10: what the rule leaves open is taken from DTSTART.
        let no_day =
            rule.by_month_day.is_empty() && rule.by_day.is_empty() && rule.by_year_day.is_empty();
        match rule.frequency {
            Yearly if no_day && rule.by_week_no.is_empty() => {
                month_days.push(signed(start.day()));
                if months.is_empty() {
                    months.push(signed(start.month()));
                }
            }
            Yearly | Weekly if no_day => weekdays.push(start.weekday()),
            Monthly if no_day => month_days.push(signed(start.day())),
            Yearly | Monthly | Weekly | Daily | Hourly | Minutely | Secondly => {}
        }
        let or_start = |list: &[i32], value: u32| {
            if list.is_empty() {
                vec![signed(value)]
            } else {
                list.to_vec()
            }
        };
        let zero = vec![0];
        // Seconds within the period: parts longer than the period limit it elsewhere.
        let hours = if rule.frequency < Frequency::Daily {
            zero.clone()
        } else {
            or_start(&rule.by_hour, start.hour())
        };
        let minutes = if matches!(rule.frequency, Minutely | Secondly) {
            zero.clone()
        } else {
            or_start(&rule.by_minute, start.minute())
        };
        let seconds = if rule.frequency == Secondly {
            zero
        } else {
            or_start(&rule.by_second, start.second())
        };
        debug_assert!(rule.frequency != Hourly || hours.len() == 1);
        let mut times = Vec::with_capacity(hours.len() * minutes.len() * seconds.len());
        for hour in &hours {
            for minute in &minutes {
                times.extend(
                    seconds
                        .iter()
                        .map(|second| i64::from(hour * 3600 + minute * 60 + second)),
                );
            }
        }
        times.dedup();
        Self {
            months,
            month_days,
            weekdays,
            times,
        }
    }

    /// Whether the day satisfies every BY… part that concerns days.
    pub(crate) fn allows(&self, rule: &Rule, day: NaiveDate) -> bool {
        let month_length = i32::from(day.num_days_in_month());
        let year_length = if day.leap_year() { 366 } else { 365 };
        let (day_of_month, day_of_year) = (signed(day.day()), signed(day.ordinal()));
        let listed = |list: &[i32], place: i32, length: i32| {
            list.is_empty() || list.contains(&place) || list.contains(&(place - length - 1))
        };
        (self.months.is_empty() || self.months.contains(&signed(day.month())))
            && listed(&self.month_days, day_of_month, month_length)
            && listed(&rule.by_year_day, day_of_year, year_length)
            && (rule.by_week_no.is_empty() || in_weeks(&rule.by_week_no, day, rule.week_start))
            && (self.weekdays.is_empty() || self.weekdays.contains(&day.weekday()))
            && (rule.by_day.is_empty()
                || rule.by_day.iter().any(|by| {
                    // The nth of the month, or of the year where no month is named.
                    let whole_year =
                        rule.frequency == Frequency::Yearly && rule.by_month.is_empty();
                    let (place, length) = if whole_year {
                        (day_of_year, year_length)
                    } else {
                        (day_of_month, month_length)
                    };
                    by.weekday == day.weekday()
                        && by.nth.is_none_or(|nth| {
                            nth == (place - 1) / 7 + 1 || -nth == (length - place) / 7 + 1
                        })
                }))
    }
}

/// Whether the day lies in one of the numbered weeks. Week 1 is the first with
/// at least four days in its year; a day belongs to one week of one week-year.
fn in_weeks(weeks: &[i32], day: NaiveDate, week_start: Weekday) -> bool {
    let into_week = i64::from(day.weekday().days_since(week_start));
    // The fourth day of the week decides to which year the week belongs.
    let Some(fourth) = day.checked_add_signed(TimeDelta::days(3 - into_week)) else {
        return false;
    };
    let number = (signed(fourth.ordinal()) - 1) / 7 + 1;
    let year_length = if fourth.leap_year() { 366 } else { 365 };
    let last = (year_length - signed(fourth.ordinal())) / 7 + number;
    weeks.contains(&number) || weeks.contains(&(number - last - 1))
}

/// Calendar numbers are small; as `i32` they can be counted from the end too.
pub(crate) fn signed(number: u32) -> i32 {
    i32::try_from(number).unwrap_or(i32::MAX)
}

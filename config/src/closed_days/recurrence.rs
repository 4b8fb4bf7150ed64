//! Whether an entry comes again: the rules that our forms know, read from a calendar
//! and written into one.

use chrono::{Datelike, NaiveDate, Weekday};

use crate::calendar::{ByDay, Event, Frequency, Moment, Rule, Until, Zone};

/// Whether an entry comes again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Recurrence {
    /// It does not.
    Once,
    /// On the same days each year, up to and including a year if one is given.
    Yearly(Option<i32>),
    /// By one of the rules that follow from its first day, up to and including a day
    /// if one is given.
    Each(Each, Option<NaiveDate>),
    /// By a rule that another program wrote.
    Other,
}

/// How often an entry comes again, beside each year on the same days.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Each {
    /// Each week on the weekday of its first day.
    Week,
    /// Each second week, likewise.
    SecondWeek,
    /// Each month on the same day of the month; months without it are left out.
    Month,
    /// Each month on the same weekday, counted as its first day is: the first to the
    /// fourth, or the last.
    MonthWeekday,
    /// Each year on the same weekday of its month, counted likewise.
    YearWeekday,
}

/// The how-manieth of its weekday a day is in its month: 1 to 4, or −1 for a fifth,
/// which is the last.
#[must_use]
pub fn nth_weekday(day: NaiveDate) -> i32 {
    let nth = i32::try_from((day.day() - 1) / 7 + 1).unwrap_or(1);
    if nth > 4 { -1 } else { nth }
}

/// Weekdays as RFC 5545 §3.3.10 writes them.
const fn short(weekday: Weekday) -> &'static str {
    match weekday {
        Weekday::Mon => "MO",
        Weekday::Tue => "TU",
        Weekday::Wed => "WE",
        Weekday::Thu => "TH",
        Weekday::Fri => "FR",
        Weekday::Sat => "SA",
        Weekday::Sun => "SU",
    }
}

impl Recurrence {
    /// The RRULE without its UNTIL; `None` where there is none of our own to write.
    pub(super) fn rule(self, first: NaiveDate) -> Option<String> {
        let day = format!("{}{}", nth_weekday(first), short(first.weekday()));
        match self {
            Self::Once | Self::Other => None,
            Self::Yearly(_) => Some("FREQ=YEARLY".to_owned()),
            Self::Each(Each::Week, _) => Some("FREQ=WEEKLY".to_owned()),
            Self::Each(Each::SecondWeek, _) => Some("FREQ=WEEKLY;INTERVAL=2".to_owned()),
            Self::Each(Each::Month, _) => Some("FREQ=MONTHLY".to_owned()),
            Self::Each(Each::MonthWeekday, _) => Some(format!("FREQ=MONTHLY;BYDAY={day}")),
            Self::Each(Each::YearWeekday, _) => {
                Some(format!("FREQ=YEARLY;BYMONTH={};BYDAY={day}", first.month()))
            }
        }
    }

    /// The last day on which it may begin.
    pub(super) fn until(self) -> Option<NaiveDate> {
        match self {
            Self::Yearly(Some(year)) => NaiveDate::from_ymd_opt(year, 12, 31),
            Self::Each(_, until) => until,
            Self::Once | Self::Yearly(None) | Self::Other => None,
        }
    }

    /// In words, with what goes before them; nothing where it does not come again.
    pub(super) fn in_words(self, first: NaiveDate) -> String {
        let nth = match nth_weekday(first) {
            1 => "first",
            2 => "second",
            3 => "third",
            4 => "fourth",
            _ => "last",
        };
        let weekday = first.format("%A");
        let told = match self {
            Self::Once => return String::new(),
            Self::Yearly(None) => return ", each year".to_owned(),
            Self::Yearly(Some(year)) => return format!(", each year until {year}"),
            Self::Other => return ", by a rule of its own".to_owned(),
            Self::Each(Each::Week, _) => format!(", each {weekday}"),
            Self::Each(Each::SecondWeek, _) => format!(", each second {weekday}"),
            Self::Each(Each::Month, _) => format!(", each month on day {}", first.day()),
            Self::Each(Each::MonthWeekday, _) => format!(", each month on the {nth} {weekday}"),
            Self::Each(Each::YearWeekday, _) => {
                format!(
                    ", each year on the {nth} {weekday} of {}",
                    first.format("%B")
                )
            }
        };
        match self.until() {
            Some(until) => format!("{told} until {until}"),
            None => told,
        }
    }

    /// What an event says.
    pub(super) fn of(event: &Event) -> Self {
        let first = event.start.wall().date();
        let rule = match event.rules.as_slice() {
            [] if event.extras.is_empty() => return Self::Once,
            [(rule, _)] if event.extras.is_empty() && event.excluded.is_empty() => rule,
            _ => return Self::Other,
        };
        let Ok(until) = last_day(rule, &event.start) else {
            return Self::Other;
        };
        let without = Rule {
            until: None,
            ..rule.clone()
        };
        if without == Rule::plain(Frequency::Yearly) {
            return Self::Yearly(until.map(|date| {
                if (date.month(), date.day()) < (first.month(), first.day()) {
                    date.year() - 1
                } else {
                    date.year()
                }
            }));
        }
        each(&without, first).map_or(Self::Other, |each| Self::Each(each, until))
    }
}

/// Which of our rules a rule without its end is, for an event that begins on `first`.
fn each(rule: &Rule, first: NaiveDate) -> Option<Each> {
    let weekday = |nth| ByDay {
        nth,
        weekday: first.weekday(),
    };
    let nth = weekday(Some(nth_weekday(first)));
    let number = |number: u32| i32::try_from(number).unwrap_or(0);
    // Where a week begins is no matter to a rule with one day in it.
    let rule = &Rule {
        week_start: Weekday::Mon,
        ..rule.clone()
    };
    let with = |frequency, by_day: Vec<ByDay>| Rule {
        by_day,
        ..Rule::plain(frequency)
    };
    let forms = [
        (Each::Week, with(Frequency::Weekly, vec![])),
        (Each::Week, with(Frequency::Weekly, vec![weekday(None)])),
        (
            Each::SecondWeek,
            Rule {
                interval: 2,
                ..with(Frequency::Weekly, vec![])
            },
        ),
        (
            Each::SecondWeek,
            Rule {
                interval: 2,
                ..with(Frequency::Weekly, vec![weekday(None)])
            },
        ),
        (Each::Month, with(Frequency::Monthly, vec![])),
        (
            Each::Month,
            Rule {
                by_month_day: vec![number(first.day())],
                ..Rule::plain(Frequency::Monthly)
            },
        ),
        (Each::MonthWeekday, with(Frequency::Monthly, vec![nth])),
        (
            Each::YearWeekday,
            Rule {
                by_month: vec![number(first.month())],
                ..with(Frequency::Yearly, vec![nth])
            },
        ),
    ];
    forms
        .into_iter()
        .find(|(_, form)| form == rule)
        .map(|(each, _)| each)
}

/// The last day on which a rule lets its event begin; an error where that depends on
/// where the file is read.
fn last_day(rule: &Rule, start: &Moment) -> Result<Option<NaiveDate>, ()> {
    match (rule.until, start.zone()) {
        (None, _) => Ok(None),
        (Some(Until::Date(date)), _) => Ok(Some(date)),
        (Some(Until::Wall(wall)), Zone::Floating | Zone::Utc | Zone::Iana(_)) => {
            Ok(Some(wall.date()))
        }
        (Some(Until::Utc(wall)), zone @ (Zone::Utc | Zone::Iana(_))) => {
            Ok(Some(zone.wall(wall.and_utc(), chrono_tz::UTC).date()))
        }
        (Some(Until::Utc(_)), Zone::Floating) | (Some(_), Zone::Own(_)) => Err(()),
    }
}

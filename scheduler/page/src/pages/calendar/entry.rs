//! From an entry to the fields of its form and back, with what is wrong at each.

use crate::form::{Complaints, Fields};
use crate::house::App;
use crate::sessions;
use crate::words::Words;
use chrono::{Datelike, NaiveDate, NaiveTime};
use leeside_config::closed_days::{Each, Entry, NewEntry, Recurrence};

/// Longest name of an entry.
const LONGEST: usize = 200;

/// The form as an old entry fills it.
pub(super) fn filled(fields: Fields, old: &Entry) -> Fields {
    let mut fields = fields
        .with("uid", old.uid.clone())
        .with("first", old.first.to_string())
        .with("name", old.name.clone());
    if old.last != old.first {
        fields = fields.with("last", old.last.to_string());
    }
    if let Some((from, to)) = old.times {
        fields = fields
            .with("from", from.format("%H:%M").to_string())
            .with("to", to.format("%H:%M").to_string());
    }
    if let Some(zone) = &old.zone {
        fields = fields.with("zone", zone.clone());
    }
    let until = match old.recurrence {
        Recurrence::Yearly(Some(year)) => NaiveDate::from_ymd_opt(year, 12, 31),
        Recurrence::Each(_, until) => until,
        Recurrence::Once | Recurrence::Yearly(None) | Recurrence::Other => None,
    };
    if let Some(until) = until {
        fields = fields.with("until", until.to_string());
    }
    fields.with("again", word_of(old.recurrence))
}

/// The words by which the form says how an entry comes again.
pub(super) const AGAIN: [(&str, &str); 7] = [
    ("", "calendar.again_not"),
    ("year", "calendar.again_year"),
    ("week", "calendar.again_week"),
    ("second_week", "calendar.again_second_week"),
    ("month", "calendar.again_month"),
    ("month_weekday", "calendar.again_month_weekday"),
    ("year_weekday", "calendar.again_year_weekday"),
];

/// The word of a recurrence, for forms and for programs.
pub(crate) const fn word_of(recurrence: Recurrence) -> &'static str {
    match recurrence {
        Recurrence::Once => "",
        Recurrence::Yearly(_) => "year",
        Recurrence::Each(Each::Week, _) => "week",
        Recurrence::Each(Each::SecondWeek, _) => "second_week",
        Recurrence::Each(Each::Month, _) => "month",
        Recurrence::Each(Each::MonthWeekday, _) => "month_weekday",
        Recurrence::Each(Each::YearWeekday, _) => "year_weekday",
        Recurrence::Other => "own",
    }
}

/// The recurrence that a word means, for an entry that begins on `first`.
pub(crate) fn recurrence(
    word: &str,
    first: NaiveDate,
    until: Option<NaiveDate>,
) -> Option<Recurrence> {
    let each = |each| Some(Recurrence::Each(each, until));
    match word {
        "" => Some(Recurrence::Once),
        "year" => Some(Recurrence::Yearly(until.map(|until| {
            // The last year in which its day still comes.
            let before = (until.month(), until.day()) < (first.month(), first.day());
            until.year() - i32::from(before)
        }))),
        "week" => each(Each::Week),
        "second_week" => each(Each::SecondWeek),
        "month" => each(Each::Month),
        "month_weekday" => each(Each::MonthWeekday),
        "year_weekday" => each(Each::YearWeekday),
        "own" => Some(Recurrence::Other),
        _ => None,
    }
}

/// The entry that a form means, or what is wrong with it.
pub(super) fn new_entry(
    app: &App,
    words: Words,
    fields: &Fields,
    wrong: &mut Complaints,
) -> Option<NewEntry> {
    let day = |text: &str| {
        let day = NaiveDate::parse_from_str(text, "%Y-%m-%d").ok()?;
        (1900..=2199).contains(&day.year()).then_some(day)
    };
    let name = fields.text("name");
    if name.is_empty() {
        wrong.at("name", words.say("sign_in.needed"));
    } else if name.chars().count() > LONGEST || name.chars().any(char::is_control) {
        wrong.at("name", words.say("calendar.name_long"));
    }
    let first = day(fields.text("first"));
    if first.is_none() {
        wrong.at("first", words.say("calendar.no_day"));
    }
    let last = match fields.some("last") {
        None => first,
        Some(text) => {
            let last = day(text);
            if last.is_none() {
                wrong.at("last", words.say("calendar.no_day"));
            }
            last
        }
    };
    if first.zip(last).is_some_and(|(first, last)| last < first) {
        wrong.at("last", words.say("calendar.backwards"));
    }
    let until = match fields.some("until") {
        None => None,
        Some(text) => {
            let until = day(text);
            if until.is_none_or(|until| first.is_some_and(|first| until < first)) {
                wrong.at("until", words.say("calendar.no_end"));
            } else if matches!(fields.text("again"), "" | "own") {
                wrong.at("until", words.say("calendar.end_without_series"));
            }
            until
        }
    };
    let times = times(words, fields, first == last, wrong);
    let recurrence = recurrence(fields.text("again"), first.unwrap_or_default(), until);
    if recurrence.is_none() {
        wrong.at("again", words.say("calendar.no_again"));
    }
    let (first, last) = first.zip(last).filter(|_| wrong.none())?;
    Some(NewEntry {
        first,
        last,
        name: name.to_owned(),
        times,
        recurrence: recurrence?,
        category: None,
        uid: format!(
            "{}@leeside",
            sessions::token().get(..32).unwrap_or_default()
        ),
        stamp: app.given.clock.now().wall.utc(),
    })
}

/// The times of day of a form, both or none.
fn times(
    words: Words,
    fields: &Fields,
    one_day: bool,
    wrong: &mut Complaints,
) -> Option<(NaiveTime, NaiveTime)> {
    let mut read = |name: &'static str| {
        let text = fields.some(name)?;
        let at = NaiveTime::parse_from_str(text, "%H:%M").ok();
        if at.is_none() {
            wrong.at(name, words.say("calendar.no_time"));
        }
        at
    };
    let (from, to) = (read("from"), read("to"));
    for (name, other) in [("from", "to"), ("to", "from")] {
        if fields.some(name).is_none() && fields.some(other).is_some() {
            wrong.at(name, words.say("calendar.both_times"));
        }
    }
    let (from, to) = from.zip(to)?;
    if one_day && to <= from && to != NaiveTime::MIN {
        wrong.at("to", words.say("calendar.time_backwards"));
    }
    Some((from, to))
}

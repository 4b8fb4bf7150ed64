//! Days that come again and days with times, added and changed.

#![expect(clippy::unwrap_used, reason = "tests")]

mod entry;

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use entry::entry;
use leeside_config::calendar::Calendar;
use leeside_config::closed_days::{Change, Each, NewEntry, Recurrence, apply, empty, list};

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn refused(text: &str, change: &Change) -> String {
    apply("house.ics", text, change).unwrap_err().to_string()
}

/// Whether it comes on a day.
type Comes<'a> = &'a dyn Fn(&NaiveDate) -> bool;

/// From and to, as a form has them.
type Times = Option<(chrono::NaiveTime, chrono::NaiveTime)>;

fn times(from: &str, to: &str) -> Times {
    let time = |text: &str| chrono::NaiveTime::parse_from_str(text, "%H:%M").unwrap();
    Some((time(from), time(to)))
}

/// The days on which a text's only event begins, in the years 2027 and 2028.
fn begins(text: &str) -> Vec<NaiveDate> {
    let (calendar, problems) = Calendar::parse("x", text);
    assert!(problems.is_empty(), "{problems:?}");
    let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
    let (from, to) = (at("2027-01-01T00:00:00Z"), at("2029-01-01T00:00:00Z"));
    let zone = chrono_tz::America::New_York;
    let all = calendar.occurrences(from, to, zone).occurrences;
    all.iter().map(|one| one.dates().0).collect()
}

/// What each rule means is written out here by the calendar's own arithmetic.
#[test]
fn each_rule_comes_when_it_says_with_and_without_times_and_is_read_back_the_same() {
    let first = date("2027-03-09"); // A Tuesday, the second of its month.
    let tuesday = |day: &NaiveDate| day.weekday() == chrono::Weekday::Tue;
    let second = |day: &NaiveDate| tuesday(day) && (8..=14).contains(&day.day());
    let weeks = |day: &NaiveDate| (*day - first).num_days() / 7;
    let rules: [(Each, Comes<'_>); 5] = [
        (Each::Week, &tuesday),
        (Each::SecondWeek, &|day| tuesday(day) && weeks(day) % 2 == 0),
        (Each::Month, &|day| day.day() == 9),
        (Each::MonthWeekday, &second),
        (Each::YearWeekday, &|day| second(day) && day.month() == 3),
    ];
    let until = date("2028-03-14"); // The second Tuesday again: still within.
    for (each, comes) in rules {
        for span in [None, times("06:30", "00:00")] {
            let mut new = entry("2027-03-09", "2027-03-09", "Cleaning");
            new.times = span;
            new.recurrence = Recurrence::Each(each, Some(until));
            let text = apply("x", &empty(), &Change::Add(new)).unwrap().text;
            let read = list("x", &text).unwrap().remove(0);
            assert_eq!(
                read.recurrence,
                Recurrence::Each(each, Some(until)),
                "{text}"
            );
            assert_eq!((read.first, read.last, read.times), (first, first, span));
            let wanted: Vec<NaiveDate> = first
                .iter_days()
                .take_while(|day| *day <= until)
                .filter(|day| comes(day))
                .collect();
            assert!(wanted.len() >= 2);
            assert_eq!(begins(&text), wanted, "{each:?} {span:?}");
        }
    }
    // A fifth is the last.
    let mut new = entry("2027-03-30", "2027-03-30", "Cleaning");
    new.recurrence = Recurrence::Each(Each::MonthWeekday, None);
    let text = apply("x", &empty(), &Change::Add(new)).unwrap().text;
    assert_eq!(
        begins(&text).get(..3).unwrap(),
        [date("2027-03-30"), date("2027-04-27"), date("2027-05-25")]
    );
    assert!(
        list("x", &text)
            .unwrap()
            .remove(0)
            .to_string()
            .contains("each month on the last Tuesday")
    );
}

/// What our form does not ask for stays: its own rule with what is left out of it,
/// zone, category, reminder.
#[test]
fn a_changed_entry_keeps_what_was_not_asked_for() {
    let old = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//example//EN\r\nBEGIN:VEVENT\r\nUID:a\r\nDTSTAMP:20270101T000000Z\r\nDTSTART;TZID=America/New_York:20270104T060000\r\nDTEND;TZID=America/New_York:20270104T150000\r\nRRULE:FREQ=DAILY;COUNT=9;BYDAY=MO,\r\n WE\r\nEXDATE;TZID=America/New_York:20270106T060000\r\nCATEGORIES:cleaning\r\nLOCATION:East side\r\nSUMMARY:Cleaning\r\nBEGIN:VALARM\r\nTRIGGER:-PT15M\r\nEND:VALARM\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n";
    let change = |change: &dyn Fn(&mut NewEntry)| {
        let mut new = entry("2027-01-04", "2027-01-04", "Cleaning, both");
        new.times = times("06:00", "16:00");
        new.recurrence = Recurrence::Other;
        change(&mut new);
        let uid = "a".to_owned();
        apply("x", old, &Change::Replace { uid, entry: new })
    };
    let kept = change(&|_| ()).unwrap().text;
    for line in [
        "DTSTART;TZID=America/New_York:20270104T060000\r\n",
        "DTEND;TZID=America/New_York:20270104T160000\r\n",
        "RRULE:FREQ=DAILY;COUNT=9;BYDAY=MO,WE\r\n",
        "EXDATE;TZID=America/New_York:20270106T060000\r\n",
        "CATEGORIES:cleaning\r\n",
        "LOCATION:East side\r\n",
        "SUMMARY:Cleaning\\, both\r\n",
        "BEGIN:VALARM\r\nTRIGGER:-PT15M\r\nEND:VALARM\r\n",
    ] {
        assert_eq!(kept.matches(line).count(), 1, "{line} in {kept}");
    }
    assert!(!kept.contains("UID:a\r\n") && kept.matches("BEGIN:VEVENT").count() == 1);
    let weekly = change(&|new| {
        new.recurrence = Recurrence::Each(Each::Week, Some(date("2027-02-01")));
        new.category = Some("other".into());
    });
    let weekly = weekly.unwrap().text;
    // The end is an instant there (RFC 5545 §3.3.10): 23:59:59 in New York.
    assert!(
        weekly.contains("RRULE:FREQ=WEEKLY;UNTIL=20270202T045959Z\r\n"),
        "{weekly}"
    );
    assert!(!weekly.contains("EXDATE") && !weekly.contains("CATEGORIES:cleaning"));
    assert_eq!(
        list("x", &weekly).unwrap().remove(0).recurrence,
        Recurrence::Each(Each::Week, Some(date("2027-02-01")))
    );
    let of_its_own = |new: NewEntry| refused(&empty(), &Change::Add(new));
    let mut new = entry("2027-01-04", "2027-01-04", "x");
    new.recurrence = Recurrence::Other;
    assert!(of_its_own(new.clone()).starts_with("a rule of its own can only be kept"));
    new.recurrence = Recurrence::Each(Each::Week, None);
    new.last = date("2027-01-11");
    assert!(of_its_own(new.clone()).starts_with("a whole week that comes again each week"));
    new.recurrence = Recurrence::Each(Each::Week, Some(date("2027-01-03")));
    assert!(of_its_own(new.clone()).starts_with("it ends on 2027-01-03"));
    new.recurrence = Recurrence::Once;
    new.last = new.first;
    new.times = times("15:00", "06:00");
    assert!(of_its_own(new).starts_with("it ends at 06:00 and begins at 15:00"));
}

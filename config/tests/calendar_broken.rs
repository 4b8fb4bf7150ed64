//! Broken and hostile calendars: what is said about them, and that they cost little.

#![expect(clippy::unwrap_used, reason = "tests")]

use std::fmt::Write as _;
use std::path::Path;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use leeside_config::calendar::{Calendar, Severity, usable};
use proptest::prelude::*;

fn instant(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// Every file in `broken_calendars` against the table beside it, to the letter. Set
/// `LEESIDE_WRITE_EXPECTED` to write the table anew, then read what changed.
#[test]
fn broken_files_get_the_diagnostics_of_the_table() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/broken_calendars");
    let mut names: Vec<String> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.ends_with(".ics"))
        .collect();
    names.sort();
    assert!(names.len() >= 30);
    let mut table = String::new();
    for name in &names {
        let (_, problems) = Calendar::parse(name, std::fs::read(folder.join(name)).unwrap());
        assert!(!problems.is_empty(), "{name}");
        for problem in &problems {
            writeln!(table, "{problem}").unwrap();
        }
        let odd = name.starts_with("29") || name.starts_with("30");
        assert_eq!(usable(&problems), odd, "{name}");
    }
    let expected = folder.join("expected.txt");
    if std::env::var_os("LEESIDE_WRITE_EXPECTED").is_some() {
        std::fs::write(&expected, &table).unwrap();
    }
    assert_eq!(table, std::fs::read_to_string(expected).unwrap());
}

fn hostile(rrule: &str) -> Calendar {
    let text = format!(
        "BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VEVENT\nUID:1\nDTSTART:19700101T000000Z\nRRULE:{rrule}\nEND:VEVENT\nEND:VCALENDAR\n"
    );
    let (calendar, problems) = Calendar::parse("hostile.ics", text);
    assert!(usable(&problems), "{rrule}: {problems:?}");
    calendar
}

/// Rules that recur too often are cut short and say so; the test would not end if
/// they were not.
#[test]
fn rules_that_never_stop_are_cut_short_with_a_diagnostic() {
    for rrule in [
        "FREQ=SECONDLY",
        "FREQ=SECONDLY;COUNT=1000000000",
        "FREQ=MINUTELY;COUNT=4000000000;BYSECOND=0,15,30,45",
        "FREQ=HOURLY;BYMINUTE=0,1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21,22,23,24,25,26,27,28,29,30;BYSECOND=0,1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21,22,23,24,25,26,27,28,29,30",
    ] {
        let expansion = hostile(rrule).occurrences(
            instant("2027-01-01T00:00:00Z"),
            instant("2028-01-01T00:00:00Z"),
            Tz::UTC,
        );
        let [problem] = expansion.diagnostics.as_slice() else {
            panic!("{rrule}: {:?}", expansion.diagnostics)
        };
        assert_eq!(
            (problem.line, problem.property.as_str(), problem.severity),
            (6, "RRULE", Severity::Error),
            "{rrule}"
        );
        assert!(expansion.occurrences.len() <= 200_000);
    }
}

/// Rules that look hostile but are not: entered in the middle, they cost nothing.
#[test]
fn long_running_rules_are_entered_in_the_middle() {
    for (rrule, count) in [
        ("FREQ=SECONDLY;INTERVAL=86400", 31),
        ("FREQ=SECONDLY;BYHOUR=0;BYMINUTE=0;BYSECOND=0", 31),
        ("FREQ=MINUTELY;BYMONTH=2;BYMONTHDAY=30", 0),
        (
            "FREQ=SECONDLY;BYMONTH=1;BYMONTHDAY=31;BYHOUR=23;BYMINUTE=59;BYSECOND=58,59",
            2,
        ),
        ("FREQ=SECONDLY;COUNT=4294967295;BYMONTH=2;BYMONTHDAY=30", 0),
        ("FREQ=YEARLY;INTERVAL=4000000000", 0),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", 0),
        ("FREQ=MONTHLY;BYDAY=MO;BYSETPOS=366,-366", 0),
        ("FREQ=DAILY;BYHOUR=0,12;BYSETPOS=2,-1,2", 31),
        ("FREQ=MONTHLY;BYMONTHDAY=-31,1;BYSETPOS=1,-1", 1),
    ] {
        let expansion = hostile(rrule).occurrences(
            instant("2027-01-01T00:00:00Z"),
            instant("2027-02-01T00:00:00Z"),
            Tz::UTC,
        );
        assert_eq!(expansion.diagnostics, [], "{rrule}");
        assert_eq!(expansion.occurrences.len(), count, "{rrule}");
    }
}

#[test]
fn what_is_too_large_is_refused() {
    let event =
        |n: usize| format!("BEGIN:VEVENT\nUID:{n}\nDTSTART;VALUE=DATE:20270101\nEND:VEVENT\n");
    let many: String = (0..=10_000).map(event).collect();
    let (_, problems) = Calendar::parse(
        "many.ics",
        format!("BEGIN:VCALENDAR\nVERSION:2.0\n{many}END:VCALENDAR\n"),
    );
    assert_eq!(problems.len(), 1);
    assert_eq!(problems[0].message, "more than 10000 events");
    let (_, problems) = Calendar::parse("large.ics", vec![b'x'; 8 * 1024 * 1024 + 1]);
    assert_eq!(problems.len(), 1);
    let (_, problems) = Calendar::parse("complaints.ics", "no colon\n".repeat(100_000));
    assert_eq!(problems.len(), 201);
    assert_eq!(problems[200].message, "99801 more problems are not shown");
}

#[test]
fn names_with_escapes_folds_and_quotes_are_read() {
    let bytes = b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTART;VALUE=DATE;X-NOTE=\"a;b:c,d\":20270101\r\nSUMMARY;LANGUAGE=de:Klei\r\n ne\\, gro\xc3\r\n \x9fe\\; und\\nneue\\\\\r\nCATEGORIES:cleaning,night\\, open\r\nEND:VEVENT\r\nEND:VCALENDAR";
    // The second fold cuts a character in two, which RFC 5545 §3.1 allows.
    let (calendar, problems) = Calendar::parse("x", &bytes[..]);
    assert_eq!(problems, []);
    let list = calendar
        .occurrences(
            instant("2026-01-01T00:00:00Z"),
            instant("2028-01-01T00:00:00Z"),
            Tz::Europe__Berlin,
        )
        .occurrences;
    assert_eq!(list[0].summary, "Kleine, große; und\nneue\\");
    assert_eq!(list[0].categories, ["cleaning", "night, open"]);
}

/// Lines from which a random file is put together, so that many get past the reader.
fn fragment() -> impl Strategy<Value = String> {
    let fixed = prop::sample::select(vec![
        "BEGIN:VCALENDAR",
        "END:VCALENDAR",
        "VERSION:2.0",
        "BEGIN:VEVENT",
        "END:VEVENT",
        "UID:1",
        "SUMMARY:x",
        "STATUS:CANCELLED",
        "BEGIN:VTIMEZONE",
        "END:VTIMEZONE",
        "TZID:House",
        "BEGIN:STANDARD",
        "END:STANDARD",
        "TZOFFSETFROM:+0100",
        "TZOFFSETTO:-2359",
        "DTSTART:19700101T000000",
        "DTSTART;VALUE=DATE:20270101",
        "DTSTART;TZID=House:99991231T235960",
        "DTEND:00010101T000000Z",
        "DURATION:P36525D",
        "DURATION:PT9999999999999999999S",
        "RDATE;VALUE=PERIOD:20270101T000000Z/PT1H",
        "EXDATE:20270101",
        "RECURRENCE-ID;RANGE=THISANDFUTURE:00010101T000000",
        "RECURRENCE-ID:99991231T000000Z",
    ])
    .prop_map(str::to_owned);
    let rule = "RRULE:(FREQ=(YEARLY|MONTHLY|WEEKLY|DAILY|HOURLY|SECONDLY))(;INTERVAL=[0-9]{1,11})?(;COUNT=[0-9]{1,4})?(;BY(DAY|MONTH|MONTHDAY|WEEKNO|YEARDAY|HOUR|SETPOS)=-?[0-9]{0,3}(MO|SU)?){0,3}(;UNTIL=[0-9]{8}(T[0-9]{6}Z?)?)?";
    prop_oneof![4 => fixed, 2 => rule, 1 => "[A-Z]{1,9}(;[A-Z]{1,4}=\"?[a-z/:]{0,9}\"?)?:\\PC{0,20}", 1 => "[ \t]\\PC{0,9}"]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn arbitrary_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let (calendar, _) = Calendar::parse("x", bytes);
        let _ = calendar.occurrences(instant("2027-01-01T00:00:00Z"), instant("2028-01-01T00:00:00Z"), Tz::Europe__Berlin);
    }

    #[test]
    fn arbitrary_properties_never_panic(lines in prop::collection::vec(fragment(), 0..25), crlf in any::<bool>()) {
        let text = lines.join(if crlf { "\r\n" } else { "\n" });
        let event = format!("BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VEVENT\n{text}\nEND:VEVENT\nEND:VCALENDAR\n");
        for text in [text, event] {
            let (calendar, _) = Calendar::parse("x", text);
            for (from, to) in [("0000-01-01T00:00:00Z", "0003-01-01T00:00:00Z"), ("2027-01-01T00:00:00Z", "2028-01-01T00:00:00Z"), ("9999-01-01T00:00:00Z", "9999-12-31T23:59:59Z")] {
                let inside = calendar.occurrences(instant(from), instant(to), Tz::Pacific__Apia);
                let over = calendar.overlapping(instant(from), instant(to), Tz::Pacific__Apia);
                prop_assert!(inside.occurrences.iter().all(|o| o.start >= instant(from) && o.start < instant(to) && o.end >= o.start));
                prop_assert!(inside.diagnostics.is_empty() && over.diagnostics.is_empty() || inside.occurrences.len() <= 200_000);
            }
        }
    }
}

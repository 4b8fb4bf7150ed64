//! How single properties are read: lengths, ends of rules, exceptions, zones, UIDs.

#![expect(clippy::unwrap_used, reason = "tests")]

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use leeside_config::calendar::{Calendar, usable};

fn early() -> DateTime<Utc> {
    "1900-01-01T00:00:00Z".parse().unwrap()
}

fn late() -> DateTime<Utc> {
    "2100-01-01T00:00:00Z".parse().unwrap()
}

fn calendar(body: &str) -> String {
    format!("BEGIN:VCALENDAR\nVERSION:2.0\n{body}\nEND:VCALENDAR\n")
}

fn event(body: &str) -> String {
    calendar(&format!("BEGIN:VEVENT\nUID:1\n{body}\nEND:VEVENT"))
}

/// Begin and end of each occurrence as instants, and what was said on the way.
fn read(text: &str) -> (Vec<String>, Vec<String>) {
    let (calendar, problems) = Calendar::parse("x", text);
    let said = problems.iter().map(|p| p.message.clone()).collect();
    if !usable(&problems) {
        return (vec!["refused".to_owned()], said);
    }
    let list = calendar
        .occurrences(early(), late(), Tz::Europe__Berlin)
        .occurrences;
    (
        list.iter()
            .map(|o| format!("{} {}", o.start.format("%FT%R"), o.end.format("%FT%R")))
            .collect(),
        said,
    )
}

fn times(body: &str) -> Vec<String> {
    read(&event(body)).0
}

/// RFC 5545 §3.6.1 and §3.8.2.2: what lasts how long.
#[test]
fn lengths() {
    // A date alone is its day; the site's midnights in Berlin are 23:00 and 22:00 UTC.
    assert_eq!(
        times("DTSTART;VALUE=DATE:20270104"),
        ["2027-01-03T23:00 2027-01-04T23:00"]
    );
    assert_eq!(
        times("DTSTART;VALUE=DATE:20270328"),
        ["2027-03-27T23:00 2027-03-28T22:00"]
    );
    assert_eq!(
        times("DTSTART;VALUE=DATE:20270104\nDURATION:P0D"),
        ["2027-01-03T23:00 2027-01-04T23:00"]
    );
    assert_eq!(
        times("DTSTART;VALUE=DATE:20270104\nDURATION:P2D"),
        ["2027-01-03T23:00 2027-01-05T23:00"]
    );
    assert_eq!(
        times("DTSTART;VALUE=DATE:20270104\nDTEND;VALUE=DATE:20270104"),
        ["2027-01-03T23:00 2027-01-04T23:00"]
    );
    assert_eq!(
        times("DTSTART;VALUE=DATE:20270104\nDURATION:P1DT1S"),
        ["refused"]
    );
    assert_eq!(
        times("DTSTART;VALUE=DATE:20270104\nDTEND;VALUE=DATE:20270106"),
        ["2027-01-03T23:00 2027-01-05T23:00"]
    );
    // A time alone is a moment.
    assert_eq!(
        times("DTSTART:20270104T080000Z"),
        ["2027-01-04T08:00 2027-01-04T08:00"]
    );
    assert_eq!(
        times("DTSTART:20270104T080000Z\nDTEND:20270104T080000Z"),
        ["2027-01-04T08:00 2027-01-04T08:00"]
    );
    assert_eq!(
        times("DTSTART:20270104T080000Z\nDTEND:20270104T075959Z"),
        ["refused"]
    );
    // Both ends may have zones of their own, but not one of them none.
    assert_eq!(
        times(
            "DTSTART;TZID=Europe/Berlin:20270104T080000\nDTEND;TZID=America/New_York:20270104T080000"
        ),
        ["2027-01-04T07:00 2027-01-04T13:00"]
    );
    assert_eq!(
        times("DTSTART:20270104T080000\nDTEND:20270104T093000"),
        ["2027-01-04T07:00 2027-01-04T08:30"]
    );
    assert_eq!(
        times("DTSTART:20270104T080000\nDTEND:20270104T093000Z"),
        ["refused"]
    );
    assert_eq!(
        times("DTSTART:20270104T080000Z\nDTEND:20270104T093000"),
        ["refused"]
    );
    assert_eq!(
        times("DTSTART:20270104T080000Z\nDTEND;VALUE=DATE:20270105"),
        ["refused"]
    );
    // Days by the calendar, then the rest exactly.
    assert_eq!(
        times("DTSTART;TZID=Europe/Berlin:20270327T120000\nDURATION:P1DT2H"),
        ["2027-03-27T11:00 2027-03-28T12:00"]
    );
}

/// UNTIL is inclusive, in each of its forms (RFC 5545 §3.3.10).
#[test]
fn ends_of_rules() {
    let count = |start: &str, until: &str| {
        times(&format!("DTSTART{start}\nRRULE:FREQ=DAILY;UNTIL={until}")).len()
    };
    assert_eq!(count(";VALUE=DATE:20270104", "20270106"), 3);
    assert_eq!(count(";VALUE=DATE:20270104", "20270104"), 1);
    assert_eq!(count(";VALUE=DATE:20270104", "20270103"), 0);
    assert_eq!(count(";VALUE=DATE:20270104", "20270106T000000Z"), 3);
    assert_eq!(count(":20270104T080000", "20270106T080000"), 3);
    assert_eq!(count(":20270104T080000", "20270106T075959"), 2);
    assert_eq!(count(":20270104T080000", "20270104T080000"), 1);
    assert_eq!(count(":20270104T080000", "20270104T075959"), 0);
    assert_eq!(count(":20270104T080000", "20270106"), 3);
    assert_eq!(count(":20270104T080000", "20270106T070000Z"), 3);
    assert_eq!(count(":20270104T080000", "20270106T065959Z"), 2);
    assert_eq!(
        count(";TZID=Europe/Berlin:20270104T080000", "20270106T070000Z"),
        3
    );
    assert_eq!(
        count(";TZID=Europe/Berlin:20270104T080000", "20270106T080000"),
        3
    );
    assert_eq!(
        count(";TZID=Europe/Berlin:20270104T080000", "20270104T070000Z"),
        1
    );
    // Whichever comes first, where both stand there.
    assert_eq!(count(":20270104T080000", "20270106T080000;COUNT=2"), 2);
    assert_eq!(count(":20270104T080000", "20270106T080000;COUNT=9"), 3);
}

/// DTSTART is the first occurrence and counts, in its rule or not (§3.8.5.3, §3.3.10).
#[test]
fn a_begin_outside_its_rule() {
    let days = |rule: &str| -> Vec<String> {
        times(&format!("DTSTART:20270104T080000Z\n{rule}"))
            .iter()
            .map(|t| t[..10].to_owned())
            .collect()
    };
    assert_eq!(
        days("RRULE:FREQ=WEEKLY;BYDAY=TU;COUNT=3"),
        ["2027-01-04", "2027-01-05", "2027-01-12"]
    );
    assert_eq!(
        days("RRULE:FREQ=WEEKLY;BYDAY=MO;COUNT=3"),
        ["2027-01-04", "2027-01-11", "2027-01-18"]
    );
    assert_eq!(days("RRULE:FREQ=WEEKLY;BYDAY=TU;COUNT=1"), ["2027-01-04"]);
    assert_eq!(
        days("RRULE:FREQ=DAILY;COUNT=3\nEXDATE:20270104T080000Z"),
        ["2027-01-05", "2027-01-06"]
    );
    // A week without a day of its own takes DTSTART's (§3.3.10).
    assert_eq!(
        days("RRULE:FREQ=YEARLY;BYWEEKNO=1;COUNT=2"),
        ["2027-01-04", "2028-01-03"]
    );
    assert_eq!(
        days("RRULE:FREQ=YEARLY;BYMONTH=1,3;COUNT=3"),
        ["2027-01-04", "2027-03-04", "2028-01-04"]
    );
}

/// Exceptions given otherwise than DTSTART is.
#[test]
fn exceptions() {
    let starts = |body: &str| -> Vec<String> {
        times(body)
            .iter()
            .map(|t| t.chars().take(16).collect())
            .collect()
    };
    assert_eq!(
        starts(
            "DTSTART;TZID=Europe/Berlin:20270104T080000\nRRULE:FREQ=DAILY;COUNT=3\nEXDATE;VALUE=DATE:20270105"
        ),
        ["2027-01-04T07:00", "2027-01-06T07:00"]
    );
    assert_eq!(
        starts("DTSTART;VALUE=DATE:20270104\nRRULE:FREQ=DAILY;COUNT=3\nEXDATE:20270105T000000"),
        ["2027-01-03T23:00", "2027-01-05T23:00"]
    );
    assert_eq!(
        starts(
            "DTSTART;TZID=Europe/Berlin:20270104T080000\nRRULE:FREQ=DAILY;COUNT=3\nEXDATE;TZID=America/New_York:20270105T020000"
        ),
        ["2027-01-04T07:00", "2027-01-06T07:00"]
    );
    // The same day at another time is another occurrence.
    assert_eq!(starts("DTSTART;TZID=Europe/Berlin:20270104T080000\nRRULE:FREQ=DAILY;COUNT=2\nEXDATE;TZID=Europe/Berlin:20270105T080001").len(), 2);
    assert_eq!(
        starts("DTSTART;VALUE=DATE:20270104\nRDATE:20270106T080000Z"),
        ["refused"]
    );
    assert_eq!(
        starts("DTSTART:20270104T080000Z\nRDATE;VALUE=PERIOD:20270106T080000Z/20270106T070000Z"),
        ["refused"]
    );
}

#[test]
fn lists_that_are_too_long_are_refused() {
    let dates = |count: usize| vec!["20270104"; count].join(",");
    for property in ["RDATE", "EXDATE"] {
        let body = |count| {
            event(&format!(
                "DTSTART;VALUE=DATE:20270104\n{property};VALUE=DATE:{}",
                dates(count)
            ))
        };
        assert_eq!(read(&body(10_000)).1, Vec::<String>::new(), "{property}");
        assert_eq!(
            read(&body(10_001)).1,
            ["more than 10000 dates in one event"],
            "{property}"
        );
    }
    let rules = |count| {
        event(&format!(
            "DTSTART;VALUE=DATE:20270104{}",
            "\nRRULE:FREQ=YEARLY;COUNT=2".repeat(count)
        ))
    };
    assert_eq!(read(&rules(20)).1.len(), 1);
    assert!(
        read(&rules(21))
            .1
            .contains(&"more than 20 rules in one event".to_owned())
    );
}

#[test]
fn calendar_properties() {
    let with = |line: &str| {
        read(&calendar(&format!(
            "{line}\nBEGIN:VEVENT\nUID:1\nDTSTART;VALUE=DATE:20270104\nEND:VEVENT"
        )))
    };
    assert_eq!(
        with("CALSCALE:Gregorian"),
        (vec!["2027-01-03T23:00 2027-01-04T23:00".to_owned()], vec![])
    );
    assert_eq!(
        with("CALSCALE:JULIAN").1,
        ["only the Gregorian calendar is read"]
    );
}

/// One UID twice: the higher SEQUENCE counts, and where they are equal both do.
#[test]
fn one_uid_twice() {
    let pair = |a: u32, b: u32| {
        let one = |day: &str, sequence: u32| {
            format!(
                "BEGIN:VEVENT\nUID:1\nSEQUENCE:{sequence}\nDTSTART;VALUE=DATE:{day}\nEND:VEVENT"
            )
        };
        let (list, said) = read(&calendar(&format!(
            "{}\n{}",
            one("20270104", a),
            one("20270111", b)
        )));
        assert_eq!(said.len(), 1);
        list.iter().map(|t| t[..10].to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(pair(0, 0), ["2027-01-03", "2027-01-10"]);
    assert_eq!(pair(1, 0), ["2027-01-03"]);
    assert_eq!(pair(0, 1), ["2027-01-10"]);
    let change = |sequence: u32, day: &str| {
        format!(
            "BEGIN:VEVENT\nUID:1\nSEQUENCE:{sequence}\nRECURRENCE-ID;VALUE=DATE:20270105\nDTSTART;VALUE=DATE:{day}\nEND:VEVENT"
        )
    };
    let series =
        "BEGIN:VEVENT\nUID:1\nDTSTART;VALUE=DATE:20270104\nRRULE:FREQ=DAILY;COUNT=2\nEND:VEVENT";
    let moved = |a: String, b: String| {
        read(&calendar(&format!("{series}\n{a}\n{b}")))
            .0
            .iter()
            .map(|t| t[..10].to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(
        moved(change(2, "20270201"), change(1, "20270301")),
        ["2027-01-03", "2027-01-31"]
    );
    assert_eq!(
        moved(change(1, "20270201"), change(2, "20270301")),
        ["2027-01-03", "2027-02-28"]
    );
    assert_eq!(
        moved(change(1, "20270201"), change(1, "20270301")),
        ["2027-01-03", "2027-02-28"]
    );
}

/// A zone west of Greenwich, by its own rules, and one that never changes.
#[test]
fn custom_zones_west_and_fixed() {
    let zone = |parts: &str| {
        calendar(&format!(
            "BEGIN:VTIMEZONE\nTZID:House\n{parts}\nEND:VTIMEZONE\nBEGIN:VEVENT\nUID:1\nDTSTART;TZID=House:20270704T090000\nRRULE:FREQ=YEARLY;BYMONTH=1,7;BYMONTHDAY=4;COUNT=2\nEND:VEVENT"
        ))
    };
    let part = |name: &str, start: &str, from: &str, to: &str, rule: &str| {
        format!(
            "BEGIN:{name}\nDTSTART:{start}\nTZOFFSETFROM:{from}\nTZOFFSETTO:{to}\n{rule}END:{name}"
        )
    };
    let west = format!(
        "{}\n{}",
        part(
            "DAYLIGHT",
            "20070311T020000",
            "-0330",
            "-0230",
            "RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU\n"
        ),
        part(
            "STANDARD",
            "20071104T020000",
            "-0230",
            "-0330",
            "RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU\n"
        )
    );
    let starts = |text: &str| {
        read(text)
            .0
            .iter()
            .map(|t| t[..16].to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(
        starts(&zone(&west)),
        ["2027-07-04T11:30", "2028-01-04T12:30"]
    );
    assert_eq!(
        starts(&zone(&part(
            "STANDARD",
            "19700101T000000",
            "+0545",
            "+0545",
            ""
        ))),
        ["2027-07-04T03:15", "2028-01-04T03:15"]
    );
    // Before the first change its TZOFFSETFROM holds.
    assert_eq!(
        starts(&zone(&part(
            "STANDARD",
            "20270901T000000",
            "+0100",
            "+0300",
            ""
        ))),
        ["2027-07-04T08:00", "2028-01-04T06:00"]
    );
    assert_eq!(
        read(&zone(&part(
            "STANDARD",
            "19700101T000000Z",
            "+0100",
            "+0100",
            ""
        )))
        .1,
        ["a zone's DTSTART must be a local time without Z"]
    );
}

/// Where local times of the event's zone and of the asked zone differ.
#[test]
fn local_times_are_those_of_the_asked_zone() {
    let (calendar, _) = Calendar::parse(
        "x",
        event("DTSTART;TZID=America/New_York:20270104T200000\nDURATION:PT2H\nSUMMARY:far away"),
    );
    let list = calendar
        .occurrences(early(), late(), Tz::Europe__Berlin)
        .occurrences;
    assert_eq!(
        (
            list[0].start_local.to_string(),
            list[0].end_local.to_string()
        ),
        (
            "2027-01-05 02:00:00".to_owned(),
            "2027-01-05 04:00:00".to_owned()
        )
    );
    let dates = |body: &str| {
        let (calendar, _) = Calendar::parse("x", event(body));
        let (first, end) = calendar
            .occurrences(early(), late(), Tz::Europe__Berlin)
            .occurrences[0]
            .dates();
        format!("{first} {end}")
    };
    assert_eq!(
        dates("DTSTART:20270104T220000\nDURATION:PT2H"),
        "2027-01-04 2027-01-05"
    );
    assert_eq!(
        dates("DTSTART:20270104T220000\nDURATION:PT3H"),
        "2027-01-04 2027-01-06"
    );
    assert_eq!(dates("DTSTART:20270104T000000"), "2027-01-04 2027-01-05");
    assert_eq!(
        dates("DTSTART;VALUE=DATE:20270104\nDURATION:P2D"),
        "2027-01-04 2027-01-06"
    );
}

/// An override of this and all later occurrences may move them far: the range that
/// is asked then lies far from the occurrences that it concerns.
#[test]
fn far_moves_of_this_and_future_are_found() {
    let series = |to: &str| {
        calendar(&format!(
            "BEGIN:VEVENT\nUID:1\nDTSTART;VALUE=DATE:20270601\nRRULE:FREQ=DAILY;COUNT=4\nEND:VEVENT\nBEGIN:VEVENT\nUID:1\nRECURRENCE-ID;RANGE=THISANDFUTURE;VALUE=DATE:20270602\nDTSTART;VALUE=DATE:{to}\nEND:VEVENT"
        ))
    };
    for (to, from, until, wanted) in [
        (
            "20271001",
            "2027-09-30T00:00:00Z",
            "2027-10-10T00:00:00Z",
            ["2027-10-01", "2027-10-02", "2027-10-03"],
        ),
        (
            "20270201",
            "2027-01-31T00:00:00Z",
            "2027-02-10T00:00:00Z",
            ["2027-02-01", "2027-02-02", "2027-02-03"],
        ),
    ] {
        let (calendar, problems) = Calendar::parse("x", series(to));
        assert!(problems.is_empty());
        let list = calendar
            .occurrences(
                from.parse().unwrap(),
                until.parse().unwrap(),
                Tz::Europe__Berlin,
            )
            .occurrences;
        assert_eq!(
            list.iter()
                .map(|o| o.start_local.date().to_string())
                .collect::<Vec<_>>(),
            wanted
        );
    }
}

/// A series that is called off from one day on keeps the days before it (RFC 5545
/// §3.2.13 with §3.8.1.11: RANGE=THISANDFUTURE, STATUS:CANCELLED).
#[test]
fn a_series_called_off_from_one_day_on_keeps_the_days_before() {
    let (calendar, problems) = Calendar::parse(
        "x",
        calendar(
            "BEGIN:VEVENT\nUID:1\nDTSTART;VALUE=DATE:20270601\nRRULE:FREQ=DAILY;COUNT=5\nEND:VEVENT\nBEGIN:VEVENT\nUID:1\nRECURRENCE-ID;RANGE=THISANDFUTURE;VALUE=DATE:20270603\nDTSTART;VALUE=DATE:20270603\nSTATUS:CANCELLED\nEND:VEVENT",
        ),
    );
    assert!(problems.is_empty());
    let (from, to) = ("2027-05-01T00:00:00Z", "2027-07-01T00:00:00Z");
    let list = calendar.occurrences(
        from.parse().unwrap(),
        to.parse().unwrap(),
        Tz::Europe__Berlin,
    );
    let days = list.occurrences.iter();
    let days: Vec<_> = days.map(|o| o.start_local.date().to_string()).collect();
    assert_eq!(days, ["2027-06-01", "2027-06-02"]);
}

/// Of several changes of a series the latest that has begun counts (§3.2.13), in
/// whatever order the file has them.
#[test]
fn the_latest_change_of_a_series_counts_whatever_the_order_in_the_file() {
    let change = |day: &str| {
        format!(
            "\nBEGIN:VEVENT\nUID:1\nRECURRENCE-ID;RANGE=THISANDFUTURE;VALUE=DATE:{day}\nDTSTART;VALUE=DATE:{day}\nSUMMARY:{day}\nEND:VEVENT"
        )
    };
    let series = "BEGIN:VEVENT\nUID:1\nDTSTART;VALUE=DATE:20270601\nRRULE:FREQ=DAILY;COUNT=5\nSUMMARY:first\nEND:VEVENT";
    for days in [["20270602", "20270604"], ["20270604", "20270602"]] {
        let text = format!("{series}{}{}", change(days[0]), change(days[1]));
        let (calendar, problems) = Calendar::parse("x", calendar(&text));
        assert!(problems.is_empty());
        let (from, to) = ("2027-05-01T00:00:00Z", "2027-07-01T00:00:00Z");
        let list = calendar.occurrences(from.parse().unwrap(), to.parse().unwrap(), Tz::UTC);
        let told = list.occurrences.iter();
        let told: Vec<_> = told
            .map(|o| format!("{} {}", o.start_local.date().format("%d"), o.summary))
            .collect();
        let wanted = [
            "01 first",
            "02 20270602",
            "03 20270602",
            "04 20270604",
            "05 20270604",
        ];
        assert_eq!(told, wanted);
    }
}

/// Jumping over hours and minutes that cannot match lands on their end, whatever the
/// second at which the rule began.
#[test]
fn short_rules_jump_exactly() {
    let first = |rule: &str| {
        times(&format!("DTSTART:20270104T005951Z\nRRULE:{rule};COUNT=2"))
            .iter()
            .map(|t| t[..16].to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(
        first("FREQ=SECONDLY;BYHOUR=3"),
        ["2027-01-04T00:59", "2027-01-04T03:00"]
    );
    assert_eq!(
        first("FREQ=SECONDLY;BYMINUTE=7"),
        ["2027-01-04T00:59", "2027-01-04T01:07"]
    );
    assert_eq!(
        first("FREQ=MINUTELY;BYHOUR=3"),
        ["2027-01-04T00:59", "2027-01-04T03:00"]
    );
    let seconds = |rule: &str| {
        let (calendar, _) = Calendar::parse(
            "x",
            event(&format!("DTSTART:20270104T005951Z\nRRULE:{rule}")),
        );
        let list = calendar
            .occurrences(
                "2027-01-04T01:00:00Z".parse().unwrap(),
                "2027-01-05T00:00:00Z".parse().unwrap(),
                Tz::UTC,
            )
            .occurrences;
        list.iter()
            .take(2)
            .map(|o| o.start.format("%T").to_string())
            .collect::<Vec<_>>()
    };
    assert_eq!(seconds("FREQ=SECONDLY;BYHOUR=3"), ["03:00:00", "03:00:01"]);
    assert_eq!(
        seconds("FREQ=SECONDLY;INTERVAL=7;BYHOUR=3"),
        ["03:00:01", "03:00:08"]
    );
    assert_eq!(
        seconds("FREQ=SECONDLY;BYMINUTE=7;BYSECOND=30"),
        ["01:07:30", "02:07:30"]
    );
    assert_eq!(seconds("FREQ=HOURLY;INTERVAL=5;"), ["05:59:51", "10:59:51"]);
}

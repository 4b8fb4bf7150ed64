//! Recurrences against other implementations: tables made with python-dateutil,
//! libical and recurring-ical-events (see `reference/README.md`), and the rrule
//! crate, a code base of its own.

#![expect(clippy::unwrap_used, reason = "tests")]

use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use leeside_config::calendar::{Calendar, usable};
use proptest::prelude::*;

/// The instant from which everything is asked, before all table rows.
fn early() -> DateTime<Utc> {
    "1900-01-01T00:00:00Z".parse().unwrap()
}

fn compact(text: &str) -> NaiveDateTime {
    NaiveDateTime::parse_from_str(text, "%Y%m%dT%H%M%S").unwrap()
}

fn one_event(dtstart: &str, rrule: &str) -> String {
    format!(
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTART:{dtstart}\r\nRRULE:{rrule}\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    )
}

/// All 44 cases of the table: RFC 5545 §3.8.5.3 examples as printed, and
/// zones, gaps, overlaps, EXDATE, RDATE, UNTIL, floating and all-day ones. The
/// table was agreed on by dateutil, libical and recurring-ical-events.
#[test]
fn the_44_cases_agree_exactly() {
    let table: serde_json::Value =
        serde_json::from_str(include_str!("reference/rrule_cases.json")).unwrap();
    let cases = table["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 44);
    let mut rows = 0;
    for case in cases {
        let id = case["id"].as_str().unwrap();
        let (calendar, problems) = Calendar::parse(id, case["ics"].as_str().unwrap());
        assert!(problems.is_empty(), "{id}: {problems:?}");
        let zone: Tz = case["tzid"]
            .as_str()
            .map_or(Tz::Europe__Berlin, |name| name.parse().unwrap());
        let wanted: Vec<&str> = case["occurrences_local"]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_str().unwrap())
            .collect();
        rows += wanted.len();
        let all_day = wanted[0].len() == 10;
        let read = |text: &str| {
            if all_day {
                format!("{text}T00:00:00")
            } else {
                text.to_owned()
            }
            .parse::<NaiveDateTime>()
            .unwrap()
        };
        // A complete list must be all there is; a cut one is asked up to its last entry.
        let to = if case["complete"].as_bool().unwrap() {
            "2199-01-01T00:00:00Z".parse().unwrap()
        } else {
            read(wanted[wanted.len() - 1]).and_utc() + TimeDelta::hours(25)
        };
        let expansion = calendar.occurrences(early(), to, zone);
        assert!(
            expansion.diagnostics.is_empty(),
            "{id}: {:?}",
            expansion.diagnostics
        );
        let mut got = expansion.occurrences;
        if !case["complete"].as_bool().unwrap() {
            assert!(got.len() >= wanted.len(), "{id}");
            got.truncate(wanted.len());
        }
        assert_eq!(
            got.iter().map(|o| o.start_local).collect::<Vec<_>>(),
            wanted.iter().map(|w| read(w)).collect::<Vec<_>>(),
            "{id}"
        );
        assert!(got.iter().all(|o| o.all_day == all_day), "{id}");
        let utc: Vec<DateTime<Utc>> = got
            .iter()
            .filter_map(leeside_config::calendar::Occurrence::start_utc)
            .collect();
        let wanted_utc: Vec<DateTime<Utc>> = case["occurrences_utc"]
            .as_array()
            .map(|list| {
                list.iter()
                    .map(|v| v.as_str().unwrap().parse().unwrap())
                    .collect()
            })
            .unwrap_or_default();
        assert_eq!(utc, wanted_utc, "{id}");
    }
    assert_eq!(rows, 662);
}

#[derive(serde::Deserialize)]
struct RuleRow {
    id: String,
    dtstart: String,
    rrule: String,
    complete: u8,
    occurrences: String,
}

fn rule_rows() -> Vec<RuleRow> {
    let bytes = include_bytes!("reference/rules_dateutil.csv");
    csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(&bytes[..])
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

/// The other RFC 5545 examples and 400 random rules, expanded by python-dateutil.
#[test]
fn random_rules_agree_with_dateutil() {
    let rows = rule_rows();
    assert!(rows.len() > 400);
    for row in &rows {
        let wanted: Vec<NaiveDateTime> = row.occurrences.split(' ').map(compact).collect();
        let (calendar, problems) =
            Calendar::parse(&row.id, one_event(&format!("{}Z", row.dtstart), &row.rrule));
        assert!(
            problems.is_empty(),
            "{} {}: {problems:?}",
            row.id,
            row.rrule
        );
        let last = wanted[wanted.len() - 1].and_utc();
        let to = if row.complete == 1 {
            last + TimeDelta::days(3650)
        } else {
            last + TimeDelta::seconds(1)
        };
        let got: Vec<NaiveDateTime> = calendar
            .occurrences(early(), to, Tz::UTC)
            .occurrences
            .iter()
            .map(|o| o.start_local)
            .collect();
        assert_eq!(
            got, wanted,
            "{} DTSTART {} {}",
            row.id, row.dtstart, row.rrule
        );
    }
}

/// Entering a rule in the middle gives the same as walking there from DTSTART.
#[test]
fn a_window_shows_what_the_whole_shows() {
    for row in rule_rows() {
        let (calendar, _) =
            Calendar::parse(&row.id, one_event(&format!("{}Z", row.dtstart), &row.rrule));
        let wanted: Vec<NaiveDateTime> = row.occurrences.split(' ').map(compact).collect();
        for (index, wall) in wanted.iter().enumerate().step_by(3) {
            let end = (index + 2).min(wanted.len() - 1);
            let got: Vec<NaiveDateTime> = calendar
                .occurrences(wall.and_utc(), wanted[end].and_utc(), Tz::UTC)
                .occurrences
                .iter()
                .map(|o| o.start_local)
                .collect();
            assert_eq!(got, wanted[index..end], "{} {}", row.id, row.rrule);
        }
    }
}

#[derive(serde::Deserialize)]
struct LocalRow {
    zone: String,
    local: String,
    kind: String,
    utc_fold0: String,
}

/// Gaps and overlaps (Python zoneinfo, PEP 495 fold=0, which is RFC 5545 §3.3.5),
/// for times with a zone and for floating ones read in it.
#[test]
fn gaps_and_overlaps_are_read_as_the_table_has_them() {
    let bytes = include_bytes!("reference/local_time.csv");
    let rows: Vec<LocalRow> = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(&bytes[..])
        .deserialize()
        .map(Result::unwrap)
        .collect();
    assert_eq!(rows.len(), 78);
    for row in rows {
        let zone: Tz = row.zone.parse().unwrap();
        let local: NaiveDateTime = row.local.parse().unwrap();
        let instant: DateTime<Utc> = row.utc_fold0.parse().unwrap();
        let written = local.format("%Y%m%dT%H%M%S");
        let text = format!(
            "BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VEVENT\nUID:a\nDTSTART;TZID={}:{written}\nEND:VEVENT\nBEGIN:VEVENT\nUID:b\nDTSTART:{written}\nEND:VEVENT\nEND:VCALENDAR\n",
            row.zone
        );
        let (calendar, problems) = Calendar::parse("g", text);
        assert!(problems.is_empty(), "{problems:?}");
        let got = calendar
            .occurrences(instant, instant + TimeDelta::seconds(1), zone)
            .occurrences;
        assert_eq!(got.len(), 2, "{} {}", row.zone, row.local);
        for occurrence in got {
            assert_eq!(occurrence.start, instant);
            assert_eq!(occurrence.start_local, local);
            assert_eq!(format!("{:?}", occurrence.reading).to_lowercase(), row.kind);
        }
    }
}

/// A rule of the kind both implementations define in the same way: synchronised by
/// taking its first occurrence as DTSTART.
fn rule_text() -> impl Strategy<Value = String> {
    let days = prop::sample::subsequence(vec!["MO", "TU", "WE", "TH", "FR", "SA", "SU"], 1..=4);
    let months = prop::sample::subsequence((1..=12).collect::<Vec<i32>>(), 0..=3);
    let month_days = prop::sample::subsequence(vec![1, 2, 13, 28, 29, 30, 31, -1, -2], 0..=3);
    let positions = prop::sample::subsequence(vec![1, 2, -1], 0..=2);
    (
        prop::sample::select(vec!["YEARLY", "MONTHLY", "WEEKLY", "DAILY"]),
        1..6_u32,
        days,
        any::<bool>(),
        months,
        month_days,
        positions,
    )
        .prop_map(
            |(freq, interval, days, with_days, months, month_days, positions)| {
                let join = |list: &[i32]| {
                    list.iter()
                        .map(ToString::to_string)
                        .collect::<Vec<_>>()
                        .join(",")
                };
                let mut text = format!("FREQ={freq};INTERVAL={interval}");
                if with_days {
                    text += &format!(";BYDAY={}", days.join(","));
                }
                if !months.is_empty() {
                    text += &format!(";BYMONTH={}", join(&months));
                }
                if freq != "WEEKLY" && !month_days.is_empty() {
                    text += &format!(";BYMONTHDAY={}", join(&month_days));
                }
                // Weekly, that crate takes the first week from DTSTART on only.
                if with_days && freq != "WEEKLY" && !positions.is_empty() {
                    text += &format!(";BYSETPOS={}", join(&positions));
                }
                text
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Against the rrule crate, for rules that both define alike.
    #[test]
    fn random_rules_agree_with_the_rrule_crate(rule in rule_text(), day in 0..4000_i64) {
        let base = compact("20150101T081500") + TimeDelta::days(day);
        let theirs = |start: NaiveDateTime| -> Vec<NaiveDateTime> {
            let text = format!("DTSTART:{}Z\nRRULE:{rule}", start.format("%Y%m%dT%H%M%S"));
            let set: rrule::RRuleSet = text.parse().unwrap();
            set.all(12).dates.iter().map(chrono::DateTime::naive_utc).collect()
        };
        let Some(start) = theirs(base).first().copied() else { return Ok(()) };
        let wanted = theirs(start);
        prop_assume!(wanted.first() == Some(&start));
        let (calendar, problems) = Calendar::parse("p", one_event(&format!("{}Z", start.format("%Y%m%dT%H%M%S")), &rule));
        prop_assert!(usable(&problems), "{:?}", problems);
        let last = wanted[wanted.len() - 1].and_utc();
        let got: Vec<NaiveDateTime> = calendar.occurrences(early(), last + TimeDelta::seconds(1), Tz::UTC).occurrences.iter().map(|o| o.start_local).collect();
        prop_assert_eq!(got, wanted, "DTSTART {} {}", start, rule);
    }
}

/// Overrides, exceptions, periods, custom zones: recurring-ical-events (Python).
#[test]
fn event_sets_agree_with_recurring_ical_events() {
    let table: serde_json::Value =
        serde_json::from_str(include_str!("reference/sets.json")).unwrap();
    let cases = table["cases"].as_array().unwrap();
    assert!(cases.len() >= 30);
    for case in cases {
        let text = |name: &str| case[name].as_str().unwrap();
        let id = text("id");
        let (calendar, problems) = Calendar::parse(id, text("ics"));
        assert!(usable(&problems), "{id}: {problems:?}");
        let expansion = calendar.occurrences(
            text("from").parse().unwrap(),
            text("to").parse().unwrap(),
            Tz::Europe__Berlin,
        );
        let ends = case["ends"].as_bool().unwrap();
        let mut got: Vec<[String; 3]> = expansion
            .occurrences
            .iter()
            .map(|o| {
                let shown = |instant: DateTime<Utc>| {
                    if o.all_day {
                        instant
                            .with_timezone(&Tz::Europe__Berlin)
                            .format("%Y-%m-%d")
                            .to_string()
                    } else if o.floating {
                        instant
                            .with_timezone(&Tz::Europe__Berlin)
                            .format("%Y-%m-%dT%H:%M:%S")
                            .to_string()
                    } else {
                        instant.format("%Y-%m-%dT%H:%M:%SZ").to_string()
                    }
                };
                [
                    o.summary.clone(),
                    shown(o.start),
                    if ends { shown(o.end) } else { String::new() },
                ]
            })
            .collect();
        got.sort();
        let mut wanted: Vec<[String; 3]> = case["occurrences"]
            .as_array()
            .unwrap()
            .iter()
            .map(|o| {
                let field = |utc: &str, local: &str| {
                    o[utc].as_str().or(o[local].as_str()).unwrap().to_owned()
                };
                [
                    o["summary"].as_str().unwrap().to_owned(),
                    field("start_utc", "start_local"),
                    if ends {
                        field("end_utc", "end_local")
                    } else {
                        String::new()
                    },
                ]
            })
            .collect();
        wanted.sort();
        assert_eq!(got, wanted, "{id}");
    }
}

/// Where the table above is not followed: RFC 5545 §3.8.5.3, "if the duration of
/// the recurring component is specified with the DTEND property, the same exact
/// duration will apply to all the members of the generated recurrence set".
#[test]
fn dtend_keeps_the_elapsed_time_through_a_clock_change() {
    let event = |end: &str| {
        format!(
            "BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VEVENT\nUID:1\nDTSTART;TZID=Europe/Berlin:20250328T220000\n{end}\nRRULE:FREQ=DAILY;COUNT=2\nEND:VEVENT\nEND:VCALENDAR\n"
        )
    };
    let ends = |end: &str| -> Vec<String> {
        let (calendar, problems) = Calendar::parse("x", event(end));
        assert!(problems.is_empty());
        calendar
            .occurrences(
                early(),
                "2026-01-01T00:00:00Z".parse().unwrap(),
                Tz::Europe__Berlin,
            )
            .occurrences
            .iter()
            .map(|o| o.end_local.to_string())
            .collect()
    };
    assert_eq!(
        ends("DTEND;TZID=Europe/Berlin:20250329T060000"),
        ["2025-03-29 06:00:00", "2025-03-30 07:00:00"]
    );
    assert_eq!(
        ends("DURATION:PT8H"),
        ["2025-03-29 06:00:00", "2025-03-30 07:00:00"]
    );
    assert_eq!(
        ends("DURATION:P1D"),
        ["2025-03-29 22:00:00", "2025-03-30 22:00:00"]
    );
}

/// The zone of Berlin written out as a VTIMEZONE, in the way of one program with
/// onsets from 1601 on and of another with its history.
const HOUSE_ZONES: [&str; 2] = [
    "BEGIN:STANDARD\nDTSTART:16010101T030000\nTZOFFSETFROM:+0200\nTZOFFSETTO:+0100\nRRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=10\nEND:STANDARD\nBEGIN:DAYLIGHT\nDTSTART:16010101T020000\nTZOFFSETFROM:+0100\nTZOFFSETTO:+0200\nRRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=3\nEND:DAYLIGHT",
    "BEGIN:DAYLIGHT\nDTSTART:19960331T020000\nTZOFFSETFROM:+0100\nTZOFFSETTO:+0200\nRDATE:19960331T020000,19970330T020000\nRRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=-1SU;UNTIL=20260329T010000Z\nEND:DAYLIGHT\nBEGIN:DAYLIGHT\nDTSTART:20270328T020000\nTZOFFSETFROM:+0100\nTZOFFSETTO:+0200\nRRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=-1SU\nEND:DAYLIGHT\nBEGIN:STANDARD\nDTSTART:19961027T030000\nTZOFFSETFROM:+0200\nTZOFFSETTO:+0100\nRRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU\nEND:STANDARD",
];

/// A custom VTIMEZONE gives the instants of the IANA zone whose rules it has: every
/// quarter of an hour around the clock changes of 2025 to 2028, gaps and overlaps
/// included, and a few times far from them.
#[test]
fn a_custom_zone_behaves_as_the_iana_zone_it_copies() {
    for house in HOUSE_ZONES {
        let mut walls: Vec<NaiveDateTime> =
            vec![compact("19990101T000000"), compact("20900701T120000")];
        for day in [
            "20250330", "20251026", "20260329", "20261025", "20270328", "20271031", "20280326",
            "20281029",
        ] {
            let midnight = compact(&format!("{day}T000000"));
            walls.extend((-4..24).map(|quarter| midnight + TimeDelta::minutes(15 * quarter)));
        }
        let events: String = walls
            .iter()
            .map(|wall| {
                format!(
                    "BEGIN:VEVENT\nUID:{wall}\nDTSTART;TZID=House:{}\nSUMMARY:{wall}\nEND:VEVENT\n",
                    wall.format("%Y%m%dT%H%M%S")
                )
            })
            .collect();
        let text = format!(
            "BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VTIMEZONE\nTZID:House\n{house}\nEND:VTIMEZONE\n{events}END:VCALENDAR\n"
        );
        let (calendar, problems) = Calendar::parse("house", text);
        assert!(problems.is_empty(), "{problems:?}");
        let got = calendar
            .occurrences(
                early(),
                "2199-01-01T00:00:00Z".parse().unwrap(),
                Tz::Europe__Berlin,
            )
            .occurrences;
        assert_eq!(got.len(), walls.len());
        for occurrence in got {
            let wall = occurrence
                .summary
                .parse::<NaiveDateTime>()
                .or_else(|_| {
                    NaiveDateTime::parse_from_str(&occurrence.summary, "%Y-%m-%d %H:%M:%S")
                })
                .unwrap();
            assert_eq!(
                occurrence.start,
                leeside_core::time::to_utc(Tz::Europe__Berlin, wall).utc,
                "{wall}"
            );
        }
    }
}

/// What lasts into the range is found from behind its begin, however long ago.
#[test]
fn overlapping_finds_what_began_before() {
    let text = "BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VEVENT\nUID:1\nDTSTART;VALUE=DATE:20241220\nDURATION:P3W\nRRULE:FREQ=YEARLY\nEND:VEVENT\nBEGIN:VEVENT\nUID:2\nDTSTART;TZID=Europe/Berlin:20270105T220000\nDURATION:PT4H\nEND:VEVENT\nEND:VCALENDAR\n";
    let (calendar, _) = Calendar::parse("x", text);
    let ask = |from: &str, to: &str| -> Vec<(String, String)> {
        let list = calendar
            .overlapping(
                from.parse().unwrap(),
                to.parse().unwrap(),
                Tz::Europe__Berlin,
            )
            .occurrences;
        list.iter()
            .map(|o| (o.uid.clone(), o.start_local.to_string()))
            .collect()
    };
    let pair = |uid: &str, start: &str| (uid.to_owned(), start.to_owned());
    assert_eq!(
        ask("2027-01-05T23:30:00Z", "2027-01-05T23:31:00Z"),
        [
            pair("1", "2026-12-20 00:00:00"),
            pair("2", "2027-01-05 22:00:00")
        ]
    );
    assert_eq!(
        ask("2027-01-09T22:59:59Z", "2027-12-19T23:00:00Z"),
        [pair("1", "2026-12-20 00:00:00")]
    );
    assert_eq!(ask("2027-01-09T23:00:00Z", "2027-12-19T23:00:00Z"), []);
}

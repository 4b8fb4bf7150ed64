//! The dry run's calendar: read back by the reader that the site's own calendars
//! go through, and counted against what the replay told.

#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_config::calendar::Calendar;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Command, LockoutChange, Word};
use leeside_dryrun::ics::IcsSink;
use leeside_dryrun::replay::{Setting, Sink, replay};
use leeside_dryrun::report::Head;
use std::collections::BTreeSet;
use std::io;
use std::ops::ControlFlow;

fn run(setting: &Setting, sink: &mut dyn Sink) {
    replay(setting, sink, &mut |_| ControlFlow::Continue(())).unwrap();
}

fn calendar(setting: &Setting, sha: &str) -> String {
    let head = Head::of(setting, sha);
    let mut sink = IcsSink::new(vec![], &head, &setting.model, setting.from, setting.to);
    run(setting, &mut sink);
    String::from_utf8(sink.finish(&setting.model).unwrap()).unwrap()
}

/// Lockouts that began, as the replay tells them.
#[derive(Default)]
struct Begun {
    open: BTreeSet<(GroupId, Word)>,
    begun: usize,
}

impl Sink for Begun {
    fn movement(&mut self, _model: &Model, _command: &Command) -> io::Result<()> {
        Ok(())
    }

    fn lockout(&mut self, _model: &Model, change: &LockoutChange) -> io::Result<()> {
        let key = (change.group, change.word);
        if change.engaged {
            self.begun += usize::from(self.open.insert(key));
        } else {
            // One that was engaged before the span counts too.
            self.begun += usize::from(!self.open.remove(&key));
        }
        Ok(())
    }
}

/// Content lines, unfolded (RFC 5545 §3.1).
fn lines(text: &str) -> Vec<String> {
    text.replace("\r\n ", "")
        .split_terminator("\r\n")
        .map(str::to_owned)
        .collect()
}

#[test]
fn it_holds_each_lockout_and_phase_once_and_reads_back() {
    let site = example::site();
    let setting = example::typical(&site, "2027-03-08T00:00", "2027-03-15T00:00");
    let text = calendar(&setting, &site.fingerprint);
    assert_eq!(
        text,
        calendar(&setting, &site.fingerprint),
        "two runs give the same bytes"
    );

    let (read, problems) = Calendar::parse("year.ics", &text);
    assert!(problems.is_empty(), "{problems:?}");
    let found = read.occurrences(setting.from.utc(), setting.to.utc(), site.model.site.zone);
    let lines = lines(&text);
    let events = lines.iter().filter(|line| *line == "BEGIN:VEVENT").count();
    assert_eq!(found.occurrences.len(), events);

    let of_kind = |kind: &str| {
        lines
            .iter()
            .filter(|line| **line == format!("CATEGORIES:{kind}"))
            .count()
    };
    // Every lockout that the replay tells of; more are only those that were engaged
    // before the span and outlast it.
    let mut begun = Begun::default();
    run(&setting, &mut begun);
    assert!(begun.begun > 10, "{}", begun.begun);
    let still = format!("DTEND:{}", setting.to.utc().format("%Y%m%dT%H%M%SZ"));
    let outlast = lines.iter().filter(|line| **line == still).count();
    assert!((begun.begun..=begun.begun + outlast).contains(&of_kind("lockout")));
    // Names are there once each, and none of them is a slat step.
    let uids: BTreeSet<&String> = lines
        .iter()
        .filter(|line| line.starts_with("UID:"))
        .collect();
    assert_eq!(uids.len(), events);
    assert_eq!(
        of_kind("lockout") + of_kind("phase") + of_kind("special-day"),
        events
    );
}

#[test]
fn phases_stand_where_the_site_file_puts_them() {
    let site = example::site();
    let setting = example::clear(&site, "2027-06-30T00:00", "2027-07-02T00:00");
    let lines = lines(&calendar(&setting, &site.fingerprint));
    // Wednesday and Thursday: open at 06:15, shut at 20:30 (sunset and half an hour is later), UTC-4.
    let mut starts = vec![];
    for (index, line) in lines.iter().enumerate() {
        if line.starts_with("SUMMARY:workshop: ") {
            let start = lines[..index]
                .iter()
                .rev()
                .find_map(|line| line.strip_prefix("DTSTART:"));
            starts.push((start.unwrap(), line.strip_prefix("SUMMARY:").unwrap()));
        }
    }
    assert_eq!(
        starts,
        [
            ("20270630T101500Z", "workshop: work\\, retracted"),
            ("20270701T003000Z", "workshop: shut\\, extended"),
            ("20270701T101500Z", "workshop: work\\, retracted"),
            ("20270702T003000Z", "workshop: shut\\, extended"),
        ]
    );
}

#[test]
fn lines_keep_to_the_standard() {
    let site = example::site();
    let setting = example::typical(&site, "2027-01-01T00:00", "2027-01-04T00:00");
    let text = calendar(&setting, &site.fingerprint);
    assert!(text.starts_with("BEGIN:VCALENDAR\r\n") && text.ends_with("END:VCALENDAR\r\n"));
    assert_eq!(text.matches('\n').count(), text.matches("\r\n").count());
    for line in text.split("\r\n") {
        assert!(line.len() <= 75, "{} octets: {line}", line.len());
    }
    for name in ["VERSION:2.0", "PRODID:", "DTSTAMP:20270101T050000Z"] {
        assert!(text.contains(name), "{name}");
    }
}

#[test]
fn what_was_engaged_before_the_span_lasts_from_its_begin() {
    // A closed spell of wind: begin in the middle of it, end before it ends.
    let site = example::site();
    let whole = example::typical(&site, "2027-03-08T00:00", "2027-03-15T00:00");
    let found = lines(&calendar(&whole, &site.fingerprint));
    let field = |from: usize, name: &str| {
        found[from..]
            .iter()
            .find_map(|line| line.strip_prefix(name))
            .unwrap()
            .to_owned()
    };
    let long = found.iter().enumerate().find_map(|(index, line)| {
        let about = line.strip_prefix("SUMMARY:wind lockout: ")?;
        let begin = found[..index]
            .iter()
            .rev()
            .find_map(|line| line.strip_prefix("DTSTART:"))?;
        let end = found[..index]
            .iter()
            .rev()
            .find_map(|line| line.strip_prefix("DTEND:"))?;
        // On another day at least: it lasts over a midnight.
        (begin[..8] < end[..8] && field(index, "CATEGORIES:") == "lockout")
            .then(|| (about.to_owned(), begin.to_owned(), end.to_owned()))
    });
    let (group, begin, end) = long.unwrap();
    let at = |stamp: &str| {
        let time = chrono::NaiveDateTime::parse_from_str(stamp, "%Y%m%dT%H%M%SZ").unwrap();
        leeside_core::time::Wall::from_utc(time.and_utc())
    };
    let (begin, end) = (at(&begin), at(&end));
    let third = (end.0 - begin.0) / 3 / 60_000 * 60_000;
    let mut part = whole.clone();
    (part.from, part.to) = (begin.plus(third), begin.plus(2 * third));
    let text = lines(&calendar(&part, &site.fingerprint));
    let stamp = |at: leeside_core::time::Wall| at.utc().format("%Y%m%dT%H%M%SZ").to_string();
    let index = text
        .iter()
        .position(|line| *line == format!("SUMMARY:wind lockout: {group}"))
        .unwrap();
    let before = |name: &str| {
        text[..index]
            .iter()
            .rev()
            .find_map(|line| line.strip_prefix(name))
            .unwrap()
            .to_owned()
    };
    assert_eq!(
        (before("DTSTART:"), before("DTEND:")),
        (stamp(part.from), stamp(part.to))
    );
}

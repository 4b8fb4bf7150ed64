//! VEVENT components (RFC 5545 §3.6.1) as far as a calendar of days needs them.

use chrono::{NaiveTime, TimeDelta};

use super::component::Component;
use super::diagnostic::Report;
use super::expand::Series;
use super::line::ContentLine;
use super::moment::{Length, Moment, MomentReader, OwnZones};
use super::rule::{self, Rule, Until};
use super::value::{self, Duration, shorten};

/// An additional occurrence (RDATE), with its own length when given as a PERIOD.
#[derive(Debug, Clone)]
pub(crate) struct Extra {
    pub(crate) start: Moment,
    pub(crate) length: Option<Length>,
}

/// Which occurrence an override replaces (§3.8.4.4).
#[derive(Debug, Clone)]
pub(crate) struct Override {
    pub(crate) of: Moment,
    pub(crate) this_and_future: bool,
}

/// A VEVENT.
#[derive(Debug, Clone)]
pub(crate) struct Event {
    pub(crate) uid: String,
    pub(crate) summary: String,
    pub(crate) categories: Vec<String>,
    pub(crate) first_line: usize,
    pub(crate) last_line: usize,
    pub(crate) start: Moment,
    pub(crate) length: Length,
    pub(crate) cancelled: bool,
    pub(crate) sequence: u64,
    /// Rules with the line they stand in.
    pub(crate) rules: Vec<(Rule, usize)>,
    pub(crate) extras: Vec<Extra>,
    pub(crate) excluded: Vec<Moment>,
    pub(crate) replaces: Option<Override>,
    /// Whether the rules alone leave DTSTART out because they end before it.
    pub(crate) ended_before_start: bool,
}

/// Reads a VEVENT; answers `None` when it cannot be used (and reports why).
pub(crate) fn read(component: &Component, zones: &OwnZones, report: &mut Report) -> Option<Event> {
    let times = MomentReader { zones, report };
    Reader { component, times }.event()
}

struct Reader<'a> {
    component: &'a Component,
    times: MomentReader<'a>,
}

/// Lists longer than this in one event are refused.
const MAX_LIST: usize = 10_000;

impl Reader<'_> {
    fn event(&mut self) -> Option<Event> {
        let component = self.component;
        for name in [
            "DTSTART",
            "DTEND",
            "DURATION",
            "UID",
            "STATUS",
            "RECURRENCE-ID",
            "SUMMARY",
        ] {
            if let Some(second) = component.properties_named(name).nth(1) {
                self.times.report.error(
                    second.at(),
                    name,
                    "this property may stand only once in an event",
                    "remove one of them",
                );
                return None;
            }
        }
        let Some(line) = component.property("DTSTART") else {
            self.times.report.error(
                component.at,
                "DTSTART",
                "the event has no DTSTART",
                "add e.g. DTSTART;VALUE=DATE:20270101",
            );
            return None;
        };
        let start = self.times.moment(line)?;
        let length = self.length(&start)?;
        let uid = component
            .property("UID")
            .map(|l| l.value.trim().to_owned())
            .filter(|uid| !uid.is_empty());
        if uid.is_none() {
            self.times.report.warning(
                component.at,
                "UID",
                "the event has no UID",
                "add one, different for each event",
            );
        }
        let replaces = match component.property("RECURRENCE-ID") {
            Some(line) => Some(self.replaces(line)?),
            None => None,
        };
        let mut event = Event {
            uid: uid.unwrap_or_else(|| format!("(no UID, line {})", component.at.0)),
            summary: component
                .property("SUMMARY")
                .map(|l| value::unescape(l.value.trim()))
                .unwrap_or_default(),
            categories: component
                .properties_named("CATEGORIES")
                .flat_map(|l| value::text_list(&l.value))
                .collect(),
            first_line: component.at.0,
            last_line: component.last_line,
            start,
            length,
            cancelled: component
                .property("STATUS")
                .is_some_and(|l| l.value.trim().eq_ignore_ascii_case("CANCELLED")),
            sequence: component
                .property("SEQUENCE")
                .and_then(|l| l.value.trim().parse().ok())
                .unwrap_or(0),
            rules: Vec::new(),
            extras: Vec::new(),
            excluded: Vec::new(),
            replaces,
            ended_before_start: false,
        };
        self.recurrence(&mut event)?;
        Some(event)
    }

    fn recurrence(&mut self, event: &mut Event) -> Option<()> {
        let component = self.component;
        if let Some(line) = component.property("EXRULE") {
            self.times.report.error(
                line.at(),
                "EXRULE",
                "exclusion rules were removed by RFC 5545 and are not read",
                "list the days with EXDATE",
            );
            return None;
        }
        if event.replaces.is_some() {
            for line in component
                .properties
                .iter()
                .filter(|l| matches!(l.name.as_str(), "RRULE" | "RDATE" | "EXDATE"))
            {
                self.times.report.warning(
                    line.at(),
                    &line.name,
                    "is not read in an event with RECURRENCE-ID",
                    "make it an event of its own",
                );
            }
            return Some(());
        }
        for (index, line) in component.properties_named("RRULE").enumerate() {
            if index == 1 {
                self.times.report.warning(
                    line.at(),
                    "RRULE",
                    "a second rule; the days of both count",
                    "RFC 5545 §3.8.5.3 wants one",
                );
            }
            if index >= 20 {
                self.times
                    .report
                    .error(line.at(), "RRULE", "more than 20 rules in one event", "");
                return None;
            }
            let rule = self.rule(line, event)?;
            event.rules.push((rule, line.at().0));
        }
        for line in component.properties_named("RDATE") {
            self.extras(line, event)?;
        }
        for line in component.properties_named("EXDATE") {
            self.excluded(line, event)?;
        }
        if event.extras.len() > MAX_LIST || event.excluded.len() > MAX_LIST {
            self.times.report.error(
                component.at,
                "RDATE",
                format!("more than {MAX_LIST} dates in one event"),
                "use RRULE",
            );
            return None;
        }
        Some(())
    }

    fn rule(&mut self, line: &ContentLine, event: &mut Event) -> Option<Rule> {
        let mut rule = rule::read(line, event.start.is_day(), self.times.report)?;
        let zone = event.start.zone();
        let at = line
            .value
            .to_ascii_uppercase()
            .find("UNTIL")
            .map_or_else(|| line.value_at(), |i| line.value_place(i));
        rule.until = match (rule.until, &event.start) {
            (Some(Until::Utc(wall) | Until::Wall(wall)), Moment::Day(_)) => {
                self.times.report.warning(
                    at,
                    "RRULE",
                    "UNTIL has a time but DTSTART is a date; its date is taken",
                    "write UNTIL=YYYYMMDD",
                );
                Some(Until::Date(wall.date()))
            }
            (Some(Until::Date(date)), Moment::Time { .. }) => {
                self.times.report.warning(
                    at,
                    "RRULE",
                    "UNTIL is a date but DTSTART has a time; the whole day is taken",
                    "write UNTIL as YYYYMMDDTHHMMSSZ",
                );
                Some(Until::Date(date))
            }
            (Some(Until::Wall(wall)), Moment::Time { .. }) if zone.is_fixed() => {
                self.times.report.warning(
                    at,
                    "RRULE",
                    "UNTIL is a local time; it is read in the zone of DTSTART",
                    "write UNTIL in UTC, with Z",
                );
                Some(Until::Wall(wall))
            }
            (until, _) => until,
        };
        let start = event.start.wall();
        let ends = match rule.until {
            None => None,
            Some(Until::Date(date)) => date.succ_opt().map(|next| next.and_time(NaiveTime::MIN)),
            Some(Until::Wall(wall)) => wall.checked_add_signed(TimeDelta::seconds(1)),
            // UTC against wall time: a day of margin, the exact cut comes later.
            Some(Until::Utc(wall)) => wall.checked_add_signed(TimeDelta::days(1)),
        };
        if ends.is_some_and(|ends| ends <= start) {
            self.times.report.warning(
                at,
                "RRULE",
                "UNTIL lies before DTSTART: the event never takes place",
                "correct UNTIL or DTSTART",
            );
            event.ended_before_start = true;
        } else if !(Series { rule: &rule, start }).is_synchronised() {
            self.times.report.warning(
                line.value_at(),
                "RRULE",
                "DTSTART is not a day of its own rule; it counts as the first occurrence",
                "move DTSTART to the first day of the rule (RFC 5545 §3.8.5.3)",
            );
        }
        Some(rule)
    }

    fn extras(&mut self, line: &ContentLine, event: &mut Event) -> Option<()> {
        let zone = self.times.zone(line)?;
        for text in line.value.split(',').filter(|t| !t.trim().is_empty()) {
            let extra = match text.split_once('/') {
                None => Extra {
                    start: self.times.stamp_moment(text, &zone, line)?,
                    length: None,
                },
                Some((begin, end)) => {
                    let start = self.times.stamp_moment(begin, &zone, line)?;
                    let length = if end.trim_start().starts_with(['P', '+', '-']) {
                        match value::duration(end) {
                            Ok(duration) => Length::Nominal(duration),
                            Err(message) => {
                                self.times
                                    .report
                                    .error(line.value_at(), "RDATE", message, "");
                                return None;
                            }
                        }
                    } else {
                        let end = self.times.stamp_moment(end, &zone, line)?;
                        self.times.between(&start, &end, line)?
                    };
                    Extra {
                        start,
                        length: Some(length),
                    }
                }
            };
            if extra.start.is_day() != event.start.is_day() {
                self.times.mixed(line, &event.start);
                return None;
            }
            event.extras.push(extra);
        }
        Some(())
    }

    fn excluded(&mut self, line: &ContentLine, event: &mut Event) -> Option<()> {
        let zone = self.times.zone(line)?;
        for text in line.value.split(',').filter(|t| !t.trim().is_empty()) {
            let moment = self.times.stamp_moment(text, &zone, line)?;
            let moment = match (moment, &event.start) {
                (Moment::Time { wall, .. }, Moment::Day(_)) => {
                    self.times.report.warning(
                        line.value_at(),
                        "EXDATE",
                        "has a time but DTSTART is a date; its date is taken",
                        "write EXDATE;VALUE=DATE",
                    );
                    Moment::Day(wall.date())
                }
                (day @ Moment::Day(_), Moment::Time { .. }) => {
                    self.times.report.warning(
                        line.value_at(),
                        "EXDATE",
                        "is a date but DTSTART has a time; the whole day is taken out",
                        "write the time too",
                    );
                    day
                }
                (moment, _) => moment,
            };
            event.excluded.push(moment);
        }
        Some(())
    }

    fn replaces(&mut self, line: &ContentLine) -> Option<Override> {
        let of = self.times.moment(line)?;
        let this_and_future = match line
            .parameter("RANGE")
            .map(str::to_ascii_uppercase)
            .as_deref()
        {
            None => false,
            Some("THISANDFUTURE") => true,
            Some(other) => {
                self.times.report.error(
                    line.parameter_at("RANGE"),
                    "RECURRENCE-ID",
                    format!("RANGE={} is unknown", shorten(other)),
                    "only THISANDFUTURE exists (RFC 5545 §3.2.13)",
                );
                return None;
            }
        };
        Some(Override {
            of,
            this_and_future,
        })
    }

    /// The length of each occurrence, from DTEND or DURATION or neither.
    fn length(&mut self, start: &Moment) -> Option<Length> {
        let component = self.component;
        match (component.property("DTEND"), component.property("DURATION")) {
            (Some(_), Some(line)) => {
                self.times.report.error(
                    line.at(),
                    "DURATION",
                    "DTEND and DURATION stand together",
                    "keep one of them (RFC 5545 §3.6.1)",
                );
                None
            }
            (None, None) => Some(match start {
                // §3.6.1: a date alone is one day, a time alone is a moment.
                Moment::Day(_) => Length::Nominal(Duration {
                    days: 1,
                    seconds: 0,
                }),
                Moment::Time { .. } => Length::NONE,
            }),
            (None, Some(line)) => match value::duration(&line.value) {
                Ok(Duration { seconds: 1.., .. }) if start.is_day() => {
                    self.times.report.error(
                        line.value_at(),
                        "DURATION",
                        "an all-day event lasts whole days",
                        "e.g. DURATION:P1D",
                    );
                    None
                }
                Ok(Duration { days: 0, .. }) if start.is_day() => Some(Length::Nominal(Duration {
                    days: 1,
                    seconds: 0,
                })),
                Ok(duration) => Some(Length::Nominal(duration)),
                Err(message) => {
                    self.times.report.error(
                        line.value_at(),
                        "DURATION",
                        message,
                        "e.g. DURATION:P1D or DURATION:PT2H",
                    );
                    None
                }
            },
            (Some(line), None) => {
                let end = self.times.moment(line)?;
                self.times.between(start, &end, line)
            }
        }
    }
}

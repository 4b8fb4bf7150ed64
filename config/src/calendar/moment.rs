//! Dates and times of an event with their zones, and lengths of time.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{NaiveDate, NaiveDateTime, NaiveTime};
use chrono_tz::Tz;

use super::diagnostic::Report;
use super::line::ContentLine;
use super::value::{self, Duration, Stamp, shorten};
use super::vtimezone::OwnZone;
use super::zone::{self, Zone};

/// The zones that the file defines itself, by `TZID`.
pub(crate) type OwnZones = BTreeMap<String, Option<Arc<OwnZone>>>;

/// A date, or a wall time with its zone.
#[derive(Debug, Clone)]
pub(crate) enum Moment {
    Day(NaiveDate),
    Time { wall: NaiveDateTime, zone: Zone },
}

impl Moment {
    /// The wall time; midnight for a date.
    pub(crate) fn wall(&self) -> NaiveDateTime {
        match self {
            Self::Day(date) => date.and_time(NaiveTime::MIN),
            Self::Time { wall, .. } => *wall,
        }
    }

    pub(crate) fn is_day(&self) -> bool {
        matches!(self, Self::Day(_))
    }

    /// The zone; dates float (§3.3.4).
    pub(crate) fn zone(&self) -> Zone {
        match self {
            Self::Day(_) => Zone::Floating,
            Self::Time { zone, .. } => zone.clone(),
        }
    }

    /// The same moment as wall time of `zone`. A date stays its midnight.
    pub(crate) fn wall_in(&self, other: &Zone, site: Tz) -> NaiveDateTime {
        match self {
            Self::Day(date) => date.and_time(NaiveTime::MIN),
            Self::Time {
                wall,
                zone: Zone::Floating,
            } => *wall,
            Self::Time { wall, zone } => match (zone, other) {
                (Zone::Iana(a), Zone::Iana(b)) if a == b => *wall,
                _ => other.wall(zone.instant(*wall, site), site),
            },
        }
    }
}

/// How long each occurrence lasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Length {
    /// So many elapsed seconds: what DTEND means for every occurrence (§3.8.5.3).
    Exact(i64),
    /// Nominal days, then seconds: what DURATION means, and whole days.
    Nominal(Duration),
}

impl Length {
    pub(crate) const NONE: Self = Self::Exact(0);

    /// An upper bound in seconds, clock changes included.
    pub(crate) fn at_most(self) -> i64 {
        match self {
            Self::Exact(seconds) => seconds,
            Self::Nominal(d) => (d.days + 1) * 86_400 + d.seconds,
        }
    }
}

/// Reads dates and times with the zones of one file at hand.
pub(crate) struct MomentReader<'a> {
    pub(crate) zones: &'a OwnZones,
    pub(crate) report: &'a mut Report,
}

impl MomentReader<'_> {
    /// The length from one moment to another.
    pub(crate) fn between(
        &mut self,
        start: &Moment,
        end: &Moment,
        line: &ContentLine,
    ) -> Option<Length> {
        let length = match (start, end) {
            (Moment::Day(a), Moment::Day(b)) => {
                let days = (*b - *a).num_days();
                if days == 0 {
                    self.report.warning(
                        line.value_at(),
                        &line.name,
                        "is the day of DTSTART; read as one whole day",
                        "the end is the first day no longer covered",
                    );
                }
                let days = if days == 0 { 1 } else { days };
                (days > 0).then_some(Length::Nominal(Duration { days, seconds: 0 }))
            }
            (Moment::Time { wall: a, zone: za }, Moment::Time { wall: b, zone: zb }) => {
                let seconds = if za.is_fixed() && zb.is_fixed() {
                    (zb.instant(*b, Tz::UTC) - za.instant(*a, Tz::UTC)).num_seconds()
                } else if za.is_fixed() == zb.is_fixed() {
                    (*b - *a).num_seconds()
                } else {
                    self.mixed(line, start);
                    return None;
                };
                (seconds >= 0).then_some(Length::Exact(seconds))
            }
            _ => {
                self.mixed(line, start);
                return None;
            }
        };
        if length.is_none() {
            self.report.error(
                line.value_at(),
                &line.name,
                "the event ends before it begins",
                "the end must lie after DTSTART (RFC 5545 §3.8.2.2)",
            );
        }
        length
    }

    pub(crate) fn mixed(&mut self, line: &ContentLine, start: &Moment) {
        let kind = match start {
            Moment::Day(_) => "a date",
            Moment::Time {
                zone: Zone::Floating,
                ..
            } => "a time without zone",
            Moment::Time { .. } => "a time with a zone",
        };
        self.report.error(
            line.value_at(),
            &line.name,
            format!("must be of the kind of DTSTART, which is {kind}"),
            "write both alike",
        );
    }

    /// A property with exactly one date or date-time.
    pub(crate) fn moment(&mut self, line: &ContentLine) -> Option<Moment> {
        let zone = self.zone(line)?;
        self.stamp_moment(&line.value, &zone, line)
    }

    pub(crate) fn stamp_moment(
        &mut self,
        text: &str,
        zone: &Zone,
        line: &ContentLine,
    ) -> Option<Moment> {
        let stamp = match value::stamp(text) {
            Ok(stamp) => stamp,
            Err(message) => {
                self.report.error(
                    line.value_at(),
                    &line.name,
                    message,
                    "e.g. 20271224, or 20271224T080000",
                );
                return None;
            }
        };
        let declared = line.parameter("VALUE").map(str::to_ascii_uppercase);
        match (stamp, declared.as_deref()) {
            (Stamp::Date(date), Some("DATE")) => Some(Moment::Day(date)),
            (Stamp::Date(date), None) => {
                self.report.warning(
                    line.value_at(),
                    &line.name,
                    "is a date without VALUE=DATE; read as a date",
                    format!("write {};VALUE=DATE:", line.name),
                );
                Some(Moment::Day(date))
            }
            (Stamp::Time { wall, utc }, None | Some("DATE-TIME" | "PERIOD")) => {
                if utc && line.parameter("TZID").is_some() {
                    self.report.warning(
                        line.parameter_at("TZID"),
                        &line.name,
                        "has TZID and a trailing Z; read as UTC",
                        "remove one of them",
                    );
                }
                Some(Moment::Time {
                    wall,
                    zone: if utc { Zone::Utc } else { zone.clone() },
                })
            }
            (_, Some(other)) => {
                self.report.error(
                    line.value_at(),
                    &line.name,
                    format!("does not fit VALUE={}", shorten(other)),
                    "VALUE=DATE takes YYYYMMDD, VALUE=DATE-TIME takes YYYYMMDDTHHMMSS",
                );
                None
            }
        }
    }

    /// The zone that the line's TZID names; floating without one.
    pub(crate) fn zone(&mut self, line: &ContentLine) -> Option<Zone> {
        let Some(tzid) = line.parameter("TZID") else {
            return Some(Zone::Floating);
        };
        if let Some(zone) = zone::iana(tzid) {
            return Some(if zone == Tz::UTC {
                Zone::Utc
            } else {
                Zone::Iana(zone)
            });
        }
        match self.zones.get(tzid) {
            Some(Some(own)) => Some(Zone::Own(Arc::clone(own))),
            // The VTIMEZONE itself has been reported.
            Some(None) => None,
            None => {
                let hint = zone::nearest(tzid).map_or_else(
                    || "use an IANA name such as Europe/Berlin, or add a VTIMEZONE".to_owned(),
                    |name| format!("did you mean {name}?"),
                );
                self.report.error(
                    line.parameter_at("TZID"),
                    &line.name,
                    format!("the zone `{}` is unknown", shorten(tzid)),
                    hint,
                );
                None
            }
        }
    }
}

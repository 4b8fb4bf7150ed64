//! From wall time to instants and back, for whatever `TZID` named.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, NaiveDateTime, Offset, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use leeside_core::time::to_utc;

use super::vtimezone::OwnZone;
use super::windows_zones::WINDOWS_ZONES;

/// Clock changes are known up to the end of this year: the zone data go no further,
/// and keep the offset of that winter ever after.
const CHANGES_UNTIL: i32 = 2099;

/// What somebody has to know who asks for local times of `year` in a zone; `None`
/// where the zone data cover it, or its clocks do not change.
#[must_use]
pub fn beyond_zone_data(zone: Tz, year: i32) -> Option<String> {
    let offset = |month| {
        let day = NaiveDate::from_ymd_opt(CHANGES_UNTIL, month, 1)?;
        Some(zone.offset_from_utc_date(&day).fix())
    };
    (year > CHANGES_UNTIL && offset(1) != offset(7)).then(|| {
        format!(
            "the clock changes of {} are known up to {CHANGES_UNTIL}; local times of {year} are read without them, half the year an hour late",
            zone.name()
        )
    })
}

/// The zone a date-time was written in.
#[derive(Debug, Clone)]
pub(crate) enum Zone {
    /// None: the time is that of the place where it is read (RFC 5545 §3.3.5, form 1).
    Floating,
    /// `…Z` (form 2).
    Utc,
    /// A zone of the IANA database (form 3).
    Iana(Tz),
    /// A zone that the file defines by its own rules (form 3).
    Own(Arc<OwnZone>),
}

impl Zone {
    /// The instant of a wall time; floating times are read in `site`.
    pub(crate) fn instant(&self, wall: NaiveDateTime, site: Tz) -> DateTime<Utc> {
        match self {
            Self::Floating => to_utc(site, wall).utc,
            Self::Utc => wall.and_utc(),
            Self::Iana(zone) => to_utc(*zone, wall).utc,
            Self::Own(own) => own.instant(wall),
        }
    }

    /// The wall time of an instant.
    pub(crate) fn wall(&self, instant: DateTime<Utc>, site: Tz) -> NaiveDateTime {
        match self {
            Self::Floating => instant.with_timezone(&site).naive_local(),
            Self::Utc => instant.naive_utc(),
            Self::Iana(zone) => instant.with_timezone(zone).naive_local(),
            Self::Own(own) => {
                let offset = own.offset_at(instant.naive_utc());
                instant
                    .naive_utc()
                    .checked_add_signed(TimeDelta::seconds(offset))
                    .unwrap_or_else(|| instant.naive_utc())
            }
        }
    }

    /// Whether wall times of this zone are wall times of `site` as well.
    pub(crate) fn is_same_as(&self, site: Tz) -> bool {
        match self {
            Self::Floating => true,
            Self::Utc => site == Tz::UTC,
            Self::Iana(zone) => *zone == site,
            Self::Own(_) => false,
        }
    }

    /// Whether its times are instants without knowing the site.
    pub(crate) fn is_fixed(&self) -> bool {
        !matches!(self, Self::Floating)
    }
}

/// The IANA zone that a `TZID` means: an IANA name, such a name behind a prefix
/// (`/vendor/2024b/Europe/Berlin`), or a name from [`WINDOWS_ZONES`].
pub(crate) fn iana(tzid: &str) -> Option<Tz> {
    let tzid = tzid.trim();
    if let Some(zone) = named(tzid) {
        return Some(zone);
    }
    if tzid.starts_with('/') {
        let mut rest = tzid;
        while let Some((_, tail)) = rest.split_once('/') {
            if let Some(zone) = named(tail) {
                return Some(zone);
            }
            rest = tail;
        }
    }
    WINDOWS_ZONES
        .iter()
        .find(|(foreign, _)| foreign.eq_ignore_ascii_case(tzid))
        .and_then(|(_, name)| name.parse().ok())
}

/// The zone of an IANA name, written in whatever case.
fn named(name: &str) -> Option<Tz> {
    let any_case = || {
        chrono_tz::TZ_VARIANTS
            .iter()
            .find(|zone| zone.name().eq_ignore_ascii_case(name))
            .copied()
    };
    name.parse().ok().or_else(any_case)
}

/// The IANA name most like an unknown one.
pub(crate) fn nearest(tzid: &str) -> Option<&'static str> {
    let wanted = tzid.trim().to_ascii_lowercase();
    chrono_tz::TZ_VARIANTS
        .iter()
        .map(|zone| {
            (
                strsim::jaro_winkler(&wanted, &zone.name().to_ascii_lowercase()),
                zone.name(),
            )
        })
        .filter(|(likeness, _)| *likeness > 0.85)
        .max_by(|a, b| a.0.total_cmp(&b.0).then_with(|| b.1.cmp(a.1)))
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_foreign_name_leads_to_a_zone() {
        for (foreign, name) in WINDOWS_ZONES {
            assert!(iana(foreign).is_some(), "{foreign} -> {name}");
        }
    }

    #[test]
    fn prefixed_names_are_understood() {
        assert_eq!(
            iana("/vendor.example/20240101_1/Europe/Berlin"),
            Some(Tz::Europe__Berlin)
        );
        assert_eq!(
            iana("/vendor.example/America/Argentina/Ushuaia"),
            Some(Tz::America__Argentina__Ushuaia)
        );
        assert_eq!(iana("europe/berlin"), Some(Tz::Europe__Berlin));
        assert_eq!(iana("W. Europe Standard Time"), Some(Tz::Europe__Berlin));
        assert_eq!(iana("/vendor.example/Nowhere"), None);
    }

    #[test]
    fn a_slip_of_the_pen_gets_a_proposal() {
        assert_eq!(nearest("Europe/Berlni"), Some("Europe/Berlin"));
        assert_eq!(nearest("qqqqqqqq"), None);
    }
}

//! Coordinates that look swapped or negated, and horizons of facades.

use crate::site::build::Draft;
use crate::site::read::{Reader, Tree};
use chrono::{DateTime, Offset, TimeZone, Utc};
use chrono_tz::Tz;

/// A winter and a summer day: the smaller of both offsets is the standard one.
const PROBES: [i64; 2] = [1_768_000_000, 1_784_000_000];

/// The longitude around which a zone's standard time is made: 15 degrees an hour.
fn longitude_of(zone: Tz) -> f64 {
    let offset = |at: i64| {
        let at = DateTime::<Utc>::from_timestamp(at, 0).unwrap_or_default();
        zone.offset_from_utc_datetime(&at.naive_utc())
            .fix()
            .local_minus_utc()
    };
    let standard = PROBES.iter().map(|at| offset(*at)).min().unwrap_or(0);
    f64::from(standard) / 240.0
}

/// How far apart two longitudes are, degrees.
fn apart(a: f64, b: f64) -> f64 {
    let turn = (a - b).rem_euclid(360.0);
    turn.min(360.0 - turn)
}

/// No zone's land lies further from the longitude of its standard time than
/// this, but for western China and a few islands (common knowledge, no source).
const FURTHEST_DEG: f64 = 30.0;

pub(crate) fn lint(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    let (Some(site), Some(node)) = (&draft.site, tree.one("site")) else {
        return;
    };
    let (latitude, longitude) = (site.location.latitude_deg(), site.location.longitude_deg());
    let zone_at = longitude_of(site.zone);
    if apart(longitude, zone_at) <= FURTHEST_DEG {
        return;
    }
    let hint = if apart(-longitude, zone_at) <= FURTHEST_DEG {
        "west of Greenwich is negative: has the sign been lost?"
    } else if apart(latitude, zone_at) <= FURTHEST_DEG && longitude.abs() <= 90.0 {
        "have latitude and longitude been swapped?"
    } else {
        "look at both"
    };
    reader.warn(
        &node.at("longitude_deg"),
        format!(
            "longitude {longitude}° is far from the zone {}, whose clocks go by {zone_at}°",
            site.zone.name()
        ),
        hint,
    );
}

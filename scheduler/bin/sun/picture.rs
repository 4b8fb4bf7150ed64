//! The sun path over the facade: gathers what [`leeside_dryrun::plot`] draws.

use chrono::{Datelike, NaiveDate, NaiveTime, Offset, TimeZone, Timelike, Utc};
use leeside_core::time::to_utc;
use leeside_dryrun::plot::{
    HourLine, PathDay, PathPoint, Region, RegionKind, SunPathPlot, sun_path,
};
use leeside_solar::shade::Obstructions;
use leeside_solar::{Sun, SunPath};

use super::SunArgs;
use super::subject::{Facade, Subject};

const MINUTE_MS: i64 = 60_000;

pub(super) fn draw(args: &SunArgs, subject: &Subject) -> anyhow::Result<String> {
    let year = match (args.date, args.at.as_deref()) {
        (Some(date), _) => date.year(),
        (None, Some(text)) if text != "-" => super::parsed(text, "--at")?.year(),
        (None, _) => Utc::now().year(),
    };
    let mut path = SunPath::new(subject.location, subject.air);
    let shade = Shade::of(subject.facade.as_ref());
    let offset = standard_offset_ms(subject, year);
    let days = [
        (12, "Dec"),
        (1, "Jan"),
        (2, "Feb"),
        (3, "Mar"),
        (4, "Apr"),
        (5, "May"),
        (6, "Jun"),
    ]
    .into_iter()
    .filter_map(|(month, name)| {
        let date = NaiveDate::from_ymd_opt(year, month, 21)?;
        Some(day(&mut path, subject, &shade, date, &format!("21 {name}")))
    })
    .collect();
    let hours = (0..24)
        .map(|hour| hour_line(&mut path, year, hour, offset))
        .collect();
    // The side from which the sun shines at noon belongs in the middle.
    let left_azimuth_deg = if subject.location.latitude_deg() >= 0.0 {
        0.0
    } else {
        180.0
    };
    let hours_of = offset / (60 * MINUTE_MS);
    let facade = subject.facade.as_ref();
    let title = facade.map_or_else(
        || format!("Sun path over {}", subject.name),
        |facade| format!("Sun path over {}, {}", subject.name, facade.name),
    );
    let place = subject.location;
    Ok(sun_path(&SunPathPlot {
        title,
        subtitle: format!(
            "{:.4}°, {:.4}°; {}apparent sun, {year}; hours UTC{hours_of:+}{}",
            place.latitude_deg(),
            place.longitude_deg(),
            facade.map_or_else(String::new, |f| format!(
                "azimuth {}°, tilt {}°; ",
                f.plane.azimuth_deg(),
                f.plane.tilt_deg()
            )),
            shade.opening.map_or_else(String::new, |name| format!(
                "; lit: some of the opening of group {name}"
            )),
        ),
        left_azimuth_deg,
        facade_azimuth_deg: facade.map(|f| f.plane.azimuth_deg()),
        days,
        hours,
        regions: shade.regions(left_azimuth_deg),
    }))
}

/// The zone's offset without daylight saving: the smaller of January and July.
fn standard_offset_ms(subject: &Subject, year: i32) -> i64 {
    [1, 7]
        .into_iter()
        .filter_map(|month| NaiveDate::from_ymd_opt(year, month, 1))
        .map(|date| {
            let at = date.and_time(NaiveTime::MIN);
            let offset = subject.zone.offset_from_utc_datetime(&at).fix();
            i64::from(offset.local_minus_utc()) * 1000
        })
        .min()
        .unwrap_or(0)
}

/// What decides whether a sun lights the facade: its plane and, where there is a
/// group with an opening, what shades that.
struct Shade<'a> {
    facade: Option<&'a Facade>,
    opening: Option<&'a str>,
}

impl<'a> Shade<'a> {
    fn of(facade: Option<&'a Facade>) -> Self {
        let opening = facade.and_then(|f| {
            f.groups
                .iter()
                .find(|group| group.opening.is_some())
                .map(|group| group.name.as_str())
        });
        Self { facade, opening }
    }

    fn lit(&self, sun: &Sun) -> bool {
        let Some(facade) = self.facade else {
            return sun.is_up();
        };
        let group = facade.groups.iter().find(|group| group.opening.is_some());
        match group.and_then(|group| Some((group, group.opening?))) {
            Some((group, opening)) => {
                group.obstructions.lit_share(&facade.plane, sun, &opening) > 0.0
            }
            None => facade.plane.sunlit(sun) && !facade.obstructions.hidden_by_horizon(sun),
        }
    }

    fn obstructions(&self) -> Option<&Obstructions> {
        let facade = self.facade?;
        let group = facade.groups.iter().find(|group| group.opening.is_some());
        Some(group.map_or(&facade.obstructions, |group| &group.obstructions))
    }

    /// The sky in columns of one degree, each cut where the answer changes.
    fn regions(&self, left_azimuth_deg: f64) -> Vec<Region> {
        let (Some(facade), Some(obstructions)) = (self.facade, self.obstructions()) else {
            return Vec::new();
        };
        let hidden = |sun: &Sun| obstructions.hidden_by_horizon(sun);
        let behind = |sun: &Sun| !facade.plane.sunlit(sun);
        let shaded = |sun: &Sun| !behind(sun) && !hidden(sun) && !self.lit(sun);
        let mut regions = Vec::new();
        regions.extend(bands(left_azimuth_deg, RegionKind::Behind, behind));
        regions.extend(bands(left_azimuth_deg, RegionKind::Shade, shaded));
        regions.extend(bands(left_azimuth_deg, RegionKind::Skyline, hidden));
        regions
    }
}

/// Where `is` holds, in up to two bands (from below and from above) over the
/// azimuths; a quarter of a degree fine.
fn bands(left: f64, kind: RegionKind, is: impl Fn(&Sun) -> bool) -> Vec<Region> {
    let mut low = Vec::new();
    let mut high = Vec::new();
    for step in 0..=720_u16 {
        // The last column lies just inside the right edge.
        let azimuth = left + (f64::from(step) * 0.5).min(359.99);
        let holds: Vec<bool> = (0..=360_u16)
            .map(|i| is(&Sun::from_angles((f64::from(i) * 0.25).max(0.01), azimuth)))
            .collect();
        let height = |steps: usize| u16::try_from(steps).map_or(0.0, |n| f64::from(n) * 0.25);
        let from_below = holds.iter().take_while(|h| **h).count();
        low.push((azimuth, 0.0, height(from_below)));
        let rest = &holds[from_below..];
        let begin = from_below + rest.iter().take_while(|h| !**h).count();
        let end = begin + holds[begin..].iter().take_while(|h| **h).count();
        high.push((azimuth, height(begin), height(end)));
    }
    [low, high]
        .into_iter()
        .filter(|band| band.iter().any(|(_, from, to)| to > from))
        .map(|band| Region { kind, band })
        .collect()
}

/// A local day's path in steps of two minutes, and its lit hours by the clock.
fn day(
    path: &mut SunPath,
    subject: &Subject,
    shade: &Shade<'_>,
    date: NaiveDate,
    label: &str,
) -> PathDay {
    let from = to_utc(subject.zone, date.and_time(NaiveTime::MIN)).utc;
    let mut points = Vec::new();
    let mut spans: Vec<(i64, i64)> = Vec::new();
    for minute in 0..24 * 60 {
        let at = from.timestamp_millis() + minute * MINUTE_MS;
        let sun = path.at(at);
        let lit = shade.lit(&sun);
        if lit {
            match spans.last_mut() {
                Some((_, end)) if *end == at => *end = at + MINUTE_MS,
                _ => spans.push((at, at + MINUTE_MS)),
            }
        }
        if sun.is_up() && minute % 2 == 0 {
            points.push(PathPoint {
                azimuth_deg: sun.azimuth_deg(),
                elevation_deg: sun.elevation_deg(),
                lit,
            });
        }
    }
    let clock = |at: i64| {
        chrono::DateTime::from_timestamp_millis(at).map_or_else(String::new, |at| {
            let at = at.with_timezone(&subject.zone);
            format!("{:02}:{:02}", at.hour(), at.minute())
        })
    };
    let lit_hours: Vec<String> = spans
        .iter()
        .map(|(from, to)| {
            let end = match clock(*to) {
                midnight if midnight == "00:00" => "24:00".to_owned(),
                end => end,
            };
            format!("{}-{end}", clock(*from))
        })
        .collect();
    PathDay {
        label: label.to_owned(),
        points,
        lit_hours: if lit_hours.is_empty() {
            "none".to_owned()
        } else {
            lit_hours.join(", ")
        },
    }
}

/// One hour of standard time from one solstice to the next.
fn hour_line(path: &mut SunPath, year: i32, hour: i64, offset: i64) -> HourLine {
    let first = NaiveDate::from_ymd_opt(year, 1, 1).map_or(0, |date| {
        date.and_time(NaiveTime::MIN).and_utc().timestamp_millis()
    });
    let points = (0..=182)
        .step_by(7)
        .map(|day| path.at(first + (day - 10) * 86_400_000 + hour * 60 * MINUTE_MS - offset))
        .filter(Sun::is_up)
        .map(|sun| (sun.azimuth_deg(), sun.elevation_deg()))
        .collect();
    HourLine {
        label: hour.to_string(),
        points,
    }
}

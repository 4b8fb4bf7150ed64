//! The sun's path over a facade of the site, as `plot` draws it.

use crate::plot::{HourLine, PathDay, PathPoint, Region, RegionKind, SunPathPlot, sun_path};
use chrono::{NaiveDate, NaiveTime, Offset, TimeZone, Timelike};
use leeside_core::ids::FacadeId;
use leeside_core::model::{Facade, Group, Model};
use leeside_core::time::{HOUR, MINUTE, Wall, to_utc};
use leeside_solar::{Sun, SunPath};

/// The drawing for a facade in a year.
pub(super) fn drawing(model: &Model, id: FacadeId, year: i32) -> String {
    let facade = model.facade(id);
    let mut path = SunPath::new(model.site.location, model.site.atmosphere);
    let view = View::of(model, id);
    let offset = standard_offset_ms(model, year);
    let months = [
        (12, "Dec"),
        (1, "Jan"),
        (2, "Feb"),
        (3, "Mar"),
        (4, "Apr"),
        (5, "May"),
        (6, "Jun"),
    ];
    let days = months.into_iter().filter_map(|(month, name)| {
        let date = NaiveDate::from_ymd_opt(year, month, 21)?;
        Some(day(&mut path, model, &view, date, &format!("21 {name}")))
    });
    let days: Vec<PathDay> = days.collect();
    let hours = (0..24)
        .map(|hour| hour_line(&mut path, year, hour, offset))
        .collect();
    // The side from which the sun shines at noon belongs in the middle.
    let left_azimuth_deg = if model.site.location.latitude_deg() >= 0.0 {
        0.0
    } else {
        180.0
    };
    let lit = view.group.map_or_else(
        || "lit: the facade".to_owned(),
        |group| format!("lit: some of the opening of group {}", group.name),
    );
    sun_path(&SunPathPlot {
        title: format!("The sun over facade {}", facade.name),
        subtitle: format!(
            "azimuth {}°, tilt {}°; apparent sun of {year}; hours UTC{:+}; {lit}",
            facade.plane.azimuth_deg(),
            facade.plane.tilt_deg(),
            offset / HOUR,
        ),
        left_azimuth_deg,
        facade_azimuth_deg: Some(facade.plane.azimuth_deg()),
        days,
        hours,
        regions: view.regions(left_azimuth_deg),
    })
}

/// What decides whether a sun lights the facade: its plane and, where one of its
/// groups has an opening, what shades that.
struct View<'m> {
    facade: &'m Facade,
    group: Option<&'m Group>,
}

impl<'m> View<'m> {
    fn of(model: &'m Model, id: FacadeId) -> Self {
        let group = model
            .groups
            .iter()
            .find(|group| group.facade == id && group.opening.is_some());
        Self {
            facade: model.facade(id),
            group,
        }
    }

    fn hidden(&self, sun: &Sun) -> bool {
        self.group
            .map_or(&self.facade.obstructions, |group| &group.obstructions)
            .hidden_by_horizon(sun)
    }

    fn lit(&self, sun: &Sun) -> bool {
        match self.group.and_then(|group| Some((group, group.opening?))) {
            Some((group, opening)) => {
                group
                    .obstructions
                    .lit_share(&self.facade.plane, sun, &opening)
                    > 0.0
            }
            None => self.facade.plane.sunlit(sun) && !self.hidden(sun),
        }
    }

    fn regions(&self, left_azimuth_deg: f64) -> Vec<Region> {
        let behind = |sun: &Sun| !self.facade.plane.sunlit(sun);
        let hidden = |sun: &Sun| self.hidden(sun);
        let shaded = |sun: &Sun| !behind(sun) && !hidden(sun) && !self.lit(sun);
        let mut regions = bands(left_azimuth_deg, RegionKind::Behind, behind);
        regions.extend(bands(left_azimuth_deg, RegionKind::Shade, shaded));
        regions.extend(bands(left_azimuth_deg, RegionKind::Skyline, hidden));
        regions
    }
}

/// Where something holds, in up to two bands over the azimuths (from below, and
/// above a gap), a degree by half a degree fine.
fn bands(left: f64, kind: RegionKind, is: impl Fn(&Sun) -> bool) -> Vec<Region> {
    let (mut low, mut high) = (Vec::new(), Vec::new());
    for column in 0..=360_u16 {
        // The last column lies just inside the right edge.
        let azimuth = left + f64::from(column).min(359.99);
        let holds: Vec<bool> = (0..=180_u16)
            .map(|i| is(&Sun::from_angles((f64::from(i) * 0.5).max(0.01), azimuth)))
            .collect();
        let height = |steps: usize| u16::try_from(steps).map_or(0.0, |n| f64::from(n) * 0.5);
        let from_below = holds.iter().take_while(|holds| **holds).count();
        let begin = from_below
            + holds[from_below..]
                .iter()
                .take_while(|holds| !**holds)
                .count();
        let end = begin + holds[begin..].iter().take_while(|holds| **holds).count();
        low.push((azimuth, 0.0, height(from_below)));
        high.push((azimuth, height(begin), height(end)));
    }
    let some = |band: &Vec<(f64, f64, f64)>| band.iter().any(|(_, from, to)| to > from);
    [low, high]
        .into_iter()
        .filter(some)
        .map(|band| Region { kind, band })
        .collect()
}

/// A local day's path in steps of four minutes, and its lit hours by the clock.
fn day(
    path: &mut SunPath,
    model: &Model,
    view: &View<'_>,
    date: NaiveDate,
    label: &str,
) -> PathDay {
    let zone = model.site.zone;
    let from = Wall::from_utc(to_utc(zone, date.and_time(NaiveTime::MIN)).utc);
    let (mut points, mut spans) = (Vec::new(), Vec::<(i64, i64)>::new());
    for minute in 0..24 * 60 {
        let at = from.0 + minute * MINUTE;
        let sun = path.at(at);
        let lit = sun.is_up() && view.lit(&sun);
        if lit {
            match spans.last_mut() {
                Some((_, end)) if *end == at => *end = at + MINUTE,
                _ => spans.push((at, at + MINUTE)),
            }
        }
        if sun.is_up() && minute % 4 == 0 {
            points.push(PathPoint {
                azimuth_deg: sun.azimuth_deg(),
                elevation_deg: sun.elevation_deg(),
                lit,
            });
        }
    }
    let clock = |at: i64| {
        let local = Wall(at).utc().with_timezone(&zone);
        format!("{:02}:{:02}", local.hour(), local.minute())
    };
    let told: Vec<String> = spans
        .iter()
        .map(|(from, to)| format!("{}-{}", clock(*from), clock(*to)))
        .collect();
    let lit_hours = if told.is_empty() {
        "none".to_owned()
    } else {
        told.join(", ")
    };
    PathDay {
        label: label.to_owned(),
        points,
        lit_hours,
    }
}

/// One hour of standard time from one solstice to the next.
fn hour_line(path: &mut SunPath, year: i32, hour: i64, offset: i64) -> HourLine {
    let first = NaiveDate::from_ymd_opt(year, 1, 1).map_or(0, |date| {
        date.and_time(NaiveTime::MIN).and_utc().timestamp_millis()
    });
    let points = (0..=182)
        .step_by(7)
        .map(|day| path.at(first + (day - 10) * 24 * HOUR + hour * HOUR - offset))
        .filter(Sun::is_up)
        .map(|sun| (sun.azimuth_deg(), sun.elevation_deg()));
    HourLine {
        label: hour.to_string(),
        points: points.collect(),
    }
}

/// The zone's offset without daylight saving: the smaller of January and July.
fn standard_offset_ms(model: &Model, year: i32) -> i64 {
    let offsets = [1, 7]
        .into_iter()
        .filter_map(|month| NaiveDate::from_ymd_opt(year, month, 1))
        .map(|date| {
            let offset = model
                .site
                .zone
                .offset_from_utc_datetime(&date.and_time(NaiveTime::MIN))
                .fix();
            i64::from(offset.local_minus_utc()) * 1_000
        });
    offsets.min().unwrap_or(0)
}

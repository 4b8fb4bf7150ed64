//! What the drawing of the sun's path shows: days, hours, and what hides the sun
//! from a facade, worked out for one place and year.

use super::{HourLine, PathDay, PathPoint, Region, RegionKind};
use chrono::{NaiveDate, NaiveTime, Offset, TimeZone, Timelike};
use chrono_tz::Tz;
use leeside_core::time::{HOUR, MINUTE, Wall, to_utc};
use leeside_solar::shade::{Obstructions, Opening};
use leeside_solar::{Atmosphere, Location, Plane, Sun, SunPath};

/// Where the sun is looked at, and when.
#[derive(Clone, Copy, Debug)]
pub struct Gather<'a> {
    /// The place.
    pub location: Location,
    /// Its air.
    pub air: Atmosphere,
    /// Its clock.
    pub zone: Tz,
    /// The year.
    pub year: i32,
    /// The facade; without one everything above the horizon counts as lit.
    pub onto: Option<Onto<'a>>,
    /// How fine.
    pub grain: Grain,
}

/// What decides whether a sun lights a facade: its plane, what stands before it
/// and, where one of its groups has an opening, that.
#[derive(Clone, Copy, Debug)]
pub struct Onto<'a> {
    /// The plane of the facade.
    pub plane: &'a Plane,
    /// What hides the sun from the opening, or from the facade.
    pub obstructions: &'a Obstructions,
    /// The opening.
    pub opening: Option<&'a Opening>,
}

/// How fine a drawing is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Grain {
    /// For a drawing of its own: half a degree by a quarter, every two minutes.
    Fine,
    /// For one of many on a page: a degree by half a degree, every four minutes.
    Coarse,
}

impl Onto<'_> {
    fn behind(&self, sun: &Sun) -> bool {
        !self.plane.sunlit(sun)
    }

    fn hidden(&self, sun: &Sun) -> bool {
        self.obstructions.hidden_by_horizon(sun)
    }

    fn lit(&self, sun: &Sun) -> bool {
        match self.opening {
            Some(opening) => self.obstructions.lit_share(self.plane, sun, opening) > 0.0,
            None => !self.behind(sun) && !self.hidden(sun),
        }
    }
}

impl Gather<'_> {
    /// The side from which the sun shines at noon belongs in the middle: the
    /// azimuth at the left edge, degrees.
    #[must_use]
    pub fn left_azimuth_deg(&self) -> f64 {
        if self.location.latitude_deg() >= 0.0 {
            0.0
        } else {
            180.0
        }
    }

    /// The zone's offset without daylight saving, ms: the smaller of January and
    /// July.
    #[must_use]
    pub fn standard_offset_ms(&self) -> i64 {
        let offsets = [1, 7]
            .into_iter()
            .filter_map(|month| NaiveDate::from_ymd_opt(self.year, month, 1))
            .map(|date| {
                let at = date.and_time(NaiveTime::MIN);
                let offset = self.zone.offset_from_utc_datetime(&at).fix();
                i64::from(offset.local_minus_utc()) * 1_000
            });
        offsets.min().unwrap_or(0)
    }

    /// The 21st of the months from the winter solstice to the summer's.
    #[must_use]
    pub fn days(&self) -> Vec<PathDay> {
        let months = [
            (12, "Dec"),
            (1, "Jan"),
            (2, "Feb"),
            (3, "Mar"),
            (4, "Apr"),
            (5, "May"),
            (6, "Jun"),
        ];
        let mut path = SunPath::new(self.location, self.air);
        let days = months.into_iter().filter_map(|(month, name)| {
            let date = NaiveDate::from_ymd_opt(self.year, month, 21)?;
            Some(self.day(&mut path, date, format!("21 {name}")))
        });
        days.collect()
    }

    /// The hours of standard time, each from one solstice to the next.
    #[must_use]
    pub fn hours(&self) -> Vec<HourLine> {
        let mut path = SunPath::new(self.location, self.air);
        let first = NaiveDate::from_ymd_opt(self.year, 1, 1).map_or(0, |date| {
            date.and_time(NaiveTime::MIN).and_utc().timestamp_millis()
        });
        let offset = self.standard_offset_ms();
        let line = |hour: i64| {
            let points = (0..=182)
                .step_by(7)
                .map(|day| path.at(first + (day - 10) * 24 * HOUR + hour * HOUR - offset))
                .filter(Sun::is_up)
                .map(|sun| (sun.azimuth_deg(), sun.elevation_deg()));
            HourLine {
                label: hour.to_string(),
                points: points.collect(),
            }
        };
        (0..24).map(line).collect()
    }

    /// What hides the sun.
    #[must_use]
    pub fn regions(&self) -> Vec<Region> {
        let Some(onto) = &self.onto else {
            return Vec::new();
        };
        let shaded = |sun: &Sun| !onto.behind(sun) && !onto.hidden(sun) && !onto.lit(sun);
        let mut regions = self.bands(RegionKind::Behind, |sun| onto.behind(sun));
        regions.extend(self.bands(RegionKind::Shade, shaded));
        regions.extend(self.bands(RegionKind::Skyline, |sun| onto.hidden(sun)));
        regions
    }

    /// Where something holds, in up to two bands over the azimuths: from below,
    /// and above a gap.
    fn bands(&self, kind: RegionKind, is: impl Fn(&Sun) -> bool) -> Vec<Region> {
        let (columns, heights): (u16, u16) = match self.grain {
            Grain::Fine => (720, 360),
            Grain::Coarse => (360, 180),
        };
        let (wide, high_each) = (360.0 / f64::from(columns), 90.0 / f64::from(heights));
        let (mut low, mut high) = (Vec::new(), Vec::new());
        for column in 0..=columns {
            // The last column lies just inside the right edge.
            let azimuth = self.left_azimuth_deg() + (f64::from(column) * wide).min(359.99);
            let holds: Vec<bool> = (0..=heights)
                .map(|step| {
                    let elevation = (f64::from(step) * high_each).max(0.01);
                    is(&Sun::from_angles(elevation, azimuth))
                })
                .collect();
            let height = |steps: usize| u16::try_from(steps).map_or(0.0, f64::from) * high_each;
            let from_below = holds.iter().take_while(|holds| **holds).count();
            let gap = holds[from_below..].iter().take_while(|holds| !**holds);
            let begin = from_below + gap.count();
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

    /// A local day's path, and its lit hours by the clock.
    fn day(&self, path: &mut SunPath, date: NaiveDate, label: String) -> PathDay {
        let from = Wall::from_utc(to_utc(self.zone, date.and_time(NaiveTime::MIN)).utc);
        let every = match self.grain {
            Grain::Fine => 2,
            Grain::Coarse => 4,
        };
        let (mut points, mut spans) = (Vec::new(), Vec::<(i64, i64)>::new());
        for minute in 0..24 * 60 {
            let at = from.0 + minute * MINUTE;
            let sun = path.at(at);
            let lit = sun.is_up() && self.onto.is_none_or(|onto| onto.lit(&sun));
            if lit {
                match spans.last_mut() {
                    Some((_, end)) if *end == at => *end = at + MINUTE,
                    _ => spans.push((at, at + MINUTE)),
                }
            }
            if sun.is_up() && minute % every == 0 {
                points.push(PathPoint {
                    azimuth_deg: sun.azimuth_deg(),
                    elevation_deg: sun.elevation_deg(),
                    lit,
                });
            }
        }
        let clock = |at: i64| {
            let local = Wall(at).utc().with_timezone(&self.zone);
            format!("{:02}:{:02}", local.hour(), local.minute())
        };
        let told = spans.iter().map(|(from, to)| {
            let end = match clock(*to) {
                midnight if midnight == "00:00" => "24:00".to_owned(),
                end => end,
            };
            format!("{}-{end}", clock(*from))
        });
        let told: Vec<String> = told.collect();
        let lit_hours = if told.is_empty() {
            "none".to_owned()
        } else {
            told.join(", ")
        };
        PathDay {
            label,
            points,
            lit_hours,
        }
    }
}

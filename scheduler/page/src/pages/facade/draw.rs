//! The drawings of a facade: the sun's paths over it, and its day.

use super::day::{Answer, Minute};
use crate::draw::{Lane, Paper, at, bar, clock, roof};
use crate::layout::family;
use crate::pages::now::direction;
use crate::words::{Words, local};
use core::fmt::Write as _;
use leeside_core::output::Word;
use leeside_core::time::{MINUTE, Wall};
use leeside_dryrun::plot::{Region, RegionKind};
use maud::{Markup, html};

const LEFT: f64 = 44.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 8.0;
const TALL: f64 = 330.0;

/// The sky over a facade: azimuth across, elevation up.
pub(super) struct SkyDrawing<'a> {
    pub(super) words: Words,
    pub(super) answer: &'a Answer,
    pub(super) paper: Paper,
}

impl SkyDrawing<'_> {
    fn across(&self, azimuth_deg: f64) -> f64 {
        let turned = (azimuth_deg - self.answer.plot.left_azimuth_deg).rem_euclid(360.0);
        LEFT + turned / 360.0 * (self.paper.width - LEFT - RIGHT)
    }

    fn most(&self) -> f64 {
        let paths = self.answer.plot.days.iter().flat_map(|day| &day.points);
        let highest = paths.map(|point| point.elevation_deg).fold(20.0, f64::max);
        roof(highest + 6.0, &[30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0])
    }

    fn up(&self, elevation_deg: f64) -> f64 {
        TOP + TALL * (1.0 - (elevation_deg / self.most()).clamp(0.0, 1.0))
    }

    /// A line through points, broken where it runs over the edge.
    fn line(&self, points: &[(f64, f64)]) -> String {
        let mut path = String::new();
        let mut last: Option<f64> = None;
        for (azimuth, elevation) in points {
            let x = self.across(*azimuth);
            let joined = last.is_some_and(|last| (x - last).abs() < self.paper.width / 3.0);
            // Writing to a String does not fail.
            let _ = write!(
                path,
                "{}{} {}",
                if joined { 'L' } else { 'M' },
                at(x),
                at(self.up(*elevation))
            );
            last = Some(x);
        }
        path
    }

    fn region(&self, region: &Region) -> String {
        let mut path = String::new();
        for piece in region.band.chunk_by(|a, b| (a.2 > a.1) == (b.2 > b.1)) {
            if piece.len() < 2 || piece[0].2 <= piece[0].1 {
                continue;
            }
            let (upper, lower) = (piece.iter(), piece.iter().rev());
            let points = upper
                .map(|(azimuth, _, high)| (azimuth, high))
                .chain(lower.map(|(azimuth, low, _)| (azimuth, low)));
            for (index, (azimuth, elevation)) in points.enumerate() {
                let pen = if index == 0 { 'M' } else { 'L' };
                let _ = write!(
                    path,
                    "{pen}{} {}",
                    at(self.across(*azimuth)),
                    at(self.up(*elevation))
                );
            }
            path.push('z');
        }
        path
    }

    pub(super) fn show(&self, now: Option<(f64, f64)>) -> Markup {
        let (words, plot, paper) = (self.words, &self.answer.plot, self.paper);
        let bottom = TOP + TALL;
        let days: Vec<(String, Vec<(f64, f64)>)> = plot
            .days
            .iter()
            .map(|day| {
                let points = day
                    .points
                    .iter()
                    .map(|p| (p.azimuth_deg, p.elevation_deg))
                    .collect();
                (day_name(words, &day.label), points)
            })
            .collect();
        let today: Vec<(f64, f64, bool)> = self
            .answer
            .minutes
            .iter()
            .step_by(5)
            .filter(|minute| minute.sun.is_up())
            .map(|minute| {
                (
                    minute.sun.azimuth_deg(),
                    minute.sun.elevation_deg(),
                    minute.lit_share > 0.0,
                )
            })
            .collect();
        let path: Vec<(f64, f64)> = today.iter().map(|(a, e, _)| (*a, *e)).collect();
        let lit = today.chunk_by(|a, b| a.2 == b.2).filter(|piece| piece[0].2);
        let lit: Vec<String> = lit
            .map(|piece| self.line(&piece.iter().map(|(a, e, _)| (*a, *e)).collect::<Vec<_>>()))
            .collect();
        html! {
            svg class={ "sunpath " (paper.class) } viewBox={ "0 0 " (paper.width) " " (bottom + 44.0) } role="img" aria-label=(self.in_words()) {
                rect.sky x=(LEFT) y=(TOP) width=(paper.width - LEFT - RIGHT) height=(TALL) {}
                @for region in &plot.regions {
                    path fill=(fill(region.kind)) d=(self.region(region)) {}
                }
                @for elevation in (0..=80_u8).step_by(10).filter(|e| f64::from(*e) < self.most()) {
                    @let y = at(self.up(f64::from(elevation)));
                    path.grid d={ "M" (LEFT) " " (y) "H" (paper.width - RIGHT) } {}
                    text.lane-value x=(LEFT - 6.0) y=(y + 4.0) { (elevation) "°" }
                }
                @for step in 0..8_u8 {
                    @let azimuth = plot.left_azimuth_deg + f64::from(step) * 45.0;
                    @let x = at(self.across(azimuth));
                    path.grid d={ "M" (x) " " (TOP) "V" (bottom) } {}
                    text.clock-hour x=(x.max(LEFT + 8.0)) y=(bottom + 16.0) { (direction(words, azimuth.rem_euclid(360.0))) }
                }
                @for hour in &plot.hours { path.hour-line d=(self.line(&hour.points)) {} }
                @for (_, points) in &days { path.year-path d=(self.line(points)) {} }
                path.day-path d=(self.line(&path)) {}
                @for piece in &lit { path.lit-path d=(piece) {} }
                @for hour in plot.hours.iter().filter(|hour| self.names_hour(&hour.label)) {
                    @if let Some((azimuth, elevation)) = hour.points.last() {
                        text.halo.hour-name x=(at(self.across(*azimuth))) y=(at(self.up(*elevation) - 5.0)) { (hour.label) }
                    }
                }
                // Next to the solstices paths lie too close together for a name each; on a
                // small paper only solstices and equinox have room for one.
                @let wide = paper.width > 500.0;
                @let named = |index: usize| if wide { index != 1 && index != 5 } else { index.is_multiple_of(3) };
                @for (_, (name, points)) in days.iter().enumerate().filter(|(index, _)| named(*index)) {
                    @if let Some((azimuth, elevation)) = points.get(points.len() * 9 / 16) {
                        text.halo.path-name x=(at(self.across(*azimuth) + 4.0)) y=(at(self.up(*elevation) - 4.0)) { (name) }
                    }
                }
                @if let Some((azimuth, elevation)) = now {
                    circle.sun cx=(at(self.across(azimuth))) cy=(at(self.up(elevation))) r="9" {}
                }
                @if let Some(azimuth) = plot.facade_azimuth_deg {
                    path.facing d={ "M" (at(self.across(azimuth))) " " (bottom) "l-9 14h18z" } {}
                    text.clock-hour x=(at(self.across(azimuth))) y=(bottom + 32.0) { (words.fill("facade.facing", &[("azimuth", &words.number(azimuth, 0))])) }
                }
            }
        }
    }

    /// Which hours are named: on a small paper every other one.
    fn names_hour(&self, label: &str) -> bool {
        self.paper.width > 500.0 || label.parse::<u8>().is_ok_and(|hour| hour.is_multiple_of(2))
    }

    fn in_words(&self) -> String {
        let words = self.words;
        let facade = self.answer.model.facade(self.answer.facade);
        let hours: Vec<String> = self
            .answer
            .plot
            .days
            .iter()
            .map(|day| {
                format!(
                    "{}: {}",
                    day_name(words, &day.label),
                    lit_hours(words, &day.lit_hours)
                )
            })
            .collect();
        words.fill(
            "facade.path_in_words",
            &[("facade", &facade.name), ("hours", &hours.join("; "))],
        )
    }
}

/// `none` of the plot in the reader's words; hours are the same in all of them.
pub(super) fn lit_hours(words: Words, told: &str) -> String {
    if told == "none" {
        words.say("facade.never").to_owned()
    } else {
        told.replace('-', "–")
    }
}

/// `21 Dec` in the reader's words.
pub(super) fn day_name(words: Words, label: &str) -> String {
    const MONTHS: [&str; 12] = [
        "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
    ];
    let Some((day, month)) = label.split_once(' ') else {
        return label.to_owned();
    };
    let Some(number) = MONTHS.iter().position(|name| *name == month) else {
        return label.to_owned();
    };
    words.fill(
        "facade.day_month",
        &[
            ("day", &day),
            (
                "month",
                &words.say_of("month_short", &(number + 1).to_string()),
            ),
        ],
    )
}

/// What the regions of the sky are filled with, once for the drawings and their key.
pub(super) fn patterns() -> Markup {
    html! {
        svg.patterns width="0" height="0" aria-hidden="true" {
            pattern #p-skyline width="6" height="6" patternUnits="userSpaceOnUse" { rect.skyline-ground width="6" height="6" {} path.skyline-line d="M0 6L6 0" {} }
            pattern #p-shade width="7" height="7" patternUnits="userSpaceOnUse" { path.shade-line d="M0 3.5H7" {} }
            pattern #p-behind width="8" height="8" patternUnits="userSpaceOnUse" { circle.behind-dot cx="4" cy="4" r="1" {} }
        }
    }
}

const fn fill(kind: RegionKind) -> &'static str {
    match kind {
        RegionKind::Skyline => "url(#p-skyline)",
        RegionKind::Shade => "url(#p-shade)",
        RegionKind::Behind => "url(#p-behind)",
    }
}

const TILTS: f64 = 40.0;
const TILTS_TALL: f64 = 150.0;
const EXTENSION: f64 = 210.0;
const ANGLES: f64 = 302.0;
const SHORT: f64 = 70.0;
const ANGLES_TALL: f64 = 120.0;
const BOTTOM: f64 = ANGLES + ANGLES_TALL;

/// The day of the group: cut-off, tilt, extension, angles.
pub(super) fn day(words: Words, answer: &Answer, label: &str, paper: Paper) -> Markup {
    let day = &answer.day.on(paper);
    let slats = answer
        .group
        .and_then(|group| answer.model.group(group).slats);
    // Where there are no slats the lanes below move up.
    let up = if slats.is_some() {
        0.0
    } else {
        EXTENSION - TILTS
    };
    let bottom = BOTTOM - up;
    let lane = Lane {
        top: EXTENSION - up,
        height: SHORT,
        low: 0.0,
        high: 100.0,
    };
    let extension: Vec<(Wall, Option<f64>)> = answer
        .minutes
        .iter()
        .map(|m| (m.at, m.pose.map(|pose| f64::from(pose.extension_pct))))
        .collect();
    let angles = Lane {
        top: ANGLES - up,
        height: ANGLES_TALL,
        low: 0.0,
        high: 90.0,
    };
    let lit = |minute: &&Minute| minute.lit_share > 0.0;
    let of = |value: fn(&Minute) -> f64| -> Vec<(Wall, f64)> {
        answer
            .minutes
            .iter()
            .filter(lit)
            .map(|m| (m.at, value(m)))
            .collect()
    };
    let (incidence, profile) = (of(|m| m.incidence_deg), of(|m| m.profile_deg));
    let elevation: Vec<(Wall, f64)> = answer
        .minutes
        .iter()
        .filter(|m| m.sun.is_up())
        .map(|m| (m.at, m.sun.elevation_deg()))
        .collect();
    let degrees = [
        (0.0, "0°".to_owned()),
        (45.0, "45°".to_owned()),
        (90.0, "90°".to_owned()),
    ];
    html! {
        svg class={ "timeline " (paper.class) } viewBox={ "0 0 " (paper.width) " " (bottom + 24.0) } role="img" aria-label=(label) {
            @for stay in words_of(answer) {
                @let (class, mark) = family(stay.0);
                (bar(day, (stay.1, stay.2), 4.0, 26.0, &format!("band {class}")))
                @if day.x(stay.2) - day.x(stay.1) > 16.0 {
                    text.band-mark x=(at((day.x(stay.1) + day.x(stay.2)) / 2.0)) y="22" { (mark) }
                }
            }
            @if answer.group.is_some() { text.lane-value x=(paper.left - 8.0) y="22" { (words.say("why.rank")) } }
            @if let Some(slats) = slats { (tilts(words, answer, paper, slats.tilt_limits_deg())) }
            path.extension d=(lane.area(day, &extension, day.to)) {}
            (lane.frame(paper, words.say("facade.extension"), &[(0.0, "0 %".to_owned()), (100.0, "100 %".to_owned())]))
            path.incidence d=(angles.line(day, &incidence, MINUTE)) {}
            path.profile d=(angles.line(day, &profile, MINUTE)) {}
            path.sun-height d=(angles.line(day, &elevation, MINUTE)) {}
            @for span in spans(answer, lit) { (bar(day, span, bottom - 6.0, 6.0, "lit")) }
            (angles.frame(paper, words.say("facade.angles"), &degrees))
            (clock(&answer.model, day, 4.0, bottom))
        }
    }
}

fn tilts(words: Words, answer: &Answer, paper: Paper, (low, high): (f64, f64)) -> Markup {
    let day = &answer.day.on(paper);
    let lane = Lane {
        top: TILTS,
        height: TILTS_TALL,
        low: low.min(0.0),
        high,
    };
    let cutoff: Vec<(Wall, f64)> = answer
        .minutes
        .iter()
        .filter(|m| m.lit_share > 0.0)
        .filter_map(|m| Some((m.at, m.cutoff_deg()?)))
        .collect();
    let tilt: Vec<(Wall, Option<f64>)> = answer
        .minutes
        .iter()
        .map(|m| {
            let out = m.pose.filter(|pose| pose.extension_pct > 0);
            (m.at, out.and_then(|pose| pose.tilt_deg).map(f64::from))
        })
        .collect();
    let mut marks = vec![
        (low, format!("{}°", words.number(low, 0))),
        (high, format!("{}°", words.number(high, 0))),
    ];
    if low < 0.0 {
        marks.push((0.0, "0°".to_owned()));
    }
    html! {
        path.cutoff d=(lane.line(day, &cutoff, MINUTE)) {}
        path.tilt d=(lane.steps(day, &tilt, day.to)) {}
        (lane.frame(paper, words.say("facade.tilts"), &marks))
    }
}

/// Spans in which something holds.
pub(super) fn spans(answer: &Answer, holds: impl Fn(&&Minute) -> bool) -> Vec<(Wall, Wall)> {
    let mut spans: Vec<(Wall, Wall)> = Vec::new();
    for minute in answer.minutes.iter().filter(holds) {
        match spans.last_mut() {
            Some((_, to)) if *to == minute.at => *to = minute.at.plus(MINUTE),
            _ => spans.push((minute.at, minute.at.plus(MINUTE))),
        }
    }
    spans
}

fn words_of(answer: &Answer) -> Vec<(Word, Wall, Wall)> {
    let runs = answer.minutes.chunk_by(|a, b| a.word == b.word);
    runs.filter_map(|run| {
        let (first, last) = (run.first()?, run.last()?);
        Some((first.word?, first.at, last.at.plus(MINUTE)))
    })
    .collect()
}

/// A moment of the day by its clock.
pub(super) fn clock_of(answer: &Answer, moment: Wall) -> String {
    if moment == answer.day.to {
        "24:00".to_owned()
    } else {
        local(&answer.model, moment).format("%H:%M").to_string()
    }
}

//! The day around the moment: as a drawing, and the same as tables.

use super::address_of;
use super::ask::{Answer, EVERY_MS};
use crate::draw::{Day, Lane, PAPERS, Paper, at, bar, clock, marked, roof};
use crate::layout::{family, tag};
use crate::reasons::Teller;
use crate::words::{Words, local};
use leeside_core::output::Word;
use leeside_core::time::{HOUR, Wall};
use leeside_dryrun::told::Movement;
use leeside_dryrun::why::{Glance, Timeline};
use leeside_solar::Sun;
use maud::{Markup, html};

const WORDS_TOP: f64 = 4.0;
const WORDS_HEIGHT: f64 = 26.0;
const POSE: f64 = 44.0;
const WIND: f64 = 146.0;
const SUN: f64 = 248.0;
const TALL: f64 = 90.0;
const BOTTOM: f64 = SUN + TALL;

/// The day of an answer.
pub(super) struct Scene<'a> {
    pub(super) words: Words,
    pub(super) answer: &'a Answer,
    pub(super) tell: Teller<'a>,
}

impl Scene<'_> {
    /// Both parts of the day, in order of time, with whether each is planned.
    fn parts(&self) -> Vec<(&Timeline, bool)> {
        let recorded = matches!(self.answer.basis, super::ask::Basis::Recorded { .. });
        let mut parts = vec![(&self.answer.told, !recorded)];
        if let Some(rest) = &self.answer.rest {
            if recorded {
                parts.push((rest, true));
            } else {
                // What was comes first, and takes the place of what was planned.
                parts.insert(0, (rest, false));
            }
        }
        parts
    }

    fn glances(&self) -> Vec<Glance> {
        let mut all: Vec<Glance> = Vec::new();
        for (part, _) in self.parts() {
            let after = all.last().map(|last| last.at);
            let within = part.glances.iter().filter(|glance| {
                after.is_none_or(|after| glance.at > after)
                    && self.answer.day.from <= glance.at
                    && glance.at < self.answer.day.to
            });
            all.extend(within.copied());
        }
        all
    }

    /// Movements of the day, each with whether it is still to come.
    fn movements(&self) -> Vec<(Movement, bool)> {
        let (day, now) = (self.answer.day, self.answer.now);
        let two = self.parts().len() > 1;
        let mut all = Vec::new();
        for (part, planned) in self.parts() {
            let within = part.movements.iter().filter(|movement| {
                let at = movement.at.wall;
                day.from <= at && at < day.to && (!two || planned == (at > now))
            });
            if planned {
                all.extend(self.answer.joint().map(|joint| (joint, true)));
            }
            all.extend(within.map(|movement| (movement.clone(), two && planned)));
        }
        all
    }

    /// Spans in which the same word decided.
    fn decided(glances: &[Glance]) -> Vec<(Word, Wall, Wall)> {
        let mut spans: Vec<(Word, Wall, Wall)> = Vec::new();
        for glance in glances {
            let ends = glance.at.plus(EVERY_MS);
            match spans.last_mut() {
                Some((word, _, to))
                    if *word == glance.decided_by && glance.at.0 - to.0 <= EVERY_MS =>
                {
                    *to = ends;
                }
                _ => spans.push((glance.decided_by, glance.at, ends)),
            }
        }
        spans
    }

    pub(super) fn show(&self) -> Markup {
        let words = self.words;
        let glances = self.glances();
        html! {
            section.day aria-labelledby="the-day" {
                h2 #the-day {
                    (words.say("why.day")) " " small { (words.date(self.answer.day.from.local_date(self.answer.model.site.zone))) }
                }
                (self.other_days())
                @if glances.is_empty() {
                    p.none { (words.say("why.day_empty")) }
                } @else {
                    figure.plot {
                        div.wide tabindex="0" role="group" aria-label=(words.say("why.day_drawn")) {
                            @for paper in PAPERS { (self.drawing(&glances, paper)) }
                        }
                        figcaption { (self.key(&glances)) }
                        @if self.parts().len() > 1 { figcaption.hint { (words.say("why.to_come_note")) } }
                    }
                }
                (self.moved())
                @if !glances.is_empty() { (self.hours(&glances)) }
            }
        }
    }

    /// Links to the days beside this one.
    fn other_days(&self) -> Markup {
        let words = self.words;
        let here = |at: Wall| address_of(self.answer, at);
        let (before, after) = (
            self.answer.at.plus(-24 * HOUR),
            self.answer.at.plus(24 * HOUR),
        );
        html! {
            p.steps {
                a href=(here(before)) rel="prev" { "← " (words.say("why.day_before")) }
                " "
                a href=(here(after)) rel="next" { (words.say("why.day_after")) " →" }
            }
        }
    }

    fn drawing(&self, glances: &[Glance], paper: Paper) -> Markup {
        let (words, answer) = (self.words, self.answer);
        let day = &answer.day.on(paper);
        let planned_from = (self.parts().len() > 1).then_some(answer.now);
        html! {
            svg class={ "timeline " (paper.class) } viewBox={ "0 0 " (paper.width) " " (BOTTOM + 24.0) } role="img" aria-label=(self.in_words(glances)) {
                @for (word, from, to) in Self::decided(glances) {
                    @let (class, mark) = family(word);
                    (bar(day, (from, to), WORDS_TOP, WORDS_HEIGHT, &format!("band {class}")))
                    @if day.x(to) - day.x(from) > 16.0 {
                        text.band-mark x=(at((day.x(from) + day.x(to)) / 2.0)) y=(WORDS_TOP + 18.0) { (mark) }
                    }
                }
                (self.poses(day, glances))
                (self.winds(day))
                (self.light(day, glances))
                (clock(&answer.model, day, WORDS_TOP, BOTTOM))
                @if let Some(now) = planned_from {
                    (bar(day, (now, day.to), POSE, BOTTOM - POSE, "to-come"))
                }
                (marked(day, answer.at, WORDS_TOP, BOTTOM, "asked"))
                text.lane-value x=(paper.left - 8.0) y=(WORDS_TOP + 18.0) { (words.say("why.rank")) }
            }
        }
    }

    fn poses(&self, day: &Day, glances: &[Glance]) -> Markup {
        let words = self.words;
        let end = glances.last().map_or(day.to, |last| last.at.plus(EVERY_MS));
        let lane = Lane {
            top: POSE,
            height: TALL,
            low: 0.0,
            high: 100.0,
        };
        let extension: Vec<(Wall, Option<f64>)> = glances
            .iter()
            .map(|glance| {
                (
                    glance.at,
                    glance.pose.map(|pose| f64::from(pose.extension_pct)),
                )
            })
            .collect();
        let slats = self.answer.model.group(self.answer.group).slats.as_ref();
        let tilt_lane = slats.map(|slats| {
            let (low, high) = slats.tilt_limits_deg();
            Lane {
                low: low.min(0.0),
                high,
                ..lane
            }
        });
        let tilt: Vec<(Wall, Option<f64>)> = glances
            .iter()
            .map(|glance| {
                let out = glance.pose.filter(|pose| pose.extension_pct > 0);
                (glance.at, out.and_then(|pose| pose.tilt_deg).map(f64::from))
            })
            .collect();
        let marks = [(0.0, "0 %".to_owned()), (100.0, "100 %".to_owned())];
        html! {
            path.extension d=(lane.area(day, &extension, end)) {}
            @if let Some(lane) = tilt_lane {
                path.tilt d=(lane.steps(day, &tilt, end)) {}
            }
            (lane.frame(day.paper, words.say("why.poses"), &marks))
        }
    }

    fn winds(&self, day: &Day) -> Markup {
        let words = self.words;
        let Some(rule) = &self.answer.model.group(self.answer.group).wind else {
            let lane = Lane {
                top: WIND,
                height: TALL,
                low: 0.0,
                high: 1.0,
            };
            return lane.frame(day.paper, words.say("why.no_wind_rule"), &[]);
        };
        let winds = self.all_winds();
        let most = winds
            .iter()
            .map(|(_, speed)| *speed)
            .fold(rule.limit_mps, f64::max);
        let high = roof(
            most * 1.15,
            &[5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 60.0, 100.0],
        );
        let lane = Lane {
            top: WIND,
            height: TALL,
            low: 0.0,
            high,
        };
        let limit = (rule.limit_mps, words.number(rule.limit_mps, 1));
        let marks = [(0.0, "0".to_owned()), limit];
        let steps: Vec<(Wall, Option<f64>)> = winds
            .iter()
            .map(|(moment, speed)| (*moment, Some(*speed)))
            .collect();
        let ends = winds.last().map_or(day.to, |(last, _)| last.plus(EVERY_MS));
        html! {
            path.wind d=(lane.area(day, &steps, ends)) {}
            (lane.level(day.paper, rule.limit_mps, "limit"))
            (lane.frame(day.paper, words.say("why.wind"), &marks))
        }
    }

    fn all_winds(&self) -> Vec<(Wall, f64)> {
        let now = self.answer.now;
        let two = self.parts().len() > 1;
        let mut all = Vec::new();
        for (part, planned) in self.parts() {
            let within = part.winds.iter().filter(|(at, _)| {
                self.answer.day.from <= *at
                    && *at < self.answer.day.to
                    && (!two || planned == (*at > now))
            });
            all.extend(within.copied());
        }
        all
    }

    fn light(&self, day: &Day, glances: &[Glance]) -> Markup {
        let words = self.words;
        let group = self.answer.model.group(self.answer.group);
        let lit = self.lit();
        let light: Vec<(Wall, Option<f64>)> = glances
            .iter()
            .map(|glance| (glance.at, glance.irradiance_wm2))
            .collect();
        let most = light
            .iter()
            .filter_map(|(_, light)| *light)
            .fold(100.0, f64::max);
        let on = group.sun.as_ref().map(|rule| rule.on_wm2);
        let high = roof(
            most.max(on.unwrap_or(0.0)) * 1.1,
            &[200.0, 400.0, 600.0, 800.0, 1_000.0, 1_500.0],
        );
        let lane = Lane {
            top: SUN,
            height: TALL,
            low: 0.0,
            high,
        };
        let end = glances.last().map_or(day.to, |last| last.at.plus(EVERY_MS));
        let mut marks = vec![(0.0, "0".to_owned())];
        if let Some(on) = on {
            marks.push((on, words.number(on, 0)));
        }
        // The sun's height over the same lane, ninety degrees up.
        let sky = Lane {
            low: 0.0,
            high: 90.0,
            ..lane
        };
        let height: Vec<(Wall, f64)> = self
            .answer
            .suns
            .iter()
            .filter(|(_, sun)| sun.is_up())
            .map(|(moment, sun)| (*moment, sun.elevation_deg()))
            .collect();
        html! {
            path.light d=(lane.area(day, &light, end)) {}
            @if let Some(on) = on { (lane.level(day.paper, on, "limit")) }
            path.sun-height d=(sky.line(day, &height, EVERY_MS)) {}
            @for span in lit { (bar(day, span, BOTTOM - 6.0, 6.0, "lit")) }
            (lane.frame(day.paper, words.say("why.light"), &marks))
        }
    }

    /// When the sun is on the group's opening, or its facade where it has none.
    fn lit(&self) -> Vec<(Wall, Wall)> {
        let mut spans: Vec<(Wall, Wall)> = Vec::new();
        for (moment, sun) in &self.answer.suns {
            if !self.lit_at(sun) {
                continue;
            }
            match spans.last_mut() {
                Some((_, to)) if *to == *moment => *to = moment.plus(EVERY_MS),
                _ => spans.push((*moment, moment.plus(EVERY_MS))),
            }
        }
        spans
    }

    fn lit_at(&self, sun: &Sun) -> bool {
        let group = self.answer.model.group(self.answer.group);
        let plane = &self.answer.model.facade(group.facade).plane;
        sun.is_up()
            && match &group.opening {
                Some(opening) => group.obstructions.lit_share(plane, sun, opening) > 0.0,
                None => plane.sunlit(sun) && !group.obstructions.hidden_by_horizon(sun),
            }
    }

    /// The drawing in a few sentences.
    fn in_words(&self, glances: &[Glance]) -> String {
        let words = self.words;
        let spans: Vec<String> = Self::decided(glances)
            .iter()
            .map(|(word, from, to)| {
                format!(
                    "{} {}–{}",
                    words.say_of("word", word.as_str()),
                    self.clock(*from),
                    self.clock(*to)
                )
            })
            .collect();
        let winds = self.all_winds();
        let most = winds.iter().map(|(_, speed)| *speed).reduce(f64::max);
        let wind = most.map_or_else(
            || words.say("why.no_wind").to_owned(),
            |most| words.fill("why.most_wind", &[("speed", &words.number(most, 1))]),
        );
        let lit: Vec<String> = self
            .lit()
            .iter()
            .map(|(from, to)| format!("{}–{}", self.clock(*from), self.clock(*to)))
            .collect();
        let lit = if lit.is_empty() {
            words.say("why.never_lit").to_owned()
        } else {
            words.fill("why.lit", &[("spans", &lit.join(", "))])
        };
        words.fill(
            "why.in_words",
            &[("spans", &spans.join(", ")), ("wind", &wind), ("lit", &lit)],
        )
    }

    fn clock(&self, moment: Wall) -> String {
        let clock = local(&self.answer.model, moment)
            .format("%H:%M")
            .to_string();
        if moment == self.answer.day.to {
            "24:00".to_owned()
        } else {
            clock
        }
    }

    /// What the colours and lines of the drawing are.
    fn key(&self, glances: &[Glance]) -> Markup {
        let words = self.words;
        let mut seen: Vec<Word> = glances.iter().map(|glance| glance.decided_by).collect();
        seen.sort_unstable();
        seen.dedup();
        let slats = self.answer.model.group(self.answer.group).slats.is_some();
        html! {
            @for word in seen { (tag(words, word)) " " }
            span.keyed { svg.sample viewBox="0 0 24 10" aria-hidden="true" { rect.extension x="0" y="1" width="24" height="8" {} } " " (words.say("why.key_extension")) } " "
            @if slats {
                span.keyed { svg.sample viewBox="0 0 24 10" aria-hidden="true" { path.tilt d="M0 5h24" {} } " " (words.say("why.key_tilt")) } " "
            }
            span.keyed { svg.sample viewBox="0 0 24 10" aria-hidden="true" { path.limit d="M0 5h24" {} } " " (words.say("why.key_limit")) } " "
            span.keyed { svg.sample viewBox="0 0 24 10" aria-hidden="true" { path.sun-height d="M0 5h24" {} } " " (words.say("why.key_height")) } " "
            span.keyed { svg.sample viewBox="0 0 24 10" aria-hidden="true" { rect.lit x="0" y="2" width="24" height="6" {} } " " (words.say("why.key_lit")) } " "
            span.keyed { svg.sample viewBox="0 0 24 10" aria-hidden="true" { path.asked d="M12 0v10" {} } " " (words.say("why.key_asked")) }
            @if self.parts().len() > 1 {
                " " span.keyed { svg.sample viewBox="0 0 24 10" aria-hidden="true" { rect.to-come x="0" y="1" width="24" height="8" {} } " " (words.say("why.key_to_come")) }
            }
        }
    }

    /// Every movement of the day.
    fn moved(&self) -> Markup {
        let words = self.words;
        let movements = self.movements();
        html! {
            h3 #moved { (words.say("why.moved")) }
            @if movements.is_empty() {
                p.none { (words.say("why.not_moved")) }
            } @else {
                div.wide tabindex="0" role="group" aria-labelledby="moved" {
                    table.fold role="table" {
                        thead role="rowgroup" { tr role="row" {
                            @for key in ["why.when", "why.to", "why.decided", "now.reason"] {
                                th scope="col" role="columnheader" { (words.say(key)) }
                            }
                        } }
                        tbody role="rowgroup" {
                            @for (movement, planned) in movements {
                                tr.planned[planned] role="row" {
                                    th scope="row" role="rowheader" {
                                        a href=(address_of(self.answer, movement.at.wall)) {
                                            (self.clock_to_second(movement.at.wall))
                                        }
                                        @if planned { " " small { (words.say("why.planned_short")) } }
                                    }
                                    td role="cell" { (self.tell.pose(movement.pose)) }
                                    td role="cell" { (tag(words, movement.decided_by)) }
                                    td.reason role="cell" { (self.tell.because(&movement.because)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }

    fn clock_to_second(&self, moment: Wall) -> String {
        let at = local(&self.answer.model, moment);
        let form = if moment.0.div_euclid(1_000) % 60 == 0 {
            "%H:%M"
        } else {
            "%H:%M:%S"
        };
        at.format(form).to_string()
    }

    /// The drawing as a table by the hour.
    fn hours(&self, glances: &[Glance]) -> Markup {
        let words = self.words;
        let winds = self.all_winds();
        let hours: Vec<&Glance> = glances
            .iter()
            .filter(|glance| (glance.at.0 - self.answer.day.from.0) % HOUR == 0)
            .collect();
        html! {
            details {
                summary { (words.say("why.as_table")) }
                div.wide tabindex="0" role="group" aria-label=(words.say("why.as_table")) {
                    table {
                        thead { tr {
                            th scope="col" { (words.say("why.when")) }
                            th scope="col" { (words.say("why.stands")) }
                            th scope="col" { (words.say("why.decided")) }
                            th scope="col" { (words.say("why.wind")) }
                            th scope="col" { (words.say("why.light")) }
                            th scope="col" { (words.say("why.sun_at")) }
                        } }
                        tbody {
                            @for glance in hours {
                                @let most = winds.iter()
                                    .filter(|(moment, _)| glance.at <= *moment && *moment < glance.at.plus(HOUR))
                                    .map(|(_, speed)| *speed).reduce(f64::max);
                                tr {
                                    th scope="row" { (self.clock(glance.at)) }
                                    td { (glance.pose.map_or_else(|| words.say("pose.unknown").to_owned(), |pose| self.tell.pose(pose))) }
                                    td { (tag(words, glance.decided_by)) }
                                    td.number { (most.map_or_else(|| "–".to_owned(), |most| format!("{} m/s", words.number(most, 1)))) }
                                    td.number { (glance.irradiance_wm2.map_or_else(|| "–".to_owned(), |light| format!("{} W/m²", words.number(light, 0)))) }
                                    td { (self.sun_at(glance.at)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }

    fn sun_at(&self, moment: Wall) -> String {
        let words = self.words;
        let sun = self.answer.suns.iter().find(|(at, _)| *at == moment);
        let Some((_, sun)) = sun.filter(|(_, sun)| sun.is_up()) else {
            return words.say("why.sun_down").to_owned();
        };
        let places: &[(&str, &dyn core::fmt::Display)] = &[
            ("azimuth", &words.number(sun.azimuth_deg(), 0)),
            ("elevation", &words.number(sun.elevation_deg(), 0)),
        ];
        let key = if self.lit_at(sun) {
            "why.sun_on"
        } else {
            "why.sun_elsewhere"
        };
        words.fill(key, places)
    }
}

//! Now: the house by the compass, what each group does and why, lockouts, sensors,
//! alarms.
//!
//! Everything that may change while one looks is a part with an id of its own, so
//! that [`live`](crate::live) can send just that part anew.

mod strip;

use super::{Route, shows};
use crate::gate::{Viewer, encode};
use crate::house::App;
use crate::layout::{Sheet, glyph, tag};
use crate::people::Role;
use crate::reasons::Teller;
use crate::words::{Words, local};
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use leeside_core::engine::GuardView;
use leeside_core::ids::{FacadeId, GroupId, SensorId};
use leeside_core::input::{Part, Sample};
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::reason::Because;
use leeside_core::sensor::Standing;
use leeside_daemon::door::{GroupNow, Present, SensorNow};
use maud::{Markup, html};
use std::sync::Arc;

/// The routes of this page.
pub(super) fn routes() -> Vec<Route> {
    vec![shows("/", Role::Look, get(show))]
}

/// The page.
pub async fn show(State(app): State<App>, viewer: Viewer) -> Response {
    let (present, words) = (app.present(), viewer.words);
    let scene = Scene::new(words, &present);
    let body = html! {
        div.now data-whole="true" data-revision=(present.revision) data-live=(words.say("now.live"))
            data-gone=(words.say("now.gone")) data-silent=(words.say("now.silent")) {
            div.status {
                p #live-state .live role="status" { (words.say("now.still")) }
                (scene.clock())
                (scene.broker())
            }
            (scene.compass())
            div.pair {
                (scene.alarms())
                (scene.lockouts())
            }
            @for facade in by_compass(&present.model) {
                (scene.facade(facade))
            }
            (scene.sensors())
        }
    };
    let sheet = Sheet {
        title: words.say("now.title"),
        path: "/",
        scripts: &["live.js"],
        again_s: 30,
    };
    sheet.show(&viewer, &present, &body).into_response()
}

/// The parts that may have changed since an earlier present (of the same house,
/// else all), by id.
#[must_use]
pub fn parts(words: Words, before: Option<&Present>, present: &Present) -> Vec<(String, String)> {
    let scene = Scene::new(words, present);
    let same_day = |before: &&Present| {
        Arc::ptr_eq(&before.model, &present.model)
            && local(&present.model, before.at.wall).date_naive()
                == local(&present.model, present.at.wall).date_naive()
    };
    let before = before.filter(same_day);
    let mut all = vec![
        ("p-clock".to_owned(), scene.clock()),
        ("p-broker".to_owned(), scene.broker()),
        ("p-compass".to_owned(), scene.compass()),
        ("p-alarms".to_owned(), scene.alarms()),
        ("p-lockouts".to_owned(), scene.lockouts()),
    ];
    for index in 0..present.model.facades.len() {
        all.push((
            format!("lit-{index}"),
            scene.lit_in_words(FacadeId::of(index)),
        ));
    }
    let was = |index: usize| before.and_then(|before| before.groups.get(index)?.as_ref());
    for (index, group) in present.groups.iter().enumerate() {
        let same = was(index)
            .zip(group.as_ref())
            .is_some_and(|(a, b)| Arc::ptr_eq(a, b));
        if !same {
            all.push((format!("g-{index}"), scene.group(GroupId::of(index))));
        }
    }
    for index in 0..present.sensors.len() {
        all.push((format!("s-{index}"), scene.sensor(SensorId::of(index))));
    }
    all.into_iter()
        .map(|(id, html)| (id, html.into_string()))
        .collect()
}

/// Facades in the order of the compass: from north clockwise.
#[must_use]
pub fn by_compass(model: &Model) -> Vec<FacadeId> {
    let mut all: Vec<FacadeId> = (0..model.facades.len()).map(FacadeId::of).collect();
    all.sort_by(|a, b| {
        let azimuth = |id: &FacadeId| model.facade(*id).plane.azimuth_deg();
        azimuth(a).total_cmp(&azimuth(b))
    });
    all
}

/// The compass point of an azimuth.
#[must_use]
pub fn direction(words: Words, azimuth_deg: f64) -> String {
    const POINTS: [&str; 8] = ["n", "ne", "e", "se", "s", "sw", "w", "nw"];
    let turned = (azimuth_deg + 22.5).rem_euclid(360.0);
    let point = POINTS
        .iter()
        .enumerate()
        .find(|(index, _)| turned < 45.0 * f64::from(u8::try_from(index + 1).unwrap_or(8)));
    words.say_of("compass", point.map_or("n", |(_, point)| point))
}

/// What is now, as it is shown.
pub(crate) struct Scene<'a> {
    words: Words,
    present: &'a Present,
    model: &'a Model,
    tell: Teller<'a>,
}

impl<'a> Scene<'a> {
    pub(crate) fn new(words: Words, present: &'a Present) -> Self {
        let model = &present.model;
        let tell = Teller {
            words,
            model,
            now: present.at.wall,
        };
        Self {
            words,
            present,
            model,
            tell,
        }
    }

    fn clock(&self) -> Markup {
        let at = local(self.model, self.present.at.wall);
        let told = format!(
            "{} {}",
            self.words.date(at.date_naive()),
            at.format("%H:%M:%S")
        );
        html! { p #p-clock .clock { (self.words.fill("now.clock", &[("at", &told)])) } }
    }

    fn broker(&self) -> Markup {
        let (words, broker) = (self.words, &self.present.broker);
        let since = self.tell.moment(broker.since);
        let bad =
            !broker.connected || !self.present.troubles.is_empty() || !self.present.clock_trusted;
        html! {
            div #p-broker .broker.bad[bad] role="group" aria-label=(words.say("now.broker")) {
                @if broker.connected {
                    p { (words.fill("now.broker_well", &[("at", &since)])) }
                } @else {
                    p.wrong {
                        (words.fill("now.broker_gone", &[("at", &since)]))
                        @if !broker.why.is_empty() { " " span lang="en" { "(" (broker.why) ")" } }
                    }
                }
                @for trouble in &self.present.troubles {
                    p.wrong { (words.say_of("trouble", trouble.what)) ": " span lang="en" { (trouble.reason) } }
                }
                @if !self.present.clock_trusted { p.wrong { (words.say("now.clock_untrusted")) } }
            }
        }
    }

    fn lit(&self, facade: FacadeId) -> bool {
        let plane = self.model.facade(facade).plane;
        let sun = self.present.sun;
        let sun = leeside_solar::Sun::from_angles(sun.elevation_deg, sun.azimuth_deg);
        plane.sunlit(&sun)
    }

    fn facade(&self, id: FacadeId) -> Markup {
        let (words, facade) = (self.words, self.model.facade(id));
        let azimuth = facade.plane.azimuth_deg();
        let places: &[(&str, &dyn core::fmt::Display)] = &[
            ("azimuth", &words.number(azimuth, 0)),
            ("direction", &direction(words, azimuth)),
        ];
        let groups: Vec<GroupId> = (0..self.model.groups.len())
            .map(GroupId::of)
            .filter(|group| self.model.group(*group).facade == id)
            .collect();
        html! {
            section.facade aria-labelledby={ "f-" (id.index()) } {
                h2 id={ "f-" (id.index()) } {
                    (facade.name) " " small { (words.fill("now.facade", places)) ", " (self.lit_in_words(id)) }
                }
                @if groups.is_empty() {
                    p.none { (words.say("now.no_groups")) }
                } @else {
                    ul.groups { @for group in groups { (self.group(group)) } }
                }
            }
        }
    }

    /// A group: how it stands, what decided, until when.
    pub(crate) fn group(&self, id: GroupId) -> Markup {
        let (words, group) = (self.words, self.model.group(id));
        let now = self.present.groups.get(id.index()).and_then(Option::as_ref);
        html! {
            li.group id={ "g-" (id.index()) } {
                (glyph(now.and_then(|now| now.poses.first().copied().flatten())))
                div.what {
                    h3 { a href={ "/why?group=" (encode(&group.name)) } { (group.name) } }
                    @if let Some(now) = now {
                        p.pose { (self.stands(now)) " " (tag(words, now.explanation.verdict.decided_by)) }
                        (self.verdict(now))
                    } @else {
                        p.pose { (words.say("now.not_yet")) }
                    }
                }
            }
        }
    }

    fn verdict(&self, now: &GroupNow) -> Markup {
        let (words, verdict) = (self.words, &now.explanation.verdict);
        html! {
            p.why { (self.tell.briefly(&verdict.because)) }
            p.until {
                (words.say("now.until")) " "
                (self.tell.release(&verdict.release, now.at))
            }
        }
    }

    /// Where a group's devices stand: the first one, and whether others differ.
    fn stands(&self, now: &GroupNow) -> String {
        let words = self.words;
        let Some(Some(first)) = now.poses.first() else {
            return words.say("pose.unknown").to_owned();
        };
        let pose = self.tell.pose(*first);
        if now.poses.iter().all(|pose| *pose == Some(*first)) {
            pose
        } else {
            words.fill("pose.several", &[("pose", &pose)])
        }
    }

    fn alarms(&self) -> Markup {
        let words = self.words;
        html! {
            section #p-alarms .calm[self.present.alarms.is_empty()] aria-labelledby="alarms" {
                h2 #alarms { (words.say("now.alarms")) }
                @if self.present.alarms.is_empty() {
                    p.none { (words.say("now.no_alarms")) }
                } @else {
                    ul.alarms {
                        @for alarm in &self.present.alarms {
                            @let about = alarm.key.split_once('/').map_or("", |(_, about)| about);
                            li.seen[alarm.acknowledged_by.is_some()] {
                                strong { (self.tell.alarm(alarm.word)) }
                                @if !about.is_empty() { " " span.about { (about) } }
                                ": " (self.tell.because(&alarm.because)) ", "
                                (words.fill("now.alarm_since", &[("at", &self.tell.moment(alarm.since))]))
                                @if let Some(by) = &alarm.acknowledged_by {
                                    " · " (words.fill("now.seen_by", &[("by", by)]))
                                }
                            }
                        }
                    }
                }
            }
        }
    }

    fn lockouts(&self) -> Markup {
        let words = self.words;
        let all: Vec<(GroupId, &GroupNow, &GuardView)> = self
            .present
            .groups
            .iter()
            .enumerate()
            .filter_map(|(index, now)| Some((GroupId::of(index), now.as_deref()?)))
            .flat_map(|(id, now)| {
                now.explanation
                    .lockouts
                    .iter()
                    .map(move |guard| (id, now, guard))
            })
            .collect();
        html! {
            section #p-lockouts .calm[all.is_empty()] aria-labelledby="lockouts" {
                h2 #lockouts { (words.say("now.lockouts")) }
                @if all.is_empty() {
                    p.none { (words.say("now.no_lockouts")) }
                } @else {
                    div.wide tabindex="0" role="group" aria-labelledby="lockouts" {
                        table.fold role="table" {
                            thead role="rowgroup" { tr role="row" {
                                @for key in ["now.group", "now.guard", "now.speed", "now.limit", "now.until_when", "now.since", "now.reason"] {
                                    th scope="col" role="columnheader" { (words.say(key)) }
                                }
                            } }
                            tbody role="rowgroup" { @for (id, now, guard) in all { (self.lockout(id, now, guard)) } }
                        }
                    }
                }
            }
        }
    }

    fn lockout(&self, id: GroupId, now: &GroupNow, guard: &GuardView) -> Markup {
        let words = self.words;
        let (speed, limit) = self.measured(id, guard);
        html! {
            tr role="row" {
                th scope="row" role="rowheader" { (self.model.group(id).name) }
                td role="cell" { (tag(words, guard.word)) }
                td.number role="cell" data-label=(words.say("now.speed")) { (speed) }
                td.number role="cell" data-label=(words.say("now.limit")) { (limit) }
                td role="cell" data-label=(words.say("now.until_when")) { (self.tell.release(&guard.release, now.at)) }
                td role="cell" data-label=(words.say("now.since")) { (self.tell.moment(guard.since.wall)) }
                td.reason role="cell" { (self.tell.because(&guard.because)) }
            }
        }
    }

    /// What a guard's sensors read now, at the worst, and its limit.
    fn measured(&self, id: GroupId, guard: &GuardView) -> (String, String) {
        let (words, group) = (self.words, self.model.group(id));
        let with = |value: f64, unit: &str| format!("{} {unit}", words.number(value, 1));
        match (guard.word, &guard.because) {
            (Word::Wind, _) => {
                let Some(rule) = &group.wind else {
                    return (String::new(), String::new());
                };
                let worst = rule
                    .links
                    .iter()
                    .filter_map(|link| self.wind_of(link.sensor))
                    .reduce(f64::max);
                let speed = worst.map_or_else(|| "?".to_owned(), |speed| with(speed, "m/s"));
                (speed, with(rule.limit_mps, "m/s"))
            }
            (
                _,
                Because::Frost {
                    temperature_c,
                    below_c,
                    ..
                },
            ) => (with(*temperature_c, "°C"), with(*below_c, "°C")),
            (Word::Rain, because) => {
                let now = if let Because::Rain { value, .. } = because {
                    with(*value, "mm/h")
                } else {
                    String::new()
                };
                let limit = group.rain.as_ref().map(|rule| with(rule.above, "mm/h"));
                (now, limit.unwrap_or_default())
            }
            (Word::Ice, _) => {
                let limit = group.ice.as_ref().map(|rule| with(rule.above_c, "°C"));
                (String::new(), limit.unwrap_or_default())
            }
            _ => (String::new(), String::new()),
        }
    }

    fn wind_of(&self, sensor: SensorId) -> Option<f64> {
        let now = self.present.sensors.get(sensor.index())?;
        match now.state.last()?.sample {
            Sample::Wind { gust, mean, .. } => [gust, mean]
                .into_iter()
                .filter_map(Part::value)
                .reduce(f64::max),
            Sample::Value(_) => None,
        }
    }

    fn sensors(&self) -> Markup {
        let words = self.words;
        html! {
            section.sensors aria-labelledby="sensors" {
                h2 #sensors { (words.say("now.sensors")) }
                @if self.present.sensors.is_empty() {
                    p.none { (words.say("now.no_sensors")) }
                } @else {
                    div.wide tabindex="0" role="group" aria-labelledby="sensors" {
                        table {
                            thead { tr {
                                th scope="col" { (words.say("now.sensor")) }
                                th scope="col" { (words.say("now.reads")) }
                                th scope="col" { (words.say("now.age")) }
                                th scope="col" { (words.say("now.health")) }
                            } }
                            tbody {
                                @for index in 0..self.present.sensors.len() {
                                    (self.sensor(SensorId::of(index)))
                                }
                            }
                        }
                    }
                }
            }
        }
    }

    fn sensor(&self, id: SensorId) -> Markup {
        let (words, now) = (self.words, &self.present.sensors[id.index()]);
        let (class, health) = match now.standing {
            Standing::Good => ("good", words.say("now.good")),
            Standing::Waiting => ("waiting", words.say("now.waiting")),
            Standing::Fault(fault) => ("faulty", self.tell.fault(fault)),
        };
        html! {
            tr id={ "s-" (id.index()) } class=(class) {
                th scope="row" { (self.model.sensor(id).name) }
                td.number { (self.reads(id, now)) }
                td.number {
                    @match now.heard {
                        Some(heard) => {
                            (words.fill("now.ago", &[("span", &words.span(self.present.at.wall.0 - heard.0))]))
                        }
                        None => { (words.say("now.never")) }
                    }
                }
                td {
                    (health)
                    @if let Some(count) = self.disbelieved(now) { ", " (count) }
                    @if let Some(bypass) = now.state.bypass() {
                        @let until = self.tell.moment(bypass.until);
                        ", " (words.fill("now.bypassed", &[("by", &bypass.by), ("until", &until)]))
                        @if let Some(other) = bypass.substitute {
                            ", " (words.fill("now.stands_in", &[("sensor", &self.model.sensor(other).name)]))
                        }
                    }
                }
            }
        }
    }

    /// How many of its readings were not believed since the start, and why.
    fn disbelieved(&self, now: &SensorNow) -> Option<String> {
        let count = now.state.disbelieved;
        let told: Vec<String> = [
            ("garbled", count.garbled),
            ("future", count.future),
            ("old", count.old),
            ("implausible", count.implausible),
        ]
        .iter()
        .filter(|(_, count)| *count > 0)
        .map(|(why, count)| format!("{count} {}", self.words.say_of("disbelieved", why)))
        .collect();
        (!told.is_empty()).then(|| {
            let told = told.join(", ");
            self.words.fill("now.disbelieved", &[("counts", &told)])
        })
    }

    fn reads(&self, id: SensorId, now: &SensorNow) -> String {
        let kind = self.model.sensor(id).kind;
        let Some(reading) = now.state.last() else {
            return "–".to_owned();
        };
        match reading.sample {
            Sample::Value(value) => self.tell.value(kind, value),
            Sample::Wind { gust, mean, .. } => {
                let told = |key: &'static str, part: Part| {
                    let speed = self.words.number(part.value()?, 1);
                    Some(self.words.fill(key, &[("speed", &speed)]))
                };
                let parts: Vec<String> = [told("now.gust", gust), told("now.mean", mean)]
                    .into_iter()
                    .flatten()
                    .collect();
                format!("{} m/s", parts.join(", "))
            }
        }
    }
}

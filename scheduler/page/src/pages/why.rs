//! Why: any group at any moment, past or planned: every rank with what spoke, and
//! the day around it. All of the question stands in the address, so that it can be
//! sent to somebody.

mod ask;
mod day;

pub use ask::{Answer, Basis, clear_and_calm, suns};

use super::now::by_compass;
use super::year::{Choice, files, weather_of};
use super::{Route, drives, shows, waiting};
use crate::form::{Complaints, Fields};
use crate::gate::{Viewer, encode};
use crate::house::App;
use crate::layout::{Field, Sheet, failed, glyph, tag};
use crate::people::Role;
use crate::reasons::Teller;
use crate::words::{Words, local};
use crate::work::Standing;
use ask::{Question, Reader};
use axum::extract::{RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use chrono::{Datelike, NaiveDateTime};
use day::Scene;
use leeside_core::engine::{RankView, Says};
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::time::{MINUTE, Wall, to_utc};
use leeside_daemon::door::Present;
use leeside_dryrun::told::Movement;
use leeside_dryrun::why::Asked;
use maud::{Markup, html};
use std::sync::Arc;

/// The routes of this page.
pub(super) fn routes() -> Vec<Route> {
    vec![shows("/why", Role::Look, get(show))]
}

/// The page.
pub async fn show(State(app): State<App>, viewer: Viewer, RawQuery(query): RawQuery) -> Response {
    let (present, words) = (app.present(), viewer.words);
    let query = query.unwrap_or_default();
    let fields = match Fields::encoded(query.as_bytes()) {
        Ok(fields) => fields,
        Err(error) => {
            return failed(&viewer, StatusCode::BAD_REQUEST, &error.show(words));
        }
    };
    let now = present.at.wall;
    let asked = Asking::read(words, &present.model, now, fields);
    let Some((group, at)) = asked.whole.clone() else {
        let lead = html! { p.lead { (words.say("why.lead")) } };
        let form = asked.form(&app, words, &present.model);
        return sheet(&viewer, &present, 0, &html! { (lead) (form) });
    };
    let weather = asked.weather.clone().map(|choice| {
        let (value, app) = (choice.value(), app.clone());
        let read = move || weather_of(&app, &choice);
        (value, Reader(Arc::new(read)))
    });
    let question = Question {
        weather,
        model: Arc::clone(&present.model),
        fingerprint: present.fingerprint.clone(),
        site: app.given.site.clone(),
        group,
        at,
        now,
        journal: app.given.journal.clone(),
    };
    // What is recorded grows by the minute.
    let fresh = if at.0 < now.0 - 25 * 3_600_000 {
        0
    } else {
        now.0 / MINUTE
    };
    let key = format!(
        "{}|{}|{}|{fresh}|{}",
        question.fingerprint,
        question.group,
        at.0,
        asked.fields.text("weather")
    );
    let standing = app.whys.ask(&app, key, move |_| ask::work(&question)).await;
    let form = asked.form(&app, words, &present.model);
    let (again_s, answered) = match &standing {
        Standing::Answered(job) => match job.answer() {
            Some(Ok(answer)) => (0, answered(words, answer, &present)),
            Some(Err(why)) => (0, html! { section { (why.show(words)) } }),
            None => (2, waiting(words, 0)),
        },
        Standing::Working(done) => (2, waiting(words, *done)),
        Standing::Busy => (
            5,
            html! { section { p.wrong { (words.say("work.busy")) } } },
        ),
    };
    sheet(&viewer, &present, again_s, &html! { (form) (answered) })
}

fn sheet(viewer: &Viewer, present: &Present, again_s: u32, body: &Markup) -> Response {
    let sheet = Sheet {
        title: viewer.words.say("why.title"),
        path: "/why",
        scripts: if again_s > 0 { &["wait.js"] } else { &[] },
        again_s,
    };
    sheet.show(viewer, present, body).into_response()
}

/// What stands in the address.
struct Asking {
    fields: Fields,
    wrong: Complaints,
    /// The weather file to ask under, where one was chosen.
    weather: Option<Choice>,
    /// Group and moment, where both are sound.
    whole: Option<(String, Wall)>,
}

impl Asking {
    fn read(words: Words, model: &Model, now: Wall, fields: Fields) -> Self {
        let mut wrong = Complaints::default();
        let group = fields.some("group").map(str::to_owned);
        if let Some(group) = &group
            && model.group_named(group).is_none()
        {
            wrong.at(
                "group",
                words.fill("why.no_such_group", &[("group", group)]),
            );
        }
        let at = match fields.some("at") {
            None => Some(now),
            // The minute that is going on is known up to now; its rest would be a plan.
            Some(text) => moment(model, text).map(|at| {
                if at > now && at.plus(-MINUTE) < now {
                    now
                } else {
                    at
                }
            }),
        };
        if at.is_none() {
            wrong.at("at", words.say("why.no_such_moment"));
        }
        let weather = fields.some("weather").map(Choice::read);
        if matches!(weather, Some(None | Some(Choice::Calm | Choice::Recorded))) {
            wrong.at("weather", words.say("year.no_such_weather"));
        }
        let weather = weather.flatten();
        let whole = group.zip(at).filter(|_| wrong.none());
        let shown = at.unwrap_or(now);
        let fields = if fields.some("at").is_none() {
            let text = local(model, shown).format("%Y-%m-%dT%H:%M").to_string();
            fields.with("at", text)
        } else {
            fields
        };
        Self {
            fields,
            wrong,
            weather,
            whole,
        }
    }

    fn form(&self, app: &App, words: Words, model: &Model) -> Markup {
        let no_weather = self.wrong.of("weather");
        let wrong = self.wrong.of("group");
        let at = Field {
            name: "at",
            label: words.say("why.at"),
            kind: "datetime-local",
            hint: words.say("why.at_hint"),
            needed: true,
        };
        html! {
            form.ask method="get" action="/why" {
                div.field.is-wrong[wrong.is_some()] {
                    label for="group" { (words.say("why.group")) }
                    (group_select(words, model, self.fields.text("group")))
                    @if let Some(wrong) = wrong { p.wrong #group-wrong { (wrong) } }
                }
                (at.show(&self.fields, &self.wrong))
                div.field.is-wrong[no_weather.is_some()] {
                    label for="weather" { (words.say("year.weather")) }
                    select #weather name="weather" {
                        option value="" { (words.say("why.as_it_is")) }
                        (files(app, words, self.fields.text("weather")))
                    }
                    @if let Some(wrong) = no_weather { p.wrong #weather-wrong { (wrong) } }
                }
                button { (words.say("why.send")) }
            }
        }
    }
}

/// A choice of groups, facade by facade.
pub fn group_select(words: Words, model: &Model, chosen: &str) -> Markup {
    html! {
        select #group name="group" required {
            @if chosen.is_empty() || model.group_named(chosen).is_none() {
                option value="" selected { (words.say("why.choose")) }
            }
            @for facade in by_compass(model) {
                @let groups = model.groups.iter().filter(|group| group.facade == facade);
                optgroup label=(model.facade(facade).name) {
                    @for group in groups {
                        option value=(group.name) selected[group.name == chosen] { (group.name) }
                    }
                }
            }
        }
    }
}

/// A moment as a browser's field writes it, local to the site: without seconds the
/// whole minute.
fn moment(model: &Model, text: &str) -> Option<Wall> {
    let zone = model.site.zone;
    let minute = NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M").ok();
    let second = || NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M:%S").ok();
    let (at, more) = match minute {
        // The core is looked at a millisecond later, which must not be the next minute.
        Some(minute) => (minute, MINUTE - 2),
        None => (second()?, 0),
    };
    (1990..=2099)
        .contains(&at.year())
        .then(|| Wall::from_utc(to_utc(zone, at).utc).plus(more))
}

fn answered(words: Words, answer: &Answer, present: &Present) -> Markup {
    let tell = Teller {
        words,
        model: &answer.model,
        now: answer.at,
    };
    let scene = Scene {
        words,
        answer,
        tell,
    };
    html! {
        @match &answer.told.asked {
            Some(asked) => {
                (verdict(words, answer, asked, &tell, present))
                (ranks(words, asked, &tell))
                // Of what is planned or never was recorded nobody knows how often it had run.
                @if matches!(answer.basis, Basis::Recorded { .. }) {
                    (drives::shown(words, &asked.model, &asked.then.drives))
                }
            }
            None => section { p.none { (words.say("why.nothing_then")) } },
        }
        (scene.show())
    }
}

fn verdict(
    words: Words,
    answer: &Answer,
    asked: &Asked,
    tell: &Teller<'_>,
    present: &Present,
) -> Markup {
    let group = answer.model.group(answer.group);
    let then = &asked.then.verdict;
    let at = local(&answer.model, answer.at);
    let told_at = format!("{} {}", words.date(at.date_naive()), at.format("%H:%M"));
    let address = address_of(answer, answer.at);
    let (before, after) = beside(answer);
    html! {
        section.verdict aria-labelledby="verdict" {
            h2 #verdict { (group.name) " " small { (told_at) } }
            (basis(words, answer.basis))
            div.stands {
                (glyph(asked.poses.first().and_then(|(_, pose)| *pose)))
                div {
                    p.pose { (stood(words, asked, tell)) " " (tag(words, then.decided_by)) }
                    p.why { (tell.because(&then.because)) }
                    p.until {
                        (words.say("now.until")) " " (tell.release(&then.release, then.at))
                        @if let Some(since) = asked.then.since {
                            " · " (words.fill("why.since", &[("at", &tell.moment(since.wall))]))
                        }
                    }
                }
            }
            @for exception in &then.exceptions {
                p.why {
                    (answer.model.device(exception.device).name) ": "
                    (tag(words, exception.word)) " " (tell.course(&exception.course)) ", " (tell.because(&exception.because))
                }
            }
            dl.facts {
                @let next = if after.as_ref().is_some_and(|after| after.at.wall >= answer.now) { "why.moved_planned" } else { "why.moved_after" };
                @for (key, movement) in [("why.moved_before", before), (next, after)] {
                    @if let Some(movement) = movement {
                        dt { (words.say(key)) }
                        dd {
                            a href=(address_of(answer, movement.at.wall)) { (tell.moment(movement.at.wall)) } ": "
                            (tell.pose(movement.pose)) " (" (tell.briefly(&movement.because)) ")"
                        }
                    }
                }
                dt { (words.say("why.link")) }
                dd.link { a href=(address) rel="bookmark" { (told_at) } }
                @if present.fingerprint.len() >= 12 {
                    dt { (words.say("why.site")) }
                    dd { code { (&present.fingerprint[..12]) } }
                }
            }
        }
    }
}

/// The movement before the moment, and the one after it.
fn beside(answer: &Answer) -> (Option<Movement>, Option<Movement>) {
    let all = || answer.told.movements.iter();
    let before = all().rfind(|movement| movement.at.wall <= answer.at);
    let recorded = matches!(answer.basis, Basis::Recorded { .. });
    let after = all()
        .chain(answer.rest.iter().flat_map(|rest| rest.movements.iter()))
        .filter(|movement| movement.at.wall > answer.at)
        // Of what is planned only what is still to come.
        .filter(|movement| {
            !recorded
                || answer.rest.is_none()
                || movement.at.wall > answer.now
                || all().any(|told| told.at.wall == movement.at.wall)
        })
        .min_by_key(|movement| movement.at.wall)
        .cloned();
    (before.cloned(), answer.joint().or(after))
}

/// Where the answer about another moment of the same group is.
fn address_of(answer: &Answer, at: Wall) -> String {
    let at = local(&answer.model, at)
        .format("%Y-%m-%dT%H:%M")
        .to_string();
    let weather = if answer.weather.is_empty() {
        String::new()
    } else {
        format!("&weather={}", encode(&answer.weather))
    };
    format!(
        "/why?group={}&at={}{weather}",
        encode(&answer.model.group(answer.group).name),
        encode(&at)
    )
}

fn basis(words: Words, basis: Basis) -> Markup {
    let key = match basis {
        Basis::Recorded { .. } => "why.recorded",
        Basis::Planned => "why.planned",
        Basis::Unrecorded => "why.unrecorded",
        Basis::Weather => "why.under_weather",
    };
    html! {
        p.basis { (words.say(key)) }
        @if basis == (Basis::Recorded { other_site: true }) {
            p.wrong { (words.say("why.other_site")) }
        }
    }
}

/// Where the devices stood: together, or each that stood otherwise.
fn stood(words: Words, asked: &Asked, tell: &Teller<'_>) -> String {
    let first = asked.poses.first().and_then(|(_, pose)| *pose);
    let Some(first) = first else {
        return words.say("pose.unknown").to_owned();
    };
    let pose = tell.pose(first);
    if asked.poses.iter().all(|(_, pose)| *pose == Some(first)) {
        pose
    } else {
        words.fill("pose.several", &[("pose", &pose)])
    }
}

fn ranks(words: Words, asked: &Asked, tell: &Teller<'_>) -> Markup {
    html! {
        section aria-labelledby="ranks" {
            h2 #ranks { (words.say("why.ranks")) }
            p.note { (words.say("why.ranks_note")) }
            div.wide tabindex="0" role="group" aria-labelledby="ranks" {
                table.ranks.fold role="table" {
                    thead role="rowgroup" { tr role="row" {
                        @for key in ["why.rank", "why.says", "why.asks", "now.reason", "now.until_when"] {
                            th scope="col" role="columnheader" { (words.say(key)) }
                        }
                    } }
                    tbody role="rowgroup" { @for rank in &asked.ranks { (self::rank(words, asked, rank, tell)) } }
                }
            }
        }
    }
}

fn rank(words: Words, asked: &Asked, rank: &RankView, tell: &Teller<'_>) -> Markup {
    let decided = asked.then.verdict.decided_by == rank.word;
    html! {
        @match &rank.says {
            Says::Speaks { course, because, release } => {
                @let (class, says) = if decided {
                    ("decides", "why.decides")
                } else if bounds(rank.word) {
                    ("bounds", "why.bounds")
                } else {
                    ("lost", "why.lost")
                };
                tr class=(class) role="row" {
                    th scope="row" role="rowheader" { (tag(words, rank.word)) }
                    td role="cell" { (words.say(says)) }
                    td role="cell" { (tell.course(course)) }
                    td.reason role="cell" { (tell.because(because)) }
                    td role="cell" data-label=(words.say("now.until")) { (tell.release(release, asked.then.verdict.at)) }
                }
            }
            Says::Quiet(quiet) => tr.quiet role="row" {
                th scope="row" role="rowheader" { (tag(words, rank.word)) }
                td role="cell" { (words.say("why.quiet")) }
                td.void role="cell" { "–" }
                td.reason role="cell" { (tell.quiet(quiet)) }
                td.void role="cell" { "–" }
            },
        }
    }
}

/// Ranks that bound single devices beside whoever decides.
const fn bounds(word: Word) -> bool {
    matches!(word, Word::Door | Word::Drive)
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    #[test]
    fn a_minute_means_all_of_it_and_nonsense_means_nothing() {
        let path =
            std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/example/site.toml");
        let options = leeside_config::LoadOptions::around(2027);
        let model = leeside_config::load_site(&path, &options).unwrap().0.model;
        // 2027-07-01T10:14 in New York is 14:14 UTC.
        let at = moment(&model, "2027-07-01T10:14").unwrap();
        assert_eq!(at.utc().format("%FT%T").to_string(), "2027-07-01T14:14:59");
        let at = moment(&model, "2027-07-01T10:14:05").unwrap();
        assert_eq!(at.utc().format("%FT%T").to_string(), "2027-07-01T14:14:05");
        for text in [
            "",
            "yesterday",
            "2027-13-01T00:00",
            "1066-10-14T09:00",
            "2027-07-01",
        ] {
            assert_eq!(moment(&model, text), None, "{text}");
        }
    }
}

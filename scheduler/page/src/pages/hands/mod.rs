//! Hands on: for those allowed, and within their rooms, what a hand may do. Each
//! request goes the way of any other request, and a refusal says what holds.

mod ask;
mod controls;
mod reload;

pub(crate) use ask::origin;

use super::{Route, drives, shows, takes};
use crate::form::{Complaints, Fields};
use crate::gate::{Viewer, encode};
use crate::house::App;
use crate::layout::{Sheet, glyph, tag, token};
use crate::pages::now::{Scene, by_compass};
use crate::people::Role;
use crate::reasons::Teller;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use leeside_core::ids::GroupId;
use leeside_daemon::door::Present;
use maud::{Markup, html};
use serde::Deserialize;

/// The routes of this page.
pub(super) fn routes() -> Vec<Route> {
    vec![
        shows("/hands", Role::Operate, get(show)),
        takes("/hands/ask", Role::Operate, post(ask::ask)),
        takes("/hands/acknowledge", Role::Operate, post(ask::acknowledge)),
        takes("/hands/arrange", Role::Operate, post(ask::arrange)),
        takes("/hands/bypass", Role::Configure, post(ask::bypass)),
        takes("/hands/reload", Role::Configure, post(reload::reload)),
    ]
}

/// Which group, and what was just asked.
#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    group: Option<String>,
    done: Option<String>,
}

/// The page: all groups, or one with what can be done to it.
pub async fn show(State(app): State<App>, Query(asked): Query<Asked>, viewer: Viewer) -> Response {
    let told = match asked.done.as_deref() {
        Some("taken") => Some(viewer.words.say("hands.taken")),
        Some("seen") => Some(viewer.words.say("hands.seen")),
        Some("bypass") => Some(viewer.words.say("hands.bypass_taken")),
        Some(_) | None => None,
    };
    let told = told.map(|told| html! { p.done role="status" { (told) } });
    let said = Said {
        told,
        ..Said::default()
    };
    page(&app, &viewer, asked.group.as_deref(), StatusCode::OK, &said)
}

/// What the page says beside its state: what came of a form, and how it was filled in.
#[derive(Default)]
struct Said {
    told: Option<Markup>,
    fields: Fields,
    wrong: Complaints,
}

fn page(
    app: &App,
    viewer: &Viewer,
    group: Option<&str>,
    status: StatusCode,
    said: &Said,
) -> Response {
    let (present, words) = (app.present(), viewer.words);
    let found = match group {
        None => None,
        Some(name) => match present.model.group_named(name) {
            Some(group) if viewer.may_move(&present.model, group) => Some(group),
            Some(_) => {
                let why = words.say("hands.not_your_room");
                return crate::layout::failure(viewer, StatusCode::FORBIDDEN, why);
            }
            None => {
                let why = words.fill("hands.no_group", &[("group", &name)]);
                return crate::layout::failure(viewer, StatusCode::NOT_FOUND, &why);
            }
        },
    };
    let body = html! {
        div.now data-revision=(present.revision) data-live=(words.say("now.live"))
            data-gone=(words.say("now.gone")) data-silent=(words.say("now.silent")) {
            p #live-state .live role="status" { (words.say("hands.still")) }
            @if let Some(told) = &said.told { (*told) }
            @if let Some(why) = said.wrong.of("form") { p.wrong role="alert" { (why) } }
            @match found {
                Some(group) => { (one(viewer, &present, group, said)) }
                None => { (all(viewer, &present, said)) }
            }
        }
    };
    let title = group.map_or_else(
        || words.say("hands.title").to_owned(),
        |group| words.fill("hands.title_group", &[("group", &group)]),
    );
    let sheet = Sheet {
        title: &title,
        path: "/hands",
        scripts: &["live.js"],
        again_s: 0,
    };
    (status, sheet.show(viewer, &present, &body)).into_response()
}

fn one(viewer: &Viewer, present: &Present, group: GroupId, said: &Said) -> Markup {
    let scene = Scene::new(viewer.words, present);
    let now = present.groups.get(group.index()).and_then(Option::as_ref);
    html! {
        section {
            ul.groups.single { (scene.group(group)) }
            @let overrides = now.map_or(0, |now| now.explanation.overrides);
            @if overrides > 0 {
                p.hint { (viewer.words.fill("hands.overrides", &[("count", &overrides)])) }
            }
        }
        (controls::group(viewer, present, group, &said.fields, &said.wrong))
        @if let Some(now) = now { (drives::shown(viewer.words, &present.model, &now.explanation.drives)) }
        p { a href="/hands" { (viewer.words.say("hands.all_groups")) } }
    }
}

fn all(viewer: &Viewer, present: &Present, said: &Said) -> Markup {
    let (words, model) = (viewer.words, &present.model);
    let tell = Teller {
        words,
        model,
        now: present.at.wall,
    };
    html! {
        (controls::alarms(viewer, present))
        @for facade in by_compass(model) {
            @let groups: Vec<GroupId> = (0..model.groups.len())
                .map(GroupId::of)
                .filter(|group| model.group(*group).facade == facade && viewer.may_move(model, *group))
                .collect();
            @if !groups.is_empty() {
                section {
                    h2 { (model.facade(facade).name) }
                    ul.pick {
                        @for group in groups {
                            @let now = present.groups.get(group.index()).and_then(Option::as_ref);
                            @let pose = now.and_then(|now| now.poses.first().copied().flatten());
                            li {
                                a href={ "/hands?group=" (encode(&model.group(group).name)) } {
                                    (glyph(pose)) span {
                                        strong { (model.group(group).name) } br;
                                        (pose.map_or_else(|| words.say("pose.unknown").to_owned(), |pose| tell.pose(pose)))
                                        @if let Some(now) = now { " " (tag(words, now.explanation.verdict.decided_by)) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
        (controls::arrangements(viewer, present))
        @if viewer.may(Role::Configure) {
            (controls::sensors(viewer, present, &said.fields, &said.wrong))
            (reload::form(viewer))
        }
    }
}

/// The hidden fields that every form here carries.
fn carried(viewer: &Viewer, group: &str, what: &str) -> Markup {
    html! {
        (token(viewer))
        input type="hidden" name="group" value=(group);
        input type="hidden" name="what" value=(what);
    }
}

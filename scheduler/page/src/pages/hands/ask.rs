//! From a form to a request, and from what came of it to an answer.

use super::{Said, page};
use crate::form::{Complaints, Fields};
use crate::gate::{Posted, Viewer, encode};
use crate::house::App;
use crate::layout::tag;
use crate::people::Role;
use crate::reasons::Teller;
use crate::words::Words;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use chrono::NaiveDateTime;
use leeside_core::ids::{ArrangementId, GroupId};
use leeside_core::input::{Ask, Origin, Request, Until};
use leeside_core::model::Model;
use leeside_core::time::{HOUR, Wall, to_utc};
use leeside_daemon::door::{Present, Refusal, Unanswered};
use maud::{Markup, html};

/// From where somebody asks: the first of their rooms behind the group, else the centre.
pub(crate) fn origin(viewer: &Viewer, model: &Model, group: Option<GroupId>) -> Origin {
    let rooms = group.map(|group| model.group(group).rooms.as_slice());
    let theirs = rooms.unwrap_or_default().iter().find(|room| {
        let room = model.rooms.get(room.index());
        room.is_some_and(|room| viewer.rooms.contains(&room.name))
    });
    theirs.map_or(Origin::Centre, |room| Origin::Room(*room))
}

/// A local time as browsers send it, read at the place of the house.
fn moment(model: &Model, text: &str) -> Option<Wall> {
    let local = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"]
        .iter()
        .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())?;
    Some(Wall::from_utc(to_utc(model.site.zone, local).utc))
}

/// What a form to a group asks; complaints where it makes no sense.
fn meant(
    words: Words,
    model: &Model,
    now: Wall,
    group: GroupId,
    fields: &Fields,
    wrong: &mut Complaints,
) -> Option<Ask> {
    let until = match fields.text("until") {
        "next_phase" => Until::NextPhase,
        "end_of_day" => Until::EndOfDay,
        "hour" => Until::For(HOUR),
        "four_hours" => Until::For(4 * HOUR),
        _ => Until::Rule,
    };
    let pose = |extension_pct| Ask::Pose {
        group,
        extension_pct,
        tilt_deg: None,
        until,
    };
    Some(match fields.text("what") {
        "retract" => pose(Some(0)),
        "extend" => pose(Some(100)),
        "halt" => Ask::Halt { group, until },
        "release" => Ask::Release { group },
        "frost" => Ask::FrostCleared { group },
        "pose" => {
            let (extension_pct, tilt_deg) = parts(words, fields, ("extension", "tilt"), wrong)?;
            Ask::Pose {
                group,
                extension_pct,
                tilt_deg,
                until,
            }
        }
        "drive" => {
            let device = model.device_named(fields.text("drive"));
            let device = device.filter(|device| model.group(group).devices.contains(device));
            if device.is_none() {
                wrong.at("form", words.say("hands.no_drive"));
            }
            let (extension_pct, tilt_deg) =
                parts(words, fields, ("drive_extension", "drive_tilt"), wrong)?;
            Ask::Device {
                device: device?,
                extension_pct,
                tilt_deg,
                until,
            }
        }
        "service_on" => {
            let expected_end = match fields.some("service_end") {
                None => None,
                Some(text) => Some(later(words, model, now, text, "service_end", wrong)?),
            };
            Ask::Service {
                group,
                on: true,
                expected_end,
            }
        }
        "service_off" => Ask::Service {
            group,
            on: false,
            expected_end: None,
        },
        _ => {
            wrong.at("form", words.say("hands.nothing"));
            return None;
        }
    })
}

/// A moment that has not passed.
fn later(
    words: Words,
    model: &Model,
    now: Wall,
    text: &str,
    field: &'static str,
    wrong: &mut Complaints,
) -> Option<Wall> {
    let at = moment(model, text);
    match at {
        None => wrong.at(field, words.say("hands.no_moment")),
        Some(at) if at <= now => wrong.at(field, words.say("hands.past")),
        Some(_) => {}
    }
    at.filter(|at| *at > now)
}

/// Extension and tilt of a form.
fn parts(
    words: Words,
    fields: &Fields,
    (extension, tilt): (&'static str, &'static str),
    wrong: &mut Complaints,
) -> Option<(Option<u8>, Option<i16>)> {
    let (mut pct, mut deg) = (None, None);
    if let Some(text) = fields.some(extension) {
        pct = text.parse().ok().filter(|pct: &u8| *pct <= 100);
        if pct.is_none() {
            wrong.at(extension, words.say("hands.no_extension"));
        }
    }
    if let Some(text) = fields.some(tilt) {
        deg = text
            .parse()
            .ok()
            .filter(|deg: &i16| (-90..=90).contains(deg));
        if deg.is_none() {
            wrong.at(tilt, words.say("hands.no_tilt"));
        }
    }
    if pct.is_none() && deg.is_none() {
        wrong.at(extension, words.say("hands.no_pose"));
    }
    wrong.none().then_some((pct, deg))
}

/// A form to a group.
pub(super) async fn ask(State(app): State<App>, posted: Posted) -> Response {
    let Posted { viewer, fields } = posted;
    let present = app.present();
    let (words, model) = (viewer.words, &present.model);
    let name = fields.text("group").to_owned();
    let Some(group) = model
        .group_named(&name)
        .filter(|group| viewer.may_move(model, *group))
    else {
        // The page says which of the two it is.
        return page(
            &app,
            &viewer,
            Some(&name),
            StatusCode::FORBIDDEN,
            &Said::default(),
        );
    };
    let mut wrong = Complaints::default();
    let Some(ask) = meant(words, model, present.at.wall, group, &fields, &mut wrong) else {
        let said = Said {
            told: None,
            fields,
            wrong,
        };
        return page(
            &app,
            &viewer,
            Some(&name),
            StatusCode::UNPROCESSABLE_ENTITY,
            &said,
        );
    };
    let request = Request {
        by: viewer.by(),
        from: origin(&viewer, model, Some(group)),
        ask,
    };
    let answer = app.given.door.request(model, request).await;
    answered(
        &app,
        &viewer,
        &present,
        Some(&name),
        fields,
        answer,
        "taken",
    )
    .await
}

/// Somebody has seen an alarm.
pub(super) async fn acknowledge(State(app): State<App>, posted: Posted) -> Response {
    let Posted { viewer, fields } = posted;
    let present = app.present();
    let key = fields.text("key").to_owned();
    let request = Request {
        by: viewer.by(),
        from: Origin::Centre,
        ask: Ask::Acknowledge { key },
    };
    let answer = app.given.door.request(&present.model, request).await;
    answered(&app, &viewer, &present, None, fields, answer, "seen").await
}

/// Poses for several groups at once, for those whom no room binds.
pub(super) async fn arrange(State(app): State<App>, posted: Posted) -> Response {
    let Posted { viewer, fields } = posted;
    let present = app.present();
    let model = &present.model;
    let name = fields.text("arrangement");
    let index = model.arrangements.iter().position(|one| one.name == name);
    let Some(index) = index.filter(|_| viewer.rooms.is_empty()) else {
        let why = viewer.words.say("hands.not_your_room");
        return crate::layout::failure(&viewer, StatusCode::FORBIDDEN, why);
    };
    let ask = Ask::Arrange {
        arrangement: ArrangementId::of(index),
    };
    let request = Request {
        by: viewer.by(),
        from: Origin::Centre,
        ask,
    };
    let answer = app.given.door.request(model, request).await;
    answered(&app, &viewer, &present, None, fields, answer, "taken").await
}

/// Leaves a sensor out for a while, or takes it in again.
pub(super) async fn bypass(State(app): State<App>, posted: Posted) -> Response {
    let Posted { viewer, fields } = posted;
    let present = app.present();
    let (words, model) = (viewer.words, &present.model);
    let mut wrong = Complaints::default();
    let sensor = model.sensor_named(fields.text("sensor"));
    if sensor.is_none() || !viewer.may(Role::Configure) {
        wrong.at("form", words.say("hands.no_sensor"));
    }
    let substitute = fields
        .some("substitute")
        .and_then(|name| model.sensor_named(name));
    let until = if fields.text("do") == "end" {
        None
    } else {
        later(
            words,
            model,
            present.at.wall,
            fields.text("bypass_until"),
            "bypass_until",
            &mut wrong,
        )
    };
    let Some(sensor) = sensor.filter(|_| wrong.none()) else {
        let said = Said {
            told: None,
            fields,
            wrong,
        };
        return page(&app, &viewer, None, StatusCode::UNPROCESSABLE_ENTITY, &said);
    };
    let ask = Ask::Bypass {
        sensor,
        substitute,
        until,
    };
    let request = Request {
        by: viewer.by(),
        from: Origin::Centre,
        ask,
    };
    let answer = app.given.door.request(model, request).await;
    answered(&app, &viewer, &present, None, fields, answer, "bypass").await
}

/// What came of it: on to the page, or the page with the refusal and its reason.
async fn answered(
    app: &App,
    viewer: &Viewer,
    present: &Present,
    group: Option<&str>,
    fields: Fields,
    answer: Result<Vec<Refusal>, Unanswered>,
    done: &str,
) -> Response {
    let (words, model) = (viewer.words, &present.model);
    app.shown_after(present).await;
    let (status, told) = match answer {
        Ok(refusals) if refusals.is_empty() => {
            let of = group.map_or_else(String::new, |group| format!("group={}&", encode(group)));
            return Redirect::to(&format!("/hands?{of}done={done}")).into_response();
        }
        Ok(refusals) => (
            StatusCode::CONFLICT,
            refused(words, model, app.present().at.wall, &refusals),
        ),
        Err(unanswered) => {
            let why = match unanswered {
                Unanswered::Busy => words.say("error.busy"),
                Unanswered::Gone => words.say("error.gone"),
                Unanswered::Changed => words.say("error.changed"),
            };
            (
                StatusCode::SERVICE_UNAVAILABLE,
                html! { p.wrong role="alert" { (why) } },
            )
        }
    };
    let said = Said {
        told: Some(told),
        fields,
        wrong: Complaints::default(),
    };
    page(app, viewer, group, status, &said)
}

fn refused(words: Words, model: &Model, now: Wall, refusals: &[Refusal]) -> Markup {
    let tell = Teller { words, model, now };
    html! {
        div.refused role="alert" {
            @for refusal in refusals {
                p {
                    strong { (words.say("hands.refused")) } " "
                    @if let Some(group) = refusal.group { (model.group(group).name) ": " }
                    (tag(words, refusal.word)) " " (tell.because(&refusal.because))
                }
            }
        }
    }
}

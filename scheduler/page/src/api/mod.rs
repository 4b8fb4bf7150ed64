//! The JSON interface behind the page, described in `openapi.json` beside the
//! manifest. The same doors and the same rules as the page: a session, its token
//! with everything that changes something, roles and rooms.

mod days;
mod present;
mod session;

use crate::gate::PostedJson;
use crate::house::App;
use crate::pages::hands::origin;
use crate::pages::{Route, open, shows, takes};
use crate::people::Role;
use axum::Json;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use leeside_core::ids::GroupId;
use leeside_core::input::Ask;
use leeside_core::model::Model;
use leeside_core::say;
use leeside_daemon::door::{Refusal, Unanswered};
use leeside_daemon::wire::request_of;
use serde_json::{Value, json};

/// The description, OpenAPI 3.1.
pub const DESCRIPTION: &str = include_str!("../../openapi.json");

/// The routes of the interface.
pub(crate) fn routes() -> Vec<Route> {
    vec![
        open("/api/v1/openapi.json", false, get(describe)),
        open("/api/v1/session", true, post(session::begin)),
        takes("/api/v1/session/end", Role::Look, post(session::end)),
        shows("/api/v1/present", Role::Look, get(present::show)),
        shows("/api/v1/groups/{group}/why", Role::Look, get(present::why)),
        takes("/api/v1/requests", Role::Operate, post(request)),
        shows("/api/v1/calendars", Role::Look, get(days::list)),
        takes(
            "/api/v1/calendars/{calendar}/entries",
            Role::Configure,
            post(days::add),
        ),
        takes(
            "/api/v1/calendars/{calendar}/remove",
            Role::Configure,
            post(days::remove),
        ),
    ]
}

async fn describe() -> Response {
    ([(header::CONTENT_TYPE, "application/json")], DESCRIPTION).into_response()
}

/// An answer that says what is wrong.
pub(crate) fn wrong(status: StatusCode, why: impl Into<String>) -> Response {
    (status, Json(json!({ "error": why.into() }))).into_response()
}

/// Nothing was answered.
pub(crate) fn unanswered(unanswered: Unanswered) -> Response {
    let status = match unanswered {
        Unanswered::Changed => StatusCode::CONFLICT,
        Unanswered::Busy | Unanswered::Gone => StatusCode::SERVICE_UNAVAILABLE,
    };
    wrong(status, unanswered.to_string())
}

/// The groups that a request would move or hold.
fn concerned(model: &Model, ask: &Ask) -> Vec<GroupId> {
    match ask {
        Ask::Pose { group, .. }
        | Ask::Halt { group, .. }
        | Ask::Release { group }
        | Ask::Service { group, .. }
        | Ask::FrostCleared { group } => vec![*group],
        Ask::Device { device, .. } => (0..model.groups.len())
            .map(GroupId::of)
            .filter(|group| model.group(*group).devices.contains(device))
            .collect(),
        Ask::Arrange { arrangement } => model
            .arrangements
            .get(arrangement.index())
            .map_or_else(Vec::new, |arrangement| {
                arrangement.poses.iter().map(|(group, _)| *group).collect()
            }),
        Ask::Bypass { .. } | Ask::Acknowledge { .. } => Vec::new(),
    }
}

/// A request in the form that MQTT has it, without `by` and `room`: those come from
/// whoever has signed in.
async fn request(State(app): State<App>, posted: PostedJson) -> Response {
    let PostedJson { viewer, value } = posted;
    let present = app.present();
    let model = &present.model;
    let Value::Object(mut fields) = value else {
        return wrong(
            StatusCode::UNPROCESSABLE_ENTITY,
            "a request is a JSON object",
        );
    };
    if fields.contains_key("by") || fields.contains_key("room") {
        let why = "\"by\" and \"room\" are those of whoever has signed in";
        return wrong(StatusCode::UNPROCESSABLE_ENTITY, why);
    }
    fields.insert("by".to_owned(), Value::from(viewer.by()));
    let mut request = match request_of(model, Value::Object(fields)) {
        Ok(request) => request,
        Err(malformed) => return wrong(StatusCode::UNPROCESSABLE_ENTITY, malformed.to_string()),
    };
    let groups = concerned(model, &request.ask);
    if let Some(foreign) = groups.iter().find(|group| !viewer.may_move(model, **group)) {
        let why = format!(
            "{} is in front of none of your rooms",
            model.group(*foreign).name
        );
        return wrong(StatusCode::FORBIDDEN, why);
    }
    if matches!(request.ask, Ask::Bypass { .. }) && !viewer.may(Role::Configure) {
        return wrong(
            StatusCode::FORBIDDEN,
            "leaving a sensor out takes the role configure",
        );
    }
    request.from = origin(&viewer, model, groups.first().copied());
    match app.given.door.request(model, request).await {
        Ok(refusals) if refusals.is_empty() => Json(json!({ "taken": true })).into_response(),
        Ok(refusals) => {
            let told: Vec<Value> = refusals
                .iter()
                .map(|refusal| refused(model, refusal))
                .collect();
            let body = json!({ "error": "refused", "refusals": told });
            (StatusCode::CONFLICT, Json(body)).into_response()
        }
        Err(error) => unanswered(error),
    }
}

fn refused(model: &Model, refusal: &Refusal) -> Value {
    json!({
        "group": refusal.group.map(|group| model.group(group).name.clone()),
        "by": refusal.word.as_str(),
        "reason": say::because(model, &refusal.because),
    })
}

/// The path's group, or the answer that there is none.
fn group_of(model: &Model, Path(name): &Path<String>) -> Result<GroupId, Box<Response>> {
    model.group_named(name).ok_or_else(|| {
        Box::new(wrong(
            StatusCode::NOT_FOUND,
            format!("no group is called {name:?}"),
        ))
    })
}

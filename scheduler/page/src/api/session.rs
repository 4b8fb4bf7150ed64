//! Signing in and out with JSON.

use super::wrong;
use crate::gate::{LARGEST_BODY, PostedJson, address, from_our_page, session_cookie, set_cookie};
use crate::house::App;
use axum::Json;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;
use tokio::time::Instant;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Login {
    name: String,
    password: String,
}

/// Begins a session: its cookie, and the token that goes with every change.
pub(super) async fn begin(State(app): State<App>, request: Request) -> Response {
    let headers = request.headers().clone();
    if !from_our_page(&headers) {
        return wrong(StatusCode::FORBIDDEN, "not from a page of somewhere else");
    }
    let kind = headers
        .get(header::CONTENT_TYPE)
        .and_then(|kind| kind.to_str().ok());
    if kind.and_then(|kind| kind.split(';').next()).map(str::trim) != Some("application/json") {
        return wrong(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "expected application/json",
        );
    }
    let from = address(&app, request.extensions(), &headers);
    let Ok(bytes) = axum::body::to_bytes(request.into_body(), LARGEST_BODY).await else {
        return wrong(StatusCode::PAYLOAD_TOO_LARGE, "at most 1 MiB");
    };
    let login: Login = match serde_json::from_slice(&bytes) {
        Ok(login) => login,
        Err(error) => {
            return wrong(
                StatusCode::UNPROCESSABLE_ENTITY,
                format!("expected name and password: {error}"),
            );
        }
    };
    if let Some(wait) = app.sessions.wait(&login.name, from, Instant::now()) {
        let seconds = wait.as_secs() + 1;
        let body = json!({ "error": "too many failed tries", "wait_s": seconds });
        return (
            StatusCode::TOO_MANY_REQUESTS,
            [(header::RETRY_AFTER, seconds.to_string())],
            Json(body),
        )
            .into_response();
    }
    // Counted before it is known, so that many at once do not slip through together.
    app.sessions.tried(&login.name, from, false, Instant::now());
    let Some(person) = app.knows(&login.name, login.password).await else {
        return wrong(
            StatusCode::UNAUTHORIZED,
            "name and password do not belong together",
        );
    };
    app.sessions.tried(&login.name, from, true, Instant::now());
    let token = app
        .sessions
        .begin(&person.name, &person.password, Instant::now());
    let csrf = app
        .sessions
        .find(&token, Instant::now())
        .map(|session| session.csrf);
    let set = set_cookie(session_cookie(app.secure()), &token, app.secure(), None);
    let body = json!({
        "name": person.name,
        "role": person.role.as_str(),
        "rooms": person.rooms,
        "csrf": csrf,
    });
    ([(header::SET_COOKIE, set)], Json(body)).into_response()
}

/// Ends it.
pub(super) async fn end(
    State(app): State<App>,
    headers: HeaderMap,
    posted: PostedJson,
) -> Response {
    drop(posted);
    let name = session_cookie(app.secure());
    if let Some(token) = crate::gate::cookie(&headers, name) {
        app.sessions.end(token);
    }
    let gone = set_cookie(name, "", app.secure(), Some(0));
    ([(header::SET_COOKIE, gone)], Json(json!({ "ended": true }))).into_response()
}

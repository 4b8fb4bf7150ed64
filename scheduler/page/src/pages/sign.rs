//! Signing in and out, and the choice of language.

use crate::form::{Complaints, Fields};
use crate::gate::{
    LARGEST_BODY, Posted, Viewer, address, cookie, form_token, from_our_page, session_cookie,
    set_cookie,
};
use crate::house::App;
use crate::layout::{self, Field};
use crate::sessions::same;
use crate::words::{COOKIE_NAME, Language};
use axum::extract::{Query, Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use maud::{DOCTYPE, Markup, html};
use serde::Deserialize;
use tokio::time::Instant;

/// The cookie that belongs to the sign-in form, before there is a session.
const FORM_COOKIE: &str = "leeside_form";

/// Where to go afterwards.
#[derive(Debug, Default, Deserialize)]
pub struct To {
    #[serde(default)]
    to: String,
}

/// Only a path of our own: never somebody else's address.
fn own_path(to: &str) -> &str {
    let own = to.starts_with('/')
        && !to.starts_with("//")
        && !to.contains('\\')
        && !to.chars().any(char::is_control);
    if own { to } else { "/" }
}

/// The sign-in form.
pub async fn show(State(app): State<App>, Query(to): Query<To>, viewer: Viewer) -> Response {
    if !viewer.has_people || viewer.name.is_some() {
        return Redirect::to(own_path(&to.to)).into_response();
    }
    let fields = Fields::default().with("to", own_path(&to.to));
    sheet(
        &app,
        &viewer,
        StatusCode::OK,
        &fields,
        &Complaints::default(),
    )
}

fn sheet(
    app: &App,
    viewer: &Viewer,
    status: StatusCode,
    fields: &Fields,
    wrong: &Complaints,
) -> Response {
    let token = form_token();
    let set = set_cookie(FORM_COOKIE, &token, app.secure(), Some(3_600));
    let nobody = app.people().all.is_empty();
    (
        status,
        [(header::SET_COOKIE, set)],
        form(viewer, fields, wrong, &token, nobody),
    )
        .into_response()
}

/// Without the house's name: whoever sees this has not signed in.
fn form(viewer: &Viewer, fields: &Fields, wrong: &Complaints, token: &str, nobody: bool) -> Markup {
    let words = viewer.words;
    let title = words.say("sign_in.title");
    let name = Field {
        name: "name",
        label: words.say("sign_in.name"),
        kind: "text",
        hint: "",
        needed: true,
    };
    let password = Field {
        name: "password",
        label: words.say("sign_in.password"),
        kind: "password",
        hint: "",
        needed: true,
    };
    html! {
        (DOCTYPE)
        html lang=(words.language.tag()) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                link rel="icon" type="image/svg+xml" href=(crate::assets::path("mark.svg"));
                link rel="stylesheet" href=(crate::assets::path("page.css"));
            }
            body.alone {
                main #main {
                    h1 { (title) }
                    @if nobody { p.note { (words.say("sign_in.nobody")) } }
                    form.stack method="post" action="/sign-in" {
                        input type="hidden" name="csrf" value=(token);
                        input type="hidden" name="to" value=(fields.text("to"));
                        @if let Some(why) = wrong.of("form") { p.wrong role="alert" { (why) } }
                        (name.show_as("username", fields, wrong))
                        (password.show_as("current-password", fields, wrong))
                        button { (words.say("sign_in.send")) }
                    }
                    ul.languages {
                        @for language in Language::ALL.iter().filter(|one| **one != words.language) {
                            li {
                                a lang=(language.tag()) href={ "/language?to=" (language.tag()) "&back=/sign-in" } {
                                    (crate::words::Words::of(*language).say("frame.name_of_language"))
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Signs in, with a new session.
pub async fn sign_in(State(app): State<App>, viewer: Viewer, request: Request) -> Response {
    let words = viewer.words;
    let headers = request.headers().clone();
    let from = address(&app, request.extensions(), &headers);
    let fields = match Fields::read(request, LARGEST_BODY).await {
        Ok(fields) => fields,
        Err(error) => {
            return layout::failed(&viewer, StatusCode::BAD_REQUEST, &error.show(words));
        }
    };
    let token = cookie(&headers, FORM_COOKIE).unwrap_or_default();
    if token.is_empty() || !same(fields.text("csrf"), token) || !from_our_page(&headers) {
        return layout::failure(&viewer, StatusCode::FORBIDDEN, words.say("error.csrf"));
    }
    let mut wrong = Complaints::default();
    let name = fields.text("name").to_owned();
    for field in ["name", "password"] {
        if fields.text(field).is_empty() {
            wrong.at(field, words.say("sign_in.needed"));
        }
    }
    if !wrong.none() {
        return sheet(
            &app,
            &viewer,
            StatusCode::UNPROCESSABLE_ENTITY,
            &fields,
            &wrong,
        );
    }
    if let Some(wait) = app.sessions.wait(&name, from, Instant::now()) {
        let ms = i64::try_from(wait.as_millis())
            .unwrap_or(i64::MAX)
            .saturating_add(999);
        wrong.at(
            "form",
            words.fill("sign_in.wait", &[("span", &words.span(ms))]),
        );
        return sheet(
            &app,
            &viewer,
            StatusCode::TOO_MANY_REQUESTS,
            &fields,
            &wrong,
        );
    }
    // Counted before it is known, so that many at once do not slip through together.
    app.sessions.tried(&name, from, false, Instant::now());
    let Some(person) = app.knows(&name, fields.raw("password").to_owned()).await else {
        tracing::warn!(%from, "a sign-in failed");
        wrong.at("form", words.say("sign_in.wrong"));
        return sheet(&app, &viewer, StatusCode::UNAUTHORIZED, &fields, &wrong);
    };
    app.sessions.tried(&name, from, true, Instant::now());
    if let Some(old) = cookie(&headers, session_cookie(app.secure())) {
        app.sessions.end(old);
    }
    let token = app
        .sessions
        .begin(&person.name, &person.password, Instant::now());
    tracing::info!(name = %person.name, "signed in");
    let set = set_cookie(session_cookie(app.secure()), &token, app.secure(), None);
    (
        [(header::SET_COOKIE, set)],
        Redirect::to(own_path(fields.text("to"))),
    )
        .into_response()
}

/// Ends the session.
pub async fn sign_out(State(app): State<App>, headers: HeaderMap, posted: Posted) -> Response {
    let name = session_cookie(app.secure());
    if let Some(token) = cookie(&headers, name) {
        app.sessions.end(token);
    }
    drop(posted);
    let gone = set_cookie(name, "", app.secure(), Some(0));
    ([(header::SET_COOKIE, gone)], Redirect::to("/")).into_response()
}

/// Which language, and back to where.
#[derive(Debug, Default, Deserialize)]
pub struct Choice {
    #[serde(default)]
    to: String,
    #[serde(default)]
    back: String,
}

/// Remembers a language for a year.
pub async fn language(State(app): State<App>, Query(choice): Query<Choice>) -> Response {
    let language = Language::tagged(&choice.to).unwrap_or(Language::English);
    let set = set_cookie(COOKIE_NAME, language.tag(), app.secure(), Some(31_536_000));
    (
        [(header::SET_COOKIE, set)],
        Redirect::to(own_path(&choice.back)),
    )
        .into_response()
}

#[cfg(test)]
mod tests {
    use super::own_path;

    #[test]
    fn one_is_sent_on_within_the_page_only() {
        assert_eq!(own_path("/why?group=a"), "/why?group=a");
        for foreign in [
            "https://example.org/",
            "//example.org",
            "/\\example.org",
            "",
            "why",
            "/a\nb",
        ] {
            assert_eq!(own_path(foreign), "/", "{foreign:?}");
        }
    }
}

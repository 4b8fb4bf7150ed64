//! Loading the site file anew, with every problem that it has.

use super::{Said, page};
use crate::form::{Complaints, Fields};
use crate::gate::{Posted, Viewer};
use crate::house::App;
use crate::layout::token;
use crate::words::Words;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use leeside_daemon::keeper::{self, Answer, Reload};
use maud::{Markup, html};
use std::time::Duration;
use tokio::sync::oneshot;

/// Reading a large site takes seconds; whoever waits longer looks at the alarms.
const PATIENCE: Duration = Duration::from_secs(60);

/// What asks for it.
pub(super) fn form(viewer: &Viewer) -> Markup {
    let words = viewer.words;
    html! {
        section aria-labelledby="site-file" {
            h2 #site-file { (words.say("hands.site_file")) }
            p.hint { (words.say("hands.reload_hint")) }
            form method="post" action="/hands/reload" {
                (token(viewer))
                button.quiet { (words.say("hands.reload")) }
            }
        }
    }
}

/// Loads it anew and says what became of it.
pub(super) async fn reload(State(app): State<App>, posted: Posted) -> Response {
    let viewer = posted.viewer;
    let words = viewer.words;
    let (status, told) = match ask(&app).await {
        Some(answer) => (
            if answer.accepted {
                StatusCode::OK
            } else {
                StatusCode::UNPROCESSABLE_ENTITY
            },
            told(&viewer, &answer),
        ),
        None => (
            StatusCode::SERVICE_UNAVAILABLE,
            html! { p.wrong role="alert" { (words.say("error.busy")) } },
        ),
    };
    let said = Said {
        told: Some(told),
        fields: Fields::default(),
        wrong: Complaints::default(),
    };
    page(&app, &viewer, None, status, &said)
}

async fn ask(app: &App) -> Option<Answer> {
    let (asked, answer) = oneshot::channel();
    app.given.reloads.try_send(Reload(asked)).ok()?;
    tokio::time::timeout(PATIENCE, answer).await.ok()?.ok()
}

/// What became of it, beside the heading that says whether it is in force.
fn said(words: Words, said: &keeper::Said) -> Option<String> {
    match said {
        keeper::Said::InForce(fingerprint) => {
            Some(words.fill("hands.reload_fingerprint", &[("fingerprint", fingerprint)]))
        }
        keeper::Said::InForceAlready => Some(words.say("hands.reload_already").to_owned()),
        keeper::Said::Broken(_) => Some(words.say("hands.reload_broken").to_owned()),
        keeper::Said::NeedsRestart(section) => {
            Some(words.fill("hands.reload_restart", &[("section", section)]))
        }
        keeper::Said::Unread => Some(words.say("hands.reload_unread").to_owned()),
        keeper::Said::Ending => Some(words.say("error.gone").to_owned()),
        keeper::Said::NotUnderstood(_) => None,
    }
}

/// The answer with its problems; those are the file reader's own words, in English.
fn told(viewer: &Viewer, answer: &Answer) -> Markup {
    let words = viewer.words;
    let (class, role, key) = if answer.accepted {
        ("done", "status", "hands.reload_done")
    } else {
        ("refused", "alert", "hands.reload_rejected")
    };
    html! {
        div class=(class) role=(role) {
            p { strong { (words.say(key)) } }
            @if let Some(why) = said(words, &answer.said) { p { (why) } }
        }
        @if !answer.diagnostics.is_empty() {
            pre.problems lang="en" tabindex="0" { (answer.diagnostics.join("\n")) }
        }
    }
}

//! The pages, one module each, and the one table of routes.

pub mod calendar;
mod drives;
pub mod facade;
pub mod hands;
pub mod now;
pub mod seen;
pub mod sign;
pub mod why;
pub mod year;

use crate::gate::{Access, Viewer, admit, guard};
use crate::house::App;
use crate::people::Role;
use crate::words::Words;
use crate::{api, assets, layout, live};
use axum::Router;
use axum::http::StatusCode;
use axum::middleware::from_fn_with_state;
use axum::response::Response;
use axum::routing::{MethodRouter, get, post};
use maud::{Markup, html};

/// A page of the navigation.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// Where it is.
    pub path: &'static str,
    /// Its word in the catalogue's `nav`.
    pub word: &'static str,
    /// Who sees it.
    pub role: Role,
}

/// The navigation, in its order.
pub const NAVIGATION: &[Place] = &[
    place("/", "now", Role::Look),
    place("/calendar", "calendar", Role::Look),
    place("/why", "why", Role::Look),
    place("/year", "year", Role::Look),
    place("/facade", "facade", Role::Look),
    place("/hands", "hands", Role::Operate),
];

const fn place(path: &'static str, word: &'static str, role: Role) -> Place {
    Place { path, word, role }
}

/// A route: where, for whom, and what serves it.
#[derive(Debug)]
pub struct Route {
    /// Where.
    pub path: &'static str,
    /// For whom.
    pub access: Access,
    /// Whether something can be sent there: then it takes our forms only.
    pub takes: bool,
    serve: MethodRouter<App>,
}

/// A route that shows something.
pub(crate) fn shows(path: &'static str, role: Role, serve: MethodRouter<App>) -> Route {
    Route {
        path,
        access: Access::May(role),
        takes: false,
        serve,
    }
}

/// A route to which forms are sent.
pub(crate) fn takes(path: &'static str, role: Role, serve: MethodRouter<App>) -> Route {
    Route {
        path,
        access: Access::May(role),
        takes: true,
        serve,
    }
}

/// A route for everybody who can reach the page.
pub(crate) fn open(path: &'static str, takes: bool, serve: MethodRouter<App>) -> Route {
    Route {
        path,
        access: Access::Open,
        takes,
        serve,
    }
}

/// Every route there is. A handler that takes a form takes it as
/// [`Posted`](crate::gate::Posted), JSON as [`PostedJson`](crate::gate::PostedJson):
/// what did not come from our own page for this session never reaches it. Each
/// answer to a `POST` that is sent without its token is 403; a test goes through
/// this table.
#[must_use]
pub fn routes() -> Vec<Route> {
    let mut all = vec![
        open("/assets/{file}", false, get(assets::serve)),
        open("/language", false, get(sign::language)),
        open("/sign-in", true, get(sign::show).post(sign::sign_in)),
        takes("/sign-out", Role::Look, post(sign::sign_out)),
        shows("/live", Role::Look, get(live::stream)),
    ];
    all.extend(now::routes());
    all.extend(seen::routes());
    all.extend(calendar::routes());
    all.extend(why::routes());
    all.extend(year::routes());
    all.extend(facade::routes());
    all.extend(hands::routes());
    all.extend(api::routes());
    all
}

/// All routes, each behind its access, all behind the guard.
pub fn router(app: &App) -> Router {
    let mut router = Router::new();
    for route in routes() {
        let admitted = from_fn_with_state((app.clone(), route.access), admit);
        router = router.route(route.path, route.serve.layer(admitted));
    }
    router
        .fallback(nowhere)
        .layer(from_fn_with_state(app.clone(), guard))
        .with_state(app.clone())
}

async fn nowhere(viewer: Viewer) -> Response {
    let why = viewer.words.say("error.not_found");
    layout::failure(&viewer, StatusCode::NOT_FOUND, why)
}

/// In place of an answer that is still being worked out.
#[must_use]
pub(crate) fn waiting(words: Words, per_mille: u32) -> Markup {
    html! {
        section.waiting aria-labelledby="waiting" {
            h2 #waiting { (words.say("work.title")) }
            p { label for="done" { (words.say("work.done")) } }
            progress #done max="1000" value=(per_mille) { (per_mille / 10) " %" }
            p.note { (words.say("work.note")) }
        }
    }
}

/// The example's model, for the tests of several pages.
#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
pub(crate) fn example() -> std::sync::Arc<leeside_core::model::Model> {
    let path =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/example/site.toml");
    leeside_config::load_site(&path, &leeside_config::LoadOptions::around(2027))
        .unwrap()
        .0
        .model
}

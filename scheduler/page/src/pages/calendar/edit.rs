//! Adding, changing, removing, importing: shown first, saved afterwards, both ways
//! kept in view where two people meant different things.

use super::entry::{AGAIN, filled, new_entry};
use super::preview::{conflict, previewed};
use super::{Book, book, sheet};
use crate::days;
use crate::failure::Failure;
use crate::form::{Complaints, Fields};
use crate::gate::{Posted, Viewer, encode};
use crate::house::App;
use crate::layout::{Field, Sheet, failed, failure, token};
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use leeside_config::closed_days::{Author, Change, Refusal, Which, apply, edit_file, undo_file};
use leeside_core::model::Model;
use maud::{Markup, html};
use serde::Deserialize;
use std::sync::Arc;
use std::time::Duration;

/// After a save the service is given so long to take it up before the page is shown.
const TAKEN_UP: Duration = Duration::from_secs(5);

/// Which entry, or for which day a new one.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    calendar: Option<String>,
    uid: Option<String>,
    day: Option<String>,
}

/// The form for an entry, new or old.
pub(super) async fn form(
    State(app): State<App>,
    Query(asked): Query<Asked>,
    viewer: Viewer,
) -> Response {
    let named = match asked.calendar {
        Some(name) => name,
        // From a day of the grid: the first calendar whose days are of a class.
        None => match days::of_site(&app.given.site) {
            Ok(all) => all
                .into_iter()
                .find(|(named, _)| named.day_class.is_some())
                .map_or_else(String::new, |(named, _)| named.name),
            Err(error) => {
                return failed(
                    &viewer,
                    StatusCode::CONFLICT,
                    &Failure::from(error).show(viewer.words),
                );
            }
        },
    };
    let book = match book(&app, &named) {
        Ok(book) => book,
        Err(why) => return failed(&viewer, StatusCode::NOT_FOUND, &why.show(viewer.words)),
    };
    let mut fields = Fields::default()
        .with("calendar", named)
        .with("revision", book.revision.clone())
        .with("first", asked.day.unwrap_or_default());
    if let Some(uid) = asked.uid {
        let Some(old) = book.entries.iter().find(|entry| entry.uid == uid) else {
            return failure(
                &viewer,
                StatusCode::NOT_FOUND,
                viewer.words.say("calendar.gone"),
            );
        };
        fields = filled(fields, old);
    }
    let sheet = Form {
        viewer: &viewer,
        fields: &fields,
        wrong: &Complaints::default(),
        above: None,
        refused: None,
    };
    sheet.answer(&app, &book, StatusCode::OK)
}

struct Form<'a> {
    viewer: &'a Viewer,
    fields: &'a Fields,
    wrong: &'a Complaints,
    /// What is shown above the form: a preview, a conflict.
    above: Option<Markup>,
    /// Why it could not be done.
    refused: Option<Failure>,
}

impl Form<'_> {
    fn times_hint(&self, model: &Model) -> String {
        let words = self.viewer.words;
        let zone = self.fields.some("zone");
        match zone.filter(|zone| *zone != model.site.zone.name()) {
            None => words.say("calendar.times_hint").to_owned(),
            Some(zone) => words.fill("calendar.times_zone", &[("zone", &zone)]),
        }
    }

    /// How it comes again.
    fn again(&self) -> Markup {
        let (words, chosen) = (self.viewer.words, self.fields.text("again"));
        let wrong = self.wrong.of("again");
        // A rule that another program wrote can be kept, not made.
        let own = chosen == "own";
        html! {
            div.field.is-wrong[wrong.is_some()] {
                label for="again" { (words.say("calendar.again")) }
                select #again name="again" aria-describedby=[wrong.map(|_| "again-wrong")] {
                    @if own { option value="own" selected { (words.say("calendar.again_own")) } }
                    @for (value, key) in AGAIN {
                        option value=(value) selected[value == chosen] { (words.say(key)) }
                    }
                }
                @if let Some(wrong) = wrong { p.wrong #again-wrong { (wrong) } }
            }
        }
    }

    fn answer(self, app: &App, book: &Book, status: StatusCode) -> Response {
        let (viewer, words) = (self.viewer, self.viewer.words);
        let present = app.present();
        let previewed = self.above.is_some();
        let field = |name, label, kind, hint, needed| {
            Field {
                name,
                label: words.say(label),
                kind,
                hint,
                needed,
            }
            .show(self.fields, self.wrong)
        };
        let others: Vec<String> = days::of_site(&app.given.site)
            .map(|all| all.into_iter().map(|(named, _)| named.name).collect())
            .unwrap_or_default();
        let changing = self.fields.some("uid");
        let body = html! {
            @if let Some(above) = &self.above { (*above) }
            section {
                @if let Some(why) = &self.refused { (why.show(words)) }
                @if changing.is_none() && others.len() > 1 {
                    ul.choice aria-label=(words.say("calendar.which")) {
                        @for name in &others {
                            li {
                                a href={ "/calendar/entry?calendar=" (encode(name)) "&day=" (encode(self.fields.text("first"))) }
                                    aria-current=[(*name == book.named.name).then_some("true")] { (name) }
                            }
                        }
                    }
                }
                p.hint { (book.named.name) ": " (sheet::meaning(words, &present.model, book)) }
                form.stack method="post" action="/calendar/save" {
                    (token(viewer))
                    input type="hidden" name="calendar" value=(book.named.name);
                    input type="hidden" name="revision" value=(self.fields.text("revision"));
                    @if let Some(uid) = changing { input type="hidden" name="uid" value=(uid); }
                    @if let Some(zone) = self.fields.some("zone") { input type="hidden" name="zone" value=(zone); }
                    (field("name", "calendar.name", "text", "", true))
                    (field("first", "calendar.first", "date", "", true))
                    (field("last", "calendar.last", "date", words.say("calendar.last_hint"), false))
                    @if book.named.day_class.is_none() || self.fields.some("from").is_some() || self.fields.some("to").is_some() {
                        div.beside {
                            (field("from", "calendar.from", "time", "", false))
                            (field("to", "calendar.to", "time", "", false))
                        }
                        p.hint { (self.times_hint(&present.model)) }
                    }
                    (self.again())
                    (field("until", "calendar.until", "date", words.say("calendar.until_hint"), false))
                    p.doings {
                        @if previewed { button name="do" value="save" { (words.say("calendar.save")) } " " }
                        button.quiet[previewed] name="do" value="preview" { (words.say("calendar.preview")) } " "
                        a.button.quiet href="/calendar" { (words.say("calendar.cancel")) }
                    }
                }
            }
        };
        let title = if changing.is_some() {
            words.say("calendar.change_title")
        } else {
            words.say("calendar.add_title")
        };
        let sheet = Sheet {
            title,
            path: "/calendar",
            scripts: &[],
            again_s: 0,
        };
        (status, sheet.show(viewer, &present, &body)).into_response()
    }
}

/// Shows what an entry would change, or saves it.
pub(super) async fn save(State(app): State<App>, posted: Posted) -> Response {
    let Posted { viewer, fields } = posted;
    let book = match book(&app, fields.text("calendar")) {
        Ok(book) => book,
        Err(why) => return failed(&viewer, StatusCode::NOT_FOUND, &why.show(viewer.words)),
    };
    let mut wrong = Complaints::default();
    let Some(entry) = new_entry(&app, viewer.words, &fields, &mut wrong) else {
        let form = Form {
            viewer: &viewer,
            fields: &fields,
            wrong: &wrong,
            above: None,
            refused: None,
        };
        return form.answer(&app, &book, StatusCode::UNPROCESSABLE_ENTITY);
    };
    let change = match fields.some("uid") {
        Some(uid) => Change::Replace {
            uid: uid.to_owned(),
            entry,
        },
        None => Change::Add(entry),
    };
    let saves = fields.text("do") == "save";
    let outcome = if saves {
        write(&app, &viewer, &book, &fields, &change).await
    } else {
        shown(&app, &viewer, &book, &change)
            .await
            .map(Outcome::Shown)
    };
    match outcome {
        Ok(Outcome::Written) => redirect("saved"),
        Ok(Outcome::Shown(above)) => {
            let form = Form {
                viewer: &viewer,
                fields: &fields,
                wrong: &wrong,
                above: Some(above),
                refused: None,
            };
            form.answer(&app, &book, StatusCode::OK)
        }
        Ok(Outcome::Conflict(above, revision)) => {
            let fields = fields.with("revision", revision);
            let form = Form {
                viewer: &viewer,
                fields: &fields,
                wrong: &wrong,
                above: Some(above),
                refused: None,
            };
            form.answer(&app, &book, StatusCode::CONFLICT)
        }
        Err(why) => {
            let form = Form {
                viewer: &viewer,
                fields: &fields,
                wrong: &wrong,
                above: None,
                refused: Some(why),
            };
            form.answer(&app, &book, StatusCode::UNPROCESSABLE_ENTITY)
        }
    }
}

enum Outcome {
    Written,
    Shown(Markup),
    Conflict(Markup, String),
}

fn redirect(done: &str) -> Response {
    Redirect::to(&format!("/calendar?done={done}")).into_response()
}

/// What a change would do, as a part of a page.
async fn shown(
    app: &App,
    viewer: &Viewer,
    book: &Book,
    change: &Change,
) -> Result<Markup, Failure> {
    let edit =
        apply(&book.named.file, &book.text, change).map_err(|refusal| Failure::from(&refusal))?;
    let (site, file, now) = (
        app.given.site.clone(),
        book.named.file.clone(),
        app.present().at.wall,
    );
    let text = edit.text.clone();
    let preview = app
        .aside(move || days::preview(&site, &file, &text, now))
        .await;
    let preview = preview
        .ok_or_else(|| Failure::of("error.busy"))?
        .map_err(Failure::from)?;
    Ok(previewed(viewer.words, book, &edit, &preview, now))
}

fn author(app: &App, viewer: &Viewer) -> Author {
    Author {
        by: viewer.by(),
        at: app.given.clock.now().wall.utc(),
    }
}

async fn write(
    app: &App,
    viewer: &Viewer,
    book: &Book,
    fields: &Fields,
    change: &Change,
) -> Result<Outcome, Failure> {
    // The whole site has to stay sound with it, or nothing is written.
    let above = shown(app, viewer, book, change).await?;
    let (path, revision) = (book.path.clone(), fields.text("revision").to_owned());
    let (change, author) = (change.clone(), author(app, viewer));
    let before = app.present();
    let written = app
        .aside(move || edit_file(&path, Some(&revision), false, &change, &author))
        .await;
    match written.ok_or_else(|| Failure::of("error.busy"))? {
        Ok(_) => {
            taken_up(app, &before).await;
            Ok(Outcome::Written)
        }
        Err(Refusal::Conflict {
            present, revision, ..
        }) => {
            let both = conflict(viewer.words, before.model.site.zone, &present, &above);
            Ok(Outcome::Conflict(both, revision))
        }
        Err(refusal) => Err(Failure::from(&refusal)),
    }
}

/// Waits a moment until the service goes by the new days, so that the page that
/// follows shows them.
async fn taken_up(app: &App, before: &leeside_daemon::door::Present) {
    let mut presents = app.given.door.follow();
    let newer = presents.wait_for(|present| !Arc::ptr_eq(&present.model, &before.model));
    // Not in time: the page will say what is in force then.
    let _ = tokio::time::timeout(TAKEN_UP, newer).await;
}

/// Removes an entry: shown first.
pub(super) async fn remove(State(app): State<App>, posted: Posted) -> Response {
    let uid = posted.fields.text("uid").to_owned();
    let title = posted.viewer.words.say("calendar.remove_title");
    let change = Change::Remove(Which::Uid(uid.clone()));
    confirmed(
        &app,
        posted,
        change,
        Confirm {
            title,
            action: "/calendar/remove",
            carries: ("uid", uid),
            done: "removed",
        },
    )
    .await
}

/// Takes another calendar's events in: shown first.
pub(super) async fn import(State(app): State<App>, posted: Posted) -> Response {
    let words = posted.viewer.words;
    let sent = posted
        .fields
        .file("file")
        .map(|bytes| String::from_utf8(bytes.to_vec()));
    let text = match sent {
        Some(Ok(text)) => text,
        Some(Err(_)) => {
            return failure(
                &posted.viewer,
                StatusCode::UNPROCESSABLE_ENTITY,
                words.say("calendar.not_utf8"),
            );
        }
        None => posted.fields.raw("text").to_owned(),
    };
    let title = words.say("calendar.import_title");
    let change = Change::Import(text.clone());
    confirmed(
        &app,
        posted,
        change,
        Confirm {
            title,
            action: "/calendar/import",
            carries: ("text", text),
            done: "imported",
        },
    )
    .await
}

/// A change that is shown on a page of its own and then confirmed.
struct Confirm {
    title: &'static str,
    action: &'static str,
    /// What the second form carries of the first.
    carries: (&'static str, String),
    done: &'static str,
}

async fn confirmed(app: &App, posted: Posted, change: Change, confirm: Confirm) -> Response {
    let Posted { viewer, fields } = posted;
    let book = match book(app, fields.text("calendar")) {
        Ok(book) => book,
        Err(why) => return failed(&viewer, StatusCode::NOT_FOUND, &why.show(viewer.words)),
    };
    let outcome = if fields.text("do") == "save" {
        write(app, &viewer, &book, &fields, &change).await
    } else {
        shown(app, &viewer, &book, &change)
            .await
            .map(Outcome::Shown)
    };
    let (status, above, revision) = match outcome {
        Ok(Outcome::Written) => return redirect(confirm.done),
        Ok(Outcome::Shown(above)) => (StatusCode::OK, above, fields.text("revision").to_owned()),
        Ok(Outcome::Conflict(above, revision)) => (StatusCode::CONFLICT, above, revision),
        Err(why) => return refused(app, &viewer, confirm.title, &why),
    };
    let words = viewer.words;
    let body = html! {
        (above)
        form method="post" action=(confirm.action) {
            (token(&viewer))
            input type="hidden" name="calendar" value=(book.named.name);
            input type="hidden" name="revision" value=(revision);
            textarea.carried name=(confirm.carries.0) hidden { "\n" (confirm.carries.1) }
            p.doings {
                button name="do" value="save" { (words.say("calendar.save")) } " "
                a.button.quiet href="/calendar" { (words.say("calendar.cancel")) }
            }
        }
    };
    let sheet = Sheet {
        title: confirm.title,
        path: "/calendar",
        scripts: &[],
        again_s: 0,
    };
    (status, sheet.show(&viewer, &app.present(), &body)).into_response()
}

/// Nothing was changed, and why.
fn refused(app: &App, viewer: &Viewer, title: &str, why: &Failure) -> Response {
    let words = viewer.words;
    let body = html! {
        section {
            p { strong { (words.say("calendar.refused")) } }
            (why.show(words))
            p { a.button.quiet href="/calendar" { (words.say("calendar.back")) } }
        }
    };
    let sheet = Sheet {
        title,
        path: "/calendar",
        scripts: &[],
        again_s: 0,
    };
    (
        StatusCode::UNPROCESSABLE_ENTITY,
        sheet.show(viewer, &app.present(), &body),
    )
        .into_response()
}

/// Takes the last change back.
pub(super) async fn undo(State(app): State<App>, posted: Posted) -> Response {
    let Posted { viewer, fields } = posted;
    let words = viewer.words;
    let book = match book(&app, fields.text("calendar")) {
        Ok(book) => book,
        Err(why) => return failed(&viewer, StatusCode::NOT_FOUND, &why.show(viewer.words)),
    };
    let (author, before) = (author(&app, &viewer), app.present());
    let revision = fields.text("revision").to_owned();
    let undone = app
        .aside(move || undo_file(&book.path, Some(&revision), &author))
        .await;
    match undone {
        None => failure(
            &viewer,
            StatusCode::SERVICE_UNAVAILABLE,
            words.say("error.busy"),
        ),
        Some(Ok(_)) => {
            taken_up(&app, &before).await;
            redirect("undone")
        }
        Some(Err(refusal)) => refused(
            &app,
            &viewer,
            words.say("calendar.undo_title"),
            &Failure::from(&refusal),
        ),
    }
}

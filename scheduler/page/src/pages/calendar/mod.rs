//! The calendar: which day is of which class, and the house's own days, added,
//! changed and removed by those who may, shown before they are saved.
//!
//! What is shown as in force is the running service's own table of days; what is
//! edited are the files that the site file names, in the same way as the command
//! line does it, safely beside it. The service takes a changed file up by itself.

mod deed;
mod edit;
mod entry;
mod grid;
mod preview;
mod sheet;

pub(crate) use entry::{recurrence, word_of};

use super::{Route, shows, takes};
use crate::days;
use crate::failure::Failure;
use crate::gate::Viewer;
use crate::house::App;
use crate::layout::Sheet;
use crate::people::Role;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use chrono::{Datelike, NaiveDate};
use leeside_config::closed_days::{Deed, Entry, Named, Refusal, history, list, read_file};
use maud::{Markup, html};
use serde::Deserialize;
use std::path::PathBuf;

/// The routes of this page.
pub(super) fn routes() -> Vec<Route> {
    vec![
        shows("/calendar", Role::Look, get(show)),
        shows("/calendar/export", Role::Look, get(export)),
        shows("/calendar/entry", Role::Configure, get(edit::form)),
        takes("/calendar/save", Role::Configure, post(edit::save)),
        takes("/calendar/remove", Role::Configure, post(edit::remove)),
        takes("/calendar/import", Role::Configure, post(edit::import)),
        takes("/calendar/undo", Role::Configure, post(edit::undo)),
    ]
}

/// A calendar of the site, as it lies on disk.
pub(crate) struct Book {
    /// What the site file says of it.
    pub(crate) named: Named,
    /// Where it lies.
    pub(crate) path: PathBuf,
    /// Its text, and the revision of that.
    pub(crate) text: String,
    /// The revision.
    pub(crate) revision: String,
    /// Its entries, by their first day.
    pub(crate) entries: Vec<Entry>,
    /// Who changed it, the newest last.
    pub(crate) deeds: Vec<Deed>,
}

impl Book {
    /// Reads a calendar from disk.
    fn read(named: Named, path: PathBuf) -> Result<Self, Refusal> {
        let (text, revision) = read_file(&path)?;
        let mut entries = list(&named.file, &text)?;
        entries.sort_by_key(|entry| (entry.first, entry.line));
        let deeds = history(&path);
        Ok(Self {
            named,
            path,
            text,
            revision,
            entries,
            deeds,
        })
    }
}

/// A calendar, or the one that cannot be read, and why.
type Read = Result<Book, Box<(Named, Failure)>>;

/// All calendars of the site.
pub(crate) fn books(app: &App) -> Result<Vec<Read>, Failure> {
    let all = days::of_site(&app.given.site)?;
    let read = |(named, path): (Named, PathBuf)| {
        Book::read(named.clone(), path)
            .map_err(|refusal| Box::new((named, Failure::from(&refusal))))
    };
    Ok(all.into_iter().map(read).collect())
}

/// One calendar by name.
pub(crate) fn book(app: &App, name: &str) -> Result<Book, Failure> {
    let all = days::of_site(&app.given.site)?;
    let found = all.into_iter().find(|(named, _)| named.name == name);
    let (named, path) = found.ok_or_else(|| Failure::of("calendar.no_such").with("name", name))?;
    Book::read(named, path).map_err(|refusal| Failure::from(&refusal))
}

/// Which months, and what was just done.
#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    month: Option<String>,
    done: Option<String>,
}

/// The first day of a month written as `2026-12`.
pub(crate) fn month(text: &str) -> Option<NaiveDate> {
    let first = NaiveDate::parse_from_str(&format!("{text}-01"), "%Y-%m-%d").ok()?;
    (1900..=2199).contains(&first.year()).then_some(first)
}

/// The page.
pub async fn show(State(app): State<App>, Query(asked): Query<Asked>, viewer: Viewer) -> Response {
    let present = app.present();
    let today = present.at.wall.local_date(present.model.site.zone);
    let first = asked.month.as_deref().and_then(month);
    let first = first.unwrap_or_else(|| today.with_day(1).unwrap_or(today));
    let done = asked
        .done
        .as_deref()
        .and_then(|done| sheet::done(viewer.words, done));
    let body = html! {
        @if let Some(done) = done { p.done role="status" { (done) } }
        (grid::months(&viewer, &present, first, today))
        (the_books(&app, &viewer, &present.model))
    };
    let title = viewer.words.say("calendar.title");
    let sheet = Sheet {
        title,
        path: "/calendar",
        scripts: &[],
        again_s: 0,
    };
    sheet.show(&viewer, &present, &body).into_response()
}

fn the_books(app: &App, viewer: &Viewer, model: &leeside_core::model::Model) -> Markup {
    let words = viewer.words;
    let all = match books(app) {
        Ok(all) => all,
        Err(why) => return html! { section { (why.show(words)) } },
    };
    html! {
        @if all.is_empty() { section { p.none { (words.say("calendar.none")) } } }
        @for book in &all {
            @match book {
                Ok(book) => { (sheet::book(viewer, model, book)) }
                Err(unread) => {
                    @let (named, why) = &**unread;
                    section {
                        h2 { (named.name) }
                        p.wrong { (words.fill("calendar.unreadable", &[("file", &named.file)])) }
                        (why.show(words))
                    }
                }
            }
        }
    }
}

/// Which calendar.
#[derive(Debug, Deserialize)]
pub struct Which {
    #[serde(default)]
    calendar: String,
}

/// The calendar's file, as it lies there.
pub async fn export(
    State(app): State<App>,
    Query(which): Query<Which>,
    viewer: Viewer,
) -> Response {
    match book(&app, &which.calendar) {
        Ok(book) => {
            // A name of the site file, so of the house's own making; still only plain letters leave.
            let plain: String = book
                .named
                .name
                .chars()
                .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
                .collect();
            (
                [
                    (
                        header::CONTENT_TYPE,
                        "text/calendar; charset=utf-8".to_owned(),
                    ),
                    (
                        header::CONTENT_DISPOSITION,
                        format!("attachment; filename=\"{plain}.ics\""),
                    ),
                ],
                book.text,
            )
                .into_response()
        }
        Err(why) => crate::layout::failed(&viewer, StatusCode::NOT_FOUND, &why.show(viewer.words)),
    }
}

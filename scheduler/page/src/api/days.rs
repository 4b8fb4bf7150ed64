//! Calendars as JSON.

use super::wrong;
use crate::days::preview;
use crate::gate::PostedJson;
use crate::house::App;
use crate::pages::calendar::{Book, book, books, recurrence, word_of};
use crate::sessions;
use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{NaiveDate, NaiveTime};
use leeside_config::closed_days::{
    Author, Change, Entry, NewEntry, Recurrence, Refusal, Which, apply, edit_file, read_file,
};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

fn entry(entry: &Entry) -> Value {
    let (yearly, last_year) = match entry.recurrence {
        Recurrence::Once => (Some(false), None),
        Recurrence::Yearly(last) => (Some(true), last),
        // It recurs, but not simply by the year.
        Recurrence::Each(..) | Recurrence::Other => (None, None),
    };
    let until = match entry.recurrence {
        Recurrence::Each(_, until) => until,
        Recurrence::Once | Recurrence::Yearly(_) | Recurrence::Other => None,
    };
    json!({
        "uid": entry.uid,
        "first": entry.first.to_string(),
        "last": entry.last.to_string(),
        "name": entry.name,
        "yearly": yearly,
        "last_year": last_year,
        "all_day": entry.all_day,
        "begins": entry.times.map(|(from, _)| from.format("%H:%M").to_string()),
        "ends": entry.times.map(|(_, to)| to.format("%H:%M").to_string()),
        "zone": entry.zone,
        "again": word_of(entry.recurrence),
        "until": until.map(|until| until.to_string()),
    })
}

/// All calendars with their entries.
pub(super) async fn list(State(app): State<App>) -> Response {
    let all = match books(&app) {
        Ok(all) => all,
        Err(why) => return wrong(StatusCode::CONFLICT, why.in_english()),
    };
    let told = all.iter().map(|book| match book {
        Ok(book) => json!({
            "calendar": book.named.name,
            "day_class": book.named.day_class,
            "groups": book.named.groups,
            "revision": book.revision,
            "entries": book.entries.iter().map(entry).collect::<Vec<_>>(),
            "error": null,
        }),
        Err(unread) => {
            let (named, why) = &**unread;
            json!({
                "calendar": named.name,
                "day_class": named.day_class,
                "groups": named.groups,
                "revision": null,
                "entries": [],
                "error": why.in_english(),
            })
        }
    });
    Json(json!({ "calendars": told.collect::<Vec<_>>() })).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct New {
    first: String,
    last: Option<String>,
    name: String,
    #[serde(default)]
    yearly: bool,
    last_year: Option<i32>,
    begins: Option<String>,
    ends: Option<String>,
    again: Option<String>,
    until: Option<String>,
    revision: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Gone {
    uid: String,
    revision: Option<String>,
}

fn read<T: DeserializeOwned>(value: Value) -> Result<T, Box<Response>> {
    serde_json::from_value(value)
        .map_err(|error| Box::new(wrong(StatusCode::UNPROCESSABLE_ENTITY, error.to_string())))
}

fn the_book(app: &App, name: &str) -> Result<Book, Box<Response>> {
    book(app, name).map_err(|why| Box::new(wrong(StatusCode::NOT_FOUND, why.in_english())))
}

fn day(key: &str, text: &str) -> Result<NaiveDate, Box<Response>> {
    NaiveDate::parse_from_str(text, "%Y-%m-%d").map_err(|_| {
        let why = format!("{key:?} must be a day such as 2027-12-24");
        Box::new(wrong(StatusCode::UNPROCESSABLE_ENTITY, why))
    })
}

fn nonsense(why: &str) -> Box<Response> {
    Box::new(wrong(StatusCode::UNPROCESSABLE_ENTITY, why))
}

/// Both times of day, or none.
fn times(new: &New) -> Result<Option<(NaiveTime, NaiveTime)>, Box<Response>> {
    let time = |text: &str| NaiveTime::parse_from_str(text, "%H:%M");
    match (&new.begins, &new.ends) {
        (None, None) => Ok(None),
        (Some(from), Some(to)) => match (time(from), time(to)) {
            (Ok(from), Ok(to)) => Ok(Some((from, to))),
            (Err(_), _) | (_, Err(_)) => Err(nonsense("times of day are written like 06:30")),
        },
        (Some(_), None) | (None, Some(_)) => {
            Err(nonsense("\"begins\" and \"ends\" belong together"))
        }
    }
}

fn comes_again(new: &New, first: NaiveDate) -> Result<Recurrence, Box<Response>> {
    let until = new.until.as_deref().map(|text| day("until", text));
    let until = until.transpose()?;
    if new.yearly {
        return Ok(Recurrence::Yearly(new.last_year));
    }
    let word = new.again.as_deref().unwrap_or_default();
    recurrence(word, first, until)
        .filter(|recurrence| *recurrence != Recurrence::Other)
        .ok_or_else(|| nonsense("\"again\" is a word that the schema does not have"))
}

/// Adds an entry.
pub(super) async fn add(
    State(app): State<App>,
    Path(name): Path<String>,
    posted: PostedJson,
) -> Response {
    let made = || {
        let book = the_book(&app, &name)?;
        let new: New = read(posted.value.clone())?;
        let first = day("first", &new.first)?;
        let last = new
            .last
            .as_deref()
            .map_or(Ok(first), |last| day("last", last))?;
        let uid = format!(
            "{}@leeside",
            sessions::token().get(..32).unwrap_or_default()
        );
        let entry = NewEntry {
            first,
            last,
            times: times(&new)?,
            recurrence: comes_again(&new, first)?,
            name: new.name,
            category: None,
            uid,
            stamp: app.given.clock.now().wall.utc(),
        };
        Ok::<_, Box<Response>>((book, Change::Add(entry), new.revision))
    };
    match made() {
        Ok((book, change, revision)) => edited(&app, &posted, book, change, revision).await,
        Err(response) => *response,
    }
}

/// Removes an entry.
pub(super) async fn remove(
    State(app): State<App>,
    Path(name): Path<String>,
    posted: PostedJson,
) -> Response {
    let made = || {
        let book = the_book(&app, &name)?;
        let gone: Gone = read(posted.value.clone())?;
        Ok::<_, Box<Response>>((book, Change::Remove(Which::Uid(gone.uid)), gone.revision))
    };
    match made() {
        Ok((book, change, revision)) => edited(&app, &posted, book, change, revision).await,
        Err(response) => *response,
    }
}

async fn edited(
    app: &App,
    posted: &PostedJson,
    book: Book,
    change: Change,
    revision: Option<String>,
) -> Response {
    let author = Author {
        by: posted.viewer.by(),
        at: app.given.clock.now().wall.utc(),
    };
    let (site, now) = (app.given.site.clone(), app.present().at.wall);
    let path = book.path.clone();
    let written = app.aside(move || {
        // The whole site has to stay sound with it, or nothing is written.
        let tried = apply(&book.named.file, &book.text, &change).map_err(Failed::Refused)?;
        preview(&site, &book.named.file, &tried.text, now)
            .map_err(|unseen| Failed::Broken(unseen.to_string()))?;
        let edit = edit_file(&path, revision.as_deref(), false, &change, &author)
            .map_err(Failed::Refused)?;
        let (_, revision) = read_file(&path).map_err(Failed::Refused)?;
        Ok((edit.done, revision))
    });
    match written.await {
        None => wrong(
            StatusCode::SERVICE_UNAVAILABLE,
            "busy; try again in a moment",
        ),
        Some(Ok((done, revision))) => {
            Json(json!({ "done": done, "revision": revision })).into_response()
        }
        Some(Err(Failed::Broken(why))) => wrong(StatusCode::UNPROCESSABLE_ENTITY, why),
        Some(Err(Failed::Refused(Refusal::Conflict {
            wanted,
            revision,
            present,
        }))) => {
            let body = json!({
                "error": "somebody changed the calendar meanwhile",
                "wanted": wanted,
                "revision": revision,
                "entries": present.iter().map(entry).collect::<Vec<_>>(),
            });
            (StatusCode::CONFLICT, Json(body)).into_response()
        }
        Some(Err(Failed::Refused(refusal @ Refusal::File { .. }))) => {
            wrong(StatusCode::SERVICE_UNAVAILABLE, refusal.to_string())
        }
        Some(Err(Failed::Refused(refusal))) => {
            wrong(StatusCode::UNPROCESSABLE_ENTITY, refusal.to_string())
        }
    }
}

enum Failed {
    Refused(Refusal),
    Broken(String),
}

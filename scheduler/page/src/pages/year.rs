//! Year: the dry run and its storm audit, with the controls that an integrator needs.
//! A trial is a copy in memory: what runs is never touched, and nothing is written.

mod ask;
mod carpet;
mod show;
mod trial;
mod tried;
mod weather;

pub use ask::{Answer, Form, Question, Shown, Tried, Year};
pub use carpet::What;
pub use trial::{Knob, Scope, Trial};
pub use weather::{Choice, LARGEST_FILE, Sent, Uploads};

use super::now::by_compass;
use super::{Route, shows, takes, waiting};
use crate::failure::Failure;
use crate::form::{Complaints, Fields};
use crate::gate::{Posted, Viewer, encode};
use crate::house::App;
use crate::layout::{Field, Sheet, failed, failure, token};
use crate::people::Role;
use crate::words::Words;
use crate::work::Standing;
use axum::extract::{DefaultBodyLimit, RawQuery, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use chrono::{Datelike, NaiveDate};
use leeside_core::model::Model;
use leeside_core::time::MINUTE;
use leeside_dryrun::weather::Weather;
use maud::{Markup, html};
use std::sync::Arc;

/// Where weather files are sent.
pub const SEND: &str = "/year/weather";

/// The routes of this page.
pub(super) fn routes() -> Vec<Route> {
    vec![
        shows("/year", Role::Look, get(show)),
        shows("/year/carpet.png", Role::Look, get(picture)),
        shows("/year/report", Role::Look, get(report)),
        takes(
            SEND,
            Role::Configure,
            // A little more than the file, for what stands around it.
            post(send).layer(DefaultBodyLimit::max(LARGEST_FILE + (1 << 16))),
        ),
    ]
}

/// What stands in the address.
struct Asking {
    fields: Fields,
    wrong: Complaints,
    question: Option<Question>,
}

impl Asking {
    fn read(app: &App, words: Words, fields: Fields) -> Self {
        let mut wrong = Complaints::default();
        let present = app.present();
        let choice = fields.some("weather").map(Choice::read);
        if choice == Some(None) {
            wrong.at("weather", words.say("year.no_such_weather"));
        }
        let mut date = |name: &'static str| {
            let text = fields.some(name)?;
            let date = text.parse::<NaiveDate>().ok();
            let date = date.filter(|date| (1990..=2099).contains(&date.year()));
            if date.is_none() {
                wrong.at(name, words.say("facade.no_such_date"));
            }
            date
        };
        let (first, last) = (date("from"), date("to"));
        if first.zip(last).is_some_and(|(first, last)| last < first) {
            wrong.at("to", words.say("year.ends_before"));
        }
        let trial = Trial::read(words, &present.model, &fields, &mut wrong);
        let question = choice.flatten().map(|choice| Question {
            first,
            last,
            faults: fields.ticked("faults"),
            trial,
            ..ask::question_of(app, choice)
        });
        Self {
            question: question.filter(|_| wrong.none()),
            fields,
            wrong,
        }
    }

    /// The question as part of an address.
    fn query(&self) -> String {
        const NAMES: [&str; 5] = ["weather", "from", "to", "faults", "scope"];
        let names = NAMES.into_iter().chain(Knob::ALL.map(Knob::name));
        let parts: Vec<String> = names
            .filter_map(|name| {
                let value = self.fields.some(name)?;
                Some(format!("{name}={}", encode(value)))
            })
            .collect();
        parts.join("&")
    }
}

/// Under which the answer is kept.
fn key(question: &Question, query: &str) -> String {
    // What is recorded grows by the hour; files may be changed.
    let fresh = match &question.choice {
        Choice::Recorded => format!("{}", question.now.0 / (60 * MINUTE)),
        Choice::File(name) => {
            let meta = weather::path_of(&question.folder, name)
                .and_then(|path| std::fs::metadata(path).ok());
            meta.map_or_else(String::new, |meta| {
                format!("{:?} {}", meta.modified().ok(), meta.len())
            })
        }
        Choice::Calm | Choice::Sent(_) => String::new(),
    };
    let year = question.now.local_date(question.model.site.zone).year();
    format!("{}|{query}|{fresh}|{year}", question.fingerprint)
}

fn read(app: &App, viewer: &Viewer, query: Option<&str>) -> Result<Asking, Box<Response>> {
    match Fields::encoded(query.unwrap_or_default().as_bytes()) {
        Ok(fields) => Ok(Asking::read(app, viewer.words, fields)),
        Err(error) => {
            let why = error.show(viewer.words);
            Err(Box::new(failed(viewer, StatusCode::BAD_REQUEST, &why)))
        }
    }
}

/// The page.
pub async fn show(State(app): State<App>, viewer: Viewer, RawQuery(query): RawQuery) -> Response {
    let asked = match read(&app, &viewer, query.as_deref()) {
        Ok(asked) => asked,
        Err(response) => return *response,
    };
    let words = viewer.words;
    let (again_s, told) = match asked.question.clone() {
        None => (0, html! {}),
        Some(question) => {
            let address = asked.query();
            let key = key(&question, &address);
            let work = move |progress: &crate::work::Progress<'_>| ask::shown(&question, progress);
            match app.years.ask(&app, key, work).await {
                Standing::Answered(job) => match job.answer() {
                    Some(Ok(Answer::Shown(shown))) => (0, show::shown(words, shown, &address)),
                    Some(Ok(Answer::File(_))) | None => (2, waiting(words, 0)),
                    Some(Err(why)) => (0, html! { section { (why.show(words)) } }),
                },
                Standing::Working(done) => (2, waiting(words, done)),
                Standing::Busy => (
                    5,
                    html! { section { p.wrong { (words.say("work.busy")) } } },
                ),
            }
        }
    };
    let body = html! {
        @if asked.question.is_none() { p.lead { (words.say("year.lead")) } }
        (form(&app, &viewer, &asked))
        (told)
    };
    page(&app, &viewer, again_s, StatusCode::OK, &body)
}

fn page(app: &App, viewer: &Viewer, again_s: u32, status: StatusCode, body: &Markup) -> Response {
    let sheet = Sheet {
        title: viewer.words.say("year.title"),
        path: "/year",
        scripts: if again_s > 0 { &["wait.js"] } else { &[] },
        again_s,
    };
    (status, sheet.show(viewer, &app.present(), body)).into_response()
}

fn form(app: &App, viewer: &Viewer, asked: &Asking) -> Markup {
    let (words, present) = (viewer.words, app.present());
    let chosen = asked.fields.text("weather");
    let wrong = asked.wrong.of("weather");
    let date = |name: &'static str, label: &'static str, hint: &'static str| Field {
        name,
        label: words.say(label),
        kind: "date",
        hint: if hint.is_empty() { "" } else { words.say(hint) },
        needed: false,
    };
    let option = |value: String, text: &str| {
        html! { option value=(value) selected[value == chosen] { (text) } }
    };
    html! {
        form.ask.year method="get" action="/year" {
            div.field.is-wrong[wrong.is_some()] {
                label for="weather" { (words.say("year.weather")) }
                select #weather name="weather" {
                    (option(Choice::Calm.value(), words.say("year.calm")))
                    @if app.given.journal.is_some() {
                        (option(Choice::Recorded.value(), words.say("year.recorded")))
                    }
                    (files(app, words, chosen))
                }
                @if let Some(wrong) = wrong { p.wrong { (wrong) } }
            }
            (date("from", "year.from", "year.from_hint").show(&asked.fields, &asked.wrong))
            (date("to", "year.to", "").show(&asked.fields, &asked.wrong))
            div.field.tick {
                label { input type="checkbox" name="faults" value="on" checked[asked.fields.ticked("faults")]; " " (words.say("year.faults")) }
            }
            (try_it(words, &present.model, asked))
            button { (words.say("year.send")) }
        }
        (sending(viewer, None))
    }
}

/// Weather files to choose from: those of the folder and those that were sent.
pub(crate) fn files(app: &App, words: Words, chosen: &str) -> Markup {
    let option = |value: String, text: &str| {
        html! { option value=(value) selected[value == chosen] { (text) } }
    };
    let (files, sent) = (
        weather::listed(&app.given.settings.weather_folder),
        app.uploads.all(),
    );
    html! {
        @if !files.is_empty() {
            optgroup label=(words.say("year.files")) {
                @for name in files { (option(Choice::File(name.clone()).value(), &name)) }
            }
        }
        @if !sent.is_empty() {
            optgroup label=(words.say("year.sent")) {
                @for one in sent { (option(Choice::Sent(one.sum).value(), &one.name)) }
            }
        }
    }
}

/// A weather file by its choice; what was sent may be gone by now.
pub(crate) fn weather_of(app: &App, choice: &Choice) -> Result<Arc<Weather>, Failure> {
    let gone = || Failure::of("year.no_such_weather");
    match choice {
        Choice::File(name) => weather::of_file(&app.given.settings.weather_folder, name),
        Choice::Sent(sum) => app.uploads.find(sum).ok_or_else(gone),
        Choice::Calm | Choice::Recorded => Err(gone()),
    }
}

/// The part of the form that changes something for a trial.
fn try_it(words: Words, model: &Model, asked: &Asking) -> Markup {
    let tried = Knob::ALL
        .iter()
        .any(|knob| asked.fields.some(knob.name()).is_some());
    let scope = asked.fields.text("scope");
    let wrong = asked.wrong.of("scope");
    html! {
        details.trial open[tried] {
            summary { (words.say("trial.title")) }
            p.note { (words.say("trial.note")) }
            div.field.is-wrong[wrong.is_some()] {
                label for="scope" { (words.say("trial.scope")) }
                select #scope name="scope" {
                    option value="house" selected[scope == "house"] { (words.say("trial.house")) }
                    optgroup label=(words.say("trial.facades")) {
                        @for id in by_compass(model) {
                            @let value = format!("facade:{}", model.facade(id).name);
                            option value=(value) selected[value == scope] { (model.facade(id).name) }
                        }
                    }
                    optgroup label=(words.say("trial.groups")) {
                        @for group in &model.groups {
                            @let value = format!("group:{}", group.name);
                            option value=(value) selected[value == scope] { (group.name) }
                        }
                    }
                }
                @if let Some(wrong) = wrong { p.wrong { (wrong) } }
            }
            @for knob in Knob::ALL {
                @let label = format!("{}, {}", words.say_of("trial", knob.name()), knob.unit());
                @let hint = in_force(words, model, knob);
                (Field { name: knob.name(), label: &label, kind: "text", hint: &hint, needed: false }.show(&asked.fields, &asked.wrong))
            }
        }
    }
}

/// What holds now, over all groups.
fn in_force(words: Words, model: &Model, knob: Knob) -> String {
    let values = model.groups.iter().filter_map(|group| knob.of(group));
    let range = values
        .map(|value| (value, value))
        .reduce(|(low, high), (a, b)| (low.min(a), high.max(b)));
    let Some((low, high)) = range else {
        return words.say("trial.no_rule").to_owned();
    };
    let told = |value: f64| {
        let text = words.number(value, 1);
        text.strip_suffix(".0")
            .or_else(|| text.strip_suffix(",0"))
            .map_or(text.clone(), str::to_owned)
    };
    if (high - low).abs() < 1e-9 {
        words.fill("trial.in_force", &[("value", &told(low))])
    } else {
        words.fill(
            "trial.in_force_range",
            &[("low", &told(low)), ("high", &told(high))],
        )
    }
}

/// The form with which a weather file is sent, for those who may.
fn sending(viewer: &Viewer, wrong: Option<&Failure>) -> Markup {
    let words = viewer.words;
    html! {
        @if viewer.may(Role::Configure) {
            details.send open[wrong.is_some()] {
                summary { (words.say("year.send_file")) }
                form method="post" action=(SEND) enctype="multipart/form-data" {
                    (token(viewer))
                    div.field.is-wrong[wrong.is_some()] {
                        label for="file" { (words.say("year.file")) }
                        input #file type="file" name="file" required accept=".csv,.epw,.gz,.tmy3"
                            aria-describedby="file-hint" aria-invalid=[wrong.map(|_| "true")];
                        p.hint #file-hint { (words.say("year.file_hint")) }
                        @if let Some(wrong) = wrong { (wrong.show(words)) }
                    }
                    button.quiet { (words.say("year.send_it")) }
                }
            }
        }
    }
}

/// Takes a weather file.
pub async fn send(State(app): State<App>, Posted { viewer, fields }: Posted) -> Response {
    let name: String = fields
        .file_name("file")
        .chars()
        .filter(|c| !c.is_control())
        .take(100)
        .collect();
    let Some(bytes) = fields
        .file("file")
        .filter(|bytes| !bytes.is_empty())
        .map(<[u8]>::to_vec)
    else {
        let body = sending(&viewer, Some(&Failure::of("year.no_file")));
        return page(&app, &viewer, 0, StatusCode::UNPROCESSABLE_ENTITY, &body);
    };
    let shared = app.clone();
    let taken = tokio::task::spawn_blocking(move || shared.uploads.take(&name, &bytes)).await;
    match taken.unwrap_or_else(|error| Err(Failure::of("work.fault").detail(error))) {
        Ok(sum) => Redirect::to(&format!(
            "/year?weather={}",
            encode(&Choice::Sent(sum).value())
        ))
        .into_response(),
        Err(why) => {
            let body = sending(&viewer, Some(&why));
            page(&app, &viewer, 0, StatusCode::UNPROCESSABLE_ENTITY, &body)
        }
    }
}

/// A carpet of an answer that is kept.
pub async fn picture(
    State(app): State<App>,
    viewer: Viewer,
    RawQuery(query): RawQuery,
) -> Response {
    let asked = match read(&app, &viewer, query.as_deref()) {
        Ok(asked) => asked,
        Err(response) => return *response,
    };
    let nothing = || StatusCode::NOT_FOUND.into_response();
    let Some(question) = asked.question.clone() else {
        return nothing();
    };
    let key = key(&question, &asked.query());
    let work = move |progress: &crate::work::Progress<'_>| ask::shown(&question, progress);
    let Standing::Answered(job) = app.years.ask(&app, key, work).await else {
        return StatusCode::SERVICE_UNAVAILABLE.into_response();
    };
    let Some(Ok(Answer::Shown(shown))) = job.answer() else {
        return nothing();
    };
    let year = match (&shown.trial, asked.fields.ticked("tried")) {
        (Some(tried), true) => &tried.year,
        (_, _) => &shown.as_is,
    };
    let what = What::ALL
        .into_iter()
        .find(|what| what.name() == asked.fields.text("what"));
    let carpet = match asked.fields.text("of") {
        "house" => Some(&year.carpets.house),
        index => index
            .parse()
            .ok()
            .and_then(|index: usize| year.carpets.facades.get(index)),
    };
    let Some((what, carpet)) = what.zip(carpet) else {
        return nothing();
    };
    let bytes = carpet::png(
        carpet,
        year.carpets.days,
        what,
        asked.fields.ticked("night"),
    );
    ([(header::CONTENT_TYPE, "image/png")], bytes).into_response()
}

/// The report to be taken away.
pub async fn report(State(app): State<App>, viewer: Viewer, RawQuery(query): RawQuery) -> Response {
    let asked = match read(&app, &viewer, query.as_deref()) {
        Ok(asked) => asked,
        Err(response) => return *response,
    };
    let words = viewer.words;
    let form = Form::ALL
        .into_iter()
        .find(|form| form.ending() == asked.fields.text("form"));
    let Some((question, form)) = asked.question.clone().zip(form) else {
        return failure(
            &viewer,
            StatusCode::BAD_REQUEST,
            words.say("year.no_such_report"),
        );
    };
    let key = format!("{}|{}", key(&question, &asked.query()), form.ending());
    let work = move |progress: &crate::work::Progress<'_>| ask::file(&question, form, progress);
    match app.years.ask(&app, key, work).await {
        Standing::Answered(job) => match job.answer() {
            Some(Ok(Answer::File(bytes))) => {
                let name = format!("attachment; filename=\"dry-run.{}\"", form.ending());
                let kind = (header::CONTENT_TYPE, form.kind().to_owned());
                ([kind, (header::CONTENT_DISPOSITION, name)], bytes.clone()).into_response()
            }
            Some(Ok(Answer::Shown(_))) | None => {
                page(&app, &viewer, 2, StatusCode::OK, &waiting(words, 0))
            }
            Some(Err(why)) => failed(&viewer, StatusCode::UNPROCESSABLE_ENTITY, &why.show(words)),
        },
        Standing::Working(done) => page(&app, &viewer, 2, StatusCode::OK, &waiting(words, done)),
        Standing::Busy => failure(
            &viewer,
            StatusCode::SERVICE_UNAVAILABLE,
            words.say("work.busy"),
        ),
    }
}

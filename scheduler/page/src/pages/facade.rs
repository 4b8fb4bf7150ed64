//! Facade: the sun's path over it with skyline and overhang, and one day of a group:
//! cut-off, what the slats do, minute by minute. For checking and tuning on site.

mod day;
mod draw;

pub use day::{Answer, Minute, Stay};

use super::now::{by_compass, direction};
use super::{Route, shows, waiting};
use crate::draw::{Day, PAPERS};
use crate::form::{Complaints, Fields};
use crate::gate::{Viewer, encode};
use crate::house::App;
use crate::layout::{Field, Sheet, failed, failure, tag};
use crate::people::Role;
use crate::reasons::Teller;
use crate::words::{Words, local};
use crate::work::{Job, Standing};
use axum::extract::{RawQuery, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use chrono::{Datelike, NaiveDate, NaiveTime};
use core::fmt::Write as _;
use draw::{SkyDrawing, clock_of, day_name, lit_hours, spans};
use leeside_core::ids::{FacadeId, GroupId};
use leeside_core::model::Model;
use leeside_core::time::{MINUTE, Wall, to_utc};
use leeside_solar::Cutoff;
use maud::{Markup, html};
use std::sync::Arc;

/// The routes of this page.
pub(super) fn routes() -> Vec<Route> {
    vec![
        shows("/facade", Role::Look, get(show)),
        shows("/facade/minutes.csv", Role::Look, get(minutes)),
    ]
}

/// What stands in the address.
struct Asking {
    fields: Fields,
    wrong: Complaints,
    whole: Option<(FacadeId, Option<GroupId>, Day)>,
}

impl Asking {
    fn read(words: Words, model: &Model, now: Wall, fields: Fields) -> Self {
        let mut wrong = Complaints::default();
        let date = match fields.some("date") {
            None => Some(now.local_date(model.site.zone)),
            Some(text) => {
                let date = text.parse::<NaiveDate>().ok();
                date.filter(|date| (1990..=2099).contains(&date.year()))
            }
        };
        if date.is_none() {
            wrong.at("date", words.say("facade.no_such_date"));
        }
        let facade = fields
            .some("facade")
            .map(|name| (name, model.facade_named(name)));
        if let Some((name, None)) = facade {
            wrong.at(
                "facade",
                words.fill("facade.no_such_facade", &[("facade", &name)]),
            );
        }
        let facade = facade.and_then(|(_, facade)| facade).or_else(|| {
            by_compass(model)
                .into_iter()
                .find(|facade| groups_on(model, *facade).next().is_some())
        });
        // A group of another facade stems from before the facade was changed.
        let named = fields
            .some("group")
            .and_then(|name| model.group_named(name));
        let group = facade.and_then(|facade| {
            named
                .filter(|group| model.group(*group).facade == facade)
                .or_else(|| telling(model, facade))
        });
        let whole = facade
            .zip(date)
            .filter(|_| wrong.none())
            .map(|(facade, date)| {
                let start =
                    Wall::from_utc(to_utc(model.site.zone, date.and_time(NaiveTime::MIN)).utc);
                (facade, group, Day::of(model, start.plus(MINUTE)))
            });
        let mut fields = fields;
        if let Some(date) = date {
            fields = fields.with("date", date.to_string());
        }
        if let Some(facade) = facade.filter(|_| wrong.of("facade").is_none()) {
            fields = fields.with("facade", model.facade(facade).name.clone());
        }
        if let Some(group) = group {
            fields = fields.with("group", model.group(group).name.clone());
        }
        Self {
            fields,
            wrong,
            whole,
        }
    }

    fn form(&self, words: Words, model: &Model) -> Markup {
        let wrong = self.wrong.of("facade");
        let chosen = self.fields.text("facade");
        let date = Field {
            name: "date",
            label: words.say("facade.date"),
            kind: "date",
            hint: "",
            needed: true,
        };
        html! {
            form.ask method="get" action="/facade" {
                div.field.is-wrong[wrong.is_some()] {
                    label for="facade" { (words.say("facade.facade")) }
                    select #facade name="facade" {
                        @for id in by_compass(model) {
                            @let name = &model.facade(id).name;
                            option value=(name) selected[name == chosen] { (name) }
                        }
                    }
                    @if let Some(wrong) = wrong { p.wrong { (wrong) } }
                }
                div.field {
                    label for="group" { (words.say("facade.group")) }
                    select #group name="group" {
                        @for id in by_compass(model) {
                            optgroup label=(model.facade(id).name) {
                                @for group in groups_on(model, id) {
                                    @let name = &model.group(group).name;
                                    option value=(name) selected[name == self.fields.text("group")] { (name) }
                                }
                            }
                        }
                    }
                }
                (date.show(&self.fields, &self.wrong))
                button { (words.say("facade.send")) }
            }
        }
    }
}

fn groups_on(model: &Model, facade: FacadeId) -> impl Iterator<Item = GroupId> {
    let all = (0..model.groups.len()).map(GroupId::of);
    all.filter(move |group| model.group(*group).facade == facade)
}

/// The group of a facade that has most to tell: slats, else an opening, else any.
fn telling(model: &Model, facade: FacadeId) -> Option<GroupId> {
    let find = |wanted: fn(&leeside_core::model::Group) -> bool| {
        groups_on(model, facade).find(|group| wanted(model.group(*group)))
    };
    find(|group| group.slats.is_some())
        .or_else(|| find(|group| group.opening.is_some()))
        .or_else(|| find(|_| true))
}

async fn ask(app: &App, asked: &Asking) -> Option<Standing<Answer>> {
    let present = app.present();
    let (facade, group, day) = asked.whole?;
    let model = Arc::clone(&present.model);
    let key = format!(
        "{}|{}|{group:?}|{}",
        present.fingerprint,
        facade.index(),
        day.from.0
    );
    let work = move |_: &crate::work::Progress| day::work(&model, facade, group, day);
    Some(app.facades.ask(app, key, work).await)
}

/// The page.
pub async fn show(State(app): State<App>, viewer: Viewer, RawQuery(query): RawQuery) -> Response {
    let (present, words) = (app.present(), viewer.words);
    let asked = match Fields::encoded(query.unwrap_or_default().as_bytes()) {
        Ok(fields) => Asking::read(words, &present.model, present.at.wall, fields),
        Err(error) => {
            return failed(&viewer, StatusCode::BAD_REQUEST, &error.show(words));
        }
    };
    let (again_s, shown) = match ask(&app, &asked).await {
        None => (0, html! {}),
        Some(Standing::Answered(job)) => (0, told(words, &job, present.at.wall)),
        Some(Standing::Working(done)) => (2, waiting(words, done)),
        Some(Standing::Busy) => (
            5,
            html! { section { p.wrong { (words.say("work.busy")) } } },
        ),
    };
    let sheet = Sheet {
        title: words.say("facade.title"),
        path: "/facade",
        scripts: if again_s > 0 {
            &["wait.js"]
        } else {
            &["fresh.js"]
        },
        again_s,
    };
    let body = html! { (asked.form(words, &present.model)) (shown) };
    sheet.show(&viewer, &present, &body).into_response()
}

fn told(words: Words, job: &Job<Answer>, now: Wall) -> Markup {
    match job.answer() {
        Some(Ok(answer)) => answered(words, answer, now),
        Some(Err(why)) => html! { section { (why.show(words)) } },
        None => html! {},
    }
}

fn answered(words: Words, answer: &Answer, now: Wall) -> Markup {
    let minute = answer.minutes.iter().rfind(|minute| minute.at <= now);
    let minute = minute.filter(|_| now < answer.day.to);
    let sun = minute.filter(|minute| minute.sun.is_up());
    let sun = sun.map(|minute| (minute.sun.azimuth_deg(), minute.sun.elevation_deg()));
    let facade = answer.model.facade(answer.facade);
    let azimuth = facade.plane.azimuth_deg();
    html! {
        section aria-labelledby="path" {
            h2 #path {
                (words.fill("facade.path", &[("facade", &facade.name)])) " "
                small { (words.fill("now.facade", &[("azimuth", &words.number(azimuth, 0)), ("direction", &direction(words, azimuth))])) }
            }
            @if let Some(minute) = minute { p #facade-now .today role="status" { (right_now(words, answer, minute)) } }
            (draw::patterns())
            figure #facade-sky .plot {
                div.wide tabindex="0" role="group" aria-label=(words.say("facade.path_drawn")) {
                    @for paper in PAPERS { (SkyDrawing { words, answer, paper }.show(sun)) }
                }
                figcaption { (path_key(words)) }
            }
            (lit_table(words, answer))
        }
        (whole_day(words, answer))
    }
}

/// What must be seen on site at this moment.
fn right_now(words: Words, answer: &Answer, minute: &Minute) -> String {
    let at = clock_of(answer, minute.at);
    if !minute.sun.is_up() {
        return words.fill("facade.now_down", &[("at", &at)]);
    }
    let key = if minute.lit_share > 0.0 {
        "facade.now_lit"
    } else {
        "facade.now_shade"
    };
    words.fill(
        key,
        &[
            ("at", &at),
            ("azimuth", &words.number(minute.sun.azimuth_deg(), 1)),
            ("elevation", &words.number(minute.sun.elevation_deg(), 1)),
            ("incidence", &words.number(minute.incidence_deg, 1)),
            ("profile", &words.number(minute.profile_deg, 1)),
        ],
    )
}

fn path_key(words: Words) -> Markup {
    let key = |class: &str, path: &str, text: &'static str| {
        html! {
            span.keyed {
                svg.sample viewBox="0 0 24 10" aria-hidden="true" { path class=(class) d=(path) {} }
                " " (words.say(text))
            }
            " "
        }
    };
    let filled = |fill: &str, text: &'static str| {
        html! {
            span.keyed {
                svg.sample viewBox="0 0 24 10" aria-hidden="true" { rect fill=(fill) width="24" height="10" {} }
                " " (words.say(text))
            }
            " "
        }
    };
    html! {
        (key("day-path", "M0 5h24", "facade.key_day"))
        (key("lit-path", "M0 5h24", "facade.key_lit"))
        (key("year-path", "M0 5h24", "facade.key_year"))
        (key("hour-line", "M0 5h24", "facade.key_hours"))
        (filled("url(#p-skyline)", "facade.key_skyline"))
        (filled("url(#p-shade)", "facade.key_shade"))
        (filled("url(#p-behind)", "facade.key_behind"))
    }
}

/// The sun paths as a table: when it is lit through the year.
fn lit_table(words: Words, answer: &Answer) -> Markup {
    html! {
        details {
            summary { (words.say("facade.as_table")) }
            div.wide tabindex="0" role="group" aria-label=(words.say("facade.as_table")) { table {
                thead { tr {
                    th scope="col" { (words.say("facade.on")) }
                    th scope="col" { (words.say("facade.highest")) }
                    th scope="col" { (words.say("facade.lit_from_to")) }
                } }
                tbody {
                    @for day in &answer.plot.days {
                        @let highest = day.points.iter().map(|point| point.elevation_deg).reduce(f64::max);
                        tr {
                            th scope="row" { (day_name(words, &day.label)) }
                            td.number { (highest.map_or_else(|| "–".to_owned(), |deg| format!("{}°", words.number(deg, 0)))) }
                            td { (lit_hours(words, &day.lit_hours)) }
                        }
                    }
                }
            } }
        }
    }
}

fn whole_day(words: Words, answer: &Answer) -> Markup {
    let date = words.date(answer.day.from.local_date(answer.model.site.zone));
    let group = answer.group.map(|group| answer.model.group(group));
    let lit: Vec<String> = spans(answer, |minute| minute.lit_share > 0.0)
        .iter()
        .map(|(from, to)| format!("{}–{}", clock_of(answer, *from), clock_of(answer, *to)))
        .collect();
    let lit = if lit.is_empty() {
        words.say("facade.never").to_owned()
    } else {
        lit.join(", ")
    };
    let subject = group.map_or_else(
        || words.say("facade.no_group").to_owned(),
        |group| group.name.clone(),
    );
    let label = words.fill(
        "facade.day_in_words",
        &[("group", &subject), ("date", &date), ("lit", &lit)],
    );
    html! {
        section aria-labelledby="through" {
            h2 #through { (subject) " " small { (date) } }
            p.note { (words.say("facade.assumed")) }
            figure.plot {
                div.wide tabindex="0" role="group" aria-label=(words.say("facade.day_drawn")) {
                    @for paper in PAPERS { (draw::day(words, answer, &label, paper)) }
                }
                figcaption { (day_key(words, group.is_some_and(|group| group.slats.is_some()))) }
            }
            (stays(words, answer))
            p { a href=(csv_address(answer)) { (words.say("facade.csv")) } }
        }
    }
}

fn day_key(words: Words, slats: bool) -> Markup {
    let key = |class: &str, text: &'static str| {
        html! {
            span.keyed {
                svg.sample viewBox="0 0 24 10" aria-hidden="true" { path class=(class) d="M0 5h24" {} }
                " " (words.say(text))
            }
            " "
        }
    };
    html! {
        @if slats { (key("cutoff", "facade.key_cutoff")) (key("tilt", "facade.key_tilt")) }
        (key("incidence", "facade.key_incidence"))
        (key("profile", "facade.key_profile"))
        (key("sun-height", "facade.key_height"))
        span.keyed { svg.sample viewBox="0 0 24 10" aria-hidden="true" { rect.lit x="0" y="2" width="24" height="6" {} } " " (words.say("facade.key_lit")) }
    }
}

/// The day as a table: every stay with its angles.
fn stays(words: Words, answer: &Answer) -> Markup {
    let tell = Teller {
        words,
        model: &answer.model,
        now: answer.day.from,
    };
    let range = |range: Option<(f64, f64)>| {
        range.map_or_else(
            || "–".to_owned(),
            |(low, high)| {
                let (low, high) = (words.number(low, 0), words.number(high, 0));
                if low == high {
                    format!("{low}°")
                } else {
                    format!("{low}…{high}°")
                }
            },
        )
    };
    html! {
        div.wide tabindex="0" role="group" aria-label=(words.say("facade.stays")) {
            table.fold role="table" {
                thead role="rowgroup" { tr role="row" {
                    @for key in ["facade.from_to", "facade.stands", "why.decided", "facade.sun_on", "facade.key_profile", "facade.cutoff"] {
                        th scope="col" role="columnheader" { (words.say(key)) }
                    }
                } }
                tbody role="rowgroup" {
                    @for stay in answer.stays() {
                        @let (first, last) = (&stay.minutes[0], &stay.minutes[stay.minutes.len() - 1]);
                        @let lit = first.lit_share > 0.0;
                        tr role="row" {
                            th scope="row" role="rowheader" { (clock_of(answer, first.at)) "–" (clock_of(answer, last.at.plus(MINUTE))) }
                            td role="cell" { (first.pose.map_or_else(|| "–".to_owned(), |pose| tell.pose(pose))) }
                            td role="cell" { @if let Some(word) = first.word { (tag(words, word)) } }
                            td role="cell" data-label=(words.say("facade.sun_on")) { (if lit { words.say("facade.yes") } else { words.say("facade.no") }) }
                            td.number.void[!lit] role="cell" data-label=(words.say("facade.key_profile")) { (range(stay.range(|m| (m.lit_share > 0.0).then_some(m.profile_deg)))) }
                            td.void[!lit] role="cell" data-label=(words.say("facade.cutoff")) { (range(stay.range(|m| m.cutoff_deg().filter(|_| m.lit_share > 0.0))))
                                @if stay.minutes.iter().any(|m| m.lit_share > 0.0 && matches!(m.cutoff, Some(Cutoff::NotBlockable { .. }))) {
                                    " " (words.say("facade.leaks"))
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn csv_address(answer: &Answer) -> String {
    let date = answer.day.from.local_date(answer.model.site.zone);
    let group = answer
        .group
        .map_or("", |group| answer.model.group(group).name.as_str());
    format!(
        "/facade/minutes.csv?facade={}&group={}&date={date}",
        encode(&answer.model.facade(answer.facade).name),
        encode(group)
    )
}

/// The same minute by minute for a spreadsheet.
pub async fn minutes(
    State(app): State<App>,
    viewer: Viewer,
    RawQuery(query): RawQuery,
) -> Response {
    let (present, words) = (app.present(), viewer.words);
    let refuse = |why: Markup| failed(&viewer, StatusCode::BAD_REQUEST, &why);
    let fields = match Fields::encoded(query.unwrap_or_default().as_bytes()) {
        Ok(fields) => fields,
        Err(error) => return refuse(error.show(words)),
    };
    let asked = Asking::read(words, &present.model, present.at.wall, fields);
    let job = match ask(&app, &asked).await {
        Some(Standing::Answered(job)) => job,
        Some(Standing::Working(_) | Standing::Busy) => {
            return failure(
                &viewer,
                StatusCode::SERVICE_UNAVAILABLE,
                words.say("work.busy"),
            );
        }
        None => return refuse(html! { p.wrong { (words.say("facade.no_such_date")) } }),
    };
    match job.answer() {
        Some(Ok(answer)) => {
            let kind = (header::CONTENT_TYPE, "text/csv; charset=utf-8");
            let name = (
                header::CONTENT_DISPOSITION,
                "attachment; filename=\"facade-minutes.csv\"",
            );
            ([kind, name], csv(answer)).into_response()
        }
        Some(Err(why)) => refuse(why.show(words)),
        None => failure(
            &viewer,
            StatusCode::SERVICE_UNAVAILABLE,
            words.say("work.busy"),
        ),
    }
}

fn csv(answer: &Answer) -> String {
    let mut out =
        "at_local,at_utc,sun_azimuth_deg,sun_elevation_deg,incidence_deg,profile_deg,lit_share,\
                   cutoff_tilt_deg,leak_share,extension_pct,tilt_deg,decided_by\n"
            .to_owned();
    for minute in &answer.minutes {
        let cutoff = minute
            .cutoff_deg()
            .map_or_else(String::new, |deg| format!("{deg:.2}"));
        let leak = match minute.cutoff {
            Some(Cutoff::NotBlockable { leak, .. }) => format!("{leak:.3}"),
            Some(Cutoff::NoDirectSun | Cutoff::HorizontalSuffices | Cutoff::Angle(_)) | None => {
                String::new()
            }
        };
        let extension = minute
            .pose
            .map_or_else(String::new, |pose| pose.extension_pct.to_string());
        let tilt = minute.pose.and_then(|pose| pose.tilt_deg);
        // Writing to a String does not fail.
        let _ = writeln!(
            out,
            "{},{},{:.2},{:.2},{:.2},{:.2},{:.3},{cutoff},{leak},{extension},{},{}",
            local(&answer.model, minute.at).format("%Y-%m-%dT%H:%M:%S%:z"),
            minute.at.utc().format("%Y-%m-%dT%H:%M:%SZ"),
            minute.sun.azimuth_deg(),
            minute.sun.elevation_deg(),
            minute.incidence_deg,
            minute.profile_deg,
            minute.lit_share,
            tilt.map_or_else(String::new, |tilt| tilt.to_string()),
            minute.word.map_or("", leeside_core::output::Word::as_str),
        );
    }
    out
}

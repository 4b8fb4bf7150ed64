//! Months with the class of every day in force.

use crate::gate::Viewer;
use crate::reasons::Teller;
use chrono::{Datelike, Days, Months, NaiveDate};
use leeside_core::model::{Model, SpecialDay};
use leeside_core::time::{Wall, to_utc};
use leeside_daemon::door::Present;
use maud::{Markup, html};

/// So many months are in view.
const IN_VIEW: u32 = 3;

/// The class of a day as a style: the four that every house has, or one of its own.
fn style(class: &str) -> &'static str {
    match class {
        "workday" => "is-workday",
        "weekend" => "is-weekend",
        "holiday" => "is-holiday",
        "closed" => "is-closed",
        _ => "is-own",
    }
}

/// The months, with the way to earlier and later ones.
pub(super) fn months(
    viewer: &Viewer,
    present: &Present,
    first: NaiveDate,
    today: NaiveDate,
) -> Markup {
    let words = viewer.words;
    let step = |months: i32| {
        let count = Months::new(months.unsigned_abs());
        let to = if months < 0 {
            first.checked_sub_months(count)
        } else {
            first.checked_add_months(count)
        };
        to.map(|to| format!("/calendar?month={}", to.format("%Y-%m")))
    };
    let shown: Vec<NaiveDate> = (0..IN_VIEW)
        .filter_map(|ahead| first.checked_add_months(Months::new(ahead)))
        .collect();
    let last = shown
        .last()
        .and_then(|last| last.checked_add_months(Months::new(1)));
    html! {
        nav.months aria-label=(words.say("calendar.months")) {
            @if let Some(to) = step(-3) { a href=(to) rel="prev" { "← " (words.say("calendar.earlier")) } }
            a href="/calendar" { (words.say("calendar.today")) }
            @if let Some(to) = step(3) { a href=(to) rel="next" { (words.say("calendar.later")) " →" } }
        }
        div.month-row {
            @for month in &shown { (one_month(viewer, &present.model, *month, today)) }
        }
        p.legend {
            @for class in ["weekend", "holiday", "closed"] {
                span class={ "swatch " (style(class)) } { (words.say_of("day_class", class)) } " "
            }
            @if present.model.day_classes.len() > 4 {
                span.swatch.is-own { (words.say("calendar.own_class")) } " "
            }
            span.swatch.is-special { (words.say("calendar.special")) }
        }
        @if let Some(last) = last { (told(viewer, present, first, last)) }
    }
}

fn one_month(viewer: &Viewer, model: &Model, first: NaiveDate, today: NaiveDate) -> Markup {
    let words = viewer.words;
    let title = words.month(first.year(), first.month());
    let lead = first.weekday().num_days_from_monday();
    let begin = first
        .checked_sub_days(Days::new(u64::from(lead)))
        .unwrap_or(first);
    let weeks: Vec<Vec<NaiveDate>> = (0..6_u64)
        .map(|week| {
            begin
                .iter_days()
                .skip(usize::try_from(week * 7).unwrap_or(0))
                .take(7)
                .collect::<Vec<_>>()
        })
        .filter(|week| week.iter().any(|day| day.month() == first.month()))
        .collect();
    html! {
        table.month {
            caption { (title) }
            thead { tr {
                @for day in 1..=7_u8 { th scope="col" { (words.say_of("weekday_short", &day.to_string())) } }
            } }
            tbody {
                @for week in weeks {
                    tr {
                        @for day in week {
                            @if day.month() == first.month() { (one_day(viewer, model, day, today)) } @else { td {} }
                        }
                    }
                }
            }
        }
    }
}

fn one_day(viewer: &Viewer, model: &Model, day: NaiveDate, today: NaiveDate) -> Markup {
    let class = model.day_class(model.days.class(day));
    let special = specials(model, day, day.succ_opt().unwrap_or(day))
        .next()
        .is_some();
    let why = model
        .days
        .entry(day)
        .map_or(class, |entry| entry.why.as_str());
    let current = (day == today).then_some("date");
    html! {
        td class={ (style(class)) @if special { " is-special" } } aria-current=[current] title=(why) {
            @if viewer.may(crate::people::Role::Configure) {
                a href={ "/calendar/entry?day=" (day) } { (day.day()) }
            } @else {
                (day.day())
            }
        }
    }
}

/// The special days that touch local dates from `from` until before `to`.
fn specials(model: &Model, from: NaiveDate, to: NaiveDate) -> impl Iterator<Item = &SpecialDay> {
    let midnight = |date: NaiveDate| {
        Wall::from_utc(to_utc(model.site.zone, date.and_time(chrono::NaiveTime::MIN)).utc)
    };
    let (from, to) = (midnight(from), midnight(to));
    model
        .specials
        .iter()
        .filter(move |day| day.from < to && day.to > from)
}

/// The same in words: every day that is neither a workday nor a plain weekend.
fn told(viewer: &Viewer, present: &Present, from: NaiveDate, to: NaiveDate) -> Markup {
    let (words, model) = (viewer.words, &present.model);
    let tell = Teller {
        words,
        model,
        now: present.at.wall,
    };
    let days = from.iter_days().take_while(|day| *day < to).filter_map(|day| {
        let entry = model.days.entry(day)?;
        let plain = entry.why == "weekend" || entry.why == "workday";
        (!plain).then(|| {
            let class = tell.day_class(model.day_class(entry.class));
            let name = entry.why.split_once(": ").map_or("", |(_, name)| name);
            let told = html! {
                time datetime=(day) { (words.date(day)) } ": " (class) @if !name.is_empty() { ", " (name) }
            };
            (day, told)
        })
    });
    let special = specials(model, from, to).map(|special| {
        let groups: Vec<&str> = special
            .groups
            .iter()
            .map(|group| model.group(*group).name.as_str())
            .collect();
        let told = html! {
            (tell.span(special.from, special.to)) ": " (special.name) ", "
            (tell.pose(special.pose)) " (" (groups.join(", ")) ")"
        };
        (special.from.local_date(model.site.zone), told)
    });
    let mut all: Vec<(NaiveDate, Markup)> = days.chain(special).collect();
    all.sort_by_key(|(day, _)| *day);
    html! {
        section aria-labelledby="special-days" {
            h2 #special-days { (words.say("calendar.not_ordinary")) }
            @if all.is_empty() { p.none { (words.say("calendar.all_ordinary")) } }
            ul.plain {
                @for (_, told) in all { li { (told) } }
            }
        }
    }
}

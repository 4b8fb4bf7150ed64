//! What a change would do, in words; and both sides of a conflict.

use super::{Book, deed, sheet};
use crate::days::{DayCourse, MOST_DAYS, Preview};
use crate::reasons::Teller;
use crate::words::Words;
use leeside_config::closed_days::{Edit, Entry, list};
use leeside_core::time::Wall;
use maud::{Markup, html};

/// Both sides of a conflict.
pub(super) fn conflict(
    words: Words,
    site: chrono_tz::Tz,
    present: &[Entry],
    wanted: &Markup,
) -> Markup {
    html! {
        section.conflict role="alert" {
            h2 { (words.say("calendar.conflict")) }
            p { (words.say("calendar.conflict_how")) }
            h3 { (words.say("calendar.conflict_now")) }
            ul.plain {
                @for entry in present { li { (sheet::entry(words, site, entry)) " " strong { (entry.name) } } }
            }
            h3 { (words.say("calendar.conflict_wanted")) }
            (*wanted)
        }
    }
}

/// What a change would do, in words.
pub(super) fn previewed(
    words: Words,
    book: &Book,
    edit: &Edit,
    preview: &Preview,
    now: Wall,
) -> Markup {
    let after = list(&book.named.file, &edit.text).unwrap_or_default();
    let deed = deed::between(words, preview.model.site.zone, &book.entries, &after);
    let tell = Teller {
        words,
        model: &preview.model,
        now,
    };
    let left = preview.days.len().saturating_sub(MOST_DAYS);
    html! {
        section.preview role="status" {
            h2 { (words.say("calendar.would")) }
            p.hint { (deed) }
            @if preview.days.is_empty() && preview.gone.is_empty() && preview.new.is_empty() {
                p { (words.fill("calendar.no_difference", &[("year", &preview.until_year)])) }
            }
            ul.plain {
                @for day in preview.days.iter().take(MOST_DAYS) {
                    li {
                        strong { (words.date(day.date)) } ": " (tell.day_class(&day.after.0))
                        " (" (day.after.1) "), " (words.say("calendar.instead_of")) " " (tell.day_class(&day.before.0))
                        " (" (day.before.1) ")"
                    }
                }
                @if left > 0 { li { (words.fill("calendar.more_days", &[("count", &left)])) } }
                @for (key, specials) in [("calendar.special_new", &preview.new), ("calendar.special_gone", &preview.gone)] {
                    @for special in specials.iter().take(MOST_DAYS) {
                        li {
                            (words.fill(key, &[("name", &special.name)])) ": "
                            (tell.span(special.from, special.to)) ", " (tell.pose(special.pose))
                        }
                    }
                }
            }
            @if let Some(on) = preview.on {
                h3 { (words.fill("calendar.on_day", &[("day", &words.date(on))])) }
                @if preview.groups.is_empty() { p { (words.say("calendar.same_groups")) } }
                ul.plain {
                    @for groups in &preview.groups {
                        li {
                            strong { (groups.groups.join(", ")) } ": " (course(&tell, &groups.after))
                            " " span.hint { "(" (words.say("calendar.instead_of")) ": " (course(&tell, &groups.before)) ")" }
                        }
                    }
                }
                p.hint { (words.say("calendar.assumed")) }
            }
        }
    }
}

/// What a group does on a day, in a sentence.
fn course(tell: &Teller<'_>, course: &DayCourse) -> String {
    let words = tell.words;
    let clock = |at: Wall| {
        crate::words::local(tell.model, at)
            .format("%H:%M")
            .to_string()
    };
    let begins = course.begins.map_or_else(
        || words.say("pose.unknown").to_owned(),
        |pose| tell.pose(pose),
    );
    let mut told = if course.moves.is_empty() {
        match course.then {
            Some((at, _)) => words.fill(
                "calendar.stays_until",
                &[("pose", &begins), ("until", &tell.moment(at))],
            ),
            None => words.fill("calendar.stays", &[("pose", &begins)]),
        }
    } else {
        begins
    };
    for (at, pose) in &course.moves {
        told = format!("{told}; {} {}", clock(*at), tell.pose(*pose));
    }
    told
}

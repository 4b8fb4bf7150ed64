//! One calendar file: its entries, what can be done with it, who did what.

use super::Book;
use crate::gate::{Viewer, encode};
use crate::layout::token;
use crate::people::Role;
use crate::reasons::Teller;
use crate::words::Words;
use leeside_config::closed_days::{Deed, Entry, Recurrence, last_that_stands};
use leeside_core::model::Model;
use leeside_core::time::Wall;
use maud::{Markup, html};

/// Deeds that are shown.
const DEEDS: usize = 20;

/// What was just done, by its word in an address.
pub(super) fn done(words: Words, word: &str) -> Option<&'static str> {
    match word {
        "saved" => Some(words.say("calendar.saved")),
        "removed" => Some(words.say("calendar.removed")),
        "imported" => Some(words.say("calendar.imported")),
        "undone" => Some(words.say("calendar.undone")),
        _ => None,
    }
}

/// What an edit did, without the identifiers, which say nothing to people.
pub(super) fn deed(done: &str) -> String {
    let mut words = done.split(' ');
    let mut out: Vec<&str> = Vec::new();
    while let Some(word) = words.next() {
        if word == "uid" {
            // The next one is the identifier; where it ends a part, the part still ends.
            if words.next().is_some_and(|uid| uid.ends_with(';')) {
                out.push("·");
            }
        } else {
            out.push(word);
        }
    }
    out.join(" ")
}

/// An entry in words, without its identifier.
pub(super) fn entry(words: Words, entry: &Entry) -> String {
    let mut told = words.date(entry.first);
    if entry.last != entry.first {
        told = words.fill(
            "calendar.from_to",
            &[("from", &told), ("to", &words.date(entry.last))],
        );
    }
    match entry.recurrence {
        Recurrence::Once => {}
        Recurrence::Yearly(None) => told = format!("{told}, {}", words.say("calendar.each_year")),
        Recurrence::Yearly(Some(year)) => {
            told = format!(
                "{told}, {}",
                words.fill("calendar.each_year_until", &[("year", &year)])
            );
        }
        Recurrence::Other => told = format!("{told}, {}", words.say("calendar.own_rule")),
    }
    if !entry.all_day {
        told = format!("{told}, {}", words.say("calendar.with_times"));
    }
    if entry.cancelled {
        told = format!("{told}, {}", words.say("calendar.cancelled"));
    }
    told
}

/// What the days of a calendar mean.
pub(super) fn meaning(words: Words, model: &Model, book: &Book) -> String {
    match &book.named.day_class {
        Some(class) => {
            let tell = Teller {
                words,
                model,
                now: Wall(0),
            };
            words.fill("calendar.means_class", &[("class", &tell.day_class(class))])
        }
        None => words.fill(
            "calendar.means_special",
            &[("groups", &book.named.groups.join(", "))],
        ),
    }
}

/// One calendar.
pub(super) fn book(viewer: &Viewer, model: &Model, book: &Book) -> Markup {
    let (words, name) = (viewer.words, &book.named.name);
    let may = viewer.may(Role::Configure);
    let id = format!(
        "calendar-{}",
        encode(name).replace(['%', '/', '.', '~'], "_")
    );
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (name) }
            p.hint { (meaning(words, model, book)) }
            @if book.entries.is_empty() { p.none { (words.say("calendar.no_entries")) } }
            ul.entries {
                @for one in &book.entries {
                    li {
                        span.day { (entry(words, one)) }
                        " " strong { @if one.name.is_empty() { (words.say("calendar.no_name")) } @else { (one.name) } }
                        @if may { (change(viewer, book, one)) }
                    }
                }
            }
            p.doings {
                @if may {
                    a.button href={ "/calendar/entry?calendar=" (encode(name)) } { (words.say("calendar.add")) } " "
                }
                a.button.quiet href={ "/calendar/export?calendar=" (encode(name)) } download { (words.say("calendar.export")) }
            }
            @if may { (import(viewer, book)) }
            (deeds(viewer, model, book, may))
        }
    }
}

fn change(viewer: &Viewer, book: &Book, one: &Entry) -> Markup {
    let words = viewer.words;
    // What a rule or times of day say cannot be changed in our form without losing them.
    let simple = one.all_day && !one.is_override && one.recurrence != Recurrence::Other;
    let of = format!("{} {}", one.name, words.date(one.first));
    html! {
        span.changes {
            @if simple {
                a href={ "/calendar/entry?calendar=" (encode(&book.named.name)) "&uid=" (encode(&one.uid)) }
                    aria-label=(words.fill("calendar.change_of", &[("entry", &of)])) { (words.say("calendar.change")) }
            }
            form method="post" action="/calendar/remove" {
                (token(viewer))
                input type="hidden" name="calendar" value=(book.named.name);
                input type="hidden" name="uid" value=(one.uid);
                input type="hidden" name="revision" value=(book.revision);
                button.link name="do" value="preview" aria-label=(words.fill("calendar.remove_of", &[("entry", &of)])) {
                    (words.say("calendar.remove"))
                }
            }
        }
    }
}

fn import(viewer: &Viewer, book: &Book) -> Markup {
    let words = viewer.words;
    let id = format!(
        "file-{}",
        encode(&book.named.name).replace(['%', '/', '.', '~'], "_")
    );
    html! {
        details {
            summary { (words.say("calendar.import")) }
            form.stack method="post" action="/calendar/import" enctype="multipart/form-data" {
                (token(viewer))
                input type="hidden" name="calendar" value=(book.named.name);
                input type="hidden" name="revision" value=(book.revision);
                div.field {
                    label for=(id) { (words.say("calendar.import_file")) }
                    input id=(id) type="file" name="file" accept=".ics,text/calendar" required;
                    p.hint { (words.say("calendar.import_hint")) }
                }
                button name="do" value="preview" { (words.say("calendar.preview")) }
            }
        }
    }
}

fn deeds(viewer: &Viewer, model: &Model, book: &Book, may: bool) -> Markup {
    let words = viewer.words;
    let back: Option<&Deed> = last_that_stands(&book.deeds, &book.revision);
    let by_others = book
        .deeds
        .last()
        .is_some_and(|last| last.after != book.revision);
    html! {
        details {
            summary { (words.say("calendar.history")) }
            @if book.deeds.is_empty() { p.none { (words.say("calendar.no_history")) } }
            @if by_others { p.note { (words.say("calendar.by_others")) } }
            ol.deeds reversed {
                @for deed in book.deeds.iter().rev().take(DEEDS) {
                    @let at = deed.at.with_timezone(&model.site.zone);
                    li.undone[deed.undone] {
                        (words.date(at.date_naive())) " " (at.format("%H:%M")) ", " (deed.by) ": " (self::deed(&deed.done))
                    }
                }
            }
            @if may && let Some(back) = back {
                form method="post" action="/calendar/undo" {
                    (token(viewer))
                    input type="hidden" name="calendar" value=(book.named.name);
                    input type="hidden" name="revision" value=(book.revision);
                    button.quiet { (words.fill("calendar.undo", &[("done", &self::deed(&back.done))])) }
                }
            }
        }
    }
}

//! What a change did to a calendar, in words: by its entries before and after, so
//! that every language can say it.

use super::Book;
use super::sheet::entry as in_words;
use crate::words::Words;
use chrono::Datelike;
use chrono_tz::Tz;
use leeside_config::closed_days::{Deed, Entry, Recurrence, list, revision};
use maud::{Markup, html};

/// More entries than these are counted instead of named.
const NAMED: usize = 4;

/// What was done, at a house in the zone `site`.
pub(super) fn between(words: Words, site: Tz, before: &[Entry], after: &[Entry]) -> String {
    let only = |these: &[Entry], those: &[Entry]| -> Vec<Entry> {
        let same = |one: &Entry, other: &Entry| {
            let at = |entry: &Entry| Entry {
                line: 0,
                ..entry.clone()
            };
            at(one) == at(other)
        };
        these
            .iter()
            .filter(|one| !those.iter().any(|other| same(one, other)))
            .cloned()
            .collect()
    };
    let (gone, new) = (only(before, after), only(after, before));
    let name = |entry: &Entry| {
        let called = if entry.name.is_empty() {
            words.say("calendar.no_name")
        } else {
            &entry.name
        };
        format!("{called} ({})", in_words(words, site, entry))
    };
    let names = |all: &[Entry]| all.iter().map(name).collect::<Vec<_>>().join("; ");
    let leap = new.iter().any(|entry| {
        matches!(entry.recurrence, Recurrence::Yearly(_))
            && (entry.first.month(), entry.first.day()) == (2, 29)
    });
    let mut told = match (gone.as_slice(), new.as_slice()) {
        ([], []) => words.say("calendar.deed_nothing").to_owned(),
        (gone, new) if gone.len() + new.len() > NAMED => words.fill(
            "calendar.deed_many",
            &[("added", &new.len()), ("removed", &gone.len())],
        ),
        ([before], [after]) => words.fill(
            "calendar.deed_changed",
            &[("before", &name(before)), ("after", &name(after))],
        ),
        ([], new) => words.fill("calendar.deed_added", &[("entries", &names(new))]),
        (gone, []) => words.fill("calendar.deed_removed", &[("entries", &names(gone))]),
        (gone, new) => format!(
            "{}; {}",
            words.fill("calendar.deed_removed", &[("entries", &names(gone))]),
            words.fill("calendar.deed_added", &[("entries", &names(new))])
        ),
    };
    if leap {
        told = format!("{told}. {}", words.say("calendar.leap_years_only"));
    }
    told
}

/// What a deed of the history did; `None` where what came of it is not known any
/// more, because another program wrote after it.
pub(super) fn of(words: Words, site: Tz, book: &Book, deed: &Deed) -> Option<String> {
    let index = book.deeds.iter().position(|other| other == deed)?;
    let after = book
        .deeds
        .get(index + 1)
        .map_or(book.text.as_str(), Deed::text_before);
    if revision(after) != deed.after {
        return None;
    }
    let entries = |text: &str| list(&book.named.file, text).ok();
    let told = between(words, site, &entries(deed.text_before())?, &entries(after)?);
    Some(if deed.undoes {
        words.fill("calendar.deed_undone", &[("what", &told)])
    } else {
        told
    })
}

/// The same to be shown, or else the file's own English.
pub(super) fn shown(words: Words, site: Tz, book: &Book, deed: &Deed) -> Markup {
    html! {
        @match of(words, site, book, deed) {
            Some(told) => { (told) }
            None => span lang="en" { (without_identifiers(&deed.done)) }
        }
    }
}

/// What an edit did, without the identifiers, which say nothing to people.
fn without_identifiers(done: &str) -> String {
    let mut out = String::with_capacity(done.len());
    let mut rest = done;
    while let Some((before, after)) = rest.split_once("uid ") {
        // Identifiers hold no blank; what closes or parts them stays.
        let ends = after.find(char::is_whitespace).unwrap_or(after.len());
        let (identifier, left) = after.split_at(ends);
        let bracket = before.strip_suffix(" (");
        out.push_str(bracket.unwrap_or(before));
        let tail = identifier.trim_start_matches(|c| !matches!(c, ')' | ';'));
        out.push_str(if bracket.is_some() {
            tail.strip_prefix(')').unwrap_or(tail)
        } else {
            tail
        });
        rest = left;
    }
    out.push_str(rest);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identifiers_are_left_out_of_what_was_done() {
        for (done, told) in [
            (
                "added 2027-04-05 Outing (uid a1@leeside)",
                "added 2027-04-05 Outing",
            ),
            (
                "removed 2027-04-05 Outing (uid a1); added 2027-04-06 Outing (uid b2)",
                "removed 2027-04-05 Outing; added 2027-04-06 Outing",
            ),
            ("imported 3 entries", "imported 3 entries"),
        ] {
            assert_eq!(without_identifiers(done), told);
        }
    }
}

//! Taking in the events of another calendar, line by line as they stand there.

use super::{Edit, Entry, Objection, Refusal, newline, nonsense, put_in, read, remove};
use std::collections::BTreeSet;

/// The text with the other calendar's events in it, and how many events it then has.
pub(super) fn import(
    file: &str,
    text: &str,
    entries: &[Entry],
    other: &str,
) -> Result<(Edit, usize), Refusal> {
    let theirs = read("the calendar that was sent", other)?;
    let events = theirs.events();
    if events.is_empty() {
        return Err(nonsense(
            Objection::NoEvent,
            "the calendar that was sent has no event in it",
            "export it again, with its events",
        ));
    }
    let uids: BTreeSet<&str> = events.iter().map(|event| event.uid.as_str()).collect();
    let mut left = text.to_owned();
    let mut replaced = 0;
    for uid in &uids {
        if entries.iter().any(|entry| entry.uid == *uid) {
            let calendar = read(file, &left)?;
            left = remove(&left, &calendar, entries, uid).text;
            replaced += 1;
        }
    }
    let newline = newline(text);
    let mut block = zones(other, &left, newline);
    for event in &events {
        lines(
            other,
            event.first_line,
            event.last_line,
            newline,
            &mut block,
        );
    }
    let calendar = read(file, &left)?;
    let text = put_in(&left, &calendar, &block)?;
    let kept = entries
        .iter()
        .filter(|entry| !uids.contains(entry.uid.as_str()))
        .count();
    let done = format!(
        "imported {} entries, {replaced} of them in place of an older one",
        uids.len()
    );
    Ok((Edit { text, done }, kept + events.len()))
}

/// Lines from `first` to `last`, counted from 1, with what is folded onto the last.
fn lines(text: &str, first: usize, last: usize, newline: &str, out: &mut String) {
    let mut all = text.lines().skip(first.saturating_sub(1)).peekable();
    for _ in first..=last {
        out.extend(all.next().map(str::trim_end));
        out.push_str(newline);
    }
    while let Some(folded) = all.next_if(|line| line.starts_with([' ', '\t'])) {
        out.push_str(folded);
        out.push_str(newline);
    }
}

/// The definitions of zones that the other calendar has and ours has not.
fn zones(other: &str, ours: &str, newline: &str) -> String {
    let mut out = String::new();
    let mut block: Vec<&str> = Vec::new();
    for line in other.lines() {
        let line = line.trim_end();
        let upper = line.to_ascii_uppercase();
        if upper == "BEGIN:VTIMEZONE" {
            block.clear();
        }
        block.push(line);
        if upper == "END:VTIMEZONE" {
            let begins = block
                .first()
                .is_some_and(|line| line.eq_ignore_ascii_case("BEGIN:VTIMEZONE"));
            let id = block
                .iter()
                .find(|line| line.to_ascii_uppercase().starts_with("TZID"));
            let known = id.is_none_or(|id| ours.lines().any(|line| line.trim_end() == *id));
            if begins && !known {
                for line in &block {
                    out.push_str(line);
                    out.push_str(newline);
                }
            }
            block.clear();
        }
    }
    out
}

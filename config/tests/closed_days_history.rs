//! Changing, importing and taking back in the house calendar, and who did it.

#![expect(clippy::unwrap_used, reason = "tests")]

mod entry;

use entry::entry;
use leeside_config::closed_days::{
    Author, Change, NewEntry, Refusal, apply, edit_file, empty, history, last_that_stands, list,
    read_file, undo_file,
};

fn author() -> Author {
    Author {
        by: "a tester".into(),
        at: "2026-11-25T12:00:00Z".parse().unwrap(),
    }
}

fn add_change(uid: &str, first: &str) -> Change {
    Change::Add(NewEntry {
        uid: uid.into(),
        ..entry(first, first, uid)
    })
}

#[test]
fn an_entry_is_changed_in_one_edit_or_not_at_all() {
    let before = apply("x", &empty(), &add_change("a", "2027-05-07"))
        .unwrap()
        .text;
    let day = |day: &str| NewEntry {
        uid: "a2".into(),
        ..entry(day, day, "later")
    };
    let replace = |uid: &str, entry| Change::Replace {
        uid: uid.into(),
        entry,
    };
    let edit = apply("x", &before, &replace("a", day("2027-05-09"))).unwrap();
    let entries = list("x", &edit.text).unwrap();
    assert_eq!(entries.len(), 1);
    assert_eq!(
        (
            entries[0].first.to_string().as_str(),
            entries[0].name.as_str()
        ),
        ("2027-05-09", "later")
    );
    assert!(
        edit.done.contains("removed 2027-05-07 a") && edit.done.contains("added 2027-05-09 later")
    );
    assert!(apply("x", &before, &replace("b", day("2027-05-09"))).is_err());
    assert!(apply("x", &before, &replace("a", day("1799-05-09"))).is_err());
}

#[test]
fn another_calendar_is_taken_in_line_by_line_with_its_zones() {
    let ours = apply("x", &empty(), &add_change("a", "2027-05-07"))
        .unwrap()
        .text;
    let theirs = "BEGIN:VCALENDAR\nBEGIN:VTIMEZONE\nTZID:Own\nBEGIN:STANDARD\n\
        DTSTART:19700101T000000\nTZOFFSETFROM:+0100\nTZOFFSETTO:+0100\nEND:STANDARD\n\
        END:VTIMEZONE\nBEGIN:VEVENT\nUID:a\nDTSTAMP:20260101T000000Z\n\
        DTSTART;TZID=Own:20270601T080000\nSUMMARY:in place of\n  the old one\nEND:VEVENT\n\
        BEGIN:VEVENT\nUID:z\nDTSTAMP:20260101T000000Z\nDTSTART;VALUE=DATE:20270602\n\
        X-OWN:kept\nSUMMARY:new\nEND:VEVENT\nEND:VCALENDAR\n";
    let change = Change::Import(theirs.into());
    let edit = apply("x", &ours, &change).unwrap();
    assert_eq!(
        edit.done,
        "imported 2 entries, 1 of them in place of an older one"
    );
    let entries = list("x", &edit.text).unwrap();
    let names: Vec<&str> = entries.iter().map(|entry| entry.name.as_str()).collect();
    assert_eq!(names, ["in place of the old one", "new"]);
    assert!(edit.text.contains("X-OWN:kept\r\n"));
    // Once more changes nothing but the order of nothing.
    let again = apply("x", &edit.text, &change).unwrap();
    assert_eq!(again.text, edit.text);
    for (not_one, part) in [
        ("hello", "BEGIN:VCALENDAR is missing"),
        ("BEGIN:VCALENDAR\nEND:VCALENDAR\n", "no event"),
        (
            "BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:q\nDTSTART:soon\nEND:VEVENT\nEND:VCALENDAR\n",
            ":4:",
        ),
    ] {
        let refusal = apply("x", &ours, &Change::Import(not_one.into()))
            .unwrap_err()
            .to_string();
        assert!(refusal.contains(part), "{refusal}");
    }
}

#[test]
fn changes_are_noted_and_taken_back_one_by_one_while_nobody_else_has_changed_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("house.ics");
    let begin = empty();
    std::fs::write(&path, &begin).unwrap();
    let count = || list("x", &read_file(&path).unwrap().0).unwrap().len();
    edit_file(
        &path,
        None,
        false,
        &add_change("a", "2027-05-07"),
        &author(),
    )
    .unwrap();
    edit_file(
        &path,
        None,
        false,
        &add_change("b", "2027-05-08"),
        &author(),
    )
    .unwrap();
    let deeds = history(&path);
    assert_eq!(deeds.len(), 2);
    assert_eq!(
        (deeds[0].by.as_str(), deeds[0].at),
        ("a tester", author().at)
    );
    assert!(deeds[1].done.starts_with("added 2027-05-08 b"));
    let stale = Some(deeds[0].after.as_str());
    assert!(matches!(
        undo_file(&path, stale, &author()),
        Err(Refusal::Conflict { .. })
    ));
    let edit = undo_file(&path, None, &author()).unwrap();
    assert!(edit.done.starts_with("undone: added 2027-05-08 b"));
    assert_eq!(count(), 1);
    undo_file(&path, None, &author()).unwrap();
    assert_eq!(std::fs::read_to_string(&path).unwrap(), begin);
    assert!(
        undo_file(&path, None, &author()).is_err(),
        "nothing is left to take back"
    );
    assert_eq!(history(&path).len(), 4);
    edit_file(
        &path,
        None,
        false,
        &add_change("c", "2027-05-09"),
        &author(),
    )
    .unwrap();
    let (text, revision) = read_file(&path).unwrap();
    assert!(last_that_stands(&history(&path), &revision).is_some());
    std::fs::write(&path, text.replace("SUMMARY:c", "SUMMARY:d")).unwrap();
    let refusal = undo_file(&path, None, &author()).unwrap_err().to_string();
    assert!(
        refusal.contains("changed since by another program"),
        "{refusal}"
    );
}

#[test]
fn the_history_has_an_end() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("house.ics");
    std::fs::write(&path, empty()).unwrap();
    for day in 0..60 {
        let date = format!("2027-{:02}-{:02}", day / 28 + 1, day % 28 + 1);
        edit_file(&path, None, false, &add_change(&date, &date), &author()).unwrap();
        undo_file(&path, None, &author()).unwrap();
    }
    assert_eq!(history(&path).len(), 100);
}

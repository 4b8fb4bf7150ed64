//! Editing the house calendar: nothing lost, nothing half done, no nonsense.

#![expect(clippy::unwrap_used, reason = "tests")]

mod entry;

use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use entry::entry;
use leeside_config::calendar::{Calendar, usable};
use leeside_config::closed_days::{
    Author, Change, NewEntry, Recurrence, Refusal, Which, apply, edit_file, empty, house_calendar,
    list, read_file, revision,
};
use proptest::prelude::*;

/// A calendar such as other programs write: unknown properties and components, folds,
/// lower case, trailing blanks, lines without meaning to us.
const FOREIGN: &str = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//example//EN\r\nX-WR-CALNAME:House  \r\nBEGIN:VTIMEZONE\r\nTZID:Europe/Berlin\r\nX-ODD;A=\"b;c\":d\r\nBEGIN:STANDARD\r\nDTSTART:19961027T030000\r\nTZOFFSETFROM:+0200\r\nTZOFFSETTO:+0100\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\nbegin:vevent\r\nuid:first@example\r\nDTSTART;VALUE=DATE:20271224\r\nDTEND;VALUE=DATE:20280102\r\nSUMMARY:Between the ye\r\n ars\r\nBEGIN:VALARM\r\nTRIGGER:-PT15M\r\nEND:VALARM\r\nEND:VEVE\r\n NT\r\nBEGIN:VTODO\r\nUID:todo\r\nEND:VTODO\r\nBEGIN:VEVENT\r\nUID:series@example\r\nDTSTART;TZID=Europe/Berlin:20270104T080000\r\nDURATION:PT2H\r\nRRULE:FREQ=WEEKLY\r\nSUMMARY:Cleaning\r\nCATEGORIES:cleaning\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nUID:series@example\r\nRECURRENCE-ID;TZID=Europe/Berlin:20270111T080000\r\nDTSTART;TZID=Europe/Berlin:20270112T080000\r\nSTATUS:CANCELLED\r\nSUMMARY:Cleaning\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n\r\n";

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn stamp() -> DateTime<Utc> {
    "2027-01-02T03:04:05Z".parse().unwrap()
}

fn refused(text: &str, change: &Change) -> String {
    apply("house.ics", text, change).unwrap_err().to_string()
}

#[test]
fn an_added_entry_is_written_and_nothing_else_changed() {
    let mut new = entry("2027-05-07", "2027-05-09", "Open house; bring cake, please");
    new.recurrence = Recurrence::Yearly(Some(2030));
    new.category = Some("night with windows open".into());
    let edit = apply("house.ics", FOREIGN, &Change::Add(new)).unwrap();
    let block = "BEGIN:VEVENT\r\nUID:new@house\r\nDTSTAMP:20270102T030405Z\r\nDTSTART;VALUE=DATE:20270507\r\nDTEND;VALUE=DATE:20270510\r\nRRULE:FREQ=YEARLY;UNTIL=20301231\r\nSUMMARY:Open house\\; bring cake\\, please\r\nCATEGORIES:night with windows open\r\nEND:VEVENT\r\n";
    assert_eq!(
        edit.text,
        FOREIGN.replace("END:VCALENDAR", &format!("{block}END:VCALENDAR"))
    );
    assert_eq!(
        edit.done,
        "added 2027-05-07 to 2027-05-09 Open house; bring cake, please, each year until 2030 [night with windows open] (uid new@house)"
    );
    let (calendar, problems) = Calendar::parse("house.ics", &edit.text);
    assert!(usable(&problems));
    let days = calendar
        .occurrences(
            "2027-05-01T00:00:00Z".parse().unwrap(),
            "2040-01-01T00:00:00Z".parse().unwrap(),
            Tz::Europe__Berlin,
        )
        .occurrences;
    let ours: Vec<String> = days
        .iter()
        .filter(|o| o.uid == "new@house")
        .map(|o| o.start_local.date().to_string())
        .collect();
    assert_eq!(
        ours,
        ["2027-05-07", "2028-05-07", "2029-05-07", "2030-05-07"]
    );
}

#[test]
fn the_list_shows_what_is_there() {
    let entries = list("house.ics", FOREIGN).unwrap();
    let shown: Vec<String> = entries.iter().map(ToString::to_string).collect();
    assert_eq!(
        shown,
        [
            "2027-12-24 to 2028-01-01 Between the years (uid first@example)",
            "2027-01-04 Cleaning, each Monday, 08:00–10:00 Europe/Berlin [cleaning] (uid series@example)",
            "2027-01-12 Cleaning, 08:00–08:00 Europe/Berlin (changes one of the series) (cancelled) (uid series@example)",
        ]
    );
    let mut new = entry("2028-02-29", "2028-02-29", "Leap day");
    new.recurrence = Recurrence::Yearly(None);
    let edit = apply("house.ics", &empty(), &Change::Add(new)).unwrap();
    assert!(
        edit.done
            .ends_with("; 29 February comes in leap years only"),
        "{}",
        edit.done
    );
    let entries = list("house.ics", &edit.text).unwrap();
    assert_eq!(
        (entries[0].recurrence, entries[0].line),
        (Recurrence::Yearly(None), 4)
    );
}

#[test]
fn removing_takes_the_event_with_its_overrides_and_folds() {
    let by_uid = apply(
        "house.ics",
        FOREIGN,
        &Change::Remove(Which::Uid("series@example".into())),
    )
    .unwrap();
    let (start, end) = (
        FOREIGN.find("BEGIN:VEVENT\r\nUID:series").unwrap(),
        FOREIGN.find("END:VCALENDAR").unwrap(),
    );
    assert_eq!(
        by_uid.text,
        format!("{}{}", &FOREIGN[..start], &FOREIGN[end..])
    );
    let by_day = apply(
        "house.ics",
        FOREIGN,
        &Change::Remove(Which::Begins {
            date: date("2027-12-24"),
            name: None,
        }),
    )
    .unwrap();
    let (start, end) = (
        FOREIGN.find("begin:vevent").unwrap(),
        FOREIGN.find("BEGIN:VTODO").unwrap(),
    );
    assert_eq!(
        by_day.text,
        format!("{}{}", &FOREIGN[..start], &FOREIGN[end..])
    );
    assert_eq!(
        by_day.done,
        "removed 2027-12-24 to 2028-01-01 Between the years (uid first@example)"
    );
}

#[test]
fn nonsense_is_refused_with_a_reason() {
    let add = |first: &str, last: &str, name: &str| {
        refused(FOREIGN, &Change::Add(entry(first, last, name)))
    };
    assert_eq!(
        add("2027-05-09", "2027-05-07", "x"),
        "2027-05-07 lies before 2027-05-09: the end comes before the start (hint: exchange the days)"
    );
    assert_eq!(
        add("2027-05-07", "2027-05-07", "  "),
        "the name is empty (hint: say what the day is called)"
    );
    assert_eq!(
        add("2027-05-07", "2027-05-07", "two\nlines"),
        "the name must be one line of at most 200 characters (hint: shorten it)"
    );
    assert_eq!(
        add("0207-05-07", "0207-05-07", "x"),
        "0207-05-07 is not within the years 1900 to 2199 (hint: check the year)"
    );
    assert_eq!(
        add("2027-05-07", "2028-05-07", "x"),
        "2027-05-07 to 2028-05-07 is longer than a year (hint: check the years)"
    );
    assert_eq!(
        add("2027-12-24", "2028-01-01", "Between the years"),
        "the calendar has this already: 2027-12-24 to 2028-01-01 Between the years (uid first@example) (line 14) (hint: nothing needs to be done)"
    );
    let with = |change: &dyn Fn(&mut NewEntry)| {
        let mut new = entry("2027-05-07", "2027-05-07", "x");
        change(&mut new);
        refused(FOREIGN, &Change::Add(new))
    };
    assert_eq!(
        with(&|new| new.uid = "first@example".into()),
        "the calendar has an entry with uid first@example already (hint: give a new one)"
    );
    assert!(with(&|new| new.uid = String::new()).starts_with("the UID is empty"));
    assert!(with(&|new| new.category = Some(" ".into())).starts_with("the category is empty"));
    assert!(
        with(&|new| new.recurrence = Recurrence::Yearly(Some(2026)))
            .starts_with("each year until 2026, but the first time is 2027-05-07")
    );
    assert!(
        with(&|new| {
            new.recurrence = Recurrence::Yearly(None);
            new.last = date("2028-05-06");
        })
        .starts_with("a whole year that comes again each year")
    );
    let remove = |which: Which| refused(FOREIGN, &Change::Remove(which));
    assert_eq!(
        remove(Which::Uid("other".into())),
        "the calendar has no entry with uid other (hint: list the entries)"
    );
    assert_eq!(
        remove(Which::Begins {
            date: date("2027-12-27"),
            name: None
        }),
        "no entry of that name begins on 2027-12-27 (hint: it may lie within 2027-12-24 to 2028-01-01 Between the years (uid first@example))"
    );
    assert!(
        remove(Which::Begins {
            date: date("2027-12-24"),
            name: Some("Other".into())
        })
        .starts_with("no entry of that name begins on 2027-12-24")
    );
    let twice = apply(
        "house.ics",
        FOREIGN,
        &Change::Add(entry("2027-12-24", "2027-12-24", "Half day")),
    )
    .unwrap()
    .text;
    assert_eq!(
        refused(
            &twice,
            &Change::Remove(Which::Begins {
                date: date("2027-12-24"),
                name: None
            })
        ),
        "2 entries begin on that day (hint: name one by its uid: uid first@example (Between the years), uid new@house (Half day))"
    );
    assert_eq!(
        refused(
            "Closed days\n",
            &Change::Add(entry("2027-05-07", "2027-05-07", "x"))
        ),
        "the file is left as it is, for it cannot be read as a calendar:\n  house.ics:1:1: error: VCALENDAR: this is not an iCalendar file: BEGIN:VCALENDAR is missing (hint: export the calendar as .ics)\n  house.ics:1:7: error: CLOSED: this is not a content line NAME:VALUE (hint: a long line is continued by a line that begins with a space)"
    );
}

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
fn a_file_is_replaced_in_one_step_and_keeps_its_permissions() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("house.ics");
    assert!(matches!(
        edit_file(
            &path,
            None,
            false,
            &add_change("a", "2027-05-07"),
            &author()
        ),
        Err(Refusal::Nonsense { .. })
    ));
    assert!(!path.exists());
    edit_file(&path, None, true, &add_change("a", "2027-05-07"), &author()).unwrap();
    std::fs::set_permissions(&path, Permissions::from_mode(0o640)).unwrap();
    let link = folder.path().join("link.ics");
    std::os::unix::fs::symlink(&path, &link).unwrap();
    edit_file(
        &link,
        None,
        false,
        &add_change("b", "2027-05-08"),
        &author(),
    )
    .unwrap();
    assert!(link.is_symlink());
    assert_eq!(
        std::fs::metadata(&path).unwrap().permissions().mode() & 0o777,
        0o640
    );
    assert_eq!(list("x", &read_file(&path).unwrap().0).unwrap().len(), 2);
    let mut names: Vec<String> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, [".house.ics.history", "house.ics", "link.ics"]);
}

/// Two editors saw the same file; the second is told what the first did.
#[test]
fn an_edit_of_what_is_no_longer_there_is_a_conflict() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("house.ics");
    std::fs::write(&path, FOREIGN).unwrap();
    let (_, seen) = read_file(&path).unwrap();
    assert_eq!(seen, revision(FOREIGN));
    edit_file(
        &path,
        Some(&seen),
        false,
        &add_change("a", "2027-05-07"),
        &author(),
    )
    .unwrap();
    let after_first = std::fs::read(&path).unwrap();
    let refusal = edit_file(
        &path,
        Some(&seen),
        false,
        &add_change("b", "2027-05-08"),
        &author(),
    )
    .unwrap_err();
    let Refusal::Conflict {
        wanted,
        revision,
        present,
    } = &refusal
    else {
        panic!("{refusal}")
    };
    assert_eq!(wanted, "add 2027-05-08 b (uid b)");
    assert_eq!(present.len(), 4);
    assert!(refusal.to_string().contains("2027-05-07 a (uid a)"));
    assert_eq!(std::fs::read(&path).unwrap(), after_first);
    edit_file(
        &path,
        Some(revision),
        false,
        &add_change("b", "2027-05-08"),
        &author(),
    )
    .unwrap();
}

/// Writers without a revision to mind: each edit is kept, whatever their order.
#[test]
fn writers_at_the_same_time_do_not_lose_each_others_entries() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("house.ics");
    std::fs::write(&path, FOREIGN).unwrap();
    let path: &Path = &path;
    std::thread::scope(|scope| {
        for writer in 0..4 {
            scope.spawn(move || {
                for day in 1..=5 {
                    edit_file(
                        path,
                        None,
                        false,
                        &add_change(
                            &format!("w{writer}d{day}"),
                            &format!("2027-06-{:02}", writer * 5 + day),
                        ),
                        &author(),
                    )
                    .unwrap();
                }
            });
        }
    });
    let (text, _) = read_file(path).unwrap();
    assert_eq!(list("x", &text).unwrap().len(), 3 + 20);
    assert!(text.starts_with(&FOREIGN[..FOREIGN.find("END:VCALENDAR").unwrap()]));
}

/// A write that fails leaves the old file.
#[test]
fn a_refused_edit_leaves_the_file_untouched() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("house.ics");
    std::fs::write(&path, b"BEGIN:VCALENDAR\nSUMMARY:\xff\nEND:VCALENDAR\n").unwrap();
    assert!(
        edit_file(&path, None, true, &add_change("a", "2027-05-07"), &author())
            .unwrap_err()
            .to_string()
            .contains("is not UTF-8")
    );
    assert_eq!(
        std::fs::read(&path).unwrap(),
        b"BEGIN:VCALENDAR\nSUMMARY:\xff\nEND:VCALENDAR\n"
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Adding and then removing gives the bytes that were there before, whatever the
    /// name and whatever the line ends.
    #[test]
    fn add_then_remove_gives_the_original_bytes(
        name in "\\PC{1,120}", day in 0..100_000_i64, length in 0..300_i64, yearly in prop::option::of(prop::option::of(2190..2200_i32)),
        category in prop::option::of("[a-zA-Zäöü ,;\\\\]{1,30}"), crlf in any::<bool>(), tail in prop::sample::select(vec!["", "\r\n", "\n\n", "  "]),
    ) {
        let original = if crlf { FOREIGN.to_owned() } else { FOREIGN.replace("\r\n", "\n") };
        let original = format!("{}{tail}", original.trim_end());
        let first = date("1900-01-01") + chrono::TimeDelta::days(day);
        let new = NewEntry { first, last: first + chrono::TimeDelta::days(length), name: name.clone(), times: None, recurrence: yearly.map_or(Recurrence::Once, Recurrence::Yearly), category: category.clone(), uid: "new@house".into(), stamp: stamp() };
        prop_assume!(!name.trim().is_empty() && category.as_ref().is_none_or(|c| !c.trim().is_empty()));
        let added = apply("x", &original, &Change::Add(new)).unwrap().text;
        let entries = list("x", &added).unwrap();
        let entry = entries.iter().find(|e| e.uid == "new@house").unwrap();
        prop_assert_eq!(&entry.name, name.trim());
        prop_assert_eq!(entry.categories.first().map(String::as_str), category.as_deref().map(str::trim));
        prop_assert_eq!(entry.recurrence, yearly.map_or(Recurrence::Once, Recurrence::Yearly));
        prop_assert_eq!((entry.first, (entry.last - entry.first).num_days()), (first, length));
        prop_assert!(added.split('\n').all(|line| line.trim_end_matches('\r').len() <= 75));
        let removed = apply("x", &added, &Change::Remove(Which::Uid("new@house".into()))).unwrap().text;
        prop_assert_eq!(removed, original);
    }
}

#[test]
fn the_house_calendar_is_the_one_of_closed_days() {
    let calendar = |file: &str, class: &str| {
        format!("[[calendar]]\nname = \"c\"\nfile = \"{file}\"\nday_class = \"{class}\"\n")
    };
    let one = format!(
        "{}{}",
        calendar("school.ics", "holiday"),
        calendar("house.ics", "closed")
    );
    assert_eq!(house_calendar(&one).unwrap(), "house.ics");
    let said = |site: &str| house_calendar(site).unwrap_err().to_string();
    assert!(said("").starts_with("the site file names no calendar with day_class = \"closed\""));
    assert!(
        said(&format!("{one}{}", calendar("other.ics", "closed"))).starts_with(
            "the site file names several calendars of closed days: house.ics, other.ics"
        )
    );
    assert!(said("name =").starts_with("the site file is not TOML"));
}

/// Yearly entries of other programs end on any day of their last year.
#[test]
fn the_last_year_of_a_foreign_entry() {
    let last = |until: &str| {
        let text = format!(
            "BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VEVENT\nUID:1\nDTSTART;VALUE=DATE:20270504\nRRULE:FREQ=YEARLY;UNTIL={until}\nEND:VEVENT\nEND:VCALENDAR\n"
        );
        list("x", &text).unwrap()[0].recurrence
    };
    assert_eq!(last("20300503"), Recurrence::Yearly(Some(2029)));
    assert_eq!(last("20300504"), Recurrence::Yearly(Some(2030)));
    assert_eq!(last("20301231"), Recurrence::Yearly(Some(2030)));
    let mut new = entry("2027-05-07", "2027-05-07", "once a year, this year");
    new.recurrence = Recurrence::Yearly(Some(2027));
    assert!(apply("x", FOREIGN, &Change::Add(new)).is_ok());
}

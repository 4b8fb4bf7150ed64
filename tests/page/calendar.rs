//! The calendar: shown before it is saved, saved safely, taken up by what runs.

use crate::browser::Browser;
use crate::house::House;
use crate::plain::{Plain, signed_in};
use std::path::Path;
use std::process::Command;

const KEEPER: (&str, &str, &[&str]) = ("keeper", "configure", &[]);
const SECOND: (&str, &str, &[&str]) = ("second", "configure", &[]);
const GUEST: (&str, &str, &[&str]) = ("guest", "look", &[]);

const CALENDAR: &str = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//tests//EN\r\nBEGIN:VEVENT\r\n\
    UID:outing\r\nDTSTAMP:20260101T000000Z\r\nDTSTART;VALUE=DATE:20270717\r\n\
    SUMMARY:<script>alert(1)</script> & \"outing\"\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n";

/// On a closed day the slats are in all day.
fn with_calendar(folder: &Path) {
    let path = folder.join("site.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let closed =
        "closed = [{ phase = \"shut\", at = \"00:00\", pose = \"retracted\", sun = false }]";
    let text = text.replacen("closed = \"workday\"", closed, 1);
    let calendar =
        "[[calendar]]\nname = \"closed days\"\nfile = \"house.ics\"\nday_class = \"closed\"\n";
    std::fs::write(&path, format!("{text}\n{calendar}")).unwrap();
    std::fs::write(folder.join("house.ics"), CALENDAR).unwrap();
}

fn house(people: &[(&str, &str, &[&str])]) -> House {
    House::with("people_file = \"people.toml\"", people, with_calendar)
}

fn on_disk(house: &House) -> String {
    std::fs::read_to_string(house.site.dir.path().join("house.ics")).unwrap()
}

/// The local date at the quick site.
fn today() -> chrono::NaiveDate {
    chrono::Utc::now()
        .with_timezone(&chrono_tz::America::New_York)
        .date_naive()
}

fn fill(browser: &Browser, name: &str, first: &str) {
    browser.fill("#name", name);
    browser.set("#first", first);
}

#[test]
fn a_closed_day_is_shown_then_saved_and_next_and_mqtt_follow() {
    let house = house(&[KEEPER]);
    let browser = Browser::take();
    house.sign_in(&browser, "keeper", "/");
    house.settle(&browser);
    let today = today().to_string();
    let mark = house.listener.mark();
    browser.go(&house.at(&format!("/calendar/entry?day={today}")));
    assert_eq!(browser.value("#first"), today);
    browser.fill("#name", "Frost in the pipes");
    browser.click("button[value=preview]");
    let shown = browser.wait_text(".preview", "What the groups would do on");
    assert!(
        shown.contains("south slats: stays retracted until")
            && shown.contains("instead of: stays extended"),
        "{shown}"
    );
    assert!(
        shown.contains("closed (closed: Frost in the pipes), instead of"),
        "{shown}"
    );
    assert!(
        !shown.contains("west screens"),
        "their closed days are as workdays: {shown}"
    );
    assert_eq!(on_disk(&house), CALENDAR, "only shown");
    browser.click("button[value=save]");
    browser.wait_text(".done", "Saved and taken up");
    browser.wait_text("#special-days + ul", "closed, Frost in the pipes");
    assert!(on_disk(&house).contains("SUMMARY:Frost in the pipes"));
    house.listener.wait(mark, "the slats come in", |message| {
        message.topic == "quick/group/south slats/command"
            && message.json()["pose"]["extension_pct"] == 0
            && message.json()["decided_by"] == "timetable"
    });
    let out = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .args([
            "next",
            house.site.path.to_str().unwrap(),
            "--group",
            "south slats",
            "--count",
            "1",
        ])
        .args(["--from", &format!("{today}T12:00")])
        .output()
        .unwrap();
    let next = String::from_utf8_lossy(&out.stdout);
    assert!(next.contains("closed: shut"), "{next}");
    browser.click("details summary");
    let listed = browser.text("body");
    assert!(listed.contains("Frost in the pipes"), "{listed}");
}

#[test]
fn a_wrong_form_says_so_at_the_field_and_keeps_what_was_typed() {
    let house = house(&[KEEPER]);
    let browser = Browser::take();
    house.sign_in(&browser, "keeper", "/calendar/entry");
    fill(&browser, "Backwards", "2027-05-07");
    browser.set("#last", "2027-05-06");
    browser.set("#until", "2029-01-01");
    browser.click("button[value=preview]");
    browser.wait_text("#last-wrong", "before the first");
    browser.wait_text("#until-wrong", "Only where it comes again");
    assert_eq!(browser.value("#name"), "Backwards");
    assert_eq!(browser.value("#last"), "2027-05-06");
    assert_eq!(on_disk(&house), CALENDAR);
}

#[test]
fn two_browsers_that_edit_the_same_calendar_both_see_both() {
    let house = house(&[KEEPER, SECOND]);
    let (one, two) = (Browser::take(), Browser::take());
    for (browser, name, what) in [
        (&one, "keeper", "First come"),
        (&two, "second", "Second come"),
    ] {
        house.sign_in(browser, name, "/calendar/entry");
        fill(browser, what, "2027-05-07");
        browser.click("button[value=preview]");
        browser.wait("button[value=save]");
    }
    one.click("button[value=save]");
    one.wait_text(".done", "Saved");
    two.click("button[value=save]");
    let both = two.wait_text(".conflict", "Somebody changed the calendar meanwhile");
    assert!(
        both.contains("First come") && both.contains("Second come"),
        "{both}"
    );
    assert!(
        !on_disk(&house).contains("Second come"),
        "nothing was written"
    );
    assert_eq!(two.value("#name"), "Second come");
    two.click("button[value=save]");
    two.wait_text(".done", "Saved");
    let text = on_disk(&house);
    assert!(
        text.contains("First come") && text.contains("Second come"),
        "{text}"
    );
}

#[test]
fn a_day_is_changed_removed_and_taken_back_and_everybody_sees_who_did_it() {
    let house = house(&[KEEPER, GUEST]);
    let browser = Browser::take();
    house.sign_in(&browser, "keeper", "/calendar/entry");
    fill(&browser, "Stocktaking", "2027-04-05");
    browser.set("#again", "year");
    browser.click("button[value=preview]");
    browser.click("button[value=save]");
    browser.wait_text(".entries", "Stocktaking");
    browser.click("a[aria-label^='change Stocktaking']");
    assert_eq!(browser.value("#name"), "Stocktaking");
    browser.set("#last", "2027-04-06");
    browser.click("button[value=preview]");
    browser.wait_text(".preview", "Tue 6 Apr 2027");
    browser.click("button[value=save]");
    browser.wait_text(".entries", "Mon 5 Apr 2027 to Tue 6 Apr 2027, each year");
    browser.click("button[aria-label^='remove Stocktaking']");
    browser.wait_text(
        ".preview",
        "removed: Stocktaking (Mon 5 Apr 2027 to Tue 6 Apr 2027, each year)",
    );
    browser.click("button[value=save]");
    browser.wait_text(".done", "Removed");
    assert_eq!(on_disk(&house), CALENDAR, "byte for byte as before");
    let guest = signed_in(&house, "guest");
    let page = guest.get("/calendar").body;
    assert!(
        page.contains("keeper (page): added: Stocktaking (Mon 5 Apr 2027, each year)")
            && page.contains("keeper (page): removed: Stocktaking")
    );
    assert!(
        !page.contains("/calendar/undo") && !page.contains("/calendar/remove"),
        "not for a guest"
    );
    browser.js(
        "document.querySelectorAll('details').forEach((one) => { one.open = true })",
        vec![],
    );
    browser.click("form[action='/calendar/undo'] button");
    browser.wait_text(".done", "Taken back");
    browser.wait_text(".entries", "Stocktaking");
}

#[test]
fn calendars_go_out_and_come_in_and_what_is_none_is_refused_with_its_line() {
    let house = house(&[KEEPER]);
    let plain = signed_in(&house, "keeper");
    let out = plain.get("/calendar/export?calendar=closed%20days");
    assert_eq!((out.status, out.body.as_str()), (200, CALENDAR));
    assert_eq!(out.header("content-type"), "text/calendar; charset=utf-8");
    assert!(
        out.header("content-disposition")
            .starts_with("attachment; filename=\"closed-days.ics\"")
    );
    let more = CALENDAR
        .replace("UID:outing", "UID:other")
        .replace("20270717", "20270801")
        .replace("<script>", "<b>");
    let shown = upload(&plain, &more, "preview");
    assert_eq!(shown.status, 200);
    assert!(shown.body.contains("added: ") && shown.body.contains("Sun 1 Aug 2027"));
    assert_eq!(on_disk(&house), CALENDAR, "only shown");
    assert_eq!(upload(&plain, &more, "save").status, 303);
    assert!(on_disk(&house).contains("UID:other"));
    let before = on_disk(&house);
    for (not_one, part) in [
        ("hello there", ":1:"),
        (
            "BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nUID:q\r\nDTSTART:soon\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n",
            ":4:",
        ),
        ("", "VCALENDAR"),
    ] {
        let answer = upload(&plain, not_one, "save");
        assert_eq!(answer.status, 422, "{not_one:?}");
        assert!(answer.body.contains(part), "{}", answer.body);
    }
    assert_eq!(on_disk(&house), before);
}

/// Sends a calendar file as a browser does.
fn upload(plain: &Plain, text: &str, what: &str) -> crate::plain::Answer {
    let page = plain.get("/calendar");
    let (csrf, revision) = (page.hidden("csrf"), page.hidden("revision"));
    let part = |name: &str, value: &str| {
        format!("--b0und\r\ncontent-disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n")
    };
    let fields = [
        ("csrf", csrf.as_str()),
        ("revision", revision.as_str()),
        ("calendar", "closed days"),
        ("do", what),
    ];
    let mut body: String = fields
        .iter()
        .map(|(name, value)| part(name, value))
        .collect();
    body.push_str("--b0und\r\ncontent-disposition: form-data; name=\"file\"; filename=\"../../house.ics\"\r\n\r\n");
    body.push_str(text);
    body.push_str("\r\n--b0und--\r\n");
    let kind = [("content-type", "multipart/form-data; boundary=b0und")];
    plain.with(&kind, "POST", "/calendar/import", &body)
}

#[test]
fn hostile_text_stays_text() {
    let house = house(&[KEEPER]);
    let browser = Browser::take();
    house.sign_in(&browser, "keeper", "/calendar?month=2027-07");
    let text = browser.wait_text(
        "#special-days + ul",
        "<script>alert(1)</script> & \"outing\"",
    );
    assert!(text.contains("Sat 17 Jul 2027: closed"), "{text}");
    assert!(
        !browser.source().contains("<script>alert"),
        "escaped in the source"
    );
    assert!(browser.has("td.is-closed[title^='closed: <script>']"));
    assert!(browser.count("td.is-weekend") > 20);
    let plain = signed_in(&house, "keeper");
    let token = plain.get("/calendar").hidden("csrf");
    let revision = plain.get("/calendar").hidden("revision");
    let name = "x\"><img src=x onerror=alert(1)>{{7*7}}";
    let fields = [
        ("csrf", token.as_str()),
        ("revision", &revision),
        ("calendar", "closed days"),
        ("name", name),
        ("first", "2027-05-07"),
        ("do", "save"),
    ];
    assert_eq!(plain.post("/calendar/save", &fields).status, 303);
    let page = plain.get("/calendar?month=2027-05").body;
    assert!(
        !page.contains("<img src=x") && page.contains("&lt;img src=x"),
        "{page}"
    );
    for bad in ["BEGIN:VEVENT\r\nUID:z", "a\nb", "", &"x".repeat(300)] {
        let fields = [
            ("csrf", token.as_str()),
            ("revision", &revision),
            ("calendar", "closed days"),
            ("name", bad),
            ("first", "2027-05-08"),
            ("do", "save"),
        ];
        let answer = plain.post("/calendar/save", &fields);
        assert_eq!(answer.status, 422, "{bad:?}");
        assert!(answer.body.contains("id=\"name-wrong\""));
    }
    for path in [
        "/calendar/export?calendar=../site.toml",
        "/calendar/export?calendar=/etc/passwd",
        "/calendar/entry?calendar=no&uid=no",
    ] {
        assert_eq!(plain.get(path).status, 404, "{path}");
    }
}

#[test]
fn the_command_line_and_the_page_edit_the_same_file_one_after_the_other() {
    let house = house(&[KEEPER]);
    let plain = signed_in(&house, "keeper");
    let stale = plain.get("/calendar").hidden("revision");
    let out = Command::new(env!("CARGO_BIN_EXE_leeside"))
        .args([
            "closed-days",
            "add",
            house.site.path.to_str().unwrap(),
            "2027-06-01",
            "--name",
            "By hand",
        ])
        .env("USER", "integrator")
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let page = plain.get("/calendar");
    assert!(
        page.body
            .contains("integrator (command line): added: By hand (Tue 1 Jun 2027)")
    );
    let token = page.hidden("csrf");
    let fields = [
        ("csrf", token.as_str()),
        ("revision", &stale),
        ("calendar", "closed days"),
        ("name", "Late"),
        ("first", "2027-06-02"),
        ("do", "save"),
    ];
    assert_eq!(plain.post("/calendar/save", &fields).status, 409);
    assert!(!on_disk(&house).contains("Late"));
}

/// Beside the closed days a calendar of special days of the slats.
fn with_special_days(folder: &Path) {
    with_calendar(folder);
    let path = folder.join("site.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let special = "[[calendar]]\nname = \"window cleaning\"\nfile = \"cleaning.ics\"\n\
        special = { groups = [\"south slats\"], pose = \"retracted\", sun = false }\n";
    std::fs::write(&path, format!("{text}\n{special}")).unwrap();
    let empty = leeside_config::closed_days::empty();
    std::fs::write(folder.join("cleaning.ics"), empty).unwrap();
}

#[test]
fn special_days_with_times_that_come_again_are_added_changed_and_taken_back() {
    let lines = "people_file = \"people.toml\"";
    let house = House::with(lines, &[KEEPER], with_special_days);
    let text = || std::fs::read_to_string(house.site.dir.path().join("cleaning.ics")).unwrap();
    let browser = Browser::take();
    house.sign_in(
        &browser,
        "keeper",
        "/calendar/entry?calendar=window+cleaning",
    );
    // Tuesday, the second of its month.
    fill(&browser, "Cleaning", "2027-03-09");
    browser.set("#from", "15:00");
    browser.set("#again", "month_weekday");
    browser.set("#until", "2027-03-01");
    browser.click("button[value=preview]");
    browser.wait_text("#to-wrong", "belong together");
    browser.wait_text("#until-wrong", "not before the first");
    assert_eq!(browser.value("#from"), "15:00", "kept");
    browser.set("#to", "06:30");
    browser.set("#until", "2027-12-31");
    browser.click("button[value=preview]");
    browser.wait_text("#to-wrong", "ends before it begins");
    browser.set("#from", "06:30");
    browser.set("#to", "15:00");
    browser.click("button[value=preview]");
    let shown = browser.wait_text(".preview", "new special day Cleaning");
    assert!(
        shown.contains("Tue 9 Mar 2027 06:30–15:00, retracted"),
        "{shown}"
    );
    assert!(
        shown.contains("Tue 14 Dec 2027 06:30–15:00") && !shown.contains("uid"),
        "{shown}"
    );
    assert!(!text().contains("Cleaning"), "only shown");
    browser.click("button[value=save]");
    browser.wait_text(".done", "Saved");
    browser.wait_text(
        "body",
        "Tue 9 Mar 2027, 06:30–15:00, each month on the second Tuesday until Fri 31 Dec 2027",
    );
    assert!(
        text().contains("DTSTART:20270309T063000\r\n")
            && text().contains("RRULE:FREQ=MONTHLY;BYDAY=2TU;UNTIL=20271231T235959\r\n"),
        "{}",
        text()
    );
    browser.click("a[aria-label^='change Cleaning']");
    assert_eq!(browser.value("#from"), "06:30");
    assert_eq!(browser.value("#again"), "month_weekday");
    assert_eq!(browser.value("#until"), "2027-12-31");
    browser.set("#again", "week");
    browser.set("#to", "12:00");
    browser.click("button[value=preview]");
    browser.wait_text(".preview", "Tue 16 Mar 2027 06:30–12:00");
    browser.click("button[value=save]");
    browser.wait_text("body", "06:30–12:00, each Tuesday until");
    browser.js(
        "document.querySelectorAll('details').forEach((one) => { one.open = true })",
        vec![],
    );
    browser.click("form[action='/calendar/undo'] button");
    browser.wait_text("body", "each month on the second Tuesday until");
}

/// What other programs wrote is changed without losing what our form does not ask for.
#[test]
fn a_rule_of_another_program_is_kept_when_its_day_is_changed() {
    let house = House::with("people_file = \"people.toml\"", &[KEEPER], |folder| {
        with_special_days(folder);
        let text = leeside_config::closed_days::empty().replace(
            "END:VCALENDAR",
            "BEGIN:VEVENT\r\nUID:hot\r\nDTSTAMP:20260101T000000Z\r\nDTSTART;TZID=Europe/Berlin:20270301T140000\r\n\
             DTEND;TZID=Europe/Berlin:20270301T150000\r\nRRULE:FREQ=DAILY;INTERVAL=3;COUNT=5\r\n\
             EXDATE;TZID=Europe/Berlin:20270304T140000\r\nLOCATION:Yard\r\nSUMMARY:Delivery\r\nEND:VEVENT\r\nEND:VCALENDAR",
        );
        std::fs::write(folder.join("cleaning.ics"), text).unwrap();
    });
    let browser = Browser::take();
    house.sign_in(&browser, "keeper", "/calendar");
    browser.wait_text("body", "14:00–15:00 (Europe/Berlin), by a rule of its own");
    browser.click("a[aria-label^='change Delivery']");
    assert_eq!(browser.value("#again"), "own");
    browser.wait_text("form.stack", "On the clock of Europe/Berlin");
    browser.fill("#name", "Delivery of glass");
    browser.set("#to", "16:00");
    browser.click("button[value=preview]");
    browser.wait_text(".preview", "Delivery of glass");
    browser.click("button[value=save]");
    browser.wait_text(".done", "Saved");
    let text = std::fs::read_to_string(house.site.dir.path().join("cleaning.ics")).unwrap();
    for kept in [
        "RRULE:FREQ=DAILY;INTERVAL=3;COUNT=5",
        "EXDATE;TZID=Europe/Berlin:20270304T140000",
        "LOCATION:Yard",
        "DTEND;TZID=Europe/Berlin:20270301T160000",
        "SUMMARY:Delivery of glass",
    ] {
        assert!(text.contains(kept), "{kept} in {text}");
    }
}

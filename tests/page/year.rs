//! Year: the dry run on the page, a trial beside it, weather that is sent.

use crate::axe::{open, storm};
use crate::browser::Browser;
use crate::house::House;
use crate::plain::{Plain, signed_in};
use std::collections::BTreeMap;
use std::path::Path;

const STORM: &str = "/year?weather=file%3Astorm.csv&from=2027-03-01&to=2027-03-02";

/// Every file beside the site file and what stands in it, but for the journal, which
/// the running service writes.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = std::fs::read_dir(folder).unwrap().flatten();
    let names = entries.map(|entry| (entry.file_name().into_string().unwrap(), entry.path()));
    let still = names.filter(|(name, path)| !name.contains("sqlite") && path.is_file());
    still
        .map(|(name, path)| (name, std::fs::read(path).unwrap()))
        .collect()
}

#[test]
fn a_trial_shows_its_difference_and_touches_nothing() {
    let house = House::with("", &[], storm);
    let browser = Browser::take();
    house.settle(&browser);
    let before = files(house.site.dir.path());
    browser.go(&house.at("/year"));
    browser.js(
        "document.getElementById('weather').value = 'file:storm.csv'",
        vec![],
    );
    browser.set("#from", "2027-03-01");
    browser.set("#to", "2027-03-02");
    browser.click("details.trial summary");
    browser.fill("#wind_limit", "25");
    browser.click("form.ask button");
    let tried = browser.wait_text("section.tried", "What changes, by group");
    assert!(
        tried.contains("Wind limit: 25.0 m/s") && tried.contains("raises a wind limit"),
        "{tried}"
    );
    assert!(tried.contains("south slats"), "{tried}");
    // By the rules in force: out in a storm, which the trial's own limit would hide.
    let audit = browser.text("section[aria-labelledby=audit-tried]");
    assert!(audit.contains("out of their refuge for longer"), "{audit}");
    let as_is = browser.text("section[aria-labelledby=audit]");
    assert!(as_is.contains("No device was out"), "{as_is}");
    assert!(browser.count("svg.carpet") >= 2, "as it is and as tried");
    // The running house still goes by its own limit.
    assert_eq!(files(house.site.dir.path()), before);
    house.building.blow("wind south", 17.4);
    browser.go(&house.at("/"));
    browser.wait_text("#p-lockouts", "limit 12.0 m/s");
}

#[test]
fn carpets_and_reports_are_served_and_a_trial_says_that_it_is_one() {
    let house = House::with("", &[], storm);
    let browser = Browser::take();
    open(&browser, &house, STORM);
    let plain = Plain::new(&house);
    for part in [
        "of=house&what=word",
        "of=0&what=extension&night=on",
        "of=0&what=tilt",
    ] {
        let answer = plain.get(&format!("/year/carpet.png?{}&{part}", &STORM[6..]));
        assert_eq!(
            (answer.status, answer.header("content-type")),
            (200, "image/png".to_owned()),
            "{part}"
        );
    }
    assert_eq!(
        plain
            .get(&format!("/year/carpet.png?{}&of=9&what=word", &STORM[6..]))
            .status,
        404
    );
    let report = |more: &str| {
        for _ in 0..50 {
            let answer = plain.get(&format!("/year/report?{}{more}", &STORM[6..]));
            if !answer.header("content-disposition").is_empty() {
                return answer;
            }
        }
        panic!("never worked out")
    };
    let csv = report("&form=csv");
    assert!(
        csv.body.contains("wind,\"gust 19.0 m/s") || csv.body.contains(",wind,"),
        "{}",
        csv.body
    );
    let tried = report("&form=csv&wind_limit=25");
    assert!(
        tried.body.contains("this is a trial from the page") && tried.body.contains("site trial-"),
        "{}",
        tried.body
    );
    assert!(report("&form=json").body.contains("\"format_version\""));
    assert!(report("&form=ics").body.contains("BEGIN:VCALENDAR"));
    assert!(report("&form=html").body.contains("<!doctype html>"));
}

#[test]
fn a_file_that_is_sent_is_taken_or_refused_with_line_and_reason() {
    let house = House::peopled(&[("Ada", "configure", &[]), ("Lou", "look", &[])]);
    let browser = Browser::take();
    house.sign_in(&browser, "Ada", "/year");
    let send = |name: &str, text: &str| {
        let path = house.site.dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        browser.go(&house.at("/year"));
        browser.click("details.send summary");
        browser.choose("#file", &path);
        browser.click("details.send button");
    };
    let rows = "utc,gust_ms\n2027-03-01T00:00:00Z,4\n2027-03-01T01:00:00Z,a lot\n";
    send("windy.csv", rows);
    let wrong = browser.wait_text("details.send", "windy.csv:3:22");
    assert!(
        wrong.contains("a lot") && wrong.contains("nothing of the file was used"),
        "{wrong}"
    );
    send("evil.csv", "<script>alert(1)</script>\n1\n");
    browser.wait_text("details.send", "its form is not known");
    assert!(!browser.has("main script"));
    // Two days of UTC: of the site's own zone one whole day lies within.
    let mut rows = "utc,gust_ms\n".to_owned();
    for hour in 0..48 {
        let day = 1 + hour / 24;
        rows.push_str(&format!("2027-03-{day:02}T{:02}:00:00Z,4\n", hour % 24));
    }
    send("fine.csv", &rows);
    browser.wait_text("main", "What it rests on");
    assert!(
        browser
            .text("section[aria-labelledby=basis]")
            .contains("fine.csv")
    );
    // Whoever may only look is not offered it, and is refused.
    let lou = signed_in(&house, "Lou");
    let page = lou.get("/year");
    assert!(page.status == 200 && !page.body.contains("type=\"file\""));
    assert_eq!(lou.post("/year/weather", &[("csrf", "x")]).status, 403);
}

#[test]
fn what_cannot_be_worked_out_says_why() {
    let house = House::with("", &[], |folder| {
        std::fs::write(
            folder.join("broken.csv"),
            "utc,gust_ms\n2027-03-01T00:00:00Z,much\n",
        )
        .unwrap();
    });
    let browser = Browser::take();
    let table = [
        ("/year?weather=file%3Abroken.csv", "broken.csv:2:22"),
        (
            "/year?weather=file%3A..%2Fbroken.csv",
            "There is no weather file",
        ),
        ("/year?weather=sent%3A0123", "send it again"),
        (
            "/year?weather=calm&from=2027-01-01&to=2039-01-01",
            "more than the 731",
        ),
        (
            "/year?weather=calm&from=2027-02-01&to=2027-01-01",
            "lies before the first",
        ),
        ("/year?weather=rain", "Choose a weather"),
        (
            "/year?weather=calm&scope=group%3Anobody&wind_limit=4",
            "no such facade or group",
        ),
        ("/year?weather=calm&wind_limit=400", "from 1 to 60 m/s"),
    ];
    for (page, part) in table {
        open(&browser, &house, page);
        browser.wait_text("main", part);
    }
}

#[test]
fn what_the_house_recorded_is_replayed_and_can_be_taken_away() {
    let house = House::open();
    let browser = Browser::take();
    house.settle(&browser);
    house.building.blow("wind south", 17.4);
    browser.wait_text("#p-lockouts", "south slats");
    open(&browser, &house, "/year?weather=recorded");
    let told = browser.wait_text("main", "What it rests on");
    assert!(
        told.contains("By group") && told.contains("south slats"),
        "{told}"
    );
    assert!(!browser.has("main p.wrong"), "{told}");
    assert_eq!(browser.value("#weather"), "recorded");
    assert!(browser.has(".downloads a[href*='weather=recorded']"));
}

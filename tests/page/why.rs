//! Why: what was, what is planned, with a link that can be sent.

use crate::browser::Browser;
use crate::house::House;

#[test]
fn after_a_gust_every_rank_says_what_it_said_and_the_link_says_it_again() {
    let house = House::open();
    let browser = Browser::take();
    house.settle(&browser);
    house.building.blow("wind south", 17.4);
    browser.wait_text("#p-lockouts", "gust 17.4 m/s");
    browser.click("#g-0 h3 a");
    let verdict = browser.wait_text(
        "section.verdict",
        "gust 17.4 m/s at wind south, limit 12.0 m/s",
    );
    assert!(
        verdict.contains("Decided anew from what the service recorded"),
        "{verdict}"
    );
    assert!(verdict.contains("retracted"), "{verdict}");
    let ranks = browser.text("table.ranks");
    let place = |part: &str| {
        ranks
            .find(part)
            .unwrap_or_else(|| panic!("{part}: {ranks}"))
    };
    assert!(
        place("fire") < place("wind") && place("wind") < place("timetable"),
        "{ranks}"
    );
    let wind = browser.text("table.ranks tr.decides");
    assert!(
        wind.contains("wind") && wind.contains("decides") && wind.contains("17.4"),
        "{wind}"
    );
    let lost = browser.text("table.ranks tr.lost");
    assert!(
        lost.contains("timetable") && lost.contains("asked and lost"),
        "{lost}"
    );
    // Its drives: out at the start, in for the gust.
    let drives = browser.text("section[aria-labelledby=drives]");
    assert!(
        drives.contains("S-1") && drives.contains("Told to run"),
        "{drives}"
    );
    let travels = browser.js(
        "return [...document.querySelectorAll('section[aria-labelledby=drives] tbody tr')]\
         .map((row) => Number(row.children[1].textContent))",
        vec![],
    );
    let travels: Vec<u64> = travels
        .as_array()
        .unwrap()
        .iter()
        .map(|count| count.as_u64().unwrap())
        .collect();
    assert_eq!(travels, [2; 4]);
    // The day: wind and pose drawn, the same as a table, the movement with its reason.
    assert!(browser.has("svg.timeline path.wind") && browser.has("svg.timeline path.limit"));
    let day = browser.js(
        "return document.querySelector('svg.timeline').getAttribute('aria-label')",
        vec![],
    );
    assert!(
        day.as_str()
            .unwrap()
            .contains("Strongest wind at the group 17.4 m/s"),
        "{day}"
    );
    assert!(
        browser
            .text("section.day")
            .contains("gust 17.4 m/s at wind south")
    );
    // The link, opened by somebody else in another language, says the same.
    let link = browser.js("return document.querySelector('dd.link a').href", vec![]);
    let other = Browser::take();
    other.go(&house.at("/language?to=de&back=/"));
    other.go(link.as_str().unwrap());
    let verdict = other.wait_text("section.verdict", "17,4 m/s");
    assert!(verdict.contains("south slats"), "{verdict}");
}

#[test]
fn what_is_planned_and_what_was_never_recorded_say_so() {
    let house = House::open();
    let browser = Browser::take();
    browser.go(&house.at("/why?group=west+screens&at=2031-06-21T12:00"));
    let planned = browser.wait_text("section.verdict", "Planned");
    assert!(
        planned.contains("Sat 21 Jun 2031 12:00") && planned.contains("timetable"),
        "{planned}"
    );
    browser.go(&house.at("/why?group=west+screens&at=2019-06-21T12:00"));
    browser.wait_text("section.verdict", "Nothing is recorded of that moment");
}

#[test]
fn a_question_that_cannot_be_is_refused_at_its_field_and_keeps_what_was_typed() {
    let house = House::open();
    let browser = Browser::take();
    browser.go(&house.at("/why?group=%3Cscript%3Ealert(1)%3C/script%3E&at=soon"));
    let wrong = browser.text("form.ask");
    assert!(
        wrong.contains("There is no group <script>alert(1)</script>"),
        "{wrong}"
    );
    assert!(wrong.contains("Write a moment"), "{wrong}");
    assert!(!browser.has("main script"));
}

#[test]
fn a_moment_can_be_asked_about_under_the_weather_of_a_file() {
    let house = House::with("", &[], crate::axe::storm);
    let browser = Browser::take();
    let question = "/why?group=south+slats&at=2027-03-01T12:00&weather=";
    crate::axe::open(&browser, &house, &format!("{question}file%3Astorm.csv"));
    let verdict = browser.wait_text("section.verdict", "from the weather of the file");
    assert!(verdict.contains("gust 19.0 m/s"), "{verdict}");
    assert_eq!(browser.value("#weather"), "file:storm.csv");
    // The way on keeps the weather.
    let link = browser.js("return document.querySelector('dd.link a').href", vec![]);
    assert!(
        link.as_str().unwrap().ends_with("weather=file%3Astorm.csv"),
        "{link}"
    );
    crate::axe::open(
        &browser,
        &house,
        &format!("{question}file%3A..%2Fsite.toml"),
    );
    browser.wait_text("p.wrong", "There is no weather file");
    browser.go(&house.at(&format!("{question}calm")));
    browser.wait_text("#weather-wrong", "Choose a weather from the list");
}

//! axe-core on every page, by day and by night, on a desk and on a phone: no
//! violation of any rule it has, WCAG 2.2 A and AA and its own best practice.
//!
//! axe-core is fetched by `tests/run` in the version that stands there.

use crate::brokers::PATIENCE;
use crate::browser::Browser;
use crate::house::House;
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::LazyLock;
use std::time::{Duration, Instant};

/// Where `tests/run` puts it.
const PLACE: &str = "axe-core-4.10.3/axe.min.js";

static AXE: LazyLock<String> = LazyLock::new(|| {
    let target = std::env::var_os("CARGO_TARGET_DIR").map_or_else(
        || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target"),
        PathBuf::from,
    );
    let path = target.join(PLACE);
    std::fs::read_to_string(&path).unwrap_or_else(|error| {
        panic!(
            "axe-core is needed for this test; tests/run fetches it to {}: {error}",
            path.display()
        )
    })
});

/// What axe finds on the page that is open, in words; empty where nothing.
fn violations(browser: &Browser) -> String {
    browser.js(&AXE, vec![]);
    browser.js(
        "window.found = null; \
         axe.run(document, { resultTypes: ['violations'] }) \
            .then(result => { window.found = result.violations }, error => { window.found = String(error) })",
        vec![],
    );
    let begin = Instant::now();
    let found = loop {
        let found = browser.js("return window.found", vec![]);
        if !found.is_null() {
            break found;
        }
        assert!(begin.elapsed() < PATIENCE, "axe never ends");
        std::thread::sleep(Duration::from_millis(50));
    };
    let Value::Array(found) = found else {
        return found.to_string();
    };
    let told = found.iter().map(|rule| {
        let nodes = rule["nodes"].as_array().map_or(&[][..], Vec::as_slice);
        let nodes: Vec<String> = nodes
            .iter()
            .take(5)
            .map(|node| {
                format!(
                    "  {} {}",
                    node["target"],
                    node["failureSummary"].as_str().unwrap_or_default()
                )
            })
            .collect();
        format!(
            "{} ({}): {}\n{}",
            rule["id"],
            rule["impact"],
            rule["help"],
            nodes.join("\n")
        )
    });
    told.collect::<Vec<_>>().join("\n")
}

/// Every page of the navigation, and pages with answers on them.
pub(crate) fn pages(browser: &Browser, house: &House) -> Vec<String> {
    browser.go(&house.at("/"));
    let links = browser.js(
        "return [...document.querySelectorAll('nav.pages a')].map(link => link.getAttribute('href'))",
        vec![],
    );
    let links = links
        .as_array()
        .unwrap()
        .iter()
        .map(|link| link.as_str().unwrap().to_owned());
    let mut all: Vec<String> = links.collect();
    assert!(all.len() >= 4, "{all:?}");
    all.extend(
        [
            "/why?group=south+slats",
            "/why?group=south+slats&at=2027-06-21T12:00",
            "/why?group=nobody&at=never",
            "/facade?facade=south&date=2027-06-21",
            "/year?weather=calm&from=2027-06-20&to=2027-06-22&scope=house&wind_limit=9",
            "/year?weather=file%3Astorm.csv&from=2027-03-01&to=2027-03-02",
            "/year?weather=calm&sun_on=much",
            "/nowhere",
        ]
        .map(str::to_owned),
    );
    all
}

/// Opens a page and waits until nothing on it is being worked out any more.
pub(crate) fn open(browser: &Browser, house: &House, page: &str) {
    browser.go(&house.at(page));
    let begin = Instant::now();
    while browser.has(".waiting") {
        assert!(begin.elapsed() < PATIENCE * 2, "{page} is never worked out");
        std::thread::sleep(Duration::from_millis(200));
    }
}

/// Two days with a storm on the first.
pub(crate) fn storm(folder: &std::path::Path) {
    let mut rows = "utc,gust_ms,mean_ms,temp_C,precip_mm\n".to_owned();
    for hour in 0..60 {
        let gust = if (16..20).contains(&hour) {
            19.0
        } else {
            3.0 + f64::from(hour % 3)
        };
        rows.push_str(&format!(
            "2027-03-{:02}T{:02}:00:00Z,{gust},{},9,0\n",
            1 + hour / 24,
            hour % 24,
            gust / 2.0
        ));
    }
    std::fs::write(folder.join("storm.csv"), rows).unwrap();
}

#[test]
fn axe_finds_nothing_on_any_page_by_day_and_night_on_desk_and_phone() {
    let house = House::with(
        "people_file = \"people.toml\"",
        &[("Ada", "configure", &[])],
        storm,
    );
    let browser = Browser::take();
    browser.go(&house.at("/sign-in"));
    let mut wrong = Vec::new();
    let mut look = |page: &str| {
        for (size, phone) in [("desk", false), ("phone", true)] {
            if phone {
                browser.phone();
            } else {
                browser.desk();
            }
            for night in [false, true] {
                browser.night(night);
                let found = violations(&browser);
                if !found.is_empty() {
                    let variant = if night { "night" } else { "day" };
                    wrong.push(format!("{page}, {size}, {variant}:\n{found}"));
                }
            }
        }
        browser.desk();
        browser.night(false);
    };
    look("/sign-in");
    house.sign_in(&browser, "Ada", "/");
    house.building.blow("wind south", 17.4);
    house.building.silence("wind west");
    browser.wait_text("#p-lockouts", "wind south");
    for page in pages(&browser, &house) {
        open(&browser, &house, &page);
        // What is folded away is looked at as well.
        browser.js(
            "document.querySelectorAll('details').forEach(d => { d.open = true })",
            vec![],
        );
        look(&page);
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

#[test]
fn axe_would_find_something() {
    let browser = Browser::take();
    browser.go("data:text/html,<img src=x>");
    let found = violations(&browser);
    assert!(found.contains("image-alt"), "{found}");
}

#[test]
fn every_drawing_says_in_words_what_it_shows() {
    let house = House::with("", &[], storm);
    let browser = Browser::take();
    for page in pages(&browser, &house) {
        open(&browser, &house, &page);
        let silent = browser.js(
            "return [...document.querySelectorAll('svg, img, canvas')].filter(drawing => \
               drawing.getAttribute('aria-hidden') !== 'true' && \
               !((drawing.getAttribute('aria-label') || drawing.getAttribute('alt') || '').length > 20 && \
                 drawing.getAttribute('role') === 'img')).map(drawing => drawing.outerHTML.slice(0, 200))",
            vec![],
        );
        assert_eq!(silent, json!([]), "{page}");
    }
}

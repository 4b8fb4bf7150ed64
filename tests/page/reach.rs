//! Whoever comes: with a phone, with a keyboard only, without scripts.

use crate::axe::{open, pages, storm};
use crate::browser::Browser;
use crate::house::House;
use serde_json::json;

/// The Tab key, as WebDriver writes it (W3C WebDriver, §17.4.2).
const TAB: &str = "\u{E004}";
const ENTER: &str = "\u{E007}";

#[test]
fn nothing_runs_over_the_edge_of_a_small_phone() {
    let house = House::with("", &[], storm);
    let browser = Browser::take();
    browser.size(360, 740);
    for page in pages(&browser, &house) {
        open(&browser, &house, &page);
        browser.js(
            "document.querySelectorAll('details').forEach(d => { d.open = true })",
            vec![],
        );
        let over = browser.js(
            "const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth; \
             if (wide <= 0) return []; \
             return [...document.querySelectorAll('body *')] \
                 .filter(e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('.wide')) \
                 .map(e => e.outerHTML.slice(0, 120)).concat([String(wide)])",
            vec![],
        );
        assert_eq!(over, json!([]), "{page}");
    }
}

#[test]
fn with_the_keyboard_alone_one_gets_everywhere_and_sees_where_one_is() {
    let house = House::open();
    let browser = Browser::take();
    browser.go(&house.at("/why"));
    browser.keys(TAB);
    assert_eq!(
        browser.js("return document.activeElement.className", vec![]),
        "skip"
    );
    // Where one is shows: an outline, and the link itself has come into view.
    let seen = "const e = document.activeElement, box = e.getBoundingClientRect(), style = getComputedStyle(e); \
                return box.left >= 0 && box.top >= 0 && box.width > 0 && \
                       style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2";
    assert_eq!(browser.js(seen, vec![]), true);
    browser.keys(ENTER);
    browser.keys(TAB);
    assert_eq!(
        browser.js("return document.activeElement.id", vec![]),
        "group",
        "the link leads past the navigation"
    );
    // From the top again: everything in the order in which it stands, and each is seen.
    browser.go(&house.at("/why"));
    let mut order = Vec::new();
    for _ in 0..40 {
        browser.keys(TAB);
        let at = browser.js(
            "const e = document.activeElement; if (e === document.body) return null; \
             return [...document.querySelectorAll('*')].indexOf(e)",
            vec![],
        );
        let Some(at) = at.as_u64() else { break };
        if order.last().is_some_and(|last| at < *last) {
            break;
        }
        assert_eq!(
            browser.js(seen, vec![]),
            true,
            "{}",
            browser.js("return document.activeElement.outerHTML", vec![])
        );
        order.push(at);
    }
    let focusable = browser.js(
        "return [...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, summary, [tabindex=\"0\"]')] \
             .filter(e => e.offsetParent !== null || e.className === 'skip').length",
        vec![],
    );
    assert!(
        order.len() as u64 >= focusable.as_u64().unwrap(),
        "{order:?} of {focusable}"
    );
    // A question asked and answered without a mouse.
    browser.go(&house.at("/why"));
    browser.js("document.getElementById('group').focus()", vec![]);
    browser.keys("west");
    browser.keys(ENTER);
    browser.js("document.querySelector('.ask button').focus()", vec![]);
    browser.keys(ENTER);
    browser.wait_text("#verdict", "west screens");
}

#[test]
fn without_scripts_all_of_it_can_be_read() {
    let house = House::with("", &[], storm);
    let browser = Browser::without_scripts();
    browser.go(&house.at("/why?group=south+slats"));
    browser.wait_text("#ranks", "Every rank");
    assert!(browser.has("svg.timeline"));
    browser.go(&house.at("/facade?facade=south&date=2027-06-21"));
    browser.wait("svg.sunpath");
    // It is worked out for a while: the page loads itself again.
    browser.go(&house.at("/year?weather=calm&from=2027-01-01&to=2027-12-31"));
    browser.wait("#months");
    assert!(
        browser
            .text("section[aria-labelledby=months]")
            .contains("June 2027")
    );
}

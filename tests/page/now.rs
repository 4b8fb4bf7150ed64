//! Now: what is, as it is, without reloading.

use crate::browser::Browser;
use crate::house::House;

#[test]
fn a_lockout_and_its_reason_appear_after_the_gust_without_reloading() {
    let house = House::open();
    let browser = Browser::take();
    browser.go(&house.at("/"));
    browser.wait_text("#live-state", "Live");
    browser.wait_text("#p-broker", "Plant reached since");
    browser.wait_text("#p-lockouts", "None");
    browser.js("window.sameDocument = true", vec![]);
    house.building.blow("wind south", 17.4);
    let lockout = browser.wait_text("#p-lockouts", "gust 17.4 m/s at wind south, limit 12.0 m/s");
    assert!(lockout.contains("south slats"), "{lockout}");
    browser.wait_text("#g-0", "wind");
    browser.wait("#p-compass .front-mark.weather");
    house.building.blow("wind south", 2.0);
    let holding = browser.wait_text("#p-lockouts", "at the earliest, if it stays calm");
    assert!(
        holding.contains("2.0 m/s") && holding.contains("12.0 m/s"),
        "{holding}"
    );
    browser.wait_text("#p-lockouts", "None");
    assert_eq!(browser.js("return window.sameDocument", vec![]), true);
}

#[test]
fn a_silent_sensor_shows_its_age_and_what_is_wrong_with_it() {
    let house = House::open();
    let browser = Browser::take();
    browser.go(&house.at("/"));
    browser.wait_text("#s-0", "believed");
    house.building.silence("wind south");
    browser.wait_text("#s-0", "is silent");
    browser.wait_text("#p-alarms", "sensor not to be believed wind south");
    browser.wait_text("#s-1", "believed");
    house
        .listener
        .say("quick/sensor/wind west", "not a reading".to_owned());
    browser.wait_text("#s-1", "not believed since the start: 1 garbled");
}

/// Browsers keep pages that were left, and open six connections to a house at most.
#[test]
fn pages_that_were_left_hold_no_connection() {
    let house = House::open();
    let browser = Browser::take();
    let begin = std::time::Instant::now();
    for round in 0..9 {
        browser.go(&house.at(&format!("/?round={round}")));
        browser.wait_text("#live-state", "Live");
    }
    // Held ones are given up by the browser after a minute only.
    assert!(
        begin.elapsed() < crate::brokers::PATIENCE,
        "a page waited for another"
    );
    browser.js("history.back()", vec![]);
    browser.wait_text("#live-state", "Live");
}

#[test]
fn it_says_so_when_the_service_is_gone() {
    let house = House::open();
    let browser = Browser::take();
    browser.go(&house.at("/"));
    browser.wait_text("#live-state", "Live");
    house.daemon.kill();
    browser.wait_text("#live-state", "Not connected");
}

#[test]
fn without_scripts_it_can_be_read_and_in_german_too() {
    let house = House::open();
    let browser = Browser::without_scripts();
    browser.go(&house.at("/language?to=de&back=/"));
    assert_eq!(browser.title(), "Jetzt · Quick");
    let text = browser.text("main");
    for part in [
        "south slats",
        "Fassaden nach Azimut",
        "Sensoren",
        "Sperren",
        "alle 30 s neu geladen",
    ] {
        assert!(
            text.contains(part) || browser.source().contains(part),
            "{part}: {text}"
        );
    }
}

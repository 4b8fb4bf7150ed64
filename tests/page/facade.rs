//! Facade: the sun over it, and a day minute by minute.

use crate::browser::Browser;
use crate::house::House;
use crate::plain::Plain;

#[test]
fn the_day_of_a_facade_is_drawn_and_told_and_can_be_taken_away() {
    let house = House::open();
    let browser = Browser::take();
    // Worked out first: a page that still waits loads itself anew, and the form with it.
    crate::axe::open(&browser, &house, "/facade");
    browser.set("#date", "2027-06-21");
    browser.js("document.getElementById('facade').value = 'west'; document.getElementById('group').value = 'west screens'", vec![]);
    browser.click("form.ask button");
    let title = browser.wait_text("#path", "west");
    assert!(title.contains("270° W"), "{title}");
    assert!(
        browser.has("svg.sunpath path.lit-path"),
        "the sun is on a west facade in June"
    );
    // Sunset on 21 June at 40.65° N: lit until about half past eight, not before noon.
    browser.js(
        "document.querySelectorAll('details').forEach(d => { d.open = true })",
        vec![],
    );
    let june = browser.js(
        "return [...document.querySelectorAll('#path ~ details tbody tr')].map(row => row.innerText).find(row => row.startsWith('21 Jun'))",
        vec![],
    );
    let june = june.as_str().unwrap();
    assert!(
        june.contains("13:0") || june.contains("12:5"),
        "solar noon by the clock of New York in June: {june}"
    );
    assert!(june.contains("20:"), "{june}");
    assert!(browser.text("#through").contains("west screens"));
    let plain = Plain::new(&house);
    let csv = plain.get("/facade/minutes.csv?facade=west&group=west+screens&date=2027-06-21");
    assert_eq!(csv.status, 200);
    let rows: Vec<&str> = csv
        .body
        .lines()
        .filter(|line| line.starts_with("2027-06-21T"))
        .collect();
    assert_eq!(rows.len(), 1_440);
    assert!(
        rows[0].starts_with("2027-06-21T00:00:00-04:00,2027-06-21T04:00:00Z,"),
        "{}",
        rows[0]
    );
    // Cells: azimuth is the third. At one in the afternoon the sun stands in the south.
    let noon: f64 = rows[13 * 60].split(',').nth(2).unwrap().parse().unwrap();
    assert!((noon - 180.0).abs() < 5.0, "{noon}");
}

#[test]
fn slats_show_their_cut_off() {
    let house = House::open();
    let browser = Browser::take();
    browser.go(&house.at("/facade?facade=south&group=south+slats&date=2027-12-21"));
    browser.wait("svg.timeline path.cutoff");
    let path = browser.js(
        "return document.querySelector('svg.timeline path.cutoff').getAttribute('d').length > 100",
        vec![],
    );
    assert_eq!(path, true);
}

#[test]
fn a_day_that_cannot_be_is_refused_at_its_field() {
    let house = House::open();
    let browser = Browser::take();
    browser.go(&house.at("/facade?facade=cellar&date=2027-02-30"));
    let wrong = browser.text("form.ask");
    assert!(
        wrong.contains("There is no facade cellar") && wrong.contains("Write a day"),
        "{wrong}"
    );
}

#[test]
fn where_the_sun_stands_now_follows_without_loading_anew() {
    let house = House::open();
    let browser = Browser::take();
    crate::axe::open(&browser, &house, "/facade");
    browser.wait_text("#facade-now", "Now, at");
    browser.js(
        "window.sameDocument = true; document.getElementById('facade-now').textContent = 'old'; \
         document.dispatchEvent(new Event('visibilitychange'))",
        vec![],
    );
    browser.wait_text("#facade-now", "Now, at");
    assert_eq!(browser.js("return window.sameDocument", vec![]), true);
}

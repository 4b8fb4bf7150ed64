//! Hands on: what is asked is done, or refused with its reason; only by those who may.

use crate::browser::Browser;
use crate::house::House;
use crate::plain::signed_in;
use std::path::Path;

const HAND: (&str, &str, &[&str]) = ("hand", "operate", &[]);
const KEEPER: (&str, &str, &[&str]) = ("keeper", "configure", &[]);

#[test]
fn a_group_is_moved_by_hand_and_let_go_and_the_journal_knows_by_whom() {
    let house = House::peopled(&[HAND]);
    let browser = Browser::take();
    house.sign_in(&browser, "hand", "/");
    house.settle(&browser);
    let mark = house.listener.mark();
    browser.go(&house.at("/hands"));
    browser.click(".pick a[href='/hands?group=south%20slats']");
    browser.click("input[value=retract] + button");
    browser.wait_text(".done", "Taken");
    browser.wait_text("main", "Asked by hand since the start: 1.");
    house.listener.wait(mark, "the slats come in", |message| {
        message.topic == "quick/group/south slats/command"
            && message.json()["decided_by"] == "hand"
            && message.json()["pose"]["extension_pct"] == 0
            && message.json()["reason"]
                .as_str()
                .unwrap()
                .contains("hand (page)")
    });
    browser.wait_text("#g-0", "asked by hand (page)");
    browser.fill("#extension", "40");
    browser.fill("#tilt", "200");
    browser.click("#until ~ button, .stack button");
    browser.wait_text("#tilt-wrong", "from −90 to 90");
    assert_eq!(browser.value("#extension"), "40");
    browser.fill("#tilt", "20");
    browser.click(".stack button");
    browser.wait_text("#g-0 .pose", "40 % extended, slats 20°");
    browser.click("input[value=extend] + button");
    house.listener.wait(mark, "all the way", |message| {
        message.topic == "quick/group/south slats/command"
            && message.json()["decided_by"] == "hand"
            && message.json()["pose"]["extension_pct"] == 100
    });
    browser.wait_text("#g-0 .pose", "extended, slats");
    browser.click("input[value=halt] + button");
    browser.wait_text("main", "Asked by hand since the start: 4.");
    browser.wait_text("#g-0", "asked by hand (page)");
    browser.click("input[value=release] + button");
    browser.wait_text("#g-0", "timetable");
}

#[test]
fn what_a_guard_holds_is_refused_with_its_reason() {
    let house = House::peopled(&[HAND]);
    let browser = Browser::take();
    house.sign_in(&browser, "hand", "/");
    house.settle(&browser);
    house.building.blow("wind south", 17.4);
    browser.wait_text("#p-lockouts", "south slats");
    browser.go(&house.at("/hands?group=south%20slats"));
    browser.click("input[value=extend] + button");
    let refusal = browser.wait_text(".refused", "Refused:");
    assert!(
        refusal.contains("wind") && refusal.contains("gust 17.4 m/s at wind south, limit 12.0 m/s"),
        "{refusal}"
    );
}

#[test]
fn service_has_an_owner_and_ends_only_by_hand() {
    let house = House::peopled(&[HAND]);
    let browser = Browser::take();
    house.sign_in(&browser, "hand", "/");
    house.settle(&browser);
    browser.go(&house.at("/hands?group=west%20screens"));
    browser.set("#service_end", "2020-01-01T00:00");
    browser.click("input[value=service_on] ~ button");
    browser.wait_text("#service_end-wrong", "passed already");
    browser.set("#service_end", "2199-01-01T00:00");
    browser.click("input[value=service_on] ~ button");
    browser.wait_text("#g-1", "hand (page) has been working at the facade since");
    browser.click("input[value=extend] + button");
    browser.wait_text(".refused", "service");
    browser.click("input[value=service_off] + button");
    browser.wait_text("#g-1", "timetable");
}

#[test]
fn one_drive_is_set_up_an_alarm_is_seen_and_a_dead_sensor_left_out() {
    let house = House::peopled(&[KEEPER]);
    let browser = Browser::take();
    house.sign_in(&browser, "keeper", "/");
    house.settle(&browser);
    let mark = house.listener.mark();
    browser.go(&house.at("/hands?group=west%20screens"));
    browser.set("#drive", "C-2");
    browser.fill("#drive_extension", "50");
    browser.click("#drive_extension-hint ~ button, input[value=drive] ~ button");
    browser.wait_text(".done", "Taken");
    house.listener.wait(mark, "one screen alone", |message| {
        let json = || message.json();
        message.topic == "quick/group/west screens/command"
            && json()["orders"].as_array().is_some_and(|orders| {
                orders.len() == 1 && orders[0]["drive"] == "C-2" && orders[0]["extension_pct"] == 50
            })
    });
    house.building.silence("wind west");
    browser.go(&house.at("/"));
    browser.wait_text("#p-alarms", "sensor not to be believed wind west");
    browser.go(&house.at("/hands"));
    browser.click("button[aria-label^='Seen: sensor not to be believed']");
    browser.wait_text(".entries", "seen by keeper (page)");
    browser.set("#sensor", "wind west");
    browser.set("#bypass_until", "2199-01-01T00:00");
    browser.click("form[action='/hands/bypass'] button:not([value])");
    browser.wait_text(".done", "in force and an alarm stands");
    browser.go(&house.at("/"));
    browser.wait_text("#p-alarms", "sensor left out by hand wind west");
    browser.go(&house.at("/hands"));
    browser.click("button[value=end]");
    browser.wait_text(".done", "in force");
}

/// Two poses under one name, and slats that mind frost.
fn with_more(folder: &Path) {
    let path = folder.join("site.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let text = text.replacen("ice = \"not_harmed\"", "ice = \"retracted\"", 1);
    let text = text.replacen(
        "timetable = \"always out, slats\"",
        "timetable = \"always out, slats\"\nice = \"frost\"",
        1,
    );
    let more = "\n[[sensor]]\nname = \"air\"\nkind = \"temperature\"\nsilence_s = 600\n\
        [[ice]]\nname = \"frost\"\nsensors = [\"air\"]\nbelow_c = 3\nabove_c = 5\nhold_min = 600\n\
        moisture = \"always\"\n\
        [[arrangement]]\nname = \"lesson\"\nhold_min = 5\n\
        [arrangement.poses]\n\"south slats\" = \"retracted\"\n\"west screens\" = \"retracted\"\n";
    std::fs::write(&path, format!("{text}{more}")).unwrap();
}

#[test]
fn an_arrangement_poses_its_groups_and_frost_is_ended_by_who_has_looked() {
    let house = House::with("people_file = \"people.toml\"", &[HAND], with_more);
    let air = |celsius: f64| {
        let said = format!("{{\"value\":{celsius}}}");
        house.listener.say("quick/sensor/air", said);
    };
    let browser = Browser::take();
    house.sign_in(&browser, "hand", "/");
    // Said once only, so not before the program hears: by now it has heard the wind.
    browser.wait_text("#g-1 .tag", "timetable");
    air(12.0);
    house.settle(&browser);
    let mark = house.listener.mark();
    browser.go(&house.at("/hands"));
    browser.click("form[action='/hands/arrange'] button");
    browser.wait_text(".done", "Taken");
    for group in ["south slats", "west screens"] {
        house
            .listener
            .wait(mark, "posed by the arrangement", |message| {
                message.topic == format!("quick/group/{group}/command")
                    && message.json()["decided_by"] == "hand"
                    && message.json()["pose"]["extension_pct"] == 0
            });
    }
    browser.go(&house.at("/hands?group=south%20slats"));
    browser.click("input[value=release] + button");
    browser.wait_text("#g-0", "timetable");

    // Cold and moist: in, and for ten hours of warmth unless somebody looks.
    air(1.0);
    browser.wait_text("#g-0 .tag", "ice");
    air(9.0);
    browser.click("section[aria-labelledby=frost] button");
    browser.wait_text(".done", "Taken");
    browser.wait_text("#g-0 .tag", "timetable");
}

/// The screens are before an office, the rest is nobody's room.
fn with_rooms(folder: &Path) {
    let path = folder.join("site.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let text = text.replace(
        "names = [\"C-1..2\"]",
        "names = [\"C-1..2\"]\nroom = \"office\"",
    );
    std::fs::write(&path, format!("{text}\n[[room]]\nname = \"office\"\n")).unwrap();
}

#[test]
fn somebody_of_a_room_moves_what_is_before_it_and_nothing_else() {
    let people: &[(&str, &str, &[&str])] = &[("tenant", "operate", &["office"])];
    let house = House::with("people_file = \"people.toml\"", people, with_rooms);
    let plain = signed_in(&house, "tenant");
    let page = plain.get("/hands");
    assert!(page.body.contains("west%20screens") && !page.body.contains("south%20slats"));
    let token = page.hidden("csrf");
    let ask = |group: &str| {
        plain.post(
            "/hands/ask",
            &[("csrf", &token), ("group", group), ("what", "retract")],
        )
    };
    let foreign = ask("south slats");
    assert_eq!(foreign.status, 403);
    assert!(foreign.body.contains("in front of none of your rooms"));
    assert_eq!(plain.get("/hands?group=south%20slats").status, 403);
    assert_eq!(ask("no such group").status, 404);
    let browser = Browser::take();
    house.sign_in(&browser, "tenant", "/");
    house.settle(&browser);
    assert_eq!(ask("west screens").status, 303);
    browser.wait_text("#g-1", "asked from the room by tenant (page)");
    let bypass = [
        ("csrf", token.as_str()),
        ("sensor", "rain"),
        ("bypass_until", "2199-01-01T00:00"),
    ];
    assert_eq!(
        plain.post("/hands/bypass", &bypass).status,
        403,
        "that takes another role"
    );
}

#[test]
fn the_site_file_is_loaded_anew_and_a_broken_one_says_where_and_changes_nothing() {
    let house = House::peopled(&[KEEPER, HAND]);
    let browser = Browser::take();
    house.sign_in(&browser, "keeper", "/hands");
    let sound = std::fs::read_to_string(&house.site.path).unwrap();
    std::fs::write(&house.site.path, sound.replacen("limit_mps", "limit_mp", 1)).unwrap();
    browser.click("form[action='/hands/reload'] button");
    browser.wait_text(".refused", "Not taken; the one before stays in force");
    let problems = browser.text("pre.problems");
    assert!(
        problems.contains("limit_mp") && problems.contains("site.toml:"),
        "{problems}"
    );
    browser.go(&house.at("/"));
    browser.wait_text("#p-broker", "the site file on disk was rejected");
    std::fs::write(
        &house.site.path,
        sound.replacen("south slats", "south blinds", 99),
    )
    .unwrap();
    browser.go(&house.at("/hands"));
    browser.click("form[action='/hands/reload'] button");
    browser.wait_text(".done", "In force");
    browser.go(&house.at("/"));
    browser.wait_text("#g-0", "south blinds");
    let hand = signed_in(&house, "hand");
    let page = hand.get("/hands");
    assert!(
        !page.body.contains("/hands/reload"),
        "that takes another role"
    );
    let token = page.hidden("csrf");
    assert_eq!(hand.post("/hands/reload", &[("csrf", &token)]).status, 403);
}

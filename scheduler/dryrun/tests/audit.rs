//! The storm audit on the small house, where every exposure can be worked out by
//! hand; with faults also where the core itself knows of no storm.
#![expect(clippy::unwrap_used, reason = "tests")]

mod house;

use house::{setting, utc};
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::output::Word;
use leeside_core::pose::Pose;
use leeside_core::time::Wall;
use leeside_dryrun::audit::{Audit, Storm, audit, json, text};
use leeside_dryrun::replay::{PlantKind, Setting, Sky};
use leeside_dryrun::report::Head;
use std::ops::ControlFlow;
use std::sync::Arc;

const AWNING: DeviceId = DeviceId(2);

fn run(setting: &Setting, with_faults: bool) -> Audit {
    audit(setting, with_faults, &|_| ControlFlow::Continue(())).unwrap()
}

fn of(audit: &Audit, hazard: Word) -> Vec<&Storm> {
    audit.shown[0]
        .storms
        .iter()
        .filter(|storm| storm.hazard == hazard)
        .collect()
}

fn at(time: &str) -> Wall {
    utc(&format!("2027-06-22T{time}Z"))
}

#[test]
fn exposure_is_travel_and_nothing_else_where_nothing_fails() {
    let audit = run(&setting(PlantKind::Simulated), false);
    // The gust of 9 m/s from 10:00 to 10:20 concerns the awning alone (limit 8).
    let wind = of(&audit, Word::Wind);
    assert_eq!(wind.len(), 1);
    let storm = wind[0];
    assert_eq!(
        (storm.group, storm.start, storm.end),
        (GroupId(1), at("10:00:00"), at("10:50:00"))
    );
    assert_eq!(
        (storm.engaged, storm.released),
        (Some(at("10:00:00")), Some(at("10:50:00")))
    );
    assert!((storm.worst - 9.0).abs() < 1e-12);
    let stay = storm.devices[0];
    assert_eq!((stay.device, stay.was_in), (AWNING, false));
    assert_eq!(stay.commanded, Some(at("10:00:00")));
    // 45 s of travel; the command is given a millisecond after the reading, and
    // stamped with its moment.
    let arrived = stay.in_refuge.unwrap().0 - at("10:00:45").0;
    assert!((0..=1).contains(&arrived), "{arrived}");
    assert!(
        (45_000..=45_001).contains(&stay.exposed_ms),
        "{}",
        stay.exposed_ms
    );
    assert!((stay.worst.unwrap() - 9.0).abs() < 1e-12);
    // Rain from 12:00 to 12:10, 20 minutes to dry.
    let rain = of(&audit, Word::Rain);
    assert_eq!(rain.len(), 1);
    assert_eq!(
        (rain[0].start, rain[0].end),
        (at("12:00:00"), at("12:30:00"))
    );
    assert!((45_000..=45_001).contains(&rain[0].devices[0].exposed_ms));
    assert!(!audit.has_findings());
}

#[test]
fn a_refuge_may_be_the_extended_pose() {
    let mut setting = setting(PlantKind::Simulated);
    let mut model = (*setting.model).clone();
    model.products[1].refuge.wind = Pose::EXTENDED;
    model.groups[1].sun = None;
    setting.model = Arc::new(model);
    let audit = run(&setting, false);
    let stay = of(&audit, Word::Wind)[0].devices[0];
    // It stands retracted, is told to extend at 10:00 and needs 40 s for it.
    assert!(!stay.was_in);
    assert!(
        (40_000..=40_001).contains(&stay.exposed_ms),
        "{}",
        stay.exposed_ms
    );
}

#[test]
fn with_faults_the_worst_is_found_and_named() {
    let audit = run(&setting(PlantKind::Simulated), true);
    let names: Vec<&str> = audit
        .shown
        .iter()
        .map(|shown| shown.scenario.as_str())
        .collect();
    assert_eq!(
        names,
        [
            "nothing fails",
            "sensor mast silent",
            "sensor mast stuck",
            "sensor mast reads 0",
            "feeder F1 slow",
            "restart",
            "power cut",
            "broker gap",
        ]
    );
    let exposed = |scenario: &str| {
        let index = names.iter().position(|name| *name == scenario).unwrap();
        audit
            .longest(AWNING, index)
            .map_or(0, |longest| longest.stay.exposed_ms)
    };
    // Silent from ten minutes before: in its refuge long before the gust (the rain
    // later finds it as ever).
    assert!((45_000..=45_001).contains(&exposed("sensor mast silent")));
    // The only mast stuck at 3 m/s, or reading 0 with no neighbour to contradict
    // it: nobody knows of the gust for all its twenty minutes.
    assert_eq!(exposed("sensor mast stuck"), 20 * 60_000);
    assert_eq!(exposed("sensor mast reads 0"), 20 * 60_000);
    // Half as long again: 67.5 s.
    assert!(
        (67_500..=67_501).contains(&exposed("feeder F1 slow")),
        "{}",
        exposed("feeder F1 slow")
    );
    // Meanwhile the mast has become silent and the guard engaged; at 10:01:59 the
    // broker is there again, the present verdict is sent, then 45 s of travel.
    assert!(
        (164_000..=164_001).contains(&exposed("broker gap")),
        "{}",
        exposed("broker gap")
    );
    // A minute lost, then the start of the program; refuge does not wait for
    // anything but the next reading.
    for scenario in ["restart", "power cut"] {
        let ms = exposed(scenario);
        assert!((45_000..=106_000).contains(&ms), "{scenario}: {ms}");
    }
    assert!(audit.has_findings());
    let worst = audit.longest_of_all(AWNING).unwrap();
    assert_eq!(names[worst.scenario], "sensor mast stuck");
}

#[test]
fn reports_are_the_same_twice_and_carry_the_verdict() {
    let setting = setting(PlantKind::Simulated);
    let head = Head::of(&setting, "abc");
    let (first, second) = (run(&setting, true), run(&setting, true));
    assert_eq!(first, second);
    let told = text(&setting.model, &head, &first);
    for words in [
        "Storm audit of test house",
        "nothing fails",
        "sensor mast stuck",
        "2027-06-22 12:00:00  terrace, left: wind, up to 9.0 m/s",
        "released 2027-06-22 12:50:00: gust and mean stayed below 6.0 m/s for 30 min",
        "with sensor mast stuck: 20:00",
    ] {
        assert!(told.contains(words), "{words} is not in\n{told}");
    }
    let value: serde_json::Value =
        serde_json::from_str(&json(&setting.model, &head, &first)).unwrap();
    assert_eq!(value["format_version"], 1);
    assert_eq!(value["findings"], true);
    assert_eq!(value["devices"].as_array().unwrap().len(), 3);
    assert_eq!(
        value["devices"][2]["longest_with_faults"]["scenario"],
        "sensor mast stuck"
    );
    assert_eq!(
        value["scenarios"][0]["storms"][0]["first_exceeded_utc"],
        "2027-06-22T10:00:00Z"
    );
}

#[test]
fn a_made_up_calm_has_no_storms() {
    let calm = Setting {
        sky: Sky::ClearAndCalm,
        ..setting(PlantKind::Simulated)
    };
    let audit = run(&calm, true);
    assert!(audit.shown[0].storms.is_empty() && !audit.has_findings());
}

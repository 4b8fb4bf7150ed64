//! Foreign sensors, contacts, gateways and plants, of `tests/sites/foreign.toml`.

use super::{ARRIVED, arrival, decoder, encoder};
use crate::wire::{Decoded, Slot};
use leeside_config::wire::{ReportForm, ReportPart};
use leeside_config::{LoadOptions, Site, load_site};
use leeside_core::ids::{ContactId, DeviceId, GatewayId, SensorId};
use leeside_core::input::{DriveState, Input, Part, Reading, Report, Sample};
use leeside_core::output::{Command, Order, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::time::{Now, Wall};
use std::path::Path;

fn site() -> Site {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/sites/foreign.toml");
    let loaded = load_site(&path, &LoadOptions::around(2027));
    loaded
        .map_err(|problems| format!("{problems:#?}"))
        .unwrap()
        .0
}

fn inputs(site: &Site, topic: &str, payload: &str) -> Vec<Input> {
    let all = decoder(site).decode(&arrival(topic, payload));
    all.into_iter()
        .map(|decoded| match decoded {
            Decoded::Input(input) => input,
            Decoded::Malformed { why, .. } => panic!("{topic} {payload}: {why}"),
            Decoded::Retained | Decoded::Unknown => panic!("{topic} {payload}"),
        })
        .collect()
}

/// km/h and knots per m/s, and °F: ISO 80000-3 and -5 conversions.
#[test]
fn one_message_feeds_every_sensor_that_it_speaks_of_in_our_units() {
    let site = site();
    let message = r#"{"wind":{"gust":"54","mean":10},"air":41,"at":"2027-01-15T07:59:58Z"}"#;
    let all = inputs(&site, "roof/weather", message);
    let [Input::Reading(wind), Input::Reading(air)] = &all[..] else {
        panic!("{all:?}")
    };
    let Sample::Wind {
        gust: Part::Value(gust),
        mean: Part::Value(mean),
        direction: Part::Unsaid,
    } = wind.sample
    else {
        panic!("{wind:?}")
    };
    assert_eq!(
        (wind.sensor, wind.at),
        (SensorId(1), Wall(ARRIVED.0 - 2_000))
    );
    assert!((gust - 15.0).abs() < 1e-9, "54 km/h are 15 m/s: {gust}");
    assert!(
        (mean - 5.144_444_444).abs() < 1e-6,
        "10 kn are 5.144 m/s: {mean}"
    );
    let Sample::Value(air_c) = air.sample else {
        panic!("{air:?}")
    };
    assert!((air_c - 5.0).abs() < 1e-9, "41 °F are 5 °C: {air_c}");
    // The air sensor names no moment, so it counts from its arrival.
    assert_eq!((air.sensor, air.at), (SensorId(4), ARRIVED));
}

#[test]
fn parts_on_topics_of_their_own_leave_the_rest_unsaid() {
    let site = site();
    let sample = Sample::Wind {
        gust: Part::Unsaid,
        mean: Part::Unsaid,
        direction: Part::Value(270.0),
    };
    let expected = Input::Reading(Reading {
        sensor: SensorId(1),
        at: ARRIVED,
        sample,
    });
    assert_eq!(inputs(&site, "roof/vane", "270"), [expected]);
    let rain = Input::Reading(Reading {
        sensor: SensorId(3),
        at: ARRIVED,
        sample: Sample::Value(2.0),
    });
    assert_eq!(inputs(&site, "roof/rain", " 10 "), [rain], "factor 0.2");
}

#[test]
fn what_a_foreign_sensor_does_not_say_is_no_reading() {
    let site = site();
    let garbled = |sensor| {
        Some(Input::Garbled {
            sensor: SensorId(sensor),
        })
    };
    for payload in [
        "",
        "calm",
        "{}",
        r#"{"wind":{}}"#,
        r#"{"wind":{"gust":"strong"},"air":"warm"}"#,
        r#"{"wind":{"gust":1e999},"air":null}"#,
        r#"{"wind":{"gust":5},"air":[],"at":"late"}"#,
    ] {
        let all = decoder(&site).decode(&arrival("roof/weather", payload));
        let found: Vec<Option<Input>> = all
            .into_iter()
            .map(|decoded| match decoded {
                Decoded::Malformed { input, .. } => input,
                Decoded::Input(input) => panic!("{payload}: {input:?}"),
                Decoded::Retained | Decoded::Unknown => panic!("{payload}"),
            })
            .collect();
        assert_eq!(found, [garbled(1), garbled(4)], "{payload}");
    }
}

#[test]
fn contacts_and_gateways_have_words_of_their_own() {
    let site = site();
    for (word, active) in [("open", true), ("closed", false)] {
        let payload = format!("{{\"state\":\"{word}\"}}");
        let expected = Input::Contact {
            contact: ContactId(0),
            active,
        };
        assert_eq!(inputs(&site, "doors/terrace", &payload), [expected]);
    }
    for (word, present) in [("online", true), ("offline", false)] {
        let expected = Input::Gateway {
            gateway: GatewayId(0),
            present,
        };
        assert_eq!(inputs(&site, "hall/alive", word), [expected]);
    }
    for (topic, payload) in [
        ("doors/terrace", "{\"state\":\"ajar\"}"),
        ("doors/terrace", "open"),
        ("hall/alive", "maybe"),
    ] {
        let all = decoder(&site).decode(&arrival(topic, payload));
        assert!(
            matches!(all[..], [Decoded::Malformed { input: None, .. }]),
            "{topic} {payload}"
        );
    }
}

#[test]
fn a_current_counts_as_power_by_the_voltage_of_the_supply() {
    let site = site();
    let power = |topic: &str, payload: &str| match inputs(&site, topic, payload).as_slice() {
        [Input::Report(report)] => report.power_w,
        other => panic!("{payload}: {other:?}"),
    };
    let said = r#"{"position":40,"moving":true,"motor_a":"0.5"}"#;
    assert_eq!(power("hall/17/state", said), Some(115.0));
    assert_eq!(power("hall/17/state", r#"{"motor_a":0}"#), Some(0.0));
    // Nobody has said at which voltage: no number is made up.
    let own = r#"{"state":"moving","current_a":0.5}"#;
    let decoded = decoder(&site).decode(&arrival("house/drive/A-1/report", own));
    let [Decoded::Malformed { why, input: None }] = decoded.as_slice() else {
        panic!("{decoded:?}");
    };
    assert!(why.to_string().contains("`supply_v`"), "{why}");
    // The power itself needs no voltage.
    let own = r#"{"state":"moving","current_a":0.5,"power_w":90}"#;
    assert_eq!(power("house/drive/A-1/report", own), Some(90.0));
}

#[test]
fn foreign_drives_report_in_their_form_and_those_without_one_in_ours() {
    let site = site();
    let device = site.model.device_named("C-1").unwrap();
    for (payload, state, pct) in [
        (r#"{"position":40,"moving":true}"#, DriveState::Moving, 40),
        (
            r#"{"position":"100","moving":false}"#,
            DriveState::Standing,
            100,
        ),
        (r#"{"position":0}"#, DriveState::Standing, 0),
    ] {
        let pose = Some(Pose::extension(pct));
        let report = Report {
            device,
            sequence: None,
            state,
            pose,
            power_w: None,
        };
        assert_eq!(
            inputs(&site, "hall/17/state", payload),
            [Input::Report(report)],
            "{payload}"
        );
    }
    let awning = site.model.device_named("A-1").unwrap();
    let report = Report {
        device: awning,
        sequence: None,
        state: DriveState::Fault,
        pose: None,
        power_w: None,
    };
    assert_eq!(
        inputs(&site, "house/drive/A-1/report", r#"{"state":"fault"}"#),
        [Input::Report(report)]
    );
    let topics = decoder(&site).foreign_topics().to_vec();
    assert_eq!(
        topics
            .iter()
            .filter(|topic| *topic == "roof/weather")
            .count(),
        1,
        "{topics:?}"
    );
    assert!(topics.iter().any(|topic| topic == "hall/18/state"));
}

fn command(site: &Site, group: &str, orders: Vec<Order>) -> Command {
    Command {
        sequence: 7,
        group: site.model.group_named(group).unwrap(),
        at: Now::both(ARRIVED.0),
        not_after: ARRIVED.plus(10_000),
        pose: Pose::RETRACTED,
        orders,
        decided_by: Word::Wind,
        because: Because::Rest,
        lost: std::sync::Arc::default(),
        release: Release::AnyWish,
        repeat: false,
    }
}

#[test]
fn foreign_drives_are_commanded_one_by_one_in_their_form() {
    let site = site();
    let device = |name: &str| site.model.device_named(name).unwrap();
    let order = |name: &str, pose, start_delay_ms| Order {
        device: device(name),
        pose,
        start_delay_ms,
    };
    let orders = vec![
        order("C-1", Some(Pose::extension(30)), 0),
        order("C-2", None, 0),
        order("A-1", Some(Pose::RETRACTED), 400),
    ];
    let command_of = command(&site, "west screens", orders);
    let encoder = encoder(&site);
    let messages: Vec<_> = encoder.foreign_orders(&command_of).collect();
    let sent: Vec<(Slot, &str, &str, u32)> = messages
        .iter()
        .map(|message| {
            (
                message.slot.clone(),
                message.topic.as_str(),
                message.payload.as_str(),
                message.delay_ms,
            )
        })
        .filter(|(slot, ..)| matches!(slot, Slot::Drive(_)))
        .collect();
    assert_eq!(
        sent,
        [
            (
                Slot::Drive(device("C-1")),
                "hall/17/set",
                r#"{"position": 30, "slats": 0}"#,
                0
            ),
            (
                Slot::Drive(device("C-2")),
                "hall/18/set",
                r#"{"stop": true}"#,
                0
            ),
            // It cannot wait itself, so we wait for it.
            (Slot::Drive(device("A-1")), "relay/A-1", "100", 400),
        ]
    );
    // Displays still hear the group's command, after what moves.
    let told = encoder.command(&command_of);
    assert_eq!(told.topic, "house/group/west screens/command");
    assert!(told.tells && !messages.iter().any(|message| message.tells));
    let native = vec![
        order("C-1", Some(Pose::RETRACTED), 0),
        order("S-1", Some(Pose::RETRACTED), 0),
    ];
    let mixed = command(&site, "west screens", native);
    assert!(!encoder.command(&mixed).tells, "one of them listens to it");
    // A plant that knows no halt is not told one.
    let halt = command(&site, "terrace awnings", vec![order("A-1", None, 0)]);
    assert_eq!(encoder.foreign_orders(&halt).count(), 0);
}

#[test]
fn a_plant_that_counts_the_other_way_and_in_other_units_is_understood() {
    let part = |pointer: &str, factor, offset| {
        Some(ReportPart {
            pointer: pointer.to_owned(),
            factor,
            offset,
        })
    };
    let form = ReportForm {
        topic: "relay/{device}".to_owned(),
        extension: part("/open", -1.0, 100.0),
        tilt: part("/slats", 0.9, -90.0),
        power: part("/mw", 0.001, 0.0),
        current: None,
        moving: None,
        fault: None,
    };
    // Numbers as texts too, as many plants write them.
    let payload = br#"{"open": "25", "slats": 150, "mw": 120500}"#;
    let told = crate::wire::foreign::report(DeviceId(3), &form, None, payload).unwrap();
    let pose = told.pose.unwrap();
    assert_eq!((pose.extension_pct, pose.tilt_deg), (75, Some(45)));
    assert!((told.power_w.unwrap() - 120.5).abs() < 1e-9);
    let beyond = br#"{"open": 101}"#;
    assert!(crate::wire::foreign::report(DeviceId(3), &form, None, beyond).is_err());
    let no_number = br#"{"open": "half"}"#;
    assert!(crate::wire::foreign::report(DeviceId(3), &form, None, no_number).is_err());
}

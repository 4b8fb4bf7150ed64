//! What arrives: readings, contacts, reports, and what is none of them.

use super::{ARRIVED, arrival, decoder, one, site};
use crate::wire::{Arrival, Decoded, LARGEST_PAYLOAD};
use leeside_core::ids::{ContactId, DeviceId, SensorId};
use leeside_core::input::{DriveState, Input, Part, Reading, Report, Sample};
use leeside_core::pose::Pose;
use leeside_core::time::Wall;

#[test]
fn readings_of_wind() {
    use Part::{Absent, Unsaid, Value};
    let site = site("");
    let decoder = decoder(&site);
    let table = [
        (
            r#"{"gust_mps":14.2,"mean_mps":9,"direction_deg":270}"#,
            Value(14.2),
            Value(9.0),
            Value(270.0),
            ARRIVED,
        ),
        (r#"{"gust_mps":14.2}"#, Value(14.2), Unsaid, Unsaid, ARRIVED),
        (
            r#"{"gust_mps":null,"mean_mps":3.5}"#,
            Absent,
            Value(3.5),
            Unsaid,
            ARRIVED,
        ),
        (
            r#"{"gust_mps":0,"mean_mps":null,"direction_deg":null}"#,
            Value(0.0),
            Absent,
            Absent,
            ARRIVED,
        ),
        (
            r#"{"mean_mps":1,"at":"2027-01-15T08:00:00.250Z"}"#,
            Unsaid,
            Value(1.0),
            Unsaid,
            Wall(1_800_000_000_250),
        ),
        (
            r#"{"mean_mps":1,"at":"2027-01-15T09:00:00+01:00"}"#,
            Unsaid,
            Value(1.0),
            Unsaid,
            ARRIVED,
        ),
        (
            r#"{"mean_mps":1,"battery":"low"}"#,
            Unsaid,
            Value(1.0),
            Unsaid,
            ARRIVED,
        ),
    ];
    for (payload, gust, mean, direction, at) in table {
        let sample = Sample::Wind {
            gust,
            mean,
            direction,
        };
        let expected = Input::Reading(Reading {
            sensor: SensorId(0),
            at,
            sample,
        });
        assert_eq!(
            one(&decoder, "house/sensor/wind south", payload),
            Decoded::Input(expected),
            "{payload}"
        );
    }
}

#[test]
fn what_is_no_reading_of_wind_is_no_reading() {
    let site = site("");
    let decoder = decoder(&site);
    let long = format!(
        "{{\"mean_mps\":1,\"x\":\"{}\"}}",
        "x".repeat(LARGEST_PAYLOAD)
    );
    let deep = "[".repeat(20_000);
    let table = [
        "",
        "{",
        "12.5",
        "null",
        "true",
        "[]",
        "{}",
        r#""14""#,
        r#"{"value":3}"#,
        r#"{"direction_deg":3}"#,
        r#"{"gust_mps":"14"}"#,
        r#"{"gust_mps":true}"#,
        r#"{"gust_mps":1e999}"#,
        r#"{"gust_mps":NaN}"#,
        r#"{"gust_mps":[14]}"#,
        r#"{"gust_mps":14,"at":"yesterday"}"#,
        r#"{"gust_mps":14,"at":5}"#,
        "{\"gust_mps\":14}}",
        "\u{feff}{\"gust_mps\":14}",
        &long,
        &deep[..LARGEST_PAYLOAD],
    ];
    for payload in table {
        let Decoded::Malformed { why, input } = one(&decoder, "house/sensor/wind south", payload)
        else {
            panic!("taken: {payload:.80}");
        };
        assert_eq!(
            input,
            Some(Input::Garbled {
                sensor: SensorId(0)
            }),
            "{payload:.80}"
        );
        assert!(!why.to_string().is_empty());
    }
    let bytes = [0xff, 0xfe, 0x00];
    let raw = Arrival {
        topic: "house/sensor/wind south",
        payload: &bytes,
        retained: false,
        at: ARRIVED,
    };
    assert!(matches!(decoder.decode(&raw)[0], Decoded::Malformed { .. }));
}

#[test]
fn readings_of_one_value() {
    let site = site("");
    let decoder = decoder(&site);
    for payload in [
        "0.4",
        r#"{"value":0.4}"#,
        r#"{"value":0.4,"note":"drizzle"}"#,
    ] {
        let sample = Sample::Value(0.4);
        let expected = Input::Reading(Reading {
            sensor: SensorId(3),
            at: ARRIVED,
            sample,
        });
        assert_eq!(
            one(&decoder, "house/sensor/rain", payload),
            Decoded::Input(expected)
        );
    }
    for payload in [
        "null",
        r#"{"value":null}"#,
        r#"{"value":"wet"}"#,
        r#"{"gust_mps":3}"#,
        "\"0.4\"",
    ] {
        assert!(
            matches!(
                one(&decoder, "house/sensor/rain", payload),
                Decoded::Malformed { .. }
            ),
            "{payload}"
        );
    }
}

#[test]
fn a_retained_message_is_never_fresh() {
    let site = site("");
    let decoder = decoder(&site);
    for (topic, payload) in [
        (
            "house/sensor/wind south",
            r#"{"gust_mps":2,"mean_mps":1,"at":"2027-01-15T08:00:00Z"}"#,
        ),
        ("house/contact/terrace door", "false"),
        ("house/drive/S-1/report", r#"{"state":"standing"}"#),
        (
            "house/request",
            r#"{"by":"x","ask":"release","group":"south slats"}"#,
        ),
    ] {
        assert!(
            matches!(one(&decoder, topic, payload), Decoded::Input(_)),
            "{topic}"
        );
        let kept = Arrival {
            retained: true,
            ..arrival(topic, payload)
        };
        assert_eq!(decoder.decode(&kept), [Decoded::Retained], "{topic}");
    }
}

#[test]
fn topics_of_nothing_are_unknown() {
    let site = site("");
    let decoder = decoder(&site);
    for topic in [
        "house/sensor/wind north",
        "other/sensor/rain",
        "house/sensor",
        "",
        "house/drive/S-9/report",
    ] {
        assert_eq!(one(&decoder, topic, "1"), Decoded::Unknown, "{topic}");
    }
}

#[test]
fn contacts_and_reports() {
    let site = site("");
    let decoder = decoder(&site);
    for (payload, active) in [
        ("true", true),
        ("false", false),
        (r#"{"active":true}"#, true),
    ] {
        let expected = Input::Contact {
            contact: ContactId(0),
            active,
        };
        assert_eq!(
            one(&decoder, "house/contact/terrace door", payload),
            Decoded::Input(expected)
        );
    }
    for payload in ["1", "\"open\"", "{}", r#"{"active":1}"#, "null"] {
        let decoded = one(&decoder, "house/contact/terrace door", payload);
        assert!(
            matches!(decoded, Decoded::Malformed { input: None, .. }),
            "{payload}"
        );
    }
    let pose = |pose| Report {
        device: DeviceId(0),
        sequence: Some(7),
        state: DriveState::Standing,
        pose,
        power_w: None,
    };
    let table = [
        (
            r#"{"state":"standing","sequence":7,"extension_pct":100,"tilt_deg":30}"#,
            pose(Some(Pose::slats(100, 30))),
        ),
        (
            r#"{"state":"standing","sequence":7,"extension_pct":99.6}"#,
            pose(Some(Pose::extension(100))),
        ),
        (r#"{"state":"standing","sequence":7}"#, pose(None)),
        (
            r#"{"state":"moving","power_w":120.5}"#,
            Report {
                sequence: None,
                state: DriveState::Moving,
                power_w: Some(120.5),
                ..pose(None)
            },
        ),
    ];
    for (payload, report) in table {
        assert_eq!(
            one(&decoder, "house/drive/S-1/report", payload),
            Decoded::Input(Input::Report(report))
        );
    }
    for payload in [
        "{}",
        r#"{"state":"lost"}"#,
        r#"{"state":"standing","extension_pct":101}"#,
        r#"{"state":"standing","extension_pct":-1}"#,
        r#"{"state":"standing","tilt_deg":5}"#,
        r#"{"state":"standing","sequence":-1}"#,
        r#"{"state":"standing","sequence":1.5}"#,
        r#"{"state":"moving","power_w":"much"}"#,
        r#"{"state":"standing","extension_pct":1e400}"#,
    ] {
        let decoded = one(&decoder, "house/drive/S-1/report", payload);
        assert!(
            matches!(decoded, Decoded::Malformed { input: None, .. }),
            "{payload}"
        );
    }
}

//! Topics and messages, in tables.
#![expect(clippy::unwrap_used, reason = "tests")]

use super::{
    Arrival, Board, Decoded, Decoder, Encoder, LARGEST_PAYLOAD, Message, Presence, Slot, Topics,
    segment,
};
use leeside_config::{LoadOptions, Site, load_site};
use leeside_core::ids::{ContactId, DeviceId, GroupId, RoomId, SensorId};
use leeside_core::input::{
    Ask, DriveState, Input, Origin, Part, Reading, Report, Request, Sample, Until,
};
use leeside_core::output::{Command, LockoutChange, Lost, Order, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release, WindPart};
use leeside_core::time::{Now, Wall};
use std::path::Path;

/// The quick site with more lines at its end.
fn site(more: &str) -> Site {
    let quick = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/sites/quick.toml");
    let text = std::fs::read_to_string(quick).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("site.toml");
    std::fs::write(&path, format!("{text}\n{more}")).unwrap();
    load_site(&path, &LoadOptions::around(2027))
        .map_err(|problems| format!("{problems:#?}"))
        .unwrap()
        .0
}

fn decoder(site: &Site) -> Decoder {
    Decoder::new(site.model.clone(), &Topics::new("house"), &site.wire)
}

fn encoder(site: &Site) -> Encoder {
    Encoder::new(site.model.clone(), Topics::new("house"), &site.wire, "f1")
}

const ARRIVED: Wall = Wall(1_800_000_000_000);

fn arrival<'a>(topic: &'a str, payload: &'a str) -> Arrival<'a> {
    Arrival {
        topic,
        payload: payload.as_bytes(),
        retained: false,
        at: ARRIVED,
    }
}

/// What one listener makes of a message.
fn one(decoder: &Decoder, topic: &str, payload: &str) -> Decoded {
    let mut all = decoder.decode(&arrival(topic, payload));
    assert_eq!(all.len(), 1, "{topic}");
    all.remove(0)
}

#[test]
fn what_mqtt_gives_a_meaning_is_escaped_in_names() {
    let table = [
        ("south slats", "south slats"),
        ("A/B", "A%2FB"),
        ("+1", "%2B1"),
        ("#", "%23"),
        ("50 %", "50 %25"),
        ("a\u{0}b", "a%00b"),
        ("Süd", "Süd"),
    ];
    for (name, expected) in table {
        assert_eq!(segment(name), expected);
    }
    let topics = Topics::new("/site/one/");
    assert_eq!(topics.service(), "site/one/service");
    assert_eq!(
        topics.alarm("sensor_fault/roof #1"),
        "site/one/alarm/sensor_fault/roof %231"
    );
}

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

const WITH_ROOM: &str = "
[[room]]
name = \"office\"
[[arrangement]]
name = \"all in\"
poses = { \"south slats\" = \"retracted\" }
";

#[test]
fn requests() {
    let site = site(WITH_ROOM);
    let decoder = decoder(&site);
    let group = GroupId(0);
    let pose = |extension_pct, tilt_deg, until| Ask::Pose {
        group,
        extension_pct,
        tilt_deg,
        until,
    };
    let table = [
        (
            r#""ask":"pose","group":"south slats","extension_pct":40"#,
            pose(Some(40), None, Until::Rule),
        ),
        (
            r#""ask":"pose","group":"south slats","tilt_deg":-5,"hold_s":60"#,
            pose(None, Some(-5), Until::For(60_000)),
        ),
        (
            r#""ask":"pose","group":"south slats","extension_pct":0,"until":"next_phase""#,
            pose(Some(0), None, Until::NextPhase),
        ),
        (
            r#""ask":"halt","group":"south slats","until":"end_of_day""#,
            Ask::Halt {
                group,
                until: Until::EndOfDay,
            },
        ),
        (
            r#""ask":"release","group":"south slats""#,
            Ask::Release { group },
        ),
        (
            r#""ask":"drive","drive":"S-2","extension_pct":10"#,
            Ask::Device {
                device: DeviceId(1),
                extension_pct: Some(10),
                tilt_deg: None,
                until: Until::Rule,
            },
        ),
        (
            r#""ask":"service","group":"south slats","on":true,"expected_end":"2027-01-15T08:00:00Z""#,
            Ask::Service {
                group,
                on: true,
                expected_end: Some(ARRIVED),
            },
        ),
        (
            r#""ask":"bypass","sensor":"rain","until":"2027-01-15T08:00:00Z""#,
            Ask::Bypass {
                sensor: SensorId(3),
                substitute: None,
                until: Some(ARRIVED),
            },
        ),
        (
            r#""ask":"acknowledge","key":"sensor_fault/rain""#,
            Ask::Acknowledge {
                key: "sensor_fault/rain".to_owned(),
            },
        ),
        (
            r#""ask":"frost_cleared","group":"south slats""#,
            Ask::FrostCleared { group },
        ),
    ];
    for (fields, ask) in table {
        let payload = format!("{{\"by\":\" panel 3 \",{fields}}}");
        for (topic, from) in [
            ("house/request", Origin::Centre),
            ("house/room/office/request", Origin::Room(RoomId(0))),
        ] {
            let expected = Request {
                by: "panel 3".to_owned(),
                from,
                ask: ask.clone(),
            };
            assert_eq!(
                one(&decoder, topic, &payload),
                Decoded::Input(Input::Request(expected)),
                "{payload}"
            );
        }
    }
    let in_room = r#"{"by":"x","room":"office","ask":"release","group":"south slats"}"#;
    let Decoded::Input(Input::Request(request)) = one(&decoder, "house/request", in_room) else {
        panic!()
    };
    assert_eq!(request.from, Origin::Room(RoomId(0)));
    assert!(matches!(
        one(&decoder, "house/room/office/request", in_room),
        Decoded::Malformed { .. }
    ));
}

#[test]
fn requests_that_are_none_say_why() {
    let site = site(WITH_ROOM);
    let decoder = decoder(&site);
    let long_name = format!(
        r#"{{"by":"{}","ask":"release","group":"south slats"}}"#,
        "x".repeat(121)
    );
    let table = [
        ("[]", "object"),
        (r#"{"ask":"release","group":"south slats"}"#, "by"),
        (r#"{"by":"","ask":"release","group":"south slats"}"#, "by"),
        (
            r#"{"by":"a\u0007b","ask":"release","group":"south slats"}"#,
            "control",
        ),
        (&long_name, "by"),
        (r#"{"by":"x","ask":"explode"}"#, "explode"),
        (r#"{"by":"x","ask":"release","group":"north"}"#, "north"),
        (
            r#"{"by":"x","ask":"release","group":"south slats","extra":1}"#,
            "extra",
        ),
        (
            r#"{"by":"x","ask":"pose","group":"south slats"}"#,
            "extension_pct",
        ),
        (
            r#"{"by":"x","ask":"pose","group":"south slats","extension_pct":101}"#,
            "extension_pct",
        ),
        (
            r#"{"by":"x","ask":"pose","group":"south slats","tilt_deg":91}"#,
            "tilt_deg",
        ),
        (
            r#"{"by":"x","ask":"pose","group":"south slats","tilt_deg":5,"hold_s":0}"#,
            "hold_s",
        ),
        (
            r#"{"by":"x","ask":"pose","group":"south slats","tilt_deg":5,"hold_s":9,"until":"rule"}"#,
            "not both",
        ),
        (
            r#"{"by":"x","room":"cellar","ask":"release","group":"south slats"}"#,
            "cellar",
        ),
        (
            r#"{"by":"x","ask":"service","group":"south slats","on":true,"expected_end":"soon"}"#,
            "expected_end",
        ),
        (r#"{"by":"x","ask":"arrange","arrangement":"nope"}"#, "nope"),
    ];
    for (payload, part) in table {
        let Decoded::Malformed { why, input: None } = one(&decoder, "house/request", payload)
        else {
            panic!("taken: {payload}");
        };
        assert!(why.to_string().contains(part), "{payload}: {why}");
    }
}

fn command() -> Command {
    let at = Now::both(ARRIVED.0);
    let because = Because::WindAbove {
        sensor: SensorId(0),
        part: WindPart::Gust,
        speed_mps: 14.0,
        factor: 1.0,
        limit_mps: 12.0,
    };
    Command {
        sequence: 42,
        group: GroupId(0),
        at,
        not_after: ARRIVED.plus(10_000),
        pose: Pose::RETRACTED,
        orders: vec![
            Order {
                device: DeviceId(0),
                pose: Some(Pose::RETRACTED),
                start_delay_ms: 0,
            },
            Order {
                device: DeviceId(1),
                pose: None,
                start_delay_ms: 200,
            },
        ],
        decided_by: Word::Wind,
        because,
        lost: vec![Lost {
            word: Word::Timetable,
            pose: Some(Pose::slats(100, 30)),
            because: Because::Rest,
        }],
        release: Release::AfterCalm(3_000),
        repeat: false,
    }
}

#[test]
fn a_command_says_all_it_has_to() {
    let site = site("");
    let messages = encoder(&site).command(&command());
    let [first, pose] = &messages[..] else {
        panic!("{messages:?}")
    };
    assert_eq!(first.topic, "house/group/south slats/command");
    assert_eq!(
        (first.slot.clone(), first.sequence, first.retained()),
        (Slot::Command(GroupId(0)), Some(42), false)
    );
    assert_eq!(first.not_after, Some(ARRIVED.plus(10_000)));
    let said: serde_json::Value = serde_json::from_str(&first.payload).unwrap();
    assert_eq!(said["sequence"], 42);
    assert_eq!(said["group"], "south slats");
    assert_eq!(said["at"], "2027-01-15T08:00:00.000Z");
    assert_eq!(said["not_after"], "2027-01-15T08:00:10.000Z");
    assert_eq!(said["decided_by"], "wind");
    assert_eq!(
        said["pose"],
        serde_json::json!({"extension_pct": 0, "tilt_deg": null})
    );
    let orders = serde_json::json!([
        {"drive": "S-1", "extension_pct": 0, "tilt_deg": null, "start_delay_ms": 0},
        {"drive": "S-2", "extension_pct": null, "tilt_deg": null, "start_delay_ms": 200},
    ]);
    assert_eq!(said["orders"], orders);
    assert_eq!(said["lost"][0]["word"], "timetable");
    assert!(said["reason"].as_str().unwrap().contains("14.0"));
    assert_eq!(pose.topic, "house/group/south slats/pose");
    assert!(pose.retained());
    assert_eq!(
        encoder(&site).command(&command()),
        messages,
        "the same bytes each time"
    );
}

#[test]
fn lockouts_of_a_group_stand_together() {
    let site = site("");
    let encoder = encoder(&site);
    let mut board = Board::default();
    let change = |word, engaged, ms| LockoutChange {
        group: GroupId(2),
        word,
        at: Now::both(ARRIVED.0 + ms),
        engaged,
        because: Because::Rest,
        release: Release::AnyWish,
    };
    let shown = |board: &Board| -> serde_json::Value {
        serde_json::from_str(&encoder.lockouts(board, GroupId(2), ARRIVED).payload).unwrap()
    };
    assert_eq!(shown(&board)["engaged"], false);
    assert!(board.lockout(&site.model, &change(Word::Rain, true, 0)));
    assert!(board.lockout(&site.model, &change(Word::Wind, true, 5)));
    assert!(
        !board.lockout(&site.model, &change(Word::Wind, true, 9)),
        "nothing new"
    );
    let said = shown(&board);
    assert_eq!(
        (&said["guards"][0]["guard"], &said["guards"][1]["guard"]),
        (&"wind".into(), &"rain".into())
    );
    assert_eq!(said["guards"][0]["since"], "2027-01-15T08:00:00.005Z");
    assert!(board.lockout(&site.model, &change(Word::Wind, false, 20)));
    assert!(!board.lockout(&site.model, &change(Word::Wind, false, 21)));
    assert_eq!(shown(&board)["engaged"], true);
    let text = serde_json::to_string(&board).unwrap();
    assert_eq!(serde_json::from_str::<Board>(&text).unwrap(), board);
}

#[test]
fn a_command_takes_back_only_what_it_names() {
    let mut older = encoder(&site("")).command(&command()).remove(0);
    let mut newer = Message {
        sequence: Some(43),
        ..older.clone()
    };
    assert!(newer.replaces(&older));
    newer.moves = vec![DeviceId(1)];
    assert!(
        !newer.replaces(&older),
        "the order to the other drive still holds"
    );
    older.moves = vec![DeviceId(1)];
    assert!(newer.replaces(&older));
    older.slot = Slot::Command(GroupId(1));
    assert!(!newer.replaces(&older));
}

#[test]
fn the_sign_of_life() {
    let site = site("");
    let encoder = encoder(&site);
    for (presence, at, state) in [
        (Presence::Online, Some(ARRIVED), "online"),
        (Presence::Offline, Some(ARRIVED), "offline"),
        (Presence::Gone, None, "gone"),
    ] {
        let message = encoder.service(presence, at);
        assert!(message.retained());
        let said: serde_json::Value = serde_json::from_str(&message.payload).unwrap();
        assert_eq!(said["state"], state);
        assert_eq!(said["at"].is_null(), at.is_none());
    }
}

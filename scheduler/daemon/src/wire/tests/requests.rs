//! Requests by hand, and what is none.

use super::{ARRIVED, decoder, one, site};
use crate::wire::Decoded;
use leeside_core::ids::{DeviceId, GroupId, RoomId, SensorId};
use leeside_core::input::{Ask, Input, Origin, Request, Until};

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

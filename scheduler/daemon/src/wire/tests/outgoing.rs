//! What leaves: commands, lockouts, the sign of life.

use super::{ARRIVED, encoder, site};
use crate::wire::{Board, Message, Presence, Slot};
use leeside_core::ids::{DeviceId, GroupId, SensorId};
use leeside_core::output::{Command, LockoutChange, Lost, Order, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release, WindPart};
use leeside_core::time::Now;

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
        }]
        .into(),
        release: Release::AfterCalm(3_000),
        repeat: false,
    }
}

#[test]
fn a_command_says_all_it_has_to() {
    let site = site("");
    let (first, pose) = (
        encoder(&site).command(&command()),
        encoder(&site).pose(&command()),
    );
    assert_eq!(encoder(&site).foreign_orders(&command()).count(), 0);
    assert_eq!(first.topic, "house/group/south slats/command");
    assert_eq!(
        (first.slot.clone(), first.sequence, first.retained()),
        (Slot::Command(GroupId(0)), Some(42), false)
    );
    assert_eq!(first.not_after, Some(ARRIVED.plus(10_000)));
    assert_eq!((first.tells, pose.tells), (false, true));
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
        first,
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
    let mut older = encoder(&site("")).command(&command());
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

//! The little that answers for an ideal plant says what the plant says.

#![expect(clippy::unwrap_used, reason = "tests")]

#[expect(dead_code, reason = "of the site only its model is asked for")]
mod site;

use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::output::{Command, Order, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::time::{Now, Wall};
use leeside_plant::{Ideal, Plant, Told};
use proptest::prelude::*;
use std::sync::Arc;

/// A blind and a shutter that report and are measured, and two that are silent on one
/// of these; of a fifth nobody knows.
fn model() -> leeside_core::model::Model {
    let mut model = site::model();
    let (blind, shutter) = (model.devices[0].clone(), model.devices[1].clone());
    model.devices.extend([blind, shutter]);
    model.devices[2].drive.evidence = None;
    model.devices[3].drive.reports = false;
    model
}

fn orders() -> impl Strategy<Value = Vec<Order>> {
    let tilt = prop_oneof![Just(None), (-120_i16..120).prop_map(Some)];
    let pose = (0_u8..=120, tilt).prop_map(|(extension_pct, tilt_deg)| Pose {
        extension_pct,
        tilt_deg,
    });
    let pose = prop_oneof![
        1 => Just(None),
        1 => Just(Some(Pose::RETRACTED)),
        1 => Just(Some(Pose::slats(100, 0))),
        3 => pose.prop_map(Some),
    ];
    let order = (0_u32..5, pose, 0_u32..2_000).prop_map(|(device, pose, start_delay_ms)| Order {
        device: DeviceId(device),
        pose,
        start_delay_ms,
    });
    prop::collection::vec(order, 0..8)
}

proptest! {
    #[test]
    fn answers_are_those_of_the_plant(
        steps in prop::collection::vec((0_i64..3, 0_u64..2, 0_i64..60, orders(), any::<bool>()), 1..60),
    ) {
        let model = model();
        let start = Now::both(0);
        let (mut plant, mut ideal) = (Plant::ideal(&model, start), Ideal::new(&model, start));
        let (mut at, mut sequence) = (0, 0);
        let (mut said, mut answered) = (Vec::<Told>::new(), Vec::<Told>::new());
        for (later, next, late, orders, advances) in steps {
            at += later * 400;
            sequence += next;
            let command = Command {
                sequence,
                group: GroupId(0),
                at: Now::both(at),
                // Now and then it comes too late.
                not_after: Wall(at + late - 3),
                pose: Pose::RETRACTED,
                orders,
                decided_by: Word::Timetable,
                because: Because::Rest,
                lost: Arc::default(),
                release: Release::AnyWish,
                repeat: false,
            };
            plant.handle(command.at, &command);
            ideal.handle(command.at, &command, &mut answered);
            if advances {
                // A command may be stamped a little earlier than it comes.
                plant.advance(Now::both(at + 1));
                ideal.advance(Now::both(at + 1));
            }
            said.extend(std::iter::from_fn(|| plant.poll()));
            prop_assert_eq!(plant.next(), None);
        }
        prop_assert_eq!(said, answered);
    }
}

#[test]
fn a_command_for_nobody_is_answered_by_nobody() {
    let mut ideal = Ideal::new(&model(), Now::both(0));
    let mut told = Vec::new();
    let orders = [9, 3].map(|device| Order {
        device: DeviceId(device),
        pose: Some(Pose::EXTENDED),
        start_delay_ms: 0,
    });
    let command = Command {
        sequence: 1,
        group: GroupId(0),
        at: Now::both(0),
        not_after: Wall(1),
        pose: Pose::EXTENDED,
        orders: orders.to_vec(),
        decided_by: Word::Timetable,
        because: Because::Rest,
        lost: Arc::default(),
        release: Release::AnyWish,
        repeat: false,
    };
    ideal.handle(command.at, &command, &mut told);
    assert_eq!(told, []);
}

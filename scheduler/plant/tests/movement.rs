//! What drives do with commands: times worked out by hand from the make-up in
//! `site`, and laws that hold whatever is commanded.
#![expect(clippy::unwrap_used, reason = "tests")]

mod site;

use leeside_core::ids::{DeviceId, FeederId, GroupId};
use leeside_core::input::DriveState;
use leeside_core::output::{Command, Order, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::time::{Now, Steady};
use leeside_plant::{Fault, Plant, Stand, Supply, Told};
use proptest::prelude::*;
use site::{BLIND, SHUTTER, model};

fn order(device: u32, pose: Option<Pose>, start_delay_ms: u32) -> Order {
    Order {
        device: DeviceId(device),
        pose,
        start_delay_ms,
    }
}

fn command(sequence: u64, at: i64, orders: Vec<Order>) -> Command {
    Command {
        sequence,
        group: GroupId(0),
        at: Now::both(at),
        not_after: Now::both(at + 60_000).wall,
        pose: Pose::RETRACTED,
        orders,
        decided_by: Word::Rest,
        because: Because::Rest,
        lost: std::sync::Arc::default(),
        release: Release::AnyWish,
        repeat: false,
    }
}

/// A plant that is told one thing at 0.
fn told(device: u32, pose: Pose, delay_ms: u32) -> Plant {
    let mut plant = Plant::new(&model(), Now::both(0));
    plant.handle(
        Now::both(0),
        &command(1, 0, vec![order(device, Some(pose), delay_ms)]),
    );
    plant
}

fn stand(plant: &Plant, device: u32, at: i64) -> Stand {
    plant.stand(DeviceId(device), Steady(at)).unwrap()
}

fn drain(plant: &mut Plant) -> Vec<(i64, DriveState, Pose)> {
    std::iter::from_fn(|| plant.poll())
        .map(|Told { at, report }| (at.0, report.state, report.pose.unwrap()))
        .collect()
}

#[test]
fn travel_is_even_and_tilt_comes_last() {
    let mut plant = told(BLIND, Pose::slats(100, 60), 1_000);
    let at = |ms, ppm, mdeg| {
        let want = Stand {
            extension_ppm: ppm,
            tilt_mdeg: Some(mdeg),
        };
        assert_eq!(stand(&plant, BLIND, ms), want, "at {ms} ms");
    };
    at(0, 0, 0);
    at(1_000, 0, 0);
    at(26_000, 500_000, 0); // 25 s of 50 s
    at(51_000, 1_000_000, 0);
    at(51_500, 1_000_000, 30_000); // 0.5 s of 1.5 s for 90 degrees
    at(52_000, 1_000_000, 60_000);
    assert_eq!(plant.next(), Some(Steady(1_000)));
    plant.advance(Now::both(60_000));
    assert_eq!(
        drain(&mut plant),
        [
            (1_000, DriveState::Moving, Pose::slats(0, 0)),
            (52_000, DriveState::Standing, Pose::slats(100, 60))
        ]
    );
    let usage = plant.usage(DeviceId(BLIND), Steady(60_000)).unwrap();
    assert_eq!(
        (
            usage.run_ms,
            usage.starts,
            usage.travel_ppm,
            usage.turned_mdeg
        ),
        (51_000, 1, 1_000_000, 60_000)
    );
    // 51 s at the middle of 60 and 180 W.
    let energy = plant.energy_wh(DeviceId(BLIND), Steady(60_000)).unwrap();
    assert!((energy - 120.0 * 51.0 / 3600.0).abs() < 1e-9, "{energy}");
}

#[test]
fn a_tilt_the_other_way_waits_for_the_reversal_pause() {
    let mut plant = told(BLIND, Pose::slats(100, 60), 0);
    plant.advance(Now::both(60_000));
    // In from 100 to 50 % takes 30 s; the slats turn the same way (up) without a pause.
    plant.handle(
        Now::both(60_000),
        &command(2, 60_000, vec![order(BLIND, Some(Pose::slats(50, 0)), 0)]),
    );
    assert_eq!(
        stand(&plant, BLIND, 90_000),
        Stand {
            extension_ppm: 500_000,
            tilt_mdeg: Some(60_000)
        }
    );
    assert_eq!(
        stand(&plant, BLIND, 91_000),
        Stand {
            extension_ppm: 500_000,
            tilt_mdeg: Some(0)
        }
    );
    plant.advance(Now::both(100_000));
    // In again, and the slats down at the end: 0.5 s of pause between.
    plant.handle(
        Now::both(100_000),
        &command(3, 100_000, vec![order(BLIND, Some(Pose::slats(25, 60)), 0)]),
    );
    assert_eq!(
        stand(&plant, BLIND, 115_500),
        Stand {
            extension_ppm: 250_000,
            tilt_mdeg: Some(0)
        }
    );
    assert_eq!(
        stand(&plant, BLIND, 116_500),
        Stand {
            extension_ppm: 250_000,
            tilt_mdeg: Some(60_000)
        }
    );
}

#[test]
fn reversal_stops_at_once_and_waits_the_pause_whatever_it_was_told() {
    let mut plant = told(SHUTTER, Pose::EXTENDED, 0);
    plant.handle(
        Now::both(10_000),
        &command(2, 10_000, vec![order(SHUTTER, Some(Pose::RETRACTED), 0)]),
    );
    assert_eq!(stand(&plant, SHUTTER, 10_000).extension_ppm, 500_000);
    assert_eq!(stand(&plant, SHUTTER, 10_500).extension_ppm, 500_000);
    assert_eq!(stand(&plant, SHUTTER, 16_000).extension_ppm, 250_000); // 5.5 s of 22 s
    plant.advance(Now::both(30_000));
    let usage = plant.usage(DeviceId(SHUTTER), Steady(30_000)).unwrap();
    assert_eq!(
        (usage.starts, usage.reversals, usage.hasty, usage.run_ms),
        (2, 1, 1, 21_000)
    );
    // Told to wait long enough by itself, nothing is hasty.
    let mut patient = told(SHUTTER, Pose::EXTENDED, 0);
    patient.handle(
        Now::both(10_000),
        &command(2, 10_000, vec![order(SHUTTER, Some(Pose::RETRACTED), 500)]),
    );
    assert_eq!(
        patient
            .usage(DeviceId(SHUTTER), Steady(10_500))
            .unwrap()
            .hasty,
        0
    );
}

#[test]
fn going_on_the_same_way_needs_no_stop() {
    let mut plant = told(SHUTTER, Pose::extension(50), 0);
    plant.handle(
        Now::both(5_000),
        &command(2, 5_000, vec![order(SHUTTER, Some(Pose::EXTENDED), 9_000)]),
    );
    plant.advance(Now::both(40_000));
    assert_eq!(
        drain(&mut plant),
        [
            (0, DriveState::Moving, Pose::RETRACTED),
            (5_000, DriveState::Moving, Pose::extension(25)),
            (20_000, DriveState::Standing, Pose::EXTENDED),
        ]
    );
    assert_eq!(
        plant
            .usage(DeviceId(SHUTTER), Steady(40_000))
            .unwrap()
            .starts,
        1
    );
}

#[test]
fn halt_is_at_once() {
    let mut plant = told(SHUTTER, Pose::EXTENDED, 0);
    plant.handle(
        Now::both(7_000),
        &command(2, 7_000, vec![order(SHUTTER, None, 5_000)]),
    );
    assert_eq!(stand(&plant, SHUTTER, 60_000).extension_ppm, 350_000);
    assert_eq!(
        drain(&mut plant).last().unwrap(),
        &(7_000, DriveState::Standing, Pose::extension(35))
    );
    // One that has not started yet never does.
    let mut waiting = told(SHUTTER, Pose::EXTENDED, 8_000);
    waiting.handle(
        Now::both(7_000),
        &command(2, 7_000, vec![order(SHUTTER, None, 0)]),
    );
    waiting.advance(Now::both(60_000));
    assert_eq!(stand(&waiting, SHUTTER, 60_000).extension_ppm, 0);
    assert_eq!(
        waiting
            .usage(DeviceId(SHUTTER), Steady(60_000))
            .unwrap()
            .starts,
        0
    );
}

#[test]
fn late_commands_are_refused_and_copies_change_nothing() {
    let mut plant = Plant::new(&model(), Now::both(0));
    let late = command(1, 0, vec![order(SHUTTER, Some(Pose::EXTENDED), 0)]);
    plant.handle(Now::both(60_001), &late);
    assert_eq!(
        drain(&mut plant),
        [(60_001, DriveState::Refused, Pose::RETRACTED)]
    );
    let good = command(2, 60_001, vec![order(SHUTTER, Some(Pose::EXTENDED), 0)]);
    plant.handle(Now::both(60_001), &good);
    drain(&mut plant);
    plant.handle(Now::both(70_001), &good);
    assert_eq!(drain(&mut plant), []);
    assert_eq!(plant.next(), Some(Steady(80_001)));
}

#[test]
fn ideal_plants_are_there_at_once() {
    let mut plant = Plant::ideal(&model(), Now::both(0));
    plant.handle(
        Now::both(5),
        &command(1, 5, vec![order(BLIND, Some(Pose::slats(100, 45)), 4_000)]),
    );
    assert_eq!(
        drain(&mut plant),
        [(5, DriveState::Standing, Pose::slats(100, 45))]
    );
    assert_eq!(
        plant.pose(DeviceId(BLIND), Steady(5)),
        Some(Pose::slats(100, 45))
    );
}

#[test]
fn dead_drives_stop_and_say_nothing() {
    let mut plant = told(SHUTTER, Pose::EXTENDED, 0);
    plant.set_fault(Now::both(10_000), DeviceId(SHUTTER), Some(Fault::Dead));
    drain(&mut plant);
    plant.handle(
        Now::both(11_000),
        &command(2, 11_000, vec![order(SHUTTER, Some(Pose::RETRACTED), 0)]),
    );
    plant.advance(Now::both(60_000));
    assert_eq!(drain(&mut plant), []);
    assert_eq!(stand(&plant, SHUTTER, 60_000).extension_ppm, 500_000);
}

#[test]
fn jammed_drives_say_so() {
    let mut plant = Plant::new(&model(), Now::both(0));
    plant.set_fault(Now::both(0), DeviceId(SHUTTER), Some(Fault::Jammed));
    plant.handle(
        Now::both(1),
        &command(1, 1, vec![order(SHUTTER, Some(Pose::EXTENDED), 0)]),
    );
    assert_eq!(
        drain(&mut plant),
        [
            (0, DriveState::Fault, Pose::RETRACTED),
            (1, DriveState::Fault, Pose::RETRACTED)
        ]
    );
}

#[test]
fn slow_drives_and_slow_feeders_multiply() {
    let mut plant = told(SHUTTER, Pose::EXTENDED, 0);
    // 10 s at full speed, the other half (10 s) at 150 % and then 200 % of that.
    plant.set_fault(
        Now::both(10_000),
        DeviceId(SHUTTER),
        Some(Fault::Slow { percent: 150 }),
    );
    assert_eq!(plant.next(), Some(Steady(25_000)));
    plant.set_supply(
        Now::both(10_000),
        FeederId(0),
        Supply::Slow { percent: 200 },
    );
    assert_eq!(plant.next(), Some(Steady(40_000)));
}

#[test]
fn a_tripped_feeder_forgets_what_it_was_told() {
    let mut plant = told(SHUTTER, Pose::EXTENDED, 0);
    plant.set_supply(Now::both(5_000), FeederId(0), Supply::Tripped);
    plant.handle(
        Now::both(6_000),
        &command(2, 6_000, vec![order(BLIND, Some(Pose::EXTENDED), 0)]),
    );
    plant.advance(Now::both(60_000));
    assert_eq!(
        drain(&mut plant),
        [(0, DriveState::Moving, Pose::RETRACTED)]
    );
    plant.set_supply(Now::both(60_000), FeederId(0), Supply::Normal);
    plant.advance(Now::both(120_000));
    assert_eq!(
        drain(&mut plant),
        [
            (60_000, DriveState::Standing, Pose::slats(0, 0)),
            (60_000, DriveState::Standing, Pose::extension(25))
        ]
    );
}

#[test]
fn drift_adds_up_until_an_end_stop() {
    let mut plant = Plant::new(&model(), Now::both(0));
    plant.set_fault(
        Now::both(0),
        DeviceId(SHUTTER),
        Some(Fault::Drifting {
            ppm_per_move: -20_000,
        }),
    );
    let mut go = |sequence: u64, percent| {
        let at = i64::try_from(sequence).unwrap() * 100_000;
        plant.handle(
            Now::both(at),
            &command(
                sequence,
                at,
                vec![order(SHUTTER, Some(Pose::extension(percent)), 0)],
            ),
        );
        plant.advance(Now::both(at + 90_000));
        (
            stand(&plant, SHUTTER, at + 90_000).extension_ppm,
            drain(&mut plant).last().unwrap().2.extension_pct,
        )
    };
    // Where it really stands, and where it says it does.
    assert_eq!(go(1, 50), (480_000, 50));
    assert_eq!(go(2, 60), (560_000, 60));
    assert_eq!(go(3, 40), (340_000, 40));
    assert_eq!(go(4, 100), (1_000_000, 100));
    assert_eq!(go(5, 50), (480_000, 50));
}

/// Something that happens to a plant.
#[derive(Clone, Debug)]
enum Event {
    Order(u32, Option<Pose>, u32),
    Fault(u32, Option<Fault>),
    Supply(Supply),
}

fn events() -> impl Strategy<Value = Vec<(i64, Event)>> {
    let device = 0..2_u32;
    let pose =
        (0..=100_u8, -90..=90_i16).prop_map(|(extension, tilt)| Pose::slats(extension, tilt));
    let fault = prop_oneof![
        Just(None),
        Just(Some(Fault::Dead)),
        Just(Some(Fault::Jammed)),
        (50..300_u32).prop_map(|percent| Some(Fault::Slow { percent })),
        (-30_000..30_000_i32).prop_map(|ppm_per_move| Some(Fault::Drifting { ppm_per_move })),
    ];
    let supply = prop_oneof![
        Just(Supply::Normal),
        Just(Supply::Tripped),
        (100..200_u32).prop_map(|percent| Supply::Slow { percent })
    ];
    let event = prop_oneof![
        6 => (device.clone(), prop::option::weighted(0.9, pose), 0..3_000_u32).prop_map(|(d, p, t)| Event::Order(d, p, t)),
        1 => (device, fault).prop_map(|(d, f)| Event::Fault(d, f)),
        1 => supply.prop_map(Event::Supply),
    ];
    prop::collection::vec((0..80_000_i64, event), 1..12)
}

fn apply(plant: &mut Plant, at: i64, sequence: u64, event: &Event) {
    let now = Now::both(at);
    match event {
        Event::Order(device, pose, delay) => {
            plant.handle(
                now,
                &command(sequence, at, vec![order(*device, *pose, *delay)]),
            );
        }
        Event::Fault(device, fault) => plant.set_fault(now, DeviceId(*device), *fault),
        Event::Supply(supply) => plant.set_supply(now, FeederId(0), *supply),
    }
}

proptest! {
    #[test]
    fn how_often_it_is_advanced_changes_nothing(events in events(), step in 1..30_000_i64) {
        let (mut once, mut often) = (Plant::new(&model(), Now::both(0)), Plant::new(&model(), Now::both(0)));
        let (mut at, mut ticked) = (0, 0);
        let (mut told_once, mut told_often) = (vec![], vec![]);
        for (sequence, (wait, event)) in (1..).zip(&events) {
            at += wait;
            while ticked + step < at {
                ticked += step;
                often.advance(Now::both(ticked));
                told_often.extend(std::iter::from_fn(|| often.poll()));
            }
            apply(&mut once, at, sequence, event);
            apply(&mut often, at, sequence, event);
        }
        for end in [at, at + 1_000, at + 500_000] {
            once.advance(Now::both(end));
            often.advance(Now::both(end));
            for device in [BLIND, SHUTTER] {
                prop_assert_eq!(stand(&once, device, end), stand(&often, device, end));
                prop_assert_eq!(
                    once.usage(DeviceId(device), Steady(end)),
                    often.usage(DeviceId(device), Steady(end))
                );
            }
        }
        told_once.extend(std::iter::from_fn(|| once.poll()));
        told_often.extend(std::iter::from_fn(|| often.poll()));
        prop_assert_eq!(told_once, told_often);
    }

    #[test]
    fn nothing_moves_without_an_order(ticks in prop::collection::vec(1..1_000_000_i64, 1..20)) {
        let mut plant = Plant::new(&model(), Now::both(0));
        let mut at = 0;
        for tick in ticks {
            at += tick;
            plant.advance(Now::both(at));
            prop_assert_eq!(stand(&plant, BLIND, at), Stand { extension_ppm: 0, tilt_mdeg: Some(0) });
            prop_assert_eq!(plant.poll(), None);
        }
    }

    #[test]
    fn a_run_never_turns_back_and_ends_where_told(
        from in 0..=100_u8, to in 0..=100_u8, tilt in 0..=90_i16, looks in prop::collection::vec(0..200_000_i64, 2..20),
    ) {
        let mut plant = Plant::new(&model(), Now::both(0));
        plant.put(DeviceId(BLIND), Pose::slats(from, 30));
        plant.handle(Now::both(0), &command(1, 0, vec![order(BLIND, Some(Pose::slats(to, tilt)), 0)]));
        let mut looks = looks;
        looks.sort_unstable();
        let seen: Vec<Stand> = looks.iter().map(|at| stand(&plant, BLIND, *at)).collect();
        for pair in seen.windows(2) {
            let (extension, turned) = (pair[1].extension_ppm - pair[0].extension_ppm, pair[1].tilt_mdeg.unwrap() - pair[0].tilt_mdeg.unwrap());
            prop_assert!(extension * (i64::from(to) - i64::from(from)) >= 0);
            prop_assert!(turned * (i64::from(tilt) - 30) >= 0);
        }
        plant.advance(Now::both(200_000));
        prop_assert_eq!(plant.pose(DeviceId(BLIND), Steady(200_000)), Some(Pose::slats(to, tilt)));
    }

    #[test]
    fn poses_survive_the_finer_scale(extension in 0..=100_u8, tilt in -90..=90_i16) {
        prop_assert_eq!(Stand::of(Pose::slats(extension, tilt)).pose(), Pose::slats(extension, tilt));
    }
}

//! A made-up campus: the example site's rules, many times over.

use leeside_core::ids::{DeviceId, FacadeId, FeederId, GroupId, SensorId};
use leeside_core::model::{Device, Facade, Feeder, Model};
use leeside_solar::Plane;
use std::sync::Arc;

/// Groups of the example that stand for the campus' groups, by turns: of twenty,
/// eleven slat blinds, six screens, two awnings and a shutter without sun.
const PATTERNS: [&str; 20] = [
    "harbour offices 1",
    "slip offices 1",
    "yard offices",
    "harbour top floor",
    "harbour offices 2",
    "lane offices 1",
    "slip offices 2",
    "harbour terrace",
    "harbour offices 1",
    "meeting room",
    "slip offices 1",
    "yard offices",
    "slip top floor",
    "harbour offices 2",
    "lane offices 1",
    "slip offices 2",
    "slip terrace",
    "harbour offices 1",
    "meeting room",
    "workshop lights",
];

/// How many drives share a feeder; a feeder serves one facade.
const ON_A_FEEDER: usize = 20;

/// So many facades all around the compass, each with so many groups of so many
/// drives; sun measured once for all, on the roof.
pub(crate) fn campus(example: &Model, facades: u32, groups: usize, drives: usize) -> Arc<Model> {
    let mut model = example.clone();
    let roof = model.sensor_named("roof sun").unwrap();
    model.facades = (0..facades)
        .map(|index| facade(index, facades, roof))
        .collect();
    model.groups.clear();
    model.devices.clear();
    model.feeders.clear();
    model.specials.clear();
    model.arrangements.clear();
    for contact in &mut model.contacts {
        contact.switch = None;
    }
    for facade in 0..model.facades.len() {
        let mut on_feeder = ON_A_FEEDER;
        for (place, pattern) in PATTERNS.iter().cycle().take(groups).enumerate() {
            let pattern = example.group_named(pattern).unwrap();
            let mut group = example.group(pattern).clone();
            let device = example.device(group.devices[0]).clone();
            group.name = format!("F{facade:02} G{place:02}");
            group.facade = FacadeId::of(facade);
            group.devices.clear();
            for number in 0..drives {
                if on_feeder == ON_A_FEEDER {
                    on_feeder = 0;
                    let pattern = &example.feeders[0];
                    let name = format!("feeder {}", model.feeders.len());
                    model.feeders.push(Feeder {
                        name,
                        ..pattern.clone()
                    });
                }
                on_feeder += 1;
                let mut device = Device {
                    name: format!("{}.{number}", group.name),
                    ..device.clone()
                };
                device.drive.feeder = FeederId::of(model.feeders.len() - 1);
                group.devices.push(DeviceId::of(model.devices.len()));
                model.devices.push(device);
            }
            model.groups.push(group);
        }
    }
    assert_eq!(
        model.groups.len(),
        GroupId::of(model.facades.len() * groups).index()
    );
    Arc::new(model)
}

fn facade(index: u32, of: u32, light: SensorId) -> Facade {
    let azimuth = 360.0 * f64::from(index) / f64::from(of);
    Facade {
        name: format!("F{index:02}"),
        plane: Plane::new(azimuth, 90.0).unwrap(),
        obstructions: Default::default(),
        light: vec![light],
    }
}

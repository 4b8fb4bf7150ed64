//! Who depends on whom, worked out once: from a sensor to the groups it guards,
//! from a contact to the groups and doors it concerns.

use crate::ids::{ContactId, FacadeId, FeederId, GroupId, ProductId, SensorId, TimetableId};
use crate::model::{Anchor, Device, Facade, Group, Model, Moisture, SensorKind, SunAim};
use crate::thresholds::{Asks, Thresholds};

/// Adjacency lists in the order of the model.
#[derive(Clone, Debug)]
pub(crate) struct Topology {
    /// Groups whose guards listen to a sensor.
    pub(crate) guarded_by: Vec<Vec<GroupId>>,
    /// Groups whose heat wish listens to a sensor.
    pub(crate) warmed_by: Vec<Vec<GroupId>>,
    /// Facades whose light a sensor tells.
    pub(crate) lit_by: Vec<Vec<FacadeId>>,
    /// Timetables with a twilight phase on a sensor.
    pub(crate) twilight_by: Vec<Vec<TimetableId>>,
    /// Sensors whose zero is checked against a sensor.
    pub(crate) neighbours: Vec<Vec<SensorId>>,
    /// Groups that a contact concerns (fire, door, occupancy).
    pub(crate) contact_groups: Vec<Vec<GroupId>>,
    /// Contacts that tell of fire.
    pub(crate) fires: Vec<ContactId>,
    /// Groups on a facade.
    pub(crate) facade_groups: Vec<Vec<GroupId>>,
    /// Groups with a timetable.
    pub(crate) timetable_groups: Vec<Vec<GroupId>>,
    /// The sensors that a group's guards need.
    pub(crate) needs: Vec<Vec<SensorId>>,
    /// Per facade, at which light its groups' wishes may change.
    pub(crate) thresholds: Vec<Thresholds>,
    /// Per group, what its sun wish asks of the light on its facade.
    pub(crate) asks: Vec<Asks>,
    /// What each order needs to know of a device.
    pub(crate) hangs: Vec<Hangs>,
    /// The group of a device.
    pub(crate) device_group: Vec<Option<GroupId>>,
    /// Groups with the same rules of wind, hail, rain and fire have the same number.
    pub(crate) rules_of: Vec<usize>,
    /// How many such numbers there are.
    pub(crate) rules: usize,
    /// Groups with the same rule of ice have the same number.
    pub(crate) ice_of: Vec<usize>,
    /// Groups that want the same of the sun ahead have the same number: they have the
    /// same aim, slats and, where it counts, obstructions.
    pub(crate) alike: Vec<usize>,
}

/// What of a device every order needs: a few bytes, where the device has its names.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Hangs {
    pub(crate) product: ProductId,
    pub(crate) feeder: FeederId,
    pub(crate) reports: bool,
}

impl Hangs {
    const fn of(device: &Device) -> Self {
        Self {
            product: device.product,
            feeder: device.drive.feeder,
            reports: device.drive.reports,
        }
    }
}

/// With how many of the last different rules a group's are compared, so that a
/// large site in which every group has its own is not compared for ever.
const RULES_COMPARED: usize = 32;

impl Topology {
    pub(crate) fn of(model: &Model) -> Self {
        let mut topology = Self {
            guarded_by: vec![Vec::new(); model.sensors.len()],
            warmed_by: vec![Vec::new(); model.sensors.len()],
            lit_by: vec![Vec::new(); model.sensors.len()],
            twilight_by: vec![Vec::new(); model.sensors.len()],
            neighbours: vec![Vec::new(); model.sensors.len()],
            contact_groups: vec![Vec::new(); model.contacts.len()],
            fires: Vec::new(),
            facade_groups: vec![Vec::new(); model.facades.len()],
            timetable_groups: vec![Vec::new(); model.timetables.len()],
            needs: vec![Vec::new(); model.groups.len()],
            thresholds: Vec::new(),
            asks: vec![Asks::default(); model.groups.len()],
            hangs: model.devices.iter().map(Hangs::of).collect(),
            device_group: vec![None; model.devices.len()],
            rules_of: Vec::new(),
            rules: 0,
            ice_of: Vec::new(),
            alike: Vec::new(),
        };
        topology.groups(model);
        topology.same_rules(model);
        let (light, _) = numbered(&model.facades, |a: &Facade, b| a.light == b.light);
        topology.thresholds = (model.facades.iter().zip(light))
            .zip(&topology.facade_groups)
            .map(|(facade, groups)| Thresholds::of(model, facade, groups, &mut topology.asks))
            .collect();
        for (index, facade) in model.facades.iter().enumerate() {
            for sensor in &facade.light {
                add(&mut topology.lit_by[sensor.index()], FacadeId::of(index));
            }
        }
        for (index, timetable) in model.timetables.iter().enumerate() {
            for phase in timetable.plans.iter().flat_map(|p| &p.phases) {
                if let Anchor::Twilight(rule) = phase.start {
                    add(
                        &mut topology.twilight_by[rule.sensor.index()],
                        TimetableId::of(index),
                    );
                }
            }
        }
        for (index, sensor) in model.sensors.iter().enumerate() {
            if let (SensorKind::Wind, Some(zero)) = (sensor.kind, sensor.validity.zero) {
                add(
                    &mut topology.neighbours[zero.neighbour.index()],
                    SensorId::of(index),
                );
            }
        }
        topology
    }

    fn same_rules(&mut self, model: &Model) {
        (self.rules_of, self.rules) = numbered(&model.groups, |a: &Group, b: &Group| {
            a.wind == b.wind && a.hail == b.hail && a.rain == b.rain && a.fire == b.fire
        });
        (self.ice_of, _) = numbered(&model.groups, |a: &Group, b: &Group| a.ice == b.ice);
        let aim = |group: &Group| group.sun.as_ref().map(|rule| rule.aim);
        // What shades an opening counts only for how deep the sun reaches.
        let deep = |group: &Group| matches!(aim(group), Some(SunAim::Depth { .. }));
        (self.alike, _) = numbered(&model.groups, |a: &Group, b: &Group| {
            aim(a) == aim(b) && a.slats == b.slats && (!deep(a) || a.obstructions == b.obstructions)
        });
    }

    fn groups(&mut self, model: &Model) {
        for (index, group) in model.groups.iter().enumerate() {
            let id = GroupId::of(index);
            let needs = &mut self.needs[index];
            let fires = group.fire.iter().flat_map(|rule| &rule.contacts);
            fires.for_each(|contact| add(&mut self.fires, *contact));
            let links = group.wind.iter().flat_map(|r| &r.links);
            links
                .clone()
                .filter(|l| !l.advisory)
                .for_each(|l| add(needs, l.sensor));
            group
                .hail
                .iter()
                .flat_map(|r| &r.sensors)
                .for_each(|s| add(needs, *s));
            group
                .rain
                .iter()
                .flat_map(|r| &r.sensors)
                .for_each(|s| add(needs, *s));
            if let Some(rule) = &group.ice {
                rule.sensors.iter().for_each(|s| add(needs, *s));
                for moisture in &rule.moisture {
                    match moisture {
                        Moisture::Rain { sensor, .. } | Moisture::Humidity { sensor, .. } => {
                            add(needs, *sensor);
                        }
                        Moisture::Always => {}
                    }
                }
            }
            for sensor in &self.needs[index] {
                add_next(&mut self.guarded_by[sensor.index()], id);
            }
            links.for_each(|l| add_next(&mut self.guarded_by[l.sensor.index()], id));
            add_next(&mut self.facade_groups[group.facade.index()], id);
            add_next(&mut self.timetable_groups[group.timetable.index()], id);
            for contact in group.fire.iter().flat_map(|r| &r.contacts) {
                add_next(&mut self.contact_groups[contact.index()], id);
            }
            for device in &group.devices {
                self.device_group[device.index()] = Some(id);
                for door in &model.device(*device).doors {
                    add_next(&mut self.contact_groups[door.index()], id);
                }
            }
            let heat = group.sun.iter().filter_map(|r| r.heat.as_ref());
            heat.filter_map(|h| h.outdoor)
                .for_each(|s| add_next(&mut self.warmed_by[s.index()], id));
            for room in &group.rooms {
                let room = &model.rooms[room.index()];
                if let Some(contact) = room.occupancy {
                    add_next(&mut self.contact_groups[contact.index()], id);
                }
                if let Some(sensor) = room.temperature {
                    add_next(&mut self.warmed_by[sensor.index()], id);
                }
            }
        }
    }
}

/// Each group's number, and how many there are: those that are the same have the
/// same number, as far as they are compared.
fn numbered<T>(all: &[T], same: impl Fn(&T, &T) -> bool) -> (Vec<usize>, usize) {
    let mut firsts: Vec<&T> = Vec::new();
    let mut numbers = Vec::with_capacity(all.len());
    for one in all {
        let lately = firsts.len().saturating_sub(RULES_COMPARED);
        let known = firsts[lately..].iter().position(|first| same(first, one));
        numbers.push(known.map_or(firsts.len(), |at| lately + at));
        if known.is_none() {
            firsts.push(one);
        }
    }
    (numbers, firsts.len())
}

/// Groups come in their order: what is there already is the last.
fn add_next(list: &mut Vec<GroupId>, group: GroupId) {
    if list.last() != Some(&group) {
        list.push(group);
    }
}

fn add<T: PartialEq>(list: &mut Vec<T>, item: T) {
    if !list.contains(&item) {
        list.push(item);
    }
}

//! From typed tables to the core's model.
//!
//! Each function here builds one thing and gives up without a word on what the
//! reader has complained about; what it says itself concerns keys that do not
//! go together. What could not be built keeps its number, so that references
//! stay right and the rest is still checked.

mod anchor;
mod days;
mod foreign;
mod group;
mod phases;
mod place;
mod plant;
mod pose;
mod rules;
mod sensing;
mod wind;
mod wire;

pub(crate) use phases::place_of;
pub(crate) use plant::DeviceDraft;

use super::Files;
use super::form::Kind;
use super::node::Span;
use super::read::{Reader, Tree};
use crate::wire::Wire;
use leeside_core::model::{
    Arrangement, Contact, DayTable, Facade, Feeder, Gateway, Group, Model, Policy, Product, Room,
    Sensor, Site, SpecialDay, Timetable,
};
use leeside_solar::RangeError;
use std::ops::RangeInclusive;

/// Everything as far as it could be built.
#[derive(Debug)]
pub(crate) struct Draft {
    pub(crate) site: Option<Site>,
    pub(crate) policy: Option<Policy>,
    pub(crate) facades: Vec<Option<Facade>>,
    pub(crate) rooms: Vec<Option<Room>>,
    pub(crate) products: Vec<Option<Product>>,
    pub(crate) devices: Vec<Option<DeviceDraft>>,
    pub(crate) feeders: Vec<Option<Feeder>>,
    pub(crate) gateways: Vec<Option<Gateway>>,
    pub(crate) groups: Vec<Option<Group>>,
    pub(crate) sensors: Vec<Option<Sensor>>,
    pub(crate) contacts: Vec<Option<Contact>>,
    pub(crate) timetables: Vec<Option<Timetable>>,
    pub(crate) days: Option<DayTable>,
    pub(crate) specials: Vec<SpecialDay>,
    pub(crate) arrangements: Vec<Option<Arrangement>>,
    pub(crate) wire: Option<Wire>,
}

/// Builds everything that can be built.
pub(crate) fn draft(
    reader: &mut Reader<'_>,
    tree: &Tree,
    files: &mut dyn Files,
    years: &RangeInclusive<i32>,
) -> Draft {
    let site = place::site(reader, tree);
    let policy = place::policy(tree);
    let facades = place::facades(reader, tree);
    let rooms = place::rooms(reader, tree);
    let openings = place::openings(reader, tree, &facades);
    let products = plant::products(reader, tree);
    let feeders = plant::feeders(tree);
    let gateways = plant::gateways(tree);
    let devices = plant::devices(reader, tree, &openings);
    let sensors = sensing::sensors(reader, tree);
    let contacts = sensing::contacts(reader, tree);
    let rules = rules::rules(reader, tree, &sensors);
    let parts = group::Parts {
        facades: &facades,
        openings: &openings,
        products: &products,
        devices: &devices,
        rules: &rules,
    };
    let groups = group::groups(reader, tree, &parts);
    let timetables = phases::timetables(reader, tree, &groups, &sensors);
    let arrangements = days::arrangements(reader, tree, &groups);
    let (table, specials) = days::days(reader, tree, files, site.as_ref(), &groups, years);
    let wire = wire::wire(reader, tree);
    Draft {
        site,
        policy,
        facades,
        rooms,
        products,
        devices,
        feeders,
        gateways,
        groups,
        sensors,
        contacts,
        timetables,
        days: table,
        specials,
        arrangements,
        wire,
    }
}

impl Draft {
    /// The model, where nothing is missing.
    pub(crate) fn model(&self, reader: &Reader<'_>) -> Option<Model> {
        Some(Model {
            site: self.site.clone()?,
            policy: self.policy.clone()?,
            facades: whole(&self.facades)?,
            rooms: whole(&self.rooms)?,
            products: whole(&self.products)?,
            devices: self
                .devices
                .iter()
                .map(|d| d.as_ref().map(|d| d.device.clone()))
                .collect::<Option<_>>()?,
            feeders: whole(&self.feeders)?,
            gateways: whole(&self.gateways)?,
            groups: whole(&self.groups)?,
            sensors: whole(&self.sensors)?,
            contacts: whole(&self.contacts)?,
            day_classes: reader
                .names
                .all(Kind::DayClass)
                .map(str::to_owned)
                .collect(),
            days: self.days.clone()?,
            specials: self.specials.clone(),
            timetables: whole(&self.timetables)?,
            arrangements: whole(&self.arrangements)?,
        })
    }
}

fn whole<T: Clone>(list: &[Option<T>]) -> Option<Vec<T>> {
    list.iter().cloned().collect()
}

impl Reader<'_> {
    /// What a constructor of the solar crate accepts, or a complaint at `span`.
    pub(crate) fn ranged<T>(&mut self, span: &Span, made: Result<T, RangeError>) -> Option<T> {
        made.map_err(|error| self.error(span, error.to_string(), ""))
            .ok()
    }
}

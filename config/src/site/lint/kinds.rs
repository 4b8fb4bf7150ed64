//! Whether a name that stands where a sensor or contact belongs is one of the right kind.

use crate::site::build::Draft;
use crate::site::node::{Node, Span};
use crate::site::read::{Reader, Tree};
use leeside_core::model::{ContactKind, SensorKind};

const LIGHT: &[SensorKind] = &[
    SensorKind::PlaneIrradiance,
    SensorKind::PlaneIlluminance,
    SensorKind::GlobalHorizontal,
    SensorKind::HorizontalIlluminance,
];
const WIND: &[SensorKind] = &[SensorKind::Wind];
const RAIN: &[SensorKind] = &[SensorKind::Rain];
const HAIL: &[SensorKind] = &[SensorKind::Hail];
const HUMIDITY: &[SensorKind] = &[SensorKind::Humidity];
const COLD: &[SensorKind] = &[SensorKind::Temperature, SensorKind::SurfaceTemperature];
const OUTDOOR: &[SensorKind] = &[SensorKind::Temperature];
const ROOM: &[SensorKind] = &[SensorKind::RoomTemperature];

pub(crate) const fn sensor_word(kind: SensorKind) -> &'static str {
    match kind {
        SensorKind::Wind => "wind",
        SensorKind::Rain => "rain",
        SensorKind::Hail => "hail",
        SensorKind::Temperature => "temperature",
        SensorKind::Humidity => "humidity",
        SensorKind::SurfaceTemperature => "surface_temperature",
        SensorKind::RoomTemperature => "room_temperature",
        SensorKind::PlaneIrradiance => "plane_irradiance",
        SensorKind::PlaneIlluminance => "plane_illuminance",
        SensorKind::GlobalHorizontal => "global_horizontal",
        SensorKind::HorizontalIlluminance => "horizontal_illuminance",
    }
}

const fn contact_word(kind: ContactKind) -> &'static str {
    match kind {
        ContactKind::Door => "door",
        ContactKind::Window => "window",
        ContactKind::Fire => "fire",
        ContactKind::Occupancy => "occupancy",
        ContactKind::Switch => "switch",
    }
}

fn joined(words: impl Iterator<Item = &'static str>) -> String {
    words
        .map(|word| format!("\"{word}\""))
        .collect::<Vec<_>>()
        .join(" or ")
}

struct Check<'a, 'r> {
    reader: &'a mut Reader<'r>,
    draft: &'a Draft,
}

impl Check<'_, '_> {
    fn sensor(&mut self, key: &str, index: usize, span: &Span, allowed: &[SensorKind]) {
        let Some(sensor) = self.draft.sensors.get(index).and_then(Option::as_ref) else {
            return;
        };
        if !allowed.contains(&sensor.kind) {
            self.reader.error(
                span,
                format!(
                    "`{key}` names `{}`, which is a sensor of kind \"{}\"",
                    sensor.name,
                    sensor_word(sensor.kind)
                ),
                format!(
                    "expected {}",
                    joined(allowed.iter().map(|kind| sensor_word(*kind)))
                ),
            );
        }
    }

    fn sensors(&mut self, node: &Node, key: &str, allowed: &[SensorKind]) {
        for (index, span) in node.many(key).unwrap_or_default() {
            self.sensor(key, *index, span, allowed);
        }
    }

    fn one_sensor(&mut self, node: &Node, key: &str, allowed: &[SensorKind]) {
        if let Some(index) = node.one(key) {
            self.sensor(key, index, &node.at(key), allowed);
        }
    }

    fn contact(&mut self, key: &str, index: usize, span: &Span, allowed: &[ContactKind]) {
        let Some(contact) = self.draft.contacts.get(index).and_then(Option::as_ref) else {
            return;
        };
        if !allowed.contains(&contact.kind) {
            self.reader.error(
                span,
                format!(
                    "`{key}` names `{}`, which is a contact of kind \"{}\"",
                    contact.name,
                    contact_word(contact.kind)
                ),
                format!(
                    "expected {}",
                    joined(allowed.iter().map(|kind| contact_word(*kind)))
                ),
            );
        }
    }

    fn contacts(&mut self, node: &Node, key: &str, allowed: &[ContactKind]) {
        for (index, span) in node.many(key).unwrap_or_default() {
            self.contact(key, *index, span, allowed);
        }
    }
}

pub(crate) fn lint(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    let mut check = Check { reader, draft };
    for node in tree.all("facade") {
        check.sensors(node, "light", LIGHT);
    }
    for node in tree.all("room") {
        check.one_sensor(node, "temperature", ROOM);
        if let Some(index) = node.one("occupancy") {
            check.contact(
                "occupancy",
                index,
                &node.at("occupancy"),
                &[ContactKind::Occupancy],
            );
        }
    }
    for node in tree.all("device") {
        check.contacts(node, "doors", &[ContactKind::Door, ContactKind::Window]);
    }
    for node in tree.all("fire") {
        check.contacts(node, "contacts", &[ContactKind::Fire]);
    }
    for (section, allowed) in [("rain", RAIN), ("hail", HAIL), ("ice", COLD)] {
        for node in tree.all(section) {
            check.sensors(node, "sensors", allowed);
        }
    }
    for link in tree
        .all("wind")
        .iter()
        .filter_map(|node| node.tables("sensors"))
        .flatten()
    {
        check.one_sensor(link, "sensor", WIND);
    }
    for part in tree
        .all("ice")
        .iter()
        .filter_map(|node| node.tables("moisture"))
        .flatten()
    {
        check.one_sensor(part, "rain", RAIN);
        check.one_sensor(part, "humidity", HUMIDITY);
    }
    for heat in tree.all("sun").iter().filter_map(|node| node.table("heat")) {
        check.one_sensor(heat, "outdoor", OUTDOOR);
    }
    for zero in tree
        .all("sensor")
        .iter()
        .filter_map(|node| node.table("zero_check"))
    {
        check.one_sensor(zero, "neighbour", WIND);
    }
    for phase in tree.phases() {
        check.one_sensor(phase, "sensor", LIGHT);
    }
}

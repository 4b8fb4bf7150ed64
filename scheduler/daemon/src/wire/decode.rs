//! What arrives: from topic and payload to inputs of the core.

use super::topics::Topics;
use super::{foreign, own, request};
use leeside_config::wire::{
    ContactForm, ContactWire, DriveWire, ReportForm, SensorPart, SensorWire, TimePart, Wire,
};
use leeside_core::ids::{ContactId, DeviceId, GatewayId, RoomId, SensorId};
use leeside_core::input::Input;
use leeside_core::model::Model;
use leeside_core::time::Wall;
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Larger payloads are not looked at, bytes.
pub const LARGEST_PAYLOAD: usize = 16 * 1024;

/// A message as the broker delivered it.
#[derive(Clone, Copy, Debug)]
pub struct Arrival<'a> {
    /// Its topic.
    pub topic: &'a str,
    /// Its payload.
    pub payload: &'a [u8],
    /// Whether the broker kept it from before we subscribed.
    pub retained: bool,
    /// When it arrived.
    pub at: Wall,
}

/// What a message turned out to be, for one thing that listens to its topic.
#[derive(Clone, PartialEq, Debug)]
pub enum Decoded {
    /// An input of the core.
    Input(Input),
    /// Kept by the broker from before: of unknown age, so never taken for fresh.
    Retained,
    /// Not readable. For a sensor this is an input too: *no reading*.
    Malformed {
        /// Why.
        why: Malformed,
        /// What the core is told of it.
        input: Option<Input>,
    },
    /// A topic that belongs to nothing in the site file.
    Unknown,
}

/// Why a payload is not readable.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Malformed(String);

impl Malformed {
    pub(super) fn new(why: impl Into<String>) -> Self {
        Self(why.into())
    }
}

impl core::fmt::Display for Malformed {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(&self.0)
    }
}

/// What listens to a topic.
#[derive(Clone, PartialEq, Debug)]
enum Source {
    Sensor(SensorId),
    ForeignSensor {
        sensor: SensorId,
        parts: Vec<SensorPart>,
        time: Option<TimePart>,
    },
    Contact(ContactId),
    ForeignContact {
        contact: ContactId,
        form: ContactForm,
    },
    Gateway(GatewayId),
    ForeignGateway {
        gateway: GatewayId,
        form: ContactForm,
    },
    Drive(DeviceId),
    ForeignDrive {
        device: DeviceId,
        form: ReportForm,
    },
    Request(Option<RoomId>),
}

/// Turns arrivals into inputs, by a table from topic to what listens to it.
#[derive(Clone, Debug)]
pub struct Decoder {
    model: Arc<Model>,
    sources: BTreeMap<String, Vec<Source>>,
    foreign: Vec<String>,
}

impl Decoder {
    /// The table of a site.
    #[must_use]
    pub fn new(model: Arc<Model>, topics: &Topics, wire: &Wire) -> Self {
        let mut table = Table::default();
        for (id, sensor) in model.sensors.iter().enumerate() {
            let own = topics.sensor(&sensor.name);
            table.sensor(SensorId::of(id), wire.sensors.get(id), own);
        }
        for (index, contact) in model.contacts.iter().enumerate() {
            let id = ContactId::of(index);
            match wire.contacts.get(index) {
                Some(ContactWire::Foreign(form)) => {
                    table.foreign(
                        form.topic.clone(),
                        Source::ForeignContact {
                            contact: id,
                            form: form.clone(),
                        },
                    );
                }
                Some(ContactWire::Own) | None => {
                    table.own(topics.contact(&contact.name), Source::Contact(id))
                }
            }
        }
        for (index, gateway) in model.gateways.iter().enumerate() {
            let id = GatewayId::of(index);
            match wire.gateways.get(index).and_then(Option::as_ref) {
                Some(form) => {
                    table.foreign(
                        form.topic.clone(),
                        Source::ForeignGateway {
                            gateway: id,
                            form: form.clone(),
                        },
                    );
                }
                None => table.own(topics.gateway(&gateway.name), Source::Gateway(id)),
            }
        }
        for (index, device) in model.devices.iter().enumerate() {
            let id = DeviceId::of(index);
            let foreign = match wire.drives.get(index) {
                Some(DriveWire::Foreign { form, address }) => wire
                    .forms
                    .get(*form)
                    .and_then(|form| form.report.as_ref())
                    .map(|report| (report, address)),
                Some(DriveWire::Own) | None => None,
            };
            match foreign {
                Some((report, address)) => {
                    let topic = foreign::report_topic(report, &device.name, address);
                    let form = report.clone();
                    table.foreign(topic, Source::ForeignDrive { device: id, form });
                }
                // A plant of its own form that says nothing of reports may report in ours.
                None => table.own(topics.drive(&model, id, "report"), Source::Drive(id)),
            }
        }
        for (index, room) in model.rooms.iter().enumerate() {
            table.own(
                topics.room_request(&room.name),
                Source::Request(Some(RoomId::of(index))),
            );
        }
        table.own(topics.request(), Source::Request(None));
        Self {
            model,
            sources: table.sources,
            foreign: table.foreign,
        }
    }

    /// Topics outside our own tree that have to be listened to as well.
    #[must_use]
    pub fn foreign_topics(&self) -> &[String] {
        &self.foreign
    }

    /// What an arrival is, once for each thing that listens to its topic.
    #[must_use]
    pub fn decode(&self, arrival: &Arrival<'_>) -> Vec<Decoded> {
        let Some(sources) = self.sources.get(arrival.topic) else {
            return vec![Decoded::Unknown];
        };
        sources
            .iter()
            .map(|source| self.decode_for(source, arrival))
            .collect()
    }

    fn decode_for(&self, source: &Source, arrival: &Arrival<'_>) -> Decoded {
        if arrival.retained {
            return Decoded::Retained;
        }
        match self.input(source, arrival) {
            Ok(input) => Decoded::Input(input),
            Err(why) => {
                let input = match source {
                    Source::Sensor(sensor) | Source::ForeignSensor { sensor, .. } => {
                        Some(Input::Garbled { sensor: *sensor })
                    }
                    Source::Contact(_)
                    | Source::ForeignContact { .. }
                    | Source::Gateway(_)
                    | Source::ForeignGateway { .. }
                    | Source::Drive(_)
                    | Source::ForeignDrive { .. }
                    | Source::Request(_) => None,
                };
                Decoded::Malformed { why, input }
            }
        }
    }

    fn input(&self, source: &Source, arrival: &Arrival<'_>) -> Result<Input, Malformed> {
        if arrival.payload.len() > LARGEST_PAYLOAD {
            return Err(Malformed(format!(
                "{} bytes are more than the {LARGEST_PAYLOAD} that are looked at",
                arrival.payload.len()
            )));
        }
        let payload = arrival.payload;
        match source {
            Source::Sensor(sensor) => {
                let kind = self.model.sensor(*sensor).kind;
                own::reading(*sensor, kind, &json(payload)?, arrival.at).map(Input::Reading)
            }
            Source::ForeignSensor {
                sensor,
                parts,
                time,
            } => {
                let kind = self.model.sensor(*sensor).kind;
                foreign::reading(*sensor, kind, parts, time.as_ref(), payload, arrival.at)
                    .map(Input::Reading)
            }
            Source::Contact(contact) => Ok(Input::Contact {
                contact: *contact,
                active: own::flag(&json(payload)?, "active")?,
            }),
            Source::ForeignContact { contact, form } => Ok(Input::Contact {
                contact: *contact,
                active: foreign::state(form, payload)?,
            }),
            Source::Gateway(gateway) => Ok(Input::Gateway {
                gateway: *gateway,
                present: own::flag(&json(payload)?, "present")?,
            }),
            Source::ForeignGateway { gateway, form } => Ok(Input::Gateway {
                gateway: *gateway,
                present: foreign::state(form, payload)?,
            }),
            Source::Drive(device) => {
                own::report(*device, self.supply_v(*device), &json(payload)?).map(Input::Report)
            }
            Source::ForeignDrive { device, form } => {
                foreign::report(*device, form, self.supply_v(*device), payload).map(Input::Report)
            }
            Source::Request(room) => {
                request::request(&self.model, *room, json(payload)?).map(Input::Request)
            }
        }
    }

    /// The voltage that makes power of a drive's current.
    fn supply_v(&self, device: DeviceId) -> Option<f64> {
        self.model.device(device).drive.evidence?.supply_v
    }
}

pub(super) fn json(payload: &[u8]) -> Result<Value, Malformed> {
    serde_json::from_slice(payload).map_err(|error| Malformed(format!("no JSON: {error}")))
}

/// The table while it is filled.
#[derive(Default)]
struct Table {
    sources: BTreeMap<String, Vec<Source>>,
    foreign: Vec<String>,
}

impl Table {
    fn own(&mut self, topic: String, source: Source) {
        self.sources.entry(topic).or_default().push(source);
    }

    fn foreign(&mut self, topic: String, source: Source) {
        if !self.foreign.contains(&topic) {
            self.foreign.push(topic.clone());
        }
        self.own(topic, source);
    }

    fn sensor(&mut self, sensor: SensorId, wire: Option<&SensorWire>, own: String) {
        let Some(SensorWire::Foreign { parts, time }) = wire else {
            self.own(own, Source::Sensor(sensor));
            return;
        };
        // Parts that come in one message make one reading; others come one by one.
        let mut by_topic: BTreeMap<&str, Vec<SensorPart>> = BTreeMap::new();
        for part in parts {
            by_topic.entry(&part.topic).or_default().push(part.clone());
        }
        for (topic, parts) in by_topic {
            self.foreign(
                topic.to_owned(),
                Source::ForeignSensor {
                    sensor,
                    parts,
                    time: time.clone(),
                },
            );
        }
    }
}

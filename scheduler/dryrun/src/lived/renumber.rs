//! What another version of a site decided, told in the numbers of this one.
//!
//! Rows and reasons name things by their places in the site file of their time.
//! They are found again by their names. What is no more has no place: reasons
//! show it as `?`, and groups that are no more are left out.

use leeside_core::ids::{ContactId, DeviceId, GatewayId, GroupId, SensorId, TimetableId};
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange};
use leeside_core::reason::{Because, LightSource, Release};
use std::sync::Arc;

/// A place that no site has.
const NOWHERE: u32 = u32::MAX;

/// From one version to another.
pub(super) struct Renumber {
    then: Arc<Model>,
    now: Arc<Model>,
}

impl Renumber {
    /// `None` where everything has the same place in both.
    pub(super) fn between(then: &Arc<Model>, now: &Arc<Model>) -> Option<Self> {
        let same =
            Arc::ptr_eq(then, now) || (names(then) == names(now) && phases(then) == phases(now));
        (!same).then(|| Self {
            then: Arc::clone(then),
            now: Arc::clone(now),
        })
    }

    pub(super) fn command(&self, command: &Command) -> Option<Command> {
        let mut command = command.clone();
        command.group = self.group(command.group)?;
        command.orders.retain_mut(|order| {
            let device = self.device(order.device);
            order.device = device.unwrap_or(order.device);
            device.is_some()
        });
        self.because(&mut command.because);
        for lost in std::sync::Arc::make_mut(&mut command.lost) {
            self.because(&mut lost.because);
        }
        self.release(&mut command.release);
        Some(command)
    }

    pub(super) fn lockout(&self, change: &LockoutChange) -> Option<LockoutChange> {
        let mut change = change.clone();
        change.group = self.group(change.group)?;
        self.because(&mut change.because);
        self.release(&mut change.release);
        Some(change)
    }

    pub(super) fn alarm(&self, alarm: &Alarm) -> Alarm {
        let mut alarm = alarm.clone();
        self.because(&mut alarm.because);
        alarm
    }

    fn group(&self, id: GroupId) -> Option<GroupId> {
        self.now
            .group_named(&self.then.groups.get(id.index())?.name)
    }

    fn device(&self, id: DeviceId) -> Option<DeviceId> {
        self.now
            .device_named(&self.then.devices.get(id.index())?.name)
    }

    /// The sensor of the same name; where there is none, one that no site has.
    pub(super) fn sensor(&self, id: SensorId) -> SensorId {
        let then = self.then.sensors.get(id.index());
        let now = then.and_then(|sensor| self.now.sensor_named(&sensor.name));
        now.unwrap_or(SensorId(NOWHERE))
    }

    fn contact(&self, id: ContactId) -> ContactId {
        let then = self.then.contacts.get(id.index());
        let now = then.and_then(|contact| self.now.contact_named(&contact.name));
        now.unwrap_or(ContactId(NOWHERE))
    }

    fn gateway(&self, id: GatewayId) -> GatewayId {
        let then = self.then.gateways.get(id.index());
        let now = then.and_then(|then| {
            self.now
                .gateways
                .iter()
                .position(|now| now.name == then.name)
        });
        now.map_or(GatewayId(NOWHERE), GatewayId::of)
    }

    /// The phase of the same name in the same timetable on days of the same class.
    fn phase(&self, id: TimetableId, plan: u16, phase: u16) -> Option<(TimetableId, u16, u16)> {
        let then = self.then.timetables.get(id.index())?;
        let plan = then.plans.get(usize::from(plan))?;
        let phase = plan.phases.get(usize::from(phase))?;
        let class = self.then.day_class(plan.class);
        let tables = &self.now.timetables;
        let table = tables.iter().position(|now| now.name == then.name)?;
        let plans = &tables[table].plans;
        let plan = plans
            .iter()
            .position(|now| self.now.day_class(now.class) == class)?;
        let phase = plans[plan]
            .phases
            .iter()
            .position(|now| now.name == phase.name)?;
        Some((
            TimetableId::of(table),
            u16::try_from(plan).ok()?,
            u16::try_from(phase).ok()?,
        ))
    }

    fn special(&self, index: u32) -> u32 {
        let then = usize::try_from(index)
            .ok()
            .and_then(|index| self.then.specials.get(index));
        let now = then.and_then(|then| {
            let same = |now: &leeside_core::model::SpecialDay| {
                now.name == then.name && now.from == then.from
            };
            self.now.specials.iter().position(same)
        });
        now.and_then(|index| u32::try_from(index).ok())
            .unwrap_or(NOWHERE)
    }

    fn because(&self, because: &mut Because) {
        match because {
            Because::WindAbove { sensor, .. }
            | Because::SensorUnknown { sensor, .. }
            | Because::Hail { sensor }
            | Because::Frost { sensor, .. }
            | Because::Rain { sensor, .. } => *sensor = self.sensor(*sensor),
            Because::WeatherUnknown { sensor } => {
                *sensor = sensor.map(|sensor| self.sensor(sensor))
            }
            Because::DoorOpen { contact } | Because::Fire { contact } => {
                *contact = self.contact(*contact)
            }
            Because::SunShading { light, .. } => match light {
                LightSource::Measured(sensor) | LightSource::Transposed(sensor) => {
                    *sensor = self.sensor(*sensor)
                }
                LightSource::ClearSky => {}
            },
            Because::Phase {
                timetable,
                plan,
                phase,
            } => {
                (*timetable, *plan, *phase) =
                    self.phase(*timetable, *plan, *phase)
                        .unwrap_or((TimetableId(NOWHERE), 0, 0));
            }
            Because::Special { index } => *index = self.special(*index),
            Because::GatewayLost { gateway } => *gateway = self.gateway(*gateway),
            Because::WindHolding { .. }
            | Because::HailHolding
            | Because::FrostHolding { .. }
            | Because::RainHolding
            | Because::Service { .. }
            | Because::Hand { .. }
            | Because::SunOpened { .. }
            | Because::SunCapped { .. }
            | Because::Heat { .. }
            | Because::Rest
            | Because::Quiet
            | Because::ClockUntrusted
            | Because::StateLost
            | Because::DutySpent { .. }
            | Because::Reference { .. }
            | Because::RefugeWouldExtend
            | Because::Drive { .. }
            | Because::Bypassed { .. } => {}
        }
    }

    fn release(&self, release: &mut Release) {
        match release {
            Release::SensorRecovers(sensor) => *sensor = self.sensor(*sensor),
            Release::ContactClears(contact) => *contact = self.contact(*contact),
            Release::EarliestIfCalm(_)
            | Release::AfterCalm(_)
            | Release::SensorHeard
            | Release::DoorCloses
            | Release::OwnerEnds
            | Release::At(_)
            | Release::AtSteady(_)
            | Release::LightChanges
            | Release::AnyWish
            | Release::ClockTrusted
            | Release::BudgetRecovers => {}
        }
    }
}

/// The names of everything that rows and reasons speak of, in their order.
fn names(of: &Model) -> [Vec<&str>; 9] {
    let special = of.specials.iter().map(|special| special.name.as_str());
    [
        of.groups.iter().map(|group| group.name.as_str()).collect(),
        of.devices
            .iter()
            .map(|device| device.name.as_str())
            .collect(),
        of.sensors
            .iter()
            .map(|sensor| sensor.name.as_str())
            .collect(),
        of.contacts
            .iter()
            .map(|contact| contact.name.as_str())
            .collect(),
        of.gateways
            .iter()
            .map(|gateway| gateway.name.as_str())
            .collect(),
        of.timetables
            .iter()
            .map(|table| table.name.as_str())
            .collect(),
        of.facades
            .iter()
            .map(|facade| facade.name.as_str())
            .collect(),
        of.rooms.iter().map(|room| room.name.as_str()).collect(),
        special.collect(),
    ]
}

/// By what the phases of each timetable go: class of days, name.
fn phases(of: &Model) -> Vec<Vec<(&str, &str)>> {
    of.timetables
        .iter()
        .map(|table| {
            let plans = table.plans.iter();
            plans
                .flat_map(|plan| {
                    let class = of.day_class(plan.class);
                    plan.phases
                        .iter()
                        .map(move |phase| (class, phase.name.as_str()))
                })
                .collect()
        })
        .collect()
}

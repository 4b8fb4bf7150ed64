//! Every section and key of a site file.

mod days;
mod place;
mod plant;
mod rules;
mod sensing;
mod wire;

pub(crate) use days::{EVENTS, WEEKDAYS};

use super::form::Section;

/// All sections, in the order in which a reader meets them best.
pub(crate) const SECTIONS: [Section; 30] = [
    place::SITE,
    place::POLICY,
    place::FACADE,
    place::ROOM,
    place::OPENING,
    plant::PRODUCT,
    plant::FEEDER,
    plant::GATEWAY,
    plant::DEVICE,
    sensing::SENSOR,
    sensing::CONTACT,
    rules::WIND,
    rules::HAIL,
    rules::ICE,
    rules::RAIN,
    rules::FIRE,
    rules::HAND,
    rules::SUN,
    plant::GROUP,
    days::DAYS,
    days::HOLIDAYS,
    days::CALENDAR,
    days::TIMETABLE,
    days::SPECIAL_DAY,
    days::ARRANGEMENT,
    wire::BROKER,
    wire::DRIVE_FORM,
    wire::JOURNAL,
    wire::ALARM_RECEIVER,
    wire::PAGE,
];

/// The section of that name.
pub(crate) fn section(name: &str) -> Option<&'static Section> {
    const ALL: &[Section] = &SECTIONS;
    ALL.iter().find(|section| section.name == name)
}

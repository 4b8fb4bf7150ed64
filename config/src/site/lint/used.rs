//! What stands in the file and is used by nothing: mostly a name forgotten elsewhere.

use crate::site::build::Draft;
use crate::site::form::{Kind, Section};
use crate::site::keys::SECTIONS;
use crate::site::read::{DAY_CLASSES, Reader, Tree};
use leeside_core::model::ContactKind;

/// What a forgotten name of a kind is forgotten in.
const fn forgotten_in(kind: Kind) -> Option<&'static str> {
    match kind {
        Kind::Facade => Some("no opening or device is on it"),
        Kind::Room => Some("name it in the `room` of the devices before it"),
        Kind::Opening => Some("name it in the `opening` of the devices that cover it"),
        Kind::Product => Some("no device is of it"),
        Kind::Feeder => Some("no drive hangs on it"),
        Kind::Gateway => Some("name it in the `gateway` of what comes through it"),
        Kind::Sensor => Some("name it in a rule, a facade's `light` or a room"),
        Kind::Contact => Some(
            "a door belongs into the `doors` of the devices it leads past, a fire contact into a [[fire]] rule, occupancy into a [[room]]",
        ),
        Kind::Wind | Kind::Rain | Kind::Ice | Kind::Hail | Kind::Fire | Kind::Sun | Kind::Hand => {
            Some("no group goes by it")
        }
        Kind::Timetable => Some("no group goes by it"),
        Kind::DriveForm => Some("name it in the `drive_form` of the devices it speaks to"),
        Kind::Device
        | Kind::Group
        | Kind::DayClass
        | Kind::Calendar
        | Kind::SpecialDay
        | Kind::Arrangement
        | Kind::AlarmReceiver => None,
    }
}

pub(crate) fn lint(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    for section in &SECTIONS {
        of_section(reader, tree, draft, section);
    }
    let own = DAY_CLASSES.len()..reader.names.count(Kind::DayClass);
    for class in own {
        if !reader.is_used(Kind::DayClass, class) {
            let name = reader.names.name(Kind::DayClass, class).to_owned();
            let span = tree.one("days").map_or(0..0, |days| days.at("own_classes"));
            reader.warn(
                &span,
                format!("no day can be of the class `{name}`"),
                "give it to a [[calendar]]",
            );
        }
    }
}

fn of_section(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft, section: &Section) {
    let Some((kind, why)) = section
        .defines
        .and_then(|kind| Some((kind, forgotten_in(kind)?)))
    else {
        return;
    };
    if reader.unresolved.contains(&kind) {
        // Something was misspelt: it may have meant one of these.
        return;
    }
    for (index, node) in tree.all(section.name).iter().enumerate() {
        // Switches speak for themselves: they ask, nobody asks them.
        let contact = draft.contacts.get(index).and_then(Option::as_ref);
        let speaks =
            kind == Kind::Contact && contact.is_some_and(|c| c.kind == ContactKind::Switch);
        if speaks || !node.sound || reader.is_used(kind, index) {
            continue;
        }
        let name = reader.names.name(kind, index).to_owned();
        if reader.names.find(kind, &name) != Some(index) {
            continue;
        }
        reader.warn(
            &node.at("name"),
            format!("the {} `{name}` is used nowhere", kind.word()),
            why,
        );
    }
}

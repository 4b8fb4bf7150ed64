//! Timetables: day classes and their phases.

use super::anchor::anchor;
use crate::site::form::Kind;
use crate::site::node::{Got, Node, Span, Value};
use crate::site::read::{Reader, Tree};
use leeside_core::ids::{DayClassId, TimetableId};
use leeside_core::model::{DayPlan, Group, Kind as DeviceKind, Phase, Sensor, Timetable};
use leeside_core::pose::Pose;

pub(crate) fn timetables(
    reader: &mut Reader<'_>,
    tree: &Tree,
    groups: &[Option<Group>],
    sensors: &[Option<Sensor>],
) -> Vec<Option<Timetable>> {
    let latitude_deg = tree
        .one("site")
        .and_then(|site| site.number("latitude_deg"));
    let mut all = Vec::new();
    for (index, node) in tree.all("timetable").iter().enumerate() {
        let id = TimetableId::of(index);
        let users: Vec<&Group> = groups
            .iter()
            .flatten()
            .filter(|g| g.timetable == id)
            .collect();
        all.push(timetable(
            reader,
            node,
            &Context {
                users: &users,
                sensors,
                latitude_deg,
            },
        ));
    }
    all
}

/// What the phases of a timetable have to suit.
pub(crate) struct Context<'c> {
    users: &'c [&'c Group],
    pub(crate) sensors: &'c [Option<Sensor>],
    pub(crate) latitude_deg: Option<f64>,
}

fn timetable(reader: &mut Reader<'_>, node: &Node, context: &Context<'_>) -> Option<Timetable> {
    let days = node.map("days")?;
    let mut plans: Vec<DayPlan> = Vec::new();
    let mut complete = true;
    for (class, value) in days {
        let Some(phases) = phases_of(reader, node, days, value) else {
            complete = false;
            continue;
        };
        let mut built = Vec::new();
        for phase_node in phases {
            match phase(reader, phase_node, context) {
                Some(phase) => built.push(phase),
                None => complete = false,
            }
        }
        plans.push(DayPlan {
            class: DayClassId::of(*class),
            phases: built,
        });
    }
    complete.then_some(())?;
    Some(Timetable {
        name: node.text("name")?.to_owned(),
        plans,
    })
}

/// The phases of a day class: its own, or those of the class it shares with.
fn phases_of<'n>(
    reader: &mut Reader<'_>,
    node: &Node,
    days: &'n [(usize, Value)],
    value: &'n Value,
) -> Option<&'n [Node]> {
    if let Some(phases) = value.got.tables() {
        return Some(phases);
    }
    let Got::Ref(shared) = value.got else {
        return None;
    };
    let other = days
        .iter()
        .find(|(class, _)| *class == shared)
        .map(|(_, value)| &value.got);
    if let Some(phases) = other.and_then(Got::tables) {
        return Some(phases);
    }
    let name = reader.names.name(Kind::DayClass, shared).to_owned();
    reader.error(
        &value.span,
        format!(
            "{} shares the phases of `{name}`, which states none of its own here",
            node.label
        ),
        "name a class whose phases are listed in this timetable",
    );
    None
}

fn phase(reader: &mut Reader<'_>, node: &Node, context: &Context<'_>) -> Option<Phase> {
    let pose = phase_pose(reader, node, context);
    let start = anchor(reader, node, context);
    Some(Phase {
        name: node.text("phase")?.to_owned(),
        start: start?,
        pose: pose?,
        sun: node.flag("sun")?,
        jitter_min: u16::try_from(node.whole("jitter_min")?).ok()?,
        jitter_seed: u64::try_from(node.whole("jitter_seed")?).ok()?,
    })
}

/// A phase's pose has to suit every group that uses the timetable.
fn phase_pose(reader: &mut Reader<'_>, node: &Node, context: &Context<'_>) -> Option<Pose> {
    let stated = node.pose("pose")?;
    if stated.extension_pct == 0 {
        return Some(Pose::RETRACTED);
    }
    for group in context.users {
        let what = format!(
            "`pose` of {}, used by the group `{}`,",
            node.label, group.name
        );
        reader.fit(
            stated,
            group.kind,
            group.slats.as_ref(),
            &node.at("pose"),
            &what,
        )?;
    }
    let slats = context
        .users
        .iter()
        .any(|g| g.kind == DeviceKind::SlatBlind);
    Some(if slats || context.users.is_empty() {
        stated
    } else {
        Pose::extension(stated.extension_pct)
    })
}

/// Where a phase stands, for complaints about it; nothing for a day class that
/// shares the phases of another.
pub(crate) fn place_of(
    tree: &Tree,
    timetable: TimetableId,
    class: DayClassId,
    phase: usize,
) -> Option<Span> {
    let days = tree.all("timetable").get(timetable.index())?.map("days")?;
    let value = &days.iter().find(|(c, _)| *c == class.index())?.1;
    value.got.tables()?.get(phase).map(|node| node.span.clone())
}

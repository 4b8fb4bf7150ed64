//! What covers an escape, rescue or smoke opening: fire must retract it, and nothing
//! must extend it unless somebody has allowed that.
//!
//! That it never extends is the careful default where fire concept and authority have
//! not said otherwise (common practice, no source).

use crate::site::build::Draft;
use crate::site::form::Kind;
use crate::site::node::Node;
use crate::site::read::{Reader, Tree};
use leeside_core::ids::GroupId;
use leeside_core::model::{Device, Group, Product, SunAim, SunRule};
use leeside_core::pose::Pose;
use std::collections::BTreeMap;

pub(crate) fn lint(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    for node in tree.all("device") {
        if node.has("escape_allowed_by") && node.flag("escape") == Some(false) {
            reader.error(
                &node.at("escape_allowed_by"),
                "`escape_allowed_by` without `escape = true` means nothing",
                "add `escape = true` where the device covers an escape, rescue or smoke opening, or leave it out",
            );
        }
    }
    for (index, (node, group)) in tree.all("group").iter().zip(&draft.groups).enumerate() {
        let Some(group) = group else { continue };
        // One device for each table: they are alike, and of one product.
        let mut tables: BTreeMap<usize, &Device> = BTreeMap::new();
        for id in &group.devices {
            let device = draft.devices.get(id.index()).and_then(Option::as_ref);
            if let Some(device) = device.filter(|d| d.device.escape) {
                tables.entry(device.table).or_insert(&device.device);
            }
        }
        if let Some(first) = tables.values().next()
            && group.fire.is_none()
        {
            reader.error(
                &node.span,
                format!("`{}` covers an escape opening, but its group `{}` has no fire rule: nobody would retract it", first.name, group.name),
                "add `fire = \"...\"`",
            );
        }
        let of_table = |table: usize| tree.all("device").get(table);
        tables.retain(|table, _| of_table(*table).is_some_and(|d| !d.has("escape_allowed_by")));
        if tables.is_empty() {
            continue;
        }
        let ways = of_group(reader, tree, draft, (GroupId::of(index), node, group));
        for (table, device) in tables {
            let product = draft.products.get(device.product.index());
            let product = product.and_then(Option::as_ref);
            if let Some((node, product)) = of_table(table).zip(product) {
                extends(reader, node, group, &ways, &of_refuge(group, product));
            }
        }
    }
}

fn extends(
    reader: &mut Reader<'_>,
    device: &Node,
    group: &Group,
    ways: &[String],
    refuges: &[String],
) {
    if ways.is_empty() && refuges.is_empty() {
        return;
    }
    let product = if refuges.is_empty() {
        ""
    } else {
        ", and a product whose refuge is retracted"
    };
    reader.warn(
        &device.at("escape"),
        format!(
            "{} covers an escape opening and is expected to stay retracted, but the group `{}` extends it: {}",
            device.label,
            group.name,
            [ways, refuges].concat().join(", ")
        ),
        format!("give it a group of its own that stays retracted{product}; or say what allows it: `escape_allowed_by = \"fire concept of 2026-03, section 4\"`"),
    );
}

/// The ways in which a group extends all its devices.
fn of_group(
    reader: &Reader<'_>,
    tree: &Tree,
    draft: &Draft,
    (id, node, group): (GroupId, &Node, &Group),
) -> Vec<String> {
    let mut ways = Vec::new();
    let mut sun_allowed = false;
    let timetable = draft.timetables.get(group.timetable.index());
    if let Some(timetable) = timetable.and_then(Option::as_ref) {
        for phase in timetable.plans.iter().flat_map(|plan| &plan.phases) {
            let way = format!(
                "in the phase `{}` of the timetable `{}`",
                phase.name, timetable.name
            );
            // Classes of days may share phases, and their names.
            if extended(phase.pose) && !ways.contains(&way) {
                ways.push(way);
            }
            sun_allowed |= phase.sun;
        }
    }
    for (way, special) in specials(tree) {
        let concerned = special.many("groups").unwrap_or_default();
        if !concerned.iter().any(|(index, _)| *index == id.index()) {
            continue;
        }
        if special.pose("pose").is_some_and(extended) {
            ways.push(way);
        }
        sun_allowed |= special.flag("sun") == Some(true);
    }
    if let Some((rule, index)) = group.sun.as_ref().zip(node.one("sun"))
        && sun_allowed
        && sun_extends(rule)
    {
        let name = reader.names.name(Kind::Sun, index);
        ways.push(format!("by the sun rule `{name}`"));
    }
    if extended(group.rest) {
        ways.push("at rest".to_owned());
    }
    for arrangement in draft.arrangements.iter().flatten() {
        let poses = &arrangement.poses;
        if poses.iter().any(|(of, pose)| *of == id && extended(*pose)) {
            ways.push(format!("in the arrangement `{}`", arrangement.name));
        }
    }
    ways
}

/// The guards of a group in whose refuge devices of a product are extended.
fn of_refuge(group: &Group, product: &Product) -> Vec<String> {
    let refuge = product.refuge;
    let guards = [
        ("wind", group.wind.is_some(), Some(refuge.wind)),
        ("hail", group.hail.is_some(), refuge.hail),
        ("ice", group.ice.is_some(), refuge.ice),
        ("rain", group.rain.is_some(), refuge.rain),
    ];
    guards
        .into_iter()
        .filter(|(_, guarded, pose)| *guarded && pose.is_some_and(extended))
        .map(|(word, _, _)| format!("in its refuge from {word}"))
        .collect()
}

/// Special days, and calendars whose events are such, with what they state.
fn specials(tree: &Tree) -> impl Iterator<Item = (String, &Node)> {
    let days = tree.all("special_day").iter().filter_map(|node| {
        let way = format!("on the special day `{}`", node.text("name")?);
        Some((way, node))
    });
    let calendars = tree.all("calendar").iter().filter_map(|node| {
        let way = format!("by the calendar `{}`", node.text("name")?);
        Some((way, node.table("special")?))
    });
    days.chain(calendars)
}

/// Whether a sun rule, where sun is allowed, ever asks to extend.
fn sun_extends(rule: &SunRule) -> bool {
    let aim = match rule.aim {
        SunAim::Fixed(pose) => extended(pose),
        SunAim::TrackSlats | SunAim::Depth { .. } | SunAim::Terrace { .. } => true,
    };
    let heat = rule.heat.as_ref();
    aim || heat.is_some_and(|heat| extended(heat.keep_out) || extended(heat.let_in))
}

const fn extended(pose: Pose) -> bool {
    pose.extends_beyond(Pose::RETRACTED)
}

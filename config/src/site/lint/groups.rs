//! Groups: guards that are missing, or that guard nothing, and time to safe.

use crate::site::build::Draft;
use crate::site::node::Node;
use crate::site::read::{Reader, Tree};
use leeside_core::ids::{FacadeId, SensorId};
use leeside_core::model::{Group, Model, Product, SensorKind};
use leeside_core::safe::times_to_safe;
use leeside_core::time::MINUTE;

pub(crate) fn lint(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    for (node, group) in tree.all("group").iter().zip(&draft.groups) {
        let Some(group) = group else { continue };
        let products: Vec<&Product> = group
            .devices
            .iter()
            .filter_map(|id| draft.devices.get(id.index())?.as_ref())
            .filter_map(|d| draft.products.get(d.device.product.index())?.as_ref())
            .collect();
        harm(reader, node, group, &products);
        wind(reader, tree, node, group, draft);
        sun(reader, node, group, draft);
    }
    holds(reader, tree);
}

/// A guard for everything that harms, and none for what does not.
fn harm(reader: &mut Reader<'_>, node: &Node, group: &Group, products: &[&Product]) {
    let harmed = |of: fn(&Product) -> bool| products.iter().find(|p| of(p)).map(|p| p.name.clone());
    let cases = [
        (
            "rain",
            group.rain.is_some(),
            harmed(|p| p.refuge.rain.is_some()),
        ),
        (
            "ice",
            group.ice.is_some(),
            harmed(|p| p.refuge.ice.is_some()),
        ),
        (
            "hail",
            group.hail.is_some(),
            harmed(|p| p.refuge.hail.is_some()),
        ),
    ];
    for (word, guarded, harmed) in cases {
        match harmed {
            Some(product) if !guarded && !node.has(word) => reader.warn(
                &node.span,
                format!(
                    "{word} harms `{product}`, but the group `{}` has no {word} rule",
                    group.name
                ),
                format!("add `{word} = \"...\"`, or `{word} = {{ none_because = \"...\" }}`"),
            ),
            None if guarded => reader.warn(
                &node.at(word),
                format!(
                    "the group `{}` has a {word} rule, but {word} harms none of its products",
                    group.name
                ),
                "leave it out, or give the product a refuge",
            ),
            _ => {}
        }
    }
}

/// Whether somebody measures the wind on the group's facade.
fn wind(reader: &mut Reader<'_>, tree: &Tree, node: &Node, group: &Group, draft: &Draft) {
    let Some(rule) = &group.wind else { return };
    let measures_wind = |id: SensorId| {
        let sensor = draft.sensors.get(id.index()).and_then(Option::as_ref);
        sensor.is_some_and(|s| s.kind == SensorKind::Wind)
    };
    if !rule.links.iter().all(|link| measures_wind(link.sensor)) {
        return;
    }
    if rule.links.iter().all(|link| link.advisory) {
        reader.error(
            &node.at("wind"),
            format!(
                "the wind rule of the group `{}` has forecasts only: nobody measures the wind",
                group.name
            ),
            "add a sensor that is there",
        );
        return;
    }
    let sees = |facade: FacadeId| {
        rule.links.iter().filter(|link| !link.advisory).any(|link| {
            let facades = tree
                .all("sensor")
                .get(link.sensor.index())
                .and_then(|s| s.many("facades"));
            facades
                .unwrap_or_default()
                .iter()
                .any(|(known, _)| *known == facade.index())
        })
    };
    if !sees(group.facade) {
        let facade = draft
            .facades
            .get(group.facade.index())
            .and_then(Option::as_ref)
            .map_or("", |f| &f.name);
        reader.warn(
            &node.at("wind"),
            format!("no wind sensor on this facade: none of those that guard the group `{}` sees the wind of `{facade}`", group.name),
            format!("add a sensor there; or, if one of them does see it, name `{facade}` in its `facades`"),
        );
    }
}

fn sun(reader: &mut Reader<'_>, node: &Node, group: &Group, draft: &Draft) {
    let Some(rule) = &group.sun else { return };
    let facade = draft
        .facades
        .get(group.facade.index())
        .and_then(Option::as_ref);
    if let Some(facade) = facade.filter(|f| f.light.is_empty()) {
        reader.warn(
            &node.at("sun"),
            format!("the facade `{}` has no light sensor: the group `{}` would shade by a clear-sky estimate, on dull days too", facade.name, group.name),
            "add `light = [...]` to the facade",
        );
    }
    if rule.heat.is_some() {
        let rooms = group
            .rooms
            .iter()
            .filter_map(|id| draft.rooms.get(id.index())?.as_ref());
        let mut known = rooms.map(|room| (room.temperature.is_some(), room.occupancy.is_some()));
        if !known.any(|(temperature, occupancy)| temperature && occupancy) {
            reader.warn(
                &node.at("sun"),
                format!("the sun rule of the group `{}` has `heat`, but no room behind it has both `temperature` and `occupancy`: heat would never speak", group.name),
                "name both in the [[room]], and the room in the devices",
            );
        }
    }
    let timetable = draft
        .timetables
        .get(group.timetable.index())
        .and_then(Option::as_ref);
    let allowed =
        |t: &leeside_core::model::Timetable| t.plans.iter().flat_map(|p| &p.phases).any(|p| p.sun);
    if let Some(timetable) = timetable.filter(|t| !allowed(t)) {
        reader.warn(
            &node.at("sun"),
            format!("the sun rule of the group `{}` never acts: no phase of its timetable `{}` allows sun", group.name, timetable.name),
            "set `sun = true` in a phase, or leave the sun rule out",
        );
    }
}

/// Holds so short that a storm would pump: calm between two gusts is longer.
fn holds(reader: &mut Reader<'_>, tree: &Tree) {
    for node in tree.all("wind") {
        let Some(hold_ms) = node.ms("hold_min") else {
            continue;
        };
        if hold_ms < 5 * MINUTE {
            reader.warn(
                &node.at("hold_min"),
                format!("a hold of {} s releases between two gusts", hold_ms / 1000),
                "10 to 30 min is common practice",
            );
        }
    }
}

/// Groups that need longer to be safe than the site accepts.
pub(crate) fn time_to_safe_lint(reader: &mut Reader<'_>, tree: &Tree, model: &Model) {
    let accepted = model.policy.time_to_safe_max_ms;
    let times = times_to_safe(model);
    for (index, node) in tree.all("group").iter().enumerate() {
        let links = || model.groups[index].wind.iter().flat_map(|rule| &rule.links);
        let measured = links().all(|link| model.sensor(link.sensor).kind == SensorKind::Wind);
        let Some(safe) = times[index].filter(|_| measured) else {
            continue;
        };
        if safe.total_ms() > accepted {
            let s = |ms: i64| ms.div_euclid(1000);
            reader.warn(
                &node.at("name"),
                format!(
                    "the group `{}` needs {} s to be safe, longer than the {} s the site accepts: {} s until the wind is known, {} s until `{}` starts, {} s of travel",
                    model.group(safe.group).name,
                    s(safe.total_ms()),
                    s(accepted),
                    s(safe.detection_ms),
                    s(safe.start_ms),
                    model.device(safe.slowest).name,
                    s(safe.travel_ms),
                ),
                "a shorter silence_s, fewer drives on a feeder, a shorter stagger; or a lower limit, and a policy that says so",
            );
        }
    }
}

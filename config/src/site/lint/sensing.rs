//! Sensors that could fail unnoticed.

use crate::site::build::Draft;
use crate::site::read::{Reader, Tree};
use leeside_core::model::SensorKind;
use leeside_core::time::MINUTE;

pub(crate) fn lint(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    for (index, (node, sensor)) in tree.all("sensor").iter().zip(&draft.sensors).enumerate() {
        let Some(sensor) = sensor
            .as_ref()
            .filter(|s| s.kind == SensorKind::Wind && node.sound)
        else {
            continue;
        };
        if sensor.validity.stuck_ms.is_none() && sensor.validity.zero.is_none() {
            reader.warn(
                &node.span,
                format!("the wind sensor `{}` has neither `stuck_h` nor `zero_check`: a torn cable would read as calm", sensor.name),
                "add `stuck_h = 24`, or a zero_check with a neighbour",
            );
        }
        if sensor.validity.silence_ms > 5 * MINUTE {
            reader.warn(
                &node.at("silence_s"),
                format!(
                    "the wind sensor `{}` may be silent for {} s before anybody minds",
                    sensor.name,
                    sensor.validity.silence_ms / 1000
                ),
                "30 to 120 s is common practice",
            );
        }
        let own = sensor
            .validity
            .zero
            .is_some_and(|zero| zero.neighbour.index() == index);
        if own {
            let at = node
                .table("zero_check")
                .map_or_else(|| node.span.clone(), |z| z.at("neighbour"));
            reader.error(
                &at,
                format!("the neighbour of `{}` is itself", sensor.name),
                "name another wind sensor",
            );
        }
    }
    planes(reader, tree, draft);
}

/// A sensor on a facade's plane speaks for one facade.
fn planes(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    let mut taken: Vec<(usize, String)> = Vec::new();
    for node in tree.all("facade") {
        for (sensor, span) in node.many("light").unwrap_or_default() {
            let Some(built) = draft.sensors.get(*sensor).and_then(Option::as_ref) else {
                continue;
            };
            if !matches!(
                built.kind,
                SensorKind::PlaneIrradiance | SensorKind::PlaneIlluminance
            ) {
                continue;
            }
            let here = node.text("name").unwrap_or_default().to_owned();
            if let Some((_, there)) = taken.iter().find(|(known, _)| known == sensor) {
                reader.error(
                    span,
                    format!("`{}` measures on the plane of `{there}` already; it cannot measure on that of `{here}` as well", built.name),
                    "one sensor for each plane, or one of kind \"global_horizontal\" for all",
                );
            } else {
                taken.push((*sensor, here));
            }
        }
    }
}

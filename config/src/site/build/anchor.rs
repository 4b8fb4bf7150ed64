//! When a phase starts: a time of day, an event of the sun, or dusk and dawn by light.

use super::phases::Context;
use crate::site::keys::EVENTS;
use crate::site::names::meant;
use crate::site::node::Node;
use crate::site::read::Reader;
use crate::site::value::parse_clock;
use leeside_core::ids::SensorId;
use leeside_core::model::{Anchor, IfNone, SensorKind, SunEvent, Twilight};
use leeside_solar::{CIVIL_ELEVATION_DEG, SUNRISE_ELEVATION_DEG};

/// The sun's greatest declination, degrees, with a margin for rounding: whether
/// an event can be missing on some day of the year is asked on the careful side.
const GREATEST_DECLINATION_DEG: f64 = 23.6;

/// Keys that only a phase with a light sensor has.
const LIGHT_KEYS: &[&str] = &[
    "sensor",
    "light_lx",
    "light_wm2",
    "from_elevation_deg",
    "at_latest_elevation_deg",
];

/// Keys that only a phase with an event of the sun has.
const EVENT_KEYS: &[&str] = &[
    "offset_min",
    "elevation_deg",
    "not_before",
    "not_after",
    "if_none",
];

pub(crate) fn anchor(
    reader: &mut Reader<'_>,
    node: &Node,
    context: &Context<'_>,
) -> Option<Anchor> {
    let at = node.text("at")?;
    if let Some(minute) = parse_clock(at) {
        forbid(reader, node, "a time of day", EVENT_KEYS);
        forbid(reader, node, "a time of day", LIGHT_KEYS);
        return Some(Anchor::Time(minute));
    }
    let start = format!("\"{at}\"");
    if let "dawn_by_light" | "dusk_by_light" = at {
        forbid(reader, node, &start, EVENT_KEYS);
        return twilight(reader, node, at == "dusk_by_light", context);
    }
    let event = event(reader, node, at)?;
    forbid(reader, node, &start, LIGHT_KEYS);
    if !at.ends_with("_through") {
        forbid(reader, node, &start, &["elevation_deg"]);
    }
    let (not_before, not_after) = (node.clock("not_before"), node.clock("not_after"));
    if not_before
        .zip(not_after)
        .is_some_and(|(before, after)| before > after)
    {
        reader.error(
            &node.at("not_after"),
            "`not_after` is earlier than `not_before`: the phase could never start",
            "swap them, or mend one",
        );
    }
    Some(Anchor::Sun {
        event,
        offset_min: node
            .whole("offset_min")
            .and_then(|m| i16::try_from(m).ok())
            .unwrap_or(0),
        not_before,
        not_after,
        if_none: if_none(reader, node, event, context)?,
    })
}

/// The event of the sun that a word names.
fn event(reader: &mut Reader<'_>, node: &Node, at: &str) -> Option<SunEvent> {
    match at {
        "sunrise" => Some(SunEvent::Sunrise),
        "sunset" => Some(SunEvent::Sunset),
        "civil_dawn" => Some(SunEvent::CivilDawn),
        "civil_dusk" => Some(SunEvent::CivilDusk),
        "sun_rises_through" | "sun_falls_through" => {
            let Some(elevation) = node.number("elevation_deg") else {
                if node.sound {
                    reader.error(
                        &node.at("at"),
                        format!("\"{at}\" lacks `elevation_deg`"),
                        "add `elevation_deg = ...`, the sun's height to pass",
                    );
                }
                return None;
            };
            Some(if at == "sun_rises_through" {
                SunEvent::RisingThrough(elevation)
            } else {
                SunEvent::FallingThrough(elevation)
            })
        }
        other => {
            let near = meant(other, EVENTS.iter().map(|(word, _)| *word));
            let hint = near.map_or_else(
                || "a time of day is written \"07:30\"".to_owned(),
                |near| format!("did you mean \"{near}\"?"),
            );
            let all: Vec<_> = EVENTS.iter().map(|(word, _)| *word).collect();
            reader.error(
                &node.at("at"),
                format!(
                    "`at` is \"{other}\", expected a time of day or one of {}",
                    all.join(", ")
                ),
                hint,
            );
            None
        }
    }
}

fn forbid(reader: &mut Reader<'_>, node: &Node, start: &str, keys: &[&str]) {
    for key in keys {
        if node.has(key) {
            reader.error(
                &node.at(key),
                format!("`{key}` means nothing for a phase that starts at {start}"),
                "leave it out, or change `at`",
            );
        }
    }
}

fn if_none(
    reader: &mut Reader<'_>,
    node: &Node,
    event: SunEvent,
    context: &Context<'_>,
) -> Option<IfNone> {
    match node.text("if_none") {
        Some("skip") => return Some(IfNone::Skip),
        Some(text) => {
            if let Some(minute) = parse_clock(text) {
                return Some(IfNone::At(minute));
            }
            reader.error(
                &node.at("if_none"),
                format!(
                    "`if_none` is \"{text}\", expected \"skip\" or a time of day such as \"20:00\""
                ),
                "",
            );
            return None;
        }
        None => {}
    }
    let elevation_deg = match event {
        SunEvent::Sunrise | SunEvent::Sunset => SUNRISE_ELEVATION_DEG,
        SunEvent::CivilDawn | SunEvent::CivilDusk => CIVIL_ELEVATION_DEG,
        SunEvent::RisingThrough(deg) | SunEvent::FallingThrough(deg) => deg,
    };
    if context
        .latitude_deg
        .is_some_and(|latitude| may_be_missing(latitude, elevation_deg))
    {
        reader.error(
            &node.at("at"),
            format!("at this latitude the sun does not pass {elevation_deg}° on every day of the year, and {} does not say what happens then", node.label),
            "add `if_none = \"skip\"` or a time of day",
        );
        return None;
    }
    Some(IfNone::Skip)
}

/// Whether there are days on which the sun does not pass this elevation: its
/// lowest noon does not reach it, or its highest midnight does not fall to it.
fn may_be_missing(latitude_deg: f64, elevation_deg: f64) -> bool {
    let lowest_noon = 90.0 - latitude_deg.abs() - GREATEST_DECLINATION_DEG;
    let highest_midnight = latitude_deg.abs() + GREATEST_DECLINATION_DEG - 90.0;
    elevation_deg >= lowest_noon || elevation_deg <= highest_midnight
}

fn twilight(
    reader: &mut Reader<'_>,
    node: &Node,
    dusk: bool,
    context: &Context<'_>,
) -> Option<Anchor> {
    let mut lacking = false;
    for key in ["sensor", "from_elevation_deg", "at_latest_elevation_deg"] {
        if !node.has(key) && node.sound {
            reader.error(&node.at("at"), format!("{} starts by light and lacks `{key}`", node.label), "it needs sensor, light_lx or light_wm2, from_elevation_deg and at_latest_elevation_deg");
            lacking = true;
        }
    }
    if lacking {
        return None;
    }
    let sensor = node.one("sensor")?;
    let kind = context
        .sensors
        .get(sensor)
        .and_then(Option::as_ref)
        .map(|s| s.kind);
    let key = match kind {
        Some(SensorKind::HorizontalIlluminance | SensorKind::PlaneIlluminance) => "light_lx",
        Some(SensorKind::GlobalHorizontal | SensorKind::PlaneIrradiance) => "light_wm2",
        _ => return None,
    };
    let Some(value) = node.number(key) else {
        reader.error(
            &node.at("sensor"),
            format!(
                "{} starts by light and lacks `{key}`, the value of its sensor",
                node.label
            ),
            format!("add `{key} = ...`"),
        );
        return None;
    };
    let other = if key == "light_lx" {
        "light_wm2"
    } else {
        "light_lx"
    };
    if node.has(other) {
        reader.error(
            &node.at(other),
            format!("`{other}` is not the unit of this sensor"),
            format!("its readings are compared with `{key}`"),
        );
    }
    let (from, latest) = (
        node.number("from_elevation_deg")?,
        node.number("at_latest_elevation_deg")?,
    );
    if (dusk && latest >= from) || (!dusk && latest <= from) {
        reader.error(
            &node.at("at_latest_elevation_deg"),
            format!("`at_latest_elevation_deg` {latest} comes before `from_elevation_deg` {from}: the window is closed"),
            if dusk { "at dusk the sun falls: at_latest must be the lower one" } else { "at dawn the sun rises: at_latest must be the higher one" },
        );
    }
    Some(Anchor::Twilight(Twilight {
        sensor: SensorId::of(sensor),
        value,
        dusk,
        from_elevation_deg: from,
        at_latest_elevation_deg: latest,
    }))
}

#[cfg(test)]
mod tests {
    use super::{CIVIL_ELEVATION_DEG, SUNRISE_ELEVATION_DEG, may_be_missing};

    /// Derived from the obliquity of the ecliptic, 23.44 degrees: no sunrise on
    /// some days from about 65.7 degrees on (midnight sun, with refraction), no
    /// civil night from 60.6 degrees on, a noon of 18.5 degrees at 48.1 in winter.
    #[test]
    fn events_that_a_latitude_may_miss() {
        for (latitude, elevation, missing) in [
            (48.1, SUNRISE_ELEVATION_DEG, false),
            (65.0, SUNRISE_ELEVATION_DEG, false),
            (66.0, SUNRISE_ELEVATION_DEG, true),
            (-66.0, SUNRISE_ELEVATION_DEG, true),
            (60.0, CIVIL_ELEVATION_DEG, false),
            (61.0, CIVIL_ELEVATION_DEG, true),
            (48.1, 18.0, false),
            (48.1, 25.0, true),
            (0.0, 60.0, false),
        ] {
            assert_eq!(
                may_be_missing(latitude, elevation),
                missing,
                "{latitude} {elevation}"
            );
        }
    }
}

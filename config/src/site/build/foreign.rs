//! Foreign sensors, contacts and plants: topics, units, message forms.

use crate::site::names::meant;
use crate::site::node::{Node, Span};
use crate::site::read::Reader;
use crate::wire::{
    ContactForm, DriveForm, DriveWire, PLACEHOLDERS, Quantity, ReportForm, ReportPart, SensorPart,
    SensorWire, TimeForm, TimePart,
};

/// Factor and offset from a foreign unit to ours, per kind of sensor.
/// Sources: km/h, kn, mph, inch, °F, K by definition (SI Brochure, 9th edition,
/// table 8 and text; international mile 1609.344 m, inch 25.4 mm, nautical mile 1852 m).
fn conversion(kind: &str, unit: &str) -> Option<(f64, f64)> {
    let one = Some((1.0, 0.0));
    match (kind, unit) {
        ("wind", "m/s")
        | ("rain", "mm/h" | "1")
        | ("hail", "1")
        | ("temperature" | "surface_temperature" | "room_temperature", "degC")
        | ("humidity", "%")
        | ("plane_irradiance" | "global_horizontal", "W/m2")
        | ("plane_illuminance" | "horizontal_illuminance", "lx")
        | ("direction", "deg") => one,
        ("wind", "km/h") => Some((1.0 / 3.6, 0.0)),
        ("wind", "kn") => Some((1852.0 / 3600.0, 0.0)),
        ("wind", "mph") => Some((1609.344 / 3600.0, 0.0)),
        ("rain", "in/h") => Some((25.4, 0.0)),
        ("temperature" | "surface_temperature" | "room_temperature", "degF") => {
            Some((5.0 / 9.0, -160.0 / 9.0))
        }
        ("temperature" | "surface_temperature" | "room_temperature", "K") => Some((1.0, -273.15)),
        ("humidity", "ratio") => Some((100.0, 0.0)),
        ("plane_illuminance" | "horizontal_illuminance", "klx") => Some((1000.0, 0.0)),
        _ => None,
    }
}

fn part(
    reader: &mut Reader<'_>,
    node: &Node,
    quantity: Quantity,
    kind: &str,
) -> Option<SensorPart> {
    let topic = topic(reader, node, "topic", &[])?;
    let (unit_factor, offset) = match node.word("unit") {
        None => (1.0, 0.0),
        Some(unit) => match conversion(kind, unit) {
            Some(conversion) => conversion,
            None => {
                reader.error(
                    &node.at("unit"),
                    format!("`unit` is \"{unit}\", which does not measure {kind}"),
                    "leave it out where the sensor speaks in our own unit",
                );
                return None;
            }
        },
    };
    let pointer = node
        .text("pointer")
        .filter(|p| !p.is_empty())
        .map(str::to_owned);
    Some(SensorPart {
        quantity,
        topic,
        pointer,
        factor: node.number("factor").unwrap_or(1.0) * unit_factor,
        offset,
    })
}

pub(crate) fn sensor(reader: &mut Reader<'_>, node: &Node) -> Option<SensorWire> {
    let kind = node.word("kind")?;
    let wind = kind == "wind";
    let parts = [
        ("gust", Quantity::Gust, "wind"),
        ("mean", Quantity::Mean, "wind"),
        ("direction", Quantity::Direction, "direction"),
    ];
    let mut found = Vec::new();
    for (key, quantity, measures) in parts {
        let Some(table) = node.table(key) else {
            continue;
        };
        if !wind {
            reader.error(
                &table.span,
                format!("`{key}` stands in a sensor of kind \"{kind}\"; it belongs to wind"),
                "use `topic` and `pointer`",
            );
        }
        found.push(part(reader, table, quantity, measures)?);
    }
    if node.has("topic") {
        if wind {
            reader.error(&node.at("topic"), "a wind sensor's `topic` does not say whether it is gust or mean", "write `gust = { topic = \"...\", pointer = \"...\" }`, and `mean` and `direction` likewise");
            return None;
        }
        found.push(part(reader, node, Quantity::Value, kind)?);
    }
    if found.is_empty() {
        for key in ["pointer", "unit", "factor", "time"] {
            if node.has(key) {
                reader.error(
                    &node.at(key),
                    format!(
                        "`{key}` is for foreign sensors, and {} has no foreign topic",
                        node.label
                    ),
                    "add `topic`, or leave it out",
                );
            }
        }
        return Some(SensorWire::Own);
    }
    if wind && !found.iter().any(|p| p.quantity != Quantity::Direction) {
        reader.error(
            &node.at("direction"),
            format!("{} has a direction but neither gust nor mean", node.label),
            "add `gust = { ... }`",
        );
    }
    let time = node.table("time").and_then(|time| {
        let form = match time.word("form")? {
            "rfc3339" => TimeForm::Rfc3339,
            "unix_s" => TimeForm::UnixS,
            _ => TimeForm::UnixMs,
        };
        Some(TimePart {
            pointer: time.text("pointer")?.to_owned(),
            form,
        })
    });
    Some(SensorWire::Foreign { parts: found, time })
}

pub(crate) fn contact(reader: &mut Reader<'_>, node: &Node) -> Option<Option<ContactForm>> {
    two_states(reader, node, ("active", "inactive"))
}

/// A foreign message with two states. The outer option says whether it was sound.
pub(crate) fn two_states(
    reader: &mut Reader<'_>,
    node: &Node,
    (on, off): (&str, &str),
) -> Option<Option<ContactForm>> {
    if !node.has("topic") {
        for key in ["pointer", on, off] {
            if node.has(key) {
                reader.error(
                    &node.at(key),
                    format!("`{key}` is for foreign topics, and {} has none", node.label),
                    "add `topic`, or leave it out",
                );
            }
        }
        return Some(None);
    }
    let topic = topic(reader, node, "topic", &[])?;
    let (Some(active), Some(inactive)) = (node.text(on), node.text(off)) else {
        if node.sound {
            reader.error(
                &node.at("topic"),
                format!(
                    "{} has a foreign topic and lacks `{on}` or `{off}`",
                    node.label
                ),
                format!("say what the messages hold: `{on} = \"1\"`, `{off} = \"0\"`"),
            );
        }
        return None;
    };
    if active == inactive {
        reader.error(
            &node.at(off),
            format!("`{on}` and `{off}` are the same word"),
            "nobody could tell them apart",
        );
    }
    let pointer = node
        .text("pointer")
        .filter(|p| !p.is_empty())
        .map(str::to_owned);
    Some(Some(ContactForm {
        topic,
        pointer,
        active: active.to_owned(),
        inactive: inactive.to_owned(),
    }))
}

pub(crate) fn form(reader: &mut Reader<'_>, node: &Node) -> Option<DriveForm> {
    let pose = message(reader, node.table("pose")?)?;
    if !["{extension_pct}", "{retraction_pct}"]
        .iter()
        .any(|p| pose.1.contains(p) || pose.0.contains(p))
    {
        reader.error(
            &node.at("pose"),
            "neither topic nor message of `pose` says how far to go",
            "put {extension_pct} or {retraction_pct} into the message",
        );
    }
    let halt = match node.table("halt") {
        None => None,
        Some(halt) => Some(message(reader, halt)?),
    };
    let report = match node.table("report") {
        None => None,
        Some(report) => Some(ReportForm {
            topic: per_drive(reader, report)?,
            extension: report_part(
                reader,
                report,
                "extension",
                "extension_factor",
                Some("extension_offset_pct"),
            ),
            tilt: report_part(
                reader,
                report,
                "tilt",
                "tilt_factor",
                Some("tilt_offset_deg"),
            ),
            power: report_part(reader, report, "power", "power_factor", None),
            current: report_part(reader, report, "current", "current_factor", None),
            moving: report.text("moving").map(str::to_owned),
            fault: report.text("fault").map(str::to_owned),
        }),
    };
    Some(DriveForm {
        name: node.text("name")?.to_owned(),
        pose,
        halt,
        report,
    })
}

fn report_part(
    reader: &mut Reader<'_>,
    node: &Node,
    pointer: &str,
    factor: &str,
    offset: Option<&str>,
) -> Option<ReportPart> {
    let number = node.number(factor)?;
    if number == 0.0 {
        reader.error(
            &node.at(factor),
            format!("`{factor}` is 0: every report would say the same"),
            "-1 turns a count round, 0.001 makes W of mW",
        );
    }
    let with = [Some(factor), offset].into_iter().flatten();
    if node.text(pointer).is_none() {
        for key in with.filter(|key| node.has(key)) {
            reader.error(
                &node.at(key),
                format!("`{key}` without `{pointer}` is of no use"),
                format!("say with `{pointer}` where the number stands"),
            );
        }
    }
    Some(ReportPart {
        pointer: node.text(pointer)?.to_owned(),
        factor: number,
        offset: offset.map_or(Some(0.0), |offset| node.number(offset))?,
    })
}

fn message(reader: &mut Reader<'_>, node: &Node) -> Option<(String, String)> {
    let topic = per_drive(reader, node)?;
    let message = node.text("message")?.to_owned();
    placeholders(reader, &message, &node.at("message"), true)?;
    Some((topic, message))
}

/// A topic that is a different one for each drive.
fn per_drive(reader: &mut Reader<'_>, node: &Node) -> Option<String> {
    let known: Vec<&str> = PLACEHOLDERS.iter().map(|(name, _)| *name).collect();
    let topic = topic(reader, node, "topic", &known)?;
    if !topic.contains("{address}") && !topic.contains("{device}") {
        reader.error(
            &node.at("topic"),
            "the topic is the same for every drive",
            "put {address} or {device} into it",
        );
    }
    Some(topic)
}

fn topic(reader: &mut Reader<'_>, node: &Node, key: &str, allowed: &[&str]) -> Option<String> {
    let text = node.text(key)?;
    let span = node.at(key);
    if text.contains(['#', '+', '\0']) {
        reader.error(
            &span,
            format!("`{key}` is \"{text}\": wildcards name many topics, one is needed"),
            "write the full topic",
        );
        return None;
    }
    if allowed.is_empty() {
        if text.contains(['{', '}']) {
            reader.error(
                &span,
                format!("`{key}` is \"{text}\": placeholders have no meaning here"),
                "write the full topic",
            );
            return None;
        }
    } else {
        placeholders(reader, text, &span, false)?;
    }
    Some(text.to_owned())
}

/// Whether all `{words}` in a text are known. In messages, braces that hold no
/// bare word (JSON) are left alone.
fn placeholders(reader: &mut Reader<'_>, text: &str, span: &Span, json: bool) -> Option<()> {
    for piece in text.split('{').skip(1) {
        let word = piece.split('}').next().unwrap_or("");
        let bare = !word.is_empty()
            && word
                .chars()
                .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
            && piece.contains('}');
        if (bare || !json) && !PLACEHOLDERS.iter().any(|(name, _)| *name == word) {
            let known: Vec<_> = PLACEHOLDERS
                .iter()
                .map(|(name, _)| format!("{{{name}}}"))
                .collect();
            let near = meant(word, PLACEHOLDERS.iter().map(|(name, _)| *name));
            let hint = near.map_or_else(
                || format!("known: {}", known.join(", ")),
                |near| format!("did you mean {{{near}}}?"),
            );
            reader.error(span, format!("`{{{word}}}` is no placeholder"), hint);
            return None;
        }
    }
    Some(())
}

pub(crate) fn drives(node: &Node) -> Vec<DriveWire> {
    let names: Vec<String> = match (node.text("name"), node.texts("names")) {
        (Some(name), _) => vec![name.to_owned()],
        (None, Some(names)) => names.iter().map(|(name, _)| name.clone()).collect(),
        (None, None) => vec![String::new()],
    };
    let addresses: Vec<&str> = node
        .texts("addresses")
        .map(|all| all.iter().map(|(a, _)| a.as_str()).collect())
        .unwrap_or_else(|| node.text("address").into_iter().collect());
    let drive = |(index, name): (usize, String)| match node.one("drive_form") {
        None => DriveWire::Own,
        Some(form) => DriveWire::Foreign {
            form,
            address: addresses.get(index).map_or(name, |a| (*a).to_owned()),
        },
    };
    names.into_iter().enumerate().map(drive).collect()
}

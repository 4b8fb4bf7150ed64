//! Sensors and contacts.

use crate::site::node::Node;
use crate::site::read::{Reader, Tree};
use leeside_core::ids::{GatewayId, GroupId, SensorId};
use leeside_core::model::{
    Contact, ContactKind, Sensor, SensorKind, SwitchRule, Unheard, Validity, ZeroCheck,
};

pub(crate) fn sensors(reader: &mut Reader<'_>, tree: &Tree) -> Vec<Option<Sensor>> {
    tree.all("sensor")
        .iter()
        .map(|node| sensor(reader, node))
        .collect()
}

/// The kind of a sensor by the word of the file.
fn sensor_kind(word: &str) -> SensorKind {
    match word {
        "wind" => SensorKind::Wind,
        "rain" => SensorKind::Rain,
        "hail" => SensorKind::Hail,
        "temperature" => SensorKind::Temperature,
        "humidity" => SensorKind::Humidity,
        "surface_temperature" => SensorKind::SurfaceTemperature,
        "room_temperature" => SensorKind::RoomTemperature,
        "plane_irradiance" => SensorKind::PlaneIrradiance,
        "plane_illuminance" => SensorKind::PlaneIlluminance,
        "global_horizontal" => SensorKind::GlobalHorizontal,
        _ => SensorKind::HorizontalIlluminance,
    }
}

/// What such a sensor can read at all, in its unit: wide enough for any weather
/// and for the small negative offsets of radiation sensors at night (common
/// practice, no source), narrow enough for a torn cable's full scale.
pub(crate) const fn believable(kind: SensorKind) -> (f64, f64) {
    match kind {
        SensorKind::Wind => (0.0, 75.0),
        SensorKind::Rain => (0.0, 500.0),
        SensorKind::Hail => (0.0, 10.0),
        SensorKind::Temperature => (-60.0, 60.0),
        SensorKind::Humidity => (0.0, 105.0),
        SensorKind::SurfaceTemperature => (-60.0, 95.0),
        SensorKind::RoomTemperature => (-30.0, 60.0),
        SensorKind::PlaneIrradiance | SensorKind::GlobalHorizontal => (-20.0, 1700.0),
        SensorKind::PlaneIlluminance | SensorKind::HorizontalIlluminance => (0.0, 200_000.0),
    }
}

fn sensor(reader: &mut Reader<'_>, node: &Node) -> Option<Sensor> {
    let kind = sensor_kind(node.word("kind")?);
    for key in ["facades", "zero_check", "gust_kept_s"] {
        if node.has(key) && kind != SensorKind::Wind {
            reader.error(
                &node.at(key),
                format!(
                    "`{key}` stands in a sensor of kind \"{}\"; it belongs to wind",
                    node.word("kind")?
                ),
                "leave it out",
            );
        }
    }
    let (low, high) = believable(kind);
    let min = node.number("range_min").unwrap_or(low);
    let max = node.number("range_max").unwrap_or(high);
    for (key, value, meaning) in [
        ("range_min", low, "Lowest believable value."),
        ("range_max", high, "Highest believable value."),
    ] {
        if !node.has(key) {
            reader.assume(&node.label, key, value.to_string(), meaning);
        }
    }
    if min >= max {
        reader.error(
            &node.at("range_max"),
            format!("the believable range runs from {min} to {max}: nothing is in it"),
            "range_min must be below range_max",
        );
    }
    let silence_ms = node.ms("silence_s")?;
    if kind == SensorKind::Wind && !node.has("gust_kept_s") {
        reader.assume(
            &node.label,
            "gust_kept_s",
            format!("{} s", silence_ms / 1000),
            "A gust that later readings leave out counts until it is this old.",
        );
    }
    let zero = node.table("zero_check").and_then(|zero| {
        Some(ZeroCheck {
            neighbour: SensorId::of(zero.one("neighbour")?),
            neighbour_mps: zero.number("neighbour_mps")?,
            for_ms: zero.ms("for_min")?,
        })
    });
    Some(Sensor {
        name: node.text("name")?.to_owned(),
        kind,
        validity: Validity {
            min,
            max,
            silence_ms,
            stuck_ms: node.ms("stuck_h"),
            max_rate_per_s: node.number("max_rate_per_s"),
            zero,
            recover_ms: node.ms("recover_s")?,
        },
        gust: match node.ms("gust_kept_s") {
            Some(0) => Unheard::ThisReadingOnly,
            Some(ms) => Unheard::KeptFor(ms),
            None => Unheard::KeptFor(silence_ms),
        },
        gateway: node.one("gateway").map(GatewayId::of),
    })
}

pub(crate) fn contacts(reader: &mut Reader<'_>, tree: &Tree) -> Vec<Option<Contact>> {
    tree.all("contact")
        .iter()
        .map(|node| contact(reader, node))
        .collect()
}

fn contact(reader: &mut Reader<'_>, node: &Node) -> Option<Contact> {
    let word = node.word("kind")?;
    let kind = match word {
        "door" => ContactKind::Door,
        "window" => ContactKind::Window,
        "fire" => ContactKind::Fire,
        "occupancy" => ContactKind::Occupancy,
        _ => ContactKind::Switch,
    };
    let latches = matches!(kind, ContactKind::Door | ContactKind::Window);
    if node.has("latch_s") && !latches {
        reader.error(
            &node.at("latch_s"),
            format!(
                "`latch_s` stands in a contact of kind \"{word}\"; it belongs to doors and windows"
            ),
            "leave it out",
        );
    }
    match (kind, node.table("switch")) {
        (ContactKind::Switch, None) if node.sound => {
            reader.error(
                &node.span,
                format!(
                    "{} is a switch and lacks `switch`: nobody knows what it asks for",
                    node.label
                ),
                "add `switch = { group = \"...\", asks = \"extend\" }`",
            );
        }
        (
            ContactKind::Door | ContactKind::Window | ContactKind::Fire | ContactKind::Occupancy,
            Some(switch),
        ) => {
            reader.error(
                &switch.span,
                format!("`switch` stands in a contact of kind \"{word}\""),
                "set kind = \"switch\", or leave it out",
            );
        }
        _ => {}
    }
    let switch = node.table("switch").and_then(|switch| {
        Some(SwitchRule {
            group: GroupId::of(switch.one("group")?),
            extend: switch.word("asks")? == "extend",
            long_press_ms: switch.ms("long_press_ms")?,
        })
    });
    Some(Contact {
        name: node.text("name")?.to_owned(),
        kind,
        silence_ms: node.ms("silence_s"),
        latch_ms: if latches { node.ms("latch_s")? } else { 0 },
        switch,
        gateway: node.one("gateway").map(GatewayId::of),
    })
}

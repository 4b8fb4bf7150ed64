//! Site, policy, facades, rooms, openings.

use crate::site::form::Kind;
use crate::site::names::meant;
use crate::site::node::{Node, Span};
use crate::site::read::{Reader, Tree};
use chrono_tz::{TZ_VARIANTS, Tz};
use leeside_core::ids::{ContactId, SensorId};
use leeside_core::model::{Facade, FrozenWind, Policy, Room, Site};
use leeside_solar::reach::Section;
use leeside_solar::shade::{Horizon, Obstructions, Opening};
use leeside_solar::{Atmosphere, Location, Plane};

pub(crate) fn site(reader: &mut Reader<'_>, tree: &Tree) -> Option<Site> {
    let node = tree.one("site")?;
    let zone = zone(reader, node);
    let altitude_m = node.number("altitude_m")?;
    let location = Location::new(
        node.number("latitude_deg")?,
        node.number("longitude_deg")?,
        altitude_m,
    );
    let location = reader.ranged(&node.span, location)?;
    let mut atmosphere = Atmosphere::standard(altitude_m);
    if let Some(pressure) = node.number("pressure_hpa") {
        atmosphere.pressure_hpa = pressure;
    }
    atmosphere.temperature_c = node.number("temperature_c")?;
    Some(Site {
        name: node.text("name")?.to_owned(),
        location,
        atmosphere,
        zone: zone?,
        albedo: node.number("albedo")?,
        linke_turbidity: node.number("linke_turbidity")?,
    })
}

fn zone(reader: &mut Reader<'_>, node: &Node) -> Option<Tz> {
    let text = node.text("zone")?;
    match text.parse() {
        Ok(zone) => Some(zone),
        Err(_) => {
            let near = meant(text, TZ_VARIANTS.iter().map(|zone| zone.name()));
            let hint = near.map_or_else(
                || "zones are named like Europe/Berlin or America/New_York".to_owned(),
                |near| format!("did you mean \"{near}\"?"),
            );
            reader.error(
                &node.at("zone"),
                format!("`zone` is \"{text}\", which is no IANA time zone"),
                hint,
            );
            None
        }
    }
}

pub(crate) fn policy(tree: &Tree) -> Option<Policy> {
    let node = tree.one("policy")?;
    let fire = node.table("fire_moves_service")?;
    let frozen = node.table("frozen_device_in_wind")?;
    let time_to_safe_max_ms = node.ms("time_to_safe_max_s")?;
    Some(Policy {
        fire_moves_service: fire.flag("answer")?,
        fire_moves_service_decided: decided(fire)?,
        frozen_wind: if frozen.word("answer")? == "refuge" {
            FrozenWind::Refuge
        } else {
            FrozenWind::Hold
        },
        frozen_wind_decided: decided(frozen)?,
        known_for_ms: node.ms("weather_known_for_s")?,
        service_reminder_ms: node.ms("service_reminder_h")?,
        command_lifetime_ms: node.ms("command_lifetime_s")?,
        answer_grace_ms: leeside_core::model::ANSWER_GRACE_MS,
        time_to_safe_max_ms,
        exposure_max_ms: node.ms("exposure_max_s").unwrap_or(time_to_safe_max_ms),
    })
}

fn decided(node: &Node) -> Option<String> {
    Some(format!(
        "{}, {}",
        node.text("decided_by")?,
        node.date("decided_on")?
    ))
}

pub(crate) fn facades(reader: &mut Reader<'_>, tree: &Tree) -> Vec<Option<Facade>> {
    tree.all("facade")
        .iter()
        .map(|node| facade(reader, node))
        .collect()
}

fn facade(reader: &mut Reader<'_>, node: &Node) -> Option<Facade> {
    let light = node
        .many("light")
        .unwrap_or_default()
        .iter()
        .map(|(sensor, _)| SensorId::of(*sensor))
        .collect();
    let mut obstructions = Obstructions::default();
    if let Some(points) = node.pairs("horizon_deg") {
        let horizon = Horizon::new(points);
        obstructions = obstructions.with_horizon(reader.ranged(&node.at("horizon_deg"), horizon)?);
    }
    if let Some(opposite) = node.table("opposite") {
        let made = obstructions
            .with_opposite(opposite.number("height_m")?, opposite.number("distance_m")?);
        obstructions = reader.ranged(&opposite.span, made)?;
    }
    let plane = Plane::new(node.number("azimuth_deg")?, node.number("tilt_deg")?);
    Some(Facade {
        name: node.text("name")?.to_owned(),
        plane: reader.ranged(&node.span, plane)?,
        obstructions,
        light,
    })
}

pub(crate) fn rooms(reader: &mut Reader<'_>, tree: &Tree) -> Vec<Option<Room>> {
    let _ = reader;
    let room = |node: &Node| {
        Some(Room {
            name: node.text("name")?.to_owned(),
            occupancy: node.one("occupancy").map(ContactId::of),
            temperature: node.one("temperature").map(SensorId::of),
        })
    };
    tree.all("room").iter().map(room).collect()
}

/// An opening, with what only the solar crate's section and shade need.
#[derive(Debug, Clone)]
pub(crate) struct OpeningDraft {
    pub(crate) facade: usize,
    pub(crate) opening: Opening,
    pub(crate) obstructions: Obstructions,
    sill_m: Option<f64>,
    wall_m: f64,
}

impl OpeningDraft {
    /// The section through it for a work plane; nothing where no sill is stated.
    pub(crate) fn section(
        &self,
        reader: &mut Reader<'_>,
        plane_m: f64,
        span: &Span,
    ) -> Option<Section> {
        let sill_m = self.sill_m?;
        let head_m = sill_m + self.opening.height_m();
        reader.ranged(span, Section::new(head_m, sill_m, plane_m, self.wall_m))
    }

    pub(crate) const fn has_sill(&self) -> bool {
        self.sill_m.is_some()
    }
}

pub(crate) fn openings(
    reader: &mut Reader<'_>,
    tree: &Tree,
    facades: &[Option<Facade>],
) -> Vec<Option<OpeningDraft>> {
    debug_assert_eq!(facades.len(), reader.names.count(Kind::Facade));
    tree.all("opening")
        .iter()
        .map(|node| opening(reader, node, facades))
        .collect()
}

fn opening(
    reader: &mut Reader<'_>,
    node: &Node,
    facades: &[Option<Facade>],
) -> Option<OpeningDraft> {
    let facade = node.one("facade")?;
    let opening = Opening::new(
        node.number("width_mm")? / 1000.0,
        node.number("height_mm")? / 1000.0,
    );
    let opening = reader.ranged(&node.span, opening)?;
    let mut obstructions = facades.get(facade)?.as_ref()?.obstructions.clone();
    obstructions = reader.ranged(
        &node.at("reveal_mm"),
        obstructions.with_reveal(node.number("reveal_mm")? / 1000.0),
    )?;
    let plate = |key: &str| {
        node.table(key)
            .and_then(|gap| Some((gap.number("depth_m")?, gap.number("gap_m")?)))
    };
    if let Some((depth, gap)) = plate("overhang") {
        obstructions =
            reader.ranged(&node.at("overhang"), obstructions.with_overhang(depth, gap))?;
    }
    if let Some((depth, gap)) = plate("left_fin") {
        obstructions =
            reader.ranged(&node.at("left_fin"), obstructions.with_left_fin(depth, gap))?;
    }
    if let Some((depth, gap)) = plate("right_fin") {
        obstructions = reader.ranged(
            &node.at("right_fin"),
            obstructions.with_right_fin(depth, gap),
        )?;
    }
    Some(OpeningDraft {
        facade,
        opening,
        obstructions,
        sill_m: node.number("sill_mm").map(|mm| mm / 1000.0),
        wall_m: node.number("wall_mm")? / 1000.0,
    })
}

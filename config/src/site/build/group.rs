//! Groups: devices that are commanded together, with their guards and wishes.

use super::place::OpeningDraft;
use super::plant::DeviceDraft;
use super::pose::{with_article, word};
use super::rules::{AimDraft, PoseAt, Rules, SunDraft};
use super::wind;
use crate::site::form::Kind as NameKind;
use crate::site::node::{Node, Span};
use crate::site::read::{Reader, Tree};
use leeside_core::ids::{DeviceId, FacadeId, RoomId, TimetableId};
use leeside_core::model::{
    Facade, FireRule, Group, HandRule, HeatRule, Kind, Product, QuietHours, SunAim, SunRule,
};
use leeside_core::pose::Pose;
use leeside_core::time::MINUTE;
use leeside_solar::Slats;
use leeside_solar::reach::{Awning, Section};
use std::collections::BTreeMap;

/// What groups are made of.
pub(crate) struct Parts<'p> {
    pub(crate) facades: &'p [Option<Facade>],
    pub(crate) openings: &'p [Option<OpeningDraft>],
    pub(crate) products: &'p [Option<Product>],
    pub(crate) devices: &'p [Option<DeviceDraft>],
    pub(crate) rules: &'p Rules,
}

pub(crate) fn groups(
    reader: &mut Reader<'_>,
    tree: &Tree,
    parts: &Parts<'_>,
) -> Vec<Option<Group>> {
    let mut taken: BTreeMap<usize, String> = BTreeMap::new();
    let mut groups = Vec::new();
    for node in tree.all("group") {
        membership(reader, node, &mut taken);
        groups.push(group(reader, tree, node, parts));
    }
    if tree
        .all("group")
        .iter()
        .any(|node| !node.sound && !node.has("devices"))
        || reader.unresolved.contains(&NameKind::Device)
    {
        return groups;
    }
    for (index, device) in parts.devices.iter().enumerate() {
        let Some(draft) = device else { continue };
        if !taken.contains_key(&index) {
            reader.error(
                &draft.span,
                format!(
                    "the device `{}` is in no group: nothing would ever move it, not even wind",
                    draft.device.name
                ),
                "name it in the `devices` of a [[group]]",
            );
        }
    }
    groups
}

/// A device belongs to one group only.
fn membership(reader: &mut Reader<'_>, node: &Node, taken: &mut BTreeMap<usize, String>) {
    let name = node.text("name").unwrap_or_default().to_owned();
    for (device, span) in node.many("devices").unwrap_or_default() {
        if let Some(other) = taken.get(device) {
            let named = reader.names.name(NameKind::Device, *device).to_owned();
            reader.error(
                span,
                format!("the device `{named}` is in the group `{other}` already"),
                "a device belongs to one group",
            );
        } else {
            taken.insert(*device, name.clone());
        }
    }
}

/// A group's devices, found to go together.
pub(crate) struct Members<'p> {
    pub(crate) devices: Vec<(usize, &'p DeviceDraft, &'p Product)>,
    facade: usize,
    kind: Kind,
    opening: Option<&'p OpeningDraft>,
    slats: Option<Slats>,
}

fn members<'p>(reader: &mut Reader<'_>, node: &Node, parts: &Parts<'p>) -> Option<Members<'p>> {
    let mut devices = Vec::new();
    for (index, span) in node.many("devices")? {
        let draft = parts.devices.get(*index)?.as_ref()?;
        let product = parts.products.get(draft.device.product.index())?.as_ref()?;
        devices.push((*index, draft, product, span));
    }
    let &(_, first, first_product, _) = devices.first()?;
    let facade_name = |facade: usize| {
        parts
            .facades
            .get(facade)
            .and_then(Option::as_ref)
            .map_or("", |f| &f.name)
    };
    for &(_, draft, product, span) in &devices {
        if draft.facade != first.facade {
            reader.error(
                span,
                format!(
                    "{} mixes facades: `{}` is on `{}`, `{}` on `{}`",
                    node.label,
                    first.device.name,
                    facade_name(first.facade),
                    draft.device.name,
                    facade_name(draft.facade)
                ),
                "one group for each facade: sun and wind differ",
            );
            return None;
        }
        if product.kind != first_product.kind {
            reader.error(
                span,
                format!(
                    "{} mixes kinds: `{}` is {}, `{}` {}",
                    node.label,
                    first.device.name,
                    with_article(first_product.kind),
                    draft.device.name,
                    with_article(product.kind)
                ),
                "one group for each kind: they need different poses",
            );
            return None;
        }
    }
    let area = |o: &OpeningDraft| o.opening.width_m() * o.opening.height_m();
    let openings = devices
        .iter()
        .filter_map(|(_, draft, ..)| parts.openings.get(draft.opening?)?.as_ref());
    let opening = openings.max_by(|a, b| area(a).total_cmp(&area(b)));
    let pitch = |s: &Slats| s.spacing_mm() / s.width_mm();
    let slats = devices
        .iter()
        .filter_map(|(_, _, product, _)| product.slats)
        .max_by(|a, b| pitch(a).total_cmp(&pitch(b)));
    Some(Members {
        facade: first.facade,
        kind: first_product.kind,
        devices: devices
            .into_iter()
            .map(|(index, draft, product, _)| (index, draft, product))
            .collect(),
        opening,
        slats,
    })
}

fn group(reader: &mut Reader<'_>, tree: &Tree, node: &Node, parts: &Parts<'_>) -> Option<Group> {
    let members = members(reader, node, parts)?;
    let (kind, slats) = (members.kind, members.slats);
    let rest = node.pose("rest").and_then(|rest| {
        reader.fit(
            rest,
            kind,
            slats.as_ref(),
            &node.at("rest"),
            &format!("`rest` of {}", node.label),
        )
    });
    let wind = wind::rule(reader, node, &members, parts.rules);
    let fire = fire(reader, node, &members, parts.rules);
    let sun = sun(reader, tree, node, &members, parts.rules);
    let mut rooms: Vec<RoomId> = Vec::new();
    for room in members
        .devices
        .iter()
        .filter_map(|(_, draft, _)| draft.device.room)
    {
        if !rooms.contains(&room) {
            rooms.push(room);
        }
    }
    let facade = parts.facades.get(members.facade)?.as_ref()?;
    Some(Group {
        name: node.text("name")?.to_owned(),
        facade: FacadeId::of(members.facade),
        kind,
        devices: members
            .devices
            .iter()
            .map(|(index, ..)| DeviceId::of(*index))
            .collect(),
        rooms,
        wind: wind?,
        hail: node
            .one("hail")
            .and_then(|i| parts.rules.hail.get(i)?.clone()),
        ice: node
            .one("ice")
            .and_then(|i| parts.rules.ice.get(i)?.clone()),
        rain: node
            .one("rain")
            .and_then(|i| parts.rules.rain.get(i)?.clone()),
        fire: fire?,
        timetable: TimetableId::of(node.one("timetable")?),
        rest: rest?,
        sun: sun?,
        hand: hand(reader, node, parts.rules)?,
        quiet: quiet(reader, node)?,
        slats,
        opening: members.opening.map(|o| o.opening),
        obstructions: members
            .opening
            .map_or_else(|| facade.obstructions.clone(), |o| o.obstructions.clone()),
    })
}

fn fire(
    reader: &mut Reader<'_>,
    node: &Node,
    members: &Members<'_>,
    rules: &Rules,
) -> Option<Option<FireRule>> {
    let Some(index) = node.one("fire") else {
        return Some(None);
    };
    let rule = rules.fire.get(index)?.as_ref()?;
    let pose = fitted(reader, &rule.pose, node, members)?;
    Some(Some(FireRule {
        contacts: rule.contacts.clone(),
        pose,
    }))
}

fn fitted(
    reader: &mut Reader<'_>,
    at: &PoseAt,
    node: &Node,
    members: &Members<'_>,
) -> Option<Pose> {
    let what = format!("{}, used by {},", at.what, node.label);
    reader.fit(
        at.pose,
        members.kind,
        members.slats.as_ref(),
        &at.span,
        &what,
    )
}

/// Without a hand rule, requests hold for an hour and the return is announced
/// five minutes before.
fn hand(reader: &mut Reader<'_>, node: &Node, rules: &Rules) -> Option<HandRule> {
    if let Some(index) = node.one("hand") {
        return *rules.hand.get(index)?;
    }
    reader.assume(
        &node.label,
        "hand",
        "hold_min 60, announce_min 5",
        "How long requests by hand hold.",
    );
    Some(HandRule {
        hold_ms: 60 * MINUTE,
        announce_ms: 5 * MINUTE,
    })
}

fn quiet(reader: &mut Reader<'_>, node: &Node) -> Option<Option<QuietHours>> {
    let Some(quiet) = node.table("quiet") else {
        return Some(None);
    };
    let (from_min, to_min) = (quiet.clock("from")?, quiet.clock("to")?);
    if from_min == to_min {
        reader.error(
            &quiet.span,
            "quiet hours begin when they end",
            "leave `quiet` out where there are none",
        );
    }
    Some(Some(QuietHours { from_min, to_min }))
}

fn sun(
    reader: &mut Reader<'_>,
    tree: &Tree,
    node: &Node,
    members: &Members<'_>,
    rules: &Rules,
) -> Option<Option<SunRule>> {
    let Some(index) = node.one("sun") else {
        return Some(None);
    };
    let draft = rules.sun.get(index)?.as_ref()?;
    let aim = aim(reader, tree, node, members, draft);
    let heat = match &draft.heat {
        None => None,
        Some(heat) => Some(HeatRule {
            outdoor: heat.outdoor,
            setpoint_c: heat.setpoint_c,
            band_k: heat.band_k,
            from_wm2: heat.from_wm2,
            keep_out: fitted(reader, &heat.keep_out, node, members)?,
            let_in: fitted(reader, &heat.let_in, node, members)?,
        }),
    };
    Some(Some(SunRule {
        aim: aim?,
        on_wm2: draft.on_wm2,
        off_wm2: draft.off_wm2,
        on_delay_ms: draft.on_delay_ms,
        off_delay_ms: draft.off_delay_ms,
        retract_delay_ms: draft.retract_delay_ms,
        least_step: draft.least_step,
        least_interval_ms: draft.least_interval_ms,
        cap: draft.cap,
        heat,
    }))
}

fn aim(
    reader: &mut Reader<'_>,
    tree: &Tree,
    node: &Node,
    members: &Members<'_>,
    draft: &SunDraft,
) -> Option<SunAim> {
    match (&draft.aim, members.kind) {
        (AimDraft::Track, Kind::SlatBlind) => Some(SunAim::TrackSlats),
        (AimDraft::Track, kind) => unsuited(
            reader,
            node,
            draft,
            &format!("tracks slats, but its devices are {}s", word(kind)),
            "use aim = \"fixed\" or \"depth\"",
        ),
        (AimDraft::Fixed(pose), _) => fitted(reader, pose, node, members).map(SunAim::Fixed),
        (AimDraft::Depth { .. }, Kind::SlatBlind) => unsuited(
            reader,
            node,
            draft,
            "keeps the sun to a depth, which slat blinds do by tilt",
            "use aim = \"track_slats\"",
        ),
        (AimDraft::Depth { depth_m, plane_m }, Kind::Awning) => match awning(reader, tree, members)
        {
            Some(awning) => Some(SunAim::Terrace {
                awning,
                depth_m: *depth_m,
                plane_m: *plane_m,
            }),
            None => unsuited(
                reader,
                node,
                draft,
                "keeps the sun to a depth, but its products do not state `awning`",
                "add `awning = { mount_m = ..., projection_m = ..., pitch_deg = ... }` to the product",
            ),
        },
        (AimDraft::Depth { depth_m, plane_m }, Kind::RollerShutter | Kind::Screen) => {
            match members.opening.filter(|o| o.has_sill()) {
                Some(opening) => {
                    section(reader, opening, *plane_m, &draft.span).map(|section| SunAim::Depth {
                        section,
                        depth_m: *depth_m,
                    })
                }
                None => unsuited(
                    reader,
                    node,
                    draft,
                    "keeps the sun to a depth, but its devices cover no opening with `sill_mm`",
                    "add `sill_mm` to the [[opening]]",
                ),
            }
        }
    }
}

fn section(
    reader: &mut Reader<'_>,
    opening: &OpeningDraft,
    plane_m: f64,
    span: &Span,
) -> Option<Section> {
    opening.section(reader, plane_m, span)
}

fn unsuited(
    reader: &mut Reader<'_>,
    node: &Node,
    draft: &SunDraft,
    what: &str,
    hint: &str,
) -> Option<SunAim> {
    reader.error(
        &node.at("sun"),
        format!("the sun rule `{}` of {} {what}", draft.name, node.label),
        hint,
    );
    None
}

/// Geometry of the awnings: of several products, the one that reaches least far.
fn awning(reader: &mut Reader<'_>, tree: &Tree, members: &Members<'_>) -> Option<Awning> {
    let mut found: Option<(f64, Awning)> = None;
    for (_, draft, _) in &members.devices {
        let node = tree
            .all("product")
            .get(draft.device.product.index())?
            .table("awning")?;
        let reach = node.number("projection_m")?;
        let made = Awning::new(
            node.number("mount_m")?,
            reach,
            node.number("pitch_deg")?,
            node.number("valance_m")?,
        );
        let made = reader.ranged(&node.span, made)?;
        if found.as_ref().is_none_or(|(least, _)| reach < *least) {
            found = Some((reach, made));
        }
    }
    found.map(|(_, awning)| awning)
}

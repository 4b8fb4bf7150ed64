//! Products, feeders, gateways, devices.

use super::place::OpeningDraft;
use super::pose::with_article;
use crate::site::node::{Node, Span};
use crate::site::read::{Reader, Tree};
use leeside_core::ids::{ContactId, FeederId, GatewayId, ProductId, RoomId};
use leeside_core::model::{
    Budget, Device, Drive, Evidence, Feeder, Gateway, Kind, Product, Refuges,
};
use leeside_core::pose::Pose;
use leeside_solar::Slats;

pub(crate) fn products(reader: &mut Reader<'_>, tree: &Tree) -> Vec<Option<Product>> {
    tree.all("product")
        .iter()
        .map(|node| product(reader, node))
        .collect()
}

fn product(reader: &mut Reader<'_>, node: &Node) -> Option<Product> {
    let kind = match node.word("kind")? {
        "slat_blind" => Kind::SlatBlind,
        "roller_shutter" => Kind::RollerShutter,
        "screen" => Kind::Screen,
        _ => Kind::Awning,
    };
    let slats = slats(reader, node, kind);
    if node.has("awning") && kind != Kind::Awning {
        reader.error(
            &node.at("awning"),
            format!("`awning` stands in {}", with_article(kind)),
            "it belongs to products with kind = \"awning\"",
        );
    }
    let duty = node.table("duty").and_then(|duty| {
        Some((
            duty,
            Budget {
                run_ms: duty.ms("run_min")?,
                window_ms: duty.ms("window_min")?,
            },
        ))
    });
    if let Some((duty, Budget { run_ms, window_ms })) = duty {
        if run_ms > window_ms {
            reader.error(
                &duty.span,
                "`run_min` is longer than `window_min`: that is no limit",
                "the motor may run for run_min within any window_min",
            );
        }
        let full = node
            .ms("travel_extend_s")
            .unwrap_or(0)
            .max(node.ms("travel_retract_s").unwrap_or(0));
        if run_ms < 2 * full {
            reader.error(
                &duty.span,
                format!(
                    "the duty budget of {} s does not even allow one travel out and back of {} s",
                    run_ms / 1000,
                    2 * full / 1000
                ),
                "look at the maker's sheet: short-time duty is usually some minutes",
            );
        }
    }
    let refuge = refuges(reader, node.table("refuge")?, kind, slats.as_ref());
    let (slats, refuge) = (slats, refuge?);
    if kind == Kind::SlatBlind && slats.is_none() {
        return None;
    }
    Some(Product {
        name: node.text("name")?.to_owned(),
        kind,
        extend_ms: node.ms("travel_extend_s")?,
        retract_ms: node.ms("travel_retract_s")?,
        tilt_ms: if kind == Kind::SlatBlind {
            node.ms("tilt_s")?
        } else {
            0
        },
        slats,
        wind_limit_mps: node.number("wind_limit_mps")?,
        wind_limit_source: node.text("wind_limit_source")?.to_owned(),
        refuge,
        reversal_pause_ms: node.ms("reversal_pause_s")?,
        budget: duty.map(|(_, budget)| budget),
        reference_after_moves: u32::try_from(node.whole("reference_after_moves")?).ok()?,
        endurance_cycles: node
            .whole("endurance_cycles")
            .and_then(|n| u32::try_from(n).ok()),
        g_total: node.number("g_total"),
    })
}

/// Slat geometry, and whether `tilt_s` and `slats` are there exactly for slat blinds.
fn slats(reader: &mut Reader<'_>, node: &Node, kind: Kind) -> Option<Slats> {
    for key in ["tilt_s", "slats"] {
        if kind == Kind::SlatBlind && !node.has(key) && node.sound {
            reader.error(
                &node.span,
                format!("{} is a slat blind and lacks `{key}`", node.label),
                format!("add `{key} = ...` from the maker's sheet"),
            );
        } else if kind != Kind::SlatBlind && node.has(key) {
            reader.error(
                &node.at(key),
                format!(
                    "`{key}` stands in {}, which has no slats",
                    with_article(kind)
                ),
                "leave it out, or set kind = \"slat_blind\"",
            );
        }
    }
    let slats = node.table("slats").filter(|_| kind == Kind::SlatBlind)?;
    let made = Slats::new(
        slats.number("width_mm")?,
        slats.number("spacing_mm")?,
        slats.number("tilt_min_deg")?,
        slats.number("tilt_max_deg")?,
        slats.number("margin_deg")?,
    );
    reader.ranged(&slats.span, made)
}

fn refuges(
    reader: &mut Reader<'_>,
    node: &Node,
    kind: Kind,
    slats: Option<&Slats>,
) -> Option<Refuges> {
    let mut one = |key: &str| -> Option<Option<Pose>> {
        if node.not_harmed(key) {
            return Some(None);
        }
        let what = format!("`{key}` of {}", node.label);
        reader
            .fit(node.pose(key)?, kind, slats, &node.at(key), &what)
            .map(Some)
    };
    let (wind, hail, ice, rain) = (one("wind"), one("hail"), one("ice"), one("rain"));
    Some(Refuges {
        wind: wind??,
        hail: hail?,
        ice: ice?,
        rain: rain?,
    })
}

pub(crate) fn feeders(tree: &Tree) -> Vec<Option<Feeder>> {
    let feeder = |node: &Node| {
        Some(Feeder {
            name: node.text("name")?.to_owned(),
            stagger_ms: node.ms("stagger_s")?,
            starts_at_once: u32::try_from(node.whole("starts_at_once")?).ok()?,
        })
    };
    tree.all("feeder").iter().map(feeder).collect()
}

pub(crate) fn gateways(tree: &Tree) -> Vec<Option<Gateway>> {
    let gateway = |node: &Node| {
        Some(Gateway {
            name: node.text("name")?.to_owned(),
            silence_ms: node.ms("silence_s")?,
        })
    };
    tree.all("gateway").iter().map(gateway).collect()
}

/// A device, where it hangs, and where it stands in the file.
#[derive(Debug, Clone)]
pub(crate) struct DeviceDraft {
    pub(crate) device: Device,
    pub(crate) facade: usize,
    pub(crate) opening: Option<usize>,
    /// A wind limit of its own, its source, and where that stands.
    pub(crate) limit: Option<(f64, String, Span)>,
    /// Which [[device]] table it is of, and where that stands.
    pub(crate) table: usize,
    pub(crate) span: Span,
}

/// Devices in the order of their names: one table may stand for many.
pub(crate) fn devices(
    reader: &mut Reader<'_>,
    tree: &Tree,
    openings: &[Option<OpeningDraft>],
) -> Vec<Option<DeviceDraft>> {
    let mut all = Vec::new();
    for (table, node) in tree.all("device").iter().enumerate() {
        let names: Vec<String> = match (node.text("name"), node.texts("names")) {
            (Some(name), None) => vec![name.to_owned()],
            (None, Some(names)) => names.iter().map(|(name, _)| name.clone()).collect(),
            (Some(name), Some(_)) => {
                reader.error(
                    &node.at("names"),
                    format!("{} has both `name` and `names`", node.label),
                    "give one of them",
                );
                vec![name.to_owned()]
            }
            (None, None) => {
                if node.sound {
                    reader.error(
                        &node.span,
                        format!(
                            "{} lacks `name` (or `names`, for several that are alike)",
                            node.label
                        ),
                        "add `names = [\"S-101..108\"]`",
                    );
                }
                vec![String::new(); reader.device_counts.get(table).copied().unwrap_or(1)]
            }
        };
        let common = common(reader, tree, node, openings, names.len());
        for (index, name) in names.into_iter().enumerate() {
            all.push(
                common
                    .as_ref()
                    .and_then(|common| common.device(name, index, table)),
            );
        }
    }
    all
}

/// What all devices of one table have in common.
struct Common {
    device: Device,
    feeders: Vec<FeederId>,
    facade: usize,
    opening: Option<usize>,
    limit: Option<(f64, String, Span)>,
    span: Span,
}

impl Common {
    fn device(&self, name: String, index: usize, table: usize) -> Option<DeviceDraft> {
        let mut device = self.device.clone();
        device.name = name;
        device.drive.feeder = *self.feeders.get(index % self.feeders.len().max(1))?;
        Some(DeviceDraft {
            device,
            facade: self.facade,
            opening: self.opening,
            limit: self.limit.clone(),
            table,
            span: self.span.clone(),
        })
    }
}

fn common(
    reader: &mut Reader<'_>,
    tree: &Tree,
    node: &Node,
    openings: &[Option<OpeningDraft>],
    count: usize,
) -> Option<Common> {
    let facade = facade_of(reader, node, openings);
    let feeders = feeders_of(reader, node);
    addresses(reader, node, count);
    let power = node.table("power").and_then(|power| {
        Some((
            power,
            power.number("running_from_w")?,
            power.number("too_much_w")?,
        ))
    });
    if let Some((power, from, too_much)) = &power
        && from >= too_much
    {
        reader.error(
            &power.span,
            format!("`running_from_w` {from} is not below `too_much_w` {too_much}"),
            "a running drive draws more than the first and less than the second: see the motor's plate, or measure it",
        );
    }
    let opening = node.one("opening");
    let device = Device {
        name: String::new(),
        product: ProductId::of(node.one("product")?),
        room: node.one("room").map(RoomId::of),
        opening: opening
            .and_then(|o| openings.get(o)?.as_ref())
            .map(|o| o.opening),
        drive: Drive {
            feeder: *feeders.as_ref()?.first()?,
            gateway: node.one("gateway").map(GatewayId::of),
            evidence: power.map(|(power, running_from_w, too_much_w)| Evidence {
                running_from_w,
                too_much_w,
                supply_v: power.number("supply_v"),
            }),
            reports: reports(tree, node),
        },
        doors: node
            .many("doors")
            .unwrap_or_default()
            .iter()
            .map(|(door, _)| ContactId::of(*door))
            .collect(),
        escape: node.flag("escape")?,
    };
    Some(Common {
        device,
        feeders: feeders?,
        facade: facade?,
        opening,
        limit: node.table("wind_limit").and_then(|limit| {
            let source = limit.text("source")?.to_owned();
            Some((limit.number("mps")?, source, limit.at("mps")))
        }),
        span: node.span.clone(),
    })
}

/// Whether the plant tells where the drive stands: as stated, else if its form does.
fn reports(tree: &Tree, node: &Node) -> bool {
    let form = node
        .one("drive_form")
        .and_then(|form| tree.all("drive_form").get(form));
    node.flag("reports")
        .unwrap_or_else(|| form.is_none_or(|form| form.has("report")))
}

fn facade_of(
    reader: &mut Reader<'_>,
    node: &Node,
    openings: &[Option<OpeningDraft>],
) -> Option<usize> {
    let by_opening = node
        .one("opening")
        .and_then(|o| openings.get(o)?.as_ref())
        .map(|o| o.facade);
    match (by_opening, node.one("facade")) {
        (Some(there), Some(here)) if there != here => {
            reader.error(
                &node.at("facade"),
                format!("{} names a facade that its opening is not in", node.label),
                "leave `facade` out: the opening says it",
            );
            None
        }
        (Some(facade), _) | (None, Some(facade)) => Some(facade),
        (None, None) => {
            if node.sound && !node.has("opening") {
                reader.error(
                    &node.span,
                    format!(
                        "{} lacks `opening` (or `facade`, where it covers none)",
                        node.label
                    ),
                    "without it nobody knows which sun and wind it meets",
                );
            }
            None
        }
    }
}

fn feeders_of(reader: &mut Reader<'_>, node: &Node) -> Option<Vec<FeederId>> {
    match (node.one("feeder"), node.many("feeders")) {
        (Some(feeder), None) => Some(vec![FeederId::of(feeder)]),
        (None, Some(feeders)) => Some(
            feeders
                .iter()
                .map(|(feeder, _)| FeederId::of(*feeder))
                .collect(),
        ),
        (Some(_), Some(_)) => {
            reader.error(
                &node.at("feeders"),
                format!("{} has both `feeder` and `feeders`", node.label),
                "give one of them",
            );
            None
        }
        (None, None) => {
            if node.sound {
                reader.error(
                    &node.span,
                    format!("{} lacks `feeder` (or `feeders`)", node.label),
                    "the stagger between starts hangs on it",
                );
            }
            None
        }
    }
}

fn addresses(reader: &mut Reader<'_>, node: &Node, count: usize) {
    let span = node.at(if node.has("addresses") {
        "addresses"
    } else {
        "address"
    });
    let stated = node
        .texts("addresses")
        .map(<[_]>::len)
        .or_else(|| node.has("address").then_some(1));
    let Some(stated) = stated else { return };
    if stated != count {
        reader.error(
            &span,
            format!("{stated} addresses for {count} devices"),
            "one for each name, in the same order",
        );
    } else if !node.has("drive_form") {
        reader.error(
            &span,
            "an address without `drive_form` means nothing",
            "name the [[drive_form]] that uses {address}",
        );
    }
}

//! A group's wind rule: the sensors of the rule it names, and the lowest limit
//! of all its devices.

use super::group::Members;
use super::plant::DeviceDraft;
use super::rules::Rules;
use crate::site::node::Node;
use crate::site::read::Reader;
use leeside_core::model::{Product, WindRule};

/// The group's wind rule; `Some(None)` where the file says why there is none.
pub(crate) fn rule(
    reader: &mut Reader<'_>,
    node: &Node,
    members: &Members<'_>,
    rules: &Rules,
) -> Option<Option<WindRule>> {
    let limit = limit(reader, node, members)?;
    if node.table("wind").is_some() {
        return Some(None);
    }
    let mut rule = rules.wind.get(node.one("wind")?)?.clone()?;
    (rule.limit_mps, rule.source) = limit;
    if rule.hysteresis_mps >= rule.limit_mps {
        reader.error(
            &node.at("wind"),
            format!(
                "the wind rule releases below {} m/s - {} m/s, which is never",
                rule.limit_mps, rule.hysteresis_mps
            ),
            "hysteresis_mps must be less than the lowest limit of the groups that use the rule",
        );
    }
    Some(Some(rule))
}

/// What one device bears, where that is said, and how a person would name it.
struct Bears {
    mps: f64,
    source: String,
    who: String,
}

/// The lower of a device's own limit and its product's.
fn bears(reader: &mut Reader<'_>, draft: &DeviceDraft, product: &Product) -> Bears {
    let of_product = Bears {
        mps: product.wind_limit_mps,
        source: format!("{} ({})", product.wind_limit_source, product.name),
        who: format!("`{}` ({})", draft.device.name, product.name),
    };
    let Some((mps, source, span)) = draft.limit.clone() else {
        return of_product;
    };
    if mps > of_product.mps {
        reader.error(
            &span,
            format!(
                "the device's wind limit of {mps} m/s is above that of its product `{}`, {} m/s",
                product.name, of_product.mps
            ),
            "a device's limit may only be lower; what the product bears is said in [[product]]",
        );
        return of_product;
    }
    Bears {
        mps,
        source,
        ..of_product
    }
}

/// The lowest limit of a group's devices, or the group's own, which may only be lower.
fn limit(reader: &mut Reader<'_>, node: &Node, members: &Members<'_>) -> Option<(f64, String)> {
    let all: Vec<Bears> = members
        .devices
        .iter()
        .map(|(_, draft, product)| bears(reader, draft, product))
        .collect();
    let lowest = all.iter().min_by(|a, b| a.mps.total_cmp(&b.mps))?;
    let highest = all.iter().max_by(|a, b| a.mps.total_cmp(&b.mps))?;
    if lowest.mps < highest.mps {
        reader.warn(
            &node.at("devices"),
            format!(
                "{} mixes different wind limits: {} at {} m/s and {} at {} m/s; the lowest counts for all",
                node.label, lowest.who, lowest.mps, highest.who, highest.mps
            ),
            "one group for each limit, if that is not meant",
        );
    }
    let Some(own) = node.table("wind_limit") else {
        return Some((lowest.mps, lowest.source.clone()));
    };
    let mps = own.number("mps")?;
    if mps > lowest.mps {
        reader.error(
            &own.at("mps"),
            format!(
                "the group's wind limit of {mps} m/s is above that of {}, {} m/s",
                lowest.who, lowest.mps
            ),
            "a group's limit may only be lower; what a product bears is said in [[product]]",
        );
    }
    Some((mps, own.text("source")?.to_owned()))
}

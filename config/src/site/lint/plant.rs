//! Products and feeders.

use crate::site::build::Draft;
use crate::site::node::Node;
use crate::site::read::{Reader, Tree};
use leeside_core::model::{Kind, Product};

/// Limits above this are rather km/h: no external device bears 30 m/s in
/// operation (ranges of the trade, common practice).
const TOO_MUCH_MPS: f64 = 30.0;

/// Nominal test pressure of the wind classes, N/m².
///
/// EN 13561 classes 1 to 4: Regulation (EU) 2019/1188, table 1 (side-guided and
/// pergola awnings); 5 and 6 from memory. EN 13659 classes 1 to 6 from memory.
/// Class 0 was not tested or did not pass.
fn pressure_pa(standard: &str, class: i64) -> Option<f64> {
    let table: [f64; 6] = match standard {
        "EN 13561" => [40.0, 70.0, 110.0, 170.0, 270.0, 400.0],
        _ => [50.0, 70.0, 100.0, 170.0, 270.0, 400.0],
    };
    usize::try_from(class - 1)
        .ok()
        .and_then(|index| table.get(index))
        .copied()
}

/// The wind whose dynamic pressure (½ρv², ρ = 1.25 kg/m³, EN 1991-1-4) a class
/// stands for, m/s. A ceiling for a lint, never a limit.
fn ceiling_mps(standard: &str, class: i64) -> Option<f64> {
    pressure_pa(standard, class).map(|pressure| (pressure / 0.625).sqrt())
}

/// The Beaufort number of a mean wind: the scale's v = 0.836·B^1.5 m/s, with the
/// step between two numbers half-way (WMO).
fn beaufort(mps: f64) -> u8 {
    let top = |number: u8| {
        let half_way = f64::from(number) + 0.5;
        0.836 * half_way * half_way.sqrt()
    };
    (0..12).find(|number| mps < top(*number)).unwrap_or(12)
}

pub(crate) fn lint(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    for (node, product) in tree.all("product").iter().zip(&draft.products) {
        if let Some(product) = product {
            of_product(reader, node, product);
        }
    }
    feeders(reader, tree, draft);
}

fn of_product(reader: &mut Reader<'_>, node: &Node, product: &Product) {
    let limit = product.wind_limit_mps;
    if limit > TOO_MUCH_MPS {
        reader.warn(
            &node.at("wind_limit_mps"),
            format!("a wind limit of {limit} m/s is beyond what any such device bears"),
            format!("is it in km/h? {limit} km/h are {:.1} m/s", limit / 3.6),
        );
    }
    if let Some(class) = node.table("wind_class") {
        let stated = class.word("standard").zip(class.whole("class"));
        match stated.map(|(standard, class)| (standard, class, ceiling_mps(standard, class))) {
            Some((standard, class_no, Some(ceiling))) if limit > ceiling => reader.warn(
                &node.at("wind_limit_mps"),
                format!("the wind limit of {limit} m/s is above {ceiling:.1} m/s (Beaufort {}), the wind whose pressure class {class_no} of {standard} is tested to", beaufort(ceiling)),
                "a class is a static test of one size and no operating limit; the maker's sheet will say less",
            ),
            Some((standard, 0, None)) => reader.warn(
                &class.at("class"),
                format!("class 0 of {standard} means not tested, or not passed: no wind limit can rest on it"),
                "ask the maker",
            ),
            _ => {}
        }
    }
    if product.kind == Kind::Awning && product.refuge.wind.extension_pct > 0 {
        let refuge = node
            .table("refuge")
            .map_or_else(|| node.span.clone(), |r| r.at("wind"));
        reader.error(
            &refuge,
            format!(
                "the wind refuge of the awning `{}` extends it",
                product.name
            ),
            "an awning is out of the wind when it is retracted",
        );
    }
    let partial = |pct: u8| pct != 0 && pct != 100;
    if product.kind == Kind::RollerShutter && partial(product.refuge.wind.extension_pct) {
        let refuge = node
            .table("refuge")
            .map_or_else(|| node.span.clone(), |r| r.at("wind"));
        reader.warn(
            &refuge,
            format!("the wind refuge of the roller shutter `{}` is half way: that is where wind does most harm", product.name),
            "fully retracted or fully extended, as the maker's sheet says",
        );
    }
}

fn feeders(reader: &mut Reader<'_>, tree: &Tree, draft: &Draft) {
    let mut on_it = vec![0_usize; draft.feeders.len()];
    for draft in draft.devices.iter().flatten() {
        if let Some(drives) = on_it.get_mut(draft.device.drive.feeder.index()) {
            *drives += 1;
        }
    }
    let feeders = tree.all("feeder").iter().zip(&draft.feeders);
    for ((node, feeder), drives) in feeders.zip(on_it) {
        let Some(feeder) = feeder else { continue };
        let at_once = usize::try_from(feeder.starts_at_once).unwrap_or(usize::MAX);
        if feeder.stagger_ms == 0 && drives > at_once {
            reader.warn(
                &node.at("stagger_s"),
                format!(
                    "without a stagger all {drives} drives on `{}` start at the same moment, but only {at_once} may",
                    feeder.name
                ),
                "0.2 to 1 s between two starts is common practice; or raise starts_at_once, if the breaker bears it",
            );
        }
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::{beaufort, ceiling_mps};

    /// WMO's table of the scale: the highest mean wind of each number, m/s.
    #[test]
    fn beaufort_numbers_end_where_the_table_ends_them() {
        let tops = [
            (3, 5.4),
            (4, 7.9),
            (5, 10.7),
            (6, 13.8),
            (7, 17.1),
            (8, 20.7),
            (9, 24.4),
        ];
        for (number, top) in tops {
            assert_eq!(beaufort(top), number, "{top} m/s");
            assert_eq!(beaufort(top + 0.1), number + 1, "above {top} m/s");
        }
        assert_eq!((beaufort(0.0), beaufort(0.2), beaufort(60.0)), (0, 0, 12));
    }

    /// Wind from pressure, ½ρv² with ρ = 1.25 kg/m³, worked out apart from this code;
    /// and classes 1 to 3 of EN 13561 are meant for up to Beaufort 4, 5 and 6.
    #[test]
    fn wind_classes_stand_for_the_wind_of_their_pressure() {
        let table = [
            ("EN 13561", 1, 8.00),
            ("EN 13561", 2, 10.58),
            ("EN 13561", 3, 13.27),
            ("EN 13561", 4, 16.49),
            ("EN 13561", 5, 20.78),
            ("EN 13561", 6, 25.30),
            ("EN 13659", 1, 8.94),
            ("EN 13659", 2, 10.58),
            ("EN 13659", 3, 12.65),
            ("EN 13659", 4, 16.49),
            ("EN 13659", 5, 20.78),
            ("EN 13659", 6, 25.30),
        ];
        for (standard, class, mps) in table {
            let ceiling = ceiling_mps(standard, class).unwrap();
            assert!(
                (ceiling - mps).abs() < 0.005,
                "{standard} {class}: {ceiling}"
            );
        }
        for (class, top) in [(1, 7.9), (2, 10.7), (3, 13.8)] {
            let ceiling = ceiling_mps("EN 13561", class).unwrap();
            assert!((ceiling - top).abs() < 0.6, "class {class}: {ceiling}");
        }
        assert_eq!(ceiling_mps("EN 13561", 0), None);
        assert_eq!(ceiling_mps("EN 13659", 7), None);
    }
}

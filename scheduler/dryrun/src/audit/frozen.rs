//! When a group's devices may be frozen in their guides, worked out from the
//! weather and the site's rules alone, as `hazard` does with storms.
//!
//! What is frozen must not be moved: the ice guard holds it, and what wind may do
//! to it is a question that the site file has to answer
//! (`policy.frozen_device_in_wind`). A device that froze before it could be sent
//! away is *held*: it is out of its refuge because the site says that moving it
//! would be worse. That is no exposure longer than the site allows, and it is
//! not hidden either: the audit counts it in a column of its own. It is held only
//! if it could not have been sent away before (the frost had not lasted for
//! longer than the site allows a device to be exposed), and only while it really
//! stands still.

use super::hazard::{Spell, frost};
use super::watch::Watch;
use crate::weather::Series;
use leeside_core::ids::DeviceId;
use leeside_core::model::{FrozenWind, IceRule, Model};
use leeside_core::output::Word;
use leeside_core::time::Wall;

/// At or below this what is wet may freeze, °C.
const FREEZING_C: f64 = 0.0;

/// Spans of time, in order.
pub(super) type Spans = Vec<(Wall, Wall)>;

/// When devices under a rule may be frozen. `ice` are the storms of that rule. In
/// a gap, and where nobody knows whether it is wet, they may be.
pub(super) fn frozen(model: &Model, series: &Series, rule: &IceRule, ice: &[Spell]) -> Spans {
    let mut spans = Spans::new();
    let mut open: Option<(Wall, Wall)> = None;
    let (mut trusted, mut before): (Option<f64>, Option<Wall>) = (None, None);
    for (index, row) in series.rows.iter().enumerate() {
        let gap = before.filter(|end| *end < row.start);
        let frost = frost(model, rule, row, &series.rows[..index], series);
        // What was too cold to be sent away when it was last seen may freeze unseen.
        let unseen = trusted.is_some_and(|t| t <= rule.below_c);
        if let Some((_, end)) = open.as_mut().filter(|_| gap.is_some()) {
            *end = row.start.plus(rule.hold_ms);
        } else if let Some(begin) = gap.filter(|_| unseen) {
            open = Some((begin, row.start.plus(rule.hold_ms)));
        }
        if open.is_some_and(|(_, end)| end <= row.start) {
            spans.extend(open.take());
        }
        let wet = frost.moist != Some(false)
            || ice
                .iter()
                .any(|spell| spell.start() <= row.start && row.start < spell.end);
        let begins = match frost.coldest {
            Some(t) => t <= FREEZING_C && wet,
            None => unseen,
        };
        let warm = frost.coldest.is_some_and(|t| t > rule.above_c);
        match &mut open {
            Some((_, end)) if !warm => *end = row.end.plus(rule.hold_ms),
            Some(_) => {}
            None if begins => open = Some((row.start, row.end.plus(rule.hold_ms))),
            None => {}
        }
        trusted = frost.coldest.or(trusted);
        before = Some(row.end);
    }
    spans.extend(open);
    spans
}

/// When one device is held frozen from a hazard, by the rules of the site. `ice`
/// are the storms of its group's ice guard.
pub(super) fn held(
    model: &Model,
    watch: &Watch,
    device: DeviceId,
    hazard: Word,
    frozen: &[(Wall, Wall)],
    ice: &[Spell],
) -> Spans {
    // Wind and hail stand above the ice guard, ice and rain do not.
    let moves =
        matches!(hazard, Word::Wind | Word::Hail) && model.policy.frozen_wind == FrozenWind::Refuge;
    if moves {
        return Spans::new();
    }
    let allowed = model.policy.exposure_max_ms;
    let too_late = |from: Wall| {
        let within = |spell: &&Spell| spell.start() <= from && from < spell.end;
        ice.iter()
            .find(within)
            .is_none_or(|spell| from.0 - spell.start().0 <= allowed)
    };
    frozen
        .iter()
        .filter(|(from, _)| too_late(*from))
        .map(|(from, to)| (*from, watch.sets_out(device, *from, *to).unwrap_or(*to)))
        .filter(|(from, to)| from < to)
        .collect()
}

/// What of `spans` lies within `of`, and what does not.
pub(super) fn split(spans: &[(Wall, Wall)], of: &[(Wall, Wall)]) -> (Spans, Spans) {
    let (mut within, mut rest) = (Spans::new(), Spans::new());
    for (from, to) in spans {
        let mut at = *from;
        for (begin, end) in of {
            let (begin, end) = (at.max(*begin), (*to).min(*end));
            if begin < end {
                if at < begin {
                    rest.push((at, begin));
                }
                within.push((begin, end));
                at = end;
            }
        }
        if at < *to {
            rest.push((at, *to));
        }
    }
    (within, rest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_cut_where_others_begin_and_end() {
        let spans = |list: &[(i64, i64)]| -> Spans {
            list.iter().map(|(a, b)| (Wall(*a), Wall(*b))).collect()
        };
        let table = [
            (
                vec![(0, 10)],
                vec![(2, 5)],
                vec![(2, 5)],
                vec![(0, 2), (5, 10)],
            ),
            (vec![(0, 10)], vec![(-3, 20)], vec![(0, 10)], vec![]),
            (vec![(0, 10)], vec![(10, 20)], vec![], vec![(0, 10)]),
            (
                vec![(0, 4), (6, 9)],
                vec![(1, 2), (3, 7)],
                vec![(1, 2), (3, 4), (6, 7)],
                vec![(0, 1), (2, 3), (7, 9)],
            ),
        ];
        for (of, by, within, rest) in table {
            assert_eq!(
                split(&spans(&of), &spans(&by)),
                (spans(&within), spans(&rest)),
                "{of:?} by {by:?}"
            );
        }
    }
}

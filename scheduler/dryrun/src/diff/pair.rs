//! Which movement of one site is which of the other.

use super::{Difference, How, NEAR_MS, Step};

/// What differs between the movements of a group, in order of time.
pub(super) fn paired(old: &[Step], new: &[Step]) -> Vec<Difference> {
    let mut lists = Lists {
        old: open(old),
        new: open(new),
    };
    // What is the same on both sides is no difference.
    lists.pair(|a, b| a.pose == b.pose && a.word == b.word, 0);
    let mut found = lists.pair(|a, b| a.pose == b.pose, 0);
    found
        .iter_mut()
        .for_each(|difference| difference.how = How::OtherCause);
    let mut shifted = lists.pair(|a, b| a.pose == b.pose, NEAR_MS);
    shifted
        .iter_mut()
        .for_each(|difference| difference.how = How::Shifted);
    found.append(&mut shifted);
    let mut altered = lists.pair(|_, _| true, NEAR_MS);
    altered
        .iter_mut()
        .for_each(|difference| difference.how = How::Altered);
    found.append(&mut altered);
    let left =
        |steps: Vec<Option<&Step>>| steps.into_iter().flatten().cloned().collect::<Vec<Step>>();
    found.extend(left(lists.old).into_iter().map(|old| Difference {
        how: How::Removed,
        old: Some(old),
        new: None,
    }));
    found.extend(left(lists.new).into_iter().map(|new| Difference {
        how: How::Added,
        old: None,
        new: Some(new),
    }));
    found.sort_by_key(|difference| (difference.at(), difference.how));
    found
}

fn open(steps: &[Step]) -> Vec<Option<&Step>> {
    steps.iter().map(Some).collect()
}

/// Movements that are not paired yet, in order of time.
struct Lists<'a> {
    old: Vec<Option<&'a Step>>,
    new: Vec<Option<&'a Step>>,
}

impl Lists<'_> {
    /// Takes pairs that are alike and no farther apart than `near_ms` out of both
    /// lists: for each of the old in order of time, the nearest of the new (of
    /// equally near ones the earlier).
    fn pair(&mut self, alike: impl Fn(&Step, &Step) -> bool, near_ms: i64) -> Vec<Difference> {
        let mut found = vec![];
        // Everything of the new before this lies too far back for what follows.
        let mut begin = 0;
        for place in 0..self.old.len() {
            let Some(old) = self.old[place] else { continue };
            let far_back =
                |step: &Option<&Step>| step.is_none_or(|step| step.at.0 < old.at.0 - near_ms);
            while self.new.get(begin).is_some_and(far_back) {
                begin += 1;
            }
            let mut best: Option<(i64, usize)> = None;
            for (index, new) in self.new.iter().enumerate().skip(begin) {
                let Some(new) = new else { continue };
                let apart = (new.at.0 - old.at.0).abs();
                if new.at.0 > old.at.0 + near_ms {
                    break;
                }
                if apart <= near_ms
                    && alike(old, new)
                    && best.is_none_or(|(nearest, _)| apart < nearest)
                {
                    best = Some((apart, index));
                }
            }
            if let Some((_, index)) = best {
                self.old[place] = None;
                let new = self.new[index].take();
                found.push(Difference {
                    how: How::Altered,
                    old: Some(old.clone()),
                    new: new.cloned(),
                });
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leeside_core::output::Word;
    use leeside_core::pose::Pose;
    use leeside_core::time::{MINUTE, Wall};

    fn step(minute: i64, extension_pct: u8, word: Word) -> Step {
        Step {
            at: Wall(minute * MINUTE),
            pose: Pose::extension(extension_pct),
            word,
            reason: String::new(),
        }
    }

    fn told(old: &[Step], new: &[Step]) -> Vec<(How, Option<i64>, Option<i64>)> {
        let minute = |step: &Option<Step>| step.as_ref().map(|step| step.at.0 / MINUTE);
        paired(old, new)
            .iter()
            .map(|d| (d.how, minute(&d.old), minute(&d.new)))
            .collect()
    }

    #[test]
    fn movements_are_paired_by_hand_worked_cases() {
        use How::{Added, Altered, OtherCause, Removed, Shifted};
        let sun = |minute, pct| step(minute, pct, Word::Sun);
        // The same: nothing to tell.
        assert_eq!(
            told(&[sun(0, 100), sun(60, 0)], &[sun(0, 100), sun(60, 0)]),
            []
        );
        // Later by ten minutes; one dropped; one new.
        assert_eq!(
            told(
                &[sun(0, 100), sun(60, 0), sun(200, 50)],
                &[sun(10, 100), sun(60, 0), sun(300, 50)]
            ),
            [
                (Shifted, Some(0), Some(10)),
                (Removed, Some(200), None),
                (Added, None, Some(300))
            ]
        );
        // Half an hour is near, a minute more is not.
        assert_eq!(
            told(&[sun(0, 100)], &[sun(30, 100)]),
            [(Shifted, Some(0), Some(30))]
        );
        assert_eq!(
            told(&[sun(0, 100)], &[sun(31, 100)]),
            [(Removed, Some(0), None), (Added, None, Some(31))]
        );
        // Another pose at the same moment; another cause for the same.
        assert_eq!(
            told(&[sun(0, 40)], &[sun(0, 60)]),
            [(Altered, Some(0), Some(0))]
        );
        assert_eq!(
            told(&[sun(0, 0)], &[step(0, 0, Word::Wind)]),
            [(OtherCause, Some(0), Some(0))]
        );
        // The same pose wins over a nearer one of another pose.
        assert_eq!(
            told(&[sun(10, 100)], &[sun(11, 60), sun(20, 100)]),
            [(Shifted, Some(10), Some(20)), (Added, None, Some(11))]
        );
        // What is the same is not torn apart by a neighbour.
        assert_eq!(
            told(&[sun(0, 100), sun(20, 100)], &[sun(20, 100)]),
            [(Removed, Some(0), None)]
        );
    }

    #[test]
    fn nothing_is_lost_or_told_twice() {
        // A plain congruence (Knuth, TAOCP 2, §3.2.1) in place of a random source.
        let mut state = 12_345_u64;
        let mut draw = |most: u64| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % most
        };
        for _ in 0..200 {
            let mut list = || {
                let mut minutes: Vec<u64> = (0..draw(20)).map(|_| draw(300)).collect();
                minutes.sort_unstable();
                let steps = minutes.iter().map(|minute| {
                    let word = if draw(2) == 0 { Word::Sun } else { Word::Wind };
                    step(
                        i64::try_from(*minute).unwrap_or(0),
                        u8::try_from(draw(3) * 50).unwrap_or(0),
                        word,
                    )
                });
                steps.collect::<Vec<_>>()
            };
            let (old, new) = (list(), list());
            let found = paired(&old, &new);
            let same = |side: fn(&Difference) -> Option<&Step>, all: &[Step]| {
                let mut rest: Vec<&Step> = all.iter().collect();
                for step in found.iter().filter_map(side) {
                    let place = rest.iter().position(|other| *other == step);
                    assert!(place.is_some(), "told twice or made up: {step:?}");
                    place.map(|place| rest.remove(place));
                }
                rest.into_iter().cloned().collect::<Vec<Step>>()
            };
            // What no difference names is the same on both sides.
            assert_eq!(
                same(|d| d.old.as_ref(), &old),
                same(|d| d.new.as_ref(), &new)
            );
        }
    }
}

//! Pending moments: each is one variant of one list, and the next wake-up is
//! their minimum, of one moment the first in the order of reasons.

use crate::ids::{ContactId, DeviceId, FacadeId, GroupId, SensorId, TimetableId};
use crate::output::{WakeFor, Word};
use crate::time::{Steady, earlier};
use std::collections::BTreeMap;

/// At most one pending moment per reason.
///
/// Reasons are kept in a bucket per moment, since many are due at the same whole
/// minute. What was moved or cleared stays in its old bucket until that comes to
/// the front, and is known by its not being what `due` says.
#[derive(Clone, Debug, Default)]
pub(crate) struct Timers {
    /// Per kind of reason and number of what it is about, its moment.
    due: Vec<Vec<Option<Steady>>>,
    /// In order of time, the places of the buckets.
    order: BTreeMap<Steady, usize>,
    buckets: Vec<Bucket>,
    /// Places of emptied buckets, to be used again.
    spare: Vec<usize>,
    /// The earliest bucket, where that is known, and the one last put into: both
    /// are asked for again and again.
    front: Option<(Steady, usize)>,
    last: Option<(Steady, usize)>,
    /// The earliest moment, where it is known and stands.
    answer: Option<(Steady, Order)>,
    /// Reasons that were [set briefly](Self::set_briefly) and stand in no bucket yet,
    /// the earliest that they may be due, and whether anybody has asked past them.
    brief: Vec<Order>,
    brief_from: Option<Steady>,
    brief_asked: bool,
    /// How many reasons have a moment, and how many stand in buckets.
    live: usize,
    kept: usize,
}

/// What may be due at one moment.
#[derive(Clone, Debug, Default)]
struct Bucket {
    /// The first in the order of reasons last, once sorted.
    reasons: Vec<Order>,
    sorted: bool,
}

/// A reason as one number, which is quick to compare and to carry about: its rank
/// among the kinds of [`WakeFor`], the number of what it is about and, for a guard,
/// its word, so that the order of reasons is that of the numbers.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct Order(u64);

/// How many kinds of [`WakeFor`] there are.
const KINDS: usize = 14;

impl Order {
    #[inline(always)]
    fn of(why: WakeFor) -> Self {
        let (rank, number, word) = match why {
            WakeFor::SensorSilent(id) => (0, id.0, 0),
            WakeFor::SensorCheck(id) => (1, id.0, 0),
            WakeFor::Guard(id, word) => (2, id.0, word as u8),
            WakeFor::WeatherKnown(id) => (3, id.0, 0),
            WakeFor::Contact(id) => (4, id.0, 0),
            WakeFor::Hand(id) => (5, id.0, 0),
            WakeFor::Facade(id) => (6, id.0, 0),
            WakeFor::Sun(id) => (7, id.0, 0),
            WakeFor::Phase(id) => (8, id.0, 0),
            WakeFor::Special => (9, 0, 0),
            WakeFor::Quiet(id) => (10, id.0, 0),
            WakeFor::Drive(id) => (11, id.0, 0),
            WakeFor::Service(id) => (12, id.0, 0),
            WakeFor::Settle => (13, 0, 0),
        };
        Self((rank << 40) | (u64::from(number) << 8) | u64::from(word))
    }

    /// The reason again.
    fn why(self) -> WakeFor {
        let (rank, number, word) = self.parts();
        match rank {
            0 => WakeFor::SensorSilent(SensorId(number)),
            1 => WakeFor::SensorCheck(SensorId(number)),
            2 => WakeFor::Guard(GroupId(number), Word::ALL[word]),
            3 => WakeFor::WeatherKnown(GroupId(number)),
            4 => WakeFor::Contact(ContactId(number)),
            5 => WakeFor::Hand(GroupId(number)),
            6 => WakeFor::Facade(FacadeId(number)),
            7 => WakeFor::Sun(GroupId(number)),
            8 => WakeFor::Phase(TimetableId(number)),
            9 => WakeFor::Special,
            10 => WakeFor::Quiet(GroupId(number)),
            11 => WakeFor::Drive(DeviceId(number)),
            12 => WakeFor::Service(GroupId(number)),
            _ => WakeFor::Settle,
        }
    }

    /// Rank, number and word.
    #[expect(
        clippy::cast_possible_truncation,
        reason = "each part was put together from so many bits"
    )]
    const fn parts(self) -> (usize, u32, usize) {
        let Self(order) = self;
        (
            (order >> 40) as usize,
            (order >> 8) as u32,
            (order & 0xff) as usize,
        )
    }

    /// Kind and number: where its moment stands. Guards come in as many kinds as
    /// there are words.
    #[inline(always)]
    const fn place(self) -> (usize, usize) {
        let (rank, number, word) = self.parts();
        (rank + KINDS * word, number as usize)
    }
}

impl Timers {
    /// Where a reason's moment stands.
    #[inline]
    fn slot(&mut self, of: Order) -> &mut Option<Steady> {
        let (kind, number) = of.place();
        if self.due.len() <= kind {
            self.due.resize_with(kind + 1, Vec::new);
        }
        let moments = &mut self.due[kind];
        if moments.len() <= number {
            moments.resize(number + 1, None);
        }
        &mut moments[number]
    }

    /// Sets (or moves) the moment of a reason.
    #[inline]
    pub(crate) fn set(&mut self, why: WakeFor, at: Steady) {
        self.put(Order::of(why), at);
    }

    fn put(&mut self, why: Order, at: Steady) {
        if self
            .answer
            .is_some_and(|(first, of)| at <= first || of == why)
        {
            self.answer = None;
        }
        match self.slot(why).replace(at) {
            Some(old) if old == at => return,
            Some(_) => {}
            None => self.live += 1,
        }
        self.shelve(why, at);
    }

    /// Puts a reason into the bucket of its moment.
    fn shelve(&mut self, why: Order, at: Steady) {
        let place = match self.last {
            Some((of, place)) if of == at => place,
            _ => self.bucket_of(at),
        };
        let bucket = &mut self.buckets[place];
        bucket.reasons.push(why);
        bucket.sorted = false;
        self.kept += 1;
        if self.kept > 2 * self.live + 1_024 {
            self.tidy();
        }
    }

    /// As [`set`](Self::set), for a moment that will mostly be cleared before anything
    /// else happens, like that of an answer which comes at once. It gets its place in
    /// order only if it lasts.
    pub(crate) fn set_briefly(&mut self, why: WakeFor, at: Steady) {
        let why = Order::of(why);
        if self.answer.is_some_and(|(_, of)| of == why) {
            self.answer = None;
        }
        if self.slot(why).replace(at).is_none() {
            self.live += 1;
        }
        self.brief.push(why);
        self.brief_from = earlier(self.brief_from, Some(at));
    }

    /// What was set briefly and still stands gets its place in order.
    fn place_brief(&mut self) {
        let mut brief = core::mem::take(&mut self.brief);
        for why in brief.drain(..) {
            if let Some(at) = moment(&self.due, why) {
                if self.answer.is_some_and(|(first, _)| at <= first) {
                    self.answer = None;
                }
                self.shelve(why, at);
            }
        }
        self.brief = brief;
        (self.brief_from, self.brief_asked) = (None, false);
    }

    /// The earliest of what was set briefly and still stands.
    fn first_brief(&mut self) -> Option<(Steady, Order)> {
        let (due, mut first) = (&self.due, None);
        self.brief.retain(|why| {
            let Some(at) = moment(due, *why) else {
                return false;
            };
            if first.is_none_or(|first| (at, *why) < first) {
                first = Some((at, *why));
            }
            true
        });
        self.brief_from = first.map(|(at, _)| at);
        first
    }

    /// The place of a moment's bucket, which is made where there is none.
    fn bucket_of(&mut self, at: Steady) -> usize {
        let (spare, buckets) = (&mut self.spare, &mut self.buckets);
        let place = *self.order.entry(at).or_insert_with(|| {
            spare.pop().unwrap_or_else(|| {
                buckets.push(Bucket::default());
                buckets.len() - 1
            })
        });
        self.last = Some((at, place));
        if self.front.is_some_and(|(first, _)| at < first) {
            self.front = self.last;
        }
        place
    }

    /// Throws out what was moved or cleared.
    fn tidy(&mut self) {
        let (due, buckets, spare) = (&self.due, &mut self.buckets, &mut self.spare);
        let mut kept = 0;
        self.order.retain(|at, place| {
            let reasons = &mut buckets[*place].reasons;
            reasons.retain(|why| moment(due, *why) == Some(*at));
            kept += reasons.len();
            if reasons.is_empty() {
                spare.push(*place);
            }
            !reasons.is_empty()
        });
        self.kept = kept;
        (self.front, self.last, self.answer) = (None, None, None);
    }

    /// Whether a moment is pending for the reason.
    pub(crate) fn has(&self, why: WakeFor) -> bool {
        self.at(why).is_some()
    }

    /// The pending moment of a reason.
    pub(crate) fn at(&self, why: WakeFor) -> Option<Steady> {
        moment(&self.due, Order::of(why))
    }

    /// All pending moments in the order of reasons, for keeping.
    pub(crate) fn all(&self) -> Vec<(WakeFor, Steady)> {
        let reasons = self.order.iter().flat_map(|(at, place)| {
            let reasons = self.buckets[*place].reasons.iter();
            reasons.map(|why| (why.why(), *at))
        });
        let mut all: Vec<_> = reasons
            .filter(|(why, at)| self.at(*why) == Some(*at))
            .collect();
        let brief = self.brief.iter().map(|why| why.why());
        all.extend(brief.filter_map(|why| Some((why, self.at(why)?))));
        all.sort_unstable();
        all.dedup();
        all
    }

    /// Forgets a reason's moment.
    pub(crate) fn clear(&mut self, why: WakeFor) {
        let why = Order::of(why);
        let (kind, number) = why.place();
        let slot = self
            .due
            .get_mut(kind)
            .and_then(|moments| moments.get_mut(number));
        if slot.and_then(Option::take).is_some() {
            self.live -= 1;
            if self.answer.is_some_and(|(_, of)| of == why) {
                self.answer = None;
            }
        }
    }

    /// The earliest pending moment.
    pub(crate) fn next(&mut self) -> Option<(Steady, WakeFor)> {
        // Whatever has not been cleared when it is asked for a second time lasts.
        if self.brief_asked {
            self.place_brief();
        }
        let brief = if self.brief.is_empty() {
            None
        } else {
            self.brief_asked = true;
            self.first_brief()
        };
        let first = match (self.first(), brief) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        first.map(|(at, why)| (at, why.why()))
    }

    /// The earliest pending moment, if it lies before `until`.
    #[inline]
    pub(crate) fn next_before(&mut self, until: Steady) -> Option<Steady> {
        if self.brief_from.is_some_and(|from| from < until) {
            self.place_brief();
        }
        let (at, _) = self.first()?;
        (at < until).then_some(at)
    }

    #[inline]
    fn first(&mut self) -> Option<(Steady, Order)> {
        if self.answer.is_none() {
            self.answer = self.search();
        }
        self.answer
    }

    fn search(&mut self) -> Option<(Steady, Order)> {
        loop {
            let (at, place) = match self.front {
                Some(first) => first,
                None => {
                    let (at, place) = self.order.first_key_value()?;
                    *self.front.insert((*at, *place))
                }
            };
            let bucket = &mut self.buckets[place];
            if !bucket.sorted {
                bucket.sort();
            }
            while let Some(why) = bucket.reasons.last() {
                if moment(&self.due, *why) == Some(at) {
                    return Some((at, *why));
                }
                bucket.reasons.pop();
                self.kept -= 1;
            }
            self.order.pop_first();
            self.spare.push(place);
            self.front = None;
            self.last = self.last.filter(|(_, last)| *last != place);
        }
    }

    /// Takes the earliest moment if it is due at `at` or before.
    pub(crate) fn pop_due(&mut self, at: Steady) -> Option<WakeFor> {
        if self.brief_from.is_some_and(|from| from <= at) {
            self.place_brief();
        }
        let (_, why) = self.first().filter(|(due, _)| *due <= at)?;
        *self.slot(why) = None;
        self.live -= 1;
        self.answer = None;
        // It stands at the end of the first bucket.
        if let Some((_, place)) = self.front {
            self.buckets[place].reasons.pop();
            self.kept -= 1;
        }
        Some(why.why())
    }
}

impl Bucket {
    /// Brings the first in the order of reasons to the end.
    #[inline(never)]
    fn sort(&mut self) {
        // They come in stretches in the order of reasons.
        self.reasons.sort();
        self.reasons.reverse();
        self.sorted = true;
    }
}

/// The pending moment of a reason.
fn moment(due: &[Vec<Option<Steady>>], why: Order) -> Option<Steady> {
    let (kind, number) = why.place();
    *due.get(kind)?.get(number)?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_earliest_comes_first_and_a_moved_timer_fires_once() {
        let mut timers = Timers::default();
        let (a, b) = (WakeFor::Hand(GroupId(0)), WakeFor::Hand(GroupId(1)));
        timers.set(a, Steady(30));
        timers.set(b, Steady(20));
        timers.set(a, Steady(10));
        assert!(timers.has(a));
        assert_eq!(timers.next(), Some((Steady(10), a)));
        assert_eq!(timers.pop_due(Steady(9)), None);
        assert_eq!(timers.pop_due(Steady(20)), Some(a));
        assert_eq!(timers.pop_due(Steady(20)), Some(b));
        assert_eq!(timers.pop_due(Steady(100)), None);
    }

    /// A number leads back to its reason, and numbers are in the order of reasons.
    #[test]
    fn numbers_stand_for_reasons_and_their_order() {
        let mut reasons = Vec::new();
        for n in [0, 1, 7, u32::MAX] {
            reasons.extend([
                WakeFor::SensorSilent(SensorId(n)),
                WakeFor::SensorCheck(SensorId(n)),
                WakeFor::WeatherKnown(GroupId(n)),
                WakeFor::Contact(ContactId(n)),
                WakeFor::Hand(GroupId(n)),
                WakeFor::Facade(FacadeId(n)),
                WakeFor::Sun(GroupId(n)),
                WakeFor::Phase(TimetableId(n)),
                WakeFor::Quiet(GroupId(n)),
                WakeFor::Drive(DeviceId(n)),
                WakeFor::Service(GroupId(n)),
            ]);
            reasons.extend(Word::ALL.map(|word| WakeFor::Guard(GroupId(n), word)));
        }
        reasons.extend([WakeFor::Special, WakeFor::Settle]);
        reasons.sort_unstable();
        let numbers: Vec<Order> = reasons.iter().map(|why| Order::of(*why)).collect();
        assert!(numbers.is_sorted_by(|a, b| a < b));
        let back: Vec<WakeFor> = numbers.iter().map(|of| of.why()).collect();
        assert_eq!(back, reasons);
        let mut places: Vec<_> = numbers.iter().map(|of| of.place()).collect();
        places.sort_unstable();
        places.dedup();
        assert_eq!(places.len(), reasons.len());
    }

    /// Against a plain list: whatever is set, moved and cleared, the earliest comes
    /// first, of one moment in the order of reasons, and each once.
    #[test]
    fn it_does_as_a_plain_list_does() {
        let mut timers = Timers::default();
        let mut plain: Vec<(Steady, WakeFor)> = Vec::new();
        let mut drawn = 1_u64;
        let mut draw = |below: u64| {
            drawn = drawn
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (drawn >> 33) % below
        };
        for round in 0..40_000_i64 {
            let group = GroupId(u32::try_from(draw(40)).unwrap());
            let why = match draw(3) {
                0 => WakeFor::Hand(group),
                1 => WakeFor::Guard(group, crate::output::Word::Wind),
                _ => WakeFor::Sun(group),
            };
            let now = Steady(round / 8);
            match draw(4) {
                0 => {
                    timers.clear(why);
                    plain.retain(|(_, w)| *w != why);
                }
                1 => {
                    plain.sort_unstable();
                    let due = plain.first().is_some_and(|(at, _)| *at <= now);
                    let first = due.then(|| plain.remove(0).1);
                    assert_eq!(timers.pop_due(now), first);
                }
                _ => {
                    let at = now.plus(i64::try_from(draw(5_000)).unwrap() / 16);
                    if draw(3) == 0 {
                        timers.set_briefly(why, at);
                    } else {
                        timers.set(why, at);
                    }
                    plain.retain(|(_, w)| *w != why);
                    plain.push((at, why));
                }
            }
            plain.sort_unstable();
            let until = now.plus(i64::try_from(draw(400)).unwrap() / 4);
            let first = plain.first().map(|(at, _)| *at);
            let before = first.filter(|at| *at < until);
            match draw(3) {
                0 => {}
                1 => assert_eq!(timers.next_before(until), before),
                _ => assert_eq!(timers.next(), plain.first().copied()),
            }
        }
        assert!(timers.kept <= 2 * timers.live + 1_024);
        let mut kept = timers.all();
        kept.sort_unstable_by_key(|(why, at)| (*at, *why));
        let plain: Vec<_> = plain.into_iter().map(|(at, why)| (why, at)).collect();
        assert_eq!(kept, plain);
    }
}

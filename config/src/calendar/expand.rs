//! The dates of a recurrence rule (RFC 5545 §3.3.10), in wall time.
//!
//! Wall time is all this module knows: the caller turns it into instants. A rule
//! without `COUNT` is entered at the period in which the wanted range begins, so
//! an old event costs no more than a young one; with `COUNT` the occurrences
//! before the range are counted. Either way a [`Budget`] bounds the work.
//!
//! The rrule crate, against which the tests compare, walks from DTSTART in every
//! case: FREQ=MINUTELY since 1970 took it 9.5 s to reach 2028, while here the
//! budget ends any expansion within half a second. It also brings regex and chrono's
//! `clock` feature, which would reach the pure crates through feature unification.

use chrono::{Datelike, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Timelike};

use super::plan::{Plan, signed};
use super::rule::{Frequency, Rule};

/// How much work may still be done.
#[derive(Debug, Clone)]
pub(crate) struct Budget {
    steps: u64,
    occurrences: u64,
    exhausted: bool,
}

impl Budget {
    /// `steps`: periods, days and times looked at; `occurrences`: those handed out.
    pub(crate) fn new(steps: u64, occurrences: u64) -> Self {
        Self {
            steps,
            occurrences,
            exhausted: false,
        }
    }

    /// Whether something was left out for lack of budget.
    pub(crate) fn exhausted(&self) -> bool {
        self.exhausted
    }

    fn step(&mut self, steps: u64) -> bool {
        match self.steps.checked_sub(steps) {
            Some(rest) => self.steps = rest,
            None => self.exhausted = true,
        }
        !self.exhausted
    }

    /// Pays for one occurrence.
    pub(crate) fn occurrence(&mut self) -> bool {
        match self.occurrences.checked_sub(1) {
            Some(rest) => self.occurrences = rest,
            None => self.exhausted = true,
        }
        !self.exhausted
    }
}

/// A rule and the DTSTART it counts from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Series<'a> {
    pub(crate) rule: &'a Rule,
    pub(crate) start: NaiveDateTime,
}

/// The walk over one series.
struct Walk<'a> {
    rule: &'a Rule,
    start: NaiveDateTime,
    from: NaiveDateTime,
    to: NaiveDateTime,
    /// How many may still come by `COUNT`.
    left: Option<u64>,
}

/// What to do after an occurrence or a period.
#[derive(PartialEq, Eq)]
enum Go {
    On,
    Stop,
}

const DAY: i64 = 86_400;

impl Series<'_> {
    /// Hands out the occurrences in `[from, to)` in ascending order. DTSTART is
    /// among them only where the rule itself yields it, but it always counts as
    /// the first of `COUNT` (§3.3.10).
    pub(crate) fn visit(
        &self,
        from: NaiveDateTime,
        to: NaiveDateTime,
        budget: &mut Budget,
        out: &mut dyn FnMut(NaiveDateTime),
    ) {
        let plan = Plan::new(self.rule, self.start);
        let mut walk = Walk {
            rule: self.rule,
            start: self.start,
            from,
            to,
            left: self.rule.count,
        };
        if self.rule.count.is_some() && !self.yields_its_start(&plan) {
            walk.left = walk.left.map(|left| left.saturating_sub(1));
        }
        if self.rule.frequency < Frequency::Daily {
            walk.short_periods(&plan, budget, out);
        } else {
            walk.long_periods(&plan, budget, out);
        }
    }

    /// Whether DTSTART is synchronised with the rule.
    pub(crate) fn is_synchronised(&self) -> bool {
        self.yields_its_start(&Plan::new(self.rule, self.start))
    }

    fn yields_its_start(&self, plan: &Plan) -> bool {
        let mut found = false;
        let rule = Rule {
            count: None,
            until: None,
            ..self.rule.clone()
        };
        let to = self
            .start
            .checked_add_signed(TimeDelta::seconds(1))
            .unwrap_or(self.start);
        let mut walk = Walk {
            rule: &rule,
            start: self.start,
            from: self.start,
            to,
            left: None,
        };
        let mut budget = Budget::new(100_000, 2);
        let mut out = |wall| found |= wall == self.start;
        if rule.frequency < Frequency::Daily {
            walk.short_periods(plan, &mut budget, &mut out);
        } else {
            walk.long_periods(plan, &mut budget, &mut out);
        }
        found
    }
}

impl Walk<'_> {
    /// Takes one occurrence that the rule yields.
    fn take(
        &mut self,
        wall: NaiveDateTime,
        budget: &mut Budget,
        out: &mut dyn FnMut(NaiveDateTime),
    ) -> Go {
        if wall >= self.to || self.left == Some(0) {
            return Go::Stop;
        }
        if wall < self.start {
            return Go::On;
        }
        if let Some(left) = &mut self.left {
            *left -= 1;
        }
        if wall >= self.from {
            if !budget.occurrence() {
                return Go::Stop;
            }
            out(wall);
        }
        Go::On
    }

    /// The first period worth looking at, given the period number of `from`.
    fn first_period(&self, of_from: i64, of_start: i64) -> i64 {
        if self.left.is_some() {
            return 0;
        }
        (of_from.saturating_sub(of_start)).max(0) / self.rule.interval
    }

    /// Days, weeks, months and years.
    fn long_periods(
        &mut self,
        plan: &Plan,
        budget: &mut Budget,
        out: &mut dyn FnMut(NaiveDateTime),
    ) {
        let base = self.number_of(self.start.date());
        let mut period = self.first_period(self.number_of(self.from.date()), base);
        let cost_of_a_day = 1 + u64::try_from(self.rule.by_day.len() / 8).unwrap_or(0);
        loop {
            let Some((first, length)) = period
                .checked_mul(self.rule.interval)
                .and_then(|p| p.checked_add(base))
                .and_then(|p| self.days_of(p))
            else {
                return;
            };
            if first.and_time(NaiveTime::MIN) >= self.to || self.left == Some(0) {
                return;
            }
            let candidates = self.candidates(first, length, plan);
            if !budget.step(cost_of_a_day * u64::try_from(candidates.len()).unwrap_or(1)) {
                return;
            }
            let days: Vec<NaiveDate> = candidates
                .into_iter()
                .filter(|day| plan.allows(self.rule, *day))
                .collect();
            if self.period(&days, plan, budget, out) == Go::Stop {
                return;
            }
            period += 1;
        }
    }

    /// The days of a period that may count: of a year only the months that the rule
    /// names, which for a plain yearly event is a twelfth of the work.
    fn candidates(&self, first: NaiveDate, length: usize, plan: &Plan) -> Vec<NaiveDate> {
        if self.rule.frequency != Frequency::Yearly || plan.months.is_empty() {
            return first.iter_days().take(length).collect();
        }
        let months = plan
            .months
            .iter()
            .filter_map(|month| first.with_month(u32::try_from(*month).ok()?));
        months
            .flat_map(|month| {
                month
                    .iter_days()
                    .take(usize::from(month.num_days_in_month()))
            })
            .collect()
    }

    /// The occurrences of one period that has these days.
    fn period(
        &mut self,
        days: &[NaiveDate],
        plan: &Plan,
        budget: &mut Budget,
        out: &mut dyn FnMut(NaiveDateTime),
    ) -> Go {
        if !self.rule.by_set_pos.is_empty() {
            let count = days.len() * plan.times.len();
            for index in positions(&self.rule.by_set_pos, count) {
                let Some((day, time)) = days
                    .get(index / plan.times.len())
                    .zip(plan.times.get(index % plan.times.len()))
                else {
                    continue;
                };
                if !budget.step(1) || self.take(at(*day, *time), budget, out) == Go::Stop {
                    return Go::Stop;
                }
            }
            return Go::On;
        }
        for day in days {
            // Without COUNT nothing before the range matters.
            if self.left.is_none() && *day < self.from.date() {
                continue;
            }
            for time in &plan.times {
                if !budget.step(1) || self.take(at(*day, *time), budget, out) == Go::Stop {
                    return Go::Stop;
                }
            }
        }
        Go::On
    }

    /// Hours, minutes and seconds.
    fn short_periods(
        &mut self,
        plan: &Plan,
        budget: &mut Budget,
        out: &mut dyn FnMut(NaiveDateTime),
    ) {
        let unit = match self.rule.frequency {
            Frequency::Hourly => 3600,
            Frequency::Minutely => 60,
            Frequency::Secondly
            | Frequency::Daily
            | Frequency::Weekly
            | Frequency::Monthly
            | Frequency::Yearly => 1,
        };
        let number = |wall: NaiveDateTime| wall.and_utc().timestamp().div_euclid(unit);
        let base = number(self.start);
        let mut period = self.first_period(number(self.from), base);
        loop {
            let place = period
                .checked_mul(self.rule.interval)
                .and_then(|p| p.checked_add(base))
                .and_then(|p| p.checked_mul(unit));
            let Some(begin) = place
                .and_then(|seconds| chrono::DateTime::from_timestamp(seconds, 0))
                .map(|t| t.naive_utc())
            else {
                return;
            };
            if begin >= self.to || self.left == Some(0) || !budget.step(1) {
                return;
            }
            match self.blocked_until(begin, plan) {
                // Jump over the rest of a day, hour or minute that cannot match.
                Some(next) => {
                    let ahead = number(next).saturating_sub(base);
                    let ceil = ahead.div_euclid(self.rule.interval)
                        + i64::from(ahead.rem_euclid(self.rule.interval) > 0);
                    period = ceil.max(period + 1);
                }
                None => {
                    if self.short_period(begin, plan, budget, out) == Go::Stop {
                        return;
                    }
                    period += 1;
                }
            }
        }
    }

    fn short_period(
        &mut self,
        begin: NaiveDateTime,
        plan: &Plan,
        budget: &mut Budget,
        out: &mut dyn FnMut(NaiveDateTime),
    ) -> Go {
        let chosen: Vec<usize> = if self.rule.by_set_pos.is_empty() {
            (0..plan.times.len()).collect()
        } else {
            positions(&self.rule.by_set_pos, plan.times.len())
        };
        for index in chosen {
            let Some(wall) = plan
                .times
                .get(index)
                .and_then(|time| begin.checked_add_signed(TimeDelta::seconds(*time)))
            else {
                continue;
            };
            if !budget.step(1) || self.take(wall, budget, out) == Go::Stop {
                return Go::Stop;
            }
        }
        Go::On
    }

    /// If the period beginning at `begin` is ruled out by a longer part, the
    /// moment up to which that part rules everything out.
    fn blocked_until(&self, begin: NaiveDateTime, plan: &Plan) -> Option<NaiveDateTime> {
        let unlisted =
            |list: &[i32], value: u32| !list.is_empty() && !list.contains(&signed(value));
        let day = begin.date();
        if !plan.allows(self.rule, day) {
            return day.succ_opt().map(|next| next.and_time(NaiveTime::MIN));
        }
        let seconds = if unlisted(&self.rule.by_hour, begin.hour()) {
            3600 - i64::from(begin.minute()) * 60 - i64::from(begin.second())
        } else if self.rule.frequency <= Frequency::Minutely
            && unlisted(&self.rule.by_minute, begin.minute())
        {
            60 - i64::from(begin.second())
        } else if self.rule.frequency == Frequency::Secondly
            && unlisted(&self.rule.by_second, begin.second())
        {
            1
        } else {
            return None;
        };
        begin.checked_add_signed(TimeDelta::seconds(seconds))
    }

    /// The running number of the period that holds a day.
    fn number_of(&self, day: NaiveDate) -> i64 {
        match self.rule.frequency {
            Frequency::Yearly => i64::from(day.year()),
            Frequency::Monthly => i64::from(day.year()) * 12 + i64::from(day.month0()),
            Frequency::Weekly => {
                let from_monday = i64::from(self.rule.week_start.num_days_from_monday());
                // Day 1 of the common era was a Monday.
                (i64::from(day.num_days_from_ce()) - 1 - from_monday).div_euclid(7)
            }
            Frequency::Daily | Frequency::Hourly | Frequency::Minutely | Frequency::Secondly => {
                i64::from(day.num_days_from_ce())
            }
        }
    }

    /// First day and number of days of a period.
    fn days_of(&self, number: i64) -> Option<(NaiveDate, usize)> {
        let year_month = |year: i64, month0: i64| {
            NaiveDate::from_ymd_opt(
                i32::try_from(year).ok()?,
                u32::try_from(month0).ok()? + 1,
                1,
            )
        };
        let from_ce = |days: i64| NaiveDate::from_num_days_from_ce_opt(i32::try_from(days).ok()?);
        match self.rule.frequency {
            Frequency::Yearly => {
                let first = year_month(number, 0)?;
                Some((first, if first.leap_year() { 366 } else { 365 }))
            }
            Frequency::Monthly => {
                let first = year_month(number.div_euclid(12), number.rem_euclid(12))?;
                Some((first, usize::from(first.num_days_in_month())))
            }
            Frequency::Weekly => {
                let from_monday = i64::from(self.rule.week_start.num_days_from_monday());
                Some((
                    from_ce(number.checked_mul(7)?.checked_add(1 + from_monday)?)?,
                    7,
                ))
            }
            Frequency::Daily | Frequency::Hourly | Frequency::Minutely | Frequency::Secondly => {
                Some((from_ce(number)?, 1))
            }
        }
    }
}

/// The indices that `BYSETPOS` chooses out of `count`, ascending and once each.
fn positions(by_set_pos: &[i32], count: usize) -> Vec<usize> {
    let count = i64::try_from(count).unwrap_or(i64::MAX);
    let mut list: Vec<usize> = by_set_pos
        .iter()
        .map(|p| i64::from(*p))
        .map(|p| if p > 0 { p - 1 } else { count + p })
        .filter(|p| *p < count)
        .filter_map(|p| usize::try_from(p).ok())
        .collect();
    list.sort_unstable();
    list.dedup();
    list
}

/// A day's moment so many seconds after midnight.
fn at(day: NaiveDate, seconds: i64) -> NaiveDateTime {
    let midnight = day.and_time(NaiveTime::MIN);
    midnight
        .checked_add_signed(TimeDelta::seconds(seconds % DAY))
        .unwrap_or(midnight)
}

//! The storm audit: when, in each storm, each device was out of its refuge while
//! it should not have been.
//!
//! The replay only supplies what happened: where the simulated plant's devices
//! really stood, which commands and lockouts there were. When the weather was
//! too much is worked out anew from the rows of the weather file and the rules of the
//! site (`hazard`), without a line of the core; what was exposed
//! follows from the two. So a mistake of the core's shows as exposure instead of
//! hiding in its own account.
//!
//! A *storm* of a group begins with the first reading at or above its limit
//! (wind), at or above the hail guard's level, above that of the rain guard, or
//! below the frost limit while moist (ice), and ends when calm has lasted for the guard's hold time; gaps are
//! no calm. A device is *exposed* while the weather is too much and it does not
//! stand in its refuge, unless a higher guard has its own storm and another refuge,
//! or it is *held* frozen as the site says (`frozen`), which is counted apart.

mod faults;
mod frozen;
mod hazard;
mod json;
mod text;
mod watch;

pub use json::json;
pub(crate) use json::seconds;
pub use text::text;

use crate::replay::{Setting, Sky, Stopped, replay_in_trouble};
use crate::weather::Series;
pub use faults::Fails;
use faults::{Scenario, scenarios};
use frozen::{Spans, frozen, held, split};
use hazard::{HAZARDS, Spell, refuge, spells, worse};
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::time::Wall;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use watch::Watch;

/// One device in one storm.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stay {
    /// The device.
    pub device: DeviceId,
    /// Whether it stood in its refuge when the storm began.
    pub was_in: bool,
    /// When it was sent to its refuge; `None`: never, or it was there.
    pub commanded: Option<Wall>,
    /// When it first stood there; `None`: never.
    pub in_refuge: Option<Wall>,
    /// Time exposed, ms.
    pub exposed_ms: i64,
    /// The worst level while it was exposed: wind at the group m/s, level of hail, °C, mm/h.
    pub worst: Option<f64>,
    /// Time out of its refuge in which it was held frozen by the site's rules, ms.
    pub held_ms: i64,
    /// The worst level in that time.
    pub held_worst: Option<f64>,
}

/// One storm of one group.
#[derive(Clone, PartialEq, Debug)]
pub struct Storm {
    /// The group.
    pub group: GroupId,
    /// Wind, hail, ice or rain.
    pub hazard: Word,
    /// When the weather was first too much.
    pub start: Wall,
    /// When calm had lasted for the hold time.
    pub end: Wall,
    /// The worst level: wind at the group m/s, level of hail, °C, mm/h.
    pub worst: f64,
    /// When the guard engaged; earlier than the start where it had before.
    pub engaged: Option<Wall>,
    /// When it was released.
    pub released: Option<Wall>,
    /// The devices of the group that it harms.
    pub devices: Vec<Stay>,
}

/// What one scenario showed.
#[derive(Clone, PartialEq, Debug)]
pub struct Shown {
    /// What failed.
    pub scenario: Fails,
    /// Storms in order of time, then of groups.
    pub storms: Vec<Storm>,
}

/// The longest exposure of a device over all storms.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Longest {
    /// Index into [`Audit::shown`].
    pub scenario: usize,
    /// Index into its storms.
    pub storm: usize,
    /// The stay.
    pub stay: Stay,
}

/// The audit.
#[derive(Clone, PartialEq, Debug)]
pub struct Audit {
    /// Per scenario; the first is the building in which nothing fails.
    pub shown: Vec<Shown>,
    /// What the faults take for granted, in words; empty without faults.
    pub assumed: Vec<String>,
    /// Longest exposure that the site allows, ms.
    pub allowed_ms: i64,
}

impl Audit {
    /// The longest exposure of a device in one scenario; the first of equals.
    /// `None` where it was never exposed.
    #[must_use]
    pub fn longest(&self, device: DeviceId, scenario: usize) -> Option<Longest> {
        let storms = self.shown[scenario].storms.iter().enumerate();
        let stays = storms.flat_map(|(storm, of)| {
            of.devices.iter().map(move |stay| Longest {
                scenario,
                storm,
                stay: *stay,
            })
        });
        let mine =
            stays.filter(|longest| longest.stay.device == device && longest.stay.exposed_ms > 0);
        mine.fold(None, |best: Option<Longest>, next| match best {
            Some(best) if best.stay.exposed_ms >= next.stay.exposed_ms => Some(best),
            _ => Some(next),
        })
    }

    /// The longest exposure of a device over all scenarios.
    #[must_use]
    pub fn longest_of_all(&self, device: DeviceId) -> Option<Longest> {
        let all = (0..self.shown.len()).filter_map(|scenario| self.longest(device, scenario));
        all.fold(None, |best: Option<Longest>, next| match best {
            Some(best) if best.stay.exposed_ms >= next.stay.exposed_ms => Some(best),
            _ => Some(next),
        })
    }

    /// Time that a device was exposed in all storms of a scenario, ms.
    #[must_use]
    pub fn exposed_ms(&self, device: DeviceId, scenario: usize) -> i64 {
        let stays = self.shown[scenario]
            .storms
            .iter()
            .flat_map(|storm| &storm.devices);
        stays
            .filter(|stay| stay.device == device)
            .map(|stay| stay.exposed_ms)
            .sum()
    }

    /// Time that a device was held frozen out of its refuge in all storms of a
    /// scenario, ms.
    #[must_use]
    pub fn held_ms(&self, device: DeviceId, scenario: usize) -> i64 {
        let storms = &self.shown[scenario].storms;
        let stays = storms.iter().flat_map(|storm| &storm.devices);
        let mine = stays.filter(|stay| stay.device == device);
        mine.map(|stay| stay.held_ms).sum()
    }

    /// Whether any device was exposed longer than the site allows.
    #[must_use]
    pub fn has_findings(&self) -> bool {
        let stays = self
            .shown
            .iter()
            .flat_map(|shown| &shown.storms)
            .flat_map(|storm| &storm.devices);
        stays
            .into_iter()
            .any(|stay| stay.exposed_ms > self.allowed_ms)
    }
}

/// Audits the storms of a span; with faults, again for each way to fail.
/// `progress` is told the part done, 0..1, and may stop the run. Scenarios run
/// side by side; their number and order do not depend on the machine.
///
/// # Errors
/// [`Stopped`].
pub fn audit(
    setting: &Setting,
    with_faults: bool,
    progress: &(dyn Fn(f64) -> ControlFlow<()> + Sync),
) -> Result<Audit, Stopped> {
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    audit_by(&setting.model, setting, with_faults, cores, progress)
}

/// The same, judged by the rules of another model of the same building, whatever
/// the replayed one's are (a trial must not be measured with its own rule), on at
/// most so many threads.
///
/// # Errors
/// [`Stopped`].
pub fn audit_by(
    rules: &Model,
    setting: &Setting,
    with_faults: bool,
    threads: usize,
    progress: &(dyn Fn(f64) -> ControlFlow<()> + Sync),
) -> Result<Audit, Stopped> {
    let Sky::Rows(series) = &setting.sky else {
        // A made-up calm has no storms.
        let shown = vec![Shown {
            scenario: Fails::Nothing,
            storms: vec![],
        }];
        return Ok(Audit {
            shown,
            assumed: vec![],
            allowed_ms: setting.model.policy.exposure_max_ms,
        });
    };
    let scenarios = scenarios(&setting.model, series, with_faults);
    let days = (setting.to.0 - setting.from.0) / (24 * 3_600_000) + 1;
    let all = usize::try_from(days).unwrap_or(1) * scenarios.len();
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let results: Mutex<Vec<Option<Result<Shown, Stopped>>>> =
        Mutex::new(scenarios.iter().map(|_| None).collect());
    let work = || {
        while let Some((index, scenario)) = {
            let index = next.fetch_add(1, Ordering::Relaxed);
            scenarios.get(index).map(|scenario| (index, scenario))
        } {
            let mut day = |_| progress(share(done.fetch_add(1, Ordering::Relaxed), all));
            let shown = one(rules, setting, series, scenario, &mut day);
            results.lock().unwrap_or_else(PoisonError::into_inner)[index] = Some(shown);
        }
    };
    let workers = threads.min(scenarios.len());
    std::thread::scope(|scope| {
        for _ in 1..workers {
            scope.spawn(work);
        }
        work();
    });
    let results = results.into_inner().unwrap_or_else(PoisonError::into_inner);
    let shown = results
        .into_iter()
        .flatten()
        .collect::<Result<Vec<Shown>, Stopped>>()?;
    let assumed = if with_faults { faults::words() } else { vec![] };
    Ok(Audit {
        shown,
        assumed,
        allowed_ms: setting.model.policy.exposure_max_ms,
    })
}

#[expect(clippy::cast_precision_loss, reason = "a share for a progress bar")]
fn share(done: usize, all: usize) -> f64 {
    (done as f64 / all.max(1) as f64).min(1.0)
}

/// One scenario.
fn one(
    rules: &Model,
    setting: &Setting,
    series: &Series,
    scenario: &Scenario,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Shown, Stopped> {
    let model = &setting.model;
    let mut watch = Watch::new(model);
    replay_in_trouble(setting, &scenario.troubles, &mut watch, progress)?;
    let mut storms = Vec::new();
    for index in 0..model.groups.len() {
        let group = GroupId::of(index);
        let of_group = HAZARDS.map(|hazard| spells(rules, series, rules.group(group), hazard));
        let ice = &of_group[HAZARDS.iter().position(|h| *h == Word::Ice).unwrap_or(0)];
        let frozen = match &rules.group(group).ice {
            Some(rule) => frozen(rules, series, rule, ice),
            None => Spans::new(),
        };
        for (rank, spells) in of_group.iter().enumerate() {
            let within = spells
                .iter()
                .filter(|spell| setting.from <= spell.start() && spell.start() < setting.to);
            storms.extend(within.map(|spell| {
                Judged {
                    model,
                    watch: &watch,
                    group,
                    higher: &of_group[..rank],
                    frozen: &frozen,
                    ice,
                    to: setting.to,
                }
                .storm(spell)
            }));
        }
    }
    storms.sort_by_key(|storm: &Storm| (storm.start, storm.group, storm.hazard));
    Ok(Shown {
        scenario: scenario.fails.clone(),
        storms,
    })
}

/// What one group's storms are judged by.
struct Judged<'a> {
    model: &'a Model,
    watch: &'a Watch,
    group: GroupId,
    /// Storms of the guards above.
    higher: &'a [Vec<Spell>],
    /// When its devices may be frozen, and the storms of its ice guard.
    frozen: &'a [(Wall, Wall)],
    ice: &'a [Spell],
    /// End of the span.
    to: Wall,
}

impl Judged<'_> {
    fn storm(&self, spell: &Spell) -> Storm {
        let (start, end) = (spell.start(), spell.end.min(self.to));
        let (engaged, released) = self.watch.lockout(self.group, spell.hazard, start, end);
        let devices = &self.model.group(self.group).devices;
        let stays = devices
            .iter()
            .filter_map(|device| self.stay(spell, *device, (start, end)));
        Storm {
            group: self.group,
            hazard: spell.hazard,
            start,
            end,
            worst: spell.worst(),
            engaged,
            released,
            devices: stays.collect(),
        }
    }

    /// One device; `None` where the hazard does not harm it.
    fn stay(&self, spell: &Spell, device: DeviceId, (start, end): (Wall, Wall)) -> Option<Stay> {
        let refuges = &self.model.product_of(device).refuge;
        let wanted = refuge(refuges, spell.hazard)?;
        let out = self.watch.out_of(device, wanted, start, end);
        let was_in = out.first().is_none_or(|(from, _)| *from > start);
        let in_refuge = if was_in {
            Some(start)
        } else {
            out.first().map(|(_, to)| *to).filter(|at| *at < end)
        };
        let commanded = (!was_in)
            .then(|| self.watch.commanded(device, wanted, start, end))
            .flatten();
        let overruled: Spans = self
            .higher
            .iter()
            .flatten()
            .filter(|above| refuge(refuges, above.hazard) != Some(wanted))
            .map(|above| (above.start(), above.end))
            .collect();
        let held = held(
            self.model,
            self.watch,
            device,
            spell.hazard,
            self.frozen,
            self.ice,
        );
        let (held, out) = split(&out, &held);
        let (exposed_ms, worst) = exposure(spell, &out, &overruled, self.to);
        let (held_ms, held_worst) = exposure(spell, &held, &overruled, self.to);
        Some(Stay {
            device,
            was_in,
            commanded,
            in_refuge,
            exposed_ms,
            worst,
            held_ms,
            held_worst,
        })
    }
}

/// How long the weather was too much while a device was out, and at worst how much.
fn exposure(
    spell: &Spell,
    out: &[(Wall, Wall)],
    overruled: &[(Wall, Wall)],
    to: Wall,
) -> (i64, Option<f64>) {
    let (mut exposed_ms, mut worst) = (0, None);
    for over in &spell.over {
        for (from, until) in out {
            let (from, until) = (over.from.max(*from), over.to.min(*until).min(to));
            let ms = without(from, until, overruled);
            if ms > 0 {
                exposed_ms += ms;
                worst =
                    Some(worst.map_or(over.level, |worst| worse(spell.hazard, worst, over.level)));
            }
        }
    }
    (exposed_ms, worst)
}

/// Length of `from..to` without what `less` covers (whose spans do not overlap,
/// being storms of one guard each; of two guards the longer cover counts).
fn without(from: Wall, to: Wall, less: &[(Wall, Wall)]) -> i64 {
    let mut at = from;
    let mut left = 0;
    let mut spans: Vec<(Wall, Wall)> = less
        .iter()
        .copied()
        .filter(|(begin, end)| *begin < to && *end > from)
        .collect();
    spans.sort_unstable();
    for (begin, end) in spans {
        left += (begin.min(to).0 - at.0).max(0);
        at = at.max(end);
    }
    left + (to.0 - at.0).max(0)
}

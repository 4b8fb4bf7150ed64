//! Tuning: chosen keys of a facade's sun rules swept over a span, and what each
//! choice would have given. It suggests and never writes.
//!
//! Every choice is replayed twice through the same core: once looked at every
//! ten minutes for direct sun let in and view out, once audited for exposure. A
//! choice is *unbeaten* where no other is at least as good in everything and
//! better in something: less direct sun let in, more view out, fewer movements,
//! less exposure.

mod report;
mod sweep;

pub use report::{svg, table};
pub use sweep::{Key, Sweep, SweepError};

use crate::audit::audit;
use crate::html::light_hours;
use crate::replay::{PlantKind, Setting, Stopped};
use leeside_core::ids::{DeviceId, FacadeId, GroupId};
use leeside_core::model::Model;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// What a choice gave, over the whole span; means over the facade's groups with
/// a sun rule.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Gave {
    /// Direct sun let in, hours.
    pub sun_h: f64,
    /// View out by day, hours.
    pub view_h: f64,
    /// Movements a day.
    pub movements: f64,
    /// Seconds that devices were exposed, all together.
    pub exposed_s: f64,
}

impl Gave {
    /// Whether it is at least as good in everything and better in something.
    #[must_use]
    pub fn beats(&self, other: &Self) -> bool {
        // All so that less is better.
        let of = |gave: &Self| [gave.sun_h, -gave.view_h, gave.movements, gave.exposed_s];
        let pairs = of(self).into_iter().zip(of(other));
        pairs.clone().all(|(mine, theirs)| mine <= theirs)
            && pairs.into_iter().any(|(mine, theirs)| mine < theirs)
    }
}

/// One choice and what it gave.
#[derive(Clone, PartialEq, Debug)]
pub struct Tried {
    /// The swept values, in the order of the sweeps; `None` where the site as it
    /// stands has several, or none.
    pub values: Vec<Option<f64>>,
    /// What it gave.
    pub gave: Gave,
    /// No other choice beats it.
    pub unbeaten: bool,
    /// It is the site as it stands.
    pub stands: bool,
}

/// Tries the site as it stands, then every combination of the sweeps, side by
/// side on all processors; the result does not depend on how many there are.
/// `progress` is told the part done, 0..1, and may stop the run.
///
/// # Errors
/// [`Stopped`].
pub fn tune(
    setting: &Setting,
    facade: FacadeId,
    sweeps: &[Sweep],
    progress: &(dyn Fn(f64) -> ControlFlow<()> + Sync),
) -> Result<Vec<Tried>, Stopped> {
    let mut choices = vec![vec![]];
    choices.extend(sweep::combinations(sweeps));
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let results: Mutex<Vec<Option<Result<Gave, Stopped>>>> =
        Mutex::new(choices.iter().map(|_| None).collect());
    let work = || {
        while let Some((index, values)) = {
            let index = next.fetch_add(1, Ordering::Relaxed);
            choices.get(index).map(|values| (index, values))
        } {
            let told = || progress(share(done.load(Ordering::Relaxed), choices.len()));
            let gave = one(setting, facade, sweeps, values, &told);
            done.fetch_add(1, Ordering::Relaxed);
            results.lock().unwrap_or_else(PoisonError::into_inner)[index] = Some(gave);
        }
    };
    let workers = std::thread::available_parallelism()
        .map_or(1, std::num::NonZero::get)
        .min(choices.len());
    std::thread::scope(|scope| {
        for _ in 1..workers {
            scope.spawn(work);
        }
        work();
    });
    let results = results.into_inner().unwrap_or_else(PoisonError::into_inner);
    let gave = results
        .into_iter()
        .flatten()
        .collect::<Result<Vec<Gave>, Stopped>>()?;
    let unbeaten: Vec<bool> = gave
        .iter()
        .map(|mine| !gave.iter().any(|other| other.beats(mine)))
        .collect();
    let tried = choices.into_iter().zip(gave).zip(unbeaten);
    Ok(tried
        .map(|((values, gave), unbeaten)| {
            let stands = values.is_empty();
            let values = if stands {
                sweeps
                    .iter()
                    .map(|sweep| present(&setting.model, facade, sweep.key))
                    .collect()
            } else {
                values.into_iter().map(Some).collect()
            };
            Tried {
                values,
                gave,
                unbeaten,
                stands,
            }
        })
        .collect())
}

/// What a key is at present in the groups of a facade, where all agree.
fn present(model: &Model, facade: FacadeId, key: Key) -> Option<f64> {
    let groups = tuned(model, facade);
    let rules = groups
        .iter()
        .filter_map(|group| model.group(*group).sun.as_ref());
    let mut values = rules.filter_map(|rule| key.get(rule));
    let first = values.next()?;
    values
        .all(|other| (other - first).abs() < 1e-9)
        .then_some(first)
}

#[expect(clippy::cast_precision_loss, reason = "a share for a progress bar")]
fn share(done: usize, all: usize) -> f64 {
    done as f64 / all.max(1) as f64
}

/// One choice.
fn one(
    setting: &Setting,
    facade: FacadeId,
    sweeps: &[Sweep],
    values: &[f64],
    told: &(dyn Fn() -> ControlFlow<()> + Sync),
) -> Result<Gave, Stopped> {
    let mut model = Model::clone(&setting.model);
    let groups = tuned(&model, facade);
    for group in &groups {
        if let Some(rule) = &mut model.groups[group.index()].sun {
            for (sweep, value) in sweeps.iter().zip(values) {
                sweep.key.set(rule, *value);
            }
        }
    }
    let devices: Vec<DeviceId> = groups
        .iter()
        .flat_map(|group| model.group(*group).devices.clone())
        .collect();
    let setting = Setting {
        model: Arc::new(model),
        ..setting.clone()
    };
    let (light, tally) = light_hours(&setting, &mut |_| told())?;
    let audited = Setting {
        plant: PlantKind::Simulated,
        ..setting.clone()
    };
    // Workers of its own it needs not: one scenario, one thread.
    let audited = audit(&audited, false, &|_| told())?;
    let exposed_ms: i64 = devices.iter().map(|d| audited.exposed_ms(*d, 0)).sum();
    let moved: u32 = groups.iter().map(|g| tally.group(*g).moved()).sum();
    let count = number(i64::try_from(groups.len()).unwrap_or(1).max(1));
    let days = number(setting.to.0 - setting.from.0) / 86_400_000.0;
    let mean = |of: fn(&crate::html::LightHours) -> f64| {
        groups.iter().map(|g| of(&light[g.index()])).sum::<f64>() / count
    };
    Ok(Gave {
        sun_h: mean(|hours| hours.let_in),
        view_h: mean(|hours| hours.view),
        movements: f64::from(moved) / count / days,
        exposed_s: number(exposed_ms) / 1_000.0,
    })
}

/// The groups on a facade that have a sun rule.
#[must_use]
pub fn tuned(model: &Model, facade: FacadeId) -> Vec<GroupId> {
    let groups = model.groups.iter().enumerate();
    let mine = groups.filter(|(_, group)| group.facade == facade && group.sun.is_some());
    mine.map(|(index, _)| GroupId::of(index)).collect()
}

#[expect(
    clippy::cast_precision_loss,
    reason = "counts and spans far below 2^53"
)]
const fn number(of: i64) -> f64 {
    of as f64
}

#[cfg(test)]
mod tests {
    use super::Gave;

    #[test]
    fn less_sun_more_view_fewer_moves_and_less_exposure_beat() {
        let of = |sun_h, view_h, movements, exposed_s| Gave {
            sun_h,
            view_h,
            movements,
            exposed_s,
        };
        let here = of(100.0, 2000.0, 4.0, 0.0);
        let table = [
            (of(90.0, 2000.0, 4.0, 0.0), true),
            (of(100.0, 2100.0, 4.0, 0.0), true),
            (of(100.0, 2000.0, 3.0, 0.0), true),
            (of(100.0, 2000.0, 4.0, 0.0), false),
            (of(90.0, 1900.0, 4.0, 0.0), false),
            (of(90.0, 2100.0, 3.0, 5.0), false),
        ];
        for (other, beats) in table {
            assert_eq!(other.beats(&here), beats, "{other:?}");
            assert!(!here.beats(&other) || !beats);
        }
    }
}

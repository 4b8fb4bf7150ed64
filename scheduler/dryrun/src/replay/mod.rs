//! The replay: weather through the same core that runs a building, minute by
//! minute, with a plant that is ideal or simulated.
//!
//! At each step every sensor that the weather speaks of gets a reading, in the
//! order of the site file, then contacts that change. Between steps the core is
//! woken exactly when it asks, and the plant's reports reach it at the moment
//! they are made. Both clocks show the same count. Nothing is recorded of the
//! day of lead-in before the span, which lets the building settle.

mod adapt;
mod carrier;
mod contacts;
mod feed;
mod parts;
mod run;
mod spans;
mod tally;
mod trouble;

pub use adapt::{assumptions, for_data};
pub use contacts::Occupancy;
pub use feed::Feed;
pub use tally::{Busiest, GroupMonth, MonthTally, Tally};
pub use trouble::{Failing, Trouble, What};

use crate::weather::{Fails, Series, duration};
use leeside_core::Core;
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange};
use leeside_core::time::{HOUR, Wall};
use leeside_plant::Happened;
use std::io;
use std::ops::ControlFlow;
use std::sync::Arc;

/// How long before the span the replay begins, ms.
pub const LEAD_IN_MS: i64 = 24 * HOUR;

/// The weather of a replay.
#[derive(Clone, PartialEq, Debug)]
pub enum Sky {
    /// Rows of a weather file.
    Rows(Series),
    /// A made-up sky without clouds, wind or rain, mild: what the sun and the
    /// timetable alone would do.
    ClearAndCalm,
}

impl Sky {
    /// Usual length of a row, ms; endless for a made-up sky, whose wind is the
    /// same for ever without any sensor being stuck.
    #[must_use]
    pub const fn resolution_ms(&self) -> i64 {
        match self {
            Self::Rows(series) => series.about.resolution_ms,
            Self::ClearAndCalm => i64::MAX,
        }
    }
}

/// What carries commands out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PlantKind {
    /// Every device is where it was told to be at once.
    Ideal,
    /// Devices take the time of their make-up.
    Simulated,
}

/// One replay.
#[derive(Clone, Debug)]
pub struct Setting {
    /// The site.
    pub model: Arc<Model>,
    /// The weather, from [`LEAD_IN_MS`] before the span where there is any.
    pub sky: Sky,
    /// From this moment (included).
    pub from: Wall,
    /// Until this moment (excluded).
    pub to: Wall,
    /// From reading to reading, ms.
    pub step_ms: i64,
    /// What carries commands out.
    pub plant: PlantKind,
    /// When somebody is in.
    pub occupancy: Occupancy,
}

impl Setting {
    /// The part of the span that lies before a moment, 0..1.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "a century is 3e12 ms, far below 2^53"
    )]
    pub fn share(&self, at: Wall) -> f64 {
        let (done, all) = (at.0 - self.from.0, self.to.0 - self.from.0);
        (done as f64 / all.max(1) as f64).clamp(0.0, 1.0)
    }
}

/// Takes what comes out of a replay, in order of time.
pub trait Sink {
    /// A command that is not only repeated.
    ///
    /// # Errors
    /// Where it cannot be written.
    fn movement(&mut self, model: &Model, command: &Command) -> io::Result<()>;

    /// A lockout began, changed its reason or ended.
    ///
    /// # Errors
    /// Where it cannot be written.
    fn lockout(&mut self, _model: &Model, _change: &LockoutChange) -> io::Result<()> {
        Ok(())
    }

    /// An alarm was raised or cleared.
    ///
    /// # Errors
    /// Where it cannot be written.
    fn alarm(&mut self, _model: &Model, _alarm: &Alarm) -> io::Result<()> {
        Ok(())
    }

    /// Whether it ever asks to see the core ([`look_at`](Self::look_at)) or what
    /// happens to drives ([`watches`](Self::watches)). Where it does not, several
    /// threads may share the work.
    fn looks(&self) -> bool {
        true
    }

    /// Whether it wants to hear readings.
    fn hears(&self) -> bool {
        false
    }

    /// A reading that reached the core, before the span too.
    fn heard(&mut self, _reading: &leeside_core::input::Reading) {}

    /// The next moment at which the sink wants to see the core; each answer lies
    /// after the last look. The moment may lie before the span.
    fn look_at(&self) -> Option<Wall> {
        None
    }

    /// A moment that it wanted to see lies before the story begins.
    fn missed(&mut self, _at: Wall) {}

    /// Whether it wants to know what really happens to drives.
    fn watches(&self) -> bool {
        false
    }

    /// Something really happened to a drive, whatever was reported of it.
    ///
    /// # Errors
    /// Where it cannot be written.
    fn happened(&mut self, _happened: &Happened) -> io::Result<()> {
        Ok(())
    }

    /// The core just after a moment that was asked for: all that was due or
    /// stamped then has been decided.
    ///
    /// # Errors
    /// Where what was seen cannot be written.
    fn look(&mut self, _core: &Core, _at: Wall) -> io::Result<()> {
        Ok(())
    }
}

/// A sink that keeps nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Nothing;

impl Sink for Nothing {
    fn looks(&self) -> bool {
        false
    }

    fn movement(&mut self, _model: &Model, _command: &Command) -> io::Result<()> {
        Ok(())
    }
}

/// Why a replay did not come to its end.
#[derive(Debug, thiserror::Error)]
pub enum Stopped {
    /// The caller's progress function said so.
    #[error("stopped at {}", crate::weather::moment(*.0))]
    Asked(Wall),
    /// The sink could not write.
    #[error("the output cannot be written: {0}")]
    Sink(#[from] io::Error),
    /// The step is not one minute, or a whole part or multiple of it.
    #[error("a step of {} does not work: take a second to an hour, in whole seconds", duration(*.0))]
    Step(i64),
    /// The weather lets a sensor fail that the site does not have.
    #[error("the weather lets a sensor {0:?} fail, but the site has none of that name; it has {1}")]
    NoSensor(String, String),
}

/// Runs a replay. `progress` is called about once a simulated day with the
/// moment reached, and may stop the run.
///
/// Where the sink does not look at the core, a large site's groups are shared out
/// among threads; the sink is told the same in the same order.
///
/// # Errors
/// [`Stopped`].
pub fn replay(
    setting: &Setting,
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Tally, Stopped> {
    replay_in_parts(setting, parts::worth(&setting.model), sink, progress)
}

/// Runs a replay with the groups shared out among at most so many threads.
///
/// # Errors
/// [`Stopped`].
pub fn replay_in_parts(
    setting: &Setting,
    parts: usize,
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Tally, Stopped> {
    // What a simulated plant reports of itself has no place among the groups.
    let whole = sink.looks() || setting.plant != PlantKind::Ideal;
    let shares = parts::shares(&setting.model, if whole { 1 } else { parts });
    if shares.len() < 2 {
        return replay_in_trouble(setting, &[], sink, progress);
    }
    let model = setting.data_model()?;
    parts::together(setting, &model, &shares, sink, progress)
}

/// Runs a replay in which things go wrong.
///
/// # Errors
/// [`Stopped`].
pub fn replay_in_trouble(
    setting: &Setting,
    troubles: &[Trouble],
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Tally, Stopped> {
    let model = setting.data_model()?;
    lead_directly(
        setting,
        model,
        troubles,
        run::Looks::AsNeeded,
        sink,
        progress,
    )
}

/// Runs a replay in which everything is looked at anew at every step, to see that
/// [`replay`] misses nothing by what it does not look at: the same bytes, slowly.
///
/// # Errors
/// [`Stopped`].
pub fn replay_plainly(
    setting: &Setting,
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Tally, Stopped> {
    let model = setting.data_model()?;
    lead_directly(setting, model, &[], run::Looks::EveryStep, sink, progress)
}

fn lead_directly(
    setting: &Setting,
    model: Arc<Model>,
    troubles: &[Trouble],
    looks: run::Looks,
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Tally, Stopped> {
    let direct = run::Direct(sink);
    let mut each_day = |at, _: &mut _| {
        if at < setting.to && progress(at).is_break() {
            return Err(Stopped::Asked(at));
        }
        Ok(())
    };
    let each_day: (i64, run::Each<'_, _>) = (24 * HOUR, &mut each_day);
    run::lead(setting, model, troubles, looks, direct, each_day)
}

/// The sensors that a made-up weather lets fail.
fn failing(setting: &Setting) -> Result<Vec<Trouble>, Stopped> {
    let Sky::Rows(series) = &setting.sky else {
        return Ok(Vec::new());
    };
    let model = &setting.model;
    let trouble = |fails: &Fails| {
        let sensor = model.sensor_named(&fails.sensor).ok_or_else(|| {
            let names = model.sensors.iter().map(|sensor| sensor.name.as_str());
            Stopped::NoSensor(fails.sensor.clone(), names.collect::<Vec<_>>().join(", "))
        })?;
        Ok(Trouble {
            from: fails.from,
            to: Wall(i64::MAX),
            what: What::Sensor(sensor, fails.how),
        })
    };
    series.failing.iter().map(trouble).collect()
}

impl Setting {
    /// The site fitted to data instead of instruments, if the step works at all.
    fn data_model(&self) -> Result<Arc<Model>, Stopped> {
        if !(1_000..=HOUR).contains(&self.step_ms) {
            return Err(Stopped::Step(self.step_ms));
        }
        let resolution_ms = self.sky.resolution_ms();
        Ok(Arc::new(for_data(&self.model, resolution_ms, self.step_ms)))
    }

    /// Where the replay begins: on a whole step, a day before the span or where
    /// the weather begins.
    fn begin(&self) -> i64 {
        let earliest = match &self.sky {
            Sky::Rows(series) => series.rows.first().map_or(self.from, |row| row.start),
            Sky::ClearAndCalm => self.from.plus(-LEAD_IN_MS),
        };
        let begin = earliest.max(self.from.plus(-LEAD_IN_MS)).min(self.from);
        begin.0.div_euclid(self.step_ms) * self.step_ms
    }
}

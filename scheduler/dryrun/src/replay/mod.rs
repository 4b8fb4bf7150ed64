//! The replay: weather through the same core that runs a building, minute by
//! minute, with a plant that is ideal or simulated.
//!
//! At each step every sensor that the weather speaks of gets a reading, in the
//! order of the site file, then contacts that change. Between steps the core is
//! woken exactly when it asks, and the plant's reports reach it at the moment
//! they are made. Both clocks show the same count. Nothing is recorded of the
//! day of lead-in before the span, which lets the building settle.

mod adapt;
mod contacts;
mod feed;
mod tally;
mod trouble;

pub use adapt::{assumptions, for_data};
pub use contacts::Occupancy;
pub use feed::Feed;
pub use tally::{Busiest, GroupMonth, MonthTally, Tally};
pub use trouble::{Failing, Trouble, What};

use crate::weather::{Fails, Series, duration};
use contacts::Contacts;
use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::ids::FeederId;
use leeside_core::input::{Input, Reading, RestartCause};
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange, Output};
use leeside_core::time::{HOUR, Now, Wall};
use leeside_plant::{Happened, Plant, Supply};
use std::io;
use std::ops::ControlFlow;
use std::sync::Arc;
use trouble::{Edge, Troubles};

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

    /// The next moment at which the sink wants to see the core; each answer lies
    /// after the last look. The moment may lie before the span.
    fn look_at(&self) -> Option<Wall> {
        None
    }

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
/// # Errors
/// [`Stopped`].
pub fn replay(
    setting: &Setting,
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Tally, Stopped> {
    replay_in_trouble(setting, &[], sink, progress)
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
    if !(1_000..=HOUR).contains(&setting.step_ms) {
        return Err(Stopped::Step(setting.step_ms));
    }
    let model = Arc::new(for_data(
        &setting.model,
        setting.sky.resolution_ms(),
        setting.step_ms,
    ));
    let mut troubles = troubles.to_vec();
    troubles.extend(failing(setting)?);
    let begin = setting.begin();
    let mut feed = Feed::new(model.clone(), &setting.sky);
    let mut contacts = Contacts::new(setting.occupancy);
    let mut run = Run::new(model, setting, &troubles, sink);
    let (mut at, mut day) = (begin, begin);
    while at < setting.to.0 {
        run.until(at)?;
        run.tally.light(Wall(at), feed.look(Wall(at)));
        for reading in feed.readings(Wall(at)) {
            run.reading(at, *reading);
        }
        if std::mem::take(&mut run.started) {
            contacts.forget();
        }
        if !run.troubles.deaf() {
            for input in contacts.changes(&run.model, Wall(at)) {
                run.core.handle(Now::both(at), input);
            }
        }
        run.drain(at)?;
        if at - day >= 24 * HOUR {
            day = at;
            if progress(Wall(at)).is_break() {
                return Err(Stopped::Asked(Wall(at)));
            }
        }
        at += setting.step_ms;
    }
    run.until(setting.to.0)?;
    Ok(run.tally.finish(setting.to))
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

/// Core and plant on the way.
struct Run<'a> {
    model: Arc<Model>,
    core: Core,
    plant: Plant,
    tally: Tally,
    sink: &'a mut dyn Sink,
    from: Wall,
    /// The last moment the core was told.
    now: i64,
    /// When the core wants to be called at the latest.
    wake: Option<i64>,
    troubles: Troubles,
    /// What the program keeps while it is not there.
    kept: Option<Box<Snapshot>>,
    /// It has just started, so contacts have to be said again.
    started: bool,
}

impl<'a> Run<'a> {
    fn new(
        model: Arc<Model>,
        setting: &Setting,
        troubles: &[Trouble],
        sink: &'a mut dyn Sink,
    ) -> Self {
        let now = Now::both(setting.begin());
        let mut plant = match setting.plant {
            PlantKind::Ideal => Plant::ideal(&model, now),
            PlantKind::Simulated => Plant::new(&model, now),
        };
        if sink.watches() {
            plant.watch();
        }
        Self {
            troubles: Troubles::new(troubles, model.sensors.len()),
            kept: None,
            started: false,
            core: Core::new(model.clone(), now),
            tally: Tally::new(&model, setting.from, setting.to),
            plant,
            model,
            sink,
            from: setting.from,
            now: now.wall.0,
            wake: None,
        }
    }

    /// Everything that is due before `until`: wake-ups of the core, events of the
    /// plant.
    fn until(&mut self, until: i64) -> Result<(), Stopped> {
        loop {
            // A timer due at T acts when time passes T.
            let later = |at: i64| at.max(self.now).saturating_add(1);
            let wake = self.wake.filter(|_| !self.troubles.down).map(later);
            let plant = self.plant.next().map(|at| at.0);
            let asked = self.sink.look_at();
            // Looking changes nothing, so it may be done at the begin of the next step.
            let look = asked.map(|asked| later(asked.0)).filter(|at| *at <= until);
            let edge = self.troubles.next_at();
            // What goes wrong at a step goes wrong before its readings.
            let edge = edge.filter(|at| *at <= until).map(|at| at.max(self.now));
            let due = wake.into_iter().chain(plant).filter(|at| *at < until);
            let Some(at) = due.chain(look).chain(edge).min() else {
                return Ok(());
            };
            if edge == Some(at)
                && let Some(edge) = self.troubles.take()
            {
                self.go_wrong(at, edge);
                self.drain(at)?;
                continue;
            }
            if wake == Some(at) || look == Some(at) {
                self.core.handle(Now::both(at), Input::Tick);
            }
            // Commands first: they reach the plant at the moment they are stamped
            // with, a millisecond ago.
            self.drain(at)?;
            if let Some(asked) = asked.filter(|_| look == Some(at)) {
                self.sink.look(&self.core, asked)?;
            }
        }
    }

    /// Carries what comes out of the core to plant and sink, and the plant's
    /// reports back, until both have nothing more to say.
    fn drain(&mut self, now: i64) -> Result<(), Stopped> {
        self.now = now;
        loop {
            match self.core.poll() {
                Output::Command(command) => {
                    // What is sent into a gap is lost.
                    if !self.troubles.cut_off {
                        self.plant.handle(command.at, &command);
                    }
                    if !command.repeat && command.at.wall >= self.from {
                        self.tally.movement(&self.model, &command);
                        self.sink.movement(&self.model, &command)?;
                    }
                }
                Output::Lockout(change) => {
                    self.tally.lockout(&change);
                    if change.at.wall >= self.from {
                        self.sink.lockout(&self.model, &change)?;
                    }
                }
                Output::Alarm(alarm) => {
                    if alarm.at.wall >= self.from {
                        self.tally.alarm(&alarm);
                        self.sink.alarm(&self.model, &alarm)?;
                    }
                }
                Output::Refused { .. } | Output::Announce { .. } => {}
                Output::Wake(wake) => {
                    self.wake = wake.map(|wake| wake.at.wall.0);
                    if !self.report(now)? {
                        return Ok(());
                    }
                }
            }
        }
    }

    /// Hands the plant's reports to the core; says whether there were any.
    fn report(&mut self, now: i64) -> Result<bool, Stopped> {
        let mut any = false;
        self.plant.advance(Now::both(now));
        while let Some(happened) = self.plant.happened() {
            self.sink.happened(&happened)?;
        }
        while let Some(told) = self.plant.poll() {
            self.tally.report(Wall(told.at.0), &told.report);
            if !self.troubles.deaf() {
                any = true;
                self.core.handle(Now::both(now), Input::Report(told.report));
            }
        }
        Ok(any)
    }

    /// Hands a reading to the core, as far as it gets there.
    fn reading(&mut self, at: i64, reading: Reading) {
        if let Some(reading) = self.troubles.reading(reading)
            && !self.troubles.deaf()
        {
            self.core.handle(Now::both(at), Input::Reading(reading));
        }
    }

    /// Something begins or ceases to be wrong.
    fn go_wrong(&mut self, at: i64, edge: Edge) {
        let now = Now::both(at);
        match (edge.what, edge.begins) {
            (What::Sensor(..), _) => {}
            (What::Feeder(feeder, supply), begins) => {
                let supply = if begins { supply } else { Supply::Normal };
                self.plant.set_supply(now, feeder, supply);
            }
            (What::BrokerGap, begins) => {
                let input = if begins {
                    Input::Disconnected
                } else {
                    Input::Connected
                };
                self.core.handle(now, input);
            }
            (What::Restart, begins) => self.program(now, begins),
            (What::PowerCut, begins) => {
                let supply = if begins {
                    Supply::Tripped
                } else {
                    Supply::Normal
                };
                for feeder in 0..self.model.feeders.len() {
                    self.plant.set_supply(now, FeederId::of(feeder), supply);
                }
                self.program(now, begins);
            }
        }
    }

    /// The program goes, or comes again with what it kept.
    fn program(&mut self, now: Now, goes: bool) {
        if goes {
            self.kept = Some(Box::new(self.core.snapshot()));
        } else if let Some(kept) = self.kept.take() {
            self.core = Core::restore(self.model.clone(), &kept);
            self.core.handle(now, Input::Restart(RestartCause::Started));
            self.core.handle(now, Input::Connected);
            self.started = true;
        }
    }
}

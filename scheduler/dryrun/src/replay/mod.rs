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

pub use adapt::{assumptions, for_data};
pub use contacts::Occupancy;
pub use feed::Feed;
pub use tally::{Busiest, GroupMonth, MonthTally, Tally};

use crate::weather::{Series, duration};
use contacts::Contacts;
use leeside_core::Core;
use leeside_core::input::Input;
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange, Output};
use leeside_core::time::{HOUR, Now, Wall};
use leeside_plant::Plant;
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
    if !(1_000..=HOUR).contains(&setting.step_ms) {
        return Err(Stopped::Step(setting.step_ms));
    }
    let model = Arc::new(for_data(
        &setting.model,
        setting.sky.resolution_ms(),
        setting.step_ms,
    ));
    let begin = setting.begin();
    let mut feed = Feed::new(model.clone(), &setting.sky);
    let mut contacts = Contacts::new(setting.occupancy);
    let mut run = Run::new(model, setting, sink);
    let (mut at, mut day) = (begin, begin);
    while at < setting.to.0 {
        run.until(at)?;
        run.tally.light(Wall(at), feed.look(Wall(at)));
        for reading in feed.readings(Wall(at)) {
            run.core.handle(Now::both(at), Input::Reading(*reading));
        }
        for input in contacts.changes(&run.model, Wall(at)) {
            run.core.handle(Now::both(at), input);
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
}

impl<'a> Run<'a> {
    fn new(model: Arc<Model>, setting: &Setting, sink: &'a mut dyn Sink) -> Self {
        let now = Now::both(setting.begin());
        let plant = match setting.plant {
            PlantKind::Ideal => Plant::ideal(&model, now),
            PlantKind::Simulated => Plant::new(&model, now),
        };
        Self {
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
            let wake = self.wake.map(|wake| wake.max(self.now).saturating_add(1));
            let plant = self.plant.next().map(|at| at.0);
            let asked = self.sink.look_at();
            let look = asked.map(|asked| asked.0.max(self.now).saturating_add(1));
            let Some(at) = wake
                .into_iter()
                .chain(plant)
                .chain(look)
                .min()
                .filter(|at| *at < until)
            else {
                return Ok(());
            };
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
                    self.plant.handle(command.at, &command);
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
                    if !self.report(now) {
                        return Ok(());
                    }
                }
            }
        }
    }

    /// Hands the plant's reports to the core; says whether there were any.
    fn report(&mut self, now: i64) -> bool {
        let mut any = false;
        self.plant.advance(Now::both(now));
        while let Some(told) = self.plant.poll() {
            any = true;
            self.tally.report(Wall(told.at.0), &told.report);
            self.core.handle(Now::both(now), Input::Report(told.report));
        }
        any
    }
}

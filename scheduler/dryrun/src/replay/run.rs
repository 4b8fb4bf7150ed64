//! Core and plant, from step to step.

use super::carrier::Carrier;
use super::contacts::Contacts;
use super::feed::Feed;
use super::tally::Tally;
use super::trouble::{Edge, Trouble, Troubles, What};
use super::{Setting, Sink, Stopped, failing};
use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::ids::FeederId;
use leeside_core::input::{Input, Reading, RestartCause};
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange, Output, Place};
use leeside_core::time::{Now, Wall};
use leeside_plant::{Supply, Told};
use std::io;
use std::sync::Arc;

/// What comes out of a replay.
pub(super) enum Said {
    /// A command that is not only repeated.
    Movement(Command),
    /// A lockout.
    Lockout(LockoutChange),
    /// An alarm.
    Alarm(Alarm),
    /// A command that is not told of: it has a number all the same.
    Unrecorded,
}

/// Where it goes.
pub(super) trait Outlet {
    /// Something comes out.
    fn say(&mut self, model: &Model, place: Place, said: Said) -> io::Result<()>;

    /// A sink that may look at the core.
    fn sink(&mut self) -> Option<&mut dyn Sink>;
}

/// At what the core looks.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Looks {
    /// At what may have changed.
    AsNeeded,
    /// At everything, at every step.
    EveryStep,
}

/// Straight to a sink.
pub(super) struct Direct<'a>(pub(super) &'a mut dyn Sink);

impl Outlet for Direct<'_> {
    fn say(&mut self, model: &Model, _: Place, said: Said) -> io::Result<()> {
        match said {
            Said::Movement(command) => self.0.movement(model, &command),
            Said::Lockout(change) => self.0.lockout(model, &change),
            Said::Alarm(alarm) => self.0.alarm(model, &alarm),
            Said::Unrecorded => Ok(()),
        }
    }

    fn sink(&mut self) -> Option<&mut dyn Sink> {
        Some(self.0)
    }
}

/// What is called now and then with the moment reached.
pub(super) type Each<'a, O> = &'a mut dyn FnMut(Wall, &mut O) -> Result<(), Stopped>;

/// Runs a replay from begin to end. `each` is called about once in so many simulated
/// milliseconds with the moment reached.
pub(super) fn lead<O: Outlet>(
    setting: &Setting,
    model: Arc<Model>,
    troubles: &[Trouble],
    looks: Looks,
    outlet: O,
    (every_ms, each): (i64, Each<'_, O>),
) -> Result<Tally, Stopped> {
    let mut troubles = troubles.to_vec();
    troubles.extend(failing(setting)?);
    let begin = setting.begin();
    let mut feed = Feed::new(model.clone(), &setting.sky);
    let mut contacts = Contacts::new(setting.occupancy);
    let mut run = Run::new(model, setting, &troubles, outlet);
    let (mut at, mut last) = (begin, begin);
    while at < setting.to.0 {
        run.until(at)?;
        if looks == Looks::EveryStep && !run.troubles.down {
            run.core.look_anew(Now::both(at));
        }
        run.tally.light(Wall(at), feed.look(Wall(at)));
        run.readings(at, feed.readings(Wall(at)));
        if std::mem::take(&mut run.started) {
            contacts.forget();
        }
        if !run.troubles.deaf() {
            for input in contacts.changes(&run.model, Wall(at)) {
                run.core.handle(Now::both(at), input);
            }
        }
        run.drain(at)?;
        if at - last >= every_ms {
            last = at;
            each(Wall(at), &mut run.outlet)?;
        }
        at += setting.step_ms;
    }
    run.until(setting.to.0)?;
    each(setting.to, &mut run.outlet)?;
    Ok(run.tally.finish(setting.to))
}

/// Core and plant on the way.
struct Run<O> {
    model: Arc<Model>,
    core: Core,
    plant: Carrier,
    /// What drives have told and nobody has heard yet.
    told: Vec<Told>,
    tally: Tally,
    outlet: O,
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

impl<O: Outlet> Run<O> {
    fn new(model: Arc<Model>, setting: &Setting, troubles: &[Trouble], mut outlet: O) -> Self {
        let now = Now::both(setting.begin());
        let watched = outlet.sink().is_some_and(|sink| sink.watches());
        let plain = troubles.is_empty() && !watched;
        let mut plant = Carrier::new(setting.plant, plain, &model, now);
        if watched {
            plant.watch();
        }
        Self {
            troubles: Troubles::new(troubles, model.sensors.len()),
            told: Vec::new(),
            kept: None,
            started: false,
            core: Core::new(model.clone(), now),
            tally: Tally::new(&model, setting.from, setting.to),
            plant,
            model,
            outlet,
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
            let plant = self.plant.next();
            let asked = self.outlet.sink().and_then(|sink| sink.look_at());
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
            if let Some(asked) = asked.filter(|_| look == Some(at))
                && let Some(sink) = self.outlet.sink()
            {
                sink.look(&self.core, asked)?;
            }
        }
    }

    /// Carries what comes out of the core to plant and sink, and the plant's
    /// reports back, until both have nothing more to say.
    fn drain(&mut self, now: i64) -> Result<(), Stopped> {
        self.now = now;
        loop {
            let (place, output) = self.core.poll_placed();
            match output {
                Output::Command(command) => {
                    // What is sent into a gap is lost.
                    if !self.troubles.cut_off {
                        self.plant.handle(command.at, &command, &mut self.told);
                    }
                    let said = if !command.repeat && command.at.wall >= self.from {
                        self.tally.movement(&self.model, &command);
                        Said::Movement(command)
                    } else {
                        Said::Unrecorded
                    };
                    self.outlet.say(&self.model, place, said)?;
                }
                Output::Lockout(change) => {
                    self.tally.lockout(&change);
                    if change.at.wall >= self.from {
                        let said = Said::Lockout(change);
                        self.outlet.say(&self.model, place, said)?;
                    }
                }
                Output::Alarm(alarm) => {
                    if alarm.at.wall >= self.from {
                        self.tally.alarm(&alarm);
                        self.outlet.say(&self.model, place, Said::Alarm(alarm))?;
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
        let now = Now::both(now);
        self.plant.advance(now, &mut self.told);
        while let Some(happened) = self.plant.happened() {
            if let Some(sink) = self.outlet.sink() {
                sink.happened(&happened)?;
            }
        }
        let deaf = self.troubles.deaf();
        let any = !self.told.is_empty() && !deaf;
        for told in &self.told {
            self.tally.report(Wall(told.at.0), &told.report);
            if !deaf {
                self.core.hear_drive(now, &told.report);
            }
        }
        self.told.clear();
        Ok(any)
    }

    /// Hands the readings of a moment to the core, as far as they get there.
    fn readings(&mut self, at: i64, readings: &[Reading]) {
        let sink = self.outlet.sink();
        let mut hears = sink.filter(|sink| sink.hears());
        if hears.is_none() && self.troubles.never() {
            self.core.hear(Now::both(at), readings);
            return;
        }
        for reading in readings {
            let Some(reading) = self.troubles.reading(*reading) else {
                continue;
            };
            if self.troubles.deaf() {
                continue;
            }
            if let Some(sink) = &mut hears {
                sink.heard(&reading);
            }
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
            // What this very program kept a moment ago fits; were it not so, that is
            // what the program would do.
            let cause = match Core::restore(self.model.clone(), &kept) {
                Ok(core) => {
                    self.core = core;
                    RestartCause::Started
                }
                Err(_) => {
                    self.core = Core::new(self.model.clone(), now);
                    RestartCause::StateLost
                }
            };
            self.core.handle(now, Input::Restart(cause));
            self.core.handle(now, Input::Connected);
            self.started = true;
        }
    }
}

//! A span of a journal told and counted as a dry run is.

use super::{Lived, LivedError};
use crate::replay::{Feed, Sink, Sky, Tally};
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::input::{DriveState, Report};
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange};
use leeside_core::pose::Pose;
use leeside_core::time::{MINUTE, Wall};
use std::cell::Cell;
use std::io;
use std::ops::ControlFlow;
use std::sync::Arc;

impl Lived<'_> {
    /// Tells the span to a sink and counts it, minute by minute. `progress` is told
    /// the moment reached, and may stop.
    ///
    /// # Errors
    /// [`LivedError`].
    pub fn told(
        &self,
        sink: &mut dyn Sink,
        progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
    ) -> Result<Tally, LivedError> {
        let sky = Sky::ClearAndCalm;
        let (from, to) = (self.from, self.to);
        let enough = Cell::new(false);
        let mut counting = Counting {
            sink,
            progress,
            enough: &enough,
            feed: Feed::new(Arc::clone(&self.model), &sky),
            tally: Tally::new(&self.model, from, to),
            minute: from,
            to,
            seen: vec![None; self.model.devices.len()],
            begun: false,
        };
        self.run(&mut counting, &enough)?;
        let Counting { tally, minute, .. } = counting;
        if enough.get() {
            return Err(LivedError::Stopped(crate::weather::moment(minute)));
        }
        Ok(tally.finish(to.min(self.span().1)))
    }
}

/// Passes on what it hears, and counts.
struct Counting<'a> {
    sink: &'a mut dyn Sink,
    progress: &'a mut dyn FnMut(Wall) -> ControlFlow<()>,
    enough: &'a Cell<bool>,
    /// Only its sun is asked for: when it is on a facade.
    feed: Feed<'a>,
    tally: Tally,
    /// The next minute that is looked at.
    minute: Wall,
    to: Wall,
    /// Where devices were last seen.
    seen: Vec<Option<Pose>>,
    begun: bool,
}

impl Counting<'_> {
    /// Which guards were engaged when the span began.
    fn begin(&mut self, core: &Core) {
        for group in (0..core.model().groups.len()).map(GroupId::of) {
            for guard in core.explain(group).lockouts {
                self.tally.lockout(&LockoutChange {
                    group,
                    word: guard.word,
                    engaged: true,
                    at: guard.since,
                    because: guard.because,
                    release: guard.release,
                });
            }
        }
    }

    /// Looks at the building, as a plant's reports would tell of it.
    fn count(&mut self, core: &Core, at: Wall) {
        if !std::mem::replace(&mut self.begun, true) {
            self.begin(core);
        }
        self.tally.light(at, self.feed.look(at));
        for device in (0..self.seen.len()).map(DeviceId::of) {
            let pose = core.pose(device);
            if pose != self.seen[device.index()] {
                self.seen[device.index()] = pose;
                let report = Report {
                    device,
                    sequence: None,
                    state: DriveState::Standing,
                    pose,
                    power_w: None,
                };
                self.tally.report(at, &report);
            }
        }
        self.minute = Wall((at.0.div_euclid(MINUTE) + 1) * MINUTE);
        if (self.progress)(at).is_break() {
            self.enough.set(true);
        }
    }
}

impl Sink for Counting<'_> {
    fn movement(&mut self, model: &Model, command: &Command) -> io::Result<()> {
        self.tally.movement(model, command);
        self.sink.movement(model, command)
    }

    fn lockout(&mut self, model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.tally.lockout(change);
        self.sink.lockout(model, change)
    }

    fn alarm(&mut self, model: &Model, alarm: &Alarm) -> io::Result<()> {
        self.tally.alarm(alarm);
        self.sink.alarm(model, alarm)
    }

    fn look_at(&self) -> Option<Wall> {
        let own = (self.minute < self.to).then_some(self.minute);
        own.into_iter().chain(self.sink.look_at()).min()
    }

    fn look(&mut self, core: &Core, at: Wall) -> io::Result<()> {
        if at == self.minute {
            self.count(core, at);
        }
        if self.sink.look_at() == Some(at) {
            self.sink.look(core, at)?;
        }
        Ok(())
    }
}

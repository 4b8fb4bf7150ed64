//! Plain switch inputs, which only say pressed and released. A short press runs the
//! whole way or halts what runs; a long one runs while it is pressed. What ought to
//! come of it is reckoned from what the plant does, not from what the core believes.

use crate::checks::UNDER_WAY_MS;
use crate::site::{LONG_MS, SWITCHED, SWITCHES};
use crate::world::{Happening, Outcome, World};
use leeside_core::ids::ContactId;
use leeside_core::input::Input;
use leeside_core::output::{Course, Word};

/// A press under way.
#[derive(Clone, Debug)]
pub(crate) struct Pressed {
    /// When it began.
    at: i64,
    /// How often program and clock had started anew by then.
    starts: u64,
    /// What is to be seen now: on the way (`true`), or halted.
    runs: Option<bool>,
}

impl Pressed {
    /// Since `at`, and by now it ought to run.
    pub(crate) const fn running(at: i64, starts: u64) -> Self {
        let runs = Some(true);
        Self { at, starts, runs }
    }

    /// ... and by now it ought to have halted.
    pub(crate) const fn halting(at: i64, starts: u64) -> Self {
        let runs = Some(false);
        Self { at, starts, runs }
    }
}

impl World {
    pub(crate) fn press(
        &mut self,
        contact: ContactId,
        outcome: &mut Outcome,
    ) -> Result<(), String> {
        let held = |h: &Happening| matches!(h, Happening::Release(held, _) if *held == contact);
        if self.queue.values().any(held) {
            return Ok(());
        }
        let pressed = Pressed {
            at: self.t,
            starts: self.starts,
            runs: None,
        };
        let lasts = self
            .rng
            .pick(&[80, 300, LONG_MS - 1, LONG_MS, 1_500, 6_000]);
        if lasts > LONG_MS + 100 {
            let long = Pressed {
                runs: Some(true),
                ..pressed.clone()
            };
            self.after(LONG_MS + 2, Happening::Judge(contact, long));
        }
        self.after(lasts, Happening::Release(contact, pressed));
        let active = true;
        self.put(Input::Contact { contact, active }, outcome)
    }

    pub(crate) fn release(
        &mut self,
        contact: ContactId,
        pressed: Pressed,
        outcome: &mut Outcome,
    ) -> Result<(), String> {
        let lasted = self.t - pressed.at;
        // At the very threshold either may come first.
        let runs = if lasted == LONG_MS {
            None
        } else if lasted > LONG_MS {
            Some(false)
        } else {
            self.moving().map(|moving| !moving)
        };
        let judged = Pressed { runs, ..pressed };
        self.after(1, Happening::Judge(contact, judged));
        let active = false;
        self.put(Input::Contact { contact, active }, outcome)
    }

    /// Whether any device of the group moves, or is about to; `None`: one stops or
    /// starts just now.
    fn moving(&self) -> Option<bool> {
        let at = |ms: i64| {
            let devices = &self.model.group(SWITCHED).devices;
            let stand = |d| self.plant.stand(d, self.now().steady.plus(ms));
            devices.iter().map(|d| stand(*d)).collect::<Vec<_>>()
        };
        let here = at(0);
        if here != at(400) {
            Some(true)
        } else if [2_000, 10_000, 60_000].iter().all(|ms| here == at(*ms)) && !self.told_of_late() {
            Some(false)
        } else {
            None
        }
    }

    /// Whether any of its drives may be believed to run, told again what it has done.
    fn told_of_late(&self) -> bool {
        let devices = &self.model.group(SWITCHED).devices;
        let told = |d: &leeside_core::ids::DeviceId| self.checks.devices[d.index()].commanded_at;
        devices.iter().any(|d| self.t - told(d) < UNDER_WAY_MS)
    }

    /// What a press ought to have come to, where nothing else speaks.
    pub(crate) fn judge(&self, contact: ContactId, pressed: &Pressed) -> Result<(), String> {
        let (Some(core), Some(runs)) = (&self.core, pressed.runs) else {
            return Ok(());
        };
        let name = &self.model.contact(contact).name;
        let state = &self.truth.groups[SWITCHED.index()];
        let refused = |(by, at): &(String, i64)| by == name && *at >= pressed.at;
        let devices = &self.model.group(SWITCHED).devices;
        let watched = |d: &leeside_core::ids::DeviceId| &self.checks.devices[d.index()];
        let other = self.starts != pressed.starts
            || self.gap
            || self.refused.as_ref().is_some_and(refused)
            || state.service
            || !state.known
            || self.truth.holds(SWITCHED.index()).contains(&true)
            || self
                .truth
                .active(&self.model, crate::site::FIRE, self.now())
            || devices
                .iter()
                .any(|d| watched(d).excused || !self.sound(*d));
        if other {
            return Ok(());
        }
        let verdict = core.explain(SWITCHED).verdict;
        let out = contact == SWITCHES[1];
        let right = verdict.decided_by == Word::Hand
            && match &verdict.course {
                Course::To(pose) => runs && pose.extension_pct == if out { 100 } else { 0 },
                Course::Hold => !runs,
            };
        if right {
            return Ok(());
        }
        Err(format!(
            "{name} pressed for {} ms ought to {}, but {verdict:?}",
            self.t - pressed.at,
            if runs { "run" } else { "halt" }
        ))
    }
}

//! What is now, as one value that everybody who looks shares.

use crate::wire;
use leeside_core::Core;
use leeside_core::engine::{AlarmView, Explanation};
use leeside_core::ids::{DeviceId, GroupId, SensorId};
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::sensor::{SensorState, Standing};
use leeside_core::time::{Now, Wall};
use leeside_solar::SunPath;
use std::sync::Arc;

/// What is now.
#[derive(Clone, Debug)]
pub struct Present {
    /// The model that all indices speak of.
    pub model: Arc<Model>,
    /// SHA-256 over the site's files, hex.
    pub fingerprint: String,
    /// Counts up with each present.
    pub revision: u64,
    /// The moment on the service's clock.
    pub at: Now,
    /// Where the sun stands.
    pub sun: SunNow,
    /// Groups, in the order of the site file. A group that is the same value as
    /// in an earlier present has not changed. `None`: not looked at yet.
    pub groups: Vec<Option<Arc<GroupNow>>>,
    /// Sensors, in the order of the site file.
    pub sensors: Vec<SensorNow>,
    /// Alarms that stand, by key.
    pub alarms: Vec<AlarmView>,
    /// Alarms about the service itself.
    pub troubles: Vec<TroubleNow>,
    /// The way to the plant.
    pub broker: BrokerNow,
    /// Whether the wall clock is trusted.
    pub clock_trusted: bool,
}

/// Where the sun stands.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SunNow {
    /// Above the horizon, degrees, as seen (with refraction).
    pub elevation_deg: f64,
    /// From true north, clockwise, degrees.
    pub azimuth_deg: f64,
}

/// A group, now.
#[derive(Clone, PartialEq, Debug)]
pub struct GroupNow {
    /// Its verdict with all that spoke.
    pub explanation: Explanation,
    /// When that was worked out.
    pub at: Now,
    /// Where each of its devices is believed to be, in the group's order; `None`: nobody knows.
    pub poses: Vec<Option<Pose>>,
}

/// A sensor, now.
#[derive(Clone, PartialEq, Debug)]
pub struct SensorNow {
    /// Whether it is believed.
    pub standing: Standing,
    /// When it was last heard; `None`: not since the start.
    pub heard: Option<Wall>,
    /// All else.
    pub state: SensorState,
}

/// An alarm about the service itself.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TroubleNow {
    /// Its key, by which it is acknowledged.
    pub key: String,
    /// What: broker, journal, flood, site, calendar, ...
    pub what: &'static str,
    /// What it is about, where there may be several of a kind.
    pub about: String,
    /// Since when.
    pub since: Wall,
    /// Why.
    pub reason: String,
    /// Who has seen it.
    pub acknowledged_by: Option<String>,
}

/// The way to the plant, now.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BrokerNow {
    /// Whether the broker can be reached.
    pub connected: bool,
    /// Since when it can or cannot.
    pub since: Wall,
    /// Why not, in words; empty where it can.
    pub why: String,
}

impl SunNow {
    pub(super) fn at(path: &mut SunPath, wall: Wall) -> Self {
        let sun = path.at(wall.0);
        Self {
            elevation_deg: sun.elevation_deg(),
            azimuth_deg: sun.azimuth_deg(),
        }
    }
}

impl Present {
    /// Before anything is known.
    pub(super) fn unknown(model: Arc<Model>, fingerprint: &str, now: Now) -> Self {
        let mut path = SunPath::new(model.site.location, model.site.atmosphere);
        Self {
            fingerprint: fingerprint.to_owned(),
            revision: 0,
            at: now,
            sun: SunNow::at(&mut path, now.wall),
            groups: vec![None; model.groups.len()],
            sensors: Vec::new(),
            alarms: Vec::new(),
            troubles: Vec::new(),
            broker: BrokerNow::unreached(now),
            clock_trusted: true,
            model,
        }
    }
}

impl BrokerNow {
    fn unreached(now: Now) -> Self {
        Self {
            connected: false,
            since: now.wall,
            why: "not reached yet".to_owned(),
        }
    }
}

/// What the keeper gathers between two presents.
#[derive(Debug)]
pub(super) struct Board {
    model: Arc<Model>,
    fingerprint: String,
    revision: u64,
    pub(super) groups: Vec<Option<Arc<GroupNow>>>,
    /// Groups about which something came out of the core since they were looked at.
    dirty: Vec<bool>,
    /// Where the round over all groups goes on.
    turn: usize,
    broker: BrokerNow,
}

impl Board {
    pub(super) fn new(model: &Arc<Model>, fingerprint: &str, now: Now) -> Self {
        let groups = model.groups.len();
        Self {
            model: Arc::clone(model),
            fingerprint: fingerprint.to_owned(),
            revision: 0,
            groups: vec![None; groups],
            dirty: vec![true; groups],
            turn: 0,
            broker: BrokerNow::unreached(now),
        }
    }

    pub(super) fn reloaded(&self, model: &Arc<Model>, fingerprint: &str, now: Now) -> Self {
        Self {
            revision: self.revision,
            broker: self.broker.clone(),
            ..Self::new(model, fingerprint, now)
        }
    }

    pub(super) fn note(&mut self, output: &Output) {
        let group = match output {
            Output::Command(command) => Some(command.group),
            Output::Lockout(change) => Some(change.group),
            Output::Refused { group, .. } => *group,
            Output::Announce { group, .. } => Some(*group),
            Output::Alarm(_) | Output::Wake(_) => None,
        };
        if let Some(dirty) = group.and_then(|group| self.dirty.get_mut(group.index())) {
            *dirty = true;
        }
    }

    pub(super) fn broker(&mut self, now: Now, connected: bool, why: &str) -> bool {
        if self.broker.connected == connected && self.broker.why == why {
            return false;
        }
        let since = if self.broker.connected == connected {
            self.broker.since
        } else {
            now.wall
        };
        self.broker = BrokerNow {
            connected,
            since,
            why: why.to_owned(),
        };
        true
    }

    /// Looks at up to `most` groups: those with news first, then the next in turn.
    /// Says whether some with news are left.
    pub(super) fn look(&mut self, core: &Core, most: usize) -> bool {
        let count = self.groups.len();
        let mut left = most;
        for index in 0..count {
            if left == 0 {
                break;
            }
            if self.dirty[index] {
                self.look_at(core, index);
                left -= 1;
            }
        }
        for _ in 0..left.min(count) {
            self.turn = (self.turn + 1) % count;
            self.look_at(core, self.turn);
        }
        self.dirty.contains(&true)
    }

    fn look_at(&mut self, core: &Core, index: usize) {
        self.dirty[index] = false;
        let group = GroupId::of(index);
        let pose = |device: &DeviceId| core.pose(*device);
        let seen = GroupNow {
            explanation: core.explain(group),
            at: core.now(),
            poses: self.model.group(group).devices.iter().map(pose).collect(),
        };
        // The moment alone is no news.
        let same = |old: &Arc<GroupNow>| {
            old.poses == seen.poses && told_alike(&old.explanation, &seen.explanation)
        };
        if !self.groups[index].as_ref().is_some_and(same) {
            self.groups[index] = Some(Arc::new(seen));
        }
    }

    pub(super) fn present(
        &mut self,
        core: &Core,
        shown: &wire::Board,
        now: Now,
        sun: SunNow,
        clock_trusted: bool,
    ) -> Present {
        self.revision += 1;
        let sensor = |index| {
            let view = core.sensor(SensorId::of(index));
            let heard = view.state.heard();
            SensorNow {
                standing: view.standing,
                heard: view
                    .state
                    .last()
                    .map(|_| now.wall.plus(heard.0 - now.steady.0)),
                state: view.state.clone(),
            }
        };
        let trouble = |(key, raised): (&String, &wire::Raised)| {
            let (what, about) = wire::Trouble::of(key)?;
            Some(TroubleNow {
                key: key.clone(),
                what: what.as_str(),
                about: about.unwrap_or_default().to_owned(),
                since: raised.since,
                reason: raised.reason.clone(),
                acknowledged_by: raised.acknowledged_by.clone(),
            })
        };
        Present {
            model: Arc::clone(&self.model),
            fingerprint: self.fingerprint.clone(),
            revision: self.revision,
            at: now,
            sun,
            groups: self.groups.clone(),
            sensors: (0..self.model.sensors.len()).map(sensor).collect(),
            alarms: core.alarms(),
            troubles: shown.alarms.iter().filter_map(trouble).collect(),
            broker: self.broker.clone(),
            clock_trusted,
        }
    }
}

/// Whether two explanations say the same, whenever they were worked out.
fn told_alike(a: &Explanation, b: &Explanation) -> bool {
    let verdicts = {
        let (a, b) = (&a.verdict, &b.verdict);
        a.course == b.course
            && a.decided_by == b.decided_by
            && a.because == b.because
            && a.release == b.release
            && a.exceptions == b.exceptions
            && a.lost == b.lost
    };
    verdicts
        && a.since == b.since
        && a.lockouts == b.lockouts
        && a.next_phase == b.next_phase
        && a.overrides == b.overrides
        && a.drives == b.drives
        && a.disbelieved == b.disbelieved
}

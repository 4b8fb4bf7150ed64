//! Requests by hand: room before centre, extension and tilt separately, until a
//! stated end.

use crate::input::Until;
use crate::pose::Pose;
use crate::time::{Now, Wall};
use serde::{Deserialize, Serialize};

/// A hold by hand.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) struct Hold {
    pub(crate) by: String,
    pub(crate) room: bool,
    pub(crate) extension_pct: Option<u8>,
    pub(crate) tilt_deg: Option<i16>,
    /// Stay where it was halted.
    pub(crate) halt: bool,
    pub(crate) ends: Now,
    pub(crate) announced: bool,
    /// For one device: where its group was asked to be meanwhile.
    pub(crate) group_at: Option<Pose>,
}

impl Hold {
    /// The pose asked for, with what it leaves open taken from `base`.
    pub(crate) fn pose(&self, base: Pose) -> Pose {
        Pose {
            extension_pct: self.extension_pct.unwrap_or(base.extension_pct),
            tilt_deg: base.tilt_deg.map(|tilt| self.tilt_deg.unwrap_or(tilt)),
        }
    }
}

/// When a hold ends that begins now.
pub(crate) fn ends(until: Until, now: Now, rule_ms: i64, next_phase: Wall, midnight: Wall) -> Now {
    match until {
        Until::Rule => now.plus(rule_ms),
        Until::For(ms) => now.plus(ms.max(0)),
        Until::NextPhase => now.plus((next_phase.0 - now.wall.0).max(0)),
        Until::EndOfDay => now.plus((midnight.0 - now.wall.0).max(0)),
    }
}

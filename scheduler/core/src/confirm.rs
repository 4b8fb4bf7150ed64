//! Answers that are waited for.

use crate::pose::Pose;
use crate::reason::DriveTrouble;
use crate::time::Steady;
use serde::{Deserialize, Serialize};

/// What is still to be heard of a drive.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Confirm {
    /// The target whose arrival is to be confirmed.
    pub(crate) target: Option<Pose>,
    /// When it should have been confirmed.
    pub(crate) due: Option<Steady>,
    pub(crate) tries: u8,
    pub(crate) trouble: Option<DriveTrouble>,
    /// When its group is to be looked at again for its sake: it will have found its
    /// end stop, or its budget recovers.
    #[serde(default)]
    pub(crate) look: Option<Steady>,
}

//! The core itself.

use crate::ids::GroupId;
use crate::input::Input;
use crate::model::Model;
use crate::output::{Output, Verdict};
use crate::time::Now;
use std::sync::Arc;

/// The decision core.
pub struct Core {
    model: Arc<Model>,
}

impl Core {
    /// A core that knows nothing yet: every sensor waits to be heard.
    #[must_use]
    pub fn new(model: Arc<Model>, _now: Now) -> Self {
        Self { model }
    }

    /// Takes exactly one input. Timers that were due before `now` act first,
    /// each stamped with the moment it was due.
    pub fn handle(&mut self, _now: Now, _input: Input) {}

    /// One output; drain until [`Output::Wake`].
    pub fn poll(&mut self) -> Output {
        Output::Wake(None)
    }

    /// The present verdict of a group; `None` before the first.
    #[must_use]
    pub fn explain(&self, _group: GroupId) -> Option<&Verdict> {
        None
    }

    /// The model it decides by.
    #[must_use]
    pub fn model(&self) -> &Arc<Model> {
        &self.model
    }
}

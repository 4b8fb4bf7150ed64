//! Wishes: what asks for a pose, within the bounds of every guard.

pub(crate) mod ahead;
pub(crate) mod hand;
pub(crate) mod sun;
pub(crate) mod timetable;

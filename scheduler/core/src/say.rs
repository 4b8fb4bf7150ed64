//! Words for reasons: from the closed lists to a sentence a person can read.

use crate::model::Model;
use crate::reason::{Because, Release};
use crate::time::Now;

/// A reason in words, with its numbers.
#[must_use]
pub fn because(_model: &Model, because: &Because) -> String {
    format!("{because:?}")
}

/// What releases a verdict, in words, with local times.
#[must_use]
pub fn release(_model: &Model, release: &Release, _now: Now) -> String {
    format!("{release:?}")
}

//! What is possible but wrong, or possible but unwise.
//!
//! Errors here are what would break a device or make the site file contradict
//! itself across sections; warnings are what somebody should look at.

mod escape;
mod groups;
mod kinds;
mod phases;
mod place;
mod plant;
mod sensing;
mod used;

use super::build::Draft;
use super::read::{Reader, Tree};
use std::ops::RangeInclusive;

pub(crate) fn lint(
    reader: &mut Reader<'_>,
    tree: &Tree,
    draft: &Draft,
    years: &RangeInclusive<i32>,
) {
    kinds::lint(reader, tree, draft);
    place::lint(reader, tree, draft);
    plant::lint(reader, tree, draft);
    sensing::lint(reader, tree, draft);
    groups::lint(reader, tree, draft);
    escape::lint(reader, tree, draft);
    used::lint(reader, tree, draft);
    // What needs the whole: only where nothing is missing.
    if let Some(model) = draft.model(reader) {
        groups::time_to_safe_lint(reader, tree, &model);
        phases::lint(reader, tree, &model, years);
    }
}

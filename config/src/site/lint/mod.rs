//! What is possible but wrong, or possible but unwise.

use super::build::Draft;
use super::read::{Reader, Tree};
use std::ops::RangeInclusive;

pub(crate) fn lint(
    reader: &mut Reader<'_>,
    tree: &Tree,
    draft: &Draft,
    years: &RangeInclusive<i32>,
) {
    let _ = (reader, tree, draft, years);
}

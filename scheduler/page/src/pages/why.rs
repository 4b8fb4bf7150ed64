//! Empty for now.

use super::Route;

/// The routes of this page.
pub(super) fn routes() -> Vec<Route> {
    Vec::new()
}

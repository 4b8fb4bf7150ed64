//! What people write: site file and calendars, with every problem found in one pass.

pub mod calendar;
pub mod closed_days;
mod diagnostic;
pub mod holidays;
pub mod site;
pub mod wire;

pub use diagnostic::{Diagnostic, Severity};
pub use site::{DefaultInForce, FileRead, Files, LoadOptions, Outcome, Site, Sources, load_site};
pub use wire::Wire;

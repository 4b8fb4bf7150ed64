//! The dry run: weather in, core and plant replayed, reports out.

pub mod audit;
pub mod diff;
pub mod html;
pub mod ics;
pub mod lived;
pub mod lockouts;
pub mod next;
pub mod note;
pub mod plot;
pub mod replay;
pub mod report;
pub mod told;
pub mod tune;
pub mod weather;
pub mod why;

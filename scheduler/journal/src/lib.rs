//! The journal: the durable record of readings, requests, verdicts and commands.
//!
//! One SQLite file that people can open with any SQLite tool. Everything that
//! went into the core and everything that came out stands in one table, in the
//! order in which it happened, each row bound to the one before it by a hash
//! (see [`chain`]); so a replay of the recorded inputs can be held against the
//! recorded commands byte by byte, and an altered row is found.
//!
//! One call of [`Journal::write`] is one transaction: an input, all that
//! followed from it, and the state that must survive, or nothing of it.
//! Nothing here decides anything, and no failure here is fatal to the caller:
//! every fault is a value of [`Error`].

mod batch;
pub mod chain;
mod error;
mod kind;
mod open;
mod read;
mod retain;
mod schema;
mod site;
mod verify;

#[cfg(test)]
mod layout;
#[cfg(test)]
mod tests;

pub use batch::{Batch, Durability, SiteFiles, Snapshot};
pub use chain::Head;
pub use error::Error;
pub use kind::Kind;
pub use open::{HUGE_LOG, Journal, LARGE_LOG, checkpoint, sync};
pub use read::{Entries, Entry, InputRow, Inputs, Span};
pub use retain::Pruned;
pub use verify::{Fault, Verified};

//! The way to the plant: one connection to the broker at a time.
//!
//! One task polls the event loop and does nothing else that could wait
//! (`poller`); what leaves goes through the `outbox`, which holds *present*
//! messages only. Each connection gets a client of its own, so that nothing of
//! an old one (packet numbers, half-sent messages, buffered events) can reach
//! a new one.

mod client;
mod outbox;
mod poller;
mod tls;

pub use client::{Access, Dialect};
pub use outbox::{Counts, Outbox};
pub use poller::{Arrivals, Ears, Inbox, LinkEvent, Poller};
pub(crate) use tls::certificates;
pub use tls::{TlsError, configure as configure_tls};

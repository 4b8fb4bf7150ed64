//! The whole program at a real broker: mosquitto, and the one inside it.
//!
//! Each test starts a broker of its own on a free port of the loopback
//! interface, the built program with a site whose holds are seconds, and a
//! client that knows nothing of the program but its topics.
#![expect(clippy::unwrap_used, reason = "tests")]

mod brokers;
mod building;
mod client;
mod cut;
mod daemon;
mod described;
mod endpoints;
mod faults;
mod foreign;
mod journal;
mod keeping;
mod link;
mod many;
mod open_metrics;
mod outside;
mod reload;
mod secure;
mod standby;
mod start;
mod storm;
mod upgrade;
mod webhook;
mod wire;

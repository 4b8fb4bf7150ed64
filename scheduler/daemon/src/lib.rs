//! The daemon: MQTT and the real clock around the same core.
//!
//! The loop has no opinions. It feeds the core one input at a time, drains it,
//! writes down what happened, sends what came out, and sleeps until the core
//! wants to be woken. An `if` about wind or sun here is in the wrong crate.
//!
//! Who does what: [`clock`] alone reads clocks; [`wire`] knows topics and
//! messages, as pure functions; [`link`] holds the connection; [`record`] writes
//! the journal on a thread of its own; [`resume`] finds the state again after a
//! start; [`service`] is the loop; [`replay`] runs a journal through a core
//! again; [`simulated`]
//! stands in for plant and sensors.

pub mod broker;
pub mod clock;
pub mod control;
pub mod door;
mod handing;
pub mod keeper;
pub mod lines;
pub mod link;
pub mod record;
pub mod replay;
pub mod resume;
pub mod seen;
pub mod service;
pub mod simulated;
pub mod versions;
pub mod wire;

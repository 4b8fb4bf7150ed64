//! The decision core: time, readings and requests go in as values; commands,
//! reasons and the next wake-up come out.
//!
//! Nothing here reads a clock, a file, the environment or a random source, and
//! nothing is iterated in an order that could differ from run to run; the
//! crate's `clippy.toml` bans the means. What people write is turned into a
//! [`model::Model`] elsewhere.

mod confirm;
mod drives;
pub mod engine;
mod fixed;
mod guard;
pub mod ids;
pub mod input;
pub mod model;
pub mod output;
pub mod phases;
pub mod pose;
pub mod reason;
pub mod safe;
pub mod say;
pub mod sensor;
mod thresholds;
pub mod time;
mod timers;
mod topology;
mod wish;

pub use engine::Core;

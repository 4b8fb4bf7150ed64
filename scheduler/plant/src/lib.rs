//! The simulated plant: drives with travel, drift and faults; as pure as the core.
//!
//! Commands go in with the moment at which they arrive; reports come out with
//! the moment at which they are made; where a device stands is an exact
//! function of time. Nothing here reads a clock or a random source, and how
//! often [`Plant::advance`] is called changes nothing.
//!
//! # How a device moves
//!
//! - A run has at most two legs: **extension first, then tilt**. The slats keep
//!   their angle while the blind travels and turn once it has arrived. (Real
//!   blinds turn their slats at the beginning of each travel as well, because
//!   one motor does both; that changes the look of the travel, not its end.)
//! - Running out and turning the outer edge down is one way of the motor,
//!   running in and turning it up the other (common practice, no source).
//!   Between running one way and the other the motor pauses for the product's
//!   reversal pause, whatever it was told; see [`Usage::hasty`].
//! - Travel is even: half the way takes half the time. Extending and retracting
//!   may take different times.
//! - A drive that is told to go further the way it is already running goes on
//!   without a stop; told to go the other way, or to halt, it stops at once.
//! - A drive that arrives at an end stop (0 or 100 %) knows exactly where it is.

mod drive;
mod fault;
mod ideal;
mod leg;
mod plant;

pub use drive::Usage;
pub use fault::{Fault, Supply};
pub use ideal::Ideal;
pub use leg::Stand;
pub use plant::{Happened, Plant, Told};

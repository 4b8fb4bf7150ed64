//! The wire: topics and messages, as pure functions.
//!
//! Nothing here connects to anything, reads a clock or keeps a state. What
//! comes in is turned into inputs of the core or refused with a reason; what
//! the core puts out is turned into bytes, always the same bytes for the same
//! output. The tree is described for others in `deploy/asyncapi.json`.

mod board;
mod decode;
mod encode;
mod foreign;
mod message;
mod own;
mod request;
mod stamp;
mod topics;
mod trouble;

pub use board::{Board, Held, Raised};
pub use decode::{Arrival, Decoded, Decoder, LARGEST_PAYLOAD, Malformed};
pub use encode::{Encoder, Presence, command_payload};
pub use message::{Message, Slot};
pub use own::{Orders, orders, reading_payload, report_payload};
pub use request::request_of;
pub use stamp::{parse as parse_stamp, stamp};
pub use topics::{Topics, segment};
pub use trouble::Trouble;

#[cfg(test)]
mod tests;

//! The page: what the house does and why, holidays set in a minute.
//!
//! Served by the daemon itself, out of the program alone: no file beside it, no
//! request to anywhere else, no build step. It looks through the daemon's
//! [`door`](leeside_daemon::door) and asks through it; it has no opinions of its
//! own, and nothing it does can hold the loop up.
//!
//! Who does what: [`listen`] takes connections, with TLS or without; [`people`]
//! and [`sessions`] know who may do what; [`gate`] lets requests in and puts the
//! headers on answers; [`words`] is the catalogue, in each language one file;
//! [`reasons`] puts the core's reasons into these words; [`layout`] is the frame
//! around every page; [`pages`] has one module per page and the table of routes;
//! [`live`] turns each present into the parts of pages that changed; [`work`] does
//! what takes a while, one after the other; [`draw`] draws what runs over a day.
//!
//! What it looks like, and what each colour means, stands in `README.md` beside
//! this crate's manifest.

pub mod api;
pub mod assets;
pub mod days;
pub mod draw;
pub mod failure;
pub mod form;
pub mod gate;
pub mod house;
pub mod layout;
pub mod listen;
pub mod live;
pub mod notes;
pub mod pages;
pub mod people;
pub mod reasons;
pub mod sessions;
pub mod words;
pub mod work;

pub use house::{House, Options};
pub use listen::{PageError, run};

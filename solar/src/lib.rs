//! The sun and the geometry of facades, openings and slats: numbers in, numbers out.
//!
//! Nothing here reads a clock, a file, the environment or a random source, and
//! all trigonometry goes through [`trig`], so that the same input gives the same
//! bits on every machine.
//!
//! | question | where |
//! |---|---|
//! | where is the sun, to the last digit | [`position`] (NREL SPA) |
//! | where is the sun, every minute of a year | [`SunPath`] |
//! | when does it rise, set, cross an elevation, pass the meridian | [`crossings`], [`transits`], [`standing`] |
//! | what does it do to a facade | [`Plane`]: incidence, lit or not, shadow angles |
//! | what casts a shadow on the opening | [`shade`] |
//! | how must slats be tilted | [`Slats`] |
//! | how far must a curtain or an awning come out | [`reach`] |
//! | how much light falls on the plane | [`light`] |
//!
//! # Conventions
//!
//! - Angles in public names are degrees. Azimuth: 0 = true north, clockwise,
//!   90 = east. Elevation: 0 = level horizon, positive upwards. Tilt of a plane:
//!   0 = facing up, 90 = vertical, 180 = facing down. Tilt of a slat: 0 =
//!   horizontal, positive = outer edge down.
//! - Moments are milliseconds since 1970-01-01T00:00Z (UTC without leap
//!   seconds, as every clock gives it), taken as UT1 as NREL SPA does; the
//!   error of that is at most 0.9 s of the sun's daily turn, 0.004 degrees.
//! - Everything on a facade is reckoned from the *apparent* sun, the one that
//!   refraction lifts; rise and set are reckoned from the *true* elevation of
//!   the centre ([`SUNRISE_ELEVATION_DEG`]), which has the usual refraction and
//!   the sun's radius in it already.
//! - Constructors refuse what is out of range or not a number with a
//!   [`RangeError`]; what they let through never gives NaN and never panics.

mod events;
pub mod light;
mod path;
mod place;
mod plane;
mod range;
pub mod reach;
pub mod shade;
mod slats;
mod spa;
pub mod trig;

pub use events::{
    Almanac, CIVIL_ELEVATION_DEG, Crossing, SUNRISE_ELEVATION_DEG, Standing, crossings, standing,
    transits,
};
pub use path::{Sun, SunPath};
pub use place::{Atmosphere, Location};
pub use plane::Plane;
pub use range::RangeError;
pub use slats::{Beam, Cutoff, Over, Slats};
pub use spa::{Position, VALID_FROM_MS, VALID_TO_MS, delta_t_estimate, position};

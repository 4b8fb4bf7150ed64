//! Weather files: TMY3, EPW and CSV, packed with gzip or not.
//!
//! | form | known by | what its times mean |
//! |---|---|---|
//! | TMY3 | its second line | end of the hour, local standard time |
//! | EPW | `LOCATION,` at the start | end of the hour, zone of the header (PVGIS: UTC whatever the header says) |
//! | made-up storm | `storm:` in place of a name | a description in a line, see [`Storm`] |
//! | CSV | anything else | as its header (`utc`, units in the names) or the TOML beside it says |
//!
//! Every row of a [`Series`] says of which interval it speaks. What a file does
//! not say is `None`, and between rows there are gaps; nothing is filled in.
//! How a file had to be read stands in its [`About::notes`].

mod epw;
mod error;
mod fit;
mod gusts;
mod journal;
mod made_up;
mod mapping;
mod series;
mod table;
mod text;
mod tmy3;
mod typical;

pub use error::WeatherError;
pub use fit::shift_to_sun_min;
pub use gusts::Gusts;
pub use journal::{from_journal, is_journal, recorded};
pub use made_up::{Fails, STORM, Storm};
pub use series::{About, Gap, Place, Quantity, Row, Series, Values, Weather, duration, moment};
pub use text::sha256_hex;
pub use typical::Typical;

use std::path::Path;
use text::Text;

/// Reads a weather file; or, from `storm:` and a description in its place, makes
/// a storm up.
///
/// # Errors
/// Where the file cannot be read, its form is not known, a cell is broken, or
/// the description beside a CSV file is missing or incomplete.
pub fn read(path: &Path) -> Result<Weather, WeatherError> {
    if let Some(text) = path.to_str().filter(|text| text.starts_with(STORM)) {
        return Ok(Weather::MadeUp(made_up::storm(text)?));
    }
    let text = Text::read(path)?;
    if epw::is_epw(&text) {
        epw::read(&text)
    } else if tmy3::is_tmy3(&text) {
        tmy3::read(&text)
    } else {
        table::read(path, &text)
    }
}

/// Reads what somebody sent: the bytes of a weather file and the name it had.
/// Nothing is read beside it, so that the header of a CSV file has to explain
/// itself; and no more than `most` bytes are unpacked.
///
/// # Errors
/// As [`read`].
pub fn read_bytes(name: &str, packed: &[u8], most: usize) -> Result<Weather, WeatherError> {
    let text =
        Text::of_at_most(name.to_owned(), packed, most).map_err(|source| WeatherError::Read {
            file: name.into(),
            source,
        })?;
    if epw::is_epw(&text) {
        epw::read(&text)
    } else if tmy3::is_tmy3(&text) {
        tmy3::read(&text)
    } else {
        table::parse(&text, None)
    }
}

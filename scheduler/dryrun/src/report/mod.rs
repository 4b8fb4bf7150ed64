//! What a dry run gives to read: a summary for people, every movement as CSV or
//! JSON.
//!
//! Each of them says first what it rests on (the [`Head`]): fingerprint of site
//! file, weather and program, source and resolution of the data, gaps,
//! assumptions and cautions. The same inputs give the same bytes.
//!
//! # CSV, format 1
//! Lines that begin with `#` come first and carry the head
//! (`pandas.read_csv(path, comment="#")`). Then one header row and one row a
//! movement, in order of time:
//!
//! | column | what |
//! |---|---|
//! | `at_local` | site time with offset, ISO 8601 |
//! | `at_utc` | UTC, ISO 8601 |
//! | `group` | name of the group |
//! | `extension_pct` | 0 retracted … 100 extended; empty for a halt |
//! | `tilt_deg` | slat tilt, positive outer edge down; empty without slats |
//! | `decided_by` | service, fire, wind, hail, ice, rain, door, drive, hand, sun, timetable, rest |
//! | `reason` | in words |
//! | `lost` | what else asked and lost, highest rank first |
//!
//! # JSON, format 1
//! One object: `format_version`, `head`, `movements` (the columns above, with
//! `lost` as a list and the `orders` of the drives), `lockouts`, `alarms`,
//! `summary` by month and group.

mod csv;
mod file;
mod head;
mod json;
mod text;

pub use csv::CsvSink;
pub use file::OutputFile;
pub use head::Head;
pub use json::JsonSink;
pub use text::summary;

/// Version of the CSV and JSON forms.
pub const FORMAT_VERSION: u32 = 1;

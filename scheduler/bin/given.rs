//! What verbs are given, read the same way everywhere: a site file, a moment,
//! names of the site.

use crate::exit::Broken;
use chrono::{DateTime, Datelike, NaiveDate, NaiveDateTime, NaiveTime};
use chrono_tz::Tz;
use leeside_config::{LoadOptions, Site, load_site};
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::time::{MINUTE, Wall, to_utc};
use std::io::ErrorKind;
use std::path::Path;

/// The site file, with the days of the years around `year`. Its problems are
/// told on standard error.
///
/// # Errors
/// [`Broken`] where it must not be run.
#[expect(
    clippy::print_stderr,
    reason = "problems of the site file are told on standard error"
)]
pub(crate) fn site(path: &Path, year: i32) -> anyhow::Result<Site> {
    let loaded = load_site(path, &LoadOptions::around(year));
    loaded.map(|(site, _)| site).map_err(|diagnostics| {
        for diagnostic in &diagnostics {
            eprintln!("{diagnostic}");
        }
        Broken(format!(
            "{} must not be run; `leeside check` shows each place",
            path.display()
        ))
        .into()
    })
}

/// A moment as it was written: with an offset (RFC 3339), or local to the site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Moment {
    /// With its offset.
    Utc(Wall),
    /// Local to the site, to the second.
    Local(NaiveDateTime),
    /// Local to the site, to the minute.
    Minute(NaiveDateTime),
}

impl Moment {
    /// Reads a moment; a date alone is its first moment.
    ///
    /// # Errors
    /// What was expected, in words.
    pub(crate) fn read(text: &str) -> Result<Self, String> {
        const SECONDS: [&str; 2] = ["%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S"];
        const MINUTES: [&str; 2] = ["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"];
        let any = |forms: [&str; 2]| {
            forms
                .iter()
                .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
        };
        let with_offset = || {
            DateTime::parse_from_rfc3339(text)
                .ok()
                .map(|at| Self::Utc(Wall::from_utc(at.to_utc())))
        };
        let local = || {
            any(SECONDS)
                .map(Self::Local)
                .or_else(|| any(MINUTES).map(Self::Minute))
        };
        let date = || {
            text.parse::<NaiveDate>()
                .ok()
                .map(|date| Self::Local(date.and_time(NaiveTime::MIN)))
        };
        with_offset()
            .or_else(local)
            .or_else(date)
            .filter(|moment| (1990..=2099).contains(&moment.year()))
            .ok_or_else(|| {
                "expected a moment between 1990 and 2099 like 2027-07-01T10:14:00-04:00, or 2027-07-01T10:14 local to \
                 the site"
                    .to_owned()
            })
    }

    /// The year in which it lies, or a neighbour of it.
    pub(crate) fn year(self) -> i32 {
        match self {
            Self::Utc(at) => at.utc().year(),
            Self::Local(at) | Self::Minute(at) => at.year(),
        }
    }

    /// The moment at a site in that zone.
    pub(crate) fn at(self, zone: Tz) -> Wall {
        match self {
            Self::Utc(at) => at,
            Self::Local(local) | Self::Minute(local) => Wall::from_utc(to_utc(zone, local).utc),
        }
    }

    /// The end of what was written: who says 10:14 means that minute.
    pub(crate) fn end(self, zone: Tz) -> Wall {
        match self {
            Self::Utc(at) => at,
            Self::Local(_) => self.at(zone),
            // The core is looked at a millisecond later, which must not be the next minute.
            Self::Minute(_) => self.at(zone).plus(MINUTE - 2),
        }
    }
}

/// The group of that name.
///
/// # Errors
/// [`Broken`] with the names that there are.
pub(crate) fn group(model: &Model, name: &str) -> Result<GroupId, Broken> {
    let names = || names(model.groups.iter().map(|group| group.name.as_str()));
    model.group_named(name).ok_or_else(|| {
        Broken(format!(
            "--group {name}: no such group; there are {}",
            names()
        ))
    })
}

/// Names as a list in words.
pub(crate) fn names<'a>(names: impl Iterator<Item = &'a str>) -> String {
    names
        .map(|name| format!("\"{name}\""))
        .collect::<Vec<_>>()
        .join(", ")
}

/// Whether writing failed because whoever reads has seen enough, as `head` does.
pub(crate) fn is_broken_pipe(error: &std::io::Error) -> bool {
    error.kind() == ErrorKind::BrokenPipe
}

/// Writes a whole answer to standard output.
///
/// # Errors
/// Where it cannot be written.
pub(crate) fn print(text: &str) -> anyhow::Result<()> {
    use std::io::Write as _;
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if is_broken_pipe(&error) => Ok(()),
        other => Ok(other?),
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn moments_are_read_with_and_without_offset() {
        let zone: Tz = "America/New_York".parse().unwrap();
        let table = [
            ("2027-07-01T10:14:00-04:00", Some("2027-07-01T14:14:00Z")),
            ("2027-07-01T14:14:00Z", Some("2027-07-01T14:14:00Z")),
            ("2027-07-01T10:14", Some("2027-07-01T14:14:00Z")),
            ("2027-07-01 10:14:30", Some("2027-07-01T14:14:30Z")),
            ("2027-07-01", Some("2027-07-01T04:00:00Z")),
            // In the gap of 14 March 2027: read with the offset before it (RFC 5545 §3.3.5).
            ("2027-03-14T02:30", Some("2027-03-14T07:30:00Z")),
            ("10:14", None),
            ("1850-01-01", None),
        ];
        for (text, want) in table {
            let got = Moment::read(text).ok().map(|moment| moment.at(zone));
            let got = got.map(|at| at.utc().format("%Y-%m-%dT%H:%M:%SZ").to_string());
            assert_eq!(got.as_deref(), want, "{text}");
        }
    }
}

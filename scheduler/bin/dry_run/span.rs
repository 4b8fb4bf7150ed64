//! Which span and which weather a replay is asked for, the same for every verb.

use crate::exit::Broken;
use crate::given;
use crate::weather::{WeatherArgs, step_ms};
use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveDateTime, NaiveTime};
use clap::Args;
use leeside_config::Site;
use leeside_core::model::Model;
use leeside_core::time::{Wall, to_utc};
use leeside_dryrun::replay::{Occupancy, PlantKind, Setting};
use std::path::Path;

/// Span, weather, and when somebody is in.
#[derive(Args, Debug)]
pub(crate) struct SpanArgs {
    /// The calendar year to replay, in the site's zone; or give --from and --to
    #[arg(long, value_name = "Y", conflicts_with_all = ["from", "to"])]
    year: Option<i32>,
    /// First date (2027-07-01), local time (2027-07-01T06:00) or moment with its offset (RFC 3339)
    #[arg(long, value_name = "A", requires = "to")]
    from: Option<String>,
    /// Last date (included), or local time or moment (excluded)
    #[arg(long, value_name = "B", requires = "from")]
    to: Option<String>,
    #[command(flatten)]
    weather: WeatherArgs,
    /// When rooms are occupied: always, never, or times on workdays
    #[arg(long, value_name = "WHEN", value_parser = occupancy, default_value = "08:00-18:00")]
    pub(crate) occupied: Occupancy,
}

impl SpanArgs {
    /// The site file, with the days of the span.
    pub(crate) fn site(&self, path: &Path) -> anyhow::Result<Site> {
        let first = self
            .from
            .as_deref()
            .and_then(|from| from.get(..4))
            .and_then(|year| year.parse().ok());
        given::site(path, self.year.or(first).unwrap_or(2027))
    }

    /// The replay that is asked for.
    pub(crate) fn setting(&self, site: &Site, plant: PlantKind) -> anyhow::Result<Setting> {
        let (from, to) = self.span(&site.model)?;
        let given = self
            .weather
            .read(&site.model)?
            .ok_or_else(WeatherArgs::missing)?;
        let sky = given.over(from, to)?;
        let step_ms = step_ms(&sky);
        let (model, occupancy) = (site.model.clone(), self.occupied);
        Ok(Setting {
            model,
            sky,
            from,
            to,
            step_ms,
            plant,
            occupancy,
        })
    }

    /// Begin and end of the span.
    pub(crate) fn span(&self, model: &Model) -> anyhow::Result<(Wall, Wall)> {
        let start_of = |date: NaiveDate| {
            Wall::from_utc(to_utc(model.site.zone, date.and_time(NaiveTime::MIN)).utc)
        };
        let (from, to) = match (self.year, &self.from, &self.to) {
            (Some(year), _, _) => {
                let first = |year| {
                    NaiveDate::from_ymd_opt(year, 1, 1)
                        .filter(|date| (1990..=2100).contains(&date.year()))
                };
                let (Some(from), Some(to)) = (first(year), first(year + 1)) else {
                    return Err(Broken(format!(
                        "--year {year}: expected a year from 1990 to 2099"
                    ))
                    .into());
                };
                (start_of(from), start_of(to))
            }
            (None, Some(from), Some(to)) => (
                edge(from, "--from", false, model)?,
                edge(to, "--to", true, model)?,
            ),
            (None, _, _) => {
                return Err(Broken(
                    "which span? Give --year, like --year 2027, or --from and --to, like --from 2027-07-01 --to 2027-07-31"
                        .to_owned(),
                )
                .into());
            }
        };
        if from >= to {
            return Err(Broken(
                "the span ends before it begins: --from must lie before --to".to_owned(),
            )
            .into());
        }
        Ok((from, to))
    }
}

/// One end of the span. A date means its start, or for the last date its end.
fn edge(text: &str, option: &str, last: bool, model: &Model) -> anyhow::Result<Wall> {
    if let Ok(at) = DateTime::parse_from_rfc3339(text)
        && (1990..=2100).contains(&at.year())
    {
        return Ok(Wall::from_utc(at.to_utc()));
    }
    let local = if let Ok(date) = text.parse::<NaiveDate>() {
        let date = if last {
            date.checked_add_days(Days::new(1)).unwrap_or(date)
        } else {
            date
        };
        Some(date.and_time(NaiveTime::MIN))
    } else {
        ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"]
            .iter()
            .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
    };
    let local = local
        .filter(|local| (1990..=2100).contains(&local.year()))
        .ok_or_else(|| {
            Broken(format!(
                "{option} {text}: expected a date like 2027-07-01 or a time like 2027-07-01T06:00"
            ))
        })?;
    Ok(Wall::from_utc(to_utc(model.site.zone, local).utc))
}

/// `always`, `never`, or local times on workdays.
fn occupancy(text: &str) -> Result<Occupancy, String> {
    let minute = |text: &str| {
        let (hour, minute) = text.split_once(':')?;
        let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
        (hour <= 24 && minute < 60 && hour * 60 + minute <= 24 * 60).then_some(hour * 60 + minute)
    };
    match text {
        "always" => Ok(Occupancy::Always),
        "never" => Ok(Occupancy::Never),
        times => times
            .split_once('-')
            .and_then(|(from, to)| Some((minute(from)?, minute(to)?)))
            .filter(|(from_min, to_min)| from_min < to_min)
            .map(|(from_min, to_min)| Occupancy::Workdays { from_min, to_min })
            .ok_or_else(|| "expected always, never, or times like 08:00-18:00".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn occupancy_is_read_as_people_write_it() {
        let table = [
            ("always", Some(Occupancy::Always)),
            ("never", Some(Occupancy::Never)),
            (
                "07:30-17:00",
                Some(Occupancy::Workdays {
                    from_min: 450,
                    to_min: 1020,
                }),
            ),
            (
                "00:00-24:00",
                Some(Occupancy::Workdays {
                    from_min: 0,
                    to_min: 1440,
                }),
            ),
            ("18:00-08:00", None),
            ("8-18", None),
            ("sometimes", None),
        ];
        for (text, want) in table {
            assert_eq!(occupancy(text).ok(), want, "{text}");
        }
    }
}

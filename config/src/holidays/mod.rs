//! Public holidays, worked out from rules in data files (`config/holidays`).
//!
//! Every rule names its law, and the years in which it holds. What a government
//! decrees for one year is no rule: it belongs in the site's own calendar.

mod day;
mod easter;
mod file;

use std::collections::BTreeMap;
use std::sync::LazyLock;

use chrono::{Datelike, NaiveDate, TimeDelta, Weekday};

pub use easter::easter;
pub use file::Country;

use file::{Rule, Substitute, shift};

/// The data files that are built in: name and text.
pub const BUILT_IN: [(&str, &str); 11] = [
    ("at.toml", include_str!("../../holidays/at.toml")),
    ("be.toml", include_str!("../../holidays/be.toml")),
    ("ch.toml", include_str!("../../holidays/ch.toml")),
    ("de.toml", include_str!("../../holidays/de.toml")),
    ("fr.toml", include_str!("../../holidays/fr.toml")),
    ("gb.toml", include_str!("../../holidays/gb.toml")),
    ("it.toml", include_str!("../../holidays/it.toml")),
    ("nl.toml", include_str!("../../holidays/nl.toml")),
    ("pl.toml", include_str!("../../holidays/pl.toml")),
    ("se.toml", include_str!("../../holidays/se.toml")),
    ("us.toml", include_str!("../../holidays/us.toml")),
];

/// The built-in countries. A test makes sure that every file can be read.
static COUNTRIES: LazyLock<Vec<Country>> = LazyLock::new(|| {
    BUILT_IN
        .iter()
        .filter_map(|(name, text)| Country::parse(name, text).ok())
        .collect()
});

/// A public holiday.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holiday {
    /// The day.
    pub date: NaiveDate,
    /// English name; where two fall on one day, both, separated by `; `.
    pub name: String,
    /// Whether the day is only off because the holiday itself is on a free day.
    pub substitute: bool,
    /// The law.
    pub source: String,
}

/// Why there are no holidays to be had.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RegionError {
    /// No rules for a region of this name.
    #[error("there are no holiday rules for region `{region}` (hint: {hint})")]
    Unknown {
        /// What was asked for.
        region: String,
        /// The region that may be meant, or those that exist.
        hint: String,
    },
    /// The rules are not stated for this year.
    #[error("the holiday rules of {region} are stated for {from} to {until}, not for {year}")]
    Year {
        /// The region.
        region: String,
        /// The year asked for.
        year: i32,
        /// First year of the rules.
        from: i32,
        /// Last year of the rules.
        until: i32,
    },
}

/// The public holidays of a region (ISO 3166-1 or 3166-2, e.g. `AT`, `DE-BY`) in
/// one year, by date.
///
/// # Errors
/// [`RegionError`] where the region or the year has no rules.
pub fn holidays(region: &str, year: i32) -> Result<Vec<Holiday>, RegionError> {
    holidays_of(&COUNTRIES, region, year)
}

/// As [`holidays`], by other rules than the built-in ones.
///
/// # Errors
/// [`RegionError`] where the region or the year has no rules.
pub fn holidays_of(
    countries: &[Country],
    region: &str,
    year: i32,
) -> Result<Vec<Holiday>, RegionError> {
    let (country, subdivision) = find(countries, region)?;
    let (from, until) = country.valid;
    if year < from || year > until {
        return Err(RegionError::Year {
            region: region.to_owned(),
            year,
            from,
            until,
        });
    }
    Ok(country.holidays(subdivision, year))
}

/// Codes and names of all built-in regions, countries first, then their subdivisions.
#[must_use]
pub fn regions() -> Vec<(String, String)> {
    let mut list = Vec::new();
    for country in COUNTRIES.iter() {
        list.push((country.code.clone(), country.name.clone()));
        list.extend(
            country
                .subdivisions
                .iter()
                .map(|(code, name)| (format!("{}-{code}", country.code), name.clone())),
        );
    }
    list
}

fn find<'a>(
    countries: &'a [Country],
    region: &'a str,
) -> Result<(&'a Country, Option<&'a str>), RegionError> {
    let (code, subdivision) = match region.split_once('-') {
        Some((code, subdivision)) => (code, Some(subdivision)),
        None => (region, None),
    };
    let country = countries.iter().find(|country| country.code == code);
    match (country, subdivision) {
        (Some(country), None) => Ok((country, None)),
        (Some(country), Some(subdivision)) if country.subdivisions.contains_key(subdivision) => {
            Ok((country, Some(subdivision)))
        }
        _ => Err(RegionError::Unknown {
            region: region.to_owned(),
            hint: hint(countries, country, region),
        }),
    }
}

/// What a region that does not exist may have meant.
fn hint(countries: &[Country], country: Option<&Country>, region: &str) -> String {
    let subdivisions = |country: &Country| -> Vec<String> {
        country
            .subdivisions
            .keys()
            .map(|s| format!("{}-{s}", country.code))
            .collect()
    };
    let all = countries
        .iter()
        .flat_map(|c| std::iter::once(c.code.clone()).chain(subdivisions(c)));
    let wanted = region.trim().to_ascii_uppercase().replace('_', "-");
    let by_name = countries.iter().find_map(|c| {
        let own = c
            .name
            .eq_ignore_ascii_case(region.trim())
            .then(|| c.code.clone());
        own.or_else(|| {
            c.subdivisions
                .iter()
                .find(|(_, name)| name.eq_ignore_ascii_case(region.trim()))
                .map(|(code, _)| format!("{}-{code}", c.code))
        })
    });
    if let Some(code) = by_name {
        return format!("did you mean {code}?");
    }
    let nearest = all
        .map(|code| (strsim::damerau_levenshtein(&wanted, &code), code))
        .min();
    match (nearest, country) {
        (Some((0 | 1, code)), _) => format!("did you mean {code}?"),
        (_, Some(country)) if country.subdivisions.is_empty() => format!(
            "{} is not divided here: write {}",
            country.name, country.code
        ),
        (_, Some(country)) => format!(
            "known: {}, {}",
            country.code,
            subdivisions(country).join(", ")
        ),
        (_, None) => format!(
            "known countries: {}",
            countries
                .iter()
                .map(|c| c.code.as_str())
                .collect::<Vec<_>>()
                .join(", ")
        ),
    }
}

/// A day before several are joined into one.
struct Found<'a> {
    date: NaiveDate,
    substitute: bool,
    rule: &'a Rule,
}

impl Country {
    fn holidays(&self, subdivision: Option<&str>, year: i32) -> Vec<Holiday> {
        // Substitute days cross the turn of the year, so the neighbours count too.
        let mut found: Vec<Found<'_>> = Vec::new();
        for near in year - 1..=year + 1 {
            for rule in &self.rules {
                let here = rule.subdivisions.is_empty()
                    || subdivision.is_some_and(|s| rule.subdivisions.iter().any(|r| r == s));
                if here && rule.holds_in(near) {
                    found.extend(day_in(rule, near).map(|date| Found {
                        date,
                        substitute: false,
                        rule,
                    }));
                }
            }
        }
        found.sort_by_key(|f| f.date);
        add_substitutes(&mut found);
        found.sort_by(|a, b| (a.date, &a.rule.name).cmp(&(b.date, &b.rule.name)));
        let mut days: BTreeMap<NaiveDate, Holiday> = BTreeMap::new();
        for Found {
            date,
            substitute,
            rule,
        } in found.iter().filter(|f| f.date.year() == year)
        {
            let name = if *substitute {
                format!("{} (observed)", rule.name)
            } else {
                rule.name.clone()
            };
            days.entry(*date)
                .and_modify(|day| {
                    day.name = format!("{}; {name}", day.name);
                    day.source = format!("{}; {}", day.source, rule.source);
                    day.substitute &= substitute;
                })
                .or_insert_with(|| Holiday {
                    date: *date,
                    name: name.clone(),
                    substitute: *substitute,
                    source: rule.source.clone(),
                });
        }
        days.into_values().collect()
    }
}

/// The day of a rule in a year, moved where the rule says so.
fn day_in(rule: &Rule, year: i32) -> Option<NaiveDate> {
    let date = rule.day.in_year(year)?;
    date.checked_add_signed(TimeDelta::days(rule.moved_on(date.weekday())))
}

/// Adds the substitute days, in the order of the holidays they stand for.
fn add_substitutes(found: &mut Vec<Found<'_>>) {
    let mut taken: Vec<NaiveDate> = found.iter().map(|f| f.date).collect();
    let mut added = Vec::new();
    for Found { date, rule, .. } in &*found {
        let day = match &rule.substitute {
            Substitute::None => None,
            Substitute::Shift(shifts) => shift(shifts, date.weekday())
                .and_then(|days| date.checked_add_signed(TimeDelta::days(days))),
            Substitute::NextFreeWeekday if is_weekend(*date) => date
                .iter_days()
                .find(|day| !is_weekend(*day) && !taken.contains(day)),
            Substitute::NextFreeWeekday => None,
        };
        if let Some(day) = day {
            taken.push(day);
            added.push(Found {
                date: day,
                substitute: true,
                rule,
            });
        }
    }
    found.extend(added);
}

fn is_weekend(date: NaiveDate) -> bool {
    matches!(date.weekday(), Weekday::Sat | Weekday::Sun)
}

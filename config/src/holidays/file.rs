//! One country's rules, read from a data file.

use std::collections::BTreeMap;

use chrono::Weekday;
use serde::Deserialize;
use toml::Spanned;

use super::day::{self, Day};
use crate::diagnostic::Lines;
use crate::{Diagnostic, Severity};

/// The rules of one country and its subdivisions.
#[derive(Debug, Clone)]
pub struct Country {
    pub(crate) code: String,
    pub(crate) name: String,
    /// First and last year for which the rules are stated.
    pub(crate) valid: (i32, i32),
    /// ISO 3166-2 code without the country, and name.
    pub(crate) subdivisions: BTreeMap<String, String>,
    pub(crate) rules: Vec<Rule>,
}

/// When and where one holiday falls.
#[derive(Debug, Clone)]
pub(crate) struct Rule {
    pub(crate) name: String,
    pub(crate) day: Day,
    /// Empty: in the whole country.
    pub(crate) subdivisions: Vec<String>,
    years: Years,
    /// Days by which it is moved when it falls on a weekday.
    moved: Vec<(Weekday, i64)>,
    pub(crate) substitute: Substitute,
    pub(crate) source: String,
}

#[derive(Debug, Clone, Default)]
struct Years {
    from: Option<i32>,
    until: Option<i32>,
    every: Option<i32>,
    only: Vec<i32>,
    except: Vec<i32>,
}

/// The further day off when a holiday falls on a day that is free anyway.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Substitute {
    None,
    /// So many days from the holiday, by its weekday.
    Shift(Vec<(Weekday, i64)>),
    /// After a Saturday or Sunday, the next weekday that is no holiday.
    NextFreeWeekday,
}

impl Rule {
    /// Whether the rule holds in a year.
    pub(crate) fn holds_in(&self, year: i32) -> bool {
        let Years {
            from,
            until,
            every,
            only,
            except,
        } = &self.years;
        from.is_none_or(|from| year >= from)
            && until.is_none_or(|until| year <= until)
            && every.is_none_or(|every| (year - from.unwrap_or(0)) % every == 0)
            && (only.is_empty() || only.contains(&year))
            && !except.contains(&year)
    }

    /// Days by which it is moved when it falls on this weekday.
    pub(crate) fn moved_on(&self, weekday: Weekday) -> i64 {
        shift(&self.moved, weekday).unwrap_or(0)
    }
}

/// The shift stated for a weekday.
pub(crate) fn shift(shifts: &[(Weekday, i64)], weekday: Weekday) -> Option<i64> {
    shifts
        .iter()
        .find(|(day, _)| *day == weekday)
        .map(|(_, days)| *days)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileText {
    country: Spanned<String>,
    name: String,
    valid: ValidText,
    #[serde(default)]
    subdivisions: BTreeMap<String, String>,
    holiday: Vec<RuleText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ValidText {
    from: Spanned<i32>,
    until: i32,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RuleText {
    name: Spanned<String>,
    on: Spanned<String>,
    #[serde(default, rename = "in")]
    subdivisions: Vec<Spanned<String>>,
    from: Option<i32>,
    until: Option<i32>,
    every: Option<Spanned<i32>>,
    #[serde(default)]
    only: Vec<i32>,
    #[serde(default)]
    except: Vec<i32>,
    moved: Option<Spanned<BTreeMap<String, i64>>>,
    substitute: Option<Spanned<SubstituteText>>,
    source: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum SubstituteText {
    Words(String),
    Shift(BTreeMap<String, i64>),
}

/// Collects what is wrong in one file.
struct Problems<'a> {
    file: &'a str,
    lines: Lines<'a>,
    list: Vec<Diagnostic>,
}

impl Problems<'_> {
    fn add(
        &mut self,
        span: std::ops::Range<usize>,
        message: impl Into<String>,
        hint: impl Into<String>,
    ) {
        let (line, column) = self.lines.place(span.start);
        self.list.push(Diagnostic {
            file: self.file.to_owned(),
            line,
            column,
            span,
            severity: Severity::Error,
            message: message.into(),
            hint: hint.into(),
        });
    }
}

impl Country {
    /// Reads a data file; `file` is what diagnostics call it.
    ///
    /// # Errors
    /// Everything that is wrong in it. Faults of form (not TOML, unknown or missing
    /// keys) are found one at a time, all others in one pass.
    pub fn parse(file: &str, text: &str) -> Result<Self, Vec<Diagnostic>> {
        let mut problems = Problems {
            file,
            lines: Lines::of(text),
            list: Vec::new(),
        };
        let read: FileText = match toml::from_str(text) {
            Ok(read) => read,
            Err(error) => {
                problems.add(
                    error.span().unwrap_or(0..0),
                    error.message().trim().to_owned(),
                    "see the README beside the built-in holiday files",
                );
                return Err(problems.list);
            }
        };
        let code = read.country.get_ref().clone();
        if code.len() != 2 || !code.bytes().all(|b| b.is_ascii_uppercase()) {
            problems.add(
                read.country.span(),
                format!("country `{code}` is not two capital letters"),
                "an ISO 3166-1 code, e.g. DE",
            );
        }
        let valid = (*read.valid.from.get_ref(), read.valid.until);
        if valid.0 < 1583 || valid.1 < valid.0 || valid.1 > 9999 {
            problems.add(
                read.valid.from.span(),
                format!("`valid` {} to {} is no span of years", valid.0, valid.1),
                "from at least 1583 to at most 9999",
            );
        }
        let rules = read
            .holiday
            .into_iter()
            .map(|rule| rule_of(rule, &read.subdivisions, &mut problems))
            .collect::<Vec<_>>();
        if problems.list.is_empty() {
            let rules = rules.into_iter().flatten().collect();
            Ok(Self {
                code,
                name: read.name,
                valid,
                subdivisions: read.subdivisions,
                rules,
            })
        } else {
            Err(problems.list)
        }
    }
}

fn rule_of(
    text: RuleText,
    subdivisions: &BTreeMap<String, String>,
    problems: &mut Problems<'_>,
) -> Option<Rule> {
    for required in [&text.name, &text.source] {
        if required.get_ref().trim().is_empty() {
            problems.add(
                required.span(),
                "a holiday needs a name and a source",
                "name the law",
            );
        }
    }
    for code in &text.subdivisions {
        if !subdivisions.contains_key(code.get_ref()) {
            let known: Vec<&str> = subdivisions.keys().map(String::as_str).collect();
            problems.add(
                code.span(),
                format!("subdivision `{}` is not listed", code.get_ref()),
                format!("listed under [subdivisions]: {}", known.join(", ")),
            );
        }
    }
    if let Some(every) = text
        .every
        .as_ref()
        .filter(|every| *every.get_ref() < 2 || text.from.is_none())
    {
        problems.add(
            every.span(),
            "`every` needs a number above 1, and `from` to count from",
            "e.g. from = 2000, every = 5",
        );
    }
    if let (Some(from), Some(until)) = (text.from, text.until)
        && until < from
    {
        problems.add(
            text.on.span(),
            format!("from {from} until {until} holds in no year"),
            "exchange them",
        );
    }
    let mut moved = Vec::new();
    if let Some(shifts) = &text.moved {
        moved.extend(
            shifts
                .get_ref()
                .iter()
                .filter_map(|(word, days)| weekday_shift(word, *days, shifts.span(), problems)),
        );
    }
    let substitute = text
        .substitute
        .map_or(Substitute::None, |value| substitute_of(value, problems));
    match Day::parse(text.on.get_ref()) {
        Ok(day) => Some(Rule {
            name: text.name.into_inner(),
            day,
            subdivisions: text
                .subdivisions
                .into_iter()
                .map(Spanned::into_inner)
                .collect(),
            years: Years {
                from: text.from,
                until: text.until,
                every: text.every.map(Spanned::into_inner),
                only: text.only,
                except: text.except,
            },
            moved,
            substitute,
            source: text.source.into_inner(),
        }),
        Err(message) => {
            problems.add(
                text.on.span(),
                message,
                "the forms stand in the README beside the built-in holiday files",
            );
            None
        }
    }
}

fn weekday_shift(
    word: &str,
    days: i64,
    span: std::ops::Range<usize>,
    problems: &mut Problems<'_>,
) -> Option<(Weekday, i64)> {
    if !(-7..=7).contains(&days) {
        problems.add(
            span,
            format!("{word} = {days} moves it by more than a week"),
            "-7 to 7",
        );
        return None;
    }
    day::weekday(word)
        .map(|weekday| (weekday, days))
        .map_err(|message| problems.add(span, message, ""))
        .ok()
}

fn substitute_of(value: Spanned<SubstituteText>, problems: &mut Problems<'_>) -> Substitute {
    let span = value.span();
    match value.into_inner() {
        SubstituteText::Words(words) if words == "next free weekday" => Substitute::NextFreeWeekday,
        SubstituteText::Words(words) => {
            problems.add(
                span,
                format!("substitute `{words}` is unknown"),
                "\"next free weekday\" or e.g. { saturday = -1, sunday = 1 }",
            );
            Substitute::None
        }
        SubstituteText::Shift(shifts) => Substitute::Shift(
            shifts
                .iter()
                .filter_map(|(word, days)| weekday_shift(word, *days, span.clone(), problems))
                .collect(),
        ),
    }
}

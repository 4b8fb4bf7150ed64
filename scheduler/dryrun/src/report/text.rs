//! The summary for people.

use super::Head;
use super::head::hours;
use crate::replay::{Busiest, GroupMonth, MonthTally, Tally};
use chrono::NaiveDate;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::Word;
use std::fmt::{self, Write as _};

/// Lines are wrapped at this width.
const WIDTH: usize = 100;

/// The summary: what it rests on, then the span by month, by group, and where it
/// has several months each of them by group.
#[must_use]
pub fn summary(model: &Model, head: &Head, tally: &Tally) -> String {
    let mut out = String::new();
    // Writing to a String does not fail.
    let _ = write_all(&mut out, model, head, tally);
    out
}

fn write_all(out: &mut String, model: &Model, head: &Head, tally: &Tally) -> fmt::Result {
    head.write_text(out, head.title(), &[])?;
    let words = Words::of(tally);
    by_month(out, tally, &words)?;
    by_group(out, model, tally, &words)?;
    alarms(out, tally)?;
    // The only month of a short span stands there already.
    if tally.months.len() > 1 {
        for month in &tally.months {
            one_month(out, model, month, &words)?;
        }
    }
    Ok(())
}

impl Head {
    /// What a report rests on, as its first page. `more` are further assumptions.
    ///
    /// # Errors
    /// Those of the writer; a String has none.
    pub fn write_text(&self, out: &mut String, title: &str, more: &[String]) -> fmt::Result {
        writeln!(out, "{title} of {}", self.site)?;
        writeln!(out, "{} to {} ({})", self.from, self.to, self.zone)?;
        writeln!(out, "{}\n", self.fingerprint())?;
        writeln!(out, "Read this first")?;
        for note in self.cautions.iter().chain(&self.assumptions) {
            item(out, &note.to_string())?;
        }
        for line in more {
            item(out, line)?;
        }
        let rows = if self.rows > 0 {
            format!(", {} rows of {}", self.rows, self.resolution)
        } else {
            String::new()
        };
        let file = self
            .weather_file
            .as_ref()
            .map_or_else(String::new, |file| format!(" ({file})"));
        writeln!(out, "\nWeather")?;
        item(out, &format!("{}{file}{rows}", self.source))?;
        item(out, &format!("gaps: {}", self.gap_words()))?;
        for note in &self.notes {
            item(out, &note.to_string())?;
        }
        Ok(())
    }
}

/// An indented item, wrapped at words.
fn item(out: &mut String, text: &str) -> fmt::Result {
    let mut column = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column == 0 {
            out.push_str("  - ");
            column = 4;
        } else if column + 1 + length > WIDTH {
            out.push_str("\n    ");
            column = 4;
        } else {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    writeln!(out)
}

/// The words that decided anything, in order of precedence.
struct Words(Vec<(usize, &'static str)>);

impl Words {
    fn of(tally: &Tally) -> Self {
        let decided = |index: usize| {
            let mut groups = tally.months.iter().flat_map(|month| &month.groups);
            groups.any(|group| group.movements[index] > 0)
        };
        let words = Word::ALL
            .iter()
            .enumerate()
            .filter(|(index, _)| decided(*index));
        Self(words.map(|(index, word)| (index, word.as_str())).collect())
    }

    fn heads(&self, out: &mut String) {
        for (_, word) in &self.0 {
            let _ = write!(out, " {word:>9}");
        }
    }

    fn counts(&self, out: &mut String, counts: &[u32; Word::ALL.len()]) {
        for (index, _) in &self.0 {
            let _ = write!(out, " {:>9}", dash(counts[*index]));
        }
    }

    /// "sun 12, wind 9": the most first.
    fn told(&self, counts: &[u32; Word::ALL.len()]) -> String {
        let mut told: Vec<_> = self
            .0
            .iter()
            .filter(|(index, _)| counts[*index] > 0)
            .collect();
        told.sort_by_key(|(index, _)| std::cmp::Reverse(counts[*index]));
        let told: Vec<String> = told
            .iter()
            .map(|(index, word)| format!("{word} {}", counts[*index]))
            .collect();
        told.join(", ")
    }
}

/// Nothing is easier to overlook than a nought.
fn dash(count: u32) -> String {
    if count == 0 {
        "·".to_owned()
    } else {
        count.to_string()
    }
}

fn hours_or_dash(ms: i64) -> String {
    if ms == 0 {
        "·".to_owned()
    } else {
        format!("{:.1}", hours(ms))
    }
}

fn month_name(year: i32, month: u32) -> String {
    NaiveDate::from_ymd_opt(year, month, 1)
        .map_or_else(String::new, |date| date.format("%b %Y").to_string())
}

fn busiest_words(busiest: Option<&Busiest>, words: &Words) -> String {
    busiest.map_or_else(
        || "nothing moved".to_owned(),
        |day| {
            format!(
                "{}: {} ({})",
                day.date.format("%a %d %b"),
                day.movements,
                words.told(&day.by_word)
            )
        },
    )
}

fn sum(groups: &[GroupMonth]) -> GroupMonth {
    groups.iter().fold(GroupMonth::default(), |mut sum, group| {
        sum.add(group);
        sum
    })
}

fn by_month(out: &mut String, tally: &Tally, words: &Words) -> fmt::Result {
    writeln!(
        out,
        "\nMovements of groups by month and by what decided them, and the busiest day"
    )?;
    let _ = write!(out, "{:<9} {:>7}", "month", "all");
    words.heads(out);
    writeln!(out, "  busiest day")?;
    let mut all = GroupMonth::default();
    for month in &tally.months {
        let of = sum(&month.groups);
        let _ = write!(
            out,
            "{:<9} {:>7}",
            month_name(month.year, month.month),
            dash(of.moved())
        );
        words.counts(out, &of.movements);
        writeln!(out, "  {}", busiest_words(month.busiest.as_ref(), words))?;
        all.add(&of);
    }
    if tally.months.len() == 1 {
        return Ok(());
    }
    let _ = write!(out, "{:<9} {:>7}", "all", dash(all.moved()));
    words.counts(out, &all.movements);
    writeln!(out, "  {}", busiest_words(tally.busiest(), words))
}

/// The width that the groups' names need.
fn name_width(model: &Model) -> usize {
    model
        .groups
        .iter()
        .map(|group| group.name.chars().count())
        .max()
        .unwrap_or(0)
        .max("group".len())
}

fn group_heads(out: &mut String, width: usize, words: &Words) -> fmt::Result {
    let _ = write!(out, "{:<width$} {:>7}", "group", "moves");
    words.heads(out);
    writeln!(
        out,
        " {:>9} {:>9} {:>9} {:>9}",
        "sunlit h", "shaded h", "locked h", "refuge h"
    )
}

fn group_line(
    out: &mut String,
    width: usize,
    name: &str,
    words: &Words,
    of: &GroupMonth,
) -> fmt::Result {
    let _ = write!(out, "{name:<width$} {:>7}", dash(of.moved()));
    words.counts(out, &of.movements);
    let [sunlit, shaded, locked, refuge] =
        [of.sunlit_ms, of.shaded_ms, of.locked_ms, of.refuge_ms].map(hours_or_dash);
    writeln!(out, " {sunlit:>9} {shaded:>9} {locked:>9} {refuge:>9}")
}

fn by_group(out: &mut String, model: &Model, tally: &Tally, words: &Words) -> fmt::Result {
    writeln!(out, "\nGroups over the whole span")?;
    item(
        out,
        "sunlit: the sun was on the facade; shaded: of that, its devices were extended (mean over the devices)",
    )?;
    item(
        out,
        "locked: a weather guard was engaged; refuge: of that, its devices stood in their refuge",
    )?;
    let width = name_width(model);
    group_heads(out, width, words)?;
    for (index, group) in model.groups.iter().enumerate() {
        group_line(
            out,
            width,
            &group.name,
            words,
            &tally.group(GroupId::of(index)),
        )?;
    }
    writeln!(
        out,
        "\n{:<width$} {:>14} {:>14} {:>14} {:>14}",
        "lockouts", "wind", "hail", "ice", "rain"
    )?;
    for (index, group) in model.groups.iter().enumerate() {
        let [wind, hail, ice, rain] = tally.group(GroupId::of(index)).lockouts.map(dash);
        writeln!(
            out,
            "{:<width$} {wind:>14} {hail:>14} {ice:>14} {rain:>14}",
            group.name
        )?;
    }
    Ok(())
}

fn alarms(out: &mut String, tally: &Tally) -> fmt::Result {
    if tally.alarms.is_empty() {
        return writeln!(out, "\nAlarms: none");
    }
    let told = tally
        .alarms
        .iter()
        .map(|(word, count)| format!("{} {count}", leeside_core::say::alarm_words(*word)));
    writeln!(out, "\nAlarms: {}", told.collect::<Vec<_>>().join(", "))
}

fn one_month(out: &mut String, model: &Model, month: &MonthTally, words: &Words) -> fmt::Result {
    let of = sum(&month.groups);
    writeln!(
        out,
        "\n{}: {} movements, busiest day {}",
        month_name(month.year, month.month),
        of.moved(),
        busiest_words(month.busiest.as_ref(), words)
    )?;
    let width = name_width(model);
    group_heads(out, width, words)?;
    for (group, of) in model.groups.iter().zip(&month.groups) {
        group_line(out, width, &group.name, words, of)?;
    }
    Ok(())
}

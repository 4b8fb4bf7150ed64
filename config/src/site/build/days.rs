//! Which day is of which class, special days, arrangements.

use super::pose::word;
use crate::calendar::{self, Calendar};
use crate::diagnostic::{Diagnostic, Severity};
use crate::holidays::{self, RegionError};
use crate::site::Files;
use crate::site::form::Kind;
use crate::site::keys::WEEKDAYS;
use crate::site::node::{Got, Node, Span};
use crate::site::read::{DAY_CLASSES, Reader, Tree};
use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use leeside_core::ids::{DayClassId, GroupId};
use leeside_core::model::{Arrangement, DayEntry, DayTable, Group, Site, SpecialDay};
use leeside_core::pose::Pose;
use leeside_core::time::{Wall, to_utc};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// What claims a date for a class: the class, and why.
type Claims = BTreeMap<NaiveDate, Vec<(usize, String)>>;

/// The class of every date in `years`, and the special days within them.
pub(crate) fn days(
    reader: &mut Reader<'_>,
    tree: &Tree,
    files: &mut dyn Files,
    site: Option<&Site>,
    groups: &[Option<Group>],
    years: &RangeInclusive<i32>,
) -> (Option<DayTable>, Vec<SpecialDay>) {
    let zone = site.map_or(Tz::UTC, |site| site.zone);
    let span = (
        NaiveDate::from_ymd_opt(*years.start(), 1, 1).unwrap_or_default(),
        NaiveDate::from_ymd_opt(*years.end(), 12, 31).unwrap_or_default(),
    );
    let mut claims = Claims::new();
    let mut specials = Vec::new();
    holidays(reader, tree, files, &mut claims, years);
    if let Some(node) = tree.one("site")
        && let Some(beyond) = calendar::beyond_zone_data(zone, *years.end())
    {
        reader.warn(
            &node.at("zone"),
            beyond,
            "days and their classes are right all the same",
        );
    }
    for node in tree.all("calendar") {
        calendar(
            reader,
            node,
            files,
            (zone, span),
            groups,
            &mut claims,
            &mut specials,
        );
    }
    for node in tree.all("special_day") {
        specials.extend(special_day(reader, node, zone, groups));
    }
    specials.sort_by(|a, b| (a.from, &a.name).cmp(&(b.from, &b.name)));
    (table(reader, tree, &claims, span), specials)
}

/// Ranks of the day classes: the higher wins. Built-in ones from weakest to
/// strongest, the site's own above them, unless `precedence` says otherwise.
fn ranks(reader: &mut Reader<'_>, tree: &Tree) -> Vec<usize> {
    let count = reader.names.count(Kind::DayClass);
    if tree.one("days").is_none_or(|days| !days.has("precedence")) {
        let meaning = "Which class wins where several claim a day, strongest first.";
        let said = "own classes, closed, holiday, weekend, workday";
        reader.assume("[days]", "precedence", said, meaning);
    }
    if tree.one("days").is_none_or(|days| !days.has("weekend")) {
        reader.assume(
            "[days]",
            "weekend",
            "saturday, sunday",
            "Days of the weekend.",
        );
    }
    let stated = tree.one("days").and_then(|days| {
        days.many("precedence")
            .map(|list| (days.at("precedence"), list))
    });
    let Some((span, list)) = stated else {
        // Own classes: the first in the file is the strongest.
        return (0..count)
            .map(|class| {
                if class < DAY_CLASSES.len() {
                    class
                } else {
                    DAY_CLASSES.len() + count - class
                }
            })
            .collect();
    };
    let mut ranks = vec![0; count];
    for (place, (class, _)) in list.iter().enumerate() {
        if let Some(rank) = ranks.get_mut(*class) {
            *rank = list.len() - place;
        }
    }
    let left_out: Vec<_> = (0..count)
        .filter(|class| ranks.get(*class) == Some(&0))
        .map(|class| reader.names.name(Kind::DayClass, class).to_owned())
        .collect();
    if !left_out.is_empty() {
        reader.error(
            &span,
            format!("`precedence` leaves out {}", left_out.join(", ")),
            "it names every class once, strongest first",
        );
    }
    ranks
}

fn table(
    reader: &mut Reader<'_>,
    tree: &Tree,
    claims: &Claims,
    (first, last): (NaiveDate, NaiveDate),
) -> Option<DayTable> {
    let ranks = ranks(reader, tree);
    let weekend = tree.one("days").and_then(|days| days.words("weekend"));
    let is_weekend = |weekday: chrono::Weekday| {
        let word = WEEKDAYS
            .get(weekday.num_days_from_monday() as usize)
            .map_or("", |(word, _)| word);
        weekend.map_or(weekday.num_days_from_monday() >= 5, |days| {
            days.contains(&word)
        })
    };
    let entry = |date: NaiveDate| {
        let (class, why) = if is_weekend(date.weekday()) {
            (1, "weekend")
        } else {
            (0, "workday")
        };
        let plain = (class, why.to_owned());
        let claimed = claims.get(&date).into_iter().flatten();
        let rank = |class: usize| ranks.get(class).copied().unwrap_or(0);
        // Of equal claims the first made stands.
        let (class, why) = claimed.fold(&plain, |best, claim| {
            if rank(claim.0) > rank(best.0) {
                claim
            } else {
                best
            }
        });
        DayEntry {
            class: DayClassId::of(*class),
            why: why.clone(),
        }
    };
    let entries = first
        .iter_days()
        .take_while(|date| *date <= last)
        .map(entry)
        .collect();
    let mut by_weekday = [DayClassId::of(0); 7];
    for (slot, weekday) in by_weekday
        .iter_mut()
        .zip((0..7).filter_map(|day| chrono::Weekday::try_from(day).ok()))
    {
        *slot = DayClassId::of(usize::from(is_weekend(weekday)));
    }
    Some(DayTable::new(first, entries, by_weekday))
}

/// Public holidays, by the rules built in or by a file of the site's own.
fn holidays(
    reader: &mut Reader<'_>,
    tree: &Tree,
    files: &mut dyn Files,
    claims: &mut Claims,
    years: &RangeInclusive<i32>,
) -> Option<()> {
    let node = tree.one("holidays")?;
    let region = node.text("region")?;
    let class = node.one("day_class")?;
    let own = match node.text("rules_file") {
        None => None,
        Some(file) => Some(own_rules(reader, node, files, file)?),
    };
    for year in years.clone() {
        let found = own.as_ref().map_or_else(
            || holidays::holidays(region, year),
            |country| holidays::holidays_of(std::slice::from_ref(country), region, year),
        );
        match found {
            Ok(list) => {
                for day in list {
                    let why = format!("{}: {}", reader.names.name(Kind::DayClass, class), day.name);
                    claims.entry(day.date).or_default().push((class, why));
                }
            }
            Err(RegionError::Unknown { region, hint }) => {
                reader.error(
                    &node.at("region"),
                    format!("there are no holiday rules for the region `{region}`"),
                    hint,
                );
                return None;
            }
            Err(error @ RegionError::Year { .. }) => {
                reader.warn(
                    &node.at("region"),
                    error.to_string(),
                    "days of that year go by weekday and calendars alone",
                );
            }
        }
    }
    Some(())
}

fn own_rules(
    reader: &mut Reader<'_>,
    node: &Node,
    files: &mut dyn Files,
    file: &str,
) -> Option<holidays::Country> {
    let bytes = match files.read(file) {
        Ok(bytes) => bytes,
        Err(why) => {
            reader.error(
                &node.at("rules_file"),
                format!("the holiday rules \"{file}\" cannot be read: {why}"),
                "the name is relative to the site file",
            );
            return None;
        }
    };
    match holidays::Country::parse(file, &String::from_utf8_lossy(&bytes)) {
        Ok(country) => Some(country),
        Err(problems) => {
            problems
                .into_iter()
                .for_each(|problem| reader.take(problem));
            None
        }
    }
}

fn calendar(
    reader: &mut Reader<'_>,
    node: &Node,
    files: &mut dyn Files,
    (zone, (first, last)): (Tz, (NaiveDate, NaiveDate)),
    groups: &[Option<Group>],
    claims: &mut Claims,
    specials: &mut Vec<SpecialDay>,
) {
    let meaning = (node.one("day_class"), node.table("special"));
    match &meaning {
        (Some(_), Some(special)) => reader.error(&special.span, format!("{} has both `day_class` and `special`", node.label), "give one of them; a file may be named by two calendars"),
        (None, None) if node.sound => reader.error(&node.span, format!("{} does not say what its days mean", node.label), "add `day_class = \"closed\"`, or `special = { groups = [...], pose = ..., sun = false }`"),
        _ => {}
    }
    let Some(file) = node.text("file") else {
        return;
    };
    let bytes = match files.read(file) {
        Ok(bytes) => bytes,
        Err(why) => {
            reader.error(
                &node.at("file"),
                format!("the calendar \"{file}\" cannot be read: {why}"),
                "the name is relative to the site file",
            );
            return;
        }
    };
    let (parsed, problems) = Calendar::parse(file, bytes);
    let usable = calendar::usable(&problems);
    problems
        .into_iter()
        .for_each(|problem| reader.take(ours(problem)));
    if !usable {
        return;
    }
    let expansion = parsed.overlapping(
        midnight(zone, first),
        midnight(zone, last.succ_opt().unwrap_or(last)),
        zone,
    );
    expansion
        .diagnostics
        .into_iter()
        .for_each(|problem| reader.take(ours(problem)));
    if expansion.occurrences.is_empty() {
        reader.warn(
            &node.at("file"),
            format!("the calendar \"{file}\" has no event from {first} to {last}"),
            "has it been forgotten?",
        );
    }
    if let (Some(class), None) = meaning {
        for occurrence in &expansion.occurrences {
            let (from, to) = occurrence.dates();
            let said = if occurrence.summary.is_empty() {
                file
            } else {
                &occurrence.summary
            };
            let why = format!("{}: {said}", reader.names.name(Kind::DayClass, class));
            for date in from
                .iter_days()
                .take_while(|date| *date < to && *date <= last)
            {
                claims.entry(date).or_default().push((class, why.clone()));
            }
        }
    } else if let (None, Some(special)) = meaning {
        let Some((groups, pose, sun)) = special_parts(reader, special, groups) else {
            return;
        };
        for occurrence in &expansion.occurrences {
            let said = if occurrence.summary.is_empty() {
                node.text("name").unwrap_or(file)
            } else {
                &occurrence.summary
            };
            specials.push(SpecialDay {
                name: said.to_owned(),
                groups: groups.clone(),
                from: Wall::from_utc(occurrence.start),
                to: Wall::from_utc(occurrence.end),
                pose,
                sun,
            });
        }
    }
}

fn midnight(zone: Tz, date: NaiveDate) -> DateTime<Utc> {
    to_utc(zone, date.and_time(NaiveTime::MIN)).utc
}

/// A calendar's problem in the site file's form.
fn ours(problem: calendar::Diagnostic) -> Diagnostic {
    let severity = match problem.severity {
        calendar::Severity::Warning => Severity::Warning,
        calendar::Severity::Error => Severity::Error,
    };
    let message = if problem.property.is_empty() {
        problem.message
    } else {
        format!("{}: {}", problem.property, problem.message)
    };
    Diagnostic {
        file: problem.file,
        line: problem.line,
        column: problem.column,
        span: 0..0,
        severity,
        message,
        hint: problem.hint,
    }
}

fn special_day(
    reader: &mut Reader<'_>,
    node: &Node,
    zone: Tz,
    groups: &[Option<Group>],
) -> Option<SpecialDay> {
    let (from, to) = (node.moment("from")?, node.moment("to")?);
    if to <= from {
        reader.error(
            &node.at("to"),
            format!("{} ends at {to}, before it begins", node.label),
            "`to` must be later than `from`",
        );
    }
    let (groups, pose, sun) = special_parts(reader, node, groups)?;
    Some(SpecialDay {
        name: node.text("name")?.to_owned(),
        groups,
        from: Wall::from_utc(to_utc(zone, from).utc),
        to: Wall::from_utc(to_utc(zone, to).utc),
        pose,
        sun,
    })
}

fn special_parts(
    reader: &mut Reader<'_>,
    node: &Node,
    groups: &[Option<Group>],
) -> Option<(Vec<GroupId>, Pose, bool)> {
    let stated = node.pose("pose")?;
    let mut pose = stated;
    let mut ids = Vec::new();
    for (index, span) in node.many("groups")? {
        let id = GroupId::of(*index);
        pose = fitted(reader, groups, *index, stated, &node.at("pose"), span)?;
        ids.push(id);
    }
    Some((ids, pose, node.flag("sun")?))
}

/// The pose for one of the groups that share it.
fn fitted(
    reader: &mut Reader<'_>,
    groups: &[Option<Group>],
    index: usize,
    pose: Pose,
    at: &Span,
    named: &Span,
) -> Option<Pose> {
    let group = groups.get(index)?.as_ref()?;
    let line = reader.line_of(named);
    let what = format!(
        "the pose for the {} group `{}` (line {line})",
        word(group.kind),
        group.name
    );
    reader.fit(pose, group.kind, group.slats.as_ref(), at, &what)
}

pub(crate) fn arrangements(
    reader: &mut Reader<'_>,
    tree: &Tree,
    groups: &[Option<Group>],
) -> Vec<Option<Arrangement>> {
    tree.all("arrangement")
        .iter()
        .map(|node| arrangement(reader, node, groups))
        .collect()
}

fn arrangement(
    reader: &mut Reader<'_>,
    node: &Node,
    groups: &[Option<Group>],
) -> Option<Arrangement> {
    let mut poses = Vec::new();
    for (index, value) in node.map("poses")? {
        let Got::Pose(pose) = value.got else { continue };
        poses.push((
            GroupId::of(*index),
            fitted(reader, groups, *index, pose, &value.span, &value.span)?,
        ));
    }
    Some(Arrangement {
        name: node.text("name")?.to_owned(),
        poses,
        hold_ms: node.ms("hold_min"),
    })
}

//! What a change of a calendar would do, before it is made: the same site with the
//! new text in place of the file, read and looked ahead with, and nothing written.

use chrono::{Datelike, Days, NaiveDate, NaiveTime};
use leeside_config::closed_days::{Named, Refusal, calendars, read_file};
use leeside_config::site::{self, Files};
use leeside_config::{LoadOptions, Site};
use leeside_core::ids::GroupId;
use leeside_core::model::{Model, SpecialDay};
use leeside_core::output::Course;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Wall, to_utc};
use leeside_dryrun::next::next;
use leeside_dryrun::replay::{Occupancy, PlantKind, Setting, Sky};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Movements of a group that are compared and told, for one day.
const MOVEMENTS: usize = 8;
/// So far ahead is looked for a group's next movement.
const AHEAD_MS: i64 = 15 * 24 * HOUR;
/// Changed days that are told one by one.
pub const MOST_DAYS: usize = 15;

/// Why a change cannot be shown.
#[derive(Debug, thiserror::Error)]
pub enum Unseen {
    /// The site with it would be broken.
    #[error("{}", .0.join("\n"))]
    Broken(Vec<String>),
    /// The site file or calendar cannot be read.
    #[error(transparent)]
    Refused(#[from] Refusal),
}

/// The calendars of a site file, with the path of each.
///
/// # Errors
/// [`Unseen::Refused`] where the site file cannot be read.
pub fn of_site(site: &Path) -> Result<Vec<(Named, PathBuf)>, Unseen> {
    let (text, _) = read_file(site)?;
    let all = calendars(&text)?;
    Ok(all
        .into_iter()
        .map(|named| {
            let path = site.with_file_name(&named.file);
            (named, path)
        })
        .collect())
}

/// A day whose class changes.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ChangedDay {
    /// Which.
    pub date: NaiveDate,
    /// Its class, and why, before.
    pub before: (String, String),
    /// ... and after.
    pub after: (String, String),
}

/// What a group does on a day, under the clear and calm sky of the look-ahead.
#[derive(Clone, PartialEq, Debug)]
pub struct DayCourse {
    /// Where it stands as the day begins; `None`: nobody knows.
    pub begins: Option<Pose>,
    /// Where it goes, and when, until the day ends.
    pub moves: Vec<(Wall, Pose)>,
    /// When it moves next after that, where known.
    pub then: Option<(Wall, Pose)>,
}

/// Groups that the change concerns alike.
#[derive(Clone, PartialEq, Debug)]
pub struct ChangedGroups {
    /// Their names.
    pub groups: Vec<String>,
    /// What they would do as it is.
    pub before: DayCourse,
    /// What they would do with the change.
    pub after: DayCourse,
}

/// What a change would do.
#[derive(Clone, Debug)]
pub struct Preview {
    /// The site with the change.
    pub model: Arc<Model>,
    /// Days of another class, from today on.
    pub days: Vec<ChangedDay>,
    /// Special days that would be gone.
    pub gone: Vec<SpecialDay>,
    /// Special days that would be new.
    pub new: Vec<SpecialDay>,
    /// The day for which groups are compared: the first that changes.
    pub on: Option<NaiveDate>,
    /// Groups that would do something else on it.
    pub groups: Vec<ChangedGroups>,
    /// Last year for which days are worked out.
    pub until_year: i32,
}

/// Files beside the site file, but for one.
struct Instead<'a> {
    folder: &'a Path,
    file: &'a str,
    text: Option<&'a str>,
}

impl Files for Instead<'_> {
    fn read(&mut self, name: &str) -> Result<Vec<u8>, String> {
        match self.text.filter(|_| name == self.file) {
            Some(text) => Ok(text.as_bytes().to_vec()),
            None => std::fs::read(self.folder.join(name)).map_err(|error| error.to_string()),
        }
    }
}

/// Reads the site, with `text` in place of `file` where there is one.
fn load(path: &Path, file: &str, text: Option<&str>, year: i32) -> Result<Site, Unseen> {
    let (site_text, _) = read_file(path)?;
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    let mut files = Instead { folder, file, text };
    let name = path.display().to_string();
    let outcome = site::parse(&name, &site_text, &mut files, &LoadOptions::around(year));
    outcome.site.ok_or_else(|| {
        Unseen::Broken(
            outcome
                .diagnostics
                .iter()
                .map(ToString::to_string)
                .collect(),
        )
    })
}

/// What the site would do with `text` in place of the calendar `file`, seen from `now`.
///
/// # Errors
/// [`Unseen`], where it cannot be read or would be broken.
pub fn preview(site: &Path, file: &str, text: &str, now: Wall) -> Result<Preview, Unseen> {
    let today = |model: &Model| now.local_date(model.site.zone);
    let year = now.utc().year();
    let (before, after) = (
        load(site, file, None, year)?,
        load(site, file, Some(text), year)?,
    );
    let (before, after) = (before.model, after.model);
    let today = today(&after);
    let days = changed_days(&before, &after, today);
    let special = |one: &Model, other: &Model| -> Vec<SpecialDay> {
        let all = one.specials.iter().filter(|day| day.to > now);
        all.filter(|day| !other.specials.contains(day))
            .cloned()
            .collect()
    };
    let (gone, new) = (special(&before, &after), special(&after, &before));
    let zone = after.site.zone;
    let on = days
        .iter()
        .map(|day| day.date)
        .chain(gone.iter().chain(&new).map(|day| day.from.local_date(zone)))
        .map(|date| date.max(today))
        .min();
    let groups = on.map_or_else(Vec::new, |on| changed_groups(&before, &after, on));
    let (first, count) = after.days.span();
    let last = first.checked_add_days(Days::new(
        u64::try_from(count).unwrap_or(1).saturating_sub(1),
    ));
    Ok(Preview {
        days,
        gone,
        new,
        on,
        groups,
        until_year: last.map_or(year, |last| last.year()),
        model: after,
    })
}

fn changed_days(before: &Model, after: &Model, today: NaiveDate) -> Vec<ChangedDay> {
    let (first, count) = after.days.span();
    let of = |model: &Model, date| {
        let class = model.day_class(model.days.class(date)).to_owned();
        let why = model.days.entry(date).map_or("", |entry| &entry.why);
        (class, why.to_owned())
    };
    first
        .iter_days()
        .take(count)
        .filter(|date| *date >= today)
        .filter_map(|date| {
            let (before, after) = (of(before, date), of(after, date));
            (before != after).then_some(ChangedDay {
                date,
                before,
                after,
            })
        })
        .collect()
}

fn changed_groups(before: &Arc<Model>, after: &Arc<Model>, on: NaiveDate) -> Vec<ChangedGroups> {
    let (was, will) = (courses(before, on), courses(after, on));
    let mut all: Vec<ChangedGroups> = Vec::new();
    for (group, after_course) in will {
        let Some(before_course) = was.get(&group).filter(|before| **before != after_course) else {
            continue;
        };
        let name = after.group(group).name.clone();
        let alike = all
            .iter_mut()
            .find(|other| other.before == *before_course && other.after == after_course);
        match alike {
            Some(alike) => alike.groups.push(name),
            None => all.push(ChangedGroups {
                groups: vec![name],
                before: before_course.clone(),
                after: after_course,
            }),
        }
    }
    all
}

/// What each group does on a local day.
fn courses(model: &Arc<Model>, on: NaiveDate) -> BTreeMap<GroupId, DayCourse> {
    let midnight = |date: NaiveDate| {
        Wall::from_utc(to_utc(model.site.zone, date.and_time(NaiveTime::MIN)).utc)
    };
    let from = midnight(on);
    let ends = midnight(on.checked_add_days(Days::new(1)).unwrap_or(on));
    let setting = Setting {
        model: Arc::clone(model),
        sky: Sky::ClearAndCalm,
        from,
        to: from.plus(AHEAD_MS),
        step_ms: MINUTE,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::OFFICE,
    };
    let groups: Vec<GroupId> = (0..model.groups.len()).map(GroupId::of).collect();
    let Ok(found) = next(&setting, &groups, MOVEMENTS) else {
        return BTreeMap::new();
    };
    let of = |group: leeside_dryrun::next::GroupNext| {
        let told = group.now.as_ref().map(|now| now.verdict.course.clone());
        let begins = match told {
            Some(Course::To(pose)) => Some(pose),
            Some(Course::Hold) | None => group.pose,
        };
        let moves = group
            .coming
            .iter()
            .map(|movement| (movement.at.wall, movement.pose));
        let (mut today, later): (Vec<_>, Vec<_>) = moves.partition(|(at, _)| *at < ends);
        // What moves as the day begins is where it stands on that day.
        let mut begins = begins;
        while let Some((_, pose)) = today
            .first()
            .copied()
            .filter(|(at, _)| *at <= from.plus(MINUTE))
        {
            begins = Some(pose);
            today.remove(0);
        }
        let then = later.first().copied();
        (
            group.group,
            DayCourse {
                begins,
                moves: today,
                then,
            },
        )
    };
    found.groups.into_iter().map(of).collect()
}

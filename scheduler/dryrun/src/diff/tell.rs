//! What changed, in words and for programs.

use super::{Difference, GroupDiff, How, KeyChange, Side, Step, differs};
use crate::audit::seconds;
use crate::report::Head;
use crate::told::{day_and_clock, distance, iso_local, iso_utc, pose_json, wrapped};
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::time::HOUR;
use serde_json::{Map, Value, json};
use std::fmt::Write as _;

/// Version of the JSON form.
const FORMAT_VERSION: u32 = 1;
/// Lines are wrapped at this width.
const WIDTH: usize = 100;
/// Differences that the text tells one by one.
const MOST_TOLD: usize = 40;

/// In words. `old` and `new` are the heads of both replays.
#[must_use]
pub fn text(
    model: &Model,
    old: &Head,
    new: &Head,
    keys: &[KeyChange],
    groups: &[GroupDiff],
) -> String {
    let mut out = String::new();
    // Writing to a String does not fail.
    let _ = writeln!(
        out,
        "What changes at {}, {} to {} ({})",
        new.site, new.from, new.to, new.zone
    );
    let assumed = new.assumptions.iter().map(ToString::to_string);
    for line in [format!("weather: {}", new.source)]
        .into_iter()
        .chain(assumed)
    {
        wrapped(&mut out, "  - ", &line, WIDTH);
    }
    let _ = writeln!(
        out,
        "  old  {}\n  new  {}",
        old.fingerprint(),
        new.fingerprint()
    );
    changed_keys(&mut out, keys);
    let count: usize = groups.iter().map(|group| group.differences.len()).sum();
    if !differs(groups) {
        out.push_str("\nBehaviour: the same, movement by movement\n");
        return out;
    }
    let all: usize = groups
        .iter()
        .filter_map(|group| group.old.as_ref())
        .map(|side| side.movements)
        .sum();
    let _ = writeln!(
        out,
        "\nBehaviour: {count} differences; the old site makes {all} movements"
    );
    by_group(&mut out, groups);
    by_cause(&mut out, groups);
    hours(&mut out, groups);
    exposure(&mut out, groups);
    one_by_one(&mut out, model, groups, count);
    out
}

fn changed_keys(out: &mut String, keys: &[KeyChange]) {
    let _ = writeln!(out, "\nKeys changed: {}", keys.len());
    for change in keys {
        let _ = writeln!(out, "  {}", change.key);
        let told = |value: &Option<String>| value.clone().unwrap_or_else(|| "not there".to_owned());
        wrapped(out, "      was  ", &told(&change.old), WIDTH);
        wrapped(out, "      now  ", &told(&change.new), WIDTH);
    }
}

fn name_width(groups: &[GroupDiff]) -> usize {
    groups
        .iter()
        .map(|group| group.name.chars().count())
        .max()
        .unwrap_or(0)
        .max(5)
}

fn dash(count: usize) -> String {
    if count == 0 {
        "·".to_owned()
    } else {
        count.to_string()
    }
}

fn by_group(out: &mut String, groups: &[GroupDiff]) {
    let width = name_width(groups);
    let _ = write!(out, "\n{:<width$} {:>7} {:>7}", "group", "before", "after");
    for how in How::ALL {
        let _ = write!(out, " {:>11}", how.as_str().replace('_', " "));
    }
    out.push('\n');
    for group in groups
        .iter()
        .filter(|group| !group.differences.is_empty() || group.old != group.new)
    {
        let moved = |of: &Option<Side>| {
            of.as_ref()
                .map_or_else(|| "none".to_owned(), |side| side.movements.to_string())
        };
        let _ = write!(
            out,
            "{:<width$} {:>7} {:>7}",
            group.name,
            moved(&group.old),
            moved(&group.new)
        );
        for how in How::ALL {
            let _ = write!(out, " {:>11}", dash(group.count(how, None)));
        }
        out.push('\n');
    }
}

fn by_cause(out: &mut String, groups: &[GroupDiff]) {
    let _ = write!(out, "\n{:<10}", "by cause");
    for how in How::ALL {
        let _ = write!(out, " {:>11}", how.as_str().replace('_', " "));
    }
    out.push('\n');
    for word in Word::ALL {
        let counts = How::ALL.map(|how| {
            groups
                .iter()
                .map(|group| group.count(how, Some(word)))
                .sum::<usize>()
        });
        if counts.iter().any(|count| *count > 0) {
            let _ = write!(out, "{:<10}", word.as_str());
            for count in counts {
                let _ = write!(out, " {:>11}", dash(count));
            }
            out.push('\n');
        }
    }
}

/// Hours before and after, only where they differ.
fn hours(out: &mut String, groups: &[GroupDiff]) {
    let account = |of: &Option<Side>| {
        of.as_ref().map_or([0; 3], |side| {
            let of = &side.account;
            [of.shaded_ms, of.locked_ms, of.refuge_ms]
        })
    };
    let told = |ms| format!("{:.1}", hour(ms));
    before_and_after(
        out,
        groups,
        &["hours", "shaded", "locked", "in refuge"],
        account,
        told,
    );
}

/// Seconds exposed before and after, only where they differ.
fn exposure(out: &mut String, groups: &[GroupDiff]) {
    let account = |of: &Option<Side>| {
        of.as_ref().map_or([0; 2], |side| {
            [side.exposure.all_ms, side.exposure.longest_ms]
        })
    };
    let all = |side: fn(&GroupDiff) -> &Option<Side>| -> i64 {
        groups.iter().map(|group| account(side(group))[0]).sum()
    };
    let told = |ms| format!("{:.0}", seconds(ms));
    let (before, after) = (all(|group| &group.old), all(|group| &group.new));
    let _ = writeln!(
        out,
        "\nExposed in storms (simulated plant, each site by its own limits): all devices together {} s before, {} s after",
        told(before),
        told(after)
    );
    before_and_after(
        out,
        groups,
        &["seconds", "all devices", "longest"],
        account,
        told,
    );
}

/// A table of what differs before and after; nothing where nothing does.
fn before_and_after<const N: usize>(
    out: &mut String,
    groups: &[GroupDiff],
    heads: &[&str],
    account: impl Fn(&Option<Side>) -> [i64; N],
    told: impl Fn(i64) -> String,
) {
    let width = name_width(groups);
    let differ: Vec<_> = groups
        .iter()
        .map(|group| (group, account(&group.old), account(&group.new)))
        .filter(|(_, old, new)| old != new)
        .collect();
    if differ.is_empty() {
        return;
    }
    let _ = write!(out, "\n{:<width$}", heads[0]);
    for head in &heads[1..] {
        let _ = write!(out, " {head:>20}");
    }
    out.push('\n');
    for (group, old, new) in differ {
        let _ = write!(out, "{:<width$}", group.name);
        for (before, after) in old.into_iter().zip(new) {
            let cell = if before == after {
                told(before)
            } else {
                format!("{} -> {}", told(before), told(after))
            };
            let _ = write!(out, " {cell:>20}");
        }
        out.push('\n');
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a century is 3e12 ms, far below 2^53"
)]
fn hour(ms: i64) -> f64 {
    ms as f64 / HOUR as f64
}

/// One by one, in order of time; what several groups do alike is told once.
fn one_by_one(out: &mut String, model: &Model, groups: &[GroupDiff], count: usize) {
    let mut all: Vec<(&Difference, Vec<&str>)> = vec![];
    let mut begun = 0;
    let mut each: Vec<(&Difference, &str)> = vec![];
    for group in groups {
        each.extend(
            group
                .differences
                .iter()
                .map(|one| (one, group.name.as_str())),
        );
    }
    each.sort_by_key(|(one, _)| one.at());
    for (one, name) in each {
        // Those of earlier moments are complete.
        while all
            .get(begun)
            .is_some_and(|(other, _)| other.at() < one.at())
        {
            begun += 1;
        }
        match all[begun..].iter_mut().find(|(other, _)| *other == one) {
            Some((_, names)) => names.push(name),
            None => all.push((one, vec![name])),
        }
    }
    let told: usize = all
        .iter()
        .take(MOST_TOLD)
        .map(|(_, names)| names.len())
        .sum();
    let _ = writeln!(out, "\nThe first {told} of {count}, in order of time");
    for (one, names) in all.iter().take(MOST_TOLD) {
        let how = one.how.as_str().replace('_', " ");
        let line = format!(
            "{}: {how}{} ({})",
            day_and_clock(model, one.at()),
            shift(one),
            names.join(", ")
        );
        wrapped(out, "  ", &line, WIDTH);
        for (label, step) in [("was", &one.old), ("now", &one.new)] {
            if let Some(step) = step {
                let told = format!("{} ({}: {})", step.pose, step.word.as_str(), step.reason);
                wrapped(out, &format!("      {label}  "), &told, WIDTH);
            }
        }
    }
    if told < count {
        out.push_str("  (all of them with --format json)\n");
    }
}

/// By how much it was moved.
fn shift(one: &Difference) -> String {
    match (&one.old, &one.new) {
        (Some(old), Some(new)) if old.at < new.at => {
            format!(", {} later", distance(old.at, new.at))
        }
        (Some(old), Some(new)) if new.at < old.at => {
            format!(", {} earlier", distance(new.at, old.at))
        }
        _ => String::new(),
    }
}

/// For programs: `format_version`, `old` and `new` (heads), `keys`, `differs`,
/// `groups` with counts, hours and every difference.
#[must_use]
pub fn json(
    model: &Model,
    old: &Head,
    new: &Head,
    keys: &[KeyChange],
    groups: &[GroupDiff],
) -> Value {
    let keys = keys
        .iter()
        .map(|change| json!({ "key": change.key, "old": change.old, "new": change.new }));
    json!({
        "format_version": FORMAT_VERSION,
        "old": old,
        "new": new,
        "keys": keys.collect::<Vec<_>>(),
        "differs": differs(groups),
        "groups": groups.iter().map(|group| one_group(model, group)).collect::<Vec<_>>(),
    })
}

fn one_group(model: &Model, group: &GroupDiff) -> Value {
    let counts = How::ALL.map(|how| {
        let words = Word::ALL
            .iter()
            .map(|word| (word, group.count(how, Some(*word))))
            .filter(|(_, count)| *count > 0);
        let words: Map<String, Value> = words
            .map(|(word, count)| (word.as_str().to_owned(), json!(count)))
            .collect();
        (
            how.as_str().to_owned(),
            json!({ "all": group.count(how, None), "by_word": words }),
        )
    });
    let side = |of: &Option<Side>| {
        of.as_ref().map(|side| {
            let month = &side.account;
            json!({
                "movements": side.movements,
                "starts": month.starts,
                "sunlit_h": rounded(month.sunlit_ms),
                "shaded_h": rounded(month.shaded_ms),
                "locked_h": rounded(month.locked_ms),
                "refuge_h": rounded(month.refuge_ms),
                "exposed_s": seconds(side.exposure.all_ms),
                "longest_exposed_s": seconds(side.exposure.longest_ms),
            })
        })
    };
    let differences = group.differences.iter().map(|one| {
        json!({
            "how": one.how.as_str(),
            "old": one.old.as_ref().map(|step| step_json(model, step)),
            "new": one.new.as_ref().map(|step| step_json(model, step)),
        })
    });
    json!({
        "group": group.name,
        "old": side(&group.old),
        "new": side(&group.new),
        "counts": Map::from_iter(counts),
        "differences": differences.collect::<Vec<_>>(),
    })
}

fn rounded(ms: i64) -> f64 {
    (hour(ms) * 100.0).round() / 100.0
}

fn step_json(model: &Model, step: &Step) -> Value {
    let mut told = Map::new();
    told.insert("at_local".to_owned(), json!(iso_local(model, step.at)));
    told.insert("at_utc".to_owned(), json!(iso_utc(step.at)));
    pose_json(&mut told, Some(step.pose));
    told.insert("decided_by".to_owned(), json!(step.word.as_str()));
    told.insert("reason".to_owned(), json!(step.reason));
    Value::Object(told)
}

/// Files beside the site file that changed, as changes of a key each.
#[must_use]
pub fn files(old: &[(String, String)], new: &[(String, String)]) -> Vec<KeyChange> {
    let short = |sha: &String| sha.get(..12).unwrap_or(sha).to_owned();
    let mut found = vec![];
    for (name, sha) in old {
        let other = new
            .iter()
            .find(|(other, _)| other == name)
            .map(|(_, sha)| sha);
        if other != Some(sha) {
            found.push(KeyChange {
                key: format!("file {name}"),
                old: Some(short(sha)),
                new: other.map(short),
            });
        }
    }
    for (name, sha) in new
        .iter()
        .filter(|(name, _)| !old.iter().any(|(other, _)| other == name))
    {
        found.push(KeyChange {
            key: format!("file {name}"),
            old: None,
            new: Some(short(sha)),
        });
    }
    found
}

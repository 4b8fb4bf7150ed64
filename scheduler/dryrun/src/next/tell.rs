//! What will happen next, in words and for programs.

use super::{GroupNext, Next};
use crate::report::Head;
use crate::told::{
    day_and_clock, decided, distance, iso_local, iso_utc, pose_json, utc_clock, wrapped,
};
use leeside_core::model::Model;
use leeside_core::output::Course;
use leeside_core::say;
use serde_json::{Map, Value, json};
use std::fmt::Write as _;

/// Version of the JSON form.
const FORMAT_VERSION: u32 = 1;
/// Lines are wrapped at this width.
const WIDTH: usize = 100;

/// In words: per group what it does at the base time, then each movement with
/// the time from the base time, local time and UTC.
#[must_use]
pub fn text(model: &Model, head: &Head, next: &Next) -> String {
    let mut out = String::new();
    // Writing to a String does not fail.
    let _ = writeln!(
        out,
        "What the groups of {} will do next, from {} ({}, {})",
        head.site,
        day_and_clock(model, next.from),
        head.zone,
        iso_utc(next.from),
    );
    for line in &head.assumptions {
        wrapped(&mut out, "  - ", &line.to_string(), WIDTH);
    }
    for group in &next.groups {
        one_group(&mut out, model, next, group);
    }
    let _ = writeln!(out, "\n{}", head.fingerprint());
    out
}

fn one_group(out: &mut String, model: &Model, next: &Next, of: &GroupNext) {
    let _ = writeln!(out, "\n{}", model.group(of.group).name);
    let stands = of
        .pose
        .map_or_else(|| "not known".to_owned(), |pose| pose.to_string());
    item(out, "now", &stands);
    if let Some(now) = &of.now {
        let verdict = &now.verdict;
        let held = if verdict.course == Course::Hold {
            "held, "
        } else {
            ""
        };
        let why = decided(model, verdict.decided_by, &verdict.because);
        item(out, "", &format!("{held}{why}"));
    }
    for movement in &of.coming {
        let at = movement.at.wall;
        let ahead = match distance(next.from, at).as_str() {
            "at once" => "at once".to_owned(),
            span => format!("in {span}"),
        };
        let when = format!("{} ({})", day_and_clock(model, at), utc_clock(model, at));
        item(out, &ahead, &format!("{when}: {}", movement.pose));
        item(
            out,
            "",
            &decided(model, movement.decided_by, &movement.because),
        );
    }
    if of.coming.is_empty() {
        item(
            out,
            "then",
            &format!("nothing until {}", day_and_clock(model, next.until)),
        );
    }
}

/// What is told, hanging beside its label.
fn item(out: &mut String, label: &str, text: &str) {
    wrapped(out, &format!("  {label:<15}  "), text, WIDTH);
}

/// For programs: one object with `format_version`, `head`, `from_local`,
/// `from_utc`, `until_utc` and per group `now` and `next`.
#[must_use]
pub fn json(model: &Model, head: &Head, next: &Next) -> Value {
    let groups = next.groups.iter().map(|of| {
        let coming = of.coming.iter().map(|movement| {
            let mut told = movement.to_json(model);
            told.remove("group");
            let ahead_ms = movement.at.wall.0 - next.from.0;
            told.insert("in_s".to_owned(), json!(ahead_ms / 1_000));
            told.insert(
                "in".to_owned(),
                json!(distance(next.from, movement.at.wall)),
            );
            Value::Object(told)
        });
        json!({
            "group": model.group(of.group).name,
            "now": now_json(model, of),
            "next": coming.collect::<Vec<_>>(),
        })
    });
    json!({
        "format_version": FORMAT_VERSION,
        "head": head,
        "from_local": iso_local(model, next.from),
        "from_utc": iso_utc(next.from),
        "until_utc": iso_utc(next.until),
        "groups": groups.collect::<Vec<_>>(),
    })
}

fn now_json(model: &Model, of: &GroupNext) -> Value {
    let mut told = Map::new();
    pose_json(&mut told, of.pose);
    if let Some(now) = &of.now {
        told.insert(
            "decided_by".to_owned(),
            json!(now.verdict.decided_by.as_str()),
        );
        told.insert(
            "holds".to_owned(),
            json!(now.verdict.course == Course::Hold),
        );
        told.insert(
            "reason".to_owned(),
            json!(say::because(model, &now.verdict.because)),
        );
        let release = say::release(model, &now.verdict.release, now.verdict.at);
        told.insert("release".to_owned(), json!(release));
    }
    Value::Object(told)
}

//! The full answer, for integrators.

use super::{Basis, Why, otherwise};
use crate::told::{day_and_clock, decided, distance, iso_utc, wrapped};
use leeside_core::engine::Says;
use leeside_core::model::Model;
use leeside_core::output::Course;
use leeside_core::pose::Pose;
use leeside_core::say;
use std::fmt::Write as _;

/// Lines are wrapped at this width.
const WIDTH: usize = 100;

/// The full answer in words.
#[must_use]
pub fn text(model: &Model, basis: &Basis, why: &Why) -> String {
    let mut out = String::new();
    // Writing to a String does not fail.
    let at = day_and_clock(model, why.at);
    let _ = writeln!(
        out,
        "{}, {at} ({})",
        model.group(why.group).name,
        iso_utc(why.at)
    );
    for line in basis.lines() {
        wrapped(&mut out, "  - ", &line, WIDTH);
    }
    out.push('\n');
    standing(&mut out, model, why);
    moved(&mut out, model, why);
    ranks(&mut out, model, why);
    out
}

fn item(out: &mut String, label: &str, text: &str) {
    wrapped(out, &format!("{label:<12}  "), text, WIDTH);
}

fn standing(out: &mut String, model: &Model, why: &Why) {
    item(out, "stood", &poses(model, &why.poses));
    let verdict = &why.then.verdict;
    item(out, "verdict", &course(&verdict.course));
    item(
        out,
        "decided by",
        &decided(model, verdict.decided_by, &verdict.because),
    );
    item(
        out,
        "until",
        &say::release(model, &verdict.release, verdict.at),
    );
    for exception in &verdict.exceptions {
        let reason = decided(model, exception.word, &exception.because);
        let name = &model.device(exception.device).name;
        item(
            out,
            "except",
            &format!("{name}: {}, {reason}", course(&exception.course)),
        );
    }
    for guard in &why.then.lockouts {
        let since = day_and_clock(model, guard.since.wall);
        item(
            out,
            "lockout",
            &format!(
                "{} since {since}: {}",
                guard.word.as_str(),
                say::because(model, &guard.because)
            ),
        );
    }
    let since = why.then.since.map_or_else(
        || "before what is replayed".to_owned(),
        |since| {
            let before = match distance(since.wall, why.at).as_str() {
                "at once" => "just then".to_owned(),
                span => format!("{span} before"),
            };
            format!("{} ({before})", day_and_clock(model, since.wall))
        },
    );
    item(out, "course since", &since);
    if why.then.overrides > 0 {
        item(
            out,
            "by hand",
            &format!("{} requests since the start", why.then.overrides),
        );
    }
    counted(out, model, why);
}

/// What its drives had done by then, and which readings were not believed.
fn counted(out: &mut String, model: &Model, why: &Why) {
    for drive in why.then.drives.iter().filter(|drive| drive.travels > 0) {
        let measured = drive.measured.map_or_else(String::new, |(ms, wh)| {
            format!("; measured {} and {wh:.1} Wh", say::span(ms))
        });
        let name = &model.device(drive.device).name;
        let ran = say::span(drive.ran_ms);
        item(
            out,
            "has run",
            &format!("{name}: {} travels, {ran}{measured}", drive.travels),
        );
    }
    for (sensor, counts) in &why.then.disbelieved {
        let all = [
            ("no number", counts.garbled),
            ("from the future", counts.future),
            ("older than the last or too old", counts.old),
            ("impossible", counts.implausible),
        ];
        let told = all.iter().filter(|(_, count)| *count > 0);
        let told: Vec<String> = told.map(|(why, count)| format!("{count} {why}")).collect();
        let name = &model.sensor(*sensor).name;
        item(out, "disbelieved", &format!("{name}: {}", told.join(", ")));
    }
}

fn moved(out: &mut String, model: &Model, why: &Why) {
    let told = |movement: &crate::told::Movement| {
        let when = day_and_clock(model, movement.at.wall);
        let lost = if movement.lost.is_empty() {
            String::new()
        } else {
            format!("; lost: {}", say::lost(&movement.lost))
        };
        let reason = decided(model, movement.decided_by, &movement.because);
        format!("{when}: {} ({reason}{lost})", movement.pose)
    };
    let day = |at| day_and_clock(model, at);
    let last = why
        .last
        .as_ref()
        .map_or_else(|| format!("not since {}", day(why.span.0)), told);
    let next = why
        .next
        .as_ref()
        .map_or_else(|| format!("not before {}", day(why.span.1)), told);
    item(out, "moved last", &last);
    item(out, "moved next", &next);
}

/// The whole order of precedence; `>` marks what decided.
fn ranks(out: &mut String, model: &Model, why: &Why) {
    out.push_str("\nEvery rank, highest first (> decided; - asked and lost; otherwise quiet)\n");
    let mut taken = false;
    for rank in &why.ranks {
        let word = rank.word.as_str();
        match &rank.says {
            Says::Speaks {
                course: asks,
                because,
                release,
            } => {
                let mark = if taken { '-' } else { '>' };
                taken = true;
                let release = say::release(model, release, why.then.verdict.at);
                let told = format!(
                    "{}: {}; until: {release}",
                    course(asks),
                    say::because(model, because)
                );
                wrapped(out, &format!("{mark} {word:<10}  "), &told, WIDTH);
            }
            Says::Quiet(quiet) => {
                wrapped(
                    out,
                    &format!("  {word:<10}  "),
                    &say::quiet(model, quiet),
                    WIDTH,
                );
                let needed = format!(
                    "it would have taken: {}",
                    otherwise(model, rank.word, quiet)
                );
                wrapped(out, &" ".repeat(14), &needed, WIDTH);
            }
        }
    }
}

/// A course in words.
pub(super) fn course(course: &Course) -> String {
    match course {
        Course::To(pose) => pose.to_string(),
        Course::Hold => "stays where it is".to_owned(),
    }
}

/// Where the devices stood, those that agree taken together.
fn poses(model: &Model, poses: &[(leeside_core::ids::DeviceId, Option<Pose>)]) -> String {
    let mut told: Vec<(Option<Pose>, Vec<&str>)> = vec![];
    for (device, pose) in poses {
        let name = model.device(*device).name.as_str();
        match told.iter_mut().find(|(other, _)| other == pose) {
            Some((_, names)) => names.push(name),
            None => told.push((*pose, vec![name])),
        }
    }
    let words =
        |pose: &Option<Pose>| pose.map_or_else(|| "not known".to_owned(), |pose| pose.to_string());
    match told.as_slice() {
        [(pose, names)] => format!("{} ({} devices)", words(pose), names.len()),
        several => {
            let each = several
                .iter()
                .map(|(pose, names)| format!("{}: {}", words(pose), names.join(", ")));
            each.collect::<Vec<_>>().join("; ")
        }
    }
}

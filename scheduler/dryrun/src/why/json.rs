//! The full answer, for programs.

use super::{Basis, Why, otherwise, plain};
use crate::told::{Movement, iso_local, iso_utc, pose_json};
use leeside_core::engine::{RankView, Says};
use leeside_core::model::Model;
use leeside_core::output::Course;
use leeside_core::say;
use serde_json::{Map, Value, json};

/// Version of the JSON form.
pub(super) const FORMAT_VERSION: u32 = 1;

/// One object: `format_version`, `basis`, `group`, `at_local`, `at_utc`,
/// `poses`, `verdict`, `exceptions`, `lockouts`, `since_utc`, `last`, `next`,
/// `ranks` and `plain`. A course is `extension_pct` and `tilt_deg`, or `hold`.
#[must_use]
pub fn json(model: &Model, basis: &Basis, why: &Why) -> Value {
    let verdict = &why.then.verdict;
    let poses = why.poses.iter().map(|(device, pose)| {
        let mut told = Map::new();
        told.insert("device".to_owned(), json!(model.device(*device).name));
        pose_json(&mut told, *pose);
        Value::Object(told)
    });
    let exceptions = verdict.exceptions.iter().map(|exception| {
        let mut told = course(&exception.course);
        told.insert(
            "device".to_owned(),
            json!(model.device(exception.device).name),
        );
        told.insert("word".to_owned(), json!(exception.word.as_str()));
        told.insert(
            "reason".to_owned(),
            json!(say::because(model, &exception.because)),
        );
        Value::Object(told)
    });
    let lockouts = why.then.lockouts.iter().map(|guard| {
        json!({
            "guard": guard.word.as_str(),
            "since_utc": iso_utc(guard.since.wall),
            "reason": say::because(model, &guard.because),
            "release": say::release(model, &guard.release, verdict.at),
        })
    });
    let mut told = course(&verdict.course);
    told.insert("decided_by".to_owned(), json!(verdict.decided_by.as_str()));
    told.insert(
        "reason".to_owned(),
        json!(say::because(model, &verdict.because)),
    );
    told.insert(
        "release".to_owned(),
        json!(say::release(model, &verdict.release, verdict.at)),
    );
    json!({
        "format_version": FORMAT_VERSION,
        "basis": basis.to_json(),
        "group": model.group(why.group).name,
        "at_local": iso_local(model, why.at),
        "at_utc": iso_utc(why.at),
        "poses": poses.collect::<Vec<_>>(),
        "verdict": told,
        "exceptions": exceptions.collect::<Vec<_>>(),
        "lockouts": lockouts.collect::<Vec<_>>(),
        "since_utc": why.then.since.map(|since| iso_utc(since.wall)),
        "last": movement(model, why.last.as_ref()),
        "next": movement(model, why.next.as_ref()),
        "looked_from_utc": iso_utc(why.span.0),
        "looked_until_utc": iso_utc(why.span.1),
        "ranks": why.ranks.iter().map(|rank| one_rank(model, why, rank)).collect::<Vec<_>>(),
        "plain": plain(model, basis, why),
    })
}

fn movement(model: &Model, movement: Option<&Movement>) -> Value {
    movement.map_or(Value::Null, |movement| {
        Value::Object(movement.to_json(model))
    })
}

fn one_rank(model: &Model, why: &Why, rank: &RankView) -> Value {
    let mut told = Map::new();
    told.insert("word".to_owned(), json!(rank.word.as_str()));
    match &rank.says {
        Says::Speaks {
            course: asks,
            because,
            release,
        } => {
            told.insert("speaks".to_owned(), json!(true));
            told.append(&mut course(asks));
            told.insert("reason".to_owned(), json!(say::because(model, because)));
            told.insert(
                "release".to_owned(),
                json!(say::release(model, release, why.then.verdict.at)),
            );
        }
        Says::Quiet(quiet) => {
            told.insert("speaks".to_owned(), json!(false));
            told.insert("reason".to_owned(), json!(say::quiet(model, quiet)));
            told.insert(
                "it_would_have_taken".to_owned(),
                json!(otherwise(model, rank.word, quiet)),
            );
        }
    }
    Value::Object(told)
}

fn course(course: &Course) -> Map<String, Value> {
    let mut told = Map::new();
    told.insert("hold".to_owned(), json!(*course == Course::Hold));
    match course {
        Course::To(pose) => pose_json(&mut told, Some(*pose)),
        Course::Hold => pose_json(&mut told, None),
    }
    told
}

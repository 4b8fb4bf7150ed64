//! What is now, and why, as JSON. Reasons are in English here, as on MQTT.

use super::{group_of, unanswered};
use crate::house::App;
use axum::Json;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Response};
use leeside_core::engine::{GuardView, Says};
use leeside_core::model::Model;
use leeside_core::output::{Course, Verdict};
use leeside_core::pose::Pose;
use leeside_core::say;
use leeside_core::sensor::Standing;
use leeside_core::time::Now;
use leeside_daemon::door::{GroupNow, Present, SensorNow};
use leeside_daemon::wire::stamp;
use serde_json::{Value, json};

fn pose(pose: Option<Pose>) -> Value {
    match pose {
        None => Value::Null,
        Some(pose) => json!({ "extension_pct": pose.extension_pct, "tilt_deg": pose.tilt_deg }),
    }
}

fn course(of: &Course) -> Value {
    match of {
        Course::To(to) => pose(Some(*to)),
        // To hold is to go nowhere.
        Course::Hold => Value::Null,
    }
}

fn verdict(model: &Model, verdict: &Verdict, at: Now) -> Value {
    json!({
        "pose": course(&verdict.course),
        "holds": verdict.course == Course::Hold,
        "decided_by": verdict.decided_by.as_str(),
        "reason": say::because(model, &verdict.because),
        "release": say::release(model, &verdict.release, at),
    })
}

fn lockout(model: &Model, guard: &GuardView, at: Now) -> Value {
    json!({
        "guard": guard.word.as_str(),
        "since": stamp(guard.since.wall),
        "reason": say::because(model, &guard.because),
        "release": say::release(model, &guard.release, at),
    })
}

fn group(model: &Model, index: usize, now: Option<&GroupNow>) -> Value {
    let name = model.groups.get(index).map(|group| group.name.as_str());
    let facade = model
        .groups
        .get(index)
        .map(|group| model.facade(group.facade).name.as_str());
    let Some(now) = now else {
        return json!({ "group": name, "facade": facade, "poses": [], "verdict": null, "lockouts": [] });
    };
    let lockouts = now
        .explanation
        .lockouts
        .iter()
        .map(|guard| lockout(model, guard, now.at));
    json!({
        "group": name,
        "facade": facade,
        "poses": now.poses.iter().map(|of| pose(*of)).collect::<Vec<_>>(),
        "verdict": verdict(model, &now.explanation.verdict, now.at),
        "lockouts": lockouts.collect::<Vec<_>>(),
    })
}

fn sensor(model: &Model, index: usize, now: &SensorNow) -> Value {
    let (standing, fault) = match now.standing {
        Standing::Waiting => ("waiting", None),
        Standing::Good => ("good", None),
        Standing::Fault(fault) => ("fault", Some(say::fault_words(fault))),
    };
    json!({
        "sensor": model.sensors.get(index).map(|sensor| sensor.name.as_str()),
        "standing": standing,
        "fault": fault,
        "heard": now.heard.map(stamp),
        "bypassed_by": now.state.bypass().map(|bypass| bypass.by.as_str()),
    })
}

/// Everything at once.
pub(super) async fn show(State(app): State<App>) -> Response {
    let present: &Present = &app.present();
    let model = &present.model;
    let alarms = present.alarms.iter().map(|alarm| {
        json!({
            "key": alarm.key,
            "since": stamp(alarm.since),
            "reason": say::because(model, &alarm.because),
            "acknowledged_by": alarm.acknowledged_by,
        })
    });
    let troubles = present.troubles.iter().map(|trouble| {
        json!({
            "key": trouble.key,
            "since": stamp(trouble.since),
            "reason": trouble.reason,
            "acknowledged_by": trouble.acknowledged_by,
        })
    });
    let groups = present.groups.iter().enumerate();
    let sensors = present.sensors.iter().enumerate();
    Json(json!({
        "site": model.site.name,
        "fingerprint": present.fingerprint,
        "revision": present.revision,
        "at": stamp(present.at.wall),
        "clock_trusted": present.clock_trusted,
        "sun": {
            "elevation_deg": present.sun.elevation_deg,
            "azimuth_deg": present.sun.azimuth_deg,
        },
        "broker": { "connected": present.broker.connected, "since": stamp(present.broker.since) },
        "groups": groups.map(|(index, now)| group(model, index, now.as_deref())).collect::<Vec<_>>(),
        "sensors": sensors.map(|(index, now)| sensor(model, index, now)).collect::<Vec<_>>(),
        "alarms": alarms.chain(troubles).collect::<Vec<_>>(),
    }))
    .into_response()
}

/// Why a group stands as it does: every rank.
pub(super) async fn why(State(app): State<App>, path: Path<String>) -> Response {
    let present = app.present();
    let id = match group_of(&present.model, &path) {
        Ok(id) => id,
        Err(response) => return *response,
    };
    let explained = match app.given.door.explain(&present.model, id).await {
        Ok(explained) => explained,
        Err(error) => return unanswered(error),
    };
    let model = &explained.model.0;
    let ranks = explained.ranks.iter().map(|rank| match &rank.says {
        Says::Speaks {
            course: of,
            because,
            release,
        } => json!({
            "word": rank.word.as_str(),
            "speaks": true,
            "pose": course(of),
            "reason": say::because(model, because),
            "release": say::release(model, release, explained.at),
        }),
        Says::Quiet(quiet) => json!({
            "word": rank.word.as_str(),
            "speaks": false,
            "pose": null,
            "reason": say::quiet(model, quiet),
            "release": null,
        }),
    });
    Json(json!({
        "group": model.group(id).name,
        "at": stamp(explained.at.wall),
        "verdict": verdict(model, &explained.explanation.verdict, explained.at),
        "since": explained.explanation.since.map(|since| stamp(since.wall)),
        "ranks": ranks.collect::<Vec<_>>(),
    }))
    .into_response()
}

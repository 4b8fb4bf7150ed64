//! Requests by hand, as they come over the wire.

use super::decode::Malformed;
use super::stamp;
use leeside_core::ids::{ArrangementId, GroupId, RoomId};
use leeside_core::input::{Ask, Origin, Request, Until};
use leeside_core::model::Model;
use serde::Deserialize;
use serde_json::{Map, Value};

/// Longest name of somebody who asks, in characters.
const LONGEST_NAME: usize = 120;

/// Longest hold that can be asked for, s: 31 days. A hold meant for longer is a timetable.
const LONGEST_HOLD_S: u32 = 31 * 24 * 3_600;

/// What is asked, with names instead of indices.
#[derive(Deserialize)]
#[serde(tag = "ask", rename_all = "snake_case", deny_unknown_fields)]
enum Wire {
    Pose {
        group: String,
        extension_pct: Option<u8>,
        tilt_deg: Option<i16>,
        until: Option<WireUntil>,
        hold_s: Option<u32>,
    },
    Drive {
        drive: String,
        extension_pct: Option<u8>,
        tilt_deg: Option<i16>,
        until: Option<WireUntil>,
        hold_s: Option<u32>,
    },
    Halt {
        group: String,
        until: Option<WireUntil>,
        hold_s: Option<u32>,
    },
    Release {
        group: String,
    },
    Arrange {
        arrangement: String,
    },
    Service {
        group: String,
        on: bool,
        expected_end: Option<String>,
    },
    Bypass {
        sensor: String,
        substitute: Option<String>,
        until: Option<String>,
    },
    Acknowledge {
        key: String,
    },
    FrostCleared {
        group: String,
    },
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum WireUntil {
    Rule,
    NextPhase,
    EndOfDay,
}

/// Reads a request in the form of the wire that comes another way: its `by` and
/// `room` are the caller's to give.
///
/// # Errors
/// [`Malformed`], with what is wrong.
pub fn request_of(model: &Model, payload: Value) -> Result<Request, Malformed> {
    request(model, None, payload)
}

/// Reads a request. `room` is the room whose topic it came by.
pub(super) fn request(
    model: &Model,
    room: Option<RoomId>,
    payload: Value,
) -> Result<Request, Malformed> {
    let Value::Object(mut fields) = payload else {
        return Err(Malformed::new("a request is a JSON object"));
    };
    let by = who(fields.remove("by"))?;
    let from = origin(model, room, &mut fields)?;
    let asked: Wire = serde_json::from_value(Value::Object(fields))
        .map_err(|error| Malformed::new(error.to_string()))?;
    Ok(Request {
        by,
        from,
        ask: ask(model, asked)?,
    })
}

fn who(by: Option<Value>) -> Result<String, Malformed> {
    let Some(Value::String(by)) = by else {
        return Err(Malformed::new("\"by\" must say who asks"));
    };
    let by = by.trim().to_owned();
    if by.is_empty() || by.chars().count() > LONGEST_NAME || by.chars().any(char::is_control) {
        return Err(Malformed::new(format!(
            "\"by\" must be 1 to {LONGEST_NAME} characters, none of them a control character"
        )));
    }
    Ok(by)
}

fn origin(
    model: &Model,
    room: Option<RoomId>,
    fields: &mut Map<String, Value>,
) -> Result<Origin, Malformed> {
    match (room, fields.remove("room")) {
        (Some(room), None) => Ok(Origin::Room(room)),
        (None, None) => Ok(Origin::Centre),
        (None, Some(Value::String(name))) => model
            .room_named(&name)
            .map(Origin::Room)
            .ok_or_else(|| unknown("room", &name)),
        // A room's own topic speaks for that room only, so that access rules of the broker hold.
        (Some(_), Some(_)) => Err(Malformed::new("\"room\" is said by the topic already")),
        (None, Some(_)) => Err(Malformed::new("\"room\" must be a name")),
    }
}

fn ask(model: &Model, asked: Wire) -> Result<Ask, Malformed> {
    Ok(match asked {
        Wire::Pose {
            group,
            extension_pct,
            tilt_deg,
            until,
            hold_s,
        } => {
            pose_parts(extension_pct, tilt_deg)?;
            Ask::Pose {
                group: group_named(model, &group)?,
                extension_pct,
                tilt_deg,
                until: end(until, hold_s)?,
            }
        }
        Wire::Drive {
            drive,
            extension_pct,
            tilt_deg,
            until,
            hold_s,
        } => {
            pose_parts(extension_pct, tilt_deg)?;
            let device = model
                .device_named(&drive)
                .ok_or_else(|| unknown("drive", &drive))?;
            Ask::Device {
                device,
                extension_pct,
                tilt_deg,
                until: end(until, hold_s)?,
            }
        }
        Wire::Halt {
            group,
            until,
            hold_s,
        } => Ask::Halt {
            group: group_named(model, &group)?,
            until: end(until, hold_s)?,
        },
        Wire::Release { group } => Ask::Release {
            group: group_named(model, &group)?,
        },
        Wire::Arrange { arrangement } => {
            let index = model
                .arrangements
                .iter()
                .position(|a| a.name == arrangement);
            Ask::Arrange {
                arrangement: index
                    .map(ArrangementId::of)
                    .ok_or_else(|| unknown("arrangement", &arrangement))?,
            }
        }
        Wire::Service {
            group,
            on,
            expected_end,
        } => Ask::Service {
            group: group_named(model, &group)?,
            on,
            expected_end: moment("expected_end", expected_end)?,
        },
        Wire::Bypass {
            sensor,
            substitute,
            until,
        } => {
            let find = |name: &str| {
                model
                    .sensor_named(name)
                    .ok_or_else(|| unknown("sensor", name))
            };
            Ask::Bypass {
                sensor: find(&sensor)?,
                substitute: substitute.as_deref().map(find).transpose()?,
                until: moment("until", until)?,
            }
        }
        Wire::Acknowledge { key } => Ask::Acknowledge { key },
        Wire::FrostCleared { group } => Ask::FrostCleared {
            group: group_named(model, &group)?,
        },
    })
}

fn pose_parts(extension_pct: Option<u8>, tilt_deg: Option<i16>) -> Result<(), Malformed> {
    if extension_pct.is_none() && tilt_deg.is_none() {
        return Err(Malformed::new(
            "\"extension_pct\" or \"tilt_deg\" must be given",
        ));
    }
    if extension_pct.is_some_and(|pct| pct > 100) {
        return Err(Malformed::new(
            "\"extension_pct\" is 0 (retracted) to 100 (extended)",
        ));
    }
    if tilt_deg.is_some_and(|tilt| !(-90..=90).contains(&tilt)) {
        return Err(Malformed::new("\"tilt_deg\" is -90 to 90"));
    }
    Ok(())
}

fn end(until: Option<WireUntil>, hold_s: Option<u32>) -> Result<Until, Malformed> {
    match (until, hold_s) {
        (None | Some(WireUntil::Rule), None) => Ok(Until::Rule),
        (Some(WireUntil::NextPhase), None) => Ok(Until::NextPhase),
        (Some(WireUntil::EndOfDay), None) => Ok(Until::EndOfDay),
        (None, Some(seconds)) if (1..=LONGEST_HOLD_S).contains(&seconds) => {
            Ok(Until::For(i64::from(seconds) * 1_000))
        }
        (None, Some(_)) => Err(Malformed::new(format!(
            "\"hold_s\" is 1 to {LONGEST_HOLD_S} seconds"
        ))),
        (Some(_), Some(_)) => Err(Malformed::new("either \"until\" or \"hold_s\", not both")),
    }
}

fn moment(key: &str, text: Option<String>) -> Result<Option<leeside_core::time::Wall>, Malformed> {
    text.map(|text| {
        stamp::parse(&text).ok_or_else(|| {
            Malformed::new(format!("{key:?} must be a moment as RFC 3339 writes it"))
        })
    })
    .transpose()
}

fn group_named(model: &Model, name: &str) -> Result<GroupId, Malformed> {
    model
        .group_named(name)
        .ok_or_else(|| unknown("group", name))
}

fn unknown(what: &str, name: &str) -> Malformed {
    Malformed::new(format!("no {what} is called {name:?}"))
}

//! Messages in our own form: JSON objects with the units in their keys. Read
//! here for the service; written here for whoever speaks to it (the simulated
//! plant), so that the two stand side by side.

use super::decode::Malformed;
use super::stamp;
use leeside_core::ids::{DeviceId, SensorId};
use leeside_core::input::{DriveState, Part, Reading, Report, Sample};
use leeside_core::model::SensorKind;
use leeside_core::pose::Pose;
use leeside_core::time::Wall;
use serde_json::{Map, Value, json};

/// A reading: an object, or a bare number where there is only one.
pub(super) fn reading(
    sensor: SensorId,
    kind: SensorKind,
    payload: &Value,
    arrived: Wall,
) -> Result<Reading, Malformed> {
    let wind = kind == SensorKind::Wind;
    if !wind && payload.is_number() {
        return Ok(Reading {
            sensor,
            at: arrived,
            sample: Sample::Value(number(payload, "the reading")?),
        });
    }
    let Value::Object(fields) = payload else {
        return Err(Malformed::new(if wind {
            "expected an object with gust_mps, mean_mps or direction_deg"
        } else {
            "expected a number or an object with value"
        }));
    };
    let at = at(fields)?.unwrap_or(arrived);
    let sample = if wind {
        let (gust, mean) = (part(fields, "gust_mps")?, part(fields, "mean_mps")?);
        let direction = part(fields, "direction_deg")?;
        if gust == Part::Unsaid && mean == Part::Unsaid {
            return Err(Malformed::new("neither gust_mps nor mean_mps is there"));
        }
        Sample::Wind {
            gust,
            mean,
            direction,
        }
    } else {
        let value = fields
            .get("value")
            .ok_or_else(|| Malformed::new("value is missing"))?;
        Sample::Value(number(value, "value")?)
    };
    Ok(Reading { sensor, at, sample })
}

/// A part of a wind reading: missing is unsaid, null is none.
fn part(fields: &Map<String, Value>, key: &str) -> Result<Part, Malformed> {
    match fields.get(key) {
        None => Ok(Part::Unsaid),
        Some(Value::Null) => Ok(Part::Absent),
        Some(value) => number(value, key).map(Part::Value),
    }
}

pub(super) fn number(value: &Value, key: &str) -> Result<f64, Malformed> {
    match value.as_f64() {
        Some(number) if number.is_finite() => Ok(number),
        Some(_) | None => Err(Malformed::new(format!("{key} must be a number"))),
    }
}

fn at(fields: &Map<String, Value>) -> Result<Option<Wall>, Malformed> {
    let Some(value) = fields.get("at") else {
        return Ok(None);
    };
    value
        .as_str()
        .and_then(stamp::parse)
        .map(Some)
        .ok_or_else(|| Malformed::new("at must be a moment as RFC 3339 writes it"))
}

/// A yes or no: bare, or under `key`.
pub(super) fn flag(payload: &Value, key: &str) -> Result<bool, Malformed> {
    let value = match payload {
        Value::Object(fields) => fields.get(key),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) | Value::Array(_) => {
            Some(payload)
        }
    };
    value.and_then(Value::as_bool).ok_or_else(|| {
        Malformed::new(format!(
            "expected true, false or an object in which {key} is true or false"
        ))
    })
}

/// What a drive says of itself.
pub(super) fn report(
    device: DeviceId,
    supply_v: Option<f64>,
    payload: &Value,
) -> Result<Report, Malformed> {
    let Value::Object(fields) = payload else {
        return Err(Malformed::new("expected an object with state"));
    };
    let state = match fields.get("state").and_then(Value::as_str) {
        Some("moving") => DriveState::Moving,
        Some("standing") => DriveState::Standing,
        Some("refused") => DriveState::Refused,
        Some("fault") => DriveState::Fault,
        Some(_) | None => {
            return Err(Malformed::new(
                "state must be moving, standing, refused or fault",
            ));
        }
    };
    let sequence = match fields.get("sequence") {
        None | Some(Value::Null) => None,
        Some(value) => Some(
            value
                .as_u64()
                .ok_or_else(|| Malformed::new("sequence must be the number of a command"))?,
        ),
    };
    let pose = pose(fields.get("extension_pct"), fields.get("tilt_deg"))?;
    let power_w = power(fields.get("power_w"), fields.get("current_a"), supply_v)?;
    Ok(Report {
        device,
        sequence,
        state,
        pose,
        power_w,
    })
}

/// The power that a drive draws, W: as measured, or its current (A) by the supply's
/// voltage (V).
pub(super) fn power(
    power: Option<&Value>,
    current: Option<&Value>,
    supply_v: Option<f64>,
) -> Result<Option<f64>, Malformed> {
    let said = |value: Option<&Value>, what| match value {
        None | Some(Value::Null) => Ok(None),
        Some(value) => number(value, what).map(Some),
    };
    match (said(power, "power_w")?, said(current, "current_a")?) {
        (Some(power), _) => Ok(Some(power)),
        (None, None) => Ok(None),
        (None, Some(current)) => supply_v.map(|volts| Some(current * volts)).ok_or_else(|| {
            Malformed::new(
                "a current needs `supply_v` in the `power` of the device in the site file",
            )
        }),
    }
}

/// A pose of an extension (without which there is none) and a tilt.
pub(super) fn pose(
    extension: Option<&Value>,
    tilt: Option<&Value>,
) -> Result<Option<Pose>, Malformed> {
    let extension = whole(extension, "extension_pct", 0, 100)?;
    let tilt_deg = whole(tilt, "tilt_deg", -90, 90)?;
    let Some(pct) = extension else {
        return match tilt_deg {
            None => Ok(None),
            Some(_) => Err(Malformed::new(
                "tilt_deg without extension_pct says no pose",
            )),
        };
    };
    let extension_pct =
        u8::try_from(pct).map_err(|_| Malformed::new("extension_pct is 0 to 100"))?;
    Ok(Some(Pose {
        extension_pct,
        tilt_deg,
    }))
}

/// A whole number within bounds; drives that measure fractions are rounded.
fn whole(
    value: Option<&Value>,
    key: &str,
    least: i16,
    most: i16,
) -> Result<Option<i16>, Malformed> {
    let Some(value) = value.filter(|value| !value.is_null()) else {
        return Ok(None);
    };
    let rounded = number(value, key)?.round();
    if rounded < f64::from(least) || rounded > f64::from(most) {
        return Err(Malformed::new(format!("{key} is {least} to {most}")));
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "within the bounds of i16, checked just above"
    )]
    let whole = rounded as i16;
    Ok(Some(whole))
}

/// A reading as a sensor would send it.
#[must_use]
pub fn reading_payload(reading: &Reading) -> String {
    let mut fields = Map::new();
    let mut put = |key: &str, part: Part| match part {
        Part::Unsaid => {}
        Part::Absent => {
            fields.insert(key.to_owned(), Value::Null);
        }
        Part::Value(value) => {
            fields.insert(key.to_owned(), json!(value));
        }
    };
    match reading.sample {
        Sample::Value(value) => put("value", Part::Value(value)),
        Sample::Wind {
            gust,
            mean,
            direction,
        } => {
            put("gust_mps", gust);
            put("mean_mps", mean);
            put("direction_deg", direction);
        }
    }
    fields.insert("at".to_owned(), json!(stamp::stamp(reading.at)));
    Value::Object(fields).to_string()
}

/// A report as a drive would send it.
#[must_use]
pub fn report_payload(report: &Report) -> String {
    let state = match report.state {
        DriveState::Moving => "moving",
        DriveState::Standing => "standing",
        DriveState::Refused => "refused",
        DriveState::Fault => "fault",
    };
    let mut fields = Map::new();
    fields.insert("state".to_owned(), json!(state));
    if let Some(sequence) = report.sequence {
        fields.insert("sequence".to_owned(), json!(sequence));
    }
    if let Some(pose) = report.pose {
        fields.insert("extension_pct".to_owned(), json!(pose.extension_pct));
        fields.insert("tilt_deg".to_owned(), json!(pose.tilt_deg));
    }
    if let Some(power) = report.power_w {
        fields.insert("power_w".to_owned(), json!(power));
    }
    Value::Object(fields).to_string()
}

/// What a drive needs of a command, read back from its message.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Orders {
    /// The number of the command.
    pub sequence: u64,
    /// Not to be carried out after this moment.
    pub not_after: Wall,
    /// Name of the drive, where to go (`None`: halt), and how long to wait, ms.
    pub orders: Vec<(String, Option<Pose>, u32)>,
}

/// Reads a command as a plant would.
#[must_use]
pub fn orders(payload: &[u8]) -> Option<Orders> {
    let value: Value = serde_json::from_slice(payload).ok()?;
    let one = |order: &Value| {
        let pose = pose(order.get("extension_pct"), order.get("tilt_deg")).ok()?;
        let delay = u32::try_from(order.get("start_delay_ms")?.as_u64()?).ok()?;
        Some((order.get("drive")?.as_str()?.to_owned(), pose, delay))
    };
    Some(Orders {
        sequence: value.get("sequence")?.as_u64()?,
        not_after: stamp::parse(value.get("not_after")?.as_str()?)?,
        orders: value
            .get("orders")?
            .as_array()?
            .iter()
            .map(one)
            .collect::<Option<_>>()?,
    })
}

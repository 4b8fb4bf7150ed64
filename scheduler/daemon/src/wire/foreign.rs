//! Messages in the forms of foreign sensors and plants: a topic, a place in
//! the message (JSON Pointer, RFC 6901), a factor; and for drives a message
//! with placeholders.

use super::decode::{Malformed, json};
use super::{own, stamp};
use leeside_config::wire::{
    ContactForm, Quantity, ReportForm, ReportPart, SensorPart, TimeForm, TimePart,
};
use leeside_core::ids::{DeviceId, SensorId};
use leeside_core::input::{DriveState, Part, Reading, Report, Sample};
use leeside_core::model::SensorKind;
use leeside_core::time::Wall;
use serde_json::Value;

/// A reading out of the parts of one message.
pub(super) fn reading(
    sensor: SensorId,
    kind: SensorKind,
    parts: &[SensorPart],
    time: Option<&TimePart>,
    payload: &[u8],
    arrived: Wall,
) -> Result<Reading, Malformed> {
    // A message that is a bare number is a JSON document too.
    let document = document(payload)?;
    let at = match time {
        Some(time) => moment(time, &document)?.unwrap_or(arrived),
        None => arrived,
    };
    let mut value = Part::Unsaid;
    let (mut gust, mut mean, mut direction) = (Part::Unsaid, Part::Unsaid, Part::Unsaid);
    for part in parts {
        let found = quantity(part, &document)?;
        match part.quantity {
            Quantity::Value => value = found,
            Quantity::Gust => gust = found,
            Quantity::Mean => mean = found,
            Quantity::Direction => direction = found,
        }
    }
    let sample = if kind == SensorKind::Wind {
        if [gust, mean, direction]
            .iter()
            .all(|part| *part == Part::Unsaid)
        {
            return Err(Malformed::new(
                "nothing is found where gust, mean or direction should stand",
            ));
        }
        Sample::Wind {
            gust,
            mean,
            direction,
        }
    } else {
        let value = value
            .value()
            .ok_or_else(|| Malformed::new("no number is found where the value should stand"))?;
        Sample::Value(value)
    };
    Ok(Reading { sensor, at, sample })
}

/// The whole message as a value: JSON where it is JSON, else its text.
fn document(payload: &[u8]) -> Result<Value, Malformed> {
    if let Ok(value) = json(payload) {
        return Ok(value);
    }
    core::str::from_utf8(payload)
        .map(|text| Value::String(text.trim().to_owned()))
        .map_err(|_| Malformed::new("neither JSON nor text"))
}

fn place<'a>(document: &'a Value, pointer: Option<&str>) -> Option<&'a Value> {
    document.pointer(pointer.unwrap_or_default())
}

fn quantity(part: &SensorPart, document: &Value) -> Result<Part, Malformed> {
    let theirs = match place(document, part.pointer.as_deref()) {
        None => return Ok(Part::Unsaid),
        Some(Value::Null) => return Ok(Part::Absent),
        // Many plants write numbers as text.
        Some(Value::String(text)) => text.trim().parse::<f64>().ok(),
        Some(value) => value.as_f64(),
    };
    let ours = theirs
        .map(|theirs| theirs * part.factor + part.offset)
        .filter(|ours| ours.is_finite());
    ours.map(Part::Value).ok_or_else(|| {
        Malformed::new(format!(
            "no number stands at {:?}",
            part.pointer.as_deref().unwrap_or_default()
        ))
    })
}

/// The moment that a message states; `None` where it states none (a bare number
/// on a topic of its own).
fn moment(time: &TimePart, document: &Value) -> Result<Option<Wall>, Malformed> {
    let Some(value) = place(document, Some(&time.pointer)) else {
        return Ok(None);
    };
    let found = match time.form {
        TimeForm::Rfc3339 => value.as_str().and_then(stamp::parse),
        TimeForm::UnixS => value.as_f64().and_then(|s| millis(s * 1_000.0)),
        TimeForm::UnixMs => value.as_f64().and_then(millis),
    };
    let wrong = || Malformed::new(format!("no moment stands at {:?}", time.pointer));
    found.map(Some).ok_or_else(wrong)
}

/// Milliseconds since 1970, where they mean a year that chrono can hold.
fn millis(ms: f64) -> Option<Wall> {
    // 9999-12-31: beyond it no message means what it says.
    const LAST: f64 = 253_402_300_799_999.0;
    if !(0.0..=LAST).contains(&ms) {
        return None;
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "within the bounds of i64, checked just above"
    )]
    let whole = ms.round() as i64;
    Some(Wall(whole))
}

/// Which of its two states a message tells.
pub(super) fn state(form: &ContactForm, payload: &[u8]) -> Result<bool, Malformed> {
    let whole = document(payload)?;
    let said = match place(&whole, form.pointer.as_deref()) {
        Some(Value::String(text)) => text.clone(),
        Some(value @ (Value::Bool(_) | Value::Number(_))) => value.to_string(),
        Some(Value::Null | Value::Array(_) | Value::Object(_)) | None => String::new(),
    };
    if said == form.active {
        Ok(true)
    } else if said == form.inactive {
        Ok(false)
    } else {
        Err(Malformed::new(format!(
            "expected {:?} or {:?}, not {said:?}",
            form.active, form.inactive
        )))
    }
}

/// The topic of a drive's reports.
pub(super) fn report_topic(form: &ReportForm, device: &str, address: &str) -> String {
    fill(&form.topic, |name, out| {
        out.push_str(match name {
            "device" => device,
            "address" => address,
            _ => return false,
        });
        true
    })
}

/// A number of a report in our units; many plants write numbers as text.
fn ours(value: &Value, part: &ReportPart) -> Option<f64> {
    let theirs = match value {
        Value::String(text) => text.trim().parse::<f64>().ok(),
        Value::Number(number) => number.as_f64(),
        Value::Null | Value::Bool(_) | Value::Array(_) | Value::Object(_) => None,
    }?;
    Some(theirs * part.factor + part.offset)
}

/// What a foreign drive says of itself.
pub(super) fn report(
    device: DeviceId,
    form: &ReportForm,
    supply_v: Option<f64>,
    payload: &[u8],
) -> Result<Report, Malformed> {
    let whole = document(payload)?;
    let number = |part: &Option<ReportPart>| {
        let part = part.as_ref()?;
        let value = place(&whole, Some(&part.pointer))?;
        Some(match ours(value, part) {
            Some(number) => Value::from(number),
            // What is no number is complained about by whoever reads it next.
            None => value.clone(),
        })
    };
    let flag = |pointer: &Option<String>| {
        pointer
            .as_deref()
            .and_then(|pointer| place(&whole, Some(pointer)))
            .and_then(Value::as_bool)
    };
    let pose = own::pose(
        number(&form.extension).as_ref(),
        number(&form.tilt).as_ref(),
    )?;
    let power_w = own::power(
        number(&form.power).as_ref(),
        number(&form.current).as_ref(),
        supply_v,
    )?;
    let state = match (flag(&form.fault), flag(&form.moving)) {
        (Some(true), _) => DriveState::Fault,
        (_, Some(true)) => DriveState::Moving,
        (_, Some(false) | None) => DriveState::Standing,
    };
    if pose.is_none()
        && power_w.is_none()
        && flag(&form.moving).is_none()
        && flag(&form.fault).is_none()
    {
        return Err(Malformed::new(
            "nothing is found where the report's values should stand",
        ));
    }
    Ok(Report {
        device,
        sequence: None,
        state,
        pose,
        power_w,
    })
}

/// A text with its placeholders filled, in one pass: what is filled in is not
/// looked at again, and only what is asked for is worked out. `value` writes what a name
/// stands for, if it is one.
pub(super) fn fill(text: &str, value: impl Fn(&str, &mut String) -> bool) -> String {
    let mut out = String::with_capacity(text.len() + 16);
    let mut rest = text;
    while let Some(open) = rest.find('{') {
        out.push_str(&rest[..open]);
        let after = &rest[open + 1..];
        let close = after.find('}');
        match close.filter(|close| value(&after[..*close], &mut out)) {
            Some(close) => rest = &after[close + 1..],
            // A brace of the message itself.
            None => {
                out.push('{');
                rest = after;
            }
        }
    }
    out.push_str(rest);
    out
}

//! The audit for programs; `deploy/schemas/audit.schema.json` describes it.

use super::text::calm_words;
use super::{Audit, Longest, Storm};
use crate::report::Head;
use crate::weather::moment;
use leeside_core::ids::DeviceId;
use leeside_core::model::Model;
use serde_json::{Value, json as object};

/// Version of the JSON form.
const FORMAT_VERSION: u32 = 1;

/// The audit as JSON, with `format_version`: every device in every storm.
#[must_use]
pub fn json(model: &Model, head: &Head, audit: &Audit) -> String {
    let devices = (0..model.devices.len()).map(DeviceId::of).map(|device| {
        let sound = audit.longest(device, 0);
        object!({
            "device": model.device(device).name,
            "exposed_s": seconds(audit.exposed_ms(device, 0)),
            "held_frozen_s": seconds(audit.held_ms(device, 0)),
            "longest": sound.map(|longest| longest_value(model, audit, &longest)),
            "longest_with_faults": audit.longest_of_all(device).map(|longest| longest_value(model, audit, &longest)),
        })
    });
    let scenarios = audit.shown.iter().enumerate().map(|(index, shown)| {
        // Every storm in full for the sound building; of the others what they made worse.
        let storms = shown.storms.iter().filter(|storm| {
            let out = |storm: &Storm| storm.devices.iter().any(|s| s.exposed_ms + s.held_ms > 0);
            index == 0 || out(storm)
        });
        object!({
            "scenario": shown.scenario.to_string(),
            "storms": storms.map(|storm| storm_value(model, storm)).collect::<Vec<Value>>(),
        })
    });
    let value = object!({
        "format_version": FORMAT_VERSION,
        "head": head,
        "allowed_s": seconds(audit.allowed_ms),
        "findings": audit.has_findings(),
        "assumed": audit.assumed,
        "devices": devices.collect::<Vec<Value>>(),
        "scenarios": scenarios.collect::<Vec<Value>>(),
    });
    format!("{value:#}\n")
}

fn longest_value(model: &Model, audit: &Audit, longest: &Longest) -> Value {
    let shown = &audit.shown[longest.scenario];
    let storm = &shown.storms[longest.storm];
    object!({
        "scenario": shown.scenario.to_string(),
        "hazard": storm.hazard.as_str(),
        "group": model.group(storm.group).name,
        "storm_start_utc": moment(storm.start),
        "exposed_s": seconds(longest.stay.exposed_ms),
        "worst": longest.stay.worst,
    })
}

fn storm_value(model: &Model, storm: &Storm) -> Value {
    let devices = storm.devices.iter().map(|stay| {
        object!({
            "device": model.device(stay.device).name,
            "was_in_refuge": stay.was_in,
            "commanded_utc": stay.commanded.map(moment),
            "in_refuge_utc": stay.in_refuge.map(moment),
            "exposed_s": seconds(stay.exposed_ms),
            "worst": stay.worst,
            "held_frozen_s": seconds(stay.held_ms),
            "held_frozen_worst": stay.held_worst,
        })
    });
    object!({
        "group": model.group(storm.group).name,
        "hazard": storm.hazard.as_str(),
        "first_exceeded_utc": moment(storm.start),
        "worst": storm.worst,
        "engaged_utc": storm.engaged.map(moment),
        "calm_lasted_utc": moment(storm.end),
        "released_utc": storm.released.map(moment),
        "released_because": storm.released.map(|_| calm_words(model, storm)),
        "devices": devices.collect::<Vec<Value>>(),
    })
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a century is 3e12 ms, far below 2^53"
)]
pub(crate) fn seconds(ms: i64) -> f64 {
    ms as f64 / 1_000.0
}

//! The audit for people and for programs.

use super::hazard::HAZARDS;
use super::{Audit, Longest, Shown, Stay, Storm};
use crate::report::Head;
use crate::weather::{duration, moment};
use leeside_core::ids::DeviceId;
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::say;
use leeside_core::time::Wall;
use serde_json::{Value, json as object};
use std::collections::BTreeSet;
use std::fmt::{self, Write as _};

/// Version of the JSON form.
const FORMAT_VERSION: u32 = 1;
/// Storms listed in the text.
const LISTED: usize = 20;

/// The audit as JSON, with `format_version`: every device in every storm.
#[must_use]
pub fn json(model: &Model, head: &Head, audit: &Audit) -> String {
    let devices = (0..model.devices.len()).map(DeviceId::of).map(|device| {
        let sound = audit.longest(device, 0);
        object!({
            "device": model.device(device).name,
            "exposed_s": seconds(audit.exposed_ms(device, 0)),
            "longest": sound.map(|longest| longest_value(model, audit, &longest)),
            "longest_with_faults": audit.longest_of_all(device).map(|longest| longest_value(model, audit, &longest)),
        })
    });
    let scenarios = audit.shown.iter().enumerate().map(|(index, shown)| {
        // Every storm in full for the sound building; of the others what they made worse.
        let storms = shown
            .storms
            .iter()
            .filter(|storm| index == 0 || storm.devices.iter().any(|s| s.exposed_ms > 0));
        object!({
            "scenario": shown.scenario,
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
        "scenario": shown.scenario,
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

/// What had to last for the release.
fn calm_words(model: &Model, storm: &Storm) -> String {
    let group = model.group(storm.group);
    match storm.hazard {
        Word::Wind => group.wind.as_ref().map_or_else(String::new, |rule| {
            let calm = rule.limit_mps - rule.hysteresis_mps;
            format!(
                "gust and mean stayed below {calm:.1} m/s for {}",
                duration(rule.hold_ms)
            )
        }),
        Word::Rain => group.rain.as_ref().map_or_else(String::new, |rule| {
            format!("dry for {}", duration(rule.hold_ms))
        }),
        Word::Ice => group.ice.as_ref().map_or_else(String::new, |rule| {
            format!(
                "above {:.1} °C for {}",
                rule.above_c,
                duration(rule.hold_ms)
            )
        }),
        Word::Service
        | Word::Fire
        | Word::Hail
        | Word::Door
        | Word::Drive
        | Word::Hand
        | Word::Sun
        | Word::Timetable
        | Word::Rest => String::new(),
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a century is 3e12 ms, far below 2^53"
)]
fn seconds(ms: i64) -> f64 {
    ms as f64 / 1_000.0
}

/// The audit for people: the verdict, each device, the storms that exposed most.
#[must_use]
pub fn text(model: &Model, head: &Head, audit: &Audit) -> String {
    let mut out = String::new();
    // Writing to a String does not fail.
    let _ = write_all(&mut out, model, head, audit);
    out
}

fn write_all(out: &mut String, model: &Model, head: &Head, audit: &Audit) -> fmt::Result {
    head.write_text(out, "Storm audit", &audit.assumed)?;
    verdict(out, model, audit)?;
    let sound = &audit.shown[0];
    groups(out, model, sound)?;
    devices(out, model, audit)?;
    storms(out, model, sound)
}

fn verdict(out: &mut String, model: &Model, audit: &Audit) -> fmt::Result {
    let (allowed, of) = (say::span(audit.allowed_ms), model.devices.len());
    let none = if audit.has_findings() { "" } else { ": none" };
    writeln!(
        out,
        "\nVerdict: devices, of {of}, exposed longer than the {allowed} that the site allows{none}"
    )?;
    let width = width(
        audit.shown.iter().map(|shown| shown.scenario.as_str()),
        "scenario",
    );
    writeln!(
        out,
        "  {:<width$} {:>6} {:>6} {:>6}  longest in wind",
        "scenario", "wind", "ice", "rain"
    )?;
    for shown in &audit.shown {
        let [wind, ice, rain] =
            HAZARDS.map(|hazard| dash(over_allowed(shown, hazard, audit.allowed_ms)));
        let stays = shown
            .storms
            .iter()
            .filter(|storm| storm.hazard == Word::Wind)
            .flat_map(|storm| &storm.devices);
        let longest = stays.max_by_key(|stay| (stay.exposed_ms, std::cmp::Reverse(stay.device)));
        let longest = longest.filter(|stay| stay.exposed_ms > 0).map_or_else(
            || "·".to_owned(),
            |stay| {
                format!(
                    "{} {}",
                    clock(stay.exposed_ms),
                    model.device(stay.device).name
                )
            },
        );
        writeln!(
            out,
            "  {:<width$} {wind:>6} {ice:>6} {rain:>6}  {longest}",
            shown.scenario
        )?;
    }
    Ok(())
}

/// Devices that one hazard exposed longer than allowed in any storm.
fn over_allowed(shown: &Shown, hazard: Word, allowed_ms: i64) -> usize {
    let storms = shown.storms.iter().filter(|storm| storm.hazard == hazard);
    let stays = storms
        .flat_map(|storm| &storm.devices)
        .filter(|stay| stay.exposed_ms > allowed_ms);
    stays
        .map(|stay| stay.device)
        .collect::<BTreeSet<DeviceId>>()
        .len()
}

/// Nothing is easier to overlook than a nought.
fn dash(count: usize) -> String {
    if count == 0 {
        "·".to_owned()
    } else {
        count.to_string()
    }
}

/// Hours, minutes and seconds, the seconds rounded up: `1:02:03`, `0:57`.
fn clock(ms: i64) -> String {
    let seconds = (ms + 999) / 1_000;
    let (h, m, s) = (seconds / 3_600, seconds % 3_600 / 60, seconds % 60);
    if h > 0 {
        format!("{h}:{m:02}:{s:02}")
    } else {
        format!("{m}:{s:02}")
    }
}

fn groups(out: &mut String, model: &Model, sound: &Shown) -> fmt::Result {
    let width = width(
        model.groups.iter().map(|group| group.name.as_str()),
        "group",
    );
    writeln!(
        out,
        "\n{:<width$} {:>6} {:>6} {:>6} {:>14}",
        "storms", "wind", "ice", "rain", "worst wind"
    )?;
    for (index, group) in model.groups.iter().enumerate() {
        let mine = || {
            sound
                .storms
                .iter()
                .filter(|storm| storm.group.index() == index)
        };
        let count = |hazard| mine().filter(|storm| storm.hazard == hazard).count();
        let worst = mine()
            .filter(|storm| storm.hazard == Word::Wind)
            .map(|storm| storm.worst)
            .reduce(f64::max);
        let worst = worst.map_or_else(|| "·".to_owned(), |worst| format!("{worst:.1} m/s"));
        let [wind, ice, rain] = HAZARDS.map(|hazard| dash(count(hazard)));
        writeln!(
            out,
            "{:<width$} {wind:>6} {ice:>6} {rain:>6} {worst:>14}",
            group.name
        )?;
    }
    Ok(())
}

fn devices(out: &mut String, model: &Model, audit: &Audit) -> fmt::Result {
    let width = width(
        model.devices.iter().map(|device| device.name.as_str()),
        "device",
    );
    writeln!(
        out,
        "\n{:<width$} {:>10} {:>10}  longest exposure",
        "device", "exposed", "longest"
    )?;
    for device in (0..model.devices.len()).map(DeviceId::of) {
        let name = &model.device(device).name;
        let Some(longest) = audit.longest(device, 0) else {
            write!(out, "{name:<width$} {:>10} {:>10}", "·", "·")?;
            worst_fault(out, model, audit, device)?;
            continue;
        };
        let (all, long) = (
            clock(audit.exposed_ms(device, 0)),
            clock(longest.stay.exposed_ms),
        );
        write!(
            out,
            "{name:<width$} {all:>10} {long:>10}  {}",
            longest_words(model, audit, &longest)
        )?;
        worst_fault(out, model, audit, device)?;
    }
    Ok(())
}

fn longest_words(model: &Model, audit: &Audit, longest: &Longest) -> String {
    let storm = &audit.shown[longest.scenario].storms[longest.storm];
    let worst = longest.stay.worst.map_or_else(String::new, |worst| {
        format!(", {}", level(storm.hazard, worst))
    });
    format!(
        "{} from {}{worst}",
        storm.hazard.as_str(),
        say::local(model, storm.start)
    )
}

/// Ends a device's line with the worst that a fault did to it, if that was worse.
fn worst_fault(out: &mut String, model: &Model, audit: &Audit, device: DeviceId) -> fmt::Result {
    match audit
        .longest_of_all(device)
        .filter(|longest| longest.scenario > 0)
    {
        Some(worst) => {
            let scenario = &audit.shown[worst.scenario].scenario;
            let long = clock(worst.stay.exposed_ms);
            writeln!(
                out,
                "; with {scenario}: {long}, {}",
                longest_words(model, audit, &worst)
            )
        }
        None => writeln!(out),
    }
}

/// How bad it was. Frost is worse the lower it goes.
fn level(hazard: Word, level: f64) -> String {
    match hazard {
        Word::Wind => format!("up to {level:.1} m/s"),
        Word::Ice => format!("down to {level:.1} °C"),
        Word::Rain => format!("up to {level:.1} mm/h"),
        Word::Service
        | Word::Fire
        | Word::Hail
        | Word::Door
        | Word::Drive
        | Word::Hand
        | Word::Sun
        | Word::Timetable
        | Word::Rest => format!("{level:.1}"),
    }
}

fn storms(out: &mut String, model: &Model, sound: &Shown) -> fmt::Result {
    let slowest = |storm: &Storm| {
        storm
            .devices
            .iter()
            .map(|stay| stay.exposed_ms)
            .max()
            .unwrap_or(0)
    };
    let mut by_exposure: Vec<&Storm> = sound
        .storms
        .iter()
        .filter(|storm| slowest(storm) > 0)
        .collect();
    by_exposure.sort_by_key(|storm| (-slowest(storm), storm.start, storm.group));
    if by_exposure.is_empty() {
        return writeln!(out, "\nNo storm found a device out of its refuge.");
    }
    let of = by_exposure.len();
    writeln!(
        out,
        "\nStorms that exposed a device: {of}; those that did so longest (all of them: --format json)"
    )?;
    for storm in by_exposure.iter().take(LISTED) {
        one_storm(out, model, storm)?;
    }
    Ok(())
}

fn one_storm(out: &mut String, model: &Model, storm: &Storm) -> fmt::Result {
    let after = |at: Option<Wall>, never: &str| match at.map(|at| at.0 - storm.start.0) {
        None => never.to_owned(),
        Some(ms) if ms <= 0 => "at once".to_owned(),
        Some(ms) => format!("after {}", clock(ms)),
    };
    let group = &model.group(storm.group).name;
    let (start, worst) = (
        say::local(model, storm.start),
        level(storm.hazard, storm.worst),
    );
    writeln!(
        out,
        "  {start}  {group}: {}, {worst}",
        storm.hazard.as_str()
    )?;
    let longest: Option<&Stay> = storm
        .devices
        .iter()
        .max_by_key(|stay| (stay.exposed_ms, std::cmp::Reverse(stay.device)));
    if let Some(stay) = longest {
        let engaged = match storm.engaged {
            Some(at) if at < storm.start => "engaged before".to_owned(),
            at => format!("engaged {}", after(at, "never")),
        };
        writeln!(
            out,
            "    {engaged}; {} last: commanded {}, in refuge {}, exposed {}",
            model.device(stay.device).name,
            after(stay.commanded, "never"),
            after(stay.in_refuge, "never"),
            clock(stay.exposed_ms)
        )?;
    }
    let released = storm.released.map_or_else(
        || "not released before the span ended".to_owned(),
        |at| {
            format!(
                "released {}: {}",
                say::local(model, at),
                calm_words(model, storm)
            )
        },
    );
    writeln!(out, "    {released}")
}

fn width<'a>(names: impl Iterator<Item = &'a str>, head: &str) -> usize {
    names
        .map(|name| name.chars().count())
        .max()
        .unwrap_or(0)
        .max(head.len())
}

//! The audit for people: the verdict, each device, the storms that exposed most,
//! what was held frozen.

use super::hazard::HAZARDS;
use super::{Audit, Longest, Shown, Stay, Storm};
use crate::report::Head;
use crate::told::wrapped;
use crate::weather::duration;
use leeside_core::ids::DeviceId;
use leeside_core::model::{FrozenWind, Model};
use leeside_core::output::Word;
use leeside_core::say;
use leeside_core::time::Wall;
use std::collections::BTreeSet;
use std::fmt::{self, Write as _};

/// Storms listed.
const LISTED: usize = 20;
/// Lines are wrapped at this width.
const WIDTH: usize = 100;

/// The audit for people.
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
    if audit.shown.len() > 1 {
        worst_cases(out, model, audit)?;
    }
    storms(out, model, sound)?;
    frozen_storms(out, model, sound)
}

fn verdict(out: &mut String, model: &Model, audit: &Audit) -> fmt::Result {
    let (allowed, of) = (say::span(audit.allowed_ms), model.devices.len());
    let sound = over_allowed(&audit.shown[0], &HAZARDS, audit.allowed_ms);
    writeln!(
        out,
        "\nVerdict: {sound} of {of} devices exposed longer than the {allowed} that the site allows"
    )?;
    if audit.shown.len() > 1 {
        let any: BTreeSet<DeviceId> = audit
            .shown
            .iter()
            .flat_map(|shown| over(shown, &HAZARDS, audit.allowed_ms))
            .collect();
        writeln!(out, "         {} of {of} with something failing", any.len())?;
    }
    let width = width(
        audit.shown.iter().map(|shown| shown.scenario.to_string()),
        "devices by scenario",
    );
    write!(out, "  {:<width$}", "devices by scenario")?;
    for hazard in HAZARDS {
        write!(out, " {:>6}", hazard.as_str())?;
    }
    writeln!(out, " {:>12}  longest exposure", "held frozen")?;
    for shown in &audit.shown {
        write!(out, "  {:<width$}", shown.scenario.to_string())?;
        for hazard in HAZARDS {
            let count = over_allowed(shown, &[hazard], audit.allowed_ms);
            write!(out, " {:>6}", dash(count))?;
        }
        let held: BTreeSet<DeviceId> = stays(shown)
            .filter(|(_, stay)| stay.held_ms > 0)
            .map(|(_, stay)| stay.device)
            .collect();
        let longest =
            stays(shown).max_by_key(|(_, stay)| (stay.exposed_ms, std::cmp::Reverse(stay.device)));
        let longest = longest.filter(|(_, stay)| stay.exposed_ms > 0).map_or_else(
            || "·".to_owned(),
            |(storm, stay)| {
                format!(
                    "{} {}, {}",
                    clock(stay.exposed_ms),
                    model.device(stay.device).name,
                    storm.hazard.as_str()
                )
            },
        );
        writeln!(out, " {:>12}  {longest}", dash(held.len()))?;
    }
    if audit
        .shown
        .iter()
        .any(|shown| stays(shown).any(|(_, stay)| stay.held_ms > 0))
    {
        held_words(out, model);
    }
    Ok(())
}

/// What it means that a device was held frozen.
fn held_words(out: &mut String, model: &Model) {
    let wind = match model.policy.frozen_wind {
        FrozenWind::Hold => "not even in wind",
        FrozenWind::Refuge => "except in wind",
    };
    let told = format!(
        "held frozen: at or below 0 °C a wet device may be frozen in its guides, and is not moved, {wind} \
         (policy.frozen_device_in_wind, decided by {}). Where it froze before it could be sent away, its time out of its \
         refuge is as the site allows, and counted apart. Have somebody look at it before it moves",
        model.policy.frozen_wind_decided
    );
    out.push('\n');
    wrapped(out, "  - ", &told, WIDTH);
}

fn stays(shown: &Shown) -> impl Iterator<Item = (&Storm, &Stay)> {
    let storms = shown.storms.iter();
    storms.flat_map(|storm| storm.devices.iter().map(move |stay| (storm, stay)))
}

/// Devices that one of the hazards exposed longer than allowed in any storm.
fn over<'a>(
    shown: &'a Shown,
    hazards: &'a [Word],
    allowed_ms: i64,
) -> impl Iterator<Item = DeviceId> + 'a {
    stays(shown)
        .filter(move |(storm, stay)| {
            hazards.contains(&storm.hazard) && stay.exposed_ms > allowed_ms
        })
        .map(|(_, stay)| stay.device)
}

fn over_allowed(shown: &Shown, hazards: &[Word], allowed_ms: i64) -> usize {
    over(shown, hazards, allowed_ms)
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

fn clock_or_dash(ms: i64) -> String {
    if ms > 0 { clock(ms) } else { "·".to_owned() }
}

fn groups(out: &mut String, model: &Model, sound: &Shown) -> fmt::Result {
    let width = width(
        model.groups.iter().map(|group| group.name.as_str()),
        "storms by group",
    );
    write!(out, "\n{:<width$}", "storms by group")?;
    for hazard in HAZARDS {
        write!(out, " {:>6}", hazard.as_str())?;
    }
    writeln!(out, " {:>14}", "worst wind")?;
    for (index, group) in model.groups.iter().enumerate() {
        let mine = || {
            sound
                .storms
                .iter()
                .filter(|storm| storm.group.index() == index)
        };
        write!(out, "{:<width$}", group.name)?;
        for hazard in HAZARDS {
            let count = mine().filter(|storm| storm.hazard == hazard).count();
            write!(out, " {:>6}", dash(count))?;
        }
        let worst = mine()
            .filter(|storm| storm.hazard == Word::Wind)
            .map(|storm| storm.worst)
            .reduce(f64::max);
        let worst = worst.map_or_else(|| "·".to_owned(), |worst| format!("{worst:.1} m/s"));
        writeln!(out, " {worst:>14}")?;
    }
    Ok(())
}

fn device_width(model: &Model) -> usize {
    width(
        model.devices.iter().map(|device| device.name.as_str()),
        "device",
    )
}

/// Each device while nothing fails.
fn devices(out: &mut String, model: &Model, audit: &Audit) -> fmt::Result {
    let width = device_width(model);
    writeln!(
        out,
        "\n{:<width$} {:>10} {:>12} {:>9}  longest exposure, nothing failing",
        "device", "exposed", "held frozen", "longest"
    )?;
    for device in (0..model.devices.len()).map(DeviceId::of) {
        let name = &model.device(device).name;
        let (all, held) = (
            clock_or_dash(audit.exposed_ms(device, 0)),
            clock_or_dash(audit.held_ms(device, 0)),
        );
        match audit.longest(device, 0) {
            None => writeln!(out, "{name:<width$} {all:>10} {held:>12} {:>9}", "·")?,
            Some(longest) => writeln!(
                out,
                "{name:<width$} {all:>10} {held:>12} {:>9}  {}",
                clock(longest.stay.exposed_ms),
                longest_words(model, audit, &longest)
            )?,
        }
    }
    Ok(())
}

/// Each device with what did worst to it.
fn worst_cases(out: &mut String, model: &Model, audit: &Audit) -> fmt::Result {
    let (width, scenarios) = (
        device_width(model),
        self::width(
            audit.shown.iter().map(|shown| shown.scenario.to_string()),
            "worst with",
        ),
    );
    writeln!(
        out,
        "\n{:<width$} {:>9} {:>8}  {:<scenarios$}  longest exposure of all scenarios",
        "device", "longest", "", "worst with"
    )?;
    for device in (0..model.devices.len()).map(DeviceId::of) {
        let name = &model.device(device).name;
        let Some(worst) = audit.longest_of_all(device) else {
            writeln!(out, "{name:<width$} {:>9}", "·")?;
            continue;
        };
        let beyond = if worst.stay.exposed_ms > audit.allowed_ms {
            "too long"
        } else {
            ""
        };
        writeln!(
            out,
            "{name:<width$} {:>9} {beyond:>8}  {:<scenarios$}  {}",
            clock(worst.stay.exposed_ms),
            audit.shown[worst.scenario].scenario.to_string(),
            longest_words(model, audit, &worst)
        )?;
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

/// How bad it was. Frost is worse the lower it goes.
fn level(hazard: Word, level: f64) -> String {
    match hazard {
        Word::Wind => format!("up to {level:.1} m/s"),
        Word::Ice => format!("down to {level:.1} °C"),
        Word::Rain => format!("up to {level:.1} mm/h"),
        Word::Hail => format!("up to level {level}"),
        Word::Service
        | Word::Fire
        | Word::Door
        | Word::Drive
        | Word::Hand
        | Word::Sun
        | Word::Timetable
        | Word::Rest => format!("{level:.1}"),
    }
}

/// What had to last for the release.
pub(super) fn calm_words(model: &Model, storm: &Storm) -> String {
    let group = model.group(storm.group);
    match storm.hazard {
        Word::Wind => group.wind.as_ref().map_or_else(String::new, |rule| {
            let calm = rule.limit_mps - rule.hysteresis_mps;
            format!(
                "gust and mean stayed below {calm:.1} m/s for {}",
                duration(rule.hold_ms)
            )
        }),
        Word::Hail => group.hail.as_ref().map_or_else(String::new, |rule| {
            format!("free of hail for {}", duration(rule.hold_ms))
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
        | Word::Door
        | Word::Drive
        | Word::Hand
        | Word::Sun
        | Word::Timetable
        | Word::Rest => String::new(),
    }
}

/// The storms of the sound building in which something was longest, longest first.
fn longest_first(sound: &Shown, of: fn(&Stay) -> i64) -> Vec<(&Storm, &Stay)> {
    let longest = |storm: &Storm| {
        let stays = storm.devices.iter().enumerate();
        let best = stays.max_by_key(|(_, stay)| (of(stay), std::cmp::Reverse(stay.device)));
        best.map(|(index, _)| index)
    };
    let mut found: Vec<(&Storm, &Stay)> = sound
        .storms
        .iter()
        .filter_map(|storm| Some((storm, &storm.devices[longest(storm)?])))
        .filter(|(_, stay)| of(stay) > 0)
        .collect();
    found.sort_by_key(|(storm, stay)| (-of(stay), storm.start, storm.group));
    found
}

fn storms(out: &mut String, model: &Model, sound: &Shown) -> fmt::Result {
    let found = longest_first(sound, |stay| stay.exposed_ms);
    if found.is_empty() {
        return writeln!(out, "\nNo storm found a device out of its refuge.");
    }
    writeln!(
        out,
        "\nStorms that exposed a device: {}; those that did so longest (all of them: --format json)",
        found.len()
    )?;
    for (storm, stay) in found.iter().take(LISTED) {
        one_storm(out, model, storm, stay)?;
    }
    Ok(())
}

fn storm_line(out: &mut String, model: &Model, storm: &Storm) -> fmt::Result {
    let group = &model.group(storm.group).name;
    let (start, worst) = (
        say::local(model, storm.start),
        level(storm.hazard, storm.worst),
    );
    writeln!(
        out,
        "  {start}  {group}: {}, {worst}",
        storm.hazard.as_str()
    )
}

fn one_storm(out: &mut String, model: &Model, storm: &Storm, last: &Stay) -> fmt::Result {
    let after = |at: Option<Wall>, never: &str| match at.map(|at| at.0 - storm.start.0) {
        None => never.to_owned(),
        Some(ms) if ms <= 0 => "at once".to_owned(),
        Some(ms) => format!("after {}", clock(ms)),
    };
    storm_line(out, model, storm)?;
    let engaged = match storm.engaged {
        Some(at) if at < storm.start => "engaged before".to_owned(),
        at => format!("engaged {}", after(at, "never")),
    };
    writeln!(
        out,
        "    {engaged}; {} last: commanded {}, in refuge {}, exposed {}",
        model.device(last.device).name,
        after(last.commanded, "never"),
        after(last.in_refuge, "never"),
        clock(last.exposed_ms)
    )?;
    writeln!(out, "    {}", released(model, storm))
}

fn released(model: &Model, storm: &Storm) -> String {
    storm.released.map_or_else(
        || "not released before the span ended".to_owned(),
        |at| {
            format!(
                "released {}: {}",
                say::local(model, at),
                calm_words(model, storm)
            )
        },
    )
}

/// Storms in which devices were held frozen.
fn frozen_storms(out: &mut String, model: &Model, sound: &Shown) -> fmt::Result {
    let found = longest_first(sound, |stay| stay.held_ms);
    if found.is_empty() {
        return Ok(());
    }
    writeln!(
        out,
        "\nStorms in which a device was held frozen: {}; the longest",
        found.len()
    )?;
    for (storm, stay) in found.iter().take(LISTED) {
        storm_line(out, model, storm)?;
        let held = storm.devices.iter().filter(|stay| stay.held_ms > 0);
        let worst = stay.held_worst.map_or_else(String::new, |worst| {
            format!(", {}", level(storm.hazard, worst))
        });
        writeln!(
            out,
            "    {} devices held out of their refuge, {} longest: {} of it{worst}",
            held.count(),
            model.device(stay.device).name,
            clock(stay.held_ms)
        )?;
        writeln!(out, "    {}", released(model, storm))?;
    }
    Ok(())
}

fn width<N: AsRef<str>>(names: impl Iterator<Item = N>, head: &str) -> usize {
    names
        .map(|name| name.as_ref().chars().count())
        .max()
        .unwrap_or(0)
        .max(head.len())
}

//! `leeside check`: every problem of a site file in one pass.

use crate::exit;
use anyhow::Context;
use chrono::{Datelike, Utc};
use clap::{Args, ValueEnum};
use leeside_config::{DefaultInForce, Diagnostic, LoadOptions, Outcome, Severity, Site, site};
use leeside_core::model::Model;
use leeside_core::safe::{longest_time_to_safe, times_to_safe};
use serde_json::{Value, json};
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// What `leeside check` was asked.
#[derive(Debug, Args)]
pub(crate) struct CheckArgs {
    /// The site file.
    site: PathBuf,
    /// Warnings count as findings (exit code 3).
    #[arg(long)]
    strict: bool,
    /// Also lists every default in force, and each group's time to safe.
    #[arg(long)]
    explain: bool,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Looks at the days from the year before this one to three years after it
    /// (default: this year).
    #[arg(long, value_name = "YEAR")]
    year: Option<i32>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Text,
    Json,
}

/// Version of the JSON form; it changes when a reader could be misled.
const JSON_VERSION: u32 = 1;

/// Reads the site file and prints what is wrong with it.
///
/// Exit codes: 0 sound, 2 broken, 3 warnings under `--strict`.
pub(crate) fn run(args: CheckArgs) -> anyhow::Result<ExitCode> {
    let CheckArgs {
        site: path,
        strict,
        explain,
        format,
        year,
    } = args;
    let year = year.unwrap_or_else(|| Utc::now().year());
    let outcome = site::load(&path, &LoadOptions::around(year));
    let mut out = std::io::stdout().lock();
    let printed = match format {
        Format::Text => text(&mut out, &outcome, explain),
        Format::Json => json_form(&mut out, &outcome, explain),
    };
    match printed {
        // Whoever reads has seen enough: what was found is still told by the exit code.
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => {}
        printed => printed.context("the result could not be printed")?,
    }
    let warned = !outcome.diagnostics.is_empty();
    Ok(match outcome.site {
        None => ExitCode::from(exit::BROKEN),
        Some(_) if strict && warned => ExitCode::from(exit::FINDINGS),
        Some(_) => ExitCode::SUCCESS,
    })
}

fn text(out: &mut impl Write, outcome: &Outcome, explain: bool) -> std::io::Result<()> {
    let colour = std::io::stdout().is_terminal();
    let main = outcome.diagnostics.first().map(|d| d.file.clone());
    for diagnostic in &outcome.diagnostics {
        // Only the site file's own text is at hand; calendars are told by their line.
        let source = if Some(&diagnostic.file) == main.as_ref() {
            &outcome.text
        } else {
            ""
        };
        writeln!(out, "{}\n", diagnostic.render(source, colour))?;
    }
    if explain {
        explained(out, outcome)?;
    }
    let count = |severity| {
        outcome
            .diagnostics
            .iter()
            .filter(|d| d.severity == severity)
            .count()
    };
    let (errors, warnings) = (count(Severity::Error), count(Severity::Warning));
    match &outcome.site {
        Some(site) => writeln!(out, "{}; {}", summary(site), plural(warnings, "warning")),
        None => writeln!(
            out,
            "{}, {}: this site file must not be run",
            plural(errors, "error"),
            plural(warnings, "warning")
        ),
    }
}

fn plural(count: usize, word: &str) -> String {
    match count {
        0 => format!("no {word}s"),
        1 => format!("1 {word}"),
        n => format!("{n} {word}s"),
    }
}

fn summary(site: &Site) -> String {
    let Model {
        site: place,
        facades,
        groups,
        devices,
        sensors,
        ..
    } = &*site.model;
    let safe = longest_time_to_safe(&site.model).map_or_else(
        || "no wind guard".to_owned(),
        |worst| {
            format!(
                "time to safe at worst {} s ({})",
                seconds(worst.total_ms()),
                site.model.group(worst.group).name
            )
        },
    );
    format!(
        "{}: {}, {}, {}, {}; {safe}",
        place.name,
        plural(facades.len(), "facade"),
        plural(groups.len(), "group"),
        plural(devices.len(), "device"),
        plural(sensors.len(), "sensor"),
    )
}

/// Milliseconds as seconds with one decimal where there is one.
fn seconds(ms: i64) -> String {
    let (whole, tenths) = (ms / 1000, ms % 1000 / 100);
    if tenths == 0 {
        whole.to_string()
    } else {
        format!("{whole}.{tenths}")
    }
}

fn explained(out: &mut impl Write, outcome: &Outcome) -> std::io::Result<()> {
    writeln!(out, "Defaults in force, because the file leaves them out:")?;
    for DefaultInForce {
        of,
        key,
        value,
        meaning,
    } in &outcome.defaults
    {
        writeln!(out, "  {of}: {key} = {value}. {meaning}")?;
    }
    let Some(site) = &outcome.site else {
        return Ok(());
    };
    writeln!(out, "Time to safe in wind (detection + start + travel):")?;
    for (group, time) in site.model.groups.iter().zip(times_to_safe(&site.model)) {
        match time {
            Some(safe) => writeln!(
                out,
                "  {}: {} s = {} + {} + {} (slowest: {})",
                group.name,
                seconds(safe.total_ms()),
                seconds(safe.detection_ms),
                seconds(safe.start_ms),
                seconds(safe.travel_ms),
                site.model.device(safe.slowest).name,
            )?,
            None => writeln!(out, "  {}: no wind guard", group.name)?,
        }
    }
    writeln!(out, "Files read (SHA-256):")?;
    for file in &site.files {
        writeln!(out, "  {} {}", file.sha256, file.name)?;
    }
    writeln!(out, "Fingerprint: {}", site.fingerprint)
}

fn json_form(out: &mut impl Write, outcome: &Outcome, explain: bool) -> std::io::Result<()> {
    let problem = |d: &Diagnostic| {
        json!({
            "file": d.file, "line": d.line, "column": d.column,
            "severity": d.severity.as_str(), "message": d.message, "hint": d.hint,
        })
    };
    let mut all = json!({
        "format_version": JSON_VERSION,
        "sound": outcome.site.is_some(),
        "diagnostics": outcome.diagnostics.iter().map(problem).collect::<Vec<_>>(),
    });
    let mut add = |key: &str, value: Value| {
        if let Value::Object(map) = &mut all {
            map.insert(key.to_owned(), value);
        }
    };
    if explain {
        add("defaults", json!(outcome.defaults));
    }
    if let Some(site) = &outcome.site {
        add("site", site_json(site));
    }
    writeln!(out, "{all:#}")
}

fn site_json(site: &Site) -> Value {
    let model = &site.model;
    let groups = model.groups.iter().zip(times_to_safe(model));
    let safe = groups.map(|(group, time)| {
        json!({
            "group": group.name,
            "time_to_safe_s": time.map(|safe| milli(safe.total_ms())),
        })
    });
    json!({
        "name": model.site.name,
        "facades": model.facades.len(),
        "groups": model.groups.len(),
        "devices": model.devices.len(),
        "sensors": model.sensors.len(),
        "fingerprint": site.fingerprint,
        "files": site.files,
        "time_to_safe": safe.collect::<Vec<_>>(),
    })
}

/// Milliseconds as a number of seconds.
fn milli(ms: i64) -> f64 {
    i32::try_from(ms).map_or(f64::MAX, f64::from) / 1000.0
}

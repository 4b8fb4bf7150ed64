//! The answer for people and for programs.

use super::{Answer, Limit, OnGap, Question};
use crate::weather::{Series, duration, moment};
use leeside_core::time::{HOUR, MINUTE};
use serde_json::{Value, json as object};
use std::fmt::Write as _;

/// Version of the JSON form.
const FORMAT_VERSION: u32 = 1;

/// The answer as JSON, with `format_version`.
#[must_use]
pub fn json(series: &Series, question: &Question, answer: &Answer) -> String {
    let lockouts = answer.lockouts.iter().map(|lockout| {
        object!({
            "start_utc": moment(lockout.start),
            "end_utc": moment(lockout.end),
            "open": lockout.open,
            (peak_key(question.limit)): lockout.peak,
            "by_gap": lockout.by_gap,
        })
    });
    let by_month = answer.by_month.iter().map(|((year, month), of)| {
        let entry = object!({ "lockouts": of.lockouts, "hours": hours(of.locked_ms) });
        (format!("{year:04}-{month:02}"), entry)
    });
    let (limit, hysteresis) = match question.limit {
        Limit::Wind {
            limit_mps,
            hysteresis_mps,
        } => (Some(limit_mps), Some(hysteresis_mps)),
        Limit::Rain => (None, None),
    };
    let gaps = &answer.gaps;
    let value = object!({
        "format_version": FORMAT_VERSION,
        "program": concat!("leeside ", env!("CARGO_PKG_VERSION")),
        "series": {
            "file": series.about.file,
            "sha256": series.about.sha256,
            "source": series.about.source,
            "from_utc": series.rows.first().map(|row| moment(row.start)),
            "to_utc": series.rows.last().map(|row| moment(row.end)),
            "resolution_s": series.about.resolution_ms / 1000,
            "readings": answer.readings,
            "gaps": gaps.len(),
            "gap_hours": hours(gaps.iter().map(|gap| gap.to.0 - gap.from.0).sum()),
            "notes": series.about.notes,
        },
        "limit_mps": limit,
        "hysteresis_mps": hysteresis,
        "rain": question.limit == Limit::Rain,
        "hold_s": question.hold_ms / 1000,
        "on_gap": on_gap(question.on_gap),
        "lockouts": lockouts.collect::<Vec<Value>>(),
        "total_hours": hours(answer.locked_ms()),
        "by_month": by_month.collect::<serde_json::Map<String, Value>>(),
    });
    format!("{value:#}\n")
}

const fn peak_key(limit: Limit) -> &'static str {
    match limit {
        Limit::Wind { .. } => "peak_mps",
        Limit::Rain => "peak_mm_h",
    }
}

const fn on_gap(on_gap: OnGap) -> &'static str {
    match on_gap {
        OnGap::Hold => "hold",
        OnGap::Unknown => "unknown",
    }
}

/// Whole minutes as hours; spans of data are far within what an f64 holds exactly.
#[expect(
    clippy::cast_precision_loss,
    reason = "a century is 3e12 ms, far below 2^53"
)]
fn hours(ms: i64) -> f64 {
    ms as f64 / HOUR as f64
}

/// The answer for people.
#[must_use]
pub fn text(series: &Series, question: &Question, answer: &Answer) -> String {
    let mut out = String::new();
    let _ =
        head(&mut out, series, question, answer).and_then(|()| body(&mut out, question, answer));
    out
}

fn head(
    out: &mut String,
    series: &Series,
    question: &Question,
    answer: &Answer,
) -> std::fmt::Result {
    let what = match question.limit {
        Limit::Wind {
            limit_mps,
            hysteresis_mps,
        } => {
            format!(
                "wind at or above {limit_mps} m/s, released below {:.1} m/s",
                limit_mps - hysteresis_mps
            )
        }
        Limit::Rain => "any rain".to_owned(),
    };
    writeln!(out, "Lockouts of {what} for {}", duration(question.hold_ms))?;
    writeln!(
        out,
        "Data:  {} ({})",
        series.about.source, series.about.file
    )?;
    if let (Some(first), Some(last)) = (series.rows.first(), series.rows.last()) {
        let step = duration(series.about.resolution_ms);
        writeln!(
            out,
            "       {} to {}, one row each {step}",
            moment(first.start),
            moment(last.end)
        )?;
    }
    let gaps = &answer.gaps;
    let gap_hours = hours(gaps.iter().map(|gap| gap.to.0 - gap.from.0).sum());
    let meaning = match question.on_gap {
        OnGap::Hold => {
            "the last reading holds through them (a building would take them as unknown)"
        }
        OnGap::Unknown => "unknown, so locked, as a building would take them",
    };
    writeln!(out, "Gaps:  {} ({gap_hours:.1} h): {meaning}", gaps.len())?;
    for note in &series.about.notes {
        writeln!(out, "Note:  {note}")?;
    }
    let gusts = series
        .rows
        .iter()
        .filter(|row| row.values.gust.is_some())
        .count();
    if matches!(question.limit, Limit::Wind { .. }) && gusts < series.rows.len() {
        let of = series.rows.len();
        writeln!(
            out,
            "Mind:  a gust in {gusts} of {of} rows only; elsewhere the mean counts, and means hide gusts"
        )?;
    }
    Ok(())
}

fn body(out: &mut String, question: &Question, answer: &Answer) -> std::fmt::Result {
    writeln!(out, "\nmonth    lockouts    hours")?;
    for ((year, month), of) in &answer.by_month {
        writeln!(
            out,
            "{year:04}-{month:02}  {:>8} {:>8.1}",
            of.lockouts,
            hours(of.locked_ms)
        )?;
    }
    writeln!(
        out,
        "all      {:>8} {:>8.1}",
        answer.lockouts.len(),
        hours(answer.locked_ms())
    )?;
    let mut longest: Vec<_> = answer.lockouts.iter().collect();
    longest.sort_by_key(|lockout| (lockout.start.0 - lockout.end.0, lockout.start));
    if !longest.is_empty() {
        writeln!(
            out,
            "\nlongest  from                  to                    peak"
        )?;
    }
    let unit = match question.limit {
        Limit::Wind { .. } => "m/s",
        Limit::Rain => "mm/h",
    };
    for lockout in longest.iter().take(5) {
        let ms = lockout.end.0 - lockout.start.0;
        let length = format!("{}:{:02} h", ms / HOUR, ms % HOUR / MINUTE);
        let peak = lockout.peak.map_or_else(
            || "no reading".to_owned(),
            |peak| format!("{peak:.1} {unit}"),
        );
        let open = if lockout.open {
            ", still locked where the data end"
        } else {
            ""
        };
        let gap = if lockout.by_gap {
            ", engaged by a gap"
        } else {
            ""
        };
        writeln!(
            out,
            "{length:>8}  {}  {}  {peak}{open}{gap}",
            moment(lockout.start),
            moment(lockout.end)
        )?;
    }
    Ok(())
}

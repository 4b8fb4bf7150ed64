//! `leeside lockouts`: how often and how long a limit would have locked.

use crate::exit::Broken;
use clap::{Args, ValueEnum};
use leeside_dryrun::lockouts::{Limit, OnGap, Question, ask, json, text};
use leeside_dryrun::weather::{Weather, read};
use std::io::{ErrorKind, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// How often and how long a series of wind would have locked a limit
///
/// For choosing a limit before there is a site file: the series goes through
/// the same guard that runs a building. The gust of a row counts where there is
/// one, else its mean. A lockout begins at or above the limit and ends when the
/// wind has stayed below limit less hysteresis for the hold time.
///
/// The series is a CSV file with the columns utc, mean_ms, gust_ms (empty where
/// missing; lines from # are comments; gzip too), or any CSV with a description
/// beside it (FILE.toml), or an EPW file of one real year.
#[derive(Args, Debug)]
#[command(allow_negative_numbers = true)]
pub(crate) struct LockoutsArgs {
    /// The series
    #[arg(long, value_name = "FILE")]
    series: PathBuf,
    /// Locks at or above this wind, m/s
    #[arg(long, value_name = "MPS", value_parser = speed, required_unless_present = "rain")]
    limit: Option<f64>,
    /// Calm below the limit less this, m/s
    #[arg(long, value_name = "MPS", value_parser = speed, default_value = "2")]
    hysteresis: f64,
    /// Calm for so long before release: 30m, 90s, 1h
    #[arg(long, value_name = "TIME", value_parser = length, default_value = "30m")]
    hold: i64,
    /// What a gap in the series means
    #[arg(long, value_enum, default_value_t = Gap::Unknown)]
    on_gap: Gap,
    /// Ask about rain instead: any rain locks, until it has stayed dry
    #[arg(long, conflicts_with = "limit")]
    rain: bool,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Gap {
    /// The last reading holds until the next, however long that is.
    Hold,
    /// Unknown is not calm: locked, as a building would be.
    Unknown,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Text,
    Json,
}

/// Reads the series, asks, prints. Exit codes: 0 well, 1 the answer could not be
/// printed, 2 the series is broken.
pub(crate) fn run(args: &LockoutsArgs) -> anyhow::Result<ExitCode> {
    let weather = read(&args.series).map_err(|error| Broken(error.to_string()))?;
    let Weather::Real(series) = weather else {
        let file = args.series.display();
        return Err(Broken(format!(
            "{file}: a typical year has no dates; give a series of real dates"
        ))
        .into());
    };
    let limit = match args.limit {
        Some(limit_mps) if args.hysteresis >= limit_mps => {
            return Err(Broken(format!(
                "--hysteresis {}: expected less than the limit of {limit_mps} m/s, or no wind would ever be calm enough \
                 to release",
                args.hysteresis
            ))
            .into());
        }
        Some(limit_mps) => Limit::Wind {
            limit_mps,
            hysteresis_mps: args.hysteresis,
        },
        None => Limit::Rain,
    };
    let on_gap = match args.on_gap {
        Gap::Hold => OnGap::Hold,
        Gap::Unknown => OnGap::Unknown,
    };
    let question = Question {
        limit,
        hold_ms: args.hold,
        on_gap,
    };
    let answer = ask(&series, &question);
    if answer.readings == 0 {
        let file = args.series.display();
        return Err(Broken(format!(
            "{file}: none of its rows says anything of what was asked about"
        ))
        .into());
    }
    let told = match args.format {
        Format::Text => text(&series, &question, &answer),
        Format::Json => json(&series, &question, &answer),
    };
    match std::io::stdout().write_all(told.as_bytes()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => Err(error.into()),
        Ok(()) | Err(_) => Ok(ExitCode::SUCCESS),
    }
}

/// A speed in m/s.
fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (0.0..=100.0).contains(&value) => Ok(value),
        Ok(_) | Err(_) => Err("expected a speed from 0 to 100 m/s, like 10.8".to_owned()),
    }
}

/// A length of time like 30m, 90s, 1h or 1h30m, in ms.
fn length(text: &str) -> Result<i64, String> {
    let wrong = || "expected a time like 90s, 30m, 1h or 1h30m, at most a week".to_owned();
    let (mut sum, mut count): (i64, Option<i64>) = (0, None);
    for c in text.chars() {
        if let Some(digit) = c.to_digit(10) {
            let so_far = count.unwrap_or(0);
            count = Some(
                so_far
                    .checked_mul(10)
                    .and_then(|tens| tens.checked_add(i64::from(digit)))
                    .ok_or_else(wrong)?,
            );
            continue;
        }
        let unit = match c {
            's' => 1_000,
            'm' => 60_000,
            'h' => 3_600_000,
            _ => return Err(wrong()),
        };
        let ms = count
            .take()
            .and_then(|count| count.checked_mul(unit))
            .ok_or_else(wrong)?;
        sum = sum.checked_add(ms).ok_or_else(wrong)?;
    }
    if count.is_none() && !text.is_empty() && sum <= 7 * 24 * 3_600_000 {
        Ok(sum)
    } else {
        Err(wrong())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_of_time_are_read_as_people_write_them() {
        let table = [
            ("30m", Some(1_800_000)),
            ("90s", Some(90_000)),
            ("1h30m", Some(5_400_000)),
            ("0s", Some(0)),
            ("30", None),
            ("m", None),
            ("", None),
            ("1d", None),
            ("9999999999999999999h", None),
            ("200h", None),
            ("1h 5m", None),
        ];
        for (text, ms) in table {
            assert_eq!(length(text).ok(), ms, "{text}");
        }
    }
}

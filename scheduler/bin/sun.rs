//! `leeside sun`: the sun on a facade, for checking on site.

mod day;
mod moment;
mod picture;
mod subject;

use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use clap::{Args, ValueEnum};
use leeside_core::time::to_utc;
use leeside_solar::light::SkyModel;
use leeside_solar::{VALID_FROM_MS, VALID_TO_MS};

use crate::exit::Broken;
use subject::Subject;

/// The sun on a facade: position, incidence, shadow angles, cut-off tilt, light
///
/// For a facade of a site file (SITE --facade NAME), or from coordinates and
/// angles given as options. With --date the events of one local date instead.
///
/// Azimuths are from true north, clockwise; a compass shows magnetic north.
/// Elevation, incidence and all that follows are for the apparent (refracted)
/// sun, except elevation_deg.
#[derive(Args, Debug)]
#[command(allow_negative_numbers = true)]
pub(crate) struct SunArgs {
    /// The site file; without it, give --latitude and --longitude
    #[arg(value_name = "SITE", conflicts_with_all = ["latitude", "longitude", "facade_azimuth", "slat_width"])]
    site: Option<PathBuf>,
    /// The facade, by its name in the site file
    #[arg(long, value_name = "NAME", requires = "site", conflicts_with_all = ["latitude", "longitude"])]
    facade: Option<String>,
    /// Degrees north of the equator, -90..90
    #[arg(long, value_name = "D", requires = "longitude")]
    latitude: Option<f64>,
    /// Degrees east of Greenwich, -180..180
    #[arg(long, value_name = "D", requires = "latitude")]
    longitude: Option<f64>,
    /// Metres above sea level [default: 0, or the site's]
    #[arg(long, value_name = "M")]
    altitude: Option<f64>,
    /// Local air pressure [default: the standard one at that altitude]
    #[arg(long, value_name = "HPA")]
    pressure: Option<f64>,
    /// Air temperature in degrees Celsius [default: 12, or the site's]
    #[arg(long, value_name = "C")]
    temperature: Option<f64>,
    /// TT - UT1 in seconds [default: an estimate for the moment]
    #[arg(long, value_name = "S")]
    delta_t: Option<f64>,
    /// Where the facade faces, 0..360 degrees
    #[arg(long, value_name = "D")]
    facade_azimuth: Option<f64>,
    /// Tilt of the facade, 0 = facing up, 90 = vertical [default: 90]
    #[arg(long, value_name = "D", requires = "facade_azimuth")]
    facade_tilt: Option<f64>,
    /// Width of a slat
    #[arg(long, value_name = "MM", requires_all = ["slat_spacing", "facade_azimuth"])]
    slat_width: Option<f64>,
    /// Spacing from slat to slat
    #[arg(long, value_name = "MM", requires = "slat_width")]
    slat_spacing: Option<f64>,
    /// Clear-sky turbidity for ineichen, 1..20 [default: 3, or the site's]
    #[arg(long, value_name = "T")]
    linke_turbidity: Option<f64>,
    /// Which clear sky
    #[arg(long, value_enum, default_value_t = ClearSky::Ineichen, conflicts_with = "ghi")]
    clear_sky: ClearSky,
    /// Measured global irradiance in W/m² instead of a clear sky; split by Erbs
    #[arg(long, value_name = "W")]
    ghi: Option<f64>,
    /// How diffuse light is spread over the sky; isotropic is what the service reckons with
    #[arg(long, value_enum, default_value_t = Spread::Isotropic)]
    sky_model: Spread,
    /// Albedo of the ground, 0..1 [default: 0.2, or the site's]
    #[arg(long, value_name = "A")]
    albedo: Option<f64>,
    /// The moment, RFC 3339 or local to the site or --zone (2026-06-21T12:00); - reads a list of them from standard input [default: now]
    #[arg(
        long,
        value_name = "RFC3339|-",
        allow_hyphen_values = true,
        conflicts_with = "date"
    )]
    at: Option<String>,
    /// The events of this local date: sunrise, transit, sunset, civil dawn and dusk
    #[arg(long, value_name = "YYYY-MM-DD")]
    date: Option<NaiveDate>,
    /// The IANA time zone of --date and of the clock times shown [default: UTC, or the site's]
    #[arg(long, value_name = "ZONE", value_parser = zone)]
    zone: Option<chrono_tz::Tz>,
    /// How to answer
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Also draws the sun path over the facade
    #[arg(long, value_name = "FILE.svg")]
    plot: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Format {
    Text,
    /// One object a line
    Json,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ClearSky {
    /// Global only, split by Erbs
    Haurwitz,
    /// Global, direct and diffuse by turbidity
    Ineichen,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Spread {
    Isotropic,
    HayDavies,
    Perez,
}

impl Spread {
    const fn model(self) -> SkyModel {
        match self {
            Self::Isotropic => SkyModel::Isotropic,
            Self::HayDavies => SkyModel::HayDavies,
            Self::Perez => SkyModel::Perez,
        }
    }
}

/// A zone by its IANA name.
fn zone(name: &str) -> Result<chrono_tz::Tz, String> {
    name.parse()
        .map_err(|_| "no such IANA time zone; write it like Europe/Berlin or UTC".to_owned())
}

/// Answers on standard output.
///
/// # Errors
/// What was given is broken, with its limits and place; or writing failed.
pub(crate) fn run(args: SunArgs) -> anyhow::Result<ExitCode> {
    let subject = Subject::of(&args)?;
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let answered = answer(&args, &subject, &mut out).and_then(|()| Ok(out.flush()?));
    match answered {
        // Whoever read along has seen enough, as `head` does.
        Err(error) if is_broken_pipe(&error) => {}
        other => other?,
    }
    if let Some(file) = &args.plot {
        let drawing = picture::draw(&args, &subject)?;
        std::fs::write(file, drawing)
            .map_err(|error| anyhow::anyhow!("cannot write {}: {error}", file.display()))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .downcast_ref::<std::io::Error>()
        .is_some_and(|error| error.kind() == std::io::ErrorKind::BrokenPipe)
}

fn answer(args: &SunArgs, subject: &Subject, out: &mut impl Write) -> anyhow::Result<()> {
    if let Some(date) = args.date {
        return day::tell(date, subject, args.format, out);
    }
    match args.at.as_deref() {
        Some("-") => {
            for (number, line) in std::io::stdin().lock().lines().enumerate() {
                let place = format!("standard input, line {}", number + 1);
                let line = line.map_err(|error| Broken(format!("{place}: {error}")))?;
                if !line.trim().is_empty() {
                    moment::tell(
                        parsed(line.trim(), &place, subject.zone)?,
                        args,
                        subject,
                        out,
                    )?;
                    // Whoever asks line by line waits for the answer.
                    out.flush()?;
                }
            }
            Ok(())
        }
        Some(text) => moment::tell(parsed(text, "--at", subject.zone)?, args, subject, out),
        None => moment::tell(Utc::now(), args, subject, out),
    }
}

/// The moment that `text` is, which stands at `place`; without an offset it is
/// local to `zone`, read as everywhere (RFC 5545 in gaps and overlaps).
fn parsed(text: &str, place: &str, zone: chrono_tz::Tz) -> Result<DateTime<Utc>, Broken> {
    let local = || {
        [
            "%Y-%m-%dT%H:%M",
            "%Y-%m-%dT%H:%M:%S",
            "%Y-%m-%d %H:%M",
            "%Y-%m-%d %H:%M:%S",
        ]
        .iter()
        .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())
        .map(|local| to_utc(zone, local).utc)
    };
    let at = DateTime::parse_from_rfc3339(text)
        .map(|at| at.to_utc())
        .or_else(|error| local().ok_or(error))
        .map_err(|error| {
            Broken(format!(
                "{place}: {text:?} is no RFC 3339 moment ({error}); write it like 2026-06-21T12:00:00Z or 2026-06-21T14:00:00+02:00, or 2026-06-21T14:00 local to the place"
            ))
        })?;
    if (VALID_FROM_MS..=VALID_TO_MS).contains(&at.timestamp_millis()) {
        Ok(at)
    } else {
        Err(Broken(format!(
            "{place}: {text} is outside the years 1800 to 2200"
        )))
    }
}

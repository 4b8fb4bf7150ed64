//! `leeside tune`: what other settings of a facade's sun rules would have given.

use crate::dry_run::progress::Progress;
use crate::dry_run::span::SpanArgs;
use crate::dry_run::write_to;
use crate::exit::Broken;
use crate::given::names;
use clap::Args;
use leeside_dryrun::replay::PlantKind;
use leeside_dryrun::report::Head;
use leeside_dryrun::tune::{Sweep, svg, table, tune, tuned};
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// Most choices of one run.
const MOST: usize = 1_000;

/// Sweep keys of a facade's sun rules over a year and print the trade-off
///
/// Every combination is replayed through the same core and storm audit; printed
/// are direct sun let in, view out, movements a day and exposed seconds, and what
/// no other choice beats in everything is marked. Suggests, never writes.
#[derive(Args, Debug)]
pub(crate) struct TuneArgs {
    /// The site file
    site: PathBuf,
    /// The facade
    #[arg(long, value_name = "F")]
    facade: String,
    /// A key and its values, like on_wm2=150..300/50; may be repeated. Keys: on_wm2,
    /// off_wm2, on_delay_min, off_delay_min, retract_delay_min, least_step,
    /// least_interval_min, depth_m
    #[arg(long, value_name = "KEY=a..b/step", required = true)]
    sweep: Vec<String>,
    /// Write the picture to this file
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    #[command(flatten)]
    span: SpanArgs,
}

/// Sweeps and prints. Exit codes: 0 well, 1 the run failed or was stopped, 2 what
/// was given is broken.
pub(crate) fn run(args: &TuneArgs) -> anyhow::Result<ExitCode> {
    let site = args.span.site(&args.site)?;
    let model = &site.model;
    let facade = model.facade_named(&args.facade).ok_or_else(|| {
        let there = names(model.facades.iter().map(|facade| facade.name.as_str()));
        Broken(format!(
            "--facade {}: no such facade; there are {there}",
            args.facade
        ))
    })?;
    if tuned(model, facade).is_empty() {
        return Err(Broken(format!(
            "--facade {}: none of its groups has a sun rule to tune",
            args.facade
        ))
        .into());
    }
    let sweeps = args.sweep.iter().map(|text| Sweep::read(text));
    let sweeps = sweeps
        .collect::<Result<Vec<_>, _>>()
        .map_err(|error| Broken(error.to_string()))?;
    let choices: usize = sweeps.iter().map(|sweep| sweep.values.len()).product();
    if choices > MOST {
        return Err(Broken(format!(
            "{choices} combinations; at most {MOST}: take longer steps"
        ))
        .into());
    }
    let setting = args.span.setting(&site, PlantKind::Ideal)?;
    let head = Head::of(&setting, &site.fingerprint);
    let tried = {
        let progress = Progress::over_the_whole();
        tune(&setting, facade, &sweeps, &|share| progress.part(share))?
    };
    let mut text = String::new();
    let title = format!("Tuning of facade {}", args.facade);
    head.write_text(&mut text, &title, &[])?;
    let _ = write!(text, "\n{}", table(&sweeps, &tried));
    write_to(None, |out| Ok(out.write_all(text.as_bytes())?))?;
    if let Some(path) = &args.svg {
        let title = format!(
            "{}, facade {}: {} to {}",
            head.site,
            args.facade,
            day(&head.from),
            day(&head.to)
        );
        let picture = svg(&title, &sweeps, &tried);
        write_to(Some(path), |out| Ok(out.write_all(picture.as_bytes())?))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The date of a moment; a span of whole days ends where the next begins.
fn day(moment: &str) -> &str {
    moment.get(..10).unwrap_or(moment)
}

//! `leeside audit`: the storm audit.

use crate::dry_run::progress::Progress;
use crate::dry_run::span::SpanArgs;
use crate::dry_run::write_to;
use crate::exit::FINDINGS;
use clap::{Args, ValueEnum};
use leeside_dryrun::audit::{audit, json, text};
use leeside_dryrun::replay::PlantKind;
use leeside_dryrun::report::Head;
use std::path::PathBuf;
use std::process::ExitCode;

/// When was any device out of harm's way in each storm, and when was it not
///
/// Replays the weather with a simulated plant, and judges what happened without
/// trusting the core's own account: when the weather was too much is worked out
/// anew from the weather file and the site's rules. Exit code 3 if a device was
/// exposed longer than the site allows (policy exposure_max_s).
#[derive(Args, Debug)]
pub(crate) struct AuditArgs {
    /// The site file
    site: PathBuf,
    #[command(flatten)]
    span: SpanArgs,
    /// Audit again with each wind sensor silent, stuck and reading 0, each feeder
    /// slow, and a restart, a power cut and a broker gap as each storm begins
    #[arg(long)]
    faults: bool,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write to this file instead of standard output
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// The verdict, each device, the storms that exposed most.
    Text,
    /// Every device in every storm, for programs.
    Json,
}

/// Audits and prints. Exit codes: 0 well, 1 the run failed or was stopped, 2 site
/// file, weather or span are broken, 3 a device was exposed longer than allowed.
pub(crate) fn run(args: &AuditArgs) -> anyhow::Result<ExitCode> {
    let site = args.span.site(&args.site)?;
    let setting = args.span.setting(&site, PlantKind::Simulated)?;
    let head = Head::of(&setting, &site.fingerprint);
    let audit = {
        let progress = Progress::over_the_whole();
        audit(&setting, args.faults, &|share| progress.part(share))?
    };
    let told = match args.format {
        Format::Text => text(&setting.model, &head, &audit),
        Format::Json => json(&setting.model, &head, &audit),
    };
    write_to(args.output.as_deref(), |out| {
        Ok(out.write_all(told.as_bytes())?)
    })?;
    Ok(if audit.has_findings() {
        ExitCode::from(FINDINGS)
    } else {
        ExitCode::SUCCESS
    })
}

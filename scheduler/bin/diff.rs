//! `leeside diff`: what a changed site file changes in behaviour.

use crate::dry_run::progress::Progress;
use crate::dry_run::span::SpanArgs;
use crate::dry_run::write_to;
use crate::exit::{Broken, FINDINGS};
use anyhow::Context;
use clap::{Args, ValueEnum};
use leeside_config::Site;
use leeside_dryrun::diff::{Behaviour, KeyChange, compare, differs, files, json, keys, text};
use leeside_dryrun::replay::{PlantKind, Setting, Stopped};
use leeside_dryrun::report::Head;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// What a changed site file changes: its keys, and what they change in behaviour
///
/// Replays both site files over the same weather and holds their movements
/// against each other: added, removed, shifted, to another pose, for another
/// cause; by group and by what decided; with the hours shaded, locked and in
/// refuge and the seconds exposed in storms before and after. Exit code 3 when
/// the behaviour differs.
#[derive(Args, Debug)]
pub(crate) struct DiffArgs {
    /// The site file as it was
    old: PathBuf,
    /// The site file as it is to be
    new: PathBuf,
    #[command(flatten)]
    span: SpanArgs,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write to this file instead of standard output
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs, with every difference
    Json,
}

/// Compares and prints.
pub(crate) fn run(args: DiffArgs) -> anyhow::Result<ExitCode> {
    let (old, new) = (args.span.site(&args.old)?, args.span.site(&args.new)?);
    let changed = changed(&args, &old, &new)?;
    let was = args.span.setting(&old, PlantKind::Ideal)?;
    // The same moments for both, also where the zone was changed.
    let now = Setting {
        model: new.model.clone(),
        ..was.clone()
    };
    let heads = (
        Head::of(&was, &old.fingerprint),
        Head::of(&now, &new.fingerprint),
    );
    let (before, after) = both(&was, &now)?;
    let groups = compare(&before, &after);
    let told = match args.format {
        Format::Text => text(&new.model, &heads.0, &heads.1, &changed, &groups),
        Format::Json => format!(
            "{:#}\n",
            json(&new.model, &heads.0, &heads.1, &changed, &groups)
        ),
    };
    write_to(args.output.as_deref(), |out| {
        Ok(out.write_all(told.as_bytes())?)
    })?;
    Ok(if differs(&groups) {
        ExitCode::from(FINDINGS)
    } else {
        ExitCode::SUCCESS
    })
}

/// Both replays at the same time.
fn both(was: &Setting, now: &Setting) -> Result<(Behaviour, Behaviour), Stopped> {
    let progress = Progress::over_the_whole();
    std::thread::scope(|threads| {
        let other = threads.spawn(|| Behaviour::of(now, &|share| progress.part(share)));
        let before = Behaviour::of(was, &|share| progress.part(share))?;
        match other.join() {
            Ok(after) => Ok((before, after?)),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}

/// Changed keys of the site files, then changed files beside them.
fn changed(args: &DiffArgs, old: &Site, new: &Site) -> anyhow::Result<Vec<KeyChange>> {
    let text = |path: &Path| {
        std::fs::read_to_string(path).with_context(|| format!("{} cannot be read", path.display()))
    };
    let mut changed =
        keys(&text(&args.old)?, &text(&args.new)?).map_err(|error| Broken(error.to_string()))?;
    // The site files themselves stand first in these lists.
    let beside = |site: &Site| -> Vec<(String, String)> {
        let files = site.files.iter().skip(1);
        files
            .map(|file| (file.name.clone(), file.sha256.clone()))
            .collect()
    };
    changed.extend(files(&beside(old), &beside(new)));
    Ok(changed)
}

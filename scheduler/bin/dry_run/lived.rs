//! `leeside dry-run --journal`: what the service lived through.

use super::progress::Progress;
use super::{DryRunArgs, days, write, write_to};
use crate::exit::{Broken, FINDINGS};
use anyhow::Context;
use leeside_config::Site;
use leeside_core::time::{MINUTE, Wall};
use leeside_daemon::replay::{Replayed, replay};
use leeside_daemon::versions::Versions;
use leeside_dryrun::lived::{Lived, LivedError};
use leeside_dryrun::note::Note;
use leeside_dryrun::replay::{LEAD_IN_MS, PlantKind, Setting, Sky};
use leeside_dryrun::report::Head;
use leeside_dryrun::weather::from_journal;
use leeside_journal::{Journal, Span};
use std::path::Path;
use std::process::ExitCode;

/// Tells a span of a journal, and says whether it is decided now as it was then.
pub(super) fn run(args: &DryRunArgs, site: &Site, file: &Path) -> anyhow::Result<ExitCode> {
    if !file.is_file() {
        return Err(Broken(format!("{}: no such journal", file.display())).into());
    }
    let opened = || format!("{} cannot be opened", file.display());
    let journal = Journal::open_read_only(file).with_context(opened)?;
    let setting = setting(args, site, file, &journal)?;
    let (from, to) = (setting.from, setting.to);
    let mut versions = Versions::new(site, Some(&journal));
    let lived = Lived::of(&journal, site.model.clone(), &mut versions, from, to);
    let lived = lived.map_err(failed)?;
    let mut found = lived.notes().to_vec();
    let replayed = replay(&journal, site, 0)?;
    let broken = journal.verify()?.fault;
    found.push(match broken {
        Some((row, fault)) => Note::ChainBroken {
            row,
            fault: fault.to_string(),
        },
        None => Note::ChainHolds,
    });
    found.push(agreement(&replayed));
    let head = Head::of(&setting, &site.fingerprint).lived(found);
    write_to(args.output.as_deref(), |out| {
        write(args.format, &setting, &head, out, &|sink| {
            let progress = Progress::over(days(&setting, to));
            let told = lived.told(sink, &mut |at| progress.at(days(&setting, at)));
            told.map_err(failed)
        })
    })?;
    Ok(if replayed.differ > 0 || broken.is_some() {
        ExitCode::from(FINDINGS)
    } else {
        ExitCode::SUCCESS
    })
}

/// The span as far as the journal knows it, with the weather that it recorded.
fn setting(
    args: &DryRunArgs,
    site: &Site,
    file: &Path,
    journal: &Journal,
) -> anyhow::Result<Setting> {
    let (from, to) = args.span.span(&site.model)?;
    let first = journal.entries(Span::ALL).next().transpose()?;
    let first = first.map_or(from, |entry| entry.now.wall);
    let last = journal.last_moment()?.map_or(to, |now| now.wall.plus(1));
    let mut series = from_journal(file, &site.model).map_err(|e| Broken(e.to_string()))?;
    let wanted = |at: Wall| from.plus(-LEAD_IN_MS) <= at && at < to;
    series.rows.retain(|row| wanted(row.start));
    let (begins, ends) = (from.max(first), to.min(last));
    if begins >= ends {
        let moment = leeside_dryrun::weather::moment;
        return Err(Broken(format!(
            "{} speaks of {} to {} only: ask for a span within it",
            file.display(),
            moment(first),
            moment(last)
        ))
        .into());
    }
    Ok(Setting {
        model: site.model.clone(),
        sky: Sky::Rows(series),
        from: begins,
        to: ends,
        step_ms: MINUTE,
        plant: PlantKind::Ideal,
        occupancy: args.span.occupied,
    })
}

/// Whether the whole journal is decided as it was.
const fn agreement(replayed: &Replayed) -> Note {
    let all = replayed.same + replayed.differ;
    if replayed.differ == 0 {
        Note::DecidedAlike(all)
    } else {
        Note::DecidedOtherwise {
            differ: replayed.differ,
            all,
        }
    }
}

/// Why a journal does not tell; what was asked in vain is told apart from what failed.
fn failed(error: LivedError) -> anyhow::Error {
    match error {
        LivedError::Nothing { .. } => Broken(error.to_string()).into(),
        LivedError::Sink(error) => error.into(),
        LivedError::Journal(_) | LivedError::Row { .. } | LivedError::Stopped(_) => error.into(),
    }
}

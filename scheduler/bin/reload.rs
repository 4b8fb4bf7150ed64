//! `leeside reload`: has the running service load its site file anew.

use crate::exit::Broken;
use anyhow::bail;
use clap::Args;
use leeside_config::site;
use leeside_daemon::control::ask_to_reload;
use std::path::PathBuf;
use std::process::ExitCode;

/// Have the running service load its site file anew
///
/// The service judges the file and every calendar it names. Where all is sound it
/// takes effect at once, between two decisions: lockouts, holds and positions
/// stay, and only what follows from the change moves. Where anything is broken
/// nothing of it is taken over, the problems are printed here, and an alarm
/// stands until a sound file is loaded. A changed broker, journal file or page
/// takes a restart of the service.
#[derive(Debug, Args)]
pub(crate) struct ReloadArgs {
    /// The site file that the service runs with.
    site: PathBuf,
    /// The journal of that service, where it is not the one that the site file names.
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
}

/// Exit codes: 0 in force, 1 no service answers, 2 rejected.
pub(crate) fn run(args: ReloadArgs) -> anyhow::Result<ExitCode> {
    let journal = args
        .journal
        .unwrap_or_else(|| site::journal_named(&args.site));
    let answer = ask_to_reload(&journal)?;
    let mut lines = answer.diagnostics;
    if !answer.accepted {
        lines.insert(0, answer.said.to_string());
        bail!(Broken(lines.join("\n")));
    }
    lines.push(answer.said.to_string());
    crate::given::print(&format!("{}\n", lines.join("\n")))?;
    Ok(ExitCode::SUCCESS)
}

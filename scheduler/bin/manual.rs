//! `leeside manual`: manual pages and shell completions, written from the very
//! definitions that the command line is read by.

use anyhow::Context;
use clap::{Args, Command, ValueEnum};
use clap_complete::Shell;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Write manual pages and shell completions into a folder
///
/// `man/` gets a page for the program and one for each verb, `completions/` what
/// bash, zsh and fish read. Packages use it; nobody else has to.
#[derive(Debug, Args)]
pub(crate) struct ManualArgs {
    /// The folder; made where there is none
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

/// Runs the command.
pub(crate) fn run(args: &ManualArgs, program: Command) -> anyhow::Result<ExitCode> {
    written(&args.out, program)
        .with_context(|| format!("{} cannot be written to", args.out.display()))?;
    Ok(ExitCode::SUCCESS)
}

fn written(out: &Path, program: Command) -> anyhow::Result<()> {
    let (pages, completions) = (out.join("man"), out.join("completions"));
    fs::create_dir_all(&pages)?;
    fs::create_dir_all(&completions)?;
    // Hidden verbs are for the workshop.
    let mut program = program;
    program.build();
    page(&program, &pages)?;
    for shell in Shell::value_variants() {
        if matches!(shell, Shell::Bash | Shell::Zsh | Shell::Fish) {
            clap_complete::generate_to(*shell, &mut program, "leeside", &completions)?;
        }
    }
    Ok(())
}

/// The page of a command, and those of what stands beneath it:
/// `leeside-journal-verify.1`.
fn page(command: &Command, folder: &Path) -> anyhow::Result<()> {
    let name = command
        .get_display_name()
        .unwrap_or_else(|| command.get_name());
    let mut text = Vec::new();
    clap_mangen::Man::new(command.clone())
        .title(name.to_owned())
        .render(&mut text)?;
    fs::write(folder.join(format!("{name}.1")), text)?;
    for beneath in command.get_subcommands() {
        if !beneath.is_hide_set() && beneath.get_name() != "help" {
            page(beneath, folder)?;
        }
    }
    Ok(())
}

//! What a shell and a manual want: completion scripts and man pages.

use std::path::PathBuf;

use clap::{Args, Command};
use clap_complete::Shell;

use crate::failure::CommandError;
use crate::output::write_whole;

/// Write the completion script of a shell
#[derive(Args)]
#[command(after_help = "Example:
  slackwater completions bash > /etc/bash_completion.d/slackwater")]
pub struct CompletionsArgs {
    shell: Shell,
}

/// Write the man pages, one a command
#[derive(Args)]
#[command(after_help = "Example:
  slackwater man /usr/local/share/man/man1")]
pub struct ManArgs {
    /// Folder that they go to
    folder: PathBuf,
}

pub fn completions(args: &CompletionsArgs, mut command: Command) -> Result<(), CommandError> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut command, "slackwater", &mut script);
    write_whole(None, |out| out.write_all(&script))
}

pub fn man(args: &ManArgs, command: Command) -> Result<(), CommandError> {
    let fail = |cause| CommandError::File { file: args.folder.clone(), cause };
    std::fs::create_dir_all(&args.folder).map_err(fail)?;
    clap_mangen::generate_to(command, &args.folder).map_err(fail)
}

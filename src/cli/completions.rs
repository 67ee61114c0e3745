//! `wearcast completions`.

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use super::{Cli, Reply};

/// Arguments of `wearcast completions`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: wearcast completions bash > ~/.local/share/bash-completion/completions/wearcast\n\
    Open a new shell then; the Tab key completes commands and options."
)]
pub(super) struct CompletionsArgs {
    /// Which shell.
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

/// The script that the shell reads.
pub(super) fn run(args: &CompletionsArgs) -> Reply {
    let mut command = Cli::command();
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut command, "wearcast", &mut script);
    Reply::text(String::from_utf8_lossy(&script))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::CliError;

    #[test]
    fn every_shell_gets_a_script_that_knows_every_command() -> Result<(), CliError> {
        for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
            let args = ["wearcast", "completions", shell];
            let script = super::super::reply(args.map(Into::into))?.stdout;
            for command in crate::cli::shown(&Cli::command()) {
                assert!(
                    script.contains(command.get_name()),
                    "{shell}: {}",
                    command.get_name()
                );
            }
        }
        Ok(())
    }
}

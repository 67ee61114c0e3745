//! `wearcast man`.

use std::path::PathBuf;

use clap::{Args, CommandFactory};
use clap_mangen::Man;

use super::files::write_whole;
use super::{Cli, CliError, Reply};

/// Arguments of `wearcast man`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: wearcast man > wearcast.1 && man ./wearcast.1\n\
    With -o, a page for the program and one for each command are written: \
    wearcast man -o ~/.local/share/man/man1"
)]
pub(super) struct ManArgs {
    /// Directory to write the pages to, instead of the program's page to stdout.
    #[arg(long, short, value_name = "DIR")]
    output: Option<PathBuf>,
}

pub(super) fn run(args: &ManArgs) -> Result<Reply, CliError> {
    let program = Cli::command().disable_help_subcommand(true);
    let Some(dir) = &args.output else {
        return Ok(Reply::text(page(program)?));
    };
    std::fs::create_dir_all(dir).map_err(|source| CliError::Write {
        path: dir.clone(),
        source,
    })?;
    let mut reply = Reply::default();
    let mut pages = vec![("wearcast.1".to_owned(), page(program.clone())?)];
    for command in super::shown(&program) {
        let name = format!("wearcast-{}", command.get_name());
        let command = command
            .clone()
            .display_name(name.clone())
            .bin_name(name.replace('-', " "))
            .version(env!("CARGO_PKG_VERSION"));
        pages.push((format!("{name}.1"), page(command)?));
    }
    for (name, text) in pages {
        let path = dir.join(name);
        write_whole(&path, text.as_bytes())?;
        reply.remarks.push(format!("written: {}", path.display()));
    }
    Ok(reply)
}

/// One page, in the language of manual pages (roff).
fn page(command: clap::Command) -> Result<String, CliError> {
    let mut text = Vec::new();
    let title = command.get_display_name().unwrap_or("wearcast").to_owned();
    // The day would come from a clock, which no output of ours reads.
    Man::new(command)
        .title(title)
        .date("")
        .render(&mut text)
        .map_err(|source| CliError::Write {
            path: "standard output".into(),
            source,
        })?;
    Ok(String::from_utf8_lossy(&text).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_program_and_every_command_have_a_page() -> Result<(), CliError> {
        let dir = tempfile::tempdir().map_err(|source| CliError::Read {
            path: PathBuf::new(),
            source,
        })?;
        let args = ["wearcast", "man", "-o"].map(std::ffi::OsString::from);
        super::super::reply(args.into_iter().chain([dir.path().into()]))?;
        let shown = super::super::reply(["wearcast", "man"].map(Into::into))?.stdout;
        assert!(
            shown.contains(".SH NAME") && shown.contains("wearcast\\-stock"),
            "{shown}"
        );
        for command in crate::cli::shown(&Cli::command()).filter(|c| c.get_name() != "help") {
            let name = format!("wearcast-{}.1", command.get_name());
            let text = std::fs::read_to_string(dir.path().join(&name)).unwrap_or_default();
            assert!(
                text.contains(".SH SYNOPSIS") && text.contains("Example"),
                "{name}: {text}"
            );
        }
        Ok(())
    }
}

//! `wearcast new`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::files::write_whole;
use super::{CliError, Reply};
use crate::records::{EXAMPLE, STARTER, StarterFile};

/// Arguments of `wearcast new`.
#[derive(Debug, Args)]
#[command(after_help = "Examples: wearcast new my-fleet\n          wearcast new try-it --example")]
pub(super) struct NewArgs {
    /// Folder to start; it may exist, but must not hold a file of the same name.
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// Copy the invented example fleet instead of an empty one.
    #[arg(long)]
    example: bool,
}

pub(super) fn run(args: &NewArgs) -> Result<Reply, CliError> {
    let files: &[StarterFile] = if args.example { &EXAMPLE } else { &STARTER };
    start(&args.dir, files)?;
    let mut stdout = format!("Started {}:\n", args.dir.display());
    for file in files {
        stdout.push_str("  ");
        stdout.push_str(file.name);
        stdout.push('\n');
    }
    stdout.push_str(if args.example {
        "The data are invented. Next: wearcast report "
    } else {
        "Put your rows into the files (or your exports beside them, named in fleet.toml). Next: wearcast check "
    });
    stdout.push_str(&args.dir.display().to_string());
    stdout.push('\n');
    Ok(Reply::text(stdout))
}

/// Writes files into a folder, unless one of them is already there.
fn start(dir: &Path, files: &[StarterFile]) -> Result<(), CliError> {
    std::fs::create_dir_all(dir).map_err(|source| CliError::Write {
        path: dir.to_owned(),
        source,
    })?;
    if let Some(there) = files
        .iter()
        .map(|f| dir.join(f.name))
        .find(|path| path.symlink_metadata().is_ok())
    {
        return Err(CliError::Usage(format!(
            "{} is there already and stays as it is; name a new folder",
            there.display()
        )));
    }
    for file in files {
        write_whole(&dir.join(file.name), file.contents.as_bytes())?;
    }
    Ok(())
}

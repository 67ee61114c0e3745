//! `wearcast new`.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::files::{write_through, write_whole};
use super::{CliError, Reply};
use crate::records::{EXAMPLE, FLEET_FILE, Proposal, STARTER, StarterFile, propose};
use crate::report::{self, Cell, Table, format};

/// Arguments of `wearcast new`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: wearcast new my-fleet\n          wearcast new try-it --example\n          wearcast new my-fleet --from export.xlsx"
)]
pub(super) struct NewArgs {
    /// Folder to start; it may exist, but must not hold a file of the same name.
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// Copy the invented example fleet instead of an empty one.
    #[arg(long)]
    example: bool,
    /// Copy this export into the folder and propose how to read it.
    #[arg(long, value_name = "EXPORT", conflicts_with = "example")]
    from: Option<PathBuf>,
    /// Say what was found as one JSON document.
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Started<'a> {
    folder: String,
    files: Vec<&'a str>,
    proposal: Option<&'a Proposal>,
}

impl Started<'_> {
    fn json(&self) -> Reply {
        Reply::text(report::json("new", self))
    }
}

pub(super) fn run(args: &NewArgs) -> Result<Reply, CliError> {
    if let Some(export) = &args.from {
        return from_export(args, export);
    }
    let files: &[StarterFile] = if args.example { &EXAMPLE } else { &STARTER };
    start(&args.dir, files)?;
    if args.json {
        let started = Started {
            folder: args.dir.display().to_string(),
            files: files.iter().map(|f| f.name).collect(),
            proposal: None,
        };
        return Ok(started.json());
    }
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

/// Starts a folder from an export: the export beside a settings file that reads it.
fn from_export(args: &NewArgs, export: &Path) -> Result<Reply, CliError> {
    let dir = args.dir.as_path();
    let read = |source| CliError::Read {
        path: export.to_owned(),
        source,
    };
    let real = export.canonicalize().map_err(read)?;
    if !real.metadata().map_err(read)?.is_file() {
        return Err(CliError::Usage(format!(
            "--from {}: it is no file",
            export.display()
        )));
    }
    let name = real
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    let fleet = dir.file_name().map_or_else(
        || "My fleet".to_owned(),
        |n| n.to_string_lossy().into_owned(),
    );
    let proposal = propose(&real, &name, &fleet)?;
    std::fs::create_dir_all(dir).map_err(|source| CliError::Write {
        path: dir.to_owned(),
        source,
    })?;
    let settings = dir.join(FLEET_FILE);
    let copy = dir.join(&name);
    let in_place = copy.canonicalize().is_ok_and(|c| c == real);
    for taken in [Some(&settings), Some(&copy).filter(|_| !in_place)]
        .into_iter()
        .flatten()
    {
        if taken.symlink_metadata().is_ok() {
            return Err(CliError::Usage(format!(
                "{} is there already and stays as it is; name a new folder",
                taken.display()
            )));
        }
    }
    if !in_place {
        let mut export = std::fs::File::open(&real).map_err(read)?;
        write_through(&copy, |file| std::io::copy(&mut export, file).map(|_| ()))?;
    }
    write_whole(&settings, proposal.toml.as_bytes())?;
    if args.json {
        let started = Started {
            folder: dir.display().to_string(),
            files: vec![FLEET_FILE, &name],
            proposal: Some(&proposal),
        };
        return Ok(started.json());
    }
    Ok(Reply::text(proposed(&proposal, dir)))
}

/// What was found and what is left to decide.
fn proposed(proposal: &Proposal, dir: &Path) -> String {
    let mut table = Table::new(
        "columns",
        format!("{} rows; which column is which", proposal.rows),
    )
    .words("ours", "Ours")
    .words("theirs", "Theirs")
    .words("evidence", "Evidence");
    for column in &proposal.columns {
        table.push(vec![
            Cell::text(column.key),
            Cell::text(column.heading.as_deref().unwrap_or("?")),
            Cell::text(&column.evidence),
        ]);
    }
    let mut out = report::text(&table);
    for (title, sentences) in [
        ("Settled", &proposal.settled),
        ("To fill in, in fleet.toml", &proposal.to_fill_in),
    ] {
        if !sentences.is_empty() {
            out.push('\n');
            out.push_str(title);
            out.push('\n');
            for sentence in sentences {
                out.push_str(&report::wrapped(&format::plain(sentence), "- ", "  "));
            }
        }
    }
    out.push_str("\nNext: look at ");
    out.push_str(&dir.join(FLEET_FILE).display().to_string());
    out.push_str(", then: wearcast check ");
    out.push_str(&dir.display().to_string());
    out.push('\n');
    out
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

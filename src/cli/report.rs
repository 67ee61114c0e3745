//! `wearcast report`.

use std::path::PathBuf;

use clap::Args;

use super::directory::write_directory;
use super::fleet_args::FleetArgs;
use super::not_given;
use super::what_if::{WhatIf, analyse};
use super::{CliError, Reply, left_to_the_end};
use crate::analysis::{Detail, DetailLimits, Watch};
use crate::report;

/// Arguments of `wearcast report`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: wearcast report examples/evaporator-crew -o report\n\
    Then open report/index.html in a browser. The directory is written as a whole: a report that \
    is already there is replaced, a directory that holds anything else is left alone."
)]
pub(super) struct ReportArgs {
    #[command(flatten)]
    fleet: FleetArgs,
    #[command(flatten)]
    what_if: WhatIf,
    /// Directory to write: index.html, charts, tables, wearcast.xlsx, results.json.
    #[arg(long, short, value_name = "OUT", required_unless_present = "json")]
    output: Option<PathBuf>,
}

/// What stands at the top of a report's directory.
const OURS: [&str; 5] = [
    "index.html",
    "charts",
    "tables",
    "wearcast.xlsx",
    "results.json",
];

pub(super) fn run(args: &ReportArgs, watch: &dyn Watch) -> Result<Reply, CliError> {
    let analysis = analyse(&args.fleet, &args.what_if, false, watch)?;
    let mut remarks = Vec::new();
    if let Some(out) = &args.output {
        watch.reached(0.9, "drawing charts");
        let detail = Detail::of(&analysis, DetailLimits::default());
        let files = report::files(&analysis, &detail).map_err(|error| CliError::Write {
            path: out.clone(),
            source: std::io::Error::other(error.to_string()),
        })?;
        write_directory(out, &files, &OURS)?;
        remarks.push(format!("written: {}", out.join("index.html").display()));
    }
    let stdout = if args.fleet.json {
        report::results(&analysis)
    } else {
        report::answer(&analysis)
    };
    let not_given = [
        not_given::forecast(&analysis),
        not_given::orders(&analysis),
        not_given::practice(&analysis),
    ]
    .concat();
    left_to_the_end(analysis);
    Ok(Reply {
        stdout,
        remarks,
        not_given,
    })
}

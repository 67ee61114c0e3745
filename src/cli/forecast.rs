//! `wearcast forecast`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::not_given;
use super::what_if::{WhatIf, analyse};
use super::{CliError, Reply};
use crate::analysis::Watch;
use crate::report::{self, SAFETY, tables, text, wrapped};

/// Arguments of `wearcast forecast`.
#[derive(Debug, Args)]
#[command(after_help = "Example: wearcast forecast examples/evaporator-crew")]
pub(super) struct ForecastArgs {
    #[command(flatten)]
    fleet: FleetArgs,
    #[command(flatten)]
    what_if: WhatIf,
}

pub(super) fn run(args: &ForecastArgs, watch: &dyn Watch) -> Result<Reply, CliError> {
    let analysis = analyse(&args.fleet, &args.what_if, true, watch)?;
    let stdout = if args.fleet.json {
        report::json_of_work("forecast", &analysis.forecast)
    } else {
        [
            report::outlook(&analysis),
            text(&tables::cautions_ahead(&analysis)),
            wrapped(SAFETY, "", ""),
        ]
        .join("\n")
    };
    Ok(Reply {
        stdout,
        remarks: Vec::new(),
        not_given: not_given::forecast(&analysis),
    })
}

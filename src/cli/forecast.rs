//! `wearcast forecast`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::what_if::{WhatIf, analyse};
use super::{CliError, Reply};
use crate::analysis::{Analysis, Watch};
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
        report::json("forecast", &analysis.forecast)
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
        not_given: not_given(&analysis),
    })
}

/// Parts without a forecast, as sentences.
pub(super) fn not_given(analysis: &Analysis) -> Vec<String> {
    let as_of = analysis.forecast.as_of;
    let nothing_ahead = !analysis.fleet.jobs.iter().any(|j| j.end > as_of);
    let no_job = nothing_ahead.then(|| {
        format!("nothing is forecast: the schedule has no job with days after {as_of}; add one to the jobs file")
    });
    let parts = analysis
        .forecast
        .no_forecast
        .iter()
        .map(|none| format!("{}: no forecast. {}", none.part, none.reason));
    no_job.into_iter().chain(parts).collect()
}

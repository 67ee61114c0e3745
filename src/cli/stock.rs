//! `wearcast stock`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::forecast::not_given;
use super::what_if::{WhatIf, analyse};
use super::{CliError, Reply};
use crate::models::CautionCode;
use crate::report::{self, tables, text};

/// Arguments of `wearcast stock`.
#[derive(Debug, Args)]
#[command(after_help = "Example: wearcast stock examples/evaporator-crew --service-level 0.9")]
pub(super) struct StockArgs {
    #[command(flatten)]
    fleet: FleetArgs,
    #[command(flatten)]
    what_if: WhatIf,
}

pub(super) fn run(args: &StockArgs) -> Result<Reply, CliError> {
    let analysis = analyse(&args.fleet, &args.what_if, false)?;
    let mut not_given = not_given(&analysis);
    not_given.extend(
        analysis
            .stock
            .cautions
            .iter()
            .filter(|c| c.code == CautionCode::NoLeadTime)
            .map(|c| format!("{}: {}", c.part.as_deref().unwrap_or("order"), c.text)),
    );
    let stdout = if args.fleet.json {
        report::json("stock", &analysis.stock)
    } else {
        [
            report::answer(&analysis),
            text(&tables::kits(&analysis)),
            text(&tables::planned_intervals(&analysis)),
            text(&tables::cautions_ahead(&analysis)),
        ]
        .join("\n")
    };
    Ok(Reply {
        stdout,
        remarks: Vec::new(),
        not_given,
    })
}

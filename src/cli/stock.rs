//! `wearcast stock`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::not_given;
use super::what_if::{WhatIf, analyse};
use super::{CliError, Reply};
use crate::analysis::Watch;
use crate::report::{self, stock_tables, tables, text};

/// Arguments of `wearcast stock`.
#[derive(Debug, Args)]
#[command(after_help = "Example: wearcast stock examples/evaporator-crew --service-level 0.9")]
pub(super) struct StockArgs {
    #[command(flatten)]
    fleet: FleetArgs,
    #[command(flatten)]
    what_if: WhatIf,
}

/// What the terminal shows of the planned intervals; the report has more.
const INTERVALS: [&str; 6] = [
    "part",
    "hours",
    "cost_per_hour",
    "cost_per_hour_run_on",
    "probability_saves",
    "note",
];

/// What the terminal shows of the money.
const VALUE: [&str; 6] = [
    "part",
    "stock",
    "order",
    "left_at_the_end",
    "shortage_nothing_ordered",
    "shortage_ordered",
];

pub(super) fn run(args: &StockArgs, watch: &dyn Watch) -> Result<Reply, CliError> {
    let analysis = analyse(&args.fleet, &args.what_if, false, watch)?;
    let stdout = if args.fleet.json {
        report::json_of_work("stock", &analysis.stock)
    } else {
        [
            report::answer(&analysis),
            text(&stock_tables::needed_stock_across(&analysis)),
            text(&tables::kits(&analysis)),
            text(&stock_tables::kit_totals(&analysis)),
            text(&tables::planned_intervals(&analysis).only(&INTERVALS)),
            text(&stock_tables::inspections(&analysis)),
            text(&stock_tables::value(&analysis).only(&VALUE)),
            text(&stock_tables::sensitivity(&analysis)),
            text(&tables::cautions_ahead(&analysis)),
        ]
        .join("\n")
    };
    Ok(Reply {
        stdout,
        remarks: Vec::new(),
        not_given: not_given::forecast(&analysis)
            .into_iter()
            .chain(not_given::orders(&analysis))
            .collect(),
    })
}

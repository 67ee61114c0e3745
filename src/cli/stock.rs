//! `wearcast stock`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::{CliError, Reply};

/// Arguments of `wearcast stock`.
#[derive(Debug, Args)]
pub(super) struct StockArgs {
    #[command(flatten)]
    fleet: FleetArgs,
}

pub(super) fn run(args: &StockArgs) -> Result<Reply, CliError> {
    let _ = (&args.fleet.dir, &args.fleet.as_of, args.fleet.json);
    Err(CliError::NotBuilt("stock"))
}

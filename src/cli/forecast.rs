//! `wearcast forecast`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::{CliError, Reply};

/// Arguments of `wearcast forecast`.
#[derive(Debug, Args)]
pub(super) struct ForecastArgs {
    #[command(flatten)]
    fleet: FleetArgs,
}

pub(super) fn run(args: &ForecastArgs) -> Result<Reply, CliError> {
    let _ = (&args.fleet.dir, &args.fleet.as_of, args.fleet.json);
    Err(CliError::NotBuilt("forecast"))
}

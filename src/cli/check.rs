//! `wearcast check`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::{CliError, Reply};

/// Arguments of `wearcast check`.
#[derive(Debug, Args)]
pub(super) struct CheckArgs {
    #[command(flatten)]
    fleet: FleetArgs,
}

pub(super) fn run(args: &CheckArgs) -> Result<Reply, CliError> {
    let _ = (&args.fleet.dir, &args.fleet.as_of, args.fleet.json);
    Err(CliError::NotBuilt("check"))
}

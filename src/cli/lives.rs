//! `wearcast lives`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::{CliError, Reply};

/// Arguments of `wearcast lives`.
#[derive(Debug, Args)]
pub(super) struct LivesArgs {
    #[command(flatten)]
    fleet: FleetArgs,
}

pub(super) fn run(args: &LivesArgs) -> Result<Reply, CliError> {
    let _ = (&args.fleet.dir, &args.fleet.as_of, args.fleet.json);
    Err(CliError::NotBuilt("lives"))
}

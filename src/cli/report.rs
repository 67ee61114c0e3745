//! `wearcast report`.

use clap::Args;

use super::fleet_args::FleetArgs;
use super::{CliError, Reply};

/// Arguments of `wearcast report`.
#[derive(Debug, Args)]
pub(super) struct ReportArgs {
    #[command(flatten)]
    fleet: FleetArgs,
}

pub(super) fn run(args: &ReportArgs) -> Result<Reply, CliError> {
    let _ = (&args.fleet.dir, &args.fleet.as_of, args.fleet.json);
    Err(CliError::NotBuilt("report"))
}

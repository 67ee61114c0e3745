//! `wearcast curve`.

use clap::Args;

use super::{CliError, Reply};

/// Arguments of `wearcast curve`.
#[derive(Debug, Args)]
pub(super) struct CurveArgs {}

pub(super) fn run(_args: &CurveArgs) -> Result<Reply, CliError> {
    Err(CliError::NotBuilt("curve"))
}

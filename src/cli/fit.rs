//! `wearcast fit`.

use clap::Args;

use super::{CliError, Reply};

/// Arguments of `wearcast fit`.
#[derive(Debug, Args)]
pub(super) struct FitArgs {}

pub(super) fn run(_args: &FitArgs) -> Result<Reply, CliError> {
    Err(CliError::NotBuilt("fit"))
}

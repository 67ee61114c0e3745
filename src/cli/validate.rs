//! `wearcast validate`.

use clap::Args;

use super::{CliError, Reply};

/// Arguments of `wearcast validate`.
#[derive(Debug, Args)]
pub(super) struct ValidateArgs {}

pub(super) fn run(_args: &ValidateArgs) -> Result<Reply, CliError> {
    Err(CliError::NotBuilt("validate"))
}

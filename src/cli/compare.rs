//! `wearcast compare`.

use clap::Args;

use super::{CliError, Reply};

/// Arguments of `wearcast compare`.
#[derive(Debug, Args)]
pub(super) struct CompareArgs {}

pub(super) fn run(_args: &CompareArgs) -> Result<Reply, CliError> {
    Err(CliError::NotBuilt("compare"))
}

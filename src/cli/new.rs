//! `wearcast new`.

use clap::Args;

use super::{CliError, Reply};

/// Arguments of `wearcast new`.
#[derive(Debug, Args)]
pub(super) struct NewArgs {}

pub(super) fn run(_args: &NewArgs) -> Result<Reply, CliError> {
    Err(CliError::NotBuilt("new"))
}

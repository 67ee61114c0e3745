//! Arguments shared by every command that reads a fleet folder.

use std::path::PathBuf;

use clap::Args;

use super::CliError;
use crate::records::{Fleet, LoadOptions};

/// A fleet folder and how to look at it.
#[derive(Debug, Clone, Args)]
pub(super) struct FleetArgs {
    /// Fleet folder (with fleet.toml).
    #[arg(value_name = "DIR")]
    pub(super) dir: PathBuf,
    /// Look from this day (YYYY-MM-DD) instead of the fleet's own.
    #[arg(long, value_name = "DATE")]
    pub(super) as_of: Option<jiff::civil::Date>,
    /// One JSON document on stdout, nothing else.
    #[arg(long)]
    pub(super) json: bool,
}

impl FleetArgs {
    /// Reads the folder.
    pub(super) fn load(&self, strict: bool) -> Result<Fleet, CliError> {
        let options = LoadOptions {
            as_of: self.as_of,
            strict,
        };
        Ok(Fleet::load(&self.dir, &options)?)
    }
}

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
    #[arg(long, value_name = "DATE", value_parser = day)]
    pub(super) as_of: Option<jiff::civil::Date>,
    /// One JSON document on stdout, nothing else.
    #[arg(long)]
    pub(super) json: bool,
}

impl FleetArgs {
    /// How to look at the folder.
    pub(super) fn options(&self, strict: bool) -> LoadOptions {
        LoadOptions {
            as_of: self.as_of,
            strict,
        }
    }

    /// Reads the folder.
    pub(super) fn load(&self, strict: bool) -> Result<Fleet, CliError> {
        Ok(Fleet::load(&self.dir, &self.options(strict))?)
    }
}

/// A day on the command line.
fn day(text: &str) -> Result<jiff::civil::Date, String> {
    text.parse()
        .map_err(|_| "a day is written year-month-day, like 2026-03-31".to_owned())
}

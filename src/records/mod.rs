//! What the export says: files → frame → typed records, and problems with their rows.
//!
//! [`Fleet::load`] reads a fleet folder (`fleet.toml` and the exports it names). Every row read
//! ends up used, merged or set aside; the counts add up and are printed ([`RowCounts`]).

mod any_of;
mod arrange;
mod byte_places;
mod catalogue;
mod columns;
mod contents;
mod cross_checks;
mod date_order;
mod dates;
mod delimited;
mod error;
mod fleet;
mod fleet_file;
mod fleet_files;
mod job_spread;
mod load;
mod names;
mod numbers;
mod opened;
mod package;
pub(crate) mod parquet;
pub(crate) mod positions;
mod problem;
mod propose;
mod proposed_settings;
mod raw;
mod reasons;
mod replacements;
mod row_cells;
mod serials;
mod settings;
mod shared;
mod short_text;
mod similar;
mod spreadsheet;
mod starter;
pub(crate) mod text;
mod text_table;
mod ways_of_writing;

pub(crate) use dates::day_in_order;
pub use error::RecordsError;
pub(crate) use fleet::runs;
pub use fleet::*;
pub use job_spread::JobSpread;
pub use load::{FLEET_FILE, FleetFiles, LoadOptions, NearNames, set_aside_error};
pub use problem::*;
pub use propose::{ColumnProposal, Proposal, propose};
pub use raw::{RawCell, RawRow, raw_rows};
pub(crate) use shared::Shelf;
pub use shared::{Extras, Text};
pub use starter::{EXAMPLE, STARTER, StarterFile};

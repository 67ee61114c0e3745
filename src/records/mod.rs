//! What the export says: files → frame → typed records, and problems with their rows.
//!
//! [`Fleet::load`] reads a fleet folder (`fleet.toml` and the exports it names). Every row read
//! ends up used, merged or set aside; the counts add up and are printed ([`RowCounts`]).

mod fleet;
mod problem;

pub use fleet::*;
pub use problem::*;

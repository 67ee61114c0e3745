//! Records and meters → lives, with censoring, truncation, covariates and source rows.

mod build;
mod chain;
mod events;
mod file_error;
mod ids;
mod life;
mod life_rows;
mod observations;
mod read;
mod select;
mod stints;
mod table;
mod tally;
mod unplaced;
mod ways;
mod write;

pub use build::{build, build_with};
pub use file_error::LivesFileError;
pub use life::*;
pub(crate) use life_rows::LifeRows;
pub use observations::*;
pub use table::*;
pub use tally::Tally;
pub use unplaced::{AgeRange, Unplaced};
pub(crate) use unplaced::{Choice, PossibleLife, StillIn, Ways};
pub use write::{lives_csv, write_lives_csv, write_lives_parquet};

/// `1 worn life`, `6 worn lives`: how much a sentence rests on.
pub(crate) fn worn_lives(count: f64) -> String {
    // A sum over nothing may be −0.
    let count = count + 0.0;
    format!(
        "{count} worn {}",
        if count == 1.0 { "life" } else { "lives" }
    )
}

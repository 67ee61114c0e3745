//! Records and meters → lives, with censoring, truncation, covariates and source rows.

mod build;
mod chain;
mod events;
mod file_error;
mod ids;
mod life;
mod observations;
mod read;
mod select;
mod stints;
mod table;
mod write;

pub use build::{build, build_with};
pub use file_error::LivesFileError;
pub use life::*;
pub use observations::*;
pub use table::*;
pub use write::{lives_csv, lives_parquet};

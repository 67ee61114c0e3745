//! Records and meters → lives, with censoring, truncation, covariates and source rows.

mod file_error;
mod life;
mod observations;
mod read;
mod table;

pub use file_error::LivesFileError;
pub use life::*;
pub use observations::*;
pub use table::*;

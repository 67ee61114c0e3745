//! Records and meters → lives, with censoring, truncation, covariates and source rows.

mod life;
mod table;

pub use life::*;
pub use table::*;

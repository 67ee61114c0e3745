//! Lives → life models: families, likelihood, estimates, intervals, posterior, model-free curves,
//! fit checks, regression.

mod caution;
pub mod curve;
mod fit;
mod kernel;
mod life_model;

pub use caution::*;
pub use fit::*;
pub use kernel::*;
pub use life_model::*;

//! Lives → life models: families, likelihood, estimates, intervals, posterior, model-free curves,
//! fit checks, regression.

mod belief;
mod caution;
pub mod curve;
mod fit;
mod kernel;
mod life_model;
#[expect(dead_code, reason = "the fit itself comes next")]
mod likelihood;
mod log_lives;
#[expect(dead_code, reason = "the fit itself comes next")]
mod maximise;
#[expect(dead_code, reason = "the fit itself comes next")]
mod posterior;
pub mod regression;

pub use belief::Prior;
pub use caution::*;
pub use fit::*;
pub use kernel::*;
pub use life_model::*;
pub use log_lives::count_lives;
pub use maximise::NoOptimum;
pub use posterior::NoPosterior;

//! Lives → life models: families, likelihood, estimates, intervals, posterior, model-free curves,
//! fit checks, regression.

mod at_shape;
mod belief;
mod bootstrap;
mod by_level;
mod caution;
mod condensed;
mod covariate_fit;
mod coverage;
pub mod curve;
mod extreme;
mod families;
mod fit;
mod fitting;
mod functional;
mod goodness;
mod kernel;
mod life_model;
mod likelihood;
mod likelihood_ratio;
mod log_lives;
mod maximise;
mod pivotal;
mod posterior;
mod prediction;
mod quick;
mod ranks;
pub mod regression;
mod resample;
mod sampling_tables;
mod surface;
mod threshold;
mod threshold_ratio;
mod total_time;
pub mod trend;
mod unplaced;
mod wald;

pub use belief::Prior;
pub use bootstrap::reweighted_weibull_curves;
pub use by_level::{Alternative, ByLevel, Level, LevelLives};
pub use caution::*;
pub use covariate_fit::{CovariateFitError, fit_with_covariates, fit_with_strata};
pub use coverage::{Censoring, Coverage, Held, ResampledCoverage, coverage, resampled_coverage};
pub use families::{FamilyComparison, FamilyLine, compare_families};
pub use fit::*;
pub use fitting::{Curve, FitError, estimate, estimate_each, fit};
pub use kernel::*;
pub use life_model::*;
pub use log_lives::count_lives;
pub use maximise::NoOptimum;
pub use posterior::NoPosterior;
pub use prediction::ShareBand;
pub use ranks::{PlotPoint, PlotPosition, median_rank, plot_points};
pub use sampling_tables::SamplingTable;
pub use total_time::{ScaleLimits, scale_limits};
pub use unplaced::{AgeNow, PartsNow};

#[cfg(test)]
mod second_way;

//! Accelerated-life regression: `ln T = μ + x·b + σ·W`, W standard smallest extreme value (Weibull,
//! exponential), normal (lognormal) or logistic (loglogistic). A positive coefficient means longer
//! life; `e^b` is how many times as long.
//!
//! Lives of any kind go in: exact, right-, left- and interval-censored, with late entry and counts.

mod design;
mod fit;
mod frailty;
mod kept;
mod likelihood;
mod newton;
mod posterior;
mod problem;
mod report;
mod request;
mod residuals;
mod robust;
mod rows;
mod search;

pub use design::{Covariate, CovariateValues};
pub use fit::{level_scores, regress, residual_check};
pub use frailty::{Frailty, FrailtyCoefficient, shared_frailty};
pub use posterior::PosteriorPoints;
pub use request::*;
pub use residuals::{FarOut, ResidualCheck};

#[cfg(test)]
mod frailty_tests;
#[cfg(test)]
mod tests;

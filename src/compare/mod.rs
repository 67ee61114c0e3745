//! Lives by group → tests, life ratios, sample planning.

mod answer;
mod comparison;
mod groups;
mod holm;
mod log_rank;
mod permutation;
mod planning;
pub mod practice;
mod run;

pub use comparison::*;
pub use groups::{Grouping, covariate_of};
pub use holm::holm;
pub use log_rank::{LogRank, Tally, log_rank};
pub use permutation::{PermutationTest, permute_machines};
pub use planning::{Plan, design_effect, plan, power, worn_per_arm};
pub use run::compare;

#[cfg(test)]
mod tests;

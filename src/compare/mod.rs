//! Lives by group → tests, life ratios, sample planning.

mod answer;
mod clustered;
mod comparison;
mod groups;
mod holm;
mod life_by;
mod log_rank;
mod permutation;
mod planning;
pub mod practice;
mod prepare;
mod ratios;
mod run;
mod several;
mod thin;

pub use comparison::*;
pub use groups::{Grouping, covariate_of};
pub use holm::holm;
pub use life_by::{TENSION, life_model_of_part};
pub use log_rank::{LogRank, Tally, log_rank};
pub use permutation::{PermutationTest, permute_machines};
pub use planning::{
    Design, Expectation, Plan, Planned, expected_limits, plan, power, reduced_bias, worn_per_arm,
};
pub use run::compare;
pub use several::{NotCompared, Several, compare_several};

#[cfg(test)]
mod tests;

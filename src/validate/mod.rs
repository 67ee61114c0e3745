//! Published examples, refitted: ours beside theirs, with source, printed precision and verdict.
//!
//! Each folder of `datasets/` is a [`Dataset`]: the source's own columns, and the values that
//! others give for them with where each value comes from. A dataset names its recipes
//! ([`recipes`]); a recipe asks the library, through its public interface, for every quantity it
//! knows. What no recipe knows is listed as not covered and never counted as agreeing.

mod dataset;
mod embedded;
mod outcome;
mod recipes;
mod sample;

pub use dataset::{Dataset, DatasetError, ExpectedValue, Origin, Subset};
pub use outcome::{CaseOutcome, Totals, Validation, ValueOutcome, Verdict};

/// The datasets that are part of the program, in the order of their names.
///
/// # Errors
/// [`DatasetError`] when one of them does not hold together; a test refits all of them.
pub fn embedded() -> Result<Vec<Dataset>, DatasetError> {
    embedded::all()
}

/// Refits every dataset.
pub fn validate(datasets: &[Dataset]) -> Validation {
    Validation::new(datasets.iter().map(recipes::refit).collect())
}

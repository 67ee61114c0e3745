//! Published examples, refitted: ours beside theirs, with source, printed precision and verdict.
//!
//! Each folder of `datasets/` is a [`Dataset`]: the source's own columns, and the values that
//! others give for them with where each value comes from. A dataset names its recipes
//! ([`recipes`]); a recipe asks the library, through its public interface, for every quantity it
//! knows. What no recipe knows is listed as not covered and never counted as agreeing.

use crate::analysis::Watch;

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
    watched(datasets, &())
}

/// The same, telling `watch` how far it is.
pub fn watched(datasets: &[Dataset], watch: &dyn Watch) -> Validation {
    let all = datasets.len().max(1) as f64;
    let refit = datasets.iter().enumerate().map(|(done, dataset)| {
        watch.reached(done as f64 / all, "refitting published examples");
        recipes::refit(dataset)
    });
    Validation::new(refit.collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Also holds that no recipe peeks at the value it is to recompute.
    #[test]
    fn no_value_agrees_with_one_that_is_off_by_three_tolerances() {
        let mut wrong = embedded().unwrap();
        for expected in wrong.iter_mut().flat_map(|dataset| &mut dataset.expected) {
            // A stock level is whole and has no tolerance.
            expected.value += (3.0 * expected.tolerance).max(1e-9);
        }
        let agreeing = |case: &CaseOutcome| case.totals.agree;
        assert_eq!(validate(&wrong).cases.iter().map(agreeing).sum::<u64>(), 0);
    }
}

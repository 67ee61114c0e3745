//! Recipes: how a dataset's quantities are asked of the library.
//!
//! A recipe looks at the names of the quantities that a dataset expects and answers those it
//! knows. A quantity it knows and the library has no number for is a miss with the reason, not a
//! quantity that is not covered.

mod ranks;

use std::collections::BTreeMap;

use super::sample::Sample;
use super::{CaseOutcome, Dataset, Subset, Totals, ValueOutcome};

/// Answers by quantity.
pub(super) type Answers = BTreeMap<String, Result<f64, String>>;

/// A dataset, read.
pub(super) struct Case<'a> {
    pub(super) dataset: &'a Dataset,
    pub(super) sample: &'a Sample,
}

/// A quantity of a case: its subset and its name without the subset.
#[derive(Debug, Clone)]
pub(super) struct Quantity {
    /// As it stands in the dataset.
    pub(super) whole: String,
    /// Name of the subset; empty: all rows.
    pub(super) subset: String,
    /// The rest.
    pub(super) name: String,
}

impl Case<'_> {
    /// The quantities expected, subset names split off, each once.
    pub(super) fn quantities(&self) -> Vec<Quantity> {
        let mut seen = Vec::new();
        let mut out = Vec::new();
        for expected in &self.dataset.expected {
            let whole = expected.quantity.clone();
            if seen.contains(&whole) {
                continue;
            }
            seen.push(whole.clone());
            let split = whole.split_once(':');
            let (subset, name) = split
                .filter(|(subset, _)| self.dataset.subsets.contains_key(*subset))
                .unwrap_or(("", &whole));
            out.push(Quantity {
                subset: subset.to_owned(),
                name: name.to_owned(),
                whole,
            });
        }
        out
    }

    /// The rows that a subset's name stands for.
    pub(super) fn subset(&self, name: &str) -> Subset {
        self.dataset.subsets.get(name).cloned().unwrap_or_default()
    }
}

type Recipe = fn(&Case) -> Answers;

/// The recipe of that name.
fn recipe(name: &str) -> Option<Recipe> {
    Some(match name {
        "ranks" => ranks::ranks,
        _ => return None,
    })
}

/// Recomputes every value of a dataset that its recipes know.
pub(super) fn refit(dataset: &Dataset) -> CaseOutcome {
    let mut answers = Answers::new();
    match Sample::read(dataset) {
        Ok(sample) => {
            let case = Case {
                dataset,
                sample: &sample,
            };
            for name in &dataset.recipes {
                if let Some(recipe) = recipe(name) {
                    answers.extend(recipe(&case));
                }
            }
        }
        Err(reason) => {
            for expected in &dataset.expected {
                answers.insert(expected.quantity.clone(), Err(reason.clone()));
            }
        }
    }
    let values: Vec<ValueOutcome> = dataset
        .expected
        .iter()
        .map(|expected| {
            let answer = answers.get(&expected.quantity).cloned();
            ValueOutcome::new(expected.clone(), answer)
        })
        .collect();
    CaseOutcome {
        id: dataset.id.clone(),
        title: dataset.title.clone(),
        source: dataset.source.clone(),
        provenance: dataset.provenance.clone(),
        totals: Totals::of(&values),
        values,
    }
}

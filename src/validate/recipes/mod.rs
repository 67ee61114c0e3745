//! Recipes: how a dataset's quantities are asked of the library.
//!
//! A recipe looks at the names of the quantities that a dataset expects and answers those it
//! knows. A quantity it knows and the library has no number for is a miss with the reason, not a
//! quantity that is not covered.

mod age_replacement;
mod curves;
mod fits;
mod groups;
mod processes;
mod ranks;
mod regression;
mod renewal;
mod sampling_tables;
mod weibull;

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

/// The recipe of that name; a name that is none is not covered, and says so value by value.
fn recipe(name: &str) -> Option<Recipe> {
    Some(match name {
        "age_replacement" => age_replacement::age_replacement,
        "anderson_darling" => fits::anderson_darling,
        "causes" => curves::incidence_by_cause,
        "chi_square" => fits::chi_square,
        "families" => fits::families,
        "group_tests" => groups::group_tests,
        "ignoring_truncation" => fits::ignoring_truncation,
        "interval_curve" => curves::interval_curve,
        "known_shape" => fits::known_shape,
        "kaplan_meier" => curves::kaplan_meier_and_hazard,
        "log_rank" => groups::log_rank_test,
        "mean_cumulative" => curves::mean_cumulative_function,
        "no_worn_life" => fits::no_worn_life,
        "power_law" => processes::repeated,
        "predictive" => fits::predictive,
        "rank_regression" => fits::rank_regression,
        "ranks" => ranks::ranks,
        "regression" => regression::regression,
        "renewal" => renewal::renewal,
        "residual_life" => renewal::residual_life,
        "sampling_tables" => sampling_tables::sampling_tables,
        "scale_limits" => fits::scale_limits,
        "series" => fits::series,
        "stock" => renewal::stock,
        "threshold" => fits::threshold,
        "weibull" => weibull::weibull,
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

/// `name(12.5)` → (`name`, 12.5).
fn at_time(name: &str) -> Option<(&str, f64)> {
    let (what, rest) = name.split_once('(')?;
    Some((what, rest.strip_suffix(')')?.parse().ok()?))
}

/// What `make` gives for a key, made once.
fn cached<'a, T>(
    cache: &'a mut BTreeMap<String, Result<T, String>>,
    key: &str,
    make: impl FnOnce() -> Result<T, String>,
) -> Result<&'a T, String> {
    let entry = cache.entry(key.to_owned()).or_insert_with(make);
    entry.as_ref().map_err(String::clone)
}

/// Every `name=number` in a quantity's name: `P(N=1),shape=3,age=0.9,t=2`.
fn numbers_named(name: &str) -> BTreeMap<&str, f64> {
    name.split([',', '(', ')', ' ', ':'])
        .filter_map(|piece| piece.split_once('='))
        .filter_map(|(name, number)| Some((name, number.parse().ok()?)))
        .collect()
}

//! Several comparisons in one command: one declared primary, Holm for the rest.

use super::{CompareError, CompareOptions, Comparison, compare, holm};
use crate::lives::LivesTable;

/// What came of several comparisons.
#[derive(Debug, Clone, PartialEq)]
pub struct Several {
    /// Those that could be made, in the order asked: part by part, column by column.
    pub comparisons: Vec<Comparison>,
    /// Those that could not: part, column, reason.
    pub not_given: Vec<NotCompared>,
}

/// A comparison that could not be made.
#[derive(Debug, Clone, PartialEq)]
pub struct NotCompared {
    /// Part kind, where told.
    pub part: Option<String>,
    /// Column.
    pub by: String,
    /// Why.
    pub error: CompareError,
}

/// Compares the lives of each part by each column. The first comparison asked for is the declared
/// primary: its p-value stands by itself. Those of all the others are held to one level together
/// (Holm 1979), so that among many comparisons of nothing one is not mistaken for a finding.
pub fn compare_several(
    parts: &[(Option<String>, LivesTable)],
    columns: &[String],
    options: &CompareOptions,
) -> Several {
    let mut comparisons: Vec<Comparison> = Vec::new();
    let mut not_given = Vec::new();
    let mut primary = None;
    for (part, table) in parts {
        for (place, column) in columns.iter().enumerate() {
            let asked = CompareOptions {
                by: column.clone(),
                ..options.clone()
            };
            let first = comparisons.is_empty() && not_given.is_empty() && place == 0;
            match compare(table, &asked) {
                Ok(mut comparison) => {
                    comparison.part.clone_from(part);
                    if first {
                        primary = Some(comparisons.len());
                    }
                    comparisons.push(comparison);
                }
                Err(error) => not_given.push(NotCompared {
                    part: part.clone(),
                    by: column.clone(),
                    error,
                }),
            }
        }
    }
    let rest: Vec<usize> = (0..comparisons.len())
        .filter(|&i| Some(i) != primary && comparisons[i].primary_p_value.is_some())
        .collect();
    // One comparison alone is its own primary.
    if comparisons.len() > 1 {
        let p_values: Vec<f64> = rest
            .iter()
            .filter_map(|&i| comparisons[i].primary_p_value)
            .collect();
        for (&i, p) in rest.iter().zip(holm(&p_values)) {
            comparisons[i].p_value_holm = Some(p);
            comparisons[i].retell();
        }
    }
    Several {
        comparisons,
        not_given,
    }
}

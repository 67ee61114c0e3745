//! Covariates → a design matrix, centred and scaled inside.

use rayon::prelude::*;

use crate::numerics::vector::{Running, widest};

use super::RegressionError;

/// Values of one covariate, one a life.
#[derive(Debug, Clone, PartialEq)]
pub enum CovariateValues {
    /// Numbers; NaN stands for a missing one.
    Number(Vec<f64>),
    /// Categories: `codes` index `levels`; the first level is the base; a code beyond the levels
    /// stands for a missing one.
    Category {
        /// Distinct values, sorted.
        levels: Vec<String>,
        /// One code a life.
        codes: Vec<u32>,
    },
}

/// A named covariate.
#[derive(Debug, Clone, PartialEq)]
pub struct Covariate {
    /// Name, as the user knows it.
    pub name: String,
    /// Values.
    pub values: CovariateValues,
}

impl Covariate {
    /// A numeric covariate.
    pub fn number(name: &str, values: Vec<f64>) -> Self {
        Self {
            name: name.to_owned(),
            values: CovariateValues::Number(values),
        }
    }

    /// A categorical covariate.
    pub fn category(name: &str, levels: Vec<String>, codes: Vec<u32>) -> Self {
        Self {
            name: name.to_owned(),
            values: CovariateValues::Category { levels, codes },
        }
    }

    /// How many lives it covers.
    pub fn len(&self) -> usize {
        match &self.values {
            CovariateValues::Number(values) => values.len(),
            CovariateValues::Category { codes, .. } => codes.len(),
        }
    }

    /// Whether it covers no life.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Whether the value of a life is there.
    pub fn is_known(&self, i: usize) -> bool {
        match &self.values {
            CovariateValues::Number(values) => !values[i].is_nan(),
            CovariateValues::Category { levels, codes } => (codes[i] as usize) < levels.len(),
        }
    }
}

/// What a column of the design stands for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Term {
    /// Covariate.
    pub(super) covariate: String,
    /// Level, for categories.
    pub(super) level: Option<String>,
}

/// Design matrix without its first column of ones, column by column, centred and scaled:
/// `x' = (x − centre)/scale`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Design {
    pub(super) terms: Vec<Term>,
    pub(super) centre: Vec<f64>,
    pub(super) scale: Vec<f64>,
    /// `terms.len()` columns of `rows.len()` values.
    pub(super) columns: Vec<Vec<f64>>,
}

impl Design {
    /// Design over the kept rows.
    pub(super) fn new(
        covariates: &[Covariate],
        rows: &[usize],
        weight: &[f64],
    ) -> Result<Self, RegressionError> {
        let mut terms = Vec::new();
        let mut columns: Vec<Vec<f64>> = Vec::new();
        for covariate in covariates {
            match &covariate.values {
                CovariateValues::Number(values) => {
                    if let Some(&i) = rows.iter().find(|&&i| values[i].is_infinite()) {
                        return Err(RegressionError::NotFinite {
                            covariate: covariate.name.clone(),
                            row: i + 1,
                        });
                    }
                    terms.push(Term {
                        covariate: covariate.name.clone(),
                        level: None,
                    });
                    columns.push(rows.iter().map(|&i| values[i]).collect());
                }
                CovariateValues::Category { levels, codes } => {
                    let mut used: Vec<u32> = rows.iter().map(|&i| codes[i]).collect();
                    used.sort_unstable();
                    used.dedup();
                    if used.len() < 2 {
                        return Err(one_value(&covariate.name));
                    }
                    for &code in &used[1..] {
                        terms.push(Term {
                            covariate: covariate.name.clone(),
                            level: levels.get(code as usize).cloned(),
                        });
                        let is = |&i: &usize| f64::from(u8::from(codes[i] == code));
                        columns.push(rows.iter().map(is).collect());
                    }
                }
            }
        }
        let scaled: Vec<Option<(f64, f64)>> = columns
            .par_iter_mut()
            .map(|column| standardise(column, weight))
            .collect();
        let (mut centre, mut scale) = (Vec::new(), Vec::new());
        for (scaled, term) in scaled.into_iter().zip(&terms) {
            let (mean, deviation) = scaled.ok_or_else(|| one_value(&term.covariate))?;
            centre.push(mean);
            scale.push(deviation);
        }
        let design = Self {
            terms,
            centre,
            scale,
            columns,
        };
        design.check_rank(rows.len())?;
        Ok(design)
    }

    /// Gram–Schmidt on the scaled columns: what is left of each after those before it.
    fn check_rank(&self, n: usize) -> Result<(), RegressionError> {
        let p = self.terms.len();
        let mut gram = vec![0.0; p * p];
        let pairs: Vec<(usize, usize)> =
            (0..p).flat_map(|a| (0..=a).map(move |b| (a, b))).collect();
        let products: Vec<f64> = pairs
            .par_iter()
            .map(|&(a, b)| product(&self.columns[a], &self.columns[b]))
            .collect();
        for ((a, b), product) in pairs.into_iter().zip(products) {
            gram[a * p + b] = product;
        }
        for a in 0..p {
            for b in 0..=a {
                let mut rest = gram[a * p + b];
                for k in 0..b {
                    rest -= gram[a * p + k] * gram[b * p + k];
                }
                if a == b {
                    if rest <= 1e-9 * n as f64 {
                        return Err(RegressionError::Collinear { term: self.name(a) });
                    }
                    gram[a * p + a] = rest.sqrt();
                } else {
                    gram[a * p + b] = rest / gram[b * p + b];
                }
            }
        }
        Ok(())
    }

    /// Name of a column as shown: `hose size: 3/8`, or the covariate alone for numbers.
    pub(super) fn name(&self, column: usize) -> String {
        let term = &self.terms[column];
        match &term.level {
            Some(level) => format!("{}: {}", term.covariate, level),
            None => term.covariate.clone(),
        }
    }
}

/// Centres and scales a column: its mean and deviation. `None` when all values are one.
fn standardise(column: &mut [f64], weight: &[f64]) -> Option<(f64, f64)> {
    let first = column.first().copied().unwrap_or(0.0);
    if column.iter().all(|&v| v == first) {
        return None;
    }
    let (mut total, mut sum, mut spread) =
        (Running::default(), Running::default(), Running::default());
    // Shifted by the first value, so that a large common offset costs no digits.
    widest(|| {
        total.add(weight, weight, weight, |w, _, _| w);
        sum.add(weight, column, column, |w, v, _| w * (v - first));
    });
    let mean = first + sum.total() / total.total();
    widest(|| {
        spread.add(weight, column, column, |w, v, _| {
            w * (v - mean) * (v - mean)
        });
    });
    let deviation = (spread.total() / total.total()).sqrt();
    if !(deviation > 0.0 && deviation.is_finite()) {
        return None;
    }
    for v in column {
        *v = (*v - mean) / deviation;
    }
    Some((mean, deviation))
}

fn product(a: &[f64], b: &[f64]) -> f64 {
    let mut sum = Running::default();
    widest(|| sum.add(a, b, b, |a, b, _| a * b));
    sum.total()
}

fn one_value(name: &str) -> RegressionError {
    RegressionError::OneValue {
        covariate: name.to_owned(),
    }
}

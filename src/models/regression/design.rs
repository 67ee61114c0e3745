//! Covariates → a design matrix, centred and scaled inside.

use rayon::prelude::*;

use crate::numerics::vector::{Running, widest};

use super::RegressionError;
use super::kept::Kept;
use super::rows::{CHUNK, ONES};

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

    /// Whether every value is there, and finite.
    pub(super) fn is_complete(&self) -> bool {
        match &self.values {
            CovariateValues::Number(values) => values
                .par_chunks(CHUNK)
                .all(|part| part.iter().fold(true, |all, v| all & v.is_finite())),
            CovariateValues::Category { levels, codes } => {
                codes.iter().all(|&code| (code as usize) < levels.len())
            }
        }
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
    /// `terms.len()` columns of `rows.len()` values; the likelihood's rows take them over.
    pub(super) columns: Vec<Vec<f64>>,
}

/// Where a column's values come from.
enum Source<'a> {
    Numbers(&'a [f64]),
    /// 1 where the code is this one.
    Level(&'a [u32], u32),
}

impl Source<'_> {
    /// Values of the kept rows from `first` on, as many as the buffer has room for.
    fn read<'b>(&'b self, kept: &Kept, first: usize, buffer: &'b mut [f64]) -> &'b [f64] {
        match (self, kept) {
            (Self::Numbers(values), Kept::All(_)) => {
                return &values[first..first + buffer.len()];
            }
            (Self::Numbers(values), Kept::Some(rows)) => {
                for (out, &i) in buffer.iter_mut().zip(&rows[first..]) {
                    *out = values[i];
                }
            }
            (Self::Level(codes, level), _) => {
                for (k, out) in buffer.iter_mut().enumerate() {
                    *out = f64::from(u8::from(codes[kept.row(first + k)] == *level));
                }
            }
        }
        buffer
    }
}

impl Design {
    /// Design over the kept rows; `weight` is empty when each row stands for one life.
    pub(super) fn new(
        covariates: &[&Covariate],
        kept: &Kept,
        weight: &[f64],
    ) -> Result<Self, RegressionError> {
        let mut terms = Vec::new();
        let mut sources = Vec::new();
        for covariate in covariates {
            let name = &covariate.name;
            match &covariate.values {
                CovariateValues::Number(values) => {
                    if let Some(i) = kept.iter().find(|&i| values[i].is_infinite()) {
                        return Err(RegressionError::NotFinite {
                            covariate: name.clone(),
                            row: i + 1,
                        });
                    }
                    terms.push(Term {
                        covariate: name.clone(),
                        level: None,
                    });
                    sources.push(Source::Numbers(values));
                }
                CovariateValues::Category { levels, codes } => {
                    let mut used: Vec<u32> = kept.of(codes);
                    used.sort_unstable();
                    used.dedup();
                    if used.len() < 2 {
                        return Err(one_value(name));
                    }
                    for &code in &used[1..] {
                        terms.push(Term {
                            covariate: name.clone(),
                            level: levels.get(code as usize).cloned(),
                        });
                        sources.push(Source::Level(codes, code));
                    }
                }
            }
        }
        let (mut centre, mut scale) = (Vec::new(), Vec::new());
        for (source, term) in sources.iter().zip(&terms) {
            let (mean, deviation) =
                spread(source, kept, weight).ok_or_else(|| one_value(&term.covariate))?;
            centre.push(mean);
            scale.push(deviation);
        }
        let (columns, gram) = scaled(&sources, kept, &centre, &scale);
        let design = Self {
            terms,
            centre,
            scale,
            columns,
        };
        design.check_rank(gram, kept.len())?;
        Ok(design)
    }

    /// Gram–Schmidt on the scaled columns, from their products: what is left of each after those
    /// before it.
    fn check_rank(&self, mut gram: Vec<f64>, n: usize) -> Result<(), RegressionError> {
        let p = self.terms.len();
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

/// Weighted mean and deviation of a column. `None` when all values are one.
fn spread(source: &Source, kept: &Kept, weight: &[f64]) -> Option<(f64, f64)> {
    let n = kept.len();
    let mut origin = source.read(kept, 0, &mut [0.0; 1]).first().copied()?;
    for _ in 0..4 {
        // Taken from the origin, so that a large common offset costs no digits.
        let sums: Vec<[f64; 3]> = (0..n.div_ceil(CHUNK))
            .into_par_iter()
            .map(|chunk| {
                let start = chunk * CHUNK;
                let mut buffer = vec![0.0; CHUNK];
                let values = source.read(kept, start, &mut buffer[..CHUNK.min(n - start)]);
                let weight = weight
                    .get(start..start + values.len())
                    .unwrap_or(&ONES[..values.len()]);
                let mut sums = [Running::default(); 3];
                widest(
                    #[inline(always)]
                    || {
                        let [total, sum, squares] = &mut sums;
                        total.add(weight, values, values, |w, _, _| w);
                        sum.add(weight, values, values, |w, v, _| w * (v - origin));
                        squares.add(weight, values, values, |w, v, _| {
                            w * (v - origin) * (v - origin)
                        });
                    },
                );
                sums.map(|s| s.total())
            })
            .collect();
        let [mut total, mut sum, mut squares] = [0.0; 3];
        for [t, s, q] in sums {
            total += t;
            sum += s;
            squares += q;
        }
        let (mean, square) = (sum / total, squares / total);
        let variance = square - mean * mean;
        // An origin far out has cost digits: again from the middle.
        if variance < 1e-4 * square && square > 0.0 {
            origin += mean;
            continue;
        }
        let deviation = variance.sqrt();
        return (deviation > 0.0 && deviation.is_finite()).then_some((origin + mean, deviation));
    }
    None
}

/// The columns centred and scaled, and the lower triangle of their products.
fn scaled(
    sources: &[Source],
    kept: &Kept,
    centre: &[f64],
    scale: &[f64],
) -> (Vec<Vec<f64>>, Vec<f64>) {
    let (n, p) = (kept.len(), sources.len());
    let mut columns = vec![vec![0.0; n]; p];
    // The columns' parts, chunk by chunk.
    let mut chunks: Vec<Vec<&mut [f64]>> = (0..n.div_ceil(CHUNK)).map(|_| Vec::new()).collect();
    for column in &mut columns {
        for (chunk, part) in chunks.iter_mut().zip(column.chunks_mut(CHUNK)) {
            chunk.push(part);
        }
    }
    let grams: Vec<Vec<f64>> = chunks
        .into_par_iter()
        .enumerate()
        .map(|(chunk, mut parts)| {
            let mut gram = vec![0.0; p * p];
            for (j, part) in parts.iter_mut().enumerate() {
                let mut buffer = vec![0.0; CHUNK];
                let values = sources[j].read(kept, chunk * CHUNK, &mut buffer[..part.len()]);
                let (centre, scale) = (centre[j], scale[j]);
                widest(
                    #[inline(always)]
                    || {
                        for (out, v) in part.iter_mut().zip(values) {
                            *out = (v - centre) / scale;
                        }
                    },
                );
            }
            for a in 0..p {
                for b in 0..=a {
                    gram[a * p + b] = product(parts[a], parts[b]);
                }
            }
            gram
        })
        .collect();
    let mut gram = vec![0.0; p * p];
    for part in grams {
        for (sum, more) in gram.iter_mut().zip(part) {
            *sum += more;
        }
    }
    (columns, gram)
}

fn product(a: &[f64], b: &[f64]) -> f64 {
    let mut sum = Running::default();
    widest(
        #[inline(always)]
        || sum.add(a, b, b, |a, b, _| a * b),
    );
    sum.total()
}

fn one_value(name: &str) -> RegressionError {
    RegressionError::OneValue {
        covariate: name.to_owned(),
    }
}

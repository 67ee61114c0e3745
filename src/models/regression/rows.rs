//! Lives in the form the likelihood of a regression reads.

use rayon::prelude::*;

use super::design::Design;
use super::kept::Kept;
use crate::lives::Observations;
use crate::numerics::vector::{BLOCK, Running, ln, widest};

/// Rows worked on at a time: fixed, so that sums do not depend on the number of threads.
pub(super) const CHUNK: usize = 4096;

/// Weights of rows that stand for one life each.
pub(super) static ONES: [f64; CHUNK] = [1.0; CHUNK];

/// What is known of a life.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Known {
    Exactly,
    Beyond,
    Before,
    Between,
}

/// Lives column by column; log hours are shifted by `shift`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rows {
    pub(super) known: Vec<Known>,
    /// ln low (exact, beyond, between) or ln high (before), less the shift.
    pub(super) y: Vec<f64>,
    /// ln high of intervals, less the shift; empty when there is none.
    pub(super) y_high: Vec<f64>,
    /// ln entry less the shift, −∞ for none; empty when no life entered late.
    pub(super) y_entry: Vec<f64>,
    /// How many lives a row stands for; empty when each stands for one.
    pub(super) weight: Vec<f64>,
    /// Columns of x after the first, which is all ones.
    pub(super) columns: Vec<Vec<f64>>,
    /// Stratum of each life; empty when there is one.
    pub(super) stratum: Vec<u32>,
    pub(super) strata: usize,
    /// Exact or right-censored, seen from new, of one stratum.
    pub(super) plain: bool,
    pub(super) shift: f64,
    /// Log-likelihood terms that no parameter moves: −Σ w·ln t over exact lives.
    pub(super) constant: f64,
}

impl Rows {
    /// Reads the kept lives; the columns are taken from the design.
    pub(super) fn new(
        lives: &Observations,
        kept: &Kept,
        design: &mut Design,
        weight: Vec<f64>,
        (stratum, strata): (Vec<u32>, usize),
    ) -> Self {
        let n = kept.len();
        let mut known = vec![Known::Exactly; n];
        let mut y = vec![0.0; n];
        let parts: Vec<Part> = known
            .par_chunks_mut(CHUNK)
            .zip(y.par_chunks_mut(CHUNK))
            .enumerate()
            .map(|(chunk, (known, y))| read(lives, kept, &weight, chunk * CHUNK, known, y))
            .collect();
        let mut all = Part::default();
        for part in &parts {
            all.lives += part.lives;
            all.sum += part.sum;
            all.worn_sum += part.worn_sum;
            all.bounds |= part.bounds;
            all.between |= part.between;
        }
        let shift = all.sum / all.lives;
        y.par_chunks_mut(CHUNK).for_each(|y| {
            for y in y {
                *y -= shift;
            }
        });
        let y_high = if all.between {
            // Infinite bounds stay out of the vector logarithm, which knows none.
            kept.iter().map(|i| lives.high[i].ln() - shift).collect()
        } else {
            Vec::new()
        };
        let y_entry = if lives.entry.iter().any(|&e| e > 0.0) {
            // The same logarithm as the ages', so that one that is an age of entry stays equal to it.
            let log = |entry: f64| {
                if entry > 0.0 {
                    ln(entry)
                } else {
                    f64::NEG_INFINITY
                }
            };
            kept.iter().map(|i| log(lives.entry[i]) - shift).collect()
        } else {
            Vec::new()
        };
        Self {
            known,
            y,
            y_high,
            y_entry,
            weight,
            columns: std::mem::take(&mut design.columns),
            plain: !all.bounds && lives.entry.is_empty() && strata == 1,
            stratum,
            strata,
            shift,
            constant: -all.worn_sum,
        }
    }

    pub(super) fn len(&self) -> usize {
        self.known.len()
    }

    /// Coefficients, with the intercept.
    pub(super) fn p(&self) -> usize {
        self.columns.len() + 1
    }

    /// How many lives row i stands for.
    pub(super) fn weight(&self, i: usize) -> f64 {
        self.weight.get(i).copied().unwrap_or(1.0)
    }

    /// Value of column a in row i.
    pub(super) fn x(&self, i: usize, a: usize) -> f64 {
        if a == 0 { 1.0 } else { self.columns[a - 1][i] }
    }

    /// `x·b` of row i, b the first p of `at`.
    pub(super) fn linear(&self, i: usize, at: &[f64]) -> f64 {
        let rest = self.columns.iter().zip(&at[1..]);
        at[0] + rest.map(|(column, b)| column[i] * b).sum::<f64>()
    }

    /// Every `step`-th row, for a first guess.
    pub(super) fn every(&self, step: usize) -> Self {
        let few = |values: &[f64]| -> Vec<f64> { values.iter().copied().step_by(step).collect() };
        let mut thin = Self {
            known: self.known.iter().copied().step_by(step).collect(),
            y: few(&self.y),
            y_high: few(&self.y_high),
            y_entry: few(&self.y_entry),
            weight: few(&self.weight),
            columns: self.columns.iter().map(|column| few(column)).collect(),
            stratum: self.stratum.iter().copied().step_by(step).collect(),
            strata: self.strata,
            plain: self.plain,
            shift: self.shift,
            constant: 0.0,
        };
        let worn = (0..thin.len()).filter(|&i| thin.known[i] == Known::Exactly);
        let worn_sum: f64 = worn
            .map(|i| thin.weight(i) * (thin.y[i] + thin.shift))
            .sum();
        thin.constant = -worn_sum;
        thin
    }
}

/// What reading some rows adds up.
#[derive(Debug, Clone, Copy, Default)]
struct Part {
    lives: f64,
    /// Σ w ln t over all rows, and over exactly known ones.
    sum: f64,
    worn_sum: f64,
    /// Some rows are neither exact nor right-censored; some lie between two bounds.
    bounds: bool,
    between: bool,
}

/// Reads the kept lives from `first` on.
fn read(
    lives: &Observations,
    kept: &Kept,
    weight: &[f64],
    first: usize,
    known: &mut [Known],
    y: &mut [f64],
) -> Part {
    let mut part = Part::default();
    let w = weight
        .get(first..first + y.len())
        .unwrap_or(&ONES[..y.len()]);
    for (k, (known, y)) in known.iter_mut().zip(y.iter_mut()).enumerate() {
        let i = kept.row(first + k);
        let (start, high) = (lives.low[i], lives.high[i]);
        // Alive when it came under observation.
        let low = start.max(lives.entry.get(i).copied().unwrap_or(0.0));
        (*known, *y) = if start == high {
            (Known::Exactly, high)
        } else if high == f64::INFINITY {
            (Known::Beyond, low)
        } else if low == 0.0 {
            part.bounds = true;
            (Known::Before, high)
        } else {
            (part.bounds, part.between) = (true, true);
            (Known::Between, low)
        };
    }
    let (mut count, mut sum, mut worn_sum) =
        (Running::default(), Running::default(), Running::default());
    widest(
        #[inline(always)]
        || {
            for y in y.iter_mut() {
                *y = ln(*y);
            }
            count.add(w, y, y, |w, _, _| w);
            sum.add(w, y, y, |w, y, _| w * y);
            let mut worn = [0.0; BLOCK];
            for ((known, y), w) in (known.chunks(BLOCK).zip(y.chunks(BLOCK))).zip(w.chunks(BLOCK)) {
                let worn = &mut worn[..y.len()];
                for ((worn, known), w) in worn.iter_mut().zip(known).zip(w) {
                    *worn = if *known == Known::Exactly { *w } else { 0.0 };
                }
                worn_sum.add(worn, y, y, |w, y, _| w * y);
            }
        },
    );
    part.lives = count.total();
    part.sum = sum.total();
    part.worn_sum = worn_sum.total();
    part
}

//! What is asked of a regression, checked and laid out: the lives kept, their design, their rows.

use rayon::prelude::*;

use super::design::Design;
use super::kept::Kept;
use super::rows::{CHUNK, Known, Rows};
use super::{Covariate, CovariateValues, RegressionError, RegressionRequest, StratumOwns};
use crate::lives::Observations;
use crate::models::curve::CurveError;
use crate::models::{Family, Kernel, LifeCounts, count_lives};

pub(super) struct Problem {
    pub(super) kernel: Kernel,
    pub(super) design: Design,
    pub(super) rows: Rows,
    /// Lives that were kept.
    pub(super) kept: Kept,
    pub(super) counts: LifeCounts,
    pub(super) strata: Vec<String>,
    /// α, when taken as known.
    pub(super) known_alpha: Option<f64>,
    pub(super) left_out: usize,
    pub(super) clusters: Vec<u32>,
}

impl Problem {
    pub(super) fn new(
        lives: &Observations,
        request: &RegressionRequest,
    ) -> Result<Self, RegressionError> {
        let kernel = match request.family {
            Family::Weibull | Family::Exponential => Kernel::SmallestExtreme,
            Family::Lognormal => Kernel::Normal,
            Family::Loglogistic => Kernel::Logistic,
            Family::WeibullThreshold => return Err(RegressionError::Family),
        };
        let known_alpha = match (request.family, request.known_shape) {
            (Family::Exponential, _) => Some(1.0),
            (_, Some(shape)) if !(shape > 0.0 && shape.is_finite()) => {
                return Err(RegressionError::KnownShape(shape));
            }
            (_, known) => known,
        };
        if !(request.confidence > 0.0 && request.confidence < 1.0) {
            return Err(CurveError::Confidence(request.confidence).into());
        }
        crate::models::curve::check_lives(lives)?;
        let n = lives.low.len();
        let mut covariates: Vec<&Covariate> = request.covariates.iter().collect();
        if let Some(strata) = &request.strata {
            if !matches!(strata.of.values, CovariateValues::Category { .. }) {
                return Err(RegressionError::StrataNumbers(strata.of.name.clone()));
            }
            if strata.own != StratumOwns::Shape {
                covariates.insert(0, &strata.of);
            }
        }
        let lengths = (covariates.iter().map(|c| (c.name.clone(), c.len())))
            .chain(
                request
                    .strata
                    .iter()
                    .map(|s| (s.of.name.clone(), s.of.len())),
            )
            .chain(
                request
                    .clusters
                    .iter()
                    .map(|c| ("clusters".to_owned(), c.len())),
            );
        for (name, found) in lengths {
            if found != n {
                return Err(RegressionError::Length {
                    name,
                    found,
                    expected: n,
                });
            }
        }
        let (kept, left_out) = keep(lives, &covariates, request);
        if kept.len() == 0 {
            return Err(RegressionError::NoLives);
        }
        if !kept.iter().any(|i| lives.high[i].is_finite()) {
            return Err(RegressionError::NoWorn);
        }
        let weight = if lives.count.is_empty() {
            Vec::new()
        } else {
            kept.of(&lives.count)
        };
        let mut design = Design::new(&covariates, &kept, &weight)?;
        let (strata, stratum) = match &request.strata {
            Some(s) if s.own != StratumOwns::Scale => shape_strata(&s.of, &kept),
            _ => (Vec::new(), Vec::new()),
        };
        let stratum = (stratum, strata.len().max(1));
        let rows = Rows::new(lives, &kept, &mut design, weight, stratum);
        empty_levels(&covariates, &kept, lives)?;
        let clusters = match &request.clusters {
            Some(codes) => kept.of(codes),
            None => Vec::new(),
        };
        Ok(Self {
            kernel,
            design,
            counts: counts(lives, &kept, &rows),
            rows,
            kept,
            strata,
            known_alpha,
            left_out,
            clusters,
        })
    }

    pub(super) fn p(&self) -> usize {
        self.rows.p()
    }

    pub(super) fn free(&self) -> Vec<usize> {
        let last = if self.known_alpha.is_some() {
            self.p()
        } else {
            self.p() + self.rows.strata
        };
        (0..last).collect()
    }

    pub(super) fn flat(&self, free: &[usize]) -> RegressionError {
        RegressionError::Flat {
            terms: free.iter().map(|&a| self.name(a)).collect(),
        }
    }

    /// Name of a parameter.
    pub(super) fn name(&self, a: usize) -> String {
        match a {
            0 => "scale".to_owned(),
            a if a < self.p() => self.design.name(a - 1),
            _ => "shape".to_owned(),
        }
    }
}

/// The lives that say something and whose covariates are all known, and how many covariates leave out.
fn keep(
    lives: &Observations,
    covariates: &[&Covariate],
    request: &RegressionRequest,
) -> (Kept, usize) {
    let n = lives.low.len();
    let strata = request.strata.as_ref().map(|s| &s.of);
    let mut all = covariates.iter().copied().chain(strata);
    let complete = all.all(Covariate::is_complete);
    // A life seen good at age 0 only says nothing.
    let says = |i: usize| {
        let counts = lives.count.get(i).is_none_or(|&w| w > 0.0);
        counts && (lives.low[i] > 0.0 || lives.high[i].is_finite())
    };
    let chunks = (0..n.div_ceil(CHUNK)).into_par_iter();
    let rows = |chunk: usize| chunk * CHUNK..((chunk + 1) * CHUNK).min(n);
    if complete && chunks.map(rows).all(|rows| rows.into_iter().all(says)) {
        return (Kept::All(n), 0);
    }
    let known = |i: usize| {
        covariates
            .iter()
            .copied()
            .chain(strata)
            .all(|c| c.is_known(i))
    };
    let left_out = (0..n).filter(|&i| !known(i)).count();
    let kept = (0..n).filter(|&i| known(i) && says(i)).collect();
    (Kept::Some(kept), left_out)
}

/// A category without any ended life on one of its levels has no finite coefficient: found before
/// the search, so that the level is named.
fn empty_levels(
    covariates: &[&Covariate],
    kept: &Kept,
    lives: &Observations,
) -> Result<(), RegressionError> {
    let mut terms = Vec::new();
    for covariate in covariates {
        if let CovariateValues::Category { levels, codes } = &covariate.values {
            for (level, name) in levels.iter().enumerate() {
                let mut of_level = kept
                    .iter()
                    .filter(|&i| codes[i] as usize == level)
                    .peekable();
                if of_level.peek().is_some() && of_level.all(|i| lives.high[i].is_infinite()) {
                    terms.push(format!("{}: {}", covariate.name, name));
                }
            }
        }
    }
    if terms.is_empty() {
        Ok(())
    } else {
        Err(RegressionError::Separated { terms })
    }
}

fn shape_strata(of: &Covariate, kept: &Kept) -> (Vec<String>, Vec<u32>) {
    let CovariateValues::Category { levels, codes } = &of.values else {
        return (Vec::new(), Vec::new());
    };
    let mut used: Vec<u32> = kept.of(codes);
    used.sort_unstable();
    used.dedup();
    let names = used
        .iter()
        .filter_map(|&c| levels.get(c as usize).cloned())
        .collect();
    let place = |c: u32| used.binary_search(&c).unwrap_or(0) as u32;
    (names, kept.iter().map(|i| place(codes[i])).collect())
}

fn counts(lives: &Observations, kept: &Kept, rows: &Rows) -> LifeCounts {
    if rows.plain && rows.weight.is_empty() {
        let worn = rows.known.iter().filter(|k| **k == Known::Exactly).count() as u64;
        let total = rows.len() as u64;
        return LifeCounts {
            total,
            worn,
            right_censored: total - worn,
            ..LifeCounts::default()
        };
    }
    count_lives(&kept.lives(lives))
}

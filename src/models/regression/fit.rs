//! The regression itself: rows → top of the likelihood → estimates in own units with errors.

use super::design::Design;
use super::likelihood::{Coordinates, Known, Rows};
use super::newton::{Top, climb};
use super::posterior::{self, Posed};
use super::residuals;
use super::robust;
use super::{
    ClusterSummary, Coefficient, Covariate, CovariateValues, Errors, Regression, RegressionError,
    RegressionRequest, ResidualCheck, StratumOwns, StratumShape, TestResult,
};
use crate::lives::Observations;
use crate::models::curve::CurveError;
use crate::models::log_lives::LogLives;
use crate::models::maximise::{maximise, maximise_known_sigma};
use crate::models::{Caution, CautionCode, Estimate, Family, Kernel, LifeCounts};
use crate::numerics::linear::Cholesky;
use crate::numerics::roots::brent;
use crate::numerics::special::{normal_cdf, two_sided_normal};
use crate::numerics::student_t::{t_multiplier, t_two_sided};
use crate::numerics::vector::{Running, ln_all};

/// Standard error of a scaled coefficient, in σ, above which a missing top is suspected.
const SUSPICIOUS: f64 = 30.0;
/// Lives from which the fit without covariates goes by condensed lives.
const LARGE: usize = 50_000;
/// 1/σ above which the fit is taken to pass through the lives exactly.
const PERFECT: f64 = 1e7;

/// Fits an accelerated-life regression by maximum likelihood.
///
/// Rows with a missing covariate are left out and counted. Errors: observed information in
/// (b, ln σ), as survival packages report it; profile likelihood; or clustered.
///
/// # Errors
/// Every way in which there is no estimate is a named [`RegressionError`].
pub fn regress(
    lives: &Observations,
    request: &RegressionRequest,
) -> Result<Regression, RegressionError> {
    let problem = Problem::new(lives, request)?;
    let top = problem.top()?;
    let null_log_likelihood = problem.null(lives, request, &top)?;
    problem.report(request, &top, null_log_likelihood)
}

/// How each life pulls at the level of the fitted model: the score in μ times σ, `e^z − 1` for a worn
/// life and `e^z` for a censored one under Weibull, turned so that more wear than expected is
/// positive. 0 for rows left out; they sum to 0.
///
/// # Errors
/// As [`regress`].
pub fn level_scores(
    lives: &Observations,
    request: &RegressionRequest,
) -> Result<Vec<f64>, RegressionError> {
    let problem = Problem::new(lives, request)?;
    let top = problem.top()?;
    let mut scores = vec![0.0; lives.low.len()];
    for (row, &i) in problem.kept.iter().enumerate() {
        let stratum = problem.rows.stratum.get(row).map_or(0, |&s| s as usize);
        let alpha = top.at[problem.p() + stratum].exp();
        let sums =
            problem
                .rows
                .sums_over(problem.kernel, &top.at, Coordinates::Natural, &[], [row]);
        scores[i] = -sums.gradient[0] / alpha;
    }
    Ok(scores)
}

/// What the standardised residuals say of the fitted model.
///
/// # Errors
/// As [`regress`].
pub fn residual_check(
    lives: &Observations,
    request: &RegressionRequest,
) -> Result<ResidualCheck, RegressionError> {
    let problem = Problem::new(lives, request)?;
    let top = problem.top()?;
    let free = problem.free();
    Ok(residuals::check(
        &problem.rows,
        problem.kernel,
        &top,
        &free,
        &problem.kept,
    ))
}

pub(super) struct Problem {
    pub(super) kernel: Kernel,
    pub(super) design: Design,
    pub(super) rows: Rows,
    /// Rows of the lives that were kept.
    kept: Vec<usize>,
    counts: LifeCounts,
    strata: Vec<String>,
    /// α, when taken as known.
    known_alpha: Option<f64>,
    left_out: usize,
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
        let mut covariates = request.covariates.clone();
        if let Some(strata) = &request.strata {
            if !matches!(strata.of.values, CovariateValues::Category { .. }) {
                return Err(RegressionError::StrataNumbers(strata.of.name.clone()));
            }
            if strata.own != StratumOwns::Shape {
                covariates.insert(0, strata.of.clone());
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
        let weight = |i: usize| lives.count.get(i).copied().unwrap_or(1.0);
        let known = |i: usize| {
            covariates.iter().all(|c| c.is_known(i))
                && request.strata.as_ref().is_none_or(|s| s.of.is_known(i))
        };
        // A life seen good at age 0 only says nothing.
        let says = |i: usize| weight(i) > 0.0 && (lives.low[i] > 0.0 || lives.high[i].is_finite());
        let mut kept = Vec::with_capacity(n);
        let mut left_out = 0;
        for i in 0..n {
            if !known(i) {
                left_out += 1;
            } else if says(i) {
                kept.push(i);
            }
        }
        if kept.is_empty() {
            return Err(RegressionError::NoLives);
        }
        if !kept.iter().any(|&i| lives.high[i].is_finite()) {
            return Err(RegressionError::NoWorn);
        }
        let weight: Vec<f64> = kept.iter().map(|&i| weight(i)).collect();
        let design = Design::new(&covariates, &kept, &weight)?;
        let (strata, stratum) = match &request.strata {
            Some(s) if s.own != StratumOwns::Scale => shape_strata(&s.of, &kept),
            _ => (Vec::new(), Vec::new()),
        };
        let rows = rows(lives, &kept, &design, weight, stratum, strata.len().max(1));
        empty_levels(&covariates, &kept, lives)?;
        let clusters = match &request.clusters {
            Some(codes) => kept.iter().map(|&i| codes[i]).collect(),
            None => Vec::new(),
        };
        Ok(Self {
            kernel,
            design,
            counts: counts(lives, &kept),
            rows,
            kept,
            strata,
            known_alpha,
            left_out,
            clusters,
        })
    }

    pub(super) fn p(&self) -> usize {
        self.rows.p
    }

    /// Maximum in natural coordinates of the scaled design.
    pub(super) fn top(&self) -> Result<Top, RegressionError> {
        let p = self.p();
        let start = self.start();
        let mut free: Vec<usize> = (0..p).collect();
        if self.known_alpha.is_none() {
            free.push(p);
        }
        // Large samples start at the top of every sixteenth row, and that at its own sixteenth's.
        let mut start = start;
        for step in [256, 16] {
            if self.rows.len() / step >= 2_000 {
                let thin = self.rows.every(step);
                let coordinates = Coordinates::Concave;
                let top = climb(&thin, self.kernel, start.clone(), coordinates, &free, &[]);
                if top.converged {
                    start = top.at;
                }
            }
        }
        let concave = climb(
            &self.rows,
            self.kernel,
            start,
            Coordinates::Concave,
            &free,
            &[],
        );
        let alpha = concave.at[p];
        if alpha > PERFECT {
            return Err(RegressionError::PerfectFit);
        }
        self.check_top(&concave, &free)?;
        let mut natural: Vec<f64> = concave.at[..p].iter().map(|g| g / alpha).collect();
        natural.extend(std::iter::repeat_n(alpha.ln(), self.rows.strata));
        let free = self.free();
        let top = climb(
            &self.rows,
            self.kernel,
            natural,
            Coordinates::Natural,
            &free,
            &[],
        );
        if top.at[p..].iter().any(|a| *a > PERFECT.ln()) {
            return Err(RegressionError::PerfectFit);
        }
        if !top.converged {
            return Err(self.flat(&free));
        }
        Ok(top)
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
    fn name(&self, a: usize) -> String {
        match a {
            0 => "scale".to_owned(),
            a if a < self.p() => self.design.name(a - 1),
            _ => "shape".to_owned(),
        }
    }

    /// A start near the middle of the lives.
    fn start(&self) -> Vec<f64> {
        let rows = &self.rows;
        let (mut weight, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for i in 0..rows.len() {
            if rows.known[i] != Known::Beyond {
                let y = match rows.known[i] {
                    Known::Between => f64::midpoint(rows.y[i], rows.y_high[i]),
                    _ => rows.y[i],
                };
                weight += rows.weight[i];
                sum += rows.weight[i] * y;
                squares += rows.weight[i] * y * y;
            }
        }
        let mean = sum / weight;
        let spread = (squares / weight - mean * mean).max(0.0).sqrt();
        let alpha = self.known_alpha.unwrap_or(1.2 / spread.max(0.05)).min(1e3);
        let mut start = vec![0.0; self.p() + 1];
        // Censored lives lie beyond: start a little high, where e^z cannot overflow.
        let latest = rows.y.iter().copied().fold(mean, f64::max);
        start[0] = alpha * f64::midpoint(mean, latest);
        start[self.p()] = self.known_alpha.unwrap_or(alpha);
        start
    }

    /// Looks along the least certain direction: a coefficient that can grow for ever without any
    /// life objecting has no finite estimate.
    fn check_top(&self, top: &Top, free: &[usize]) -> Result<(), RegressionError> {
        let k = top.at.len();
        let p = self.p();
        let alpha = top.at[p];
        let mut information = Vec::with_capacity(free.len() * free.len());
        for (row, &a) in free.iter().enumerate() {
            for (column, &b) in free.iter().enumerate() {
                let ridge = if row == column {
                    1e-13 * self.counts.total as f64
                } else {
                    0.0
                };
                information.push(ridge - top.sums.hessian[a * k + b]);
            }
        }
        let Some(factor) = Cholesky::new(information, free.len()) else {
            return if top.converged {
                Ok(())
            } else {
                Err(self.flat(free))
            };
        };
        let mut direction: Vec<f64> = (0..free.len()).map(|i| 1.0 + 0.1 * i as f64).collect();
        let mut length = 0.0;
        for _ in 0..50 {
            factor.solve(&mut direction);
            length = direction.iter().map(|d| d * d).sum::<f64>().sqrt();
            if !(length > 0.0 && length.is_finite()) {
                return Err(self.flat(free));
            }
            for d in &mut direction {
                *d /= length;
            }
        }
        // `length` is the largest variance of the concave parameters.
        if top.converged && length.sqrt() < SUSPICIOUS * (1.0 + alpha) {
            return Ok(());
        }
        let mut full = vec![0.0; k];
        for (&a, d) in free.iter().zip(&direction) {
            full[a] = *d;
        }
        for sign in [1.0, -1.0] {
            let turned: Vec<f64> = full.iter().map(|d| sign * d).collect();
            if self.nobody_objects(&turned) {
                let largest = turned.iter().map(|d| d.abs()).fold(0.0, f64::max);
                let terms: Vec<String> = (1..p)
                    .filter(|&a| turned[a].abs() > 0.05 * largest)
                    .map(|a| self.name(a))
                    .collect();
                return Err(if terms.is_empty() {
                    RegressionError::PerfectFit
                } else {
                    RegressionError::Separated { terms }
                });
            }
        }
        if top.converged {
            Ok(())
        } else {
            Err(self.flat(free))
        }
    }

    /// Whether no life's likelihood falls along a direction in (γ, α), however far.
    fn nobody_objects(&self, direction: &[f64]) -> bool {
        let p = self.p();
        let rows = &self.rows;
        let tolerance = 1e-4;
        (0..rows.len()).all(|i| {
            let x = &rows.x[i * p..(i + 1) * p];
            let eta: f64 = x.iter().zip(direction).map(|(x, d)| x * d).sum();
            let dz = direction[p] * rows.y[i] - eta;
            match rows.known[i] {
                Known::Exactly => dz.abs() <= tolerance && direction[p] >= -tolerance,
                Known::Beyond => dz <= tolerance,
                Known::Before => dz >= -tolerance,
                Known::Between => {
                    dz <= tolerance && direction[p] * rows.y_high[i] - eta >= -tolerance
                }
            }
        })
    }

    /// Log-likelihood without covariates, strata kept.
    fn null(
        &self,
        lives: &Observations,
        request: &RegressionRequest,
        top: &Top,
    ) -> Result<f64, RegressionError> {
        if request.covariates.is_empty() {
            return Ok(top.sums.value);
        }
        if self.kept.len() == lives.len()
            && let Some(value) = self.null_of_many(lives, request)
        {
            return Ok(value);
        }
        // The same lives: those with every covariate known.
        let take = |column: &Vec<f64>| -> Vec<f64> {
            if column.is_empty() {
                Vec::new()
            } else {
                self.kept.iter().map(|&i| column[i]).collect()
            }
        };
        let same = Observations {
            low: take(&lives.low),
            high: take(&lives.high),
            entry: take(&lives.entry),
            count: take(&lives.count),
        };
        if let Some(value) = self.null_of_many(&same, request) {
            return Ok(value);
        }
        let strata = request.strata.clone().map(|mut s| {
            if let CovariateValues::Category { codes, .. } = &mut s.of.values {
                *codes = self.kept.iter().map(|&i| codes[i]).collect();
            }
            s
        });
        let null = RegressionRequest {
            covariates: Vec::new(),
            strata,
            clusters: None,
            ..request.clone()
        };
        Ok(Self::new(&same, &null)?.top()?.sums.value)
    }

    /// [`Self::null`] of a large sample: the fit of the lives themselves, condensed.
    fn null_of_many(&self, lives: &Observations, request: &RegressionRequest) -> Option<f64> {
        if lives.len() < LARGE || request.strata.is_some() {
            return None;
        }
        let few = LogLives::new(lives);
        let fitted = match self.known_alpha {
            Some(alpha) => maximise_known_sigma(&few, self.kernel, 1.0 / alpha),
            None => maximise(&few, self.kernel),
        };
        fitted.ok().map(|fitted| fitted.log_likelihood)
    }

    fn report(
        &self,
        request: &RegressionRequest,
        top: &Top,
        null_log_likelihood: f64,
    ) -> Result<Regression, RegressionError> {
        let (p, k) = (self.p(), top.at.len());
        let free = self.free();
        let information = submatrix(&top.sums.hessian, k, &free, -1.0);
        let Some(factor) = Cholesky::new(information.clone(), free.len()) else {
            return Err(self.flat(&free));
        };
        let model = factor.inverse();
        let mut cautions = Vec::new();
        let by_cluster = match request.errors {
            Errors::ByCluster | Errors::ByClusterUnbiased => {
                Some(self.by_cluster(request.errors, top, &free, &information)?)
            }
            Errors::Wald | Errors::Likelihood | Errors::Posterior => None,
        };
        let summary = by_cluster.as_ref().map(|c| c.1);
        if summary.is_some_and(|s| !s.leave_one_out) {
            cautions.push(Caution::new(
                CautionCode::FewMachines,
                "One machine alone carries a coefficient, so leaving it out is impossible; the \
                 errors are then too small.",
            ));
        }
        let clustered = by_cluster.map(|c| c.0);
        let posterior = if request.errors == Errors::Posterior {
            let posed = Posed {
                rows: &self.rows,
                kernel: self.kernel,
                top,
                free: &free,
                covariance: &model,
                pinned: posterior::pinned(&self.rows),
            };
            match posed.points(|at| self.own_estimates(at)) {
                Ok(points) => Some(points),
                Err(why) => {
                    cautions.push(Caution::new(CautionCode::Note, why.text()));
                    None
                }
            }
        } else {
            None
        };
        let errors = match (request.errors, &posterior) {
            (Errors::Posterior, None) => Errors::Wald,
            (asked, _) => asked,
        };
        let own = |v: &[f64]| self.own_units(v, free.len(), k);
        let model = own(&model);
        let covariance = clustered.as_deref().map_or_else(|| model.clone(), own);
        let multiplier = summary.map_or_else(
            || two_sided_normal(request.confidence),
            |s: ClusterSummary| t_multiplier(request.confidence, s.degrees_of_freedom),
        );
        let estimates = self.own_estimates(&top.at);
        let error = |a: usize| covariance[a * k + a].max(0.0).sqrt();
        let profile = |a: usize, se: f64| self.profile(top, a, se, request.confidence);
        let coefficients = (1..p)
            .map(|a| {
                let (estimate, se) = (estimates[a], error(a));
                let scale = self.design.scale[a - 1];
                let (lower, upper) = if let Some(points) = &posterior {
                    points.limits(request.confidence, |at| at[a])
                } else if request.errors == Errors::Likelihood {
                    let (low, high) = profile(a, se * scale);
                    (low.map(|v| v / scale), high.map(|v| v / scale))
                } else {
                    (
                        Some(estimate - multiplier * se),
                        Some(estimate + multiplier * se),
                    )
                };
                let t = (estimate / se).abs();
                Coefficient {
                    name: self.design.name(a - 1),
                    covariate: self.design.terms[a - 1].covariate.clone(),
                    level: self.design.terms[a - 1].level.clone(),
                    estimate,
                    standard_error: se,
                    model_standard_error: model[a * k + a].max(0.0).sqrt(),
                    lower,
                    upper,
                    p_value: summary.map_or_else(
                        || 2.0 * normal_cdf(-t),
                        |s| t_two_sided(t, s.degrees_of_freedom),
                    ),
                }
            })
            .collect::<Vec<_>>();
        let shapes = (p..k)
            .map(|a| {
                let sigma = estimates[a].exp();
                let se = error(a);
                let (lower, upper) = match (request.errors, self.known_alpha) {
                    (_, Some(_)) => (None, None),
                    (Errors::Posterior, None) if posterior.is_some() => {
                        let limits = posterior
                            .as_ref()
                            .map(|points| points.limits(request.confidence, |at| (-at[a]).exp()));
                        limits.unwrap_or_default()
                    }
                    (Errors::Likelihood, None) => {
                        let (low, high) = profile(a, se);
                        (low.map(f64::exp), high.map(f64::exp))
                    }
                    _ => {
                        let factor = (multiplier * se).exp();
                        (Some(1.0 / (sigma * factor)), Some(factor / sigma))
                    }
                };
                StratumShape {
                    stratum: self.strata.get(a - p).cloned(),
                    sigma,
                    standard_error_ln_sigma: se,
                    shape: Estimate {
                        name: "shape".to_owned(),
                        estimate: Some(1.0 / sigma),
                        standard_error: self.known_alpha.is_none().then_some(se / sigma),
                        lower,
                        upper,
                    },
                }
            })
            .collect();
        let worn = self.counts.total - self.counts.right_censored;
        if worn < 5 * (p as u64) {
            cautions.push(Caution::new(
                CautionCode::FewWorn,
                format!(
                    "{worn} worn lives for {p} coefficients: fewer than five each, so the limits are \
                     rough."
                ),
            ));
        }
        if self.left_out > 0 {
            cautions.push(Caution::new(
                CautionCode::Note,
                format!(
                    "{} rows were left out because a covariate is missing.",
                    self.left_out
                ),
            ));
        }
        let se = error(0);
        Ok(Regression {
            family: request.family,
            lives: self.counts,
            left_out: self.left_out,
            confidence: request.confidence,
            errors,
            intercept: {
                let wald = (
                    Some(estimates[0] - multiplier * se),
                    Some(estimates[0] + multiplier * se),
                );
                let points = posterior.as_ref();
                let limits = points.map(|p| p.limits(request.confidence, |at| at[0]));
                let (lower, upper) = limits.unwrap_or(wald);
                Estimate {
                    name: "intercept".to_owned(),
                    estimate: Some(estimates[0]),
                    standard_error: Some(se),
                    lower,
                    upper,
                }
            },
            likelihood_ratio: TestResult::chi_square(
                2.0 * (top.sums.value - null_log_likelihood),
                u32::try_from(
                    request
                        .covariates
                        .iter()
                        .map(|c| self.columns_of(&c.name))
                        .sum::<usize>(),
                )
                .unwrap_or(u32::MAX),
            ),
            coefficients,
            shapes,
            log_likelihood: top.sums.value,
            null_log_likelihood,
            covariance,
            clusters: summary,
            posterior,
            cautions,
        })
    }

    fn by_cluster(
        &self,
        errors: Errors,
        top: &Top,
        free: &[usize],
        information: &[f64],
    ) -> Result<(Vec<f64>, ClusterSummary), RegressionError> {
        let covariance = match errors {
            Errors::ByClusterUnbiased => robust::unbiased,
            _ => robust::clustered,
        };
        covariance(
            &self.rows,
            self.kernel,
            &top.at,
            free,
            information,
            &self.clusters,
        )
    }

    fn columns_of(&self, covariate: &str) -> usize {
        self.design
            .terms
            .iter()
            .filter(|t| t.covariate == covariate)
            .count()
    }

    /// (intercept, b, ln σ) in own units from scaled (b', a).
    fn own_estimates(&self, at: &[f64]) -> Vec<f64> {
        let p = self.p();
        let mut own = at.to_vec();
        own[0] += self.rows.shift;
        for j in 1..p {
            own[j] = at[j] / self.design.scale[j - 1];
            own[0] -= own[j] * self.design.centre[j - 1];
        }
        for a in &mut own[p..] {
            *a = -*a;
        }
        own
    }

    /// Covariance in own units, zeros for what is known.
    fn own_units(&self, scaled: &[f64], free: usize, k: usize) -> Vec<f64> {
        let p = self.p();
        // Rows of the linear map from scaled to own.
        let mut map = vec![0.0; k * k];
        map[0] = 1.0;
        for j in 1..p {
            map[j * k + j] = 1.0 / self.design.scale[j - 1];
            map[j] = -self.design.centre[j - 1] / self.design.scale[j - 1];
        }
        for a in p..k {
            map[a * k + a] = -1.0;
        }
        let mut own = vec![0.0; k * k];
        for a in 0..k {
            for b in 0..k {
                let mut sum = 0.0;
                for c in 0..free {
                    for d in 0..free {
                        sum += map[a * k + c] * scaled[c * free + d] * map[b * k + d];
                    }
                }
                own[a * k + b] = sum;
            }
        }
        own
    }

    /// Limits of one scaled parameter by its profile likelihood; none where it never falls far enough.
    fn profile(&self, top: &Top, a: usize, se: f64, confidence: f64) -> (Option<f64>, Option<f64>) {
        let z = two_sided_normal(confidence);
        let free: Vec<usize> = self.free().into_iter().filter(|&b| b != a).collect();
        let limit = |sign: f64| {
            // Signed root of the likelihood ratio: nearly linear, so few evaluations.
            let mut last = top.at.clone();
            let mut root = |v: f64| {
                let mut start = last.clone();
                start[a] = v;
                let then = climb(
                    &self.rows,
                    self.kernel,
                    start,
                    Coordinates::Natural,
                    &free,
                    &[],
                );
                if then.sums.value.is_finite() {
                    last.clone_from(&then.at);
                }
                (2.0 * (top.sums.value - then.sums.value)).max(0.0).sqrt() - z
            };
            let (mut inner, mut step) = (top.at[a], z * se);
            for _ in 0..40 {
                let outer = inner + sign * step;
                let value = root(outer);
                if value.is_nan() {
                    return None;
                }
                if value >= 0.0 {
                    let tolerance = 1e-12 * (1.0 + outer.abs());
                    return brent(&mut root, inner.min(outer), inner.max(outer), tolerance);
                }
                inner = outer;
                step *= 1.6;
            }
            None
        };
        (limit(-1.0), limit(1.0))
    }
}

/// Rows and columns in `free`, times a sign.
fn submatrix(matrix: &[f64], k: usize, free: &[usize], sign: f64) -> Vec<f64> {
    let mut out = Vec::with_capacity(free.len() * free.len());
    for &a in free {
        out.extend(free.iter().map(|&b| sign * matrix[a * k + b]));
    }
    out
}

/// A category without any ended life on one of its levels has no finite coefficient: found before
/// the search, so that the level is named.
fn empty_levels(
    covariates: &[Covariate],
    kept: &[usize],
    lives: &Observations,
) -> Result<(), RegressionError> {
    let mut terms = Vec::new();
    for covariate in covariates {
        if let CovariateValues::Category { levels, codes } = &covariate.values {
            for (level, name) in levels.iter().enumerate() {
                let mut of_level = kept
                    .iter()
                    .filter(|&&i| codes[i] as usize == level)
                    .peekable();
                if of_level.peek().is_some() && of_level.all(|&i| lives.high[i].is_infinite()) {
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

fn shape_strata(of: &Covariate, kept: &[usize]) -> (Vec<String>, Vec<u32>) {
    let CovariateValues::Category { levels, codes } = &of.values else {
        return (Vec::new(), Vec::new());
    };
    let mut used: Vec<u32> = kept.iter().map(|&i| codes[i]).collect();
    used.sort_unstable();
    used.dedup();
    let names = used
        .iter()
        .filter_map(|&c| levels.get(c as usize).cloned())
        .collect();
    let place = |c: u32| used.binary_search(&c).unwrap_or(0) as u32;
    (names, kept.iter().map(|&i| place(codes[i])).collect())
}

fn rows(
    lives: &Observations,
    kept: &[usize],
    design: &Design,
    weight: Vec<f64>,
    stratum: Vec<u32>,
    strata: usize,
) -> Rows {
    let p = design.terms.len() + 1;
    let mut known = Vec::with_capacity(kept.len());
    let mut y = Vec::with_capacity(kept.len());
    let mut y_high = Vec::new();
    let any_between = kept
        .iter()
        .any(|&i| lives.low[i] > 0.0 && lives.low[i] < lives.high[i] && lives.high[i].is_finite());
    for &i in kept {
        let entry = lives.entry.get(i).copied().unwrap_or(0.0);
        // Alive when it came under observation.
        let (low, high) = (lives.low[i].max(entry), lives.high[i]);
        let (kind, hours) = if lives.low[i] == high {
            (Known::Exactly, high)
        } else if high.is_infinite() {
            (Known::Beyond, low)
        } else if low == 0.0 {
            (Known::Before, high)
        } else {
            (Known::Between, low)
        };
        known.push(kind);
        y.push(hours);
        if any_between {
            y_high.push(high);
        }
    }
    // Infinite bounds stay out of the vector logarithm, which knows none.
    let y = ln_all(&y);
    let y_high: Vec<f64> = y_high.into_iter().map(f64::ln).collect();
    let (mut constant, mut sum, mut total) =
        (Running::default(), Running::default(), Running::default());
    let exactly: Vec<f64> = (known.iter().zip(&weight))
        .map(|(known, &w)| if *known == Known::Exactly { w } else { 0.0 })
        .collect();
    constant.add(&exactly, &y, &y, |w, y, _| -w * y);
    sum.add(&weight, &y, &y, |w, y, _| w * y);
    total.add(&weight, &y, &y, |w, _, _| w);
    let (constant, shift) = (constant.total(), sum.total() / total.total());
    let (mut y, mut y_high) = (y, y_high);
    let exact_or_right = |k: &Known| matches!(k, Known::Exactly | Known::Beyond);
    let plain = known.iter().all(exact_or_right) && lives.entry.is_empty() && strata == 1;
    for y in y.iter_mut().chain(&mut y_high) {
        *y -= shift;
    }
    let y_entry = if lives.entry.iter().any(|&e| e > 0.0) {
        kept.iter().map(|&i| lives.entry[i].ln() - shift).collect()
    } else {
        Vec::new()
    };
    let mut x = Vec::with_capacity(kept.len() * p);
    for k in 0..kept.len() {
        x.push(1.0);
        x.extend(design.columns.iter().map(|column| column[k]));
    }
    Rows {
        known,
        y,
        y_high,
        y_entry,
        weight,
        x,
        p,
        stratum,
        strata,
        plain,
        shift,
        constant,
    }
}

fn counts(lives: &Observations, kept: &[usize]) -> LifeCounts {
    let mut counts = LifeCounts::default();
    for &i in kept {
        let weight = lives.count.get(i).map_or(1, |c| c.round() as u64);
        counts.total += weight;
        let kind = if lives.low[i] == lives.high[i] {
            &mut counts.worn
        } else if lives.high[i].is_infinite() {
            &mut counts.right_censored
        } else if lives.low[i] == 0.0 {
            &mut counts.left_censored
        } else {
            &mut counts.interval_censored
        };
        *kind += weight;
        if lives.entry.get(i).is_some_and(|&e| e > 0.0) {
            counts.left_truncated += weight;
        }
    }
    counts
}

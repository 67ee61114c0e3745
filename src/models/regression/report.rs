//! From the top of a regression's likelihood to what is reported: estimates and errors in own units.

use super::likelihood::Coordinates;
use super::newton::{Top, climb};
use super::posterior::{self, Posed};
use super::problem::Problem;
use super::robust;
use super::{
    ClusterSummary, Coefficient, Errors, Regression, RegressionError, RegressionRequest,
    StratumShape, TestResult,
};
use crate::models::{Caution, CautionCode, Estimate};
use crate::numerics::linear::Cholesky;
use crate::numerics::roots::brent;
use crate::numerics::special::{normal_cdf, two_sided_normal};
use crate::numerics::student_t::{t_multiplier, t_two_sided};

impl Problem {
    pub(super) fn report(
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
    pub(super) fn own_estimates(&self, at: &[f64]) -> Vec<f64> {
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

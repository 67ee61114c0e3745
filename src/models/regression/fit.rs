//! The regression itself: rows → top of the likelihood → estimates in own units with errors.

use super::kept::Kept;
use super::likelihood::Coordinates;
use super::newton::Top;
use super::problem::Problem;
use super::residuals;
use super::{CovariateValues, Regression, RegressionError, RegressionRequest, ResidualCheck};
use crate::lives::Observations;
use crate::models::log_lives::LogLives;
use crate::models::maximise::{maximise, maximise_known_sigma};

/// Lives from which the fit without covariates goes by condensed lives.
const LARGE: usize = 50_000;

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
    for (row, i) in problem.kept.iter().enumerate() {
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

impl Problem {
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
        if self.kept == Kept::All(lives.len())
            && let Some(value) = self.null_of_many(lives, request)
        {
            return Ok(value);
        }
        // The same lives: those with every covariate known.
        let same = self.kept.lives(lives);
        if let Some(value) = self.null_of_many(&same, request) {
            return Ok(value);
        }
        let strata = request.strata.clone().map(|mut s| {
            if let CovariateValues::Category { codes, .. } = &mut s.of.values {
                *codes = self.kept.of(codes);
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
}

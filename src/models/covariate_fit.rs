//! An accelerated-life regression as a [`Fit`]: shape, scale at covariates zero, coefficients.

use crate::lives::Observations;
use crate::numerics::special::two_sided_normal;

use super::fitting::{FitError, kernel_of};
use super::functional::Offset;
use super::kernel::Kernel;
use super::regression::{
    Covariate, Errors, Regression, RegressionError, RegressionRequest, regress,
};
use super::{
    Estimate, Family, Fit, FitRequest, GoodnessOfFit, IntervalMethod, MeanLife, Method,
    QuantileEstimate, ReliabilityEstimate,
};

/// Why there is no regression fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CovariateFitError {
    /// The request.
    #[error(transparent)]
    Request(#[from] FitError),
    /// The regression.
    #[error(transparent)]
    Regression(#[from] RegressionError),
}

/// Fits `ln T = μ + x·b + σW`: times and reliabilities are at covariates zero in their own units
/// and at the first level of each category. Coefficients have Wald intervals, profile-likelihood
/// ones where the request asks for them, or clustered ones where clusters are given; everything else
/// has Wald intervals from the regression's covariance.
///
/// # Errors
/// Requests other than by likelihood, beliefs, thresholds; and every way in which the regression has
/// no estimate (no worn life, a separated covariate, …), by name.
pub fn fit_with_covariates(
    observations: &Observations,
    request: &FitRequest,
    covariates: Vec<Covariate>,
    clusters: Option<Vec<u32>>,
) -> Result<Fit, CovariateFitError> {
    super::fitting::check(observations, request)?;
    if request.method != Method::Likelihood || request.belief.is_some() {
        return Err(FitError::Combination(
            "covariates go with the likelihood method and without a belief",
        )
        .into());
    }
    let (errors, interval_method) = match (&clusters, request.interval) {
        (Some(_), _) => (Errors::ByCluster, IntervalMethod::Wald),
        (None, IntervalMethod::Likelihood) => (Errors::Likelihood, IntervalMethod::Likelihood),
        (None, _) => (Errors::Wald, IntervalMethod::Wald),
    };
    let regression = regress(
        observations,
        &RegressionRequest {
            family: request.family,
            covariates,
            strata: None,
            clusters,
            errors,
            confidence: request.confidence,
            known_shape: request.known_shape,
        },
    )?;
    let curve = BaseCurve::new(&regression, request);
    let free = regression.coefficients.len() as f64 + 1.0 + f64::from(u8::from(curve.sigma_free));
    Ok(Fit {
        part: None,
        distribution: request.family,
        method: Method::Likelihood,
        lives: regression.lives,
        confidence: request.confidence,
        interval_method,
        log_likelihood: Some(regression.log_likelihood),
        aic: Some(2.0 * (free - regression.log_likelihood)),
        parameters: curve.parameters(request.family),
        coefficients: regression
            .coefficients
            .iter()
            .map(|c| Estimate {
                name: c.name.clone(),
                estimate: Some(c.estimate),
                standard_error: Some(c.standard_error),
                lower: c.lower,
                upper: c.upper,
            })
            .collect(),
        reduced_bias_shape: None,
        quantiles: request
            .at_probability
            .iter()
            .map(|&probability| curve.quantile(probability))
            .collect(),
        reliability: request
            .at_hours
            .iter()
            .map(|&hours| curve.reliability(hours))
            .collect(),
        mean_life: curve.mean(),
        goodness_of_fit: GoodnessOfFit::default(),
        cautions: regression.cautions.clone(),
    })
}

/// The curve at covariates zero.
struct BaseCurve<'a> {
    regression: &'a Regression,
    kernel: Kernel,
    mu: f64,
    sigma: f64,
    sigma_free: bool,
    multiplier: f64,
}

impl<'a> BaseCurve<'a> {
    fn new(regression: &'a Regression, request: &FitRequest) -> Self {
        let sigma = regression.shapes.first().map_or(1.0, |s| s.sigma);
        Self {
            regression,
            kernel: kernel_of(request.family),
            mu: regression.intercept.estimate.unwrap_or(f64::NAN),
            sigma,
            sigma_free: request.known_shape.is_none() && request.family != Family::Exponential,
            multiplier: two_sided_normal(request.confidence),
        }
    }

    /// Variance of `a·μ + b·ln σ`.
    fn variance(&self, a: f64, b: f64) -> f64 {
        let size = self.regression.covariance.len().isqrt();
        let mut weights = vec![0.0; size];
        if let Some(first) = weights.first_mut() {
            *first = a;
        }
        let sigma_at = 1 + self.regression.coefficients.len();
        if let (true, Some(last)) = (self.sigma_free, weights.get_mut(sigma_at)) {
            *last = b;
        }
        self.regression.variance_of(&weights)
    }

    fn on_log(&self, name: &str, ln_value: f64, variance: f64) -> Estimate {
        let error = variance.sqrt();
        let at = |reach: f64| Some((ln_value + reach * error).exp()).filter(|v| v.is_finite());
        Estimate {
            name: name.to_owned(),
            estimate: at(0.0),
            standard_error: at(0.0).map(|v| v * error),
            lower: at(-self.multiplier),
            upper: at(self.multiplier),
        }
    }

    fn parameters(&self, family: Family) -> Vec<Estimate> {
        let scale = self.on_log("scale", self.mu, self.variance(1.0, 0.0));
        let spread = self.variance(0.0, 1.0);
        let known = |mut e: Estimate| {
            if !self.sigma_free {
                (e.standard_error, e.lower, e.upper) = (None, None, None);
            }
            e
        };
        match family {
            Family::Exponential => vec![scale],
            Family::Lognormal => {
                let mut mu = self.regression.intercept.clone();
                "mu".clone_into(&mut mu.name);
                vec![mu, known(self.on_log("sigma", self.sigma.ln(), spread))]
            }
            Family::Loglogistic => {
                vec![scale, known(self.on_log("shape", -self.sigma.ln(), spread))]
            }
            Family::Weibull | Family::WeibullThreshold => {
                vec![known(self.on_log("shape", -self.sigma.ln(), spread)), scale]
            }
        }
    }

    fn time(&self, offset: Offset) -> Estimate {
        let d = offset.slope(self.kernel, self.sigma);
        let ln_hours = self.mu + offset.at(self.kernel, self.sigma);
        self.on_log("", ln_hours, self.variance(1.0, d))
    }

    fn quantile(&self, probability: f64) -> QuantileEstimate {
        let time = self.time(Offset::Quantile(self.kernel.quantile(probability)));
        QuantileEstimate {
            probability,
            hours: time.estimate,
            lower: time.lower,
            upper: time.upper,
        }
    }

    fn mean(&self) -> MeanLife {
        let time = self.time(Offset::Mean);
        MeanLife {
            hours: time.estimate,
            lower: time.lower,
            upper: time.upper,
        }
    }

    /// On the complementary log-log scale, like the fits without covariates.
    fn reliability(&self, hours: f64) -> ReliabilityEstimate {
        let z = (hours.ln() - self.mu) / self.sigma;
        let survival = self.kernel.ln_survival(z);
        let u = (-survival.value).ln();
        let slope = survival.first / survival.value;
        let reach = self.multiplier * slope.abs() * self.variance(-1.0 / self.sigma, -z).sqrt();
        let at = |u: f64| Some((-u.exp()).exp()).filter(|r| r.is_finite());
        ReliabilityEstimate {
            hours,
            reliability: Some(self.kernel.survival(z)),
            lower: at(u + reach),
            upper: at(u - reach),
        }
    }
}

//! An accelerated-life regression as a [`Fit`]: shape, scale at covariates zero, coefficients.

use crate::lives::Observations;
use crate::numerics::special::two_sided_normal;

use super::fitting::{FitError, POOR_FIT, kernel_of};
use super::functional::Offset;
use super::kernel::Kernel;
use super::regression::{
    Covariate, CovariateValues, Errors, Regression, RegressionError, RegressionRequest,
    ResidualCheck, Strata, StratumOwns, regress, residual_check,
};
use super::{
    Caution, CautionCode, Estimate, Family, Fit, FitRequest, GoodnessOfFit, IntervalMethod,
    MeanLife, Method, QuantileEstimate, ReliabilityEstimate,
};

/// Lives up to which the residuals are looked at.
const MOST_CHECKED: usize = 20_000;

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
/// and at the first level of each category. Intervals are posterior ones (flat in the coefficients and
/// ln σ; Wald ones where there is no posterior, which is said), or Wald ones, with profile-likelihood
/// ones for coefficients and shape where the request asks for them; or clustered ones where clusters
/// are given.
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
    let (regression, check) = regressed(observations, request, covariates, None, clusters)?;
    let mut fit = answer(&regression, request, None);
    told(&mut fit, &check);
    Ok(fit)
}

/// One regression over strata that own their shape, their scale, or both: one answer a stratum, each at
/// covariates zero, with the log-likelihood of the whole model. Strata come in the order of their
/// names.
///
/// # Errors
/// As [`fit_with_covariates`].
pub fn fit_with_strata(
    observations: &Observations,
    request: &FitRequest,
    covariates: Vec<Covariate>,
    strata: Strata,
    clusters: Option<Vec<u32>>,
) -> Result<Vec<Fit>, CovariateFitError> {
    let own = strata.own;
    let CovariateValues::Category { levels, codes } = &strata.of.values else {
        return Err(RegressionError::StrataNumbers(strata.of.name.clone()).into());
    };
    let mut used: Vec<u32> = codes.clone();
    used.sort_unstable();
    used.dedup();
    let levels: Vec<String> = used
        .iter()
        .filter_map(|&code| levels.get(code as usize).cloned())
        .collect();
    let name = strata.of.name.clone();
    let (regression, check) = regressed(observations, request, covariates, Some(strata), clusters)?;
    let fits = levels.iter().map(|level| {
        let stratum = Stratum {
            column: &name,
            level,
            own,
        };
        let mut fit = answer(&regression, request, Some(stratum));
        fit.part = Some(level.clone());
        told(&mut fit, &check);
        fit.cautions.push(Caution::new(
            CautionCode::Note,
            format!(
                "one model over {} strata of {name}: what they share is estimated from all of them, and \
                 the log-likelihood is the whole model's",
                levels.len()
            ),
        ));
        fit
    });
    Ok(fits.collect())
}

fn regressed(
    observations: &Observations,
    request: &FitRequest,
    covariates: Vec<Covariate>,
    strata: Option<Strata>,
    clusters: Option<Vec<u32>>,
) -> Result<(Regression, ResidualCheck), CovariateFitError> {
    super::fitting::check(observations, request)?;
    if request.method != Method::Likelihood || request.belief.is_some() {
        return Err(FitError::Combination(
            "covariates and strata go with the likelihood method and without a belief",
        )
        .into());
    }
    let errors = match (&clusters, request.interval) {
        (Some(_), _) => Errors::ByCluster,
        (None, IntervalMethod::Likelihood) => Errors::Likelihood,
        (None, IntervalMethod::Wald) => Errors::Wald,
        (None, _) => Errors::Posterior,
    };
    let asked = RegressionRequest {
        family: request.family,
        covariates,
        strata,
        clusters,
        errors,
        confidence: request.confidence,
        known_shape: request.known_shape,
    };
    let regression = regress(observations, &asked)?;
    // The check fits once more, and with so many lives any family is off by a little.
    let check = if observations.len() <= MOST_CHECKED {
        residual_check(observations, &asked)?
    } else {
        ResidualCheck::default()
    };
    Ok((regression, check))
}

/// What the residuals say, with a caution where it matters.
fn told(fit: &mut Fit, check: &ResidualCheck) {
    fit.goodness_of_fit = check.goodness_of_fit;
    if fit.goodness_of_fit.p_value.is_some_and(|p| p < POOR_FIT) {
        fit.cautions.push(Caution::new(
            CautionCode::PoorFit,
            "what is left after the covariates does not follow this family well: look for a column that \
             is missing, at mixed causes, or at another family",
        ));
    }
    let far: Vec<String> = check.far_out.iter().map(|f| f.life.to_string()).collect();
    if !far.is_empty() {
        fit.cautions.push(Caution::new(
            CautionCode::PoorFit,
            format!(
                "far from what the model expects, so look at the record: life {}",
                far.iter().take(5).cloned().collect::<Vec<_>>().join(", ")
            ),
        ));
    }
}

/// A stratum that an answer is about.
#[derive(Clone, Copy)]
struct Stratum<'a> {
    column: &'a str,
    level: &'a str,
    own: StratumOwns,
}

fn answer(regression: &Regression, request: &FitRequest, stratum: Option<Stratum>) -> Fit {
    let curve = BaseCurve::new(regression, request, stratum);
    let shapes = if curve.sigma_free {
        regression.shapes.len()
    } else {
        0
    };
    let free = (regression.coefficients.len() + 1 + shapes) as f64;
    // The strata's own scales are told by each stratum's answer.
    let shown = |name: &str| stratum.is_none_or(|s| s.column != name);
    Fit {
        part: None,
        distribution: request.family,
        method: Method::Likelihood,
        lives: regression.lives,
        confidence: request.confidence,
        interval_method: match regression.errors {
            Errors::Likelihood => IntervalMethod::Likelihood,
            Errors::Posterior => IntervalMethod::Posterior,
            Errors::Wald | Errors::ByCluster | Errors::ByClusterUnbiased => IntervalMethod::Wald,
        },
        log_likelihood: Some(regression.log_likelihood),
        aic: Some(2.0 * (free - regression.log_likelihood)),
        parameters: curve.parameters(request.family),
        coefficients: regression
            .coefficients
            .iter()
            .filter(|c| shown(&c.covariate))
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
    }
}

/// The curve at covariates zero, of a stratum where there are some.
struct BaseCurve<'a> {
    regression: &'a Regression,
    kernel: Kernel,
    mu: f64,
    sigma: f64,
    sigma_free: bool,
    /// Which coefficient moves the stratum's scale, from 0.
    level: Option<usize>,
    /// Which shape is the stratum's, from 0.
    shape: usize,
    multiplier: f64,
    confidence: f64,
}

impl<'a> BaseCurve<'a> {
    fn new(regression: &'a Regression, request: &FitRequest, stratum: Option<Stratum>) -> Self {
        let level = stratum.and_then(|s| {
            regression.coefficients.iter().position(|c| {
                s.own != StratumOwns::Shape
                    && c.covariate == s.column
                    && c.level.as_deref() == Some(s.level)
            })
        });
        let shape = stratum.and_then(|s| {
            let mut shapes = regression.shapes.iter();
            shapes.position(|found| found.stratum.as_deref() == Some(s.level))
        });
        let shape = shape.unwrap_or(0);
        let moved = level.map_or(0.0, |l| regression.coefficients[l].estimate);
        Self {
            regression,
            kernel: kernel_of(request.family),
            mu: regression.intercept.estimate.unwrap_or(f64::NAN) + moved,
            sigma: regression.shapes.get(shape).map_or(1.0, |s| s.sigma),
            sigma_free: request.known_shape.is_none() && request.family != Family::Exponential,
            level,
            shape,
            multiplier: two_sided_normal(request.confidence),
            confidence: request.confidence,
        }
    }

    /// Place of ln σ among (intercept, coefficients, ln σ a stratum).
    fn sigma_at(&self) -> usize {
        1 + self.regression.coefficients.len() + self.shape
    }

    /// `(μ, σ)` at a point of the posterior.
    fn curve_at(&self, at: &[f64]) -> (f64, f64) {
        let moved = self.level.map_or(0.0, |l| at[1 + l]);
        let sigma = if self.sigma_free {
            at[self.sigma_at()].exp()
        } else {
            self.sigma
        };
        (at[0] + moved, sigma)
    }

    /// Variance of `a·μ + b·ln σ`.
    fn variance(&self, a: f64, b: f64) -> f64 {
        let size = self.regression.covariance.len().isqrt();
        let mut weights = vec![0.0; size];
        if let Some(first) = weights.first_mut() {
            *first = a;
        }
        if let Some(moved) = self.level.and_then(|l| weights.get_mut(1 + l)) {
            *moved = a;
        }
        if let (true, Some(last)) = (self.sigma_free, weights.get_mut(self.sigma_at())) {
            *last = b;
        }
        self.regression.variance_of(&weights)
    }

    /// An estimate on the log scale; `of` is its log from a curve's (μ, σ).
    fn on_log(
        &self,
        name: &str,
        ln_value: f64,
        variance: f64,
        of: impl Fn(f64, f64) -> f64,
    ) -> Estimate {
        let error = variance.sqrt();
        let at = |reach: f64| Some((ln_value + reach * error).exp()).filter(|v| v.is_finite());
        let (lower, upper) = match &self.regression.posterior {
            Some(points) => {
                let (low, high) = points.limits(self.confidence, |at| {
                    let (mu, sigma) = self.curve_at(at);
                    of(mu, sigma)
                });
                let hours = |ln: Option<f64>| ln.map(f64::exp).filter(|v| v.is_finite());
                (hours(low), hours(high))
            }
            None => (at(-self.multiplier), at(self.multiplier)),
        };
        Estimate {
            name: name.to_owned(),
            estimate: at(0.0),
            standard_error: at(0.0).map(|v| v * error),
            lower,
            upper,
        }
    }

    fn parameters(&self, family: Family) -> Vec<Estimate> {
        let scale = self.on_log("scale", self.mu, self.variance(1.0, 0.0), |mu, _| mu);
        let spread = self.variance(0.0, 1.0);
        let profile = self.regression.shapes.get(self.shape);
        let known = |mut e: Estimate| {
            if !self.sigma_free {
                (e.standard_error, e.lower, e.upper) = (None, None, None);
            } else if let (Errors::Likelihood, Some(shape)) = (self.regression.errors, profile) {
                (e.lower, e.upper) = (shape.shape.lower, shape.shape.upper);
            }
            e
        };
        let shape = || known(self.on_log("shape", -self.sigma.ln(), spread, |_, s| -s.ln()));
        match family {
            Family::Exponential => vec![scale],
            Family::Lognormal => {
                let ln = |value: Option<f64>| value.map(f64::ln);
                let mu = Estimate {
                    name: "mu".to_owned(),
                    estimate: Some(self.mu),
                    standard_error: Some(self.variance(1.0, 0.0).sqrt()),
                    lower: ln(scale.lower),
                    upper: ln(scale.upper),
                };
                let mut sigma = self.on_log("sigma", self.sigma.ln(), spread, |_, s| s.ln());
                if let (Errors::Likelihood, Some(shape)) = (self.regression.errors, profile) {
                    let turned = |limit: Option<f64>| limit.map(f64::recip);
                    (sigma.lower, sigma.upper) =
                        (turned(shape.shape.upper), turned(shape.shape.lower));
                }
                vec![mu, sigma]
            }
            Family::Loglogistic => vec![scale, shape()],
            Family::Weibull | Family::WeibullThreshold => vec![shape(), scale],
        }
    }

    fn time(&self, offset: Offset) -> Estimate {
        let d = offset.slope(self.kernel, self.sigma);
        let ln_hours = self.mu + offset.at(self.kernel, self.sigma);
        self.on_log("", ln_hours, self.variance(1.0, d), |mu, sigma| {
            mu + offset.at(self.kernel, sigma)
        })
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
        let (lower, upper) = match &self.regression.posterior {
            // In −z, which rises with the reliability.
            Some(points) => {
                let (low, high) = points.limits(self.confidence, |at| {
                    let (mu, sigma) = self.curve_at(at);
                    (mu - hours.ln()) / sigma
                });
                let share = |minus_z: Option<f64>| minus_z.map(|m| self.kernel.survival(-m));
                (share(low), share(high))
            }
            None => (at(u + reach), at(u - reach)),
        };
        ReliabilityEstimate {
            hours,
            reliability: Some(self.kernel.survival(z)),
            lower,
            upper,
        }
    }
}

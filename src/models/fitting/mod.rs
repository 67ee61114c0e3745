//! One fit from lives to the whole answer: estimate, errors, intervals, check, cautions.

mod by_ranks;
mod cautions;
mod curve_only;
mod limits;
#[cfg(test)]
mod properties;
mod request;
#[cfg(test)]
mod tests;
mod with_threshold;
mod written;

pub use curve_only::{Curve, estimate, estimate_each};
pub use request::FitError;
pub(super) use request::check;

use crate::lives::Observations;
use crate::numerics::special::{chi_square_1_quantile, two_sided_normal};

use super::belief::Prior;
use super::bootstrap::Bootstrap;
use super::functional::{Intervals, NoIntervals};
use super::goodness::{anderson_darling, p_value};
use super::kernel::Kernel;
use super::life_model::{first_shape, scale_bounds, zero_worn_scale};
use super::likelihood::Likelihood;
use super::likelihood_ratio::LikelihoodRatio;
use super::log_lives::LogLives;
use super::maximise::{NoOptimum, Optimum, maximise, maximise_known_sigma, weibull_shape};
use super::posterior::{NoPosterior, Posterior};
use super::ranks::{line, points};
use super::unplaced;
use super::wald::Wald;
use super::{
    Caution, CautionCode, Family, Fit, FitRequest, GoodnessOfFit, IntervalMethod, MeanLife, Method,
    PlotPosition, count_lives,
};
use cautions::{cautions, code_of, four_digits};
use limits::{WithTails, ZeroWorn};

/// p-value of the Anderson–Darling distance below which a caution is given.
pub(super) const POOR_FIT: f64 = 0.05;

/// Worn lives under which a bootstrap that was not calibrated gets a caution.
const FEW_TO_CALIBRATE: f64 = 100.0;

/// The kernel of a family on the log-time scale.
pub(crate) fn kernel_of(family: Family) -> Kernel {
    match family {
        Family::Weibull | Family::Exponential | Family::WeibullThreshold => Kernel::SmallestExtreme,
        Family::Lognormal => Kernel::Normal,
        Family::Loglogistic => Kernel::Logistic,
    }
}

/// Fits one family to the lives of one part or group.
///
/// What has no number stays `None` and says why among the cautions: no worn life, all worn at one
/// age, a flat likelihood, no posterior.
///
/// # Errors
/// [`FitError`] for requests that cannot be met and lives that no age can have.
pub fn fit(observations: &Observations, request: &FitRequest) -> Result<Fit, FitError> {
    check(observations, request)?;
    let by_likelihood =
        request.method == Method::Likelihood && request.interval != IntervalMethod::Bootstrap;
    let taken = if by_likelihood {
        unplaced::taken_in(observations, request.family)
    } else {
        observations.placed()
    };
    let said = if taken.unplaced.is_empty() {
        unplaced::left_out(observations)
    } else {
        unplaced::caution(observations)
    };
    let observations = &*taken;
    let lives = if request.method == Method::Likelihood {
        LogLives::new(observations)
    } else {
        LogLives::each(observations)
    };
    let mut fit = Fit {
        part: None,
        distribution: request.family,
        method: request.method,
        lives: count_lives(observations),
        confidence: request.confidence,
        interval_method: request.interval,
        log_likelihood: None,
        aic: None,
        parameters: Vec::new(),
        coefficients: Vec::new(),
        reduced_bias_shape: None,
        quantiles: Vec::new(),
        reliability: Vec::new(),
        mean_life: MeanLife::default(),
        goodness_of_fit: GoodnessOfFit::default(),
        cautions: said.into_iter().collect(),
    };
    let known = known_sigma(request);
    let problem = Problem {
        observations,
        lives: &lives,
        request,
        kernel: kernel_of(request.family),
        known,
    };
    problem.answer(&mut fit);
    cautions(&lives, request, &mut fit);
    Ok(fit)
}

fn known_sigma(request: &FitRequest) -> Option<f64> {
    match request.family {
        Family::Exponential => Some(1.0),
        _ => request.known_shape.map(|shape| 1.0 / shape),
    }
}

struct Problem<'a> {
    observations: &'a Observations,
    lives: &'a LogLives,
    request: &'a FitRequest,
    kernel: Kernel,
    known: Option<f64>,
}

impl Problem<'_> {
    fn answer(&self, fit: &mut Fit) {
        if self.request.family == Family::WeibullThreshold {
            self.with_threshold(fit);
            return;
        }
        if self.request.method != Method::Likelihood {
            self.by_ranks(fit);
            return;
        }
        let optimum = match self.known {
            Some(sigma) => maximise_known_sigma(self.lives, self.kernel, sigma),
            None => maximise(self.lives, self.kernel),
        };
        match optimum {
            Ok(optimum) => self.estimated(&optimum, fit),
            Err(why) => self.not_estimated(why, fit),
        }
    }

    /// With an optimum: its curve, and intervals around it.
    fn estimated(&self, optimum: &Optimum, fit: &mut Fit) {
        let free = if self.known.is_some() { 1.0 } else { 2.0 };
        fit.log_likelihood = Some(optimum.log_likelihood);
        fit.aic = Some(2.0 * (free - optimum.log_likelihood));
        let shape = 1.0 / optimum.sigma;
        let intervals: Box<dyn Intervals> = match self.request.interval {
            IntervalMethod::Wald => Box::new(self.wald(optimum)),
            IntervalMethod::Likelihood => Box::new(LikelihoodRatio {
                likelihood: Likelihood {
                    kernel: self.kernel,
                    lives: self.lives,
                },
                optimum: *optimum,
                known_sigma: self.known.is_some(),
                chi_square: chi_square_1_quantile(self.request.confidence),
            }),
            IntervalMethod::Posterior => match self.posterior(shape, fit) {
                Some(posterior) => Box::new(posterior),
                None => Box::new(NoIntervals),
            },
            // Refused with this method before.
            IntervalMethod::Simulation => Box::new(NoIntervals),
            IntervalMethod::Bootstrap => {
                if let Some(bootstrap) = self.bootstrap(optimum) {
                    if !bootstrap.calibrated() && self.lives.worn() < FEW_TO_CALIBRATE {
                        fit.cautions.push(Caution::new(
                            CautionCode::Note,
                            "the bootstrap could not be calibrated for these lives (left- or \
                             interval-censored, late entry, or worn lives too few to simulate), so \
                             its limits hold less than they say; the posterior's hold more",
                        ));
                    }
                    Box::new(bootstrap)
                } else {
                    fit.cautions.push(Caution::new(
                        CautionCode::FlatLikelihood,
                        "no bootstrap interval: too many of the reweighted samples have no estimate",
                    ));
                    Box::new(NoIntervals)
                }
            }
        };
        self.fill(Some(optimum), intervals.as_ref(), fit);
        if self.request.family == Family::Weibull && self.known.is_none() {
            fit.reduced_bias_shape = reduced_bias_shape(self.lives);
        }
        self.goodness(optimum, fit);
    }

    fn bootstrap(&self, optimum: &Optimum) -> Option<Bootstrap> {
        Bootstrap::new(
            self.kernel,
            self.observations,
            self.lives,
            *optimum,
            self.known.is_some(),
            self.request.confidence,
        )
    }

    fn goodness(&self, optimum: &Optimum, fit: &mut Fit) {
        if !self.lives.unplaced.is_empty() {
            // Lives of told positions alone tend to be the short ones.
            return;
        }
        let (mu, sigma) = (optimum.mu, optimum.sigma);
        let statistic = anderson_darling(self.lives, self.kernel, mu, sigma);
        let known = self.known.is_some();
        let p = statistic.and_then(|a2| p_value(self.lives, self.kernel, optimum, known, a2));
        let plot = points(self.lives, PlotPosition::MedianRank)
            .and_then(|points| line(&points, self.kernel, true));
        fit.goodness_of_fit = GoodnessOfFit {
            anderson_darling: statistic,
            p_value: p,
            plot_correlation: plot.map(|line| line.correlation),
        };
        if p.is_some_and(|p| p < POOR_FIT) {
            fit.cautions.push(Caution::new(
                CautionCode::PoorFit,
                "the lives do not follow this family well: look at the probability plot, at mixed \
                 causes, or at another family",
            ));
        }
    }

    /// Without an optimum: what a belief, or a bound, still says.
    fn not_estimated(&self, why: NoOptimum, fit: &mut Fit) {
        fit.cautions
            .push(Caution::new(code_of(why), why.to_string()));
        if self.request.belief.is_some() && self.request.interval == IntervalMethod::Posterior {
            let prior = self.request.belief.as_ref().and_then(Prior::of);
            if let Some(posterior) = self.posterior(first_shape(self.lives, prior.as_ref()), fit) {
                self.fill(None, &posterior, fit);
                return;
            }
        }
        match (why, self.known) {
            (NoOptimum::NoWorn, Some(sigma))
                if self.kernel == Kernel::SmallestExtreme && !self.lives.right.y.is_empty() =>
            {
                let scale = zero_worn_scale(self.lives, 1.0 / sigma, self.request.confidence);
                let bound = ZeroWorn {
                    ln_scale: scale.ln(),
                    sigma,
                };
                self.fill(None, &bound, fit);
            }
            _ => self.fill(None, &NoIntervals, fit),
        }
        let bounds = scale_bounds(self.lives, self.request.confidence);
        if why == NoOptimum::NoWorn && self.request.family == Family::Weibull && !bounds.is_empty()
        {
            let each: Vec<String> = bounds
                .iter()
                .map(|b| format!("{} at shape {}", four_digits(b.scale), b.shape))
                .collect();
            fit.cautions.push(Caution::new(
                CautionCode::NoWorn,
                format!(
                    "lower bounds on the scale in hours, at {}% confidence, by the shape taken as \
                     known: {}",
                    100.0 * self.request.confidence,
                    each.join(", ")
                ),
            ));
        }
    }

    fn wald(&self, optimum: &Optimum) -> Wald {
        Wald {
            kernel: self.kernel,
            optimum: *optimum,
            shift: self.lives.shift,
            multiplier: two_sided_normal(self.request.confidence),
        }
    }

    fn posterior(&self, shape: f64, fit: &mut Fit) -> Option<WithTails> {
        let prior = self.request.belief.as_ref().and_then(Prior::of);
        let sharpest = self
            .request
            .at_probability
            .iter()
            .map(|&p| self.kernel.quantile(p).abs())
            .fold(2.5, f64::max);
        let posterior = match self.known {
            Some(sigma) => Posterior::known_shape(self.kernel, self.lives, 1.0 / sigma),
            None => Posterior::new(self.kernel, self.lives, prior, shape, sharpest),
        };
        match posterior {
            Ok(posterior) => Some(WithTails {
                posterior,
                kernel: self.kernel,
                tail: 0.5 * (1.0 - self.request.confidence),
                known_shape: self.known.is_some(),
            }),
            Err(why) => {
                let code = match why {
                    NoPosterior::NoWorn => CautionCode::NoWorn,
                    NoPosterior::OpenTowardsInfinity => CautionCode::AllWornAtOneAge,
                    NoPosterior::OpenTowardsZero => CautionCode::FlatLikelihood,
                };
                if !fit.cautions.iter().any(|c| c.code == code) {
                    fit.cautions
                        .push(Caution::new(code, format!("no interval: {why}")));
                }
                None
            }
        }
    }
}

/// The shape with its bias reduced: the root of `(r − 2)/β + Σ ln t − r Σ t^β ln t/Σ t^β`, the
/// likelihood equation with r − 2 for r worn lives in the first term. Its mean is within 2 % of the
/// true shape from 5 worn of 10 up (5 of 5: 4 %; simulated), where the likelihood estimate's is 57 %
/// above. `None` for r ≤ 2 and for lives that are not exact or right-censored and seen from new.
///
/// Source: Z. Yang & M. Xie, Efficient estimation of the Weibull shape parameter based on a modified
/// profile likelihood, Journal of Statistical Computation and Simulation 73 (2003) (from memory).
fn reduced_bias_shape(lives: &LogLives) -> Option<f64> {
    let worn = lives.worn_exactly();
    if worn <= 2.0 || !lives.exact_or_right() || !lives.all_from_new() {
        return None;
    }
    weibull_shape(lives, worn - 2.0).ok()
}

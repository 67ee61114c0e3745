//! Three parameters.

use super::Problem;
use crate::models::functional::{Limits, NoIntervals, Offset};
use crate::models::goodness::anderson_darling;
use crate::models::threshold::shifted;
use crate::models::threshold_ratio::ThresholdRatio;
use crate::models::{
    Caution, CautionCode, Estimate, Fit, IntervalMethod, MeanLife, QuantileEstimate,
    ReliabilityEstimate,
};
use crate::numerics::special::chi_square_1_quantile;

/// Rows up to which limits are worked out.
const MOST_FOR_THRESHOLD_LIMITS: usize = 2000;

impl Problem<'_> {
    /// Three parameters: the interior optimum only, with likelihood-ratio limits around it.
    pub(super) fn with_threshold(&self, fit: &mut Fit) {
        let Some(shifted) = shifted(self.observations) else {
            fit.cautions.push(Caution::new(
                CautionCode::NoInteriorOptimum,
                "the likelihood has no interior optimum in the threshold: it is greatest at 0 (then \
                 the weibull family is the answer) or without bound at the first worn age",
            ));
            self.fill(None, &NoIntervals, fit);
            return;
        };
        let optimum = shifted.optimum;
        fit.log_likelihood = Some(optimum.log_likelihood);
        fit.aic = Some(2.0 * (3.0 - optimum.log_likelihood));
        let hours = |offset: Offset| {
            let y = optimum.mu + offset.at(self.kernel, optimum.sigma) + shifted.lives.shift;
            Some(y.exp() + shifted.threshold).filter(|h| h.is_finite())
        };
        let ratio = ThresholdRatio {
            observations: self.observations,
            found: &shifted,
            chi_square: chi_square_1_quantile(self.request.confidence),
        };
        // Each limit costs thousands of looks at the lives.
        let few = self.observations.len() <= MOST_FOR_THRESHOLD_LIMITS && optimum.sigma < 1.0;
        let settled = |limits: &(dyn Fn() -> Limits + Sync)| {
            if few { limits() } else { Limits::default() }
        };
        let with = |name: &str, value: f64, limits: Limits| Estimate {
            name: name.to_owned(),
            estimate: Some(value),
            standard_error: None,
            lower: limits.lower.filter(|v| v.is_finite()),
            upper: limits.upper.filter(|v| v.is_finite()),
        };
        let scale = (optimum.mu + shifted.lives.shift).exp();
        let threshold = shifted.threshold;
        fit.interval_method = IntervalMethod::Likelihood;
        fit.parameters = vec![
            with("shape", 1.0 / optimum.sigma, settled(&|| ratio.shape())),
            with("scale", scale, settled(&|| ratio.scale())),
            with("threshold", threshold, settled(&|| ratio.threshold())),
        ];
        let quantile = |&probability: &f64| {
            let offset = Offset::Quantile(self.kernel.quantile(probability));
            let limits = settled(&|| ratio.life(offset));
            QuantileEstimate {
                probability,
                hours: hours(offset),
                lower: limits.lower,
                upper: limits.upper,
            }
        };
        fit.quantiles = self.request.at_probability.iter().map(quantile).collect();
        let reliability = |&hours: &f64| {
            let beyond = hours - shifted.threshold;
            let z = (beyond.ln() - shifted.lives.shift - optimum.mu) / optimum.sigma;
            let limits = settled(&|| ratio.reliability(hours));
            ReliabilityEstimate {
                hours,
                reliability: Some(if beyond > 0.0 {
                    self.kernel.survival(z)
                } else {
                    1.0
                }),
                lower: limits.lower,
                upper: limits.upper,
            }
        };
        fit.reliability = self.request.at_hours.iter().map(reliability).collect();
        let limits = settled(&|| ratio.life(Offset::Mean));
        fit.mean_life = MeanLife {
            hours: hours(Offset::Mean),
            lower: limits.lower,
            upper: limits.upper,
        };
        fit.goodness_of_fit.anderson_darling =
            anderson_darling(&shifted.lives, self.kernel, optimum.mu, optimum.sigma);
        fit.cautions.push(Caution::new(
            CautionCode::Note,
            "a threshold is a local optimum of a likelihood that has no greatest value; its limits are \
             likelihood-ratio ones around that optimum, over thresholds from 0 to where the likelihood \
             turns up again; one that this range does not settle is not given, and none with a shape of \
             1 or less",
        ));
    }
}

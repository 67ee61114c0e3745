//! An estimate and its intervals written out as the answer's numbers.

use rayon::prelude::*;

use super::Problem;
use crate::models::functional::{Intervals, Limits, Offset};
use crate::models::likelihood_ratio::FARTHEST_HOURS;
use crate::models::maximise::Optimum;
use crate::models::{Estimate, Family, Fit, MeanLife, QuantileEstimate, ReliabilityEstimate};

impl Problem<'_> {
    /// Writes parameters, quantiles, reliabilities and mean life; the point is the optimum's, or
    /// the intervals' own middle (posterior median) when there is none.
    pub(super) fn fill(&self, optimum: Option<&Optimum>, intervals: &dyn Intervals, fit: &mut Fit) {
        fit.parameters = self.parameters(optimum, intervals);
        let life = |offset: Offset| {
            let point = match optimum {
                Some(o) => {
                    let y = o.mu + offset.at(self.kernel, o.sigma) + self.lives.shift;
                    Some(y.exp()).filter(|h| h.is_finite())
                }
                None => intervals.median_life(offset),
            };
            (point, self.life_limits(intervals, offset))
        };
        fit.quantiles = self
            .request
            .at_probability
            .par_iter()
            .map(|&probability| {
                let (hours, limits) = life(Offset::Quantile(self.kernel.quantile(probability)));
                QuantileEstimate {
                    probability,
                    hours,
                    lower: limits.lower,
                    upper: limits.upper,
                }
            })
            .collect();
        fit.reliability = self
            .request
            .at_hours
            .iter()
            .map(|&hours| {
                let limits = intervals.reliability(hours);
                let point = match optimum {
                    Some(o) => {
                        let z = (hours.ln() - self.lives.shift - o.mu) / o.sigma;
                        Some(self.kernel.survival(z))
                    }
                    None => intervals.median_reliability(hours),
                };
                ReliabilityEstimate {
                    hours,
                    reliability: point,
                    lower: limits.lower,
                    upper: limits.upper,
                }
            })
            .collect();
        let (hours, limits) = life(Offset::Mean);
        fit.mean_life = MeanLife {
            hours,
            lower: limits.lower,
            upper: limits.upper,
        };
    }

    /// Limits of a life that lie within reach of the longest age seen; further out they are what the search
    /// or its rounding makes of them.
    fn life_limits(&self, intervals: &dyn Intervals, offset: Offset) -> Limits {
        let within = |hours: &f64| (hours.ln() - self.lives.shift).abs() <= FARTHEST_HOURS;
        let Limits { lower, upper } = intervals.life(offset);
        Limits {
            lower: lower.filter(within),
            upper: upper.filter(within),
        }
    }

    fn parameters(&self, optimum: Option<&Optimum>, intervals: &dyn Intervals) -> Vec<Estimate> {
        // An error that does not exist comes as NaN and becomes null here.
        let estimate = |name: &str, point: Option<f64>, error: Option<f64>, limits: Limits| {
            let sound = |x: Option<f64>| x.filter(|v| v.is_finite());
            Estimate {
                name: name.to_owned(),
                estimate: sound(point),
                standard_error: sound(error),
                lower: sound(limits.lower),
                upper: sound(limits.upper),
            }
        };
        let scale = {
            let point = match optimum {
                Some(o) => Some((o.mu + self.lives.shift).exp()),
                None => intervals.median_life(Offset::Quantile(0.0)),
            };
            let error = optimum
                .zip(point)
                .map(|(o, eta)| eta * o.covariance.aa.sqrt());
            let limits = self.life_limits(intervals, Offset::Quantile(0.0));
            estimate("scale", point, error, limits)
        };
        let (shape_point, shape_error, shape_limits) = match (self.known, optimum) {
            (Some(sigma), _) => (Some(1.0 / sigma), None, Limits::default()),
            (None, Some(o)) => {
                let beta = 1.0 / o.sigma;
                (
                    Some(beta),
                    Some(beta * o.covariance.bb.sqrt()),
                    intervals.shape(),
                )
            }
            (None, None) => (intervals.median_shape(), None, intervals.shape()),
        };
        match self.request.family {
            Family::Exponential => vec![scale],
            Family::Loglogistic => {
                let shape = estimate("shape", shape_point, shape_error, shape_limits);
                vec![scale, shape]
            }
            Family::Lognormal => {
                let ln = |x: Option<f64>| x.map(f64::ln);
                let mu = Estimate {
                    name: "mu".into(),
                    estimate: ln(scale.estimate),
                    standard_error: optimum
                        .map(|o| o.covariance.aa.sqrt())
                        .filter(|e| e.is_finite()),
                    lower: ln(scale.lower),
                    upper: ln(scale.upper),
                };
                let sigma = estimate(
                    "sigma",
                    shape_point.map(f64::recip),
                    optimum
                        .filter(|_| self.known.is_none())
                        .map(|o| o.sigma * o.covariance.bb.sqrt()),
                    shape_limits.map(f64::recip).swapped(),
                );
                vec![mu, sigma]
            }
            Family::Weibull | Family::WeibullThreshold => {
                let shape = estimate("shape", shape_point, shape_error, shape_limits);
                vec![shape, scale]
            }
        }
    }
}

//! Likelihood-ratio limits of a Weibull with a threshold, around its interior optimum.
//!
//! The likelihood has no greatest value: it grows without bound as the threshold nears the first worn
//! age. So it is looked at only for thresholds from 0 to where it turns up again towards that edge, and
//! limits are all values for which it is, at its best over the rest, within half a chi-square quantile
//! of the interior optimum. A limit that this range does not settle is none.

use crate::lives::Observations;
use crate::numerics::roots::{brent, maximum, walk_to_root};

use super::functional::{Limits, Offset};
use super::kernel::Kernel;
use super::likelihood::Likelihood;
use super::likelihood_ratio::{FARTHEST_HOURS, FARTHEST_SHAPE, LikelihoodRatio};
use super::log_lives::LogLives;
use super::maximise::maximise;
use super::threshold::{Shifted, less};

/// Thresholds looked at before closing in on the best.
const LOOKS: u32 = 16;
/// Doublings of the step before a limit is taken not to exist.
const MOST_DOUBLINGS: usize = 10;
const KERNEL: Kernel = Kernel::SmallestExtreme;

/// The limits of one fit.
pub(crate) struct ThresholdRatio<'a> {
    pub(crate) observations: &'a Observations,
    pub(crate) found: &'a Shifted,
    /// χ²(1) quantile of the confidence.
    pub(crate) chi_square: f64,
}

impl ThresholdRatio<'_> {
    fn level(&self) -> f64 {
        self.found.optimum.log_likelihood - 0.5 * self.chi_square
    }

    /// Limits of the threshold itself; the lower one is 0 where the likelihood stays high down to it.
    pub(crate) fn threshold(&self) -> Limits {
        let above = |threshold: f64| {
            let lives = LogLives::new(&less(self.observations, threshold));
            let value = maximise(&lives, KERNEL).map_or(f64::NEG_INFINITY, |o| o.log_likelihood);
            value.max(-1e300) - self.level()
        };
        let (best, valley) = (self.found.threshold, self.found.valley);
        let lower = if above(0.0) >= 0.0 {
            Some(0.0)
        } else {
            brent(above, 0.0, best, 1e-10 * best)
        };
        let upper = if above(valley) >= 0.0 {
            None
        } else {
            brent(above, best, valley, 1e-10 * best)
        };
        Limits { lower, upper }
    }

    pub(crate) fn shape(&self) -> Limits {
        let any = |_| f64::INFINITY;
        let centre = -self.found.optimum.sigma.ln();
        self.around(centre, any, |ratio, _, ln_shape| {
            ratio.at_shape(ln_shape.exp())
        })
        .within(centre, FARTHEST_SHAPE)
        .map(f64::exp)
    }

    pub(crate) fn scale(&self) -> Limits {
        let centre = self.found.optimum.mu + self.found.lives.shift;
        self.around(
            centre,
            |_| f64::INFINITY,
            |ratio, _, ln_scale| ratio.through_point(ln_scale - ratio.likelihood.lives.shift, 0.0),
        )
        .within(centre, FARTHEST_HOURS)
        .map(f64::exp)
    }

    /// `threshold + exp(μ + offset(σ))`.
    pub(crate) fn life(&self, offset: Offset) -> Limits {
        let optimum = &self.found.optimum;
        let beyond = optimum.mu + offset.at(KERNEL, optimum.sigma) + self.found.lives.shift;
        let centre = (beyond.exp() + self.found.threshold).ln();
        if !centre.is_finite() {
            return Limits::default();
        }
        self.around(centre, f64::exp, |ratio, threshold, ln_hours| {
            let beyond = ln_hours.exp() - threshold;
            if beyond <= 0.0 {
                return f64::NAN;
            }
            let psi = beyond.ln() - ratio.likelihood.lives.shift;
            match offset {
                Offset::Quantile(c) => ratio.through_point(psi, c),
                Offset::Mean => ratio.mean_profile(psi),
            }
        })
        .within(centre, FARTHEST_HOURS)
        .map(f64::exp)
    }

    /// Reliability at an age beyond the fitted threshold.
    pub(crate) fn reliability(&self, hours: f64) -> Limits {
        let beyond = hours - self.found.threshold;
        if beyond <= 0.0 {
            return Limits::default();
        }
        let optimum = &self.found.optimum;
        let z = (beyond.ln() - self.found.lives.shift - optimum.mu) / optimum.sigma;
        self.around(
            z,
            |_| hours,
            |ratio, threshold, z| {
                let beyond = hours - threshold;
                if beyond <= 0.0 {
                    return f64::NAN;
                }
                ratio.through_point(beyond.ln() - ratio.likelihood.lives.shift, z)
            },
        )
        .map(|z| KERNEL.survival(z))
        .swapped()
    }

    /// Both crossings of the level by the likelihood at its best over the other parameters; thresholds
    /// stay below an age that may go with the value.
    fn around(
        &self,
        centre: f64,
        below: impl Fn(f64) -> f64,
        value: impl Fn(&LikelihoodRatio, f64, f64) -> f64,
    ) -> Limits {
        let above = |psi: f64| {
            let at = |threshold: f64| {
                let lives = LogLives::new(&less(self.observations, threshold));
                let ratio = LikelihoodRatio {
                    likelihood: Likelihood {
                        kernel: KERNEL,
                        lives: &lives,
                    },
                    optimum: self.found.optimum,
                    known_sigma: false,
                    chi_square: self.chi_square,
                };
                let value = value(&ratio, threshold, psi);
                if value.is_nan() {
                    -1e300
                } else {
                    value.max(-1e300)
                }
            };
            let valley = self.found.valley.min(below(psi) * (1.0 - 1e-9));
            let look = |k: u32| valley * f64::from(k) / f64::from(LOOKS);
            let looks = (0..=LOOKS).map(|k| (k, at(look(k))));
            let (best, top) =
                looks.fold((0, f64::NEG_INFINITY), |a, b| if b.1 > a.1 { b } else { a });
            let (from, to) = (look(best.saturating_sub(1)), look((best + 1).min(LOOKS)));
            let fine = maximum(at, from, to, 1e-7 * valley).1;
            fine.max(top) - self.level()
        };
        let first = 1.5 * self.found.optimum.covariance.bb.max(1e-6).sqrt();
        let side = |step: f64| walk_to_root(above, centre, step, MOST_DOUBLINGS, 1e-9);
        Limits {
            lower: side(-first),
            upper: side(first),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::models::threshold::shifted;
    use crate::numerics::special::chi_square_1_quantile;

    /// Endurance of 23 ball bearings in millions of revolutions (Lieblein & Zelen 1956; Lawless 1982).
    const BEARINGS: [f64; 23] = [
        17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.48, 51.84, 51.96, 54.12, 55.56, 67.80, 68.64,
        68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40,
    ];

    /// The log-likelihood written out, over a grid of thresholds and shapes with the scale in closed
    /// form: a second way to the limits of threshold and shape.
    #[test]
    fn limits_of_threshold_and_shape_match_a_plain_grid() {
        let mut o = Observations::default();
        for t in BEARINGS {
            o.push(t, t, 0.0, 1.0);
        }
        let found = shifted(&o).unwrap();
        let ratio = ThresholdRatio {
            observations: &o,
            found: &found,
            chi_square: chi_square_1_quantile(0.9),
        };
        let n = BEARINGS.len() as f64;
        let value = |threshold: f64, shape: f64| {
            let power: f64 = BEARINGS.iter().map(|t| (t - threshold).powf(shape)).sum();
            let logs: f64 = BEARINGS.iter().map(|t| (t - threshold).ln()).sum();
            n * (shape.ln() - (power / n).ln()) + (shape - 1.0) * logs - n
        };
        let thresholds: Vec<f64> = (0..=400)
            .map(|k| found.valley * f64::from(k) / 400.0)
            .collect();
        let shapes: Vec<f64> = (0..=400)
            .map(|k| 0.6 + 2.6 * f64::from(k) / 400.0)
            .collect();
        let level = found.optimum.log_likelihood - 0.5 * ratio.chi_square;
        let inside = |(g, b): (f64, f64)| value(g, b) >= level;
        let held: Vec<(f64, f64)> = thresholds
            .iter()
            .flat_map(|&g| shapes.iter().map(move |&b| (g, b)))
            .filter(|&at| inside(at))
            .collect();
        let span = |of: fn(&(f64, f64)) -> f64| {
            let values = held.iter().map(of);
            values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
                (a.min(v), b.max(v))
            })
        };
        let (low, high) = span(|at| at.0);
        let threshold = ratio.threshold();
        assert!((threshold.lower.unwrap() - low).abs() < found.valley / 300.0);
        match threshold.upper {
            Some(upper) => assert!((upper - high).abs() < found.valley / 300.0),
            None => assert!(high > found.valley * 0.995),
        }
        let (low, high) = span(|at| at.1);
        let shape = ratio.shape();
        assert!((shape.lower.unwrap() - low).abs() < 0.02, "{shape:?} {low}");
        assert!(
            (shape.upper.unwrap() - high).abs() < 0.02,
            "{shape:?} {high}"
        );
        // A quantile's limits hold its estimate and are ordered.
        let c = KERNEL.quantile(0.1);
        let b10 = ratio.life(Offset::Quantile(c));
        let point = (found.optimum.mu + c * found.optimum.sigma + found.lives.shift).exp();
        let point = point + found.threshold;
        assert!(b10.lower.unwrap() < point && point < b10.upper.unwrap());
    }
}

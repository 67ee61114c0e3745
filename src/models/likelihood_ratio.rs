//! Likelihood-ratio intervals: all values for which the likelihood, maximised over the rest, is
//! within half a chi-square quantile of its top.

use crate::numerics::roots::{maximum, walk_to_root};

use super::functional::{Intervals, Limits, Offset};
use super::kernel::Kernel;
use super::likelihood::Likelihood;
use super::maximise::{Optimum, top};

/// Likelihood-ratio intervals around an optimum.
pub(crate) struct LikelihoodRatio<'a> {
    pub(crate) likelihood: Likelihood<'a>,
    pub(crate) optimum: Optimum,
    /// σ is known, not estimated.
    pub(crate) known_sigma: bool,
    /// χ²(1) quantile of the confidence.
    pub(crate) chi_square: f64,
}

/// Doublings of the step before a limit is taken not to exist: further out than any hours can be.
const MOST_DOUBLINGS: usize = 14;

/// Share of the estimated shape at which the level that is kept as the shape goes to 0 is read.
const LEAST_SHARE: f64 = 1e-9;

/// As a log, how far from the estimate a limit of the shape, and one of hours, may lie: further out the
/// likelihood does not fall, only its rounding does, and there is no limit.
pub(crate) const FARTHEST_SHAPE: f64 = 8.0;
pub(crate) const FARTHEST_HOURS: f64 = 200.0;

impl LikelihoodRatio<'_> {
    fn shift(&self) -> f64 {
        self.likelihood.lives.shift
    }

    /// Both crossings of `profile` with the level, walking out from `centre`.
    fn crossings(&self, centre: f64, first: f64, profile: impl Fn(f64) -> f64) -> Limits {
        // The root of the ratio is nearly straight on either side, so a secant hits it in few steps.
        let level = self.chi_square.sqrt();
        let above = |x: f64| {
            let value = profile(x);
            // Where nothing can be computed the likelihood is as good as zero.
            if value.is_nan() {
                -1e150
            } else {
                let ratio = 2.0 * (self.optimum.log_likelihood - value);
                (level - ratio.max(0.0).sqrt()).max(-1e150)
            }
        };
        let first = if first.is_finite() && first > 0.0 {
            first
        } else {
            1.0
        };
        let side = |step: f64| walk_to_root(above, centre, step, MOST_DOUBLINGS, 1e-12);
        Limits {
            lower: side(-first),
            upper: side(first),
        }
    }

    /// Whether the interval of the quantile `μ + cσ` holds this value, in shifted log hours.
    pub(crate) fn holds_life(&self, psi: f64, c: f64) -> bool {
        self.optimum.log_likelihood - self.through_point(psi, c) <= 0.5 * self.chi_square
    }

    /// Whether the interval of the shape holds this value.
    pub(crate) fn holds_shape(&self, tau: f64) -> bool {
        self.optimum.log_likelihood - self.at_shape(tau) <= 0.5 * self.chi_square
    }

    /// Top over μ at one shape.
    pub(crate) fn at_shape(&self, tau: f64) -> f64 {
        let along = self.likelihood.at_shape(tau);
        let jet = |gamma: f64| along.at(gamma);
        match top(jet, self.optimum.mu * tau, 1.0, f64::NEG_INFINITY) {
            Some(gamma) => jet(gamma).value,
            None => f64::NAN,
        }
    }

    /// Top over τ of the curves through `(ψ, c)`.
    pub(crate) fn through_point(&self, psi: f64, c: f64) -> f64 {
        if self.known_sigma {
            let sigma = self.optimum.sigma;
            return self.likelihood.value(psi - c * sigma, sigma);
        }
        let start = 1.0 / self.optimum.sigma;
        let jet = |tau: f64| self.likelihood.through_point(psi, c, tau);
        // Where no life pins an age the top may be the level that is kept as τ goes to 0.
        let found = top(jet, start, start, 0.0).unwrap_or(0.0);
        jet(found.max(LEAST_SHARE * start)).value
    }

    pub(crate) fn mean_profile(&self, ln_mean: f64) -> f64 {
        let kernel = self.likelihood.kernel;
        let at = |s: f64| {
            let sigma = s.exp();
            let value = self
                .likelihood
                .value(ln_mean - Offset::Mean.at(kernel, sigma), sigma);
            if value.is_nan() {
                f64::NEG_INFINITY
            } else {
                value
            }
        };
        if self.known_sigma {
            return at(self.optimum.sigma.ln());
        }
        // The ridge over ln σ is one hump; it lies within a few errors of the optimum's σ.
        let centre = self.optimum.sigma.ln();
        let reach = (6.0 * self.optimum.covariance.bb.max(0.0).sqrt()).clamp(1.0, 6.0);
        maximum(at, centre - reach, centre + reach, 1e-9).1
    }
}

impl LikelihoodRatio<'_> {
    /// Whether the mean has no upper limit: the interval of the shape reaches down to where the mean is
    /// infinite (1 for the loglogistic), or without end.
    fn holds_endless_means(&self) -> bool {
        !self.known_sigma
            && match self.likelihood.kernel {
                Kernel::Logistic => self.holds_shape(1.0),
                Kernel::SmallestExtreme | Kernel::Normal => self.shape().lower.is_none(),
            }
    }
}

impl Intervals for LikelihoodRatio<'_> {
    fn shape(&self) -> Limits {
        if self.known_sigma {
            return Limits::default();
        }
        let sigma = self.optimum.sigma;
        let profile = |ln_tau: f64| self.at_shape(ln_tau.exp());
        let first = 1.5 * self.optimum.covariance.bb.sqrt();
        let limits = self.crossings(-sigma.ln(), first, profile);
        limits.within(-sigma.ln(), FARTHEST_SHAPE).map(f64::exp)
    }

    fn life(&self, offset: Offset) -> Limits {
        let Optimum {
            mu,
            sigma,
            covariance: v,
            ..
        } = self.optimum;
        let kernel = self.likelihood.kernel;
        let centre = mu + offset.at(kernel, sigma);
        if !centre.is_finite() {
            return Limits::default();
        }
        let d = offset.slope(kernel, sigma);
        let first = 1.5 * (v.aa + d * (2.0 * v.ab + d * v.bb)).max(0.0).sqrt();
        let mut limits = match offset {
            Offset::Quantile(c) => self.crossings(centre, first, |psi| self.through_point(psi, c)),
            Offset::Mean => self.crossings(centre, first, |mean| self.mean_profile(mean)),
        };
        if offset == Offset::Mean && self.holds_endless_means() {
            limits.upper = None;
        }
        let limits = limits.within(centre, FARTHEST_HOURS);
        limits.map(|y| (y + self.shift()).exp())
    }

    fn reliability(&self, hours: f64) -> Limits {
        let Optimum { mu, sigma, .. } = self.optimum;
        let y = hours.ln() - self.shift();
        let z = (y - mu) / sigma;
        let kernel = self.likelihood.kernel;
        self.crossings(z, 0.5, |z| self.through_point(y, z))
            .map(|z| kernel.survival(z))
            .swapped()
    }
}

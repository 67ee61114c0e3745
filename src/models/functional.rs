//! What is asked of a fitted curve: hours as `exp(μ + offset(σ))`.

use crate::numerics::special::{digamma, ln_gamma};

use super::kernel::Kernel;

/// A time of the distribution, as the log distance from μ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Offset {
    /// A quantile, `c σ`; the scale is c = 0.
    Quantile(f64),
    /// The mean life: Weibull `ln Γ(1 + σ)`, lognormal `σ²/2`, loglogistic `ln(πσ / sin πσ)` for
    /// σ < 1 (infinite beyond).
    Mean,
}

impl Offset {
    /// Value at σ; infinite where the mean is.
    pub(crate) fn at(self, kernel: Kernel, sigma: f64) -> f64 {
        match (self, kernel) {
            (Self::Quantile(c), _) => c * sigma,
            (Self::Mean, Kernel::SmallestExtreme) => ln_gamma(1.0 + sigma),
            (Self::Mean, Kernel::Normal) => 0.5 * sigma * sigma,
            (Self::Mean, Kernel::Logistic) if sigma < 1.0 => {
                let a = std::f64::consts::PI * sigma;
                (a / a.sin()).ln()
            }
            (Self::Mean, Kernel::Logistic) => f64::INFINITY,
        }
    }

    /// Derivative in ln σ.
    pub(crate) fn slope(self, kernel: Kernel, sigma: f64) -> f64 {
        match (self, kernel) {
            (Self::Quantile(c), _) => c * sigma,
            (Self::Mean, Kernel::SmallestExtreme) => sigma * digamma(1.0 + sigma),
            (Self::Mean, Kernel::Normal) => sigma * sigma,
            (Self::Mean, Kernel::Logistic) if sigma < 1.0 => {
                let a = std::f64::consts::PI * sigma;
                1.0 - a / a.tan()
            }
            (Self::Mean, Kernel::Logistic) => f64::INFINITY,
        }
    }
}

/// Two limits; one that does not exist (does not settle, or exceeds any number of hours) is none.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Limits {
    pub(crate) lower: Option<f64>,
    pub(crate) upper: Option<f64>,
}

impl Limits {
    pub(crate) fn map(self, f: impl Fn(f64) -> f64) -> Self {
        let sound = |x: f64| Some(f(x)).filter(|v| v.is_finite());
        Self {
            lower: self.lower.and_then(sound),
            upper: self.upper.and_then(sound),
        }
    }

    /// Only what lies within a distance of the centre.
    pub(crate) fn within(self, centre: f64, farthest: f64) -> Self {
        let near = |limit: &f64| (*limit - centre).abs() < farthest;
        Self {
            lower: self.lower.filter(near),
            upper: self.upper.filter(near),
        }
    }

    /// Limits of a falling function of the quantity.
    pub(crate) fn swapped(self) -> Self {
        Self {
            lower: self.upper,
            upper: self.lower,
        }
    }
}

/// The ways of making intervals, for one fit at one confidence. Times in hours.
pub(crate) trait Intervals: Sync {
    /// The shape 1/σ.
    fn shape(&self) -> Limits;
    /// `exp(μ + offset(σ))`, hours.
    fn life(&self, offset: Offset) -> Limits;
    /// Reliability at an age in hours.
    fn reliability(&self, hours: f64) -> Limits;
    /// Middle of the shape's distribution, where the method has one.
    fn median_shape(&self) -> Option<f64> {
        None
    }
    /// Likewise of a time.
    fn median_life(&self, _: Offset) -> Option<f64> {
        None
    }
    /// Likewise of a reliability.
    fn median_reliability(&self, _: f64) -> Option<f64> {
        None
    }
}

/// No intervals.
pub(crate) struct NoIntervals;

impl Intervals for NoIntervals {
    fn shape(&self) -> Limits {
        Limits::default()
    }
    fn life(&self, _: Offset) -> Limits {
        Limits::default()
    }
    fn reliability(&self, _: f64) -> Limits {
        Limits::default()
    }
}

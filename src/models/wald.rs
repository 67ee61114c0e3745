//! Wald intervals: normal approximation on the log of times and of the shape, and on the
//! complementary log-log scale of the reliability, `u = ln(−ln R)`.

use super::functional::{Intervals, Limits, Offset};
use super::kernel::Kernel;
use super::maximise::Optimum;

/// Wald intervals around an optimum.
pub(crate) struct Wald {
    pub(crate) kernel: Kernel,
    pub(crate) optimum: Optimum,
    /// Log hours of the optimum's scale are shifted by this.
    pub(crate) shift: f64,
    /// Normal multiplier of the confidence.
    pub(crate) multiplier: f64,
}

impl Wald {
    fn around(&self, centre: f64, variance: f64) -> Limits {
        let reach = self.multiplier * variance.max(0.0).sqrt();
        Limits {
            lower: Some(centre - reach),
            upper: Some(centre + reach),
        }
    }
}

impl Intervals for Wald {
    fn shape(&self) -> Limits {
        let ln_shape = -self.optimum.sigma.ln();
        self.around(ln_shape, self.optimum.covariance.bb)
            .map(f64::exp)
    }

    fn life(&self, offset: Offset) -> Limits {
        let Optimum {
            mu,
            sigma,
            covariance: v,
            ..
        } = self.optimum;
        let d = offset.slope(self.kernel, sigma);
        let centre = mu + offset.at(self.kernel, sigma) + self.shift;
        if !centre.is_finite() {
            return Limits::default();
        }
        self.around(centre, v.aa + d * (2.0 * v.ab + d * v.bb))
            .map(f64::exp)
    }

    fn reliability(&self, hours: f64) -> Limits {
        let Optimum {
            mu,
            sigma,
            covariance: v,
            ..
        } = self.optimum;
        let z = (hours.ln() - self.shift - mu) / sigma;
        // z = (y − μ)/σ: ∂z/∂μ = −1/σ, ∂z/∂ ln σ = −z.
        let variance = v.aa / (sigma * sigma) + z * (2.0 * v.ab / sigma + z * v.bb);
        let survival = self.kernel.ln_survival(z);
        let u = (-survival.value).ln();
        let slope = survival.first / survival.value;
        self.around(u, slope * slope * variance)
            .map(|u| (-u.exp()).exp())
            .swapped()
    }
}

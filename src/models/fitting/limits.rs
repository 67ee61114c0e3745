//! Limits that come from the posterior, or with nothing worn from the time on test.

use crate::models::functional::{Intervals, Limits, Offset};
use crate::models::kernel::Kernel;
use crate::models::posterior::Posterior;

/// The posterior's intervals with equal tails.
pub(super) struct WithTails {
    pub(super) posterior: Posterior,
    pub(super) kernel: Kernel,
    pub(super) tail: f64,
    pub(super) known_shape: bool,
}

impl WithTails {
    fn both(&self, quantile: impl Fn(f64) -> Option<f64>) -> Limits {
        Limits {
            lower: quantile(self.tail),
            upper: quantile(1.0 - self.tail),
        }
    }

    fn life_at(&self, p: f64, offset: Offset) -> Option<f64> {
        self.posterior
            .life(p, |beta| offset.at(self.kernel, 1.0 / beta))
    }
}

impl Intervals for WithTails {
    fn shape(&self) -> Limits {
        if self.known_shape {
            return Limits::default();
        }
        self.both(|p| self.posterior.shape(p))
    }

    fn life(&self, offset: Offset) -> Limits {
        self.both(|p| self.life_at(p, offset))
    }

    fn reliability(&self, hours: f64) -> Limits {
        self.both(|p| self.posterior.reliability(p, hours))
    }

    fn median_shape(&self) -> Option<f64> {
        self.posterior.shape(0.5)
    }

    fn median_life(&self, offset: Offset) -> Option<f64> {
        self.life_at(0.5, offset)
    }

    fn median_reliability(&self, hours: f64) -> Option<f64> {
        self.posterior.reliability(0.5, hours)
    }
}

/// With nothing worn and the shape known: one-sided lower bounds that follow from the scale's.
pub(super) struct ZeroWorn {
    pub(super) ln_scale: f64,
    pub(super) sigma: f64,
}

impl Intervals for ZeroWorn {
    fn shape(&self) -> Limits {
        Limits::default()
    }

    fn life(&self, offset: Offset) -> Limits {
        let hours = (self.ln_scale + offset.at(Kernel::SmallestExtreme, self.sigma)).exp();
        Limits {
            lower: Some(hours).filter(|h| h.is_finite()),
            upper: None,
        }
    }

    fn reliability(&self, hours: f64) -> Limits {
        let z = (hours.ln() - self.ln_scale) / self.sigma;
        Limits {
            lower: Some(Kernel::SmallestExtreme.survival(z)),
            upper: None,
        }
    }
}

//! Belief before records, as a proper prior on (scale, shape).
//!
//! A stated range [L, H] says that 90 % of such parts wear out in it; a worth w says how many worn
//! parts that is worth. The prior:
//!
//! - the shape is lognormal around b₀ with variance `(6/π²)/max(w, 1)`, the variance that the
//!   maximum likelihood estimate of ln β has from w worn parts when n is large, never vaguer than
//!   one part's;
//! - given the shape, `(M/η)^β` is gamma-distributed with shape w and rate w: exactly what w parts
//!   worn out at age M say about η. So w counts on a level with worn parts in the records.
//!
//! M and b₀ are solved from one condition: the prior predictive distribution (what the prior
//! expects of the next part) has its 5 % and 95 % points at L and H. Because the predictive is a
//! location-scale family in `b₀ (ln t − ln M)`, that is a one-dimensional quadrature and two roots.

use std::sync::LazyLock;

use serde::Serialize;

use crate::numerics::quadrature::{Rule, gauss_legendre};
use crate::numerics::roots::brent;
use crate::numerics::special::ln_gamma;

use super::Belief;
use crate::records::Part;

/// Asymptotic variance of ln β̂ per worn part, 6/π² (complete Weibull samples; the inverse Fisher
/// information of ln β with the scale unknown).
const LN_SHAPE_VARIANCE: f64 = 0.607_927_101_854_026_6;

/// The prior that a belief makes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Prior {
    /// Age M, hours, at which the belief's w parts wore out, as far as the scale is concerned.
    pub age: f64,
    /// Median b₀ of the shape.
    pub shape: f64,
    /// Standard deviation of ln β.
    pub ln_shape_sd: f64,
    /// Worth w, in worn parts.
    pub worth: f64,
}

impl Belief {
    /// What the catalogue states of a part.
    pub fn of(part: &Part) -> Option<Self> {
        part.believed_life.map(|stated| Self {
            low: stated.low_hours,
            high: stated.high_hours,
            worth: stated.worth,
        })
    }
}

impl Prior {
    /// The prior of a belief; `None` unless 0 < low < high and worth > 0, all finite.
    pub fn of(belief: &Belief) -> Option<Self> {
        let Belief { low, high, worth } = *belief;
        let sound = low > 0.0 && low < high && high.is_finite() && worth > 0.0 && worth.is_finite();
        if !sound {
            return None;
        }
        let ln_shape_sd = (LN_SHAPE_VARIANCE / worth.max(1.0)).sqrt();
        let standard = |x: f64| standard_survival(x, ln_shape_sd, worth);
        let point = |survival: f64| {
            let mut reach = 8.0;
            for _ in 0..12 {
                let found = brent(|x| standard(x) - survival, -reach, reach, 1e-13);
                if found.is_some() {
                    return found;
                }
                reach *= 4.0;
            }
            None
        };
        let (early, late) = (point(0.95)?, point(0.05)?);
        let shape = (late - early) / (high.ln() - low.ln());
        let age = (low.ln() - early / shape).exp();
        (shape.is_finite() && shape > 0.0 && age.is_finite() && age > 0.0).then_some(Self {
            age,
            shape,
            ln_shape_sd,
            worth,
        })
    }

    /// Prior predictive survival at an age: what the belief alone expects.
    pub fn survival(&self, hours: f64) -> f64 {
        if hours <= 0.0 {
            return 1.0;
        }
        standard_survival(
            self.shape * (hours.ln() - self.age.ln()),
            self.ln_shape_sd,
            self.worth,
        )
    }

    /// Log prior density in (ln η, ln β).
    pub(crate) fn ln_density(&self, ln_scale: f64, ln_shape: f64) -> f64 {
        let w = self.worth;
        let ln_v = ln_shape.exp() * (self.age.ln() - ln_scale);
        let ln_gamma_part = w * (w.ln() + ln_v - ln_v.exp()) - ln_gamma(w);
        ln_gamma_part + ln_shape + self.ln_shape_density(ln_shape)
    }

    /// Log prior density of ln β.
    pub(crate) fn ln_shape_density(&self, ln_shape: f64) -> f64 {
        let z = (ln_shape - self.shape.ln()) / self.ln_shape_sd;
        -0.5 * z * z - (self.ln_shape_sd * (2.0 * std::f64::consts::PI).sqrt()).ln()
    }
}

static RULE: LazyLock<Rule> = LazyLock::new(|| gauss_legendre(80));

/// `E[(1 + e^(x·e^(sd·ε))/w)^−w]` over standard normal ε: the predictive survival for M = b₀ = 1 at
/// x = ln t, the gamma part in closed form, the normal part by Gauss–Legendre over ±8.5.
fn standard_survival(x: f64, sd: f64, w: f64) -> f64 {
    let integral = RULE.integrate(-8.5, 8.5, |e| {
        let power = (x * (sd * e).exp()).exp();
        (-0.5 * e * e - w * (power / w).ln_1p()).exp()
    });
    integral / (2.0 * std::f64::consts::PI).sqrt()
}

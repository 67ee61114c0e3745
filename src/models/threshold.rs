//! Weibull with a threshold: lives shifted by an age before which nothing wears out.
//!
//! The likelihood is unbounded as the threshold nears the first worn age with a shape under 1, so
//! only an interior local maximum counts as an estimate; where there is none, that is said.

use crate::lives::Observations;
use crate::numerics::roots::brent;

use super::kernel::Kernel;
use super::log_lives::LogLives;
use super::maximise::{Optimum, maximise};

/// A local maximum of the three-parameter likelihood.
#[derive(Debug, Clone)]
pub(crate) struct Shifted {
    pub(crate) threshold: f64,
    /// Lives less the threshold.
    pub(crate) lives: LogLives,
    pub(crate) optimum: Optimum,
    /// Threshold from which the likelihood turns up again, towards its edge without bound.
    pub(crate) valley: f64,
}

/// Points at which the profile's slope is looked at, from 0 to 0.99999 of the first worn age,
/// closer together towards it.
const LOOKS: u32 = 80;

/// The interior local maximum with the greatest likelihood, if there is one.
pub(crate) fn shifted(observations: &Observations) -> Option<Shifted> {
    // The first age by which something had worn out.
    let worn_by = observations.high.iter().copied().filter(|h| h.is_finite());
    let first = worn_by.fold(f64::INFINITY, f64::min);
    if !first.is_finite() {
        return None;
    }
    let slope = |threshold: f64| profile_slope(observations, threshold).unwrap_or(f64::NAN);
    // −ln(1 − γ/first) evenly: 0 … 11.5.
    let look = |k: u32| -first * (-11.5 * f64::from(k) / f64::from(LOOKS)).exp_m1();
    let mut best: Option<Shifted> = None;
    let mut before = (0.0, slope(0.0));
    // Whether the hump of the best one so far is still being walked down.
    let mut falling = false;
    for k in 1..=LOOKS {
        let here = (look(k), slope(look(k)));
        if let Some(best) = best.as_mut().filter(|_| falling) {
            if here.1 < 0.0 {
                best.valley = here.0;
            } else {
                falling = false;
                best.valley = brent(slope, before.0, here.0, 0.0).unwrap_or(before.0);
            }
        }
        if before.1 > 0.0 && here.1 < 0.0 {
            let root = brent(slope, before.0, here.0, 0.0);
            let found = root.and_then(|threshold| at(observations, threshold));
            // Where lives leave the threshold open the slope is rounding, of either sign.
            let stands_out = |found: &Shifted| {
                let top = found.optimum.log_likelihood;
                let least = 1e-9 * (1.0 + top.abs());
                [look(k.saturating_sub(2)), look(k + 1)]
                    .into_iter()
                    .all(|beside| {
                        let beside = at(observations, beside);
                        beside.is_none_or(|b| top - b.optimum.log_likelihood > least)
                    })
            };
            if let Some(found) = found.filter(stands_out)
                && best
                    .as_ref()
                    .is_none_or(|b| b.optimum.log_likelihood < found.optimum.log_likelihood)
            {
                best = Some(Shifted {
                    valley: here.0,
                    ..found
                });
                falling = true;
            }
        }
        before = here;
    }
    best
}

fn at(observations: &Observations, threshold: f64) -> Option<Shifted> {
    let lives = LogLives::new(&less(observations, threshold));
    let optimum = maximise(&lives, Kernel::SmallestExtreme).ok()?;
    Some(Shifted {
        threshold,
        lives,
        optimum,
        valley: threshold,
    })
}

/// Lives less the threshold; what is then below 0 says nothing and goes.
pub(crate) fn less(observations: &Observations, threshold: f64) -> Observations {
    let mut out = Observations::default();
    for i in 0..observations.len() {
        let (low, high) = (observations.low[i], observations.high[i]);
        let entry = observations.entry.get(i).copied().unwrap_or(0.0);
        let count = observations.count.get(i).copied().unwrap_or(1.0);
        if low != high && high == f64::INFINITY && low <= threshold {
            continue;
        }
        out.push(
            (low - threshold).max(0.0),
            high - threshold,
            (entry - threshold).max(0.0),
            count,
        );
    }
    out
}

/// Slope of the profile likelihood in the threshold (the other two at their best, so only the
/// direct dependence counts): with y = ln(t − γ), ∂y/∂γ = −1/(t − γ).
fn profile_slope(observations: &Observations, threshold: f64) -> Option<f64> {
    let Shifted { lives, optimum, .. } = at(observations, threshold)?;
    let kernel = Kernel::SmallestExtreme;
    let (mu, sigma) = (optimum.mu, optimum.sigma);
    let z = |y: f64| (y - mu) / sigma;
    let pull = |y: f64| (-(y + lives.shift)).exp();
    let mut slope = 0.0;
    for (y, w) in lives.exact.iter() {
        slope -= w * pull(y) * (kernel.ln_density(z(y)).first / sigma - 1.0);
    }
    for (y, w) in lives.right.iter() {
        slope -= w * pull(y) * kernel.ln_survival(z(y)).first / sigma;
    }
    for (y, w) in lives.left.iter() {
        slope -= w * pull(y) * kernel.ln_cdf(z(y)).first / sigma;
    }
    for p in lives.between.iter() {
        let jet = kernel.ln_between(z(p.a), z(p.b));
        slope -= p.weight * (pull(p.a) * jet.a + pull(p.b) * jet.b) / sigma;
    }
    for p in lives.since.iter() {
        let jet = kernel.ln_between_since(z(p.a), z(p.b));
        slope -= p.weight * (pull(p.a) * jet.a + pull(p.b) * jet.b) / sigma;
    }
    for (y, w) in lives.entry.iter() {
        slope += w * pull(y) * kernel.ln_survival(z(y)).first / sigma;
    }
    Some(slope)
}

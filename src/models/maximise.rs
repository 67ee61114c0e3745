//! Maximum likelihood: always an optimum or a named reason why there is none.

use crate::numerics::roots::walk_to_root;

use super::extreme;
use super::kernel::{Jet, Kernel};
use super::likelihood::{Likelihood, Second};
use super::log_lives::LogLives;

/// Why a likelihood has no greatest value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoOptimum {
    /// Nothing wore out.
    #[error("no life ended by wearing out, so the records only say that lives are longer")]
    NoWorn,
    /// One age explains every life.
    #[error(
        "one single age explains all lives (all worn lives ended at the greatest age seen), so the shape has no finite estimate"
    )]
    OneAge,
    /// The likelihood keeps rising, or stays level, in some direction.
    #[error("the likelihood is flat: these lives do not settle both parameters")]
    Flat,
}

/// A maximum of the likelihood, in shifted log hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Optimum {
    pub(crate) mu: f64,
    pub(crate) sigma: f64,
    pub(crate) log_likelihood: f64,
    /// Inverse of the observed information in (μ, ln σ); with a known σ only `aa` counts.
    pub(crate) covariance: Second,
}

/// Shapes 1/σ beyond this are taken as "one age explains all": the ages then agree to a
/// billionth.
const LARGEST_TAU: f64 = 1e9;
/// Shapes below this are taken as flat: a factor of e in age then hardly changes the hazard.
const SMALLEST_TAU: f64 = 1e-4;

/// Scales further than this, as a log, from the longest age are taken as flat: the likelihood then
/// still rises towards a scale of nothing or without end.
const FARTHEST_MU: f64 = 500.0;

/// Standard errors of μ/σ and of ln σ beyond which the likelihood is taken as flat: its slope then drowns in
/// its own rounding.
const MOST_ERROR_OF_PLACE: f64 = 1e3;
const MOST_ERROR_OF_SPREAD: f64 = 30.0;

const MOST_STEPS: usize = 200;

/// Squared Newton step, in standard errors, from which the next would be below 1e-12 of one.
const CLOSE: f64 = 1e-13;

/// Both parameters.
pub(crate) fn maximise(lives: &LogLives, kernel: Kernel) -> Result<Optimum, NoOptimum> {
    if lives.worn() <= 0.0 {
        return Err(NoOptimum::NoWorn);
    }
    if lives.one_age_explains_all() {
        // Only left-censored lives: any short enough life does.
        return Err(if lives.worn_exactly() > 0.0 {
            NoOptimum::OneAge
        } else {
            NoOptimum::Flat
        });
    }
    let likelihood = Likelihood { kernel, lives };
    let (mu, sigma) = if kernel == Kernel::SmallestExtreme && lives.exact_or_right() {
        weibull_profile(lives)?
    } else {
        newton(&likelihood)?
    };
    finish(&likelihood, mu, sigma)
}

/// σ known, so only μ.
pub(crate) fn maximise_known_sigma(
    lives: &LogLives,
    kernel: Kernel,
    sigma: f64,
) -> Result<Optimum, NoOptimum> {
    if lives.worn() <= 0.0 {
        return Err(NoOptimum::NoWorn);
    }
    let likelihood = Likelihood { kernel, lives };
    let tau = 1.0 / sigma;
    let (mu, _) = if kernel == Kernel::SmallestExtreme && lives.exact_or_right() {
        let ln_sum = PowerSums::ln_sum(lives, tau);
        ((ln_sum - lives.worn_exactly().ln()) / tau, sigma)
    } else {
        if lives.pinned() == 0.0 && lives.right.y.is_empty() {
            return Err(NoOptimum::Flat);
        }
        let (start, _) = lives.rough();
        let along = likelihood.at_shape(tau);
        let gamma = top(|gamma| along.at(gamma), start * tau, 1.0, f64::NEG_INFINITY)
            .ok_or(NoOptimum::Flat)?;
        (gamma * sigma, sigma)
    };
    let local = likelihood.in_mu_s(mu, sigma);
    let error = (-local.second.aa).sqrt().recip();
    let settled = error <= MOST_ERROR_OF_PLACE * sigma;
    if !(mu.abs() <= FARTHEST_MU && local.value.is_finite() && settled) {
        return Err(NoOptimum::Flat);
    }
    Ok(Optimum {
        mu,
        sigma,
        log_likelihood: local.value,
        covariance: Second {
            aa: -1.0 / local.second.aa,
            ab: 0.0,
            bb: 0.0,
        },
    })
}

fn finish(likelihood: &Likelihood, mu: f64, sigma: f64) -> Result<Optimum, NoOptimum> {
    let local = likelihood.in_mu_s(mu, sigma);
    let information = Second {
        aa: -local.second.aa,
        ab: -local.second.ab,
        bb: -local.second.bb,
    };
    let positive = information.aa > 0.0 && information.determinant() > 0.0;
    let covariance = information.inverse();
    let settled = covariance.aa.sqrt() <= MOST_ERROR_OF_PLACE * sigma
        && covariance.bb.sqrt() <= MOST_ERROR_OF_SPREAD;
    if !(local.value.is_finite() && positive && settled && mu.abs() <= FARTHEST_MU) {
        return Err(NoOptimum::Flat);
    }
    Ok(Optimum {
        mu,
        sigma,
        log_likelihood: local.value,
        covariance,
    })
}

/// Σ t^β and its log-derivatives over all lives, less the same at ages of entry, in shifted hours.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PowerSums {
    /// ln Σ t^β.
    pub(crate) ln_sum: f64,
    /// d ln Σ / dβ: the weighted mean of ln t.
    pub(crate) mean: f64,
    /// d² ln Σ / dβ²: the weighted variance of ln t (without late entry).
    pub(crate) variance: f64,
}

impl PowerSums {
    /// ln Σ t^β alone.
    pub(crate) fn ln_sum(lives: &LogLives, beta: f64) -> f64 {
        let mut sum = extreme::power(&lives.exact, 0.0, beta);
        sum += extreme::power(&lives.right, 0.0, beta);
        sum -= extreme::power(&lives.entry, 0.0, beta);
        sum.ln()
    }

    pub(crate) fn at(lives: &LogLives, beta: f64) -> Self {
        // y ≤ 0: the shift is at the longest age, so nothing overflows.
        let mut sums = extreme::powers(&lives.exact, 0.0, beta);
        sums.add(1.0, extreme::powers(&lives.right, 0.0, beta));
        sums.add(-1.0, extreme::powers(&lives.entry, 0.0, beta));
        // z = βy.
        let (s0, s1) = (sums.zeroth, sums.first / beta);
        let s2 = sums.second / (beta * beta);
        let mean = s1 / s0;
        Self {
            ln_sum: s0.ln(),
            mean,
            variance: s2 / s0 - mean * mean,
        }
    }
}

/// Weibull with exact and right-censored lives: given β, `η^β = Σ t^β / r`, which leaves one
/// equation in β, `1/β + mean worn ln t − Σ t^β ln t / Σ t^β = 0`, falling in β when no life
/// entered late.
fn weibull_profile(lives: &LogLives) -> Result<(f64, f64), NoOptimum> {
    let worn = lives.worn_exactly();
    let beta = weibull_shape(lives, worn)?;
    let mu = (PowerSums::ln_sum(lives, beta) - worn.ln()) / beta;
    Ok((mu, 1.0 / beta))
}

/// Root of `k/(rβ) + mean worn ln t − Σ t^β ln t / Σ t^β` in β: the likelihood's for k = r worn.
pub(crate) fn weibull_shape(lives: &LogLives, k: f64) -> Result<f64, NoOptimum> {
    let worn = lives.worn_exactly();
    let share = k / worn;
    let mean_worn = lives.exact.iter().map(|(y, w)| w * y).sum::<f64>() / worn;
    let score = |beta: f64| {
        let sums = PowerSums::at(lives, beta);
        (
            share / beta + mean_worn - sums.mean,
            -share / (beta * beta) - sums.variance,
        )
    };
    let (_, spread) = lives.rough();
    let start = (1.2 / spread).clamp(SMALLEST_TAU, LARGEST_TAU);
    let beta = falling_root(score, start).ok_or(NoOptimum::Flat)?;
    if beta >= LARGEST_TAU {
        return Err(NoOptimum::OneAge);
    }
    if beta <= SMALLEST_TAU {
        return Err(NoOptimum::Flat);
    }
    Ok(beta)
}

/// Root of a slope that is positive left of the root and negative right of it, on (0, ∞): doubling
/// or halving to a bracket, then Newton kept inside it.
fn falling_root(slope: impl Fn(f64) -> (f64, f64), start: f64) -> Option<f64> {
    let (mut low, mut high) = (0.0, f64::INFINITY);
    let mut x = start;
    for _ in 0..MOST_STEPS {
        let (value, bend) = slope(x);
        if value.is_nan() {
            return None;
        }
        if value > 0.0 {
            low = x;
        } else if value < 0.0 {
            high = x;
        } else {
            return Some(x);
        }
        if low >= LARGEST_TAU {
            return Some(LARGEST_TAU);
        }
        if high <= SMALLEST_TAU {
            return Some(SMALLEST_TAU);
        }
        let newton = x - value / bend;
        let inside = newton.is_finite() && newton > low && newton < high && bend < 0.0;
        let next = if inside && newton < 4.0 * x && newton > 0.25 * x {
            newton
        } else if high == f64::INFINITY {
            2.0 * x
        } else if low == 0.0 {
            0.5 * x
        } else {
            0.5 * (low + high)
        };
        // Newton's error is squared at each step, so the one after this would change nothing.
        let close = if inside { 1e-9 } else { 1e-15 };
        if (next - x).abs() <= close * x {
            return Some(next);
        }
        x = next;
    }
    Some(x)
}

/// Rows from which a thin sample is fitted first, and how thin it is.
const MANY_ROWS: usize = 4_000;
const THIN: usize = 16;

/// Where Newton's method starts: large samples at the optimum of every sixteenth row.
fn start(likelihood: &Likelihood) -> (f64, f64) {
    let lives = likelihood.lives;
    if lives.rows() > MANY_ROWS {
        let thin = lives.every(THIN);
        if let Ok(optimum) = maximise(&thin, likelihood.kernel) {
            return (optimum.mu, optimum.sigma);
        }
    }
    lives.rough()
}

/// Newton's method in (γ, τ), where the log-likelihood is concave (without late entry), with steps
/// halved until it rises.
fn newton(likelihood: &Likelihood) -> Result<(f64, f64), NoOptimum> {
    let (mu, sigma) = start(likelihood);
    let (mut gamma, mut tau) = (mu / sigma, 1.0 / sigma);
    let mut at = likelihood.in_gamma_tau(gamma, tau);
    for _ in 0..6 {
        if at.value.is_finite() {
            break;
        }
        // Far tails: a wider spread brings every life within reach.
        tau *= 0.25;
        gamma *= 0.25;
        at = likelihood.in_gamma_tau(gamma, tau);
    }
    let mut ridge = 0.0_f64;
    for _ in 0..MOST_STEPS {
        let [g, t] = at.first;
        let information = Second {
            aa: -at.second.aa + ridge,
            ab: -at.second.ab,
            bb: -at.second.bb + ridge,
        };
        if !(information.aa > 0.0 && information.determinant() > 0.0) {
            if ridge > 1e12 {
                return Err(NoOptimum::Flat);
            }
            let size = at.second.aa.abs() + at.second.bb.abs();
            ridge = (2.0 * ridge).max(1e-3 * size).max(1e-8);
            continue;
        }
        let inverse = information.inverse();
        let step_gamma = inverse.aa * g + inverse.ab * t;
        let step_tau = inverse.ab * g + inverse.bb * t;
        let gain = g * step_gamma + t * step_tau;
        let mut share = 1.0_f64;
        if tau + step_tau <= 0.1 * tau {
            share = -0.9 * tau / step_tau;
        }
        if ridge == 0.0 && share == 1.0 && gain.abs() < CLOSE {
            // The step after this one would be the square of this one's: nothing.
            gamma += step_gamma;
            tau += step_tau;
            at.first = [0.0; 2];
            break;
        }
        let mut moved = false;
        for _ in 0..60 {
            let next = likelihood.in_gamma_tau(gamma + share * step_gamma, tau + share * step_tau);
            // Close to the top the rise drowns in rounding: then the full step is right.
            let rises = next.value >= at.value - 1e-13 * (1.0 + at.value.abs());
            if next.value.is_finite() && rises && next.first.iter().all(|f| f.is_finite()) {
                gamma += share * step_gamma;
                tau += share * step_tau;
                at = next;
                moved = true;
                break;
            }
            share *= 0.5;
        }
        let settled = (share * step_tau).abs() <= 1e-14 * tau
            && (share * step_gamma).abs() <= 1e-14 * (1.0 + gamma.abs());
        if !moved || settled {
            break;
        }
        ridge = if share == 1.0 { 0.0 } else { 0.25 * ridge };
        if tau > LARGEST_TAU {
            return Err(NoOptimum::OneAge);
        }
        if tau < SMALLEST_TAU {
            return Err(NoOptimum::Flat);
        }
    }
    // Held against a wall rather than at a top: the slope is not small in units of its error.
    let [g, t] = at.first;
    let score = g * g / at.second.aa.abs().max(1e-300) + t * t / at.second.bb.abs().max(1e-300);
    if score.is_nan() || score > 1e-9 * (1.0 + at.value.abs()) {
        return Err(NoOptimum::Flat);
    }
    Ok((gamma / tau, 1.0 / tau))
}

/// Top of a concave function of one variable above `floor`, from its slope: bracketed, then Brent.
pub(crate) fn top(f: impl Fn(f64) -> Jet, start: f64, step: f64, floor: f64) -> Option<f64> {
    let mut x = start;
    let mut at = f(x);
    // A few Newton steps do it nearly always.
    for _ in 0..50 {
        let move_by = -at.first / at.second;
        let next = x + move_by;
        if !(move_by.is_finite() && at.second < 0.0 && next > floor) {
            break;
        }
        let there = f(next);
        let shrinks = there.first.abs() < at.first.abs();
        if !there.value.is_finite() || !(shrinks || there.first == 0.0) {
            // At the last digits the slope is noise.
            if move_by.abs() <= 1e-11 * (1.0 + x.abs()) {
                return Some(x);
            }
            break;
        }
        x = next;
        at = there;
        if move_by.abs() <= 1e-13 * x.abs() {
            return Some(x);
        }
    }
    let slope = |x: f64| {
        let first = f(x).first;
        // Beyond what can be computed the likelihood only falls.
        if first.is_nan() { -1.0 } else { first }
    };
    if floor == 0.0 {
        // Positive axis: search on the log.
        let log_slope = |u: f64| slope(u.exp());
        let u = x.max(1e-300).ln();
        let direction = if log_slope(u) > 0.0 { 0.5 } else { -0.5 };
        return walk_to_root(log_slope, u, direction, 12, 1e-14).map(f64::exp);
    }
    let direction = if slope(x) > 0.0 { step } else { -step };
    walk_to_root(slope, x, direction, 60, 0.0)
}

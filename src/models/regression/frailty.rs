//! A level of its own for each cluster (machine), drawn from a normal curve on log life: the shared
//! frailty model `ln T = μ + x·b + s·u_g + σ·W`, `u_g` standard normal.
//!
//! The marginal likelihood of a cluster, `∫ Π_i L_i(μ + s·u) φ(u) du`, is taken by the trapezoid rule
//! about its own peak: for a smooth integrand that dies out at both ends its error falls faster than
//! any power of the step (Trefethen & Weideman 2014), and no table of nodes is needed. Gradient and
//! Hessian follow from those at the nodes (Louis 1982).

use serde::Serialize;

use super::likelihood::{Coordinates, fill_upper};
use super::problem::Problem;
use super::{RegressionError, RegressionRequest, TestResult};
use crate::lives::Observations;
use crate::numerics::linear::{Cholesky, solve_damped};
use crate::numerics::special::two_sided_normal;

/// Steps each side of the peak, and their width in standard deviations at the peak.
const STEPS: i32 = 14;
const STEP: f64 = 0.5;
/// Standard deviation on log life below which the clusters count as all alike.
const ALIKE: f64 = 1e-3;

/// A coefficient beside the clusters' own levels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FrailtyCoefficient {
    /// As in [`super::Coefficient`].
    pub name: String,
    /// Estimate in the covariate's own units; positive means longer life.
    pub estimate: f64,
    /// Standard error (observed information).
    pub standard_error: f64,
}

/// A fitted shared frailty model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Frailty {
    /// Clusters with at least one life.
    pub clusters: usize,
    /// Standard deviation of log life between clusters, s; 0 where the lives show none beyond luck.
    pub standard_deviation: f64,
    /// Its standard error; null at 0.
    pub standard_error: Option<f64>,
    /// Test of s = 0 by likelihood ratio; the p-value is that of half a chi-square on 1 degree of
    /// freedom, since s cannot be negative (Self & Liang 1987).
    pub test: TestResult,
    /// σ on the log scale given the cluster: 1/shape for Weibull and loglogistic.
    pub sigma: f64,
    /// Coefficients.
    pub coefficients: Vec<FrailtyCoefficient>,
    /// Covariance of the coefficients, row by row.
    #[serde(skip)]
    pub covariance: Vec<f64>,
    /// What log-likelihood the clusters' levels add.
    pub log_likelihood_gained: f64,
}

impl Frailty {
    /// Difference of two coefficients (none stands for the base, 0) with its standard error.
    pub fn difference(&self, of: Option<usize>, to: Option<usize>) -> (f64, f64) {
        let q = self.coefficients.len();
        let value = |a: Option<usize>| a.map_or(0.0, |a| self.coefficients[a].estimate);
        let v = |a: Option<usize>, b: Option<usize>| {
            a.zip(b).map_or(0.0, |(a, b)| self.covariance[a * q + b])
        };
        let variance = v(of, of) + v(to, to) - 2.0 * v(of, to);
        (value(of) - value(to), variance.max(0.0).sqrt())
    }

    /// Limits multiplier for a two-sided confidence.
    pub fn multiplier(confidence: f64) -> f64 {
        two_sided_normal(confidence)
    }
}

/// Fits the shared frailty model by maximum likelihood; `request.clusters` says which lives share a
/// level, `request.errors` is not read.
///
/// # Errors
/// As [`super::regress`]; fewer than two clusters.
pub fn shared_frailty(
    lives: &Observations,
    request: &RegressionRequest,
) -> Result<Frailty, RegressionError> {
    let problem = Problem::new(lives, request)?;
    let top = problem.top()?;
    let marginal = Marginal::new(&problem)?;
    let free = problem.free();
    let k = top.at.len();
    // The likelihood is even in s: 0 is a stationary point, so the search starts off it.
    let start = |s: f64| {
        let mut at = top.at.clone();
        at.push(s);
        at
    };
    let mut best = marginal.climb(start(0.3 * sigma_of(&top.at, problem.p())), &free)?;
    let alone = marginal.sums(&start(0.0));
    if best.0.get(k).copied().unwrap_or(0.0).abs() < ALIKE || best.1.value < alone.value {
        best = (start(0.0), alone.clone());
    }
    let (at, sums) = best;
    let s = at[k].abs();
    let mut moving = free.clone();
    if s > 0.0 {
        moving.push(k);
    }
    let f = moving.len();
    let mut information = Vec::with_capacity(f * f);
    for &a in &moving {
        information.extend(moving.iter().map(|&b| -sums.hessian[a * (k + 1) + b]));
    }
    let Some(factor) = Cholesky::new(information, f) else {
        return Err(problem.flat(&free));
    };
    let inverse = factor.inverse();
    let p = problem.p();
    let scale = &problem.design.scale;
    let q = p - 1;
    let mut covariance = vec![0.0; q * q];
    for a in 1..p {
        for b in 1..p {
            covariance[(a - 1) * q + b - 1] = inverse[a * f + b] / (scale[a - 1] * scale[b - 1]);
        }
    }
    let coefficients = (1..p)
        .map(|a| FrailtyCoefficient {
            name: problem.design.name(a - 1),
            estimate: at[a] / scale[a - 1],
            standard_error: covariance[(a - 1) * q + a - 1].max(0.0).sqrt(),
        })
        .collect();
    let gained = (sums.value - alone.value).max(0.0);
    let mut test = TestResult::chi_square(2.0 * gained, 1);
    test.p_value = if gained > 0.0 {
        0.5 * test.p_value
    } else {
        1.0
    };
    Ok(Frailty {
        clusters: marginal.groups.len(),
        standard_deviation: s,
        standard_error: (s > 0.0).then(|| inverse[(f - 1) * f + f - 1].max(0.0).sqrt()),
        test,
        sigma: sigma_of(&at, p),
        coefficients,
        covariance,
        log_likelihood_gained: gained,
    })
}

fn sigma_of(at: &[f64], p: usize) -> f64 {
    at.get(p).map_or(1.0, |a| (-a).exp())
}

/// Value, gradient and Hessian in (b, ln α, s).
#[derive(Debug, Clone)]
struct MarginalSums {
    value: f64,
    gradient: Vec<f64>,
    hessian: Vec<f64>,
}

struct Marginal<'a> {
    problem: &'a Problem,
    /// Rows of each cluster.
    groups: Vec<Vec<usize>>,
}

impl<'a> Marginal<'a> {
    fn new(problem: &'a Problem) -> Result<Self, RegressionError> {
        let mut order: Vec<usize> = (0..problem.clusters.len()).collect();
        order.sort_by_key(|&i| problem.clusters[i]);
        let groups: Vec<Vec<usize>> = order
            .chunk_by(|&a, &b| problem.clusters[a] == problem.clusters[b])
            .map(<[usize]>::to_vec)
            .collect();
        if groups.len() < 2 {
            return Err(RegressionError::Clusters(groups.len()));
        }
        Ok(Self { problem, groups })
    }

    fn sums(&self, at: &[f64]) -> MarginalSums {
        let n = at.len();
        let mut total = MarginalSums {
            value: 0.0,
            gradient: vec![0.0; n],
            hessian: vec![0.0; n * n],
        };
        for members in &self.groups {
            self.add_cluster(members, at, &mut total);
        }
        total
    }

    fn add_cluster(&self, members: &[usize], at: &[f64], total: &mut MarginalSums) {
        let n = at.len();
        let k = n - 1;
        let s = at[k];
        let given = |u: f64| {
            let mut shifted = at[..k].to_vec();
            shifted[0] += s * u;
            let mut sums = self.problem.rows.sums_over(
                self.problem.kernel,
                &shifted,
                Coordinates::Natural,
                &[],
                members.iter().copied(),
            );
            fill_upper(&mut sums.hessian, k);
            sums
        };
        // The peak of ln L(u) − u²/2 and the curvature there.
        let (mut peak, mut curvature) = (0.0_f64, 1.0);
        for _ in 0..25 {
            let sums = given(peak);
            curvature = (1.0 - s * s * sums.hessian[0]).max(0.25);
            let step = ((s * sums.gradient[0] - peak) / curvature).clamp(-2.0, 2.0);
            peak += step;
            if step.abs() < 1e-6 {
                break;
            }
        }
        let width = STEP / curvature.sqrt();
        let nodes: Vec<(f64, f64, Vec<f64>, Vec<f64>)> = (-STEPS..=STEPS)
            .map(|j| {
                let u = peak + f64::from(j) * width;
                let sums = given(u);
                let mut gradient = sums.gradient;
                gradient.push(u * gradient[0]);
                let mut hessian = vec![0.0; n * n];
                for a in 0..k {
                    hessian[a * n..a * n + k].copy_from_slice(&sums.hessian[a * k..(a + 1) * k]);
                    hessian[a * n + k] = u * sums.hessian[a * k];
                    hessian[k * n + a] = u * sums.hessian[a * k];
                }
                hessian[k * n + k] = u * u * sums.hessian[0];
                (sums.value - 0.5 * u * u, u, gradient, hessian)
            })
            .collect();
        let greatest = nodes.iter().map(|w| w.0).fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = nodes.iter().map(|w| (w.0 - greatest).exp()).collect();
        let sum: f64 = weights.iter().sum();
        let root_two_pi = std::f64::consts::TAU.sqrt();
        total.value += greatest + (sum * width / root_two_pi).ln();
        let mut mean = vec![0.0; n];
        for (w, node) in weights.iter().zip(&nodes) {
            let w = w / sum;
            for (a, mean) in mean.iter_mut().enumerate() {
                *mean += w * node.2[a];
                for b in 0..n {
                    total.hessian[a * n + b] += w * (node.3[a * n + b] + node.2[a] * node.2[b]);
                }
            }
        }
        for a in 0..n {
            total.gradient[a] += mean[a];
            for b in 0..n {
                total.hessian[a * n + b] -= mean[a] * mean[b];
            }
        }
    }

    /// Newton with halving, in the free parameters and s.
    fn climb(
        &self,
        start: Vec<f64>,
        free: &[usize],
    ) -> Result<(Vec<f64>, MarginalSums), RegressionError> {
        let n = start.len();
        let mut moving = free.to_vec();
        moving.push(n - 1);
        let mut at = start;
        let mut sums = self.sums(&at);
        for _ in 0..60 {
            let mut information = Vec::with_capacity(moving.len() * moving.len());
            for &a in &moving {
                information.extend(moving.iter().map(|&b| -sums.hessian[a * n + b]));
            }
            let mut step: Vec<f64> = moving.iter().map(|&a| sums.gradient[a]).collect();
            if solve_damped(&information, &mut step).is_none() {
                break;
            }
            let gain: f64 = moving
                .iter()
                .zip(&step)
                .map(|(&a, d)| sums.gradient[a] * d)
                .sum();
            if !gain.is_finite() {
                break;
            }
            if gain.abs() < 1e-12 {
                return Ok((at, sums));
            }
            let largest = step.iter().map(|d| d.abs()).fold(0.0, f64::max);
            let mut length = (2.0 / largest).min(1.0);
            let mut moved = None;
            for _ in 0..40 {
                let mut next = at.clone();
                for (&a, d) in moving.iter().zip(&step) {
                    next[a] += length * d;
                }
                let then = self.sums(&next);
                if then.value.is_finite() && then.value >= sums.value + 1e-4 * length * gain {
                    moved = Some((next, then));
                    break;
                }
                length *= 0.5;
            }
            let Some((next, then)) = moved else {
                // No better point along the way: at the top to rounding, or nowhere.
                return if gain < 1e-6 {
                    Ok((at, sums))
                } else {
                    Err(self.problem.flat(free))
                };
            };
            at = next;
            sums = then;
        }
        Err(self.problem.flat(free))
    }
}

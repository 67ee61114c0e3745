//! Nonparametric maximum likelihood for lives known within bounds, with late entry.
//!
//! The estimate puts its mass on innermost intervals (Turnbull 1976; with the correction of Frydman
//! 1994 for late entry). With `h_j ≥ 0` the cumulative hazard spent in innermost interval j, and
//! `H_i` the sum of h over the intervals inside the bounds of life i, the log-likelihood is
//!
//! `f(h) = −Σ_j c_j·h_j + Σ_i w_i·ln(1 − e^(−H_i))`,
//!
//! with `c_j` the weight of lives that were under observation and lasted through j. It is concave,
//! late entry included, so one local optimum is the answer. Found by growing and shrinking the set
//! of intervals that carry mass, with Newton steps on that set (after Wang 2007, "On fast
//! computation of the non-parametric maximum likelihood estimate of a mixing distribution"), or by
//! extrapolated self-consistency where that set is large.

mod likelihood;
mod solve;
#[cfg(test)]
mod tests;

use super::reliability::median_of;
use super::risk_set::{check, two_sided_z};
use super::{Convergence, Curve, CurveError, CurveMethod, CurveStep, MedianLife};
use crate::lives::Observations;
use crate::models::{Caution, CautionCode};
use likelihood::Problem;

/// Newton steps solve a dense system; above this many mass points self-consistency is used.
const DENSE: usize = 500;

/// Turnbull's reliability curve. Errors and limits come from the observed information on the mass
/// points (Greenwood's where the bounds form a grid) and are rough with few lives or when each life
/// was looked at once only.
///
/// # Errors
/// See [`CurveError`].
pub fn turnbull(lives: &Observations, confidence: f64) -> Result<Curve, CurveError> {
    let z = two_sided_z(confidence)?;
    check(lives)?;
    let problem = Problem::new(lives);
    let solution = problem.solve();
    let variance = problem.log_variances(&solution.h);
    let (at_risk, worn_here) = problem.expected(&solution.h);
    let mut steps = Vec::new();
    let mut hazard = 0.0;
    for (j, &h) in solution.h.iter().enumerate() {
        if h > 0.0 {
            hazard += h;
            steps.push(CurveStep::new(
                (problem.cells[j].from, problem.cells[j].to),
                at_risk[j],
                worn_here[j],
                f64::exp(-hazard),
                variance.as_ref().map(|v| v[j]),
            ));
        }
    }
    if let Some((cell, weight)) = problem.end {
        steps.push(CurveStep::new(
            (cell.from, cell.to),
            weight,
            weight,
            0.0,
            None,
        ));
    }
    let weight = |i: usize| lives.count.get(i).copied().unwrap_or(1.0);
    let last_hours = (lives.low.iter().copied())
        .chain(lives.high.iter().copied().filter(|h| h.is_finite()))
        .fold(0.0, f64::max);
    let mut cautions = Vec::new();
    if solution.gap > 1e-4 {
        cautions.push(Caution::new(
            CautionCode::FlatLikelihood,
            format!(
                "The curve had not fully settled: its log-likelihood may be short of the maximum by \
                 up to {:.2e}.",
                solution.gap
            ),
        ));
    }
    if problem.beyond_end {
        cautions.push(Caution::new(
            CautionCode::Note,
            "At some age every life then under observation had worn out, so the curve is at 0 from \
             there on although later entrants lived longer.",
        ));
    }
    if variance.is_none() {
        cautions.push(Caution::new(
            CautionCode::Note,
            "Limits are not given: the curve has too many steps for the interval-censored error.",
        ));
    }
    Ok(Curve {
        method: CurveMethod::Turnbull,
        confidence,
        z,
        lives: (0..lives.low.len()).map(weight).sum(),
        worn: (0..lives.low.len())
            .filter(|&i| lives.high[i].is_finite())
            .map(weight)
            .sum(),
        last_hours,
        median: MedianLife {
            hours: median_of(&steps, last_hours, |s| Some(s.reliability)),
            lower: median_of(&steps, last_hours, |s| s.limits(z).map(|l| l.0)),
            upper: median_of(&steps, last_hours, |s| s.limits(z).map(|l| l.1)),
        },
        steps,
        convergence: Some(Convergence {
            log_likelihood: solution.log_likelihood,
            gap: solution.gap,
            iterations: solution.iterations,
        }),
        cautions,
    })
}

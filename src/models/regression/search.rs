//! The top of a regression's likelihood, or the reason why there is none.

use super::RegressionError;
use super::likelihood::Coordinates;
use super::newton::{Top, climb};
use super::problem::Problem;
use super::rows::{Known, Rows};
use crate::numerics::linear::Cholesky;

/// Standard error of a scaled coefficient, in σ, above which a missing top is suspected.
const SUSPICIOUS: f64 = 30.0;
/// 1/σ above which the fit is taken to pass through the lives exactly.
const PERFECT: f64 = 1e7;
/// Rows from which a thinner sample is climbed first, and how much thinner it is.
const LARGE: usize = 32_000;
const THIN: usize = 16;

impl Problem {
    /// Maximum in natural coordinates of the scaled design.
    pub(super) fn top(&self) -> Result<Top, RegressionError> {
        let p = self.p();
        let mut free: Vec<usize> = (0..p).collect();
        if self.known_alpha.is_none() {
            free.push(p);
        }
        let concave = self.climb_from_thin(&self.rows, &free);
        let alpha = concave.at[p];
        if alpha > PERFECT {
            return Err(RegressionError::PerfectFit);
        }
        self.check_top(&concave, &free)?;
        let free = self.free();
        let top = if concave.converged && self.rows.strata == 1 {
            concave.in_natural_coordinates()
        } else {
            let mut natural: Vec<f64> = concave.at[..p].iter().map(|g| g / alpha).collect();
            natural.extend(std::iter::repeat_n(alpha.ln(), self.rows.strata));
            climb(
                &self.rows,
                self.kernel,
                natural,
                Coordinates::Natural,
                &free,
                &[],
            )
        };
        if top.at[p..].iter().any(|a| *a > PERFECT.ln()) {
            return Err(RegressionError::PerfectFit);
        }
        if !top.converged {
            return Err(self.flat(&free));
        }
        Ok(top)
    }

    /// Climbs in concave coordinates; large samples start at the top of every sixteenth row, and that
    /// at its own sixteenth's.
    fn climb_from_thin(&self, rows: &Rows, free: &[usize]) -> Top {
        let mut start = None;
        if rows.len() >= LARGE {
            let top = self.climb_from_thin(&rows.every(THIN), free);
            start = Some(top).filter(|top| top.converged).map(|top| top.at);
        }
        let start = start.unwrap_or_else(|| self.start(rows));
        climb(rows, self.kernel, start, Coordinates::Concave, free, &[])
    }

    /// A start near the middle of the lives.
    fn start(&self, rows: &Rows) -> Vec<f64> {
        let (mut weight, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for i in 0..rows.len() {
            if rows.known[i] != Known::Beyond {
                let y = match rows.known[i] {
                    Known::Between => f64::midpoint(rows.y[i], rows.y_high[i]),
                    _ => rows.y[i],
                };
                let w = rows.weight(i);
                weight += w;
                sum += w * y;
                squares += w * y * y;
            }
        }
        let mean = sum / weight;
        let spread = (squares / weight - mean * mean).max(0.0).sqrt();
        let alpha = self.known_alpha.unwrap_or(1.2 / spread.max(0.05)).min(1e3);
        let mut start = vec![0.0; self.p() + 1];
        // Censored lives lie beyond: start a little high, where e^z cannot overflow.
        let latest = rows.y.iter().copied().fold(mean, f64::max);
        start[0] = alpha * f64::midpoint(mean, latest);
        start[self.p()] = self.known_alpha.unwrap_or(alpha);
        start
    }

    /// Looks along the least certain direction: a coefficient that can grow for ever without any
    /// life objecting has no finite estimate.
    fn check_top(&self, top: &Top, free: &[usize]) -> Result<(), RegressionError> {
        let k = top.at.len();
        let p = self.p();
        let alpha = top.at[p];
        let mut information = Vec::with_capacity(free.len() * free.len());
        for (row, &a) in free.iter().enumerate() {
            for (column, &b) in free.iter().enumerate() {
                let ridge = if row == column {
                    1e-13 * self.counts.total as f64
                } else {
                    0.0
                };
                information.push(ridge - top.sums.hessian[a * k + b]);
            }
        }
        let Some(factor) = Cholesky::new(information, free.len()) else {
            return if top.converged {
                Ok(())
            } else {
                Err(self.flat(free))
            };
        };
        let mut direction: Vec<f64> = (0..free.len()).map(|i| 1.0 + 0.1 * i as f64).collect();
        let mut length = 0.0;
        for _ in 0..50 {
            factor.solve(&mut direction);
            length = direction.iter().map(|d| d * d).sum::<f64>().sqrt();
            if !(length > 0.0 && length.is_finite()) {
                return Err(self.flat(free));
            }
            for d in &mut direction {
                *d /= length;
            }
        }
        // `length` is the largest variance of the concave parameters.
        if top.converged && length.sqrt() < SUSPICIOUS * (1.0 + alpha) {
            return Ok(());
        }
        let mut full = vec![0.0; k];
        for (&a, d) in free.iter().zip(&direction) {
            full[a] = *d;
        }
        for sign in [1.0, -1.0] {
            let turned: Vec<f64> = full.iter().map(|d| sign * d).collect();
            if self.nobody_objects(&turned) {
                let largest = turned.iter().map(|d| d.abs()).fold(0.0, f64::max);
                let terms: Vec<String> = (1..p)
                    .filter(|&a| turned[a].abs() > 0.05 * largest)
                    .map(|a| self.name(a))
                    .collect();
                return Err(if terms.is_empty() {
                    RegressionError::PerfectFit
                } else {
                    RegressionError::Separated { terms }
                });
            }
        }
        if top.converged {
            Ok(())
        } else {
            Err(self.flat(free))
        }
    }

    /// Whether no life's likelihood falls along a direction in (γ, α), however far.
    fn nobody_objects(&self, direction: &[f64]) -> bool {
        let p = self.p();
        let rows = &self.rows;
        let tolerance = 1e-4;
        (0..rows.len()).all(|i| {
            let eta = rows.linear(i, direction);
            let dz = direction[p] * rows.y[i] - eta;
            match rows.known[i] {
                Known::Exactly => dz.abs() <= tolerance && direction[p] >= -tolerance,
                Known::Beyond => dz <= tolerance,
                Known::Before => dz >= -tolerance,
                Known::Between => {
                    dz <= tolerance && direction[p] * rows.y_high[i] - eta >= -tolerance
                }
            }
        })
    }
}

//! Newton's method with damping, on some of the parameters.

use super::likelihood::{Coordinates, Sums, fill_upper};
use super::rows::Rows;
use crate::models::Kernel;
use crate::numerics::linear::solve_damped;

/// How a search ended.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Top {
    pub(super) at: Vec<f64>,
    pub(super) sums: Sums,
    pub(super) converged: bool,
}

impl Top {
    /// The same top in natural coordinates, when there is one α.
    pub(super) fn in_natural_coordinates(mut self) -> Self {
        let p = self.at.len() - 1;
        let alpha = self.at[p];
        self.sums.turn_natural(&self.at[..p], alpha);
        fill_upper(&mut self.sums.hessian, p + 1);
        for b in &mut self.at[..p] {
            *b /= alpha;
        }
        self.at[p] = alpha.ln();
        self
    }
}

/// Squared Newton step, in standard errors, after which the next changes nothing: the second
/// derivatives then move by less than 1e-8 of their size with few rows and 1e-9 with many.
fn nothing_left(rows: usize) -> f64 {
    (1e-18 * rows as f64).max(1e-16)
}

/// Climbs from `start` with the parameters in `free` moving; the others stay.
///
/// Converged when the squared Newton step, in standard errors, is as good as nothing (then it is taken,
/// and the value follows from it), or below 1e-8 and the value can no longer be told apart.
pub(super) fn climb(
    rows: &Rows,
    kernel: Kernel,
    start: Vec<f64>,
    coordinates: Coordinates,
    free: &[usize],
    offset: &[f64],
) -> Top {
    let mut at = start;
    let mut sums = rows.sums(kernel, &at, coordinates, offset);
    let k = at.len();
    for _ in 0..150 {
        if !sums.value.is_finite() {
            break;
        }
        let mut information: Vec<f64> = Vec::with_capacity(free.len() * free.len());
        for &a in free {
            information.extend(free.iter().map(|&b| -sums.hessian[a * k + b]));
        }
        let mut step: Vec<f64> = free.iter().map(|&a| sums.gradient[a]).collect();
        if solve_damped(&information, &mut step).is_none() {
            break;
        }
        let gain: f64 = free
            .iter()
            .zip(&step)
            .map(|(&a, s)| sums.gradient[a] * s)
            .sum();
        if !gain.is_finite() {
            break;
        }
        if gain.abs() <= nothing_left(rows.len()) {
            for (&a, &s) in free.iter().zip(&step) {
                at[a] += s;
            }
            sums.value += 0.5 * gain;
            return Top {
                at,
                sums,
                converged: true,
            };
        }
        // α stays positive in concave coordinates; in natural ones ln α moves by at most 2.
        let mut length = 1.0_f64;
        for (&a, &s) in free.iter().zip(&step) {
            if a >= rows.p() {
                let limit = match coordinates {
                    Coordinates::Concave if s < 0.0 => 0.9 * at[a] / -s,
                    Coordinates::Concave => f64::INFINITY,
                    Coordinates::Natural => 2.0 / s.abs(),
                };
                length = length.min(limit);
            }
        }
        let mut moved = None;
        for _ in 0..60 {
            let mut next = at.clone();
            for (&a, &s) in free.iter().zip(&step) {
                next[a] += length * s;
            }
            let then = rows.sums(kernel, &next, coordinates, offset);
            let rounding = 1e-13 * (1.0 + sums.value.abs());
            let enough = sums.value + 1e-4 * length * gain;
            if then.value.is_finite()
                && (then.value >= enough || (gain < 1e-6 && then.value >= sums.value - rounding))
            {
                moved = Some((next, then));
                break;
            }
            length *= 0.5;
        }
        let Some((next, then)) = moved else {
            return Top {
                at,
                sums,
                converged: gain < 1e-8,
            };
        };
        let settled =
            gain < 1e-8 && (then.value - sums.value).abs() <= 1e-13 * (1.0 + sums.value.abs());
        at = next;
        sums = then;
        if settled {
            return Top {
                at,
                sums,
                converged: true,
            };
        }
    }
    Top {
        at,
        sums,
        converged: false,
    }
}

//! `∫_0^x F` of one Weibull curve, tabulated: what the renewal matrix is made of.

#![expect(clippy::inline_always, reason = "looked up in the innermost loop")]

use std::sync::LazyLock;

use super::first_life::WeibullCurve;
use crate::numerics::vector::{exp, ln_all, widest};

/// Next to 0, where F is not smooth for shapes that are not whole, the series is used.
const NEAR_ZERO: usize = 4;

/// So many times finer is the table of the first few cells.
const FINER: f64 = 16.0;

/// Most points of a table.
const MOST: usize = (1 << 14) + 2;

/// ln i, from i = 0.
static LN: LazyLock<Vec<f64>> = LazyLock::new(|| {
    let whole: Vec<f64> = (0..MOST).map(|i| i as f64).collect();
    ln_all(&whole)
});

/// `∫_0^x F(t) dt`, hours, for 0 ≤ x ≤ the longest run of hours: cubic Hermite interpolation between
/// equally spaced ages, whose slopes are F itself. The error is at most `δ⁴ max|F‴|/384`, δ the
/// spacing.
#[derive(Debug, Clone)]
pub(super) struct Table {
    life: WeibullCurve,
    all: Points,
    /// The first cells again, finer.
    near: Points,
}

#[derive(Debug, Clone)]
struct Points {
    step: f64,
    inverse: f64,
    /// `(∫_0^x F, F(x))` at x = i·δ.
    values: Vec<(f64, f64)>,
}

impl Points {
    /// So many cells of a length; one more is made, for what rounding lets reach beyond.
    fn new(life: &WeibullCurve, step: f64, cells: usize) -> Self {
        let cells = cells.min(MOST - 2);
        let ln_step = step.ln() - life.scale.ln();
        let mut hazards = vec![(0.0, 1.0); cells + 2];
        widest(
            #[inline(always)]
            || {
                for ((hazard, good), ln) in hazards.iter_mut().zip(LN.iter()) {
                    *hazard = exp(life.shape * (ln + ln_step));
                    *good = exp(-*hazard);
                }
            },
        );
        let mut values = Vec::with_capacity(cells + 2);
        values.push((0.0, 0.0));
        let (mut sum, mut cdf, mut density) = (0.0, 0.0, 0.0);
        for (i, &(hazard, good)) in hazards.iter().enumerate().skip(1) {
            let x = i as f64 * step;
            let next = 1.0 - good;
            let next_density = if good > 0.0 {
                life.shape * hazard * good / x
            } else {
                0.0
            };
            if i <= 2 * NEAR_ZERO {
                sum = near_zero(life, x);
            } else {
                // Trapezoid with the correction for its ends; the error is δ⁵F⁗/720.
                sum += 0.5 * step * (cdf + next) - step * step / 12.0 * (next_density - density);
            }
            (cdf, density) = (next, next_density);
            values.push((sum, cdf));
        }
        Self {
            step,
            inverse: 1.0 / step,
            values,
        }
    }

    /// Place i + t, i whole, t in [0, 1).
    #[inline(always)]
    fn at(&self, place: f64) -> f64 {
        let i = (place as usize).min(self.values.len() - 2);
        let t = place - i as f64;
        let ((y0, d0), (y1, d1)) = (self.values[i], self.values[i + 1]);
        let (rise, h) = (y1 - y0, self.step);
        let (a, b) = (h * d0 - rise, rise - h * d1);
        y0 + t * (rise + (1.0 - t) * (a * (1.0 - t) + b * t))
    }
}

impl Table {
    /// `cells` is the number of equal parts of `horizon` (> 0).
    pub(super) fn new(life: WeibullCurve, horizon: f64, cells: usize) -> Self {
        let step = horizon / cells as f64;
        let near = (NEAR_ZERO as f64 * FINER) as usize;
        Self {
            all: Points::new(&life, step, cells),
            near: Points::new(&life, step / FINER, near),
            life,
        }
    }

    pub(super) fn life(&self) -> &WeibullCurve {
        &self.life
    }

    /// `∫_0^x F`.
    #[inline(always)]
    pub(super) fn at(&self, x: f64) -> f64 {
        const CLOSE: f64 = NEAR_ZERO as f64;
        let place = x * self.all.inverse;
        if place >= CLOSE {
            self.all.at(place)
        } else {
            self.close_at(x, place * FINER)
        }
    }

    fn close_at(&self, x: f64, place: f64) -> f64 {
        if place >= NEAR_ZERO as f64 {
            self.near.at(place)
        } else if x > 0.0 {
            near_zero(&self.life, x)
        } else {
            0.0
        }
    }
}

/// `∫_0^x F = x Σ_{k≥1} (−1)^{k+1} v^k / (k! (kβ + 1))`, `v = (x/η)^β`: the series of `1 − e^{−v}`
/// term by term. For larger v, from the incomplete gamma function.
fn near_zero(life: &WeibullCurve, x: f64) -> f64 {
    let v = life.cumulative_hazard(x);
    if v > 3.0 {
        let lived = life.mean_up_to(x);
        return if lived.is_finite() {
            (x - lived).clamp(0.0, x)
        } else {
            x
        };
    }
    let (mut power, mut sum, mut k) = (v, 0.0_f64, 1.0);
    while power.abs() > 1e-15 * sum && k < 60.0 {
        sum += power / (k * life.shape + 1.0);
        k += 1.0;
        power *= -v / k;
    }
    x * sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against `x − μ P(1/β, v)` with the incomplete gamma function of another library.
    #[test]
    fn the_integral_is_that_of_the_incomplete_gamma_function() {
        for shape in [0.5, 0.8, 1.0, 1.7, 4.5, 12.0] {
            for scale in [0.2, 1.0, 3.0] {
                let life = WeibullCurve { shape, scale };
                let table = Table::new(life, 2.0, 512);
                for i in 1..=200 {
                    let x = f64::from(i) * 0.01;
                    let exact = x - life.mean_up_to(x);
                    let off = (table.at(x) - exact).abs();
                    assert!(off < 2e-7, "{shape} {scale} {x}: {off}");
                }
            }
        }
    }
}

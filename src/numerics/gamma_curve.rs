//! One gamma distribution asked for many times: its probabilities on the log scale, interpolated.

use std::f64::consts::PI;

use super::special::incomplete_gamma;

/// Points of a panel.
const POINTS: usize = 12;
/// Panels on each side of the middle, and their width, in (about) standard deviations of ln g.
const SIDE: usize = 18;
const WIDTH: f64 = 0.5;

/// `P(g ≤ e^u)` and `P(g > e^u)` for g gamma-distributed with rate 1, by Chebyshev interpolation in u
/// on panels half a standard deviation wide, to 1e-13. Beyond nine standard deviations the functions
/// themselves are called.
#[derive(Debug, Clone, PartialEq)]
pub struct GammaCurve {
    shape: f64,
    low: f64,
    width: f64,
    /// Chebyshev coefficients of the lower probability left of the middle, of the upper one right of it.
    panels: Vec<[f64; POINTS]>,
}

impl GammaCurve {
    /// The curve of one shape > 0.
    pub fn new(shape: f64) -> Self {
        let width = WIDTH / shape.max(1.0).sqrt();
        let low = shape.ln() - SIDE as f64 * width;
        let angle = |j: usize| PI * (j as f64 + 0.5) / POINTS as f64;
        let mut panels = Vec::with_capacity(2 * SIDE);
        for panel in 0..2 * SIDE {
            let middle = low + (panel as f64 + 0.5) * width;
            let mut coefficients = [0.0; POINTS];
            for j in 0..POINTS {
                let x = (middle + 0.5 * width * angle(j).cos()).exp();
                let (below, above) = incomplete_gamma(shape, x);
                let value = if panel < SIDE { below } else { above };
                for (k, c) in coefficients.iter_mut().enumerate() {
                    *c += 2.0 / POINTS as f64 * value * (k as f64 * angle(j)).cos();
                }
            }
            coefficients[0] *= 0.5;
            panels.push(coefficients);
        }
        Self {
            shape,
            low,
            width,
            panels,
        }
    }

    /// Shape it was made for.
    pub fn shape(&self) -> f64 {
        self.shape
    }

    /// `(P(g ≤ e^u), P(g > e^u))`.
    pub fn at(&self, u: f64) -> (f64, f64) {
        let place = (u - self.low) / self.width;
        if !(place >= 0.0 && place < (2 * SIDE) as f64) {
            // So far out that a large shape's probabilities are 0 and 1 to 1e-15.
            if self.shape >= 100.0 && place < 0.0 {
                return (0.0, 1.0);
            }
            if self.shape >= 100.0 && place > (2 * SIDE) as f64 + 2.0 {
                return (1.0, 0.0);
            }
            return incomplete_gamma(self.shape, u.exp());
        }
        let panel = place as usize;
        let t = 2.0 * (place - panel as f64) - 1.0;
        // Clenshaw's recurrence.
        let coefficients = &self.panels[panel];
        let (mut next, mut after) = (0.0, 0.0);
        for c in coefficients[1..].iter().rev() {
            (next, after) = (2.0 * t * next - after + c, next);
        }
        let value = (t * next - after + coefficients[0]).clamp(0.0, 1.0);
        if panel < SIDE {
            (value, 1.0 - value)
        } else {
            (1.0 - value, value)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::special::{gamma_p, gamma_q};
    use super::*;

    #[test]
    fn the_curve_agrees_with_the_functions() {
        for shape in [0.3, 1.0, 2.0, 7.5, 99.0, 101.0, 650.0, 60_000.0] {
            let curve = GammaCurve::new(shape);
            for k in -400..400 {
                let u = shape.ln() + f64::from(k) * 0.0217 / shape.max(1.0).sqrt();
                let (p, q) = curve.at(u);
                let (p0, q0) = (gamma_p(shape, u.exp()), gamma_q(shape, u.exp()));
                let fine = 1e-13;
                assert!((p - p0).abs() <= fine, "{shape} {u} {p} {p0}");
                assert!((q - q0).abs() <= fine, "{shape} {u} {q} {q0}");
            }
        }
    }
}

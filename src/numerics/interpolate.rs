//! The polynomial through a row of points (Lagrange).

use std::f64::consts::PI;

/// Weights of the values at `points` in the value at `x` of the polynomial through them; they sum to 1.
/// Points must differ.
pub fn lagrange(points: &[f64], x: f64) -> Vec<f64> {
    let weight = |i: usize| {
        let others = points.iter().enumerate().filter(|(j, _)| *j != i);
        others
            .map(|(_, other)| (x - other) / (points[i] - other))
            .product()
    };
    (0..points.len()).map(weight).collect()
}

/// Zeros of the Chebyshev polynomial of degree `count`, rising, in (−1, 1): points between which the
/// polynomial strays least.
pub fn chebyshev(count: usize) -> Vec<f64> {
    let angle = |i: usize| (i as f64 + 0.5) / count as f64 * PI;
    (0..count).map(|i| -angle(i).cos()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// A polynomial of degree n − 1 is met exactly by n points.
    #[test]
    fn a_cubic_through_four_points() {
        let cubic = |x: f64| 2.0 - x + 0.5 * x * x - 3.0 * x * x * x;
        for points in [vec![-1.0, 0.2, 0.9, 4.0], chebyshev(4)] {
            for x in [-2.0, 0.0, 0.2, 3.0] {
                let weights = lagrange(&points, x);
                let at: f64 = (points.iter().zip(&weights))
                    .map(|(x, w)| w * cubic(*x))
                    .sum();
                assert_abs_diff_eq!(at, cubic(x), epsilon = 1e-10);
                assert_abs_diff_eq!(weights.iter().sum::<f64>(), 1.0, epsilon = 1e-12);
            }
        }
    }

    /// T₃(x) = 4x³ − 3x has the zeros 0 and ±√3/2.
    #[test]
    fn chebyshev_points_of_degree_three() {
        let points = chebyshev(3);
        for (found, zero) in points.iter().zip([-0.75_f64.sqrt(), 0.0, 0.75_f64.sqrt()]) {
            assert_abs_diff_eq!(*found, zero, epsilon = 1e-15);
        }
    }
}

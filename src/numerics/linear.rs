//! Small dense symmetric systems, row by row in one slice.

/// Cholesky factor of a symmetric positive definite matrix, `A = L·Lᵀ`.
#[derive(Debug, Clone, PartialEq)]
pub struct Cholesky {
    n: usize,
    /// L, row by row; above the diagonal whatever stood there.
    l: Vec<f64>,
}

impl Cholesky {
    /// Factorises; reads the lower triangle only. `None` when A is not positive definite to
    /// rounding, or not finite.
    pub fn new(mut a: Vec<f64>, n: usize) -> Option<Self> {
        if a.len() != n * n {
            return None;
        }
        for i in 0..n {
            let (head, tail) = a.split_at_mut(i * n);
            let row = &mut tail[..n];
            let diagonal = row[i];
            for j in 0..=i {
                let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
                if j < i {
                    let other = &head[j * n..=j * n + j];
                    row[j] = (row[j] - dot(&row[..j], &other[..j])) / other[j];
                } else {
                    let rest = diagonal - dot(&row[..i], &row[..i]);
                    if !(rest > 1e-14 * diagonal.abs() && rest.is_finite()) {
                        return None;
                    }
                    row[i] = rest.sqrt();
                }
            }
        }
        Some(Self { n, l: a })
    }

    /// Solves `L·y = b` in place.
    pub fn forward(&self, b: &mut [f64]) {
        for i in 0..self.n {
            let row = &self.l[i * self.n..=i * self.n + i];
            let known: f64 = row[..i].iter().zip(&*b).map(|(l, y)| l * y).sum();
            b[i] = (b[i] - known) / row[i];
        }
    }

    /// Solves `A·x = b` in place.
    pub fn solve(&self, b: &mut [f64]) {
        self.forward(b);
        self.backward(b);
    }

    /// Solves `Lᵀ·x = b` in place.
    pub fn backward(&self, b: &mut [f64]) {
        for i in (0..self.n).rev() {
            let known: f64 = (i + 1..self.n).map(|j| self.l[j * self.n + i] * b[j]).sum();
            b[i] = (b[i] - known) / self.l[i * self.n + i];
        }
    }

    /// `L·z`: turns independent standard values into ones with covariance A.
    pub fn lower_times(&self, z: &[f64]) -> Vec<f64> {
        (0..self.n)
            .map(|i| {
                let row = &self.l[i * self.n..=i * self.n + i];
                row.iter().zip(z).map(|(l, z)| l * z).sum()
            })
            .collect()
    }

    /// `A⁻¹`, row by row.
    pub fn inverse(&self) -> Vec<f64> {
        let n = self.n;
        let mut inverse = vec![0.0; n * n];
        let mut column = vec![0.0; n];
        for j in 0..n {
            column.fill(0.0);
            column[j] = 1.0;
            self.solve(&mut column);
            for i in 0..n {
                inverse[i * n + j] = column[i];
            }
        }
        // Exactly symmetric, whatever the rounding.
        for i in 0..n {
            for j in 0..i {
                let mean = f64::midpoint(inverse[i * n + j], inverse[j * n + i]);
                inverse[i * n + j] = mean;
                inverse[j * n + i] = mean;
            }
        }
        inverse
    }
}

/// Eigenvalues and eigenvectors (columns, row by row) of a symmetric matrix by Jacobi's rotations.
pub fn symmetric_eigen(mut a: Vec<f64>, n: usize) -> (Vec<f64>, Vec<f64>) {
    let mut vectors = vec![0.0; n * n];
    for i in 0..n {
        vectors[i * n + i] = 1.0;
    }
    for _ in 0..60 {
        let size: f64 = (0..n).map(|i| a[i * n + i].powi(2)).sum();
        let off: f64 = (0..n)
            .flat_map(|i| (0..i).map(move |j| i * n + j))
            .map(|at| a[at] * a[at])
            .sum();
        if off <= 1e-30 * size || off.is_nan() {
            break;
        }
        for p in 0..n {
            for q in p + 1..n {
                if a[p * n + q] == 0.0 {
                    continue;
                }
                let turn = (a[q * n + q] - a[p * n + p]) / (2.0 * a[p * n + q]);
                let t = turn.signum() / (turn.abs() + turn.hypot(1.0));
                let (c, s) = (1.0 / t.hypot(1.0), t / t.hypot(1.0));
                for k in 0..n {
                    let (x, y) = (a[k * n + p], a[k * n + q]);
                    a[k * n + p] = c * x - s * y;
                    a[k * n + q] = s * x + c * y;
                }
                for k in 0..n {
                    let (x, y) = (a[p * n + k], a[q * n + k]);
                    a[p * n + k] = c * x - s * y;
                    a[q * n + k] = s * x + c * y;
                    let (x, y) = (vectors[k * n + p], vectors[k * n + q]);
                    vectors[k * n + p] = c * x - s * y;
                    vectors[k * n + q] = s * x + c * y;
                }
            }
        }
    }
    ((0..n).map(|i| a[i * n + i]).collect(), vectors)
}

/// Solves `(A + r·diag A)·x = b` with the smallest r of 0, 1e-12, 1e-10, … that makes the matrix
/// positive definite; `None` when none up to 1e4 does.
pub fn solve_damped(a: &[f64], b: &mut [f64]) -> Option<()> {
    let n = b.len();
    let mut ridge = 0.0;
    loop {
        let mut matrix = a.to_vec();
        for i in 0..n {
            let d = a[i * n + i].abs();
            matrix[i * n + i] += ridge * if d > 0.0 { d } else { 1.0 };
        }
        if let Some(factor) = Cholesky::new(matrix, n) {
            factor.solve(b);
            return Some(());
        }
        ridge = if ridge == 0.0 { 1e-12 } else { ridge * 100.0 };
        if ridge > 1e4 {
            return None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// [[2, 1], [1, 2]] has 1 and 3; a 3 × 3 is put together again from what was found.
    #[test]
    fn eigenvalues_by_hand() {
        let (mut values, _) = symmetric_eigen(vec![2.0, 1.0, 1.0, 2.0], 2);
        values.sort_by(f64::total_cmp);
        assert_relative_eq!(values[0], 1.0, max_relative = 1e-12);
        assert_relative_eq!(values[1], 3.0, max_relative = 1e-12);
        let a = vec![4.0, 1.0, -2.0, 1.0, 3.0, 0.5, -2.0, 0.5, -1.0];
        let (values, q) = symmetric_eigen(a.clone(), 3);
        for i in 0..3 {
            for j in 0..3 {
                let sum: f64 = (0..3)
                    .map(|k| q[i * 3 + k] * values[k] * q[j * 3 + k])
                    .sum();
                assert_relative_eq!(sum, a[i * 3 + j], epsilon = 1e-12);
            }
        }
    }

    #[test]
    fn factor_solve_and_inverse_agree_with_hand_values() {
        // A = [[4, 2], [2, 3]]: L = [[2, 0], [1, √2]], A⁻¹ = [[3, −2], [−2, 4]]/8.
        let a = vec![4.0, 2.0, 2.0, 3.0];
        let factor = Cholesky::new(a, 2).unwrap();
        let mut b = [2.0, 5.0];
        factor.solve(&mut b);
        assert_relative_eq!(b[0], -0.5, epsilon = 1e-15);
        assert_relative_eq!(b[1], 2.0, epsilon = 1e-15);
        let inverse = factor.inverse();
        for (ours, exact) in inverse.iter().zip([0.375, -0.25, -0.25, 0.5]) {
            assert_relative_eq!(*ours, exact, epsilon = 1e-15);
        }
    }

    #[test]
    fn singular_and_indefinite_matrices_have_no_factor() {
        assert!(Cholesky::new(vec![1.0, 1.0, 1.0, 1.0], 2).is_none());
        assert!(Cholesky::new(vec![1.0, 2.0, 2.0, 1.0], 2).is_none());
        assert!(Cholesky::new(vec![f64::NAN], 1).is_none());
        let mut b = [1.0, 1.0];
        solve_damped(&[1.0, 1.0, 1.0, 1.0], &mut b).unwrap();
        assert_relative_eq!(b[0] + b[1], 1.0, epsilon = 1e-6);
    }
}

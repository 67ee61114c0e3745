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

/// Eigenvalues of the symmetric matrix with this diagonal and these numbers beside it (zero elsewhere), in no
/// order, and the first component of each eigenvector of length 1: QL steps with implicit shifts (Dubrulle,
/// Martin & Wilkinson, Numerische Mathematik 12, 1968; that the first components are all a quadrature rule
/// needs: Golub & Welsch, Mathematics of Computation 23, 1969). `None` where the steps do not settle.
pub fn tridiagonal_eigen(mut diagonal: Vec<f64>, beside: &[f64]) -> Option<(Vec<f64>, Vec<f64>)> {
    let n = diagonal.len();
    let mut beside: Vec<f64> = beside.iter().copied().chain([0.0]).collect();
    let mut firsts = vec![0.0; n];
    *firsts.first_mut()? = 1.0;
    for low in 0..n {
        let mut steps = 0;
        loop {
            // The block that still hangs together from `low` on.
            let apart = |k: &usize| {
                let size = diagonal[*k].abs() + diagonal[*k + 1].abs();
                beside[*k].abs() <= f64::EPSILON * size
            };
            let high = (low..n - 1).find(apart).unwrap_or(n - 1);
            if high == low {
                break;
            }
            steps += 1;
            if steps > 60 {
                return None;
            }
            let half = (diagonal[low + 1] - diagonal[low]) / (2.0 * beside[low]);
            let root = half.hypot(1.0).copysign(half);
            let mut chased = diagonal[high] - diagonal[low] + beside[low] / (half + root);
            let (mut sine, mut cosine, mut taken) = (1.0, 1.0, 0.0);
            let mut split = false;
            for k in (low..high).rev() {
                let (bulge, kept) = (sine * beside[k], cosine * beside[k]);
                let length = bulge.hypot(chased);
                beside[k + 1] = length;
                if length == 0.0 {
                    diagonal[k + 1] -= taken;
                    beside[high] = 0.0;
                    split = true;
                    break;
                }
                (sine, cosine) = (bulge / length, chased / length);
                let rest = diagonal[k + 1] - taken;
                let moved = (diagonal[k] - rest) * sine + 2.0 * cosine * kept;
                taken = sine * moved;
                diagonal[k + 1] = rest + taken;
                chased = cosine * moved - kept;
                let (a, b) = (firsts[k], firsts[k + 1]);
                firsts[k + 1] = sine * a + cosine * b;
                firsts[k] = cosine * a - sine * b;
            }
            if !split {
                diagonal[low] -= taken;
                beside[low] = chased;
                beside[high] = 0.0;
            }
        }
    }
    Some((diagonal, firsts))
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

    /// The recurrence of the Hermite polynomials gives the Gauss–Hermite rule of five points as printed in
    /// Abramowitz & Stegun, table 25.10 (points ×√2 and weights /√π for the normal distribution); and any
    /// such matrix gives what Jacobi's rotations give.
    #[test]
    fn eigenvalues_beside_a_diagonal() {
        let beside = [1.0_f64, 2.0, 3.0, 4.0].map(f64::sqrt);
        let (points, firsts) = tridiagonal_eigen(vec![0.0; 5], &beside).unwrap();
        let mut rule: Vec<(f64, f64)> = points.into_iter().zip(firsts).collect();
        rule.sort_by(|a, b| a.0.total_cmp(&b.0));
        let printed = [
            (0.0, 9.453_087_204_829e-1),
            (0.958_572_464_613_819, 3.936_193_231_522e-1),
            (2.020_182_870_456_086, 1.995_324_205_905e-2),
        ];
        for (i, (x, w)) in printed.into_iter().enumerate() {
            let (found, first) = rule[2 + i];
            assert_relative_eq!(found, x * 2.0_f64.sqrt(), epsilon = 1e-13);
            let weight = w / std::f64::consts::PI.sqrt();
            assert_relative_eq!(first * first, weight, max_relative = 1e-11);
        }
        let n = 12;
        let diagonal: Vec<f64> = (0..n).map(|i| (f64::from(i) * 1.7).sin()).collect();
        let beside: Vec<f64> = (1..n)
            .map(|i| 0.2 + (f64::from(i) * 0.9).cos().abs())
            .collect();
        let n = diagonal.len();
        let mut matrix = vec![0.0; n * n];
        for i in 0..n {
            matrix[i * n + i] = diagonal[i];
            if i + 1 < n {
                matrix[i * n + i + 1] = beside[i];
                matrix[(i + 1) * n + i] = beside[i];
            }
        }
        let (values, vectors) = symmetric_eigen(matrix, n);
        let mut slow: Vec<(f64, f64)> = values.into_iter().zip(vectors).collect();
        let (values, firsts) = tridiagonal_eigen(diagonal, &beside).unwrap();
        let mut fast: Vec<(f64, f64)> = values.into_iter().zip(firsts).collect();
        for pairs in [&mut slow, &mut fast] {
            pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        }
        for (slow, fast) in slow.iter().zip(&fast) {
            assert_relative_eq!(slow.0, fast.0, epsilon = 1e-13);
            assert_relative_eq!(slow.1.abs(), fast.1.abs(), epsilon = 1e-13);
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

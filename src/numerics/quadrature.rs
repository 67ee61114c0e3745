//! Gauss–Legendre rules.

/// A quadrature rule on [−1, 1].
#[derive(Debug, Clone, PartialEq)]
pub struct Rule {
    /// Nodes, rising.
    pub nodes: Vec<f64>,
    /// Weights, summing to 2.
    pub weights: Vec<f64>,
}

impl Rule {
    /// `∫ f` over `[a, b]`.
    pub fn integrate(&self, a: f64, b: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
        let (middle, half) = (0.5 * (a + b), 0.5 * (b - a));
        let sum: f64 = self
            .nodes
            .iter()
            .zip(&self.weights)
            .map(|(x, w)| w * f(middle + half * x))
            .sum();
        half * sum
    }
}

/// The integral from −1 of the polynomial through `values` at the rule's nodes, exact as far as the rule
/// is, as coefficients of `P_{k+1} − P_{k−1}` (of `1 + x` for k = 0), P the Legendre polynomials: their
/// own by the rule itself, then `∫P_k = (P_{k+1} − P_{k−1})/(2k + 1)`.
pub fn integral_through<const N: usize>(rule: &Rule, values: &[f64; N]) -> [f64; N] {
    let mut coefficients = [0.0; N];
    for ((&node, &weight), &value) in rule.nodes.iter().zip(&rule.weights).zip(values) {
        let (mut p, mut next) = (1.0, node);
        for (k, coefficient) in coefficients.iter_mut().enumerate() {
            let k = k as f64;
            *coefficient += 0.5 * weight * value * p;
            (p, next) = (
                next,
                ((2.0 * k + 3.0) * node * next - (k + 1.0) * p) / (k + 2.0),
            );
        }
    }
    coefficients
}

/// Value at `x` in [−1, 1] of an integral given by [`integral_through`].
pub fn integral_at(coefficients: &[f64], x: f64) -> f64 {
    let mut sum = 0.0;
    let (mut before, mut p) = (-1.0, 1.0);
    for (k, coefficient) in coefficients.iter().enumerate() {
        let k = k as f64;
        let next = if k == 0.0 {
            x
        } else {
            ((2.0 * k + 1.0) * x * p - k * before) / (k + 1.0)
        };
        sum += coefficient * (next - before);
        (before, p) = (p, next);
    }
    sum
}

/// Gauss–Legendre rule of `n` ≥ 1 points: exact for polynomials to degree 2n − 1.
///
/// Nodes are the roots of the Legendre polynomial, by Newton from
/// `cos(π (i − 1/4)/(n + 1/2))`; weights `2/((1 − x²) P′(x)²)`.
/// Source: NIST Digital Library of Mathematical Functions, §3.5(v).
pub fn gauss_legendre(n: usize) -> Rule {
    let n = n.max(1);
    let mut rule = Rule {
        nodes: vec![0.0; n],
        weights: vec![0.0; n],
    };
    for i in 0..n.div_ceil(2) {
        let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
        let mut slope = 1.0;
        for _ in 0..100 {
            let (mut p, mut before) = (1.0, 0.0);
            for k in 1..=n {
                let k = k as f64;
                (p, before) = (((2.0 * k - 1.0) * x * p - (k - 1.0) * before) / k, p);
            }
            slope = n as f64 * (x * p - before) / (x * x - 1.0);
            let step = p / slope;
            x -= step;
            if step.abs() < 1e-15 {
                break;
            }
        }
        if 2 * i + 1 == n {
            x = 0.0;
        }
        let weight = 2.0 / ((1.0 - x * x) * slope * slope);
        rule.nodes[i] = -x;
        rule.nodes[n - 1 - i] = x;
        rule.weights[i] = weight;
        rule.weights[n - 1 - i] = weight;
    }
    rule
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Abramowitz & Stegun, table 25.4, n = 5 (15 digits printed).
    #[test]
    fn five_points_match_the_printed_table() {
        let rule = gauss_legendre(5);
        let nodes = [0.0, 0.538469310105683, 0.906179845938664];
        let weights = [0.568888888888889, 0.478628670499366, 0.236926885056189];
        for k in 0..3 {
            assert_relative_eq!(rule.nodes[2 + k], nodes[k], epsilon = 1e-15);
            assert_relative_eq!(rule.weights[2 + k], weights[k], epsilon = 1e-15);
        }
    }

    #[test]
    fn partial_integrals_of_polynomials_are_exact() {
        let rule = gauss_legendre(6);
        let mut values = [0.0; 6];
        for (value, x) in values.iter_mut().zip(&rule.nodes) {
            *value = 1.0 + x - 3.0 * x.powi(5);
        }
        let integral = integral_through(&rule, &values);
        for x in [-1.0_f64, -0.4, 0.0, 0.77, 1.0] {
            let exact = (x + 1.0) + 0.5 * (x * x - 1.0) - 0.5 * (x.powi(6) - 1.0);
            assert_relative_eq!(integral_at(&integral, x), exact, epsilon = 1e-14);
        }
    }

    #[test]
    fn polynomials_to_degree_2n_minus_1_are_exact() {
        for n in [1, 2, 3, 8, 20, 64_u8] {
            let rule = gauss_legendre(usize::from(n));
            let degree = 2 * i32::from(n) - 1;
            let integral = rule.integrate(0.0, 1.0, |x| x.powi(degree));
            assert_relative_eq!(
                integral,
                1.0 / (f64::from(degree) + 1.0),
                max_relative = 1e-12
            );
            assert_relative_eq!(rule.weights.iter().sum::<f64>(), 2.0, max_relative = 1e-13);
        }
    }
}

//! The distribution of a number of parts.

/// Probabilities of needing 0, 1, 2, … parts; they sum to 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Counts {
    pmf: Vec<f64>,
}

/// Tail probability that is dropped (and the rest rescaled) after each step, so that sums over many
/// positions stay as long as they need to be and no longer.
const NEGLIGIBLE: f64 = 1e-13;

impl Counts {
    /// Surely none.
    pub fn none() -> Self {
        Self { pmf: vec![1.0] }
    }

    /// From `P(N ≥ 1), P(N ≥ 2), …`; values are forced into [0, 1] and made non-increasing, which
    /// only undoes rounding and extrapolation noise.
    pub fn from_at_least(at_least: &[f64]) -> Self {
        let mut pmf = Vec::with_capacity(at_least.len() + 1);
        let mut before = 1.0_f64;
        for &p in at_least {
            let here = p.clamp(0.0, before);
            pmf.push(before - here);
            before = here;
        }
        pmf.push(before);
        let mut counts = Self { pmf };
        counts.trim();
        counts
    }

    /// From weights ≥ 0 of 0, 1, 2, …, rescaled to sum to 1; none at all means surely zero.
    pub fn from_weights(weights: Vec<f64>) -> Self {
        let total: f64 = weights.iter().sum();
        if total.is_nan() || total <= 0.0 {
            return Self::none();
        }
        let mut counts = Self {
            pmf: weights.into_iter().map(|w| w / total).collect(),
        };
        counts.trim();
        counts
    }

    /// Probabilities from 0 up.
    pub fn pmf(&self) -> &[f64] {
        &self.pmf
    }

    /// Expected number.
    pub fn mean(&self) -> f64 {
        self.pmf.iter().enumerate().map(|(n, p)| n as f64 * p).sum()
    }

    /// Variance of the number.
    pub fn variance(&self) -> f64 {
        let mean = self.mean();
        self.pmf
            .iter()
            .enumerate()
            .map(|(n, p)| (n as f64 - mean).powi(2) * p)
            .sum()
    }

    /// `P(N ≤ s)`.
    pub fn at_most(&self, s: u32) -> f64 {
        1.0 - self.more_than(s)
    }

    /// `P(N > s)`, summed from the small end so that small chances keep their digits.
    pub fn more_than(&self, s: u32) -> f64 {
        let from = (s as usize).saturating_add(1).min(self.pmf.len());
        self.pmf[from..].iter().rev().sum::<f64>().min(1.0)
    }

    /// Smallest `s` with `P(N ≤ s) ≥ level`.
    pub fn quantile(&self, level: f64) -> u32 {
        // A hair of slack: a level that is met exactly must not be missed by rounding.
        let allowed = (1.0 - level) + 1e-12;
        let mut above = 0.0;
        for (n, p) in self.pmf.iter().enumerate().rev() {
            above += p;
            if above > allowed {
                return n as u32;
            }
        }
        0
    }

    /// `E[min(N, s)]`: how many of the parts needed a stock of `s` covers, on average.
    pub fn expected_covered(&self, s: u32) -> f64 {
        self.pmf
            .iter()
            .enumerate()
            .map(|(n, p)| p * f64::from(s.min(n as u32)))
            .sum()
    }

    /// Largest difference of `P(N ≤ s)` over s.
    pub fn furthest_from(&self, other: &Self) -> f64 {
        let (mut apart, mut largest) = (0.0_f64, 0.0_f64);
        for n in 0..self.pmf.len().max(other.pmf.len()) {
            let at = |c: &Self| c.pmf.get(n).copied().unwrap_or(0.0);
            apart += at(self) - at(other);
            largest = largest.max(apart.abs());
        }
        largest
    }

    /// Sum of two independent numbers.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        let (long, short) = if self.pmf.len() >= other.pmf.len() {
            (&self.pmf, &other.pmf)
        } else {
            (&other.pmf, &self.pmf)
        };
        let mut pmf = vec![0.0; long.len() + short.len() - 1];
        for (shift, &weight) in short.iter().enumerate() {
            for (to, from) in pmf[shift..].iter_mut().zip(long) {
                *to += weight * from;
            }
        }
        let mut sum = Self { pmf };
        sum.trim();
        sum
    }

    /// The same number of sets of `size` parts each.
    #[must_use]
    pub fn in_sets_of(&self, size: u32) -> Self {
        let size = size.max(1) as usize;
        if size == 1 {
            return self.clone();
        }
        let mut pmf = vec![0.0; (self.pmf.len() - 1) * size + 1];
        for (n, &p) in self.pmf.iter().enumerate() {
            pmf[n * size] = p;
        }
        Self { pmf }
    }

    fn trim(&mut self) {
        let mut dropped = 0.0;
        while self.pmf.len() > 1 {
            let last = self.pmf[self.pmf.len() - 1];
            if dropped + last > NEGLIGIBLE {
                break;
            }
            dropped += last;
            self.pmf.pop();
        }
        if dropped > 0.0 {
            let keep = 1.0 / (1.0 - dropped);
            for p in &mut self.pmf {
                *p *= keep;
            }
        }
    }
}

/// A mixture: the weighted mean of distributions; weights sum to 1.
pub fn mix<'a>(parts: impl IntoIterator<Item = (f64, &'a Counts)>) -> Counts {
    let mut pmf: Vec<f64> = Vec::new();
    for (weight, counts) in parts {
        if pmf.len() < counts.pmf.len() {
            pmf.resize(counts.pmf.len(), 0.0);
        }
        for (to, p) in pmf.iter_mut().zip(&counts.pmf) {
            *to += weight * p;
        }
    }
    Counts::from_weights(pmf)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn poisson(mean: f64) -> Counts {
        let mut weights = vec![1.0];
        for n in 1..200 {
            weights.push(weights[n - 1] * mean / n as f64);
        }
        Counts::from_weights(weights)
    }

    #[test]
    fn a_sum_of_two_dice_is_the_triangle() {
        let die = Counts::from_weights(vec![0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]);
        let two = die.plus(&die);
        assert_relative_eq!(two.pmf()[7], 6.0 / 36.0, epsilon = 1e-15);
        assert_relative_eq!(two.pmf()[12], 1.0 / 36.0, epsilon = 1e-15);
        assert_relative_eq!(two.mean(), 7.0, epsilon = 1e-12);
        assert_relative_eq!(two.variance(), 35.0 / 6.0, epsilon = 1e-12);
        assert_eq!(two.quantile(35.0 / 36.0), 11);
        assert_eq!(two.quantile(0.99), 12);
    }

    /// Poisson stock levels: smallest s with P(N ≤ s) ≥ service level. Values computed with
    /// scipy 1.17.1 (published-cases file, `stock_poisson_negbin_open`).
    #[test]
    fn poisson_stock_levels() {
        for (mean, level, stock) in [
            (0.5, 0.9, 1),
            (0.5, 0.95, 2),
            (0.5, 0.99, 3),
            (2.0, 0.9, 4),
            (2.0, 0.95, 5),
            (2.0, 0.99, 6),
            (7.5, 0.9, 11),
            (7.5, 0.95, 12),
            (7.5, 0.99, 15),
        ] {
            assert_eq!(poisson(mean).quantile(level), stock, "{mean} {level}");
        }
    }

    /// A Poisson count whose mean is gamma-distributed is negative binomial (Greenwood & Yule
    /// 1920); levels computed with scipy 1.17.1 (`stock_poisson_negbin_open`). The mixture is
    /// made the way forecasts make theirs, from weighted nodes.
    #[test]
    fn gamma_mixed_poisson_stock_levels() {
        for (mean, k, levels) in [
            (0.5, 1.0, [2, 2, 4]),
            (0.5, 4.0, [1, 2, 3]),
            (2.0, 1.0, [5, 7, 11]),
            (2.0, 4.0, [4, 5, 7]),
            (7.5, 1.0, [18, 23, 36]),
            (7.5, 4.0, [14, 16, 22]),
        ] {
            let rule = 4000;
            let top = mean / k * 40.0;
            let nodes: Vec<(f64, Counts)> = (0..rule)
                .map(|i| {
                    let rate: f64 = (f64::from(i) + 0.5) / f64::from(rule) * top;
                    let weight = rate.powf(k - 1.0) * (-rate * k / mean).exp();
                    (weight, poisson(rate))
                })
                .collect();
            let total: f64 = nodes.iter().map(|(w, _)| w).sum();
            let mixed = mix(nodes.iter().map(|(w, c)| (w / total, c)));
            for (level, stock) in [0.9, 0.95, 0.99].into_iter().zip(levels) {
                assert_eq!(mixed.quantile(level), stock, "mean {mean} k {k} at {level}");
            }
        }
    }

    #[test]
    fn sets_multiply_and_extrapolation_noise_is_undone() {
        let sets = Counts::from_at_least(&[0.4, 0.1]).in_sets_of(3);
        assert_eq!(sets.pmf().len(), 7);
        assert_relative_eq!(sets.mean(), 1.5, epsilon = 1e-15);
        let noisy = Counts::from_at_least(&[1.0 + 1e-9, 0.2, 0.2 + 1e-9, -1e-12]);
        assert_relative_eq!(noisy.pmf().iter().sum::<f64>(), 1.0, epsilon = 1e-14);
        assert!(noisy.pmf().iter().all(|&p| p >= 0.0));
        assert_relative_eq!(Counts::none().more_than(0), 0.0);
    }
}

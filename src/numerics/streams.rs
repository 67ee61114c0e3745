//! Seeded random streams: one a replicate, so that results depend on neither threads nor order.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// A stream of random numbers, fixed by the seed and the replicate's number.
#[derive(Debug, Clone)]
pub struct Stream(Xoshiro256PlusPlus);

/// The stream of one replicate.
pub fn stream(seed: u64, replicate: u64) -> Stream {
    // Seed and number are spread by SplitMix64 (in `seed_from_u64`); the odd multiplier keeps
    // neighbouring replicates apart.
    let mixed = seed
        ^ replicate
            .wrapping_add(1)
            .wrapping_mul(0x9E37_79B9_7F4A_7C15);
    Stream(Xoshiro256PlusPlus::seed_from_u64(mixed))
}

impl Stream {
    /// Uniform in the open interval (0, 1), 53 bits.
    pub fn uniform(&mut self) -> f64 {
        let bits: u64 = self.0.random();
        ((bits >> 11) as f64 + 0.5) * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Standard exponential.
    pub fn exponential(&mut self) -> f64 {
        -self.uniform().ln()
    }

    /// Standard normal, by its quantile function.
    pub fn normal(&mut self) -> f64 {
        super::special::normal_quantile(self.uniform())
    }

    /// Whole number in `0..n`, `n` ≥ 1.
    pub fn below(&mut self, n: usize) -> usize {
        ((self.uniform() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// Gamma of the given shape > 0 and rate 1.
    ///
    /// Source: G. Marsaglia & W. W. Tsang, A simple method for generating gamma variables, ACM
    /// TOMS 26 (2000); shapes under 1 by their §6 (`U^(1/a)` times shape + 1).
    pub fn gamma(&mut self, shape: f64) -> f64 {
        if shape < 1.0 {
            let boost = (self.uniform().ln() / shape).exp();
            return self.gamma(shape + 1.0) * boost;
        }
        let d = shape - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let x = self.normal();
            let v = (1.0 + c * x).powi(3);
            if v > 0.0 && self.uniform().ln() < 0.5 * x * x + d - d * v + d * v.ln() {
                return d * v;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_is_fixed_by_seed_and_replicate() {
        let take = |seed, replicate| {
            let mut s = stream(seed, replicate);
            [s.uniform(), s.uniform(), s.exponential()]
        };
        assert_eq!(take(7, 3), take(7, 3));
        assert_ne!(take(7, 3), take(7, 4));
        assert_ne!(take(7, 3), take(8, 3));
    }

    #[test]
    fn draws_have_the_moments_of_their_distributions() {
        let n = 40_000;
        let mut s = stream(1, 0);
        let mut check = |draw: &mut dyn FnMut(&mut Stream) -> f64, mean: f64, variance: f64| {
            let x: Vec<f64> = (0..n).map(|_| draw(&mut s)).collect();
            let m = x.iter().sum::<f64>() / f64::from(n);
            let v = x.iter().map(|x| (x - m).powi(2)).sum::<f64>() / f64::from(n);
            let error = 5.0 * (variance / f64::from(n)).sqrt();
            assert!((m - mean).abs() < error, "mean {m}, not {mean}");
            assert!(
                (v / variance - 1.0).abs() < 0.12,
                "variance {v}, not {variance}"
            );
        };
        check(&mut |s| s.uniform(), 0.5, 1.0 / 12.0);
        check(&mut |s| s.exponential(), 1.0, 1.0);
        check(&mut |s| s.normal(), 0.0, 1.0);
        check(&mut |s| s.gamma(0.3), 0.3, 0.3);
        check(&mut |s| s.gamma(7.5), 7.5, 7.5);
        check(&mut |s| s.below(10) as f64, 4.5, 8.25);
    }
}

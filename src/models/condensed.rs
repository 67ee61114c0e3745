//! Large samples condensed: buckets of log age, each replaced by two weighted ages.
//!
//! A bucket is all ages that share the leading bits of their floating-point form (1,024 or more to
//! an octave), found without a logarithm. Its lives are replaced by the two-point Gauss rule that
//! has their number, mean, variance and skewness of ln t. A sum `Σ g(ln t)` then changes only in the
//! fourth derivative of g: by less than `0.004 (β h)⁴` of each bucket's share with half-width h ≤
//! 1/2048, which is 1e-14 at β = 2 and 4e-12 at β = 10; larger shapes get narrower buckets. One pass
//! over a million lives, then every likelihood, interval and posterior works on some ten thousand
//! ages.

use rayon::prelude::*;

use crate::lives::Observations;
use crate::numerics::vector::ln;

use super::log_lives::{LogLives, Weighted};

/// Samples from here on are condensed.
pub(super) const MANY: usize = 50_000;
/// Leading bits of the mantissa that name a bucket.
const FEWEST_BITS: u32 = 10;
const MOST_BITS: u32 = 16;
/// More buckets than this would gain nothing.
const MOST_BUCKETS: u64 = 1 << 18;
/// Blocks of the one pass; fixed, so that the number of threads does not show, and few, since each
/// has buckets of its own.
const BLOCKS: usize = 4;
/// Ages in whole hours up to here are counted instead, age by age.
const MOST_HOURS: f64 = 131_072.0;
/// Spread of ln t under which a bucket is one age: its square is lost in rounding.
const ONE_AGE: f64 = 1e-7;

/// Condenses samples; see the module.
pub(super) struct Condensed {
    bits: u32,
    first: u64,
    /// 1/centre and ln centre of each bucket.
    inverse: Vec<f64>,
    ln_centre: Vec<f64>,
}

/// Σ w, Σ w u, Σ w u², Σ w u³ with u = ln(t/centre).
type Moments = [f64; 4];

impl Condensed {
    /// `None` when a life is of another kind than exact or right-censored and seen from new, or when
    /// the ages span too many buckets.
    pub(super) fn of(observations: &Observations) -> Option<LogLives> {
        if !observations.entry.is_empty() {
            return None;
        }
        let low = &observations.low;
        let n = low.len();
        let size = n.div_ceil(BLOCKS);
        let rows = |block: usize| (block * size).min(n)..((block + 1) * size).min(n);
        let spans: Vec<Option<Span>> = (0..BLOCKS)
            .into_par_iter()
            .map(|block| Span::of(observations, rows(block)))
            .collect();
        let mut span = Span::default();
        for part in spans {
            let part = part?;
            span.shortest = span.shortest.min(part.shortest);
            span.longest = span.longest.max(part.longest);
        }
        let Span { shortest, longest } = span;
        if longest <= 0.0 {
            return None;
        }
        if longest <= MOST_HOURS && low.iter().step_by(997).all(|t| t.fract() == 0.0) {
            let counts: Vec<Option<Counts>> = (0..BLOCKS)
                .into_par_iter()
                .map(|block| Counts::of(observations, rows(block), longest))
                .collect();
            if let Some(lives) = Counts::joined(counts) {
                return Some(lives);
            }
        }
        let buckets = Self::new(low, shortest, longest)?;
        let blocks: Vec<(Vec<Moments>, Vec<Moments>)> = (0..BLOCKS)
            .into_par_iter()
            .map(|block| buckets.moments(observations, rows(block)))
            .collect();
        let (mut exact, mut right) = (buckets.empty(), buckets.empty());
        for (e, r) in &blocks {
            add(&mut exact, e);
            add(&mut right, r);
        }
        let shift = ln(longest);
        Some(LogLives {
            shift,
            exact: buckets.two_ages_each(&exact, shift),
            right: buckets.two_ages_each(&right, shift),
            condensed: true,
            ..LogLives::default()
        })
    }

    fn new(ages: &[f64], shortest: f64, longest: f64) -> Option<Self> {
        // The narrower the ages lie, the larger the shape may be, and the finer the buckets: spread
        // of ln t from every thousandth age.
        let sample: Vec<f64> = ages
            .iter()
            .step_by(997)
            .filter(|t| **t > 0.0)
            .map(|t| t.ln())
            .collect();
        let mean = sample.iter().sum::<f64>() / sample.len() as f64;
        let squares = sample.iter().map(|y| (y - mean).powi(2)).sum::<f64>();
        let shape = 1.3 / (squares / sample.len() as f64).sqrt().max(1e-6);
        let finer = (shape / 2.0)
            .log2()
            .ceil()
            .clamp(0.0, f64::from(MOST_BITS - FEWEST_BITS));
        let bits = FEWEST_BITS + finer as u32;
        let bucket = |t: f64| t.to_bits() >> (52 - bits);
        let first = bucket(shortest);
        let count = bucket(longest).checked_sub(first)? + 1;
        if count > MOST_BUCKETS {
            return None;
        }
        let centres =
            (first..first + count).map(|b| f64::from_bits((b << (52 - bits)) | (1 << (51 - bits))));
        let (inverse, ln_centre) = centres.map(|c| (c.recip(), c.ln())).unzip();
        Some(Self {
            bits,
            first,
            inverse,
            ln_centre,
        })
    }

    fn empty(&self) -> Vec<Moments> {
        vec![[0.0; 4]; self.inverse.len()]
    }

    fn moments(
        &self,
        observations: &Observations,
        rows: std::ops::Range<usize>,
    ) -> (Vec<Moments>, Vec<Moments>) {
        let (mut exact, mut right) = (self.empty(), self.empty());
        let move_by = 52 - self.bits;
        for i in rows {
            let t = observations.low[i];
            if t <= 0.0 {
                // Right-censored at once: says nothing.
                continue;
            }
            let weight = observations.count.get(i).copied().unwrap_or(1.0);
            let bucket = ((t.to_bits() >> move_by) - self.first) as usize;
            // ln(1 + d) with |d| ≤ 2^−11: the next term is below 1e-17.
            let d = t * self.inverse[bucket] - 1.0;
            let u = d * (1.0 - d * (0.5 - d * (1.0 / 3.0 - d * (0.25 - d * 0.2))));
            let side = if observations.high[i] == t {
                &mut exact
            } else {
                &mut right
            };
            let m = &mut side[bucket];
            let (wu, uu) = (weight * u, u * u);
            m[0] += weight;
            m[1] += wu;
            m[2] += weight * uu;
            m[3] += wu * uu;
        }
        (exact, right)
    }

    fn two_ages_each(&self, moments: &[Moments], shift: f64) -> Weighted {
        let mut out = Weighted::default();
        for (m, ln_centre) in moments.iter().zip(&self.ln_centre) {
            let weight = m[0];
            if weight <= 0.0 {
                continue;
            }
            let mean = m[1] / weight;
            let variance = m[2] / weight - mean * mean;
            let middle = ln_centre - shift + mean;
            if variance < ONE_AGE * ONE_AGE {
                out.push(middle, weight);
                continue;
            }
            let sd = variance.sqrt();
            let third = m[3] / weight - mean * (3.0 * variance + mean * mean);
            let half_skew = 0.5 * third / (variance * sd);
            // Roots of x² − skew·x − 1: mean 0, variance 1 and that skewness.
            let reach = (1.0 + half_skew * half_skew).sqrt();
            let (x1, x2) = (half_skew - reach, half_skew + reach);
            out.push(middle + sd * x1, weight * x2 / (x2 - x1));
            out.push(middle + sd * x2, -weight * x1 / (x2 - x1));
        }
        out
    }
}

/// Shortest age above 0 and longest age.
#[derive(Debug, Clone, Copy)]
struct Span {
    shortest: f64,
    longest: f64,
}

impl Default for Span {
    fn default() -> Self {
        Self {
            shortest: f64::INFINITY,
            longest: 0.0,
        }
    }
}

impl Span {
    /// `None` when a life is neither exact nor right-censored.
    fn of(observations: &Observations, rows: std::ops::Range<usize>) -> Option<Self> {
        const LANES: usize = 8;
        let (low, low_rest) = observations.low[rows.clone()].as_chunks::<LANES>();
        let (high, high_rest) = observations.high[rows].as_chunks::<LANES>();
        let mut shortest = [f64::INFINITY; LANES];
        let mut longest = [0.0_f64; LANES];
        let mut plain = [true; LANES];
        let mut look = |k: usize, t: f64, high: f64| {
            let long = longest[k];
            longest[k] = if t > long { t } else { long };
            let short = shortest[k];
            shortest[k] = if t < short && t > 0.0 { t } else { short };
            plain[k] &= high == t || high == f64::INFINITY;
        };
        for (low, high) in low.iter().zip(high) {
            for k in 0..LANES {
                look(k, low[k], high[k]);
            }
        }
        for (k, (t, high)) in low_rest.iter().zip(high_rest).enumerate() {
            look(k, *t, *high);
        }
        plain.iter().all(|p| *p).then(|| Self {
            shortest: shortest.into_iter().fold(f64::INFINITY, f64::min),
            longest: longest.into_iter().fold(0.0, f64::max),
        })
    }
}

/// Lives at each whole hour.
struct Counts {
    exact: Vec<f64>,
    right: Vec<f64>,
}

impl Counts {
    /// `None` when an age is not whole.
    fn of(observations: &Observations, rows: std::ops::Range<usize>, longest: f64) -> Option<Self> {
        let hours = longest as usize + 1;
        let mut counts = Self {
            exact: vec![0.0; hours],
            right: vec![0.0; hours],
        };
        for i in rows {
            let t = observations.low[i];
            let hour = t as usize;
            if hour as f64 != t {
                return None;
            }
            let weight = observations.count.get(i).copied().unwrap_or(1.0);
            let side = if observations.high[i] == t {
                &mut counts.exact
            } else {
                &mut counts.right
            };
            side[hour] += weight;
        }
        Some(counts)
    }

    fn joined(parts: Vec<Option<Self>>) -> Option<LogLives> {
        let mut parts = parts.into_iter();
        let mut sum = parts.next()??;
        for part in parts {
            let part = part?;
            for (side, more) in [(&mut sum.exact, part.exact), (&mut sum.right, part.right)] {
                for (count, more) in side.iter_mut().zip(more) {
                    *count += more;
                }
            }
        }
        let shift = ln((sum.exact.len() - 1) as f64);
        // Hour 0: right-censored at once, which says nothing.
        let column = |counts: &[f64]| {
            let mut out = Weighted::default();
            for (hour, &count) in counts.iter().enumerate().skip(1) {
                if count > 0.0 {
                    out.push(ln(hour as f64) - shift, count);
                }
            }
            out
        };
        Some(LogLives {
            shift,
            exact: column(&sum.exact),
            right: column(&sum.right),
            condensed: true,
            ..LogLives::default()
        })
    }
}

fn add(sum: &mut [Moments], more: &[Moments]) {
    for (s, m) in sum.iter_mut().zip(more) {
        for (s, m) in s.iter_mut().zip(m) {
            *s += m;
        }
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::models::kernel::Kernel;
    use crate::models::maximise::maximise;
    use crate::numerics::streams::stream;

    fn sample(n: usize, shape: f64, whole: bool) -> Observations {
        let mut random = stream(8, 1);
        let mut o = Observations::default();
        for _ in 0..n {
            let mut t = 1000.0 * random.exponential().powf(1.0 / shape);
            let mut c = 1500.0 * random.exponential().powf(1.0 / shape);
            if whole {
                (t, c) = (t.ceil(), c.ceil());
            }
            o.push(t.min(c), if t <= c { t } else { f64::INFINITY }, 0.0, 1.0);
        }
        o
    }

    #[test]
    fn condensed_lives_give_the_same_estimates_to_eleven_digits() {
        for (shape, whole) in [(0.7, false), (2.0, false), (2.0, true), (30.0, false)] {
            let o = sample(60_000, shape, whole);
            let few = LogLives::new(&o);
            assert!(few.condensed && few.rows() < 40_000);
            let all = LogLives::each(&o);
            for kernel in [Kernel::SmallestExtreme, Kernel::Normal, Kernel::Logistic] {
                let (a, b) = (
                    maximise(&few, kernel).unwrap(),
                    maximise(&all, kernel).unwrap(),
                );
                assert_relative_eq!(a.sigma, b.sigma, max_relative = 1e-11);
                assert_relative_eq!(a.mu, b.mu, max_relative = 1e-10, epsilon = 1e-11);
                assert_relative_eq!(a.log_likelihood, b.log_likelihood, max_relative = 1e-12);
                assert_relative_eq!(a.covariance.bb, b.covariance.bb, max_relative = 1e-9);
            }
        }
    }
}

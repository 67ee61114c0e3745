//! Bootstrap by fractional random weights, bias-corrected.
//!
//! Each replicate refits the same lives with independent standard exponential weights (a gamma of
//! shape c for c lives alike), so every life stays in and censored samples rarely lose their
//! optimum. Limits are the percentiles of the replicates after the usual correction for median
//! bias: with z₀ the normal quantile of the share of replicates below the estimate, the percentiles
//! at Φ(2z₀ ± z). One random stream a replicate, so threads change nothing.
//!
//! Sources: L. Xu, C. Gotwalt, Y. Hong, C. King, W. Meeker, Applications of the fractional-random-
//! weight bootstrap, The American Statistician 74 (2020); B. Efron, Better bootstrap confidence
//! intervals, JASA 82 (1987) (both from memory).

use rayon::prelude::*;

use crate::lives::Observations;
use crate::numerics::special::{normal_cdf, normal_quantile};
use crate::numerics::streams::{Stream, stream};
use crate::numerics::vector::{Running, ln, widest};

use super::functional::{Intervals, Limits, Offset};
use super::kernel::Kernel;
use super::log_lives::{LogLives, Weighted};
use super::maximise::{Optimum, maximise, maximise_known_sigma};
use super::quick::profile_top;

/// Replicates.
pub(crate) const REPLICATES: u64 = 2000;
/// Share of replicates without an optimum above which there are no limits.
const MOST_LOST: f64 = 0.05;
const SEED: u64 = 0x0077_6561_7263_6173;

/// Refitted curves, in shifted log hours.
pub(crate) struct Bootstrap {
    kernel: Kernel,
    shift: f64,
    estimate: Optimum,
    known_sigma: bool,
    curves: Vec<(f64, f64)>,
    multiplier: f64,
}

impl Bootstrap {
    /// Refits; `None` when too many replicates have no optimum.
    pub(crate) fn new(
        kernel: Kernel,
        observations: &Observations,
        lives: &LogLives,
        estimate: Optimum,
        known_sigma: bool,
        multiplier: f64,
    ) -> Option<Self> {
        let rows = in_order(observations);
        let plain = PlainLives::of(kernel, lives, &estimate, known_sigma);
        let curves: Vec<(f64, f64)> = (0..REPLICATES)
            .into_par_iter()
            .map_init(Vec::new, |weights, replicate| {
                let quick = plain.as_ref().and_then(|p| p.refit(replicate, weights));
                if quick.is_some() {
                    return quick;
                }
                let weighted = if lives.entry.y.is_empty() {
                    reweighted(lives, replicate)
                } else {
                    reweighted_from_start(&rows, replicate)
                };
                let optimum = if known_sigma {
                    maximise_known_sigma(&weighted, kernel, estimate.sigma)
                } else {
                    maximise(&weighted, kernel)
                };
                optimum.ok().map(|o| (o.mu, o.sigma))
            })
            .flatten()
            .collect();
        let kept = curves.len() as f64 / REPLICATES as f64;
        (kept >= 1.0 - MOST_LOST).then_some(Self {
            kernel,
            shift: lives.shift,
            estimate,
            known_sigma,
            curves,
            multiplier,
        })
    }

    fn limits(&self, of: impl Fn(f64, f64) -> f64) -> Limits {
        let estimate = of(self.estimate.mu, self.estimate.sigma);
        let mut values: Vec<f64> = self
            .curves
            .iter()
            .map(|&(mu, sigma)| of(mu, sigma))
            .collect();
        if !estimate.is_finite() || values.iter().any(|v| v.is_nan()) {
            return Limits::default();
        }
        values.sort_by(f64::total_cmp);
        let n = values.len() as f64;
        let below = values.partition_point(|v| *v < estimate) as f64;
        let bias = normal_quantile((below.max(0.5) / n).min(1.0 - 0.5 / n));
        let at = |z: f64| {
            let position = normal_cdf(2.0 * bias + z) * n - 0.5;
            let low = position.floor().clamp(0.0, n - 1.0);
            let high = (low + 1.0).min(n - 1.0);
            let part = (position - low).clamp(0.0, 1.0);
            let (a, b) = (values[low as usize], values[high as usize]);
            Some(a + part * (b - a)).filter(|v| v.is_finite())
        };
        Limits {
            lower: at(-self.multiplier),
            upper: at(self.multiplier),
        }
    }
}

/// Exact and right-censored Weibull lives, each counting once, whose refits need no more than new
/// weights.
struct PlainLives {
    /// Shifted log hours, worn lives first.
    y: Vec<f64>,
    worn: usize,
    shape: f64,
}

impl PlainLives {
    fn of(kernel: Kernel, lives: &LogLives, estimate: &Optimum, known_sigma: bool) -> Option<Self> {
        let once = |column: &Weighted| column.weight.iter().all(|w| *w == 1.0);
        let plain = kernel == Kernel::SmallestExtreme
            && !known_sigma
            && lives.exact_or_right()
            && lives.entry.y.is_empty()
            && once(&lives.exact)
            && once(&lives.right);
        plain.then(|| Self {
            y: lives
                .exact
                .y
                .iter()
                .chain(&lives.right.y)
                .copied()
                .collect(),
            worn: lives.exact.y.len(),
            shape: 1.0 / estimate.sigma,
        })
    }

    /// The same weights as [`reweighted`] draws; `None` when the quick search does not close in.
    fn refit(&self, replicate: u64, weights: &mut Vec<f64>) -> Option<(f64, f64)> {
        let mut random = stream(SEED, replicate);
        weights.clear();
        weights.extend((0..self.y.len()).map(|_| random.uniform()));
        widest(
            #[inline(always)]
            || {
                for w in weights.iter_mut() {
                    *w = -ln(*w);
                }
                let (y, w) = (&self.y[..self.worn], &weights[..self.worn]);
                let (mut total, mut sum) = (Running::default(), Running::default());
                total.add(w, w, w, |w, _, _| w);
                sum.add(w, y, y, |w, y, _| w * y);
                let (worn, mean) = (total.total(), sum.total() / total.total());
                let top = profile_top(&self.y, Some(weights), mean, self.shape)?;
                Some(((top.ln_sum - worn.ln()) / top.shape, 1.0 / top.shape))
            },
        )
    }
}

/// A random weight for lives that count so much.
fn draw(random: &mut Stream, weight: f64) -> f64 {
    if weight == 1.0 {
        random.exponential()
    } else {
        random.gamma(weight)
    }
}

/// The same lives with random weights.
fn reweighted(lives: &LogLives, replicate: u64) -> LogLives {
    let mut random = stream(SEED, replicate);
    let mut out = lives.clone();
    for column in [&mut out.exact, &mut out.right, &mut out.left] {
        for weight in &mut column.weight {
            *weight = draw(&mut random, *weight);
        }
    }
    for weight in &mut out.between.weight {
        *weight = draw(&mut random, *weight);
    }
    out
}

/// With late entry a life's two terms must get the same weight, so the weights are drawn before
/// lives are split by kind.
fn reweighted_from_start(observations: &Observations, replicate: u64) -> LogLives {
    let mut random = stream(SEED, replicate);
    let mut out = observations.clone();
    for count in &mut out.count {
        *count = draw(&mut random, *count);
    }
    LogLives::new(&out)
}

/// Each kind of life once, with its count, in an order of its own, so that neither the order of the
/// rows nor the splitting of counts shows in the weights drawn.
fn in_order(observations: &Observations) -> Observations {
    let mut rows: Vec<[f64; 4]> = (0..observations.len())
        .map(|i| {
            let at = |column: &[f64], missing| column.get(i).copied().unwrap_or(missing);
            [
                observations.low[i],
                observations.high[i],
                at(&observations.entry, 0.0),
                at(&observations.count, 1.0),
            ]
        })
        .filter(|row| row[3] > 0.0)
        .collect();
    rows.sort_unstable_by(|a, b| {
        let columns = a.iter().zip(b);
        let order = columns.map(|(x, y)| x.total_cmp(y));
        order.fold(std::cmp::Ordering::Equal, std::cmp::Ordering::then)
    });
    let mut out = Observations::default();
    for [low, high, entry, count] in rows {
        let same = out.low.last() == Some(&low)
            && out.high.last() == Some(&high)
            && out.entry.last().copied().unwrap_or(0.0) == entry;
        match out.count.last_mut() {
            Some(sum) if same => *sum += count,
            _ => {
                out.push(low, high, entry, count);
                out.count.resize(out.low.len(), 1.0);
            }
        }
    }
    out
}

impl Intervals for Bootstrap {
    fn shape(&self) -> Limits {
        if self.known_sigma {
            return Limits::default();
        }
        self.limits(|_, sigma| -sigma.ln()).map(f64::exp)
    }

    fn life(&self, offset: Offset) -> Limits {
        self.limits(|mu, sigma| mu + offset.at(self.kernel, sigma) + self.shift)
            .map(f64::exp)
    }

    fn reliability(&self, hours: f64) -> Limits {
        let y = hours.ln() - self.shift;
        // In −z, which rises with the reliability.
        self.limits(|mu, sigma| (mu - y) / sigma)
            .map(|minus_z| self.kernel.survival(-minus_z))
    }
}

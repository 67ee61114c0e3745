//! Bootstrap by fractional random weights, calibrated.
//!
//! Each replicate refits the same lives with independent standard exponential weights (a gamma of
//! shape c for c lives alike), so every life stays in and censored samples rarely lose their
//! optimum. The estimates are turned round about the one of the lives (see [`super::pivotal`]), since
//! percentiles as they come lean the wrong way: with five worn lives their 95 % limits for the shape
//! hold under 70 %.
//!
//! Few lives still spread too little when reweighted. So the bootstrap is tried out on samples simulated
//! from the fitted curve with the same censoring: for each, how far does the true value lie from the
//! middle of the turned-round replicates, in their standard deviations? The limits are the middle of
//! the lives' own replicates plus the tail quantiles of that, times their standard deviation. All of it
//! moves with the ages, so without censoring, and when watching stops at the r-th worn life, the limits
//! hold their level whatever the curve (the simulation apart).
//!
//! Sources: L. Xu, C. Gotwalt, Y. Hong, C. King, W. Meeker, Applications of the fractional-random-
//! weight bootstrap, The American Statistician 74 (2020); W.-Y. Loh, Calibrating confidence
//! coefficients, JASA 82 (1987) (both from memory). One random stream a replicate, so threads change
//! nothing.

use rayon::prelude::*;

use crate::lives::Observations;
use crate::numerics::streams::{Stream, stream};
use crate::numerics::vector::{Running, ln, widest};

use super::functional::{Intervals, Limits, Offset};
use super::kernel::Kernel;
use super::log_lives::{LogLives, Weighted};
use super::maximise::{NoOptimum, Optimum, maximise, maximise_known_sigma};
use super::pivotal::{Pair, percentile, turned};
use super::quick::profile_top;
use super::resample::Censoring;

/// Replicates.
const REPLICATES: u64 = 2000;
/// Share of replicates without an optimum above which there are no limits.
const MOST_LOST: f64 = 0.05;
/// Samples that the bootstrap is tried out on, and replicates in each.
const TRIALS: u64 = 800;
const TRIAL_REPLICATES: u64 = 40;
/// Lives up to which it is tried out; with more, the limits are the percentiles themselves.
const FEW: f64 = 400.0;
/// Share of trials that must work out.
const MOST_TRIALS_LOST: f64 = 0.2;
/// Spread under which all refits are the same curve but for rounding: with one life, weights change nothing.
const SAME: f64 = 1e-9;
const SEED: u64 = 0x0077_6561_7263_6173;
const TRIAL_SEED: u64 = 0x7472_6961_6c73;

/// Refitted curves, turned round, in shifted log hours.
pub(crate) struct Bootstrap {
    kernel: Kernel,
    shift: f64,
    estimate: Pair,
    known_sigma: bool,
    curves: Vec<Pair>,
    /// The same for each sample that the bootstrap was tried out on; empty: not calibrated.
    trials: Vec<Vec<Pair>>,
    tail: f64,
}

impl Bootstrap {
    /// Refits; `None` when too many replicates have no optimum.
    pub(crate) fn new(
        kernel: Kernel,
        observations: &Observations,
        lives: &LogLives,
        estimate: Optimum,
        known_sigma: bool,
        confidence: f64,
    ) -> Option<Self> {
        let from = (estimate.mu, estimate.sigma);
        let refit = |weighted: &LogLives| -> Result<Optimum, NoOptimum> {
            if known_sigma {
                maximise_known_sigma(weighted, kernel, estimate.sigma)
            } else {
                maximise(weighted, kernel)
            }
        };
        let quick = PlainLives::of(kernel, lives, &estimate, known_sigma);
        let reweighted = reweighted_curves(observations, lives, quick.as_ref(), refit);
        let curves: Vec<Pair> = (reweighted.into_iter().flatten())
            .map(|found| turned(from, found))
            .collect();
        if (curves.len() as f64) < (1.0 - MOST_LOST) * REPLICATES as f64 {
            return None;
        }
        let plain = lives.exact_or_right() && lives.all_from_new() && !lives.condensed;
        let whole = |column: &Weighted| column.weight.iter().all(|w| w.fract() == 0.0);
        let few = lives.exact.total() + lives.right.total() <= FEW;
        let trials = if plain && few && whole(&lives.exact) && whole(&lives.right) {
            try_out(kernel, lives, from, known_sigma, refit)
        } else {
            Vec::new()
        };
        Some(Self {
            kernel,
            shift: lives.shift,
            estimate: from,
            known_sigma,
            curves,
            trials,
            tail: 0.5 * (1.0 - confidence),
        })
    }

    /// Whether the limits were tried out on simulated samples.
    pub(crate) fn calibrated(&self) -> bool {
        !self.trials.is_empty()
    }

    fn limits(&self, of: impl Fn(f64, f64) -> f64 + Copy) -> Limits {
        let values_of = |curves: &[Pair]| -> Vec<f64> {
            let values = curves.iter().map(|&(mu, sigma)| of(mu, sigma));
            values.collect()
        };
        let mut values = values_of(&self.curves);
        let truth = of(self.estimate.0, self.estimate.1);
        if !truth.is_finite() || values.iter().any(|v| !v.is_finite()) {
            return Limits::default();
        }
        if !self.calibrated() {
            values.sort_by(f64::total_cmp);
            return Limits {
                lower: Some(percentile(&values, self.tail)),
                upper: Some(percentile(&values, 1.0 - self.tail)),
            };
        }
        let distances = self.trials.iter().filter_map(|trial| {
            let (middle, spread) = middle_and_spread(&values_of(trial));
            let distance = (truth - middle) / spread;
            (distance.is_finite() && spread > SAME).then_some(distance)
        });
        let mut distances: Vec<f64> = distances.collect();
        if (distances.len() as f64) < 0.9 * self.trials.len() as f64 {
            return Limits::default();
        }
        distances.sort_by(f64::total_cmp);
        let (middle, spread) = middle_and_spread(&values);
        if spread <= SAME {
            return Limits::default();
        }
        let at = |p: f64| {
            let limit = middle + spread * percentile(&distances, p);
            Some(limit).filter(|v| v.is_finite())
        };
        Limits {
            lower: at(self.tail),
            upper: at(1.0 - self.tail),
        }
    }
}

/// The maximum likelihood curve of each reweighted sample as `(μ, σ)` in shifted log hours; `None` where it
/// has no optimum.
fn reweighted_curves(
    observations: &Observations,
    lives: &LogLives,
    quick: Option<&PlainLives>,
    refit: impl Fn(&LogLives) -> Result<Optimum, NoOptimum> + Sync,
) -> Vec<Option<Pair>> {
    let rows = in_order(observations);
    (0..REPLICATES)
        .into_par_iter()
        .map_init(Vec::new, |weights, replicate| {
            let mut random = stream(SEED, replicate);
            if let Some(found) = quick.and_then(|q| q.refit(&mut random, weights)) {
                return Some(found);
            }
            let weighted = if lives.all_from_new() {
                reweighted(lives, &mut random)
            } else {
                reweighted_from_start(&rows, &mut random)
            };
            let found = refit(&weighted).ok()?;
            Some((found.mu, found.sigma))
        })
        .collect()
}

/// The Weibull curves of 2,000 reweighted samples, as `(shape, scale in hours)`, without calibration: each life
/// weighs a random number with an exponential distribution of mean 1 (fractional random weights; Xu, Gotwalt,
/// Hong, King & Meeker 2020, from memory). Samples without an optimum are left out. Seeded: the same lives give
/// the same curves.
///
/// # Errors
/// [`NoOptimum`] where the lives themselves have no maximum likelihood curve.
pub fn reweighted_weibull_curves(
    observations: &Observations,
) -> Result<Vec<(f64, f64)>, NoOptimum> {
    let lives = LogLives::new(observations);
    let kernel = Kernel::SmallestExtreme;
    let estimate = maximise(&lives, kernel)?;
    let quick = PlainLives::of(kernel, &lives, &estimate, false);
    let curves = reweighted_curves(observations, &lives, quick.as_ref(), |weighted| {
        maximise(weighted, kernel)
    });
    let in_hours = |(mu, sigma): Pair| (1.0 / sigma, (mu + lives.shift).exp());
    Ok(curves.into_iter().flatten().map(in_hours).collect())
}

/// Mean and standard deviation.
fn middle_and_spread(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    (mean, (squares / n).sqrt())
}

/// The bootstrap of samples simulated from the fitted curve, each turned round about its own estimate;
/// empty when too many have none.
fn try_out(
    kernel: Kernel,
    lives: &LogLives,
    from: Pair,
    known_sigma: bool,
    refit: impl Fn(&LogLives) -> Result<Optimum, NoOptimum> + Sync,
) -> Vec<Vec<Pair>> {
    let censoring = Censoring::new(lives);
    let trials: Vec<Vec<Pair>> = (0..TRIALS)
        .into_par_iter()
        .map_init(Vec::new, |weights, trial| {
            let mut random = stream(TRIAL_SEED, trial);
            let sample = censoring.simulate(kernel, from.0, from.1, &mut random);
            let estimate = refit(&sample).ok()?;
            let quick = PlainLives::of(kernel, &sample, &estimate, known_sigma);
            let own = (estimate.mu, estimate.sigma);
            let curves = (0..TRIAL_REPLICATES).filter_map(|_| {
                let found = quick.as_ref().and_then(|q| q.refit(&mut random, weights));
                if let Some(found) = found {
                    return Some(turned(own, found));
                }
                let found = refit(&reweighted(&sample, &mut random)).ok()?;
                Some(turned(own, (found.mu, found.sigma)))
            });
            let curves: Vec<Pair> = curves.collect();
            (curves.len() as u64 >= TRIAL_REPLICATES / 2).then_some(curves)
        })
        .flatten()
        .collect();
    if (trials.len() as f64) < (1.0 - MOST_TRIALS_LOST) * TRIALS as f64 {
        return Vec::new();
    }
    trials
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
            && lives.all_from_new()
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

    /// New weights, and the curve under them; `None` when the quick search does not close in.
    fn refit(&self, random: &mut Stream, weights: &mut Vec<f64>) -> Option<Pair> {
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
fn reweighted(lives: &LogLives, random: &mut Stream) -> LogLives {
    let mut out = lives.clone();
    for column in [&mut out.exact, &mut out.right, &mut out.left] {
        for weight in &mut column.weight {
            *weight = draw(random, *weight);
        }
    }
    for weight in &mut out.between.weight {
        *weight = draw(random, *weight);
    }
    out
}

/// With late entry a life's two terms must get the same weight, so the weights are drawn before
/// lives are split by kind.
fn reweighted_from_start(observations: &Observations, random: &mut Stream) -> LogLives {
    let mut out = observations.clone();
    for count in &mut out.count {
        *count = draw(random, *count);
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
                out.entry.resize(out.low.len(), 0.0);
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
        let (kernel, shift) = (self.kernel, self.shift);
        self.limits(move |mu, sigma| mu + offset.at(kernel, sigma) + shift)
            .map(f64::exp)
    }

    fn reliability(&self, hours: f64) -> Limits {
        let y = hours.ln() - self.shift;
        // In −z, which rises with the reliability.
        self.limits(move |mu, sigma| (mu - y) / sigma)
            .map(|minus_z| self.kernel.survival(-minus_z))
    }
}

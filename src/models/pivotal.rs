//! Limits from what repeated samples would do: the estimates of each of many samples, turned round.
//!
//! Estimates (μ*, σ*) of a sample whose own curve is (μ̂, σ̂) show how far estimates stray:
//! `R = σ*/σ̂` and `P = (μ* − μ̂)/σ̂` stand for `σ̂/σ` and `(μ̂ − μ)/σ`, whose distribution is the same
//! whatever the curve, as long as estimates move with the ages. Turned round, each pair gives a curve
//! that the lives may have come from, `σ = σ̂/R`, `μ = μ̂ − σP`; limits are percentiles over those.
//! For samples simulated without censoring, or stopped at the r-th worn life, this is exact for any
//! estimator that moves with the ages (the simulation apart). Source: J. F. Lawless, Statistical Models
//! and Methods for Lifetime Data (1982), chapter 4 (from memory).

use rayon::prelude::*;

use crate::numerics::streams::stream;

use super::PlotPosition;
use super::functional::{Intervals, Limits, Offset};
use super::kernel::Kernel;
use super::log_lives::LogLives;
use super::ranks::{Line, Shares, line, points_by};
use super::resample::Censoring;

/// Simulated samples, and lives × samples that they may cost.
const SAMPLES: u64 = 2000;
const MOST_WORK: f64 = 4e6;
/// Fewer samples than this settle no limits.
const FEWEST: u64 = 400;
/// Share of samples without an estimate above which there are no limits.
const MOST_LOST: f64 = 0.2;
const SEED: u64 = 0x70_6c6f_7473;

/// A curve `(μ, σ)` in shifted log hours.
pub(crate) type Pair = (f64, f64);

/// Curves that the lives may have come from.
#[derive(Debug, Clone)]
pub(crate) struct Pivotal {
    pub(crate) kernel: Kernel,
    pub(crate) shift: f64,
    pub(crate) curves: Vec<Pair>,
    /// Probability in each tail.
    pub(crate) tail: f64,
}

/// A sample's estimates turned round about the curve it came from.
pub(crate) fn turned(from: Pair, estimated: Pair) -> Pair {
    let sigma = from.1 * from.1 / estimated.1;
    (from.0 - sigma * (estimated.0 - from.0) / from.1, sigma)
}

impl Pivotal {
    /// For a line through ranks: samples from the line, censored as the lives were, each with its own
    /// line. `None` for more lives than can be simulated in good time, and when too many samples have
    /// no line.
    pub(crate) fn of_line(
        lives: &LogLives,
        kernel: Kernel,
        found: Pair,
        time_on_rank: bool,
        position: PlotPosition,
        tail: f64,
    ) -> Option<Self> {
        let n = lives.exact.total() + lives.right.total();
        let samples = SAMPLES.min((MOST_WORK / n) as u64);
        if samples < FEWEST {
            return None;
        }
        let censoring = Censoring::new(lives);
        let shares = Shares::new(position, n);
        let curves: Vec<Pair> = (0..samples)
            .into_par_iter()
            .filter_map(|sample| {
                let mut random = stream(SEED, sample);
                let simulated = censoring.simulate(kernel, found.0, found.1, &mut random);
                let points = points_by(&simulated, |rank, _| shares.at(rank))?;
                let Line { mu, sigma, .. } = line(&points, kernel, time_on_rank)?;
                Some(turned(found, (mu - lives.shift, sigma)))
            })
            .collect();
        let kept = curves.len() as f64 >= (1.0 - MOST_LOST) * samples as f64;
        kept.then_some(Self {
            kernel,
            shift: lives.shift,
            curves,
            tail,
        })
    }

    /// Percentiles over the curves; none where some curve has no such value.
    fn limits(&self, of: impl Fn(f64, f64) -> f64) -> Limits {
        let values = self.curves.iter().map(|&(mu, sigma)| of(mu, sigma));
        let mut values: Vec<f64> = values.collect();
        if values.is_empty() || values.iter().any(|v| v.is_nan()) {
            return Limits::default();
        }
        values.sort_by(f64::total_cmp);
        let at = |p: f64| Some(percentile(&values, p)).filter(|v| v.is_finite());
        Limits {
            lower: at(self.tail),
            upper: at(1.0 - self.tail),
        }
    }
}

/// Between the two nearest of the sorted values.
pub(crate) fn percentile(sorted: &[f64], p: f64) -> f64 {
    let n = sorted.len() as f64;
    let place = (p * n - 0.5).clamp(0.0, n - 1.0);
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    let part = place - place.floor();
    if part == 0.0 {
        return sorted[below];
    }
    sorted[below] + part * (sorted[above] - sorted[below])
}

impl Intervals for Pivotal {
    fn shape(&self) -> Limits {
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

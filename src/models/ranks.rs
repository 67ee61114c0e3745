//! Median ranks, adjusted ranks of censored lives, and straight lines through probability plots.

use serde::Serialize;

use crate::numerics::special::beta_median;

use super::kernel::Kernel;
use super::log_lives::LogLives;

/// Sample size from which the middle ranks are taken by their expansion.
const MANY: f64 = 4000.0;
/// Ranks this far from both ends may then use it: its relative error is below 1e-7 there.
const FAR_FROM_ENDS: f64 = 500.0;

/// Median of the i-th of n order statistics of the uniform distribution: the median of
/// Beta(i, n − i + 1). Ranks need not be whole.
///
/// Exact by the beta quantile; in samples over 4,000, ranks far from the ends by
/// `(i − 1/3)/(n + 1/3)`, which agrees there to seven digits.
pub fn median_rank(i: f64, n: f64) -> f64 {
    let (a, b) = (i, n - i + 1.0);
    if n > MANY && a > FAR_FROM_ENDS && b > FAR_FROM_ENDS {
        return (a - 1.0 / 3.0) / (a + b - 2.0 / 3.0);
    }
    beta_median(a, b)
}

/// Where on the share axis of a probability plot the i-th of n worn lives stands.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlotPosition {
    /// The median rank itself.
    #[default]
    MedianRank,
    /// Benard's approximation to it, `(i − 0.3)/(n + 0.4)`, which older plots were drawn with.
    ///
    /// Source: A. Benard & E. C. Bos-Levenbach, Statistica Neerlandica 7 (1953) (from memory).
    Benard,
}

impl PlotPosition {
    /// Share worn out at rank i of n; i need not be whole.
    pub fn share(self, i: f64, n: f64) -> f64 {
        match self {
            Self::MedianRank => median_rank(i, n),
            Self::Benard => (i - 0.3) / (n + 0.4),
        }
    }
}

/// One worn life on a probability plot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PlotPoint {
    /// Age at wear-out, hours.
    pub hours: f64,
    /// Adjusted rank.
    pub rank: f64,
    /// Plot position, the median rank unless asked otherwise: share worn out by then.
    pub share: f64,
}

/// Worn lives with adjusted ranks: with N lives, each worn life raises the rank by
/// `(N + 1 − rank before)/(1 + lives from here on)`; lives censored at the same age count as lasting
/// longer.
///
/// `None` when a life is left- or interval-censored or entered late: ranks then have no meaning.
///
/// Source: L. G. Johnson, The Statistical Treatment of Fatigue Experiments, 1964 (from memory).
pub fn plot_points(observations: &crate::lives::Observations) -> Option<Vec<PlotPoint>> {
    points(&LogLives::each(observations), PlotPosition::MedianRank)
}

/// The same; `None` for condensed lives too.
pub(crate) fn points(lives: &LogLives, position: PlotPosition) -> Option<Vec<PlotPoint>> {
    points_by(lives, |rank, n| position.share(rank, n))
}

/// Steps of the table of plot positions, a rank.
const STEPS: f64 = 8.0;

/// Plot positions of one sample size, worked out once for many samples: the exact median rank less
/// its approximation is smooth in the rank, so it is kept at eighths of a rank and read between them
/// (closer than 1e-4).
#[derive(Debug, Clone)]
pub(crate) struct Shares {
    position: PlotPosition,
    n: f64,
    correction: Vec<f64>,
}

impl Shares {
    pub(crate) fn new(position: PlotPosition, n: f64) -> Self {
        let steps = match position {
            PlotPosition::MedianRank => (STEPS * n).ceil() as usize + 1,
            PlotPosition::Benard => 0,
        };
        let correction = (0..steps).map(|k| {
            let rank = 1.0 + k as f64 / STEPS;
            let rank = rank.min(n);
            median_rank(rank, n) - PlotPosition::Benard.share(rank, n)
        });
        Self {
            position,
            n,
            correction: correction.collect(),
        }
    }

    /// Share at a rank from 1 to n.
    pub(crate) fn at(&self, rank: f64) -> f64 {
        let rough = PlotPosition::Benard.share(rank, self.n);
        if self.position == PlotPosition::Benard {
            return rough;
        }
        let place = (STEPS * (rank - 1.0)).max(0.0);
        let below = (place.floor() as usize).min(self.correction.len() - 2);
        let part = place - below as f64;
        let (a, b) = (self.correction[below], self.correction[below + 1]);
        rough + a + part * (b - a)
    }
}

/// Worn lives with adjusted ranks and shares by any rule.
pub(crate) fn points_by(
    lives: &LogLives,
    share: impl Fn(f64, f64) -> f64,
) -> Option<Vec<PlotPoint>> {
    if lives.condensed || !lives.exact_or_right() || !lives.all_from_new() {
        return None;
    }
    let n = lives.exact.total() + lives.right.total();
    let mut right: Vec<(f64, f64)> = lives.right.iter().collect();
    let mut exact: Vec<(f64, f64)> = lives.exact.iter().collect();
    right.sort_by(|a, b| a.0.total_cmp(&b.0));
    exact.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut left = n;
    let mut rank = 0.0;
    let mut censored = right.into_iter().peekable();
    let mut points = Vec::new();
    for (y, weight) in exact {
        while let Some((_, gone)) = censored.next_if(|c| c.0 < y) {
            left -= gone;
        }
        for _ in 0..weight.round() as u64 {
            rank += (n + 1.0 - rank) / (1.0 + left);
            left -= 1.0;
            points.push(PlotPoint {
                hours: (y + lives.shift).exp(),
                rank,
                share: share(rank, n),
            });
        }
    }
    Some(points)
}

/// A straight line through a probability plot, in log hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Line {
    pub(crate) mu: f64,
    pub(crate) sigma: f64,
    /// Correlation of the plotted points.
    pub(crate) correlation: f64,
}

/// Least squares through the plot: log time on the kernel's quantile of the median rank
/// (`time_on_rank`), or the other way about. `None` with fewer than two different ages.
pub(crate) fn line(points: &[PlotPoint], kernel: Kernel, time_on_rank: bool) -> Option<Line> {
    let n = points.len() as f64;
    let x: Vec<f64> = points.iter().map(|p| p.hours.ln()).collect();
    let y: Vec<f64> = points.iter().map(|p| kernel.quantile(p.share)).collect();
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in x.iter().zip(&y) {
        xx += (x - mx) * (x - mx);
        xy += (x - mx) * (y - my);
        yy += (y - my) * (y - my);
    }
    let level = 1e-18 * n * (1.0 + mx * mx);
    if points.len() < 2 || xx <= level || xy <= 0.0 {
        return None;
    }
    let sigma = if time_on_rank { xy / yy } else { xx / xy };
    Some(Line {
        mu: mx - sigma * my,
        sigma,
        correlation: xy / (xx * yy).sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::lives::Observations;
    use crate::numerics::special::beta_quantile;

    /// Printed table of median ranks, n = 10 and 5 (Johnson 1951/1964, from memory; four digits).
    #[test]
    fn median_ranks_match_the_printed_table() {
        for (i, printed) in [(1.0, 0.0670), (2.0, 0.1623), (3.0, 0.2586), (5.0, 0.4517)] {
            assert_relative_eq!(median_rank(i, 10.0), printed, epsilon = 6e-5);
        }
        assert_relative_eq!(median_rank(3.0, 5.0), 0.5, epsilon = 1e-12);
    }

    /// Benard's form is within 1 % of the median rank from rank 1 of 5 on (common practice says so).
    #[test]
    fn the_approximation_is_close_to_the_median_rank() {
        for n in 2..60 {
            for i in 1..=n {
                let (i, n) = (f64::from(i), f64::from(n));
                let benard = PlotPosition::Benard.share(i, n);
                assert_relative_eq!(benard, median_rank(i, n), epsilon = 0.005);
            }
        }
        assert_relative_eq!(PlotPosition::Benard.share(1.0, 10.0), 0.7 / 10.4);
    }

    #[test]
    fn the_expansion_agrees_where_it_takes_over() {
        let exact = beta_quantile(0.5, 501.0, 4500.0);
        assert_relative_eq!(median_rank(501.0, 5000.0), exact, max_relative = 1e-7);
    }

    /// The beta quantile by bracketing alone, ranks whole and not.
    #[test]
    fn the_short_way_to_the_median_ends_where_the_long_one_does() {
        for n in [1.0, 2.0, 3.0, 10.0, 35.0, 200.0, 3999.0] {
            for part in [0.0, 0.013, 0.3, 0.5, 0.77, 1.0] {
                let i = 1.0 + part * (n - 1.0);
                let long = beta_quantile(0.5, i, n - i + 1.0);
                assert_relative_eq!(beta_median(i, n - i + 1.0), long, max_relative = 1e-12);
            }
        }
    }

    #[test]
    fn shares_kept_for_many_samples_are_the_same() {
        for n in [2.0, 5.0, 40.0] {
            let kept = Shares::new(PlotPosition::MedianRank, n);
            for k in 0..=20 {
                let rank = 1.0 + (n - 1.0) * f64::from(k) / 20.0;
                assert_relative_eq!(kept.at(rank), median_rank(rank, n), epsilon = 1e-4);
            }
        }
    }

    /// By hand: worn 10, censored 20, worn 30, worn 40. Ranks 1, then 1 + (5 − 1)/(1 + 2) = 7/3,
    /// then 7/3 + (5 − 7/3)/(1 + 1) = 11/3.
    #[test]
    fn adjusted_ranks_by_hand() {
        let mut o = Observations::default();
        for (low, high) in [
            (30.0, 30.0),
            (10.0, 10.0),
            (20.0, f64::INFINITY),
            (40.0, 40.0),
        ] {
            o.push(low, high, 0.0, 1.0);
        }
        let ranks: Vec<f64> = plot_points(&o).unwrap().iter().map(|p| p.rank).collect();
        for (rank, by_hand) in ranks.iter().zip([1.0, 7.0 / 3.0, 11.0 / 3.0]) {
            assert_relative_eq!(*rank, by_hand, max_relative = 1e-14);
        }
    }
}

//! Does the regression hold? Standardised residuals `z = (ln t − x·b)/σ`, which follow the family's
//! standard curve when it does: their Anderson–Darling distance, the correlation of their probability
//! plot, and lives that lie too far out. `e^z` are the Cox–Snell residuals of a Weibull regression.

use rayon::prelude::*;
use serde::Serialize;

use super::kept::Kept;
use super::likelihood::Coordinates;
use super::newton::{Top, climb};
use super::rows::{Known, Rows};
use crate::models::goodness::anderson_darling;
use crate::models::log_lives::LogLives;
use crate::models::ranks::{PlotPosition, line, points};
use crate::models::resample::Censoring;
use crate::models::{GoodnessOfFit, Kernel};
use crate::numerics::streams::stream;

/// Refits behind the p-value, and rows up to which they are made.
const REPLICATES: u64 = 199;
const MOST_ROWS: usize = 300;
/// A life is far out when the chance that any of so many lies as far is below this.
const FAR_OUT: f64 = 0.01;
const SEED: u64 = 0x7265_7369_6475;

/// A life far from what the model expects of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FarOut {
    /// Its number among the lives given, from 1.
    pub life: usize,
    /// Standardised residual.
    pub residual: f64,
    /// Chance that any of these lives lies as far out, at most.
    pub chance: f64,
}

/// What the residuals say.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct ResidualCheck {
    /// Distance, its p-value (parametric bootstrap with the same covariates; null for more than 300
    /// rows or rows that stand for several lives) and the plot's correlation; all null for lives that
    /// are left- or interval-censored or entered late.
    pub goodness_of_fit: GoodnessOfFit,
    /// Lives far out, the farthest first.
    pub far_out: Vec<FarOut>,
}

fn z(rows: &Rows, at: &[f64], i: usize, y: f64) -> f64 {
    let stratum = rows.stratum.get(i).map_or(0, |&s| s as usize);
    at[rows.p() + stratum].exp() * (y - rows.linear(i, at))
}

/// Exact and right-censored lives by some value a row.
fn lives(rows: &Rows, value: impl Fn(usize) -> f64) -> LogLives {
    let mut out = LogLives::default();
    for i in 0..rows.len() {
        let column = match rows.known[i] {
            Known::Exactly => &mut out.exact,
            _ => &mut out.right,
        };
        column.push(value(i), rows.weight(i));
    }
    out
}

fn distance(rows: &Rows, kernel: Kernel, at: &[f64]) -> Option<f64> {
    anderson_darling(
        &lives(rows, |i| z(rows, at, i, rows.y[i])),
        kernel,
        0.0,
        1.0,
    )
}

/// Looks at the residuals at the top of the likelihood; `kept` numbers the lives that the rows are of.
pub(super) fn check(
    rows: &Rows,
    kernel: Kernel,
    top: &Top,
    free: &[usize],
    kept: &Kept,
) -> ResidualCheck {
    let plain = rows.y_entry.is_empty()
        && rows
            .known
            .iter()
            .all(|known| matches!(known, Known::Exactly | Known::Beyond));
    if !plain {
        return ResidualCheck::default();
    }
    let residuals = lives(rows, |i| z(rows, &top.at, i, rows.y[i]));
    let statistic = anderson_darling(&residuals, kernel, 0.0, 1.0);
    let plot = points(&residuals, PlotPosition::MedianRank);
    let plot = plot.and_then(|points| line(&points, kernel, true));
    let single = rows.weight.iter().all(|w| *w == 1.0);
    let p_value = statistic
        .filter(|_| single && rows.len() <= MOST_ROWS)
        .and_then(|a2| p_value(rows, kernel, top, free, a2));
    ResidualCheck {
        goodness_of_fit: GoodnessOfFit {
            anderson_darling: statistic,
            p_value,
            plot_correlation: plot.map(|line| line.correlation),
        },
        far_out: far_out(rows, kernel, top, kept),
    }
}

fn far_out(rows: &Rows, kernel: Kernel, top: &Top, kept: &Kept) -> Vec<FarOut> {
    let n: f64 = (0..rows.len()).map(|i| rows.weight(i)).sum();
    let mut found: Vec<FarOut> = (0..rows.len())
        .filter_map(|i| {
            let residual = z(rows, &top.at, i, rows.y[i]);
            let above = kernel.survival(residual);
            let tail = match rows.known[i] {
                Known::Exactly => above.min(kernel.cdf(residual)),
                _ => above,
            };
            let chance = (2.0 * n * tail).min(1.0);
            (chance < FAR_OUT).then_some(FarOut {
                life: kept.row(i) + 1,
                residual,
                chance,
            })
        })
        .collect();
    found.sort_by(|a, b| a.chance.total_cmp(&b.chance).then(a.life.cmp(&b.life)));
    found
}

/// Share of samples simulated from the model, with the same covariates and censored as these were, whose
/// distance is at least this large.
fn p_value(rows: &Rows, kernel: Kernel, top: &Top, free: &[usize], statistic: f64) -> Option<f64> {
    let censoring = Censoring::new(&lives(rows, |i| rows.y[i]));
    let outcomes: Vec<bool> = (0..REPLICATES)
        .into_par_iter()
        .filter_map(|replicate| {
            let mut random = stream(SEED, replicate);
            let mut simulated = rows.clone();
            for i in 0..rows.len() {
                let share = random.uniform();
                let limit = match rows.known[i] {
                    Known::Exactly => censoring.draw(rows.y[i], share),
                    _ => rows.y[i],
                };
                let standard = kernel.quantile_of_survival(random.uniform());
                // z = α(y − x·b), so y = x·b + z/α.
                let middle = rows.y[i] - z(rows, &top.at, i, rows.y[i]) / alpha(rows, top, i);
                let y = middle + standard / alpha(rows, top, i);
                (simulated.y[i], simulated.known[i]) = if y <= limit {
                    (y, Known::Exactly)
                } else {
                    (limit, Known::Beyond)
                };
            }
            let refit = climb(
                &simulated,
                kernel,
                top.at.clone(),
                Coordinates::Natural,
                free,
                &[],
            );
            let a2 = distance(&simulated, kernel, &refit.at).filter(|_| refit.converged)?;
            Some(a2 >= statistic)
        })
        .collect();
    if (outcomes.len() as u64) < REPLICATES / 2 {
        return None;
    }
    let exceeding = outcomes.iter().filter(|o| **o).count() as f64;
    Some((1.0 + exceeding) / (1.0 + outcomes.len() as f64))
}

fn alpha(rows: &Rows, top: &Top, i: usize) -> f64 {
    let stratum = rows.stratum.get(i).map_or(0, |&s| s as usize);
    top.at[rows.p() + stratum].exp()
}

#[cfg(test)]
mod tests {
    use crate::lives::Observations;
    use crate::models::regression::{Covariate, RegressionRequest, residual_check};
    use crate::numerics::streams::stream;

    fn sample(replicate: u64, shape: impl Fn(f64) -> f64) -> (Observations, Covariate) {
        let mut random = stream(44, replicate);
        let (mut lives, mut x) = (Observations::default(), Vec::new());
        for k in 0..40 {
            let value = f64::from(k % 4);
            let t = 300.0 * (0.4 * value).exp() * random.exponential().powf(1.0 / shape(value));
            let stop = 2000.0 * random.uniform();
            lives.push(
                t.min(stop),
                if t <= stop { t } else { f64::INFINITY },
                0.0,
                1.0,
            );
            x.push(value);
        }
        (lives, Covariate::number("x", x))
    }

    /// When the model is right, p-values under 0.1 come up about one time in ten.
    #[test]
    fn the_p_value_keeps_its_level() {
        let n = 80;
        let rejected = (0..n).filter(|&replicate| {
            let (lives, x) = sample(replicate, |_| 2.0);
            let check = residual_check(&lives, &RegressionRequest::weibull(vec![x])).unwrap();
            check.goodness_of_fit.p_value.unwrap() <= 0.1
        });
        let share = rejected.count() as f64 / n as f64;
        // Four binomial errors of 0.1 in 80.
        assert!(share < 0.1 + 4.0 * (0.09 / n as f64).sqrt(), "{share}");
        assert!(share > 0.0, "{share}");
    }

    /// One life a thousand times too short among forty is told, by its number.
    #[test]
    fn a_life_far_out_is_told() {
        let (mut lives, x) = sample(3, |_| 2.0);
        (lives.low[6], lives.high[6]) = (0.01, 0.01);
        let request = RegressionRequest::weibull(vec![x]);
        let check = residual_check(&lives, &request).unwrap();
        assert!(check.goodness_of_fit.p_value.unwrap() < 0.1, "{check:?}");
        // A Weibull's long lower tail stretches to hold it; a lognormal's does not.
        let request = RegressionRequest {
            family: crate::models::Family::Lognormal,
            ..request
        };
        let check = residual_check(&lives, &request).unwrap();
        assert_eq!(check.far_out.first().map(|f| f.life), Some(7), "{check:?}");
    }
}

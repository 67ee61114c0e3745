//! How often intervals hold the truth, by simulation.
//!
//! Weibull lives are drawn with a known shape and scale, censored one way or another, fitted, and
//! the true shape, B10 and median looked for in the intervals. Coverage does not depend on the
//! true parameters under these censoring schemes (they move with the curve), so one truth stands
//! for all. One random stream a replicate.

use rayon::prelude::*;
use serde::Serialize;

use crate::lives::Observations;
use crate::numerics::special::{chi_square_1_quantile, two_sided_normal};
use crate::numerics::streams::{Stream, stream};

use super::functional::Offset;
use super::kernel::Kernel;
use super::likelihood::Likelihood;
use super::likelihood_ratio::LikelihoodRatio;
use super::log_lives::LogLives;
use super::maximise::maximise;
use super::posterior::Posterior;
use super::{FitRequest, IntervalMethod, Method, fit};

/// How the simulated lives are censored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Censoring {
    /// All wear out.
    Complete,
    /// Twice as many lives as are to wear out; all are stopped at the age by which half have on
    /// average.
    TypeI,
    /// Twice as many lives; all are stopped when half have worn out.
    TypeII,
    /// Twice as many lives; each has its own stop, drawn from the same curve as the lives, so that
    /// half wear out on average.
    Random,
}

impl Censoring {
    /// All schemes.
    pub const ALL: [Self; 4] = [Self::Complete, Self::TypeI, Self::TypeII, Self::Random];

    /// Simulates lives of which `worn` wear out (on average, under type I and random censoring).
    fn simulate(self, worn: usize, shape: f64, scale: f64, random: &mut Stream) -> Observations {
        let mut age = || scale * random.exponential().powf(1.0 / shape);
        let n = if self == Self::Complete {
            worn
        } else {
            2 * worn
        };
        let ages: Vec<f64> = (0..n).map(|_| age()).collect();
        let mut sorted = ages.clone();
        sorted.sort_by(f64::total_cmp);
        let mut lives = Observations::default();
        for t in ages {
            let stop = match self {
                Self::Complete => f64::INFINITY,
                Self::TypeI => scale * std::f64::consts::LN_2.powf(1.0 / shape),
                Self::TypeII => sorted[worn - 1],
                Self::Random => age(),
            };
            if t <= stop {
                lives.push(t, t, 0.0, 1.0);
            } else {
                lives.push(stop, f64::INFINITY, 0.0, 1.0);
            }
        }
        lives
    }
}

/// Share of intervals that hold the truth, of those that exist.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Held {
    /// Hours by which 10 % have worn out.
    pub b10: f64,
    /// Median life.
    pub median: f64,
    /// Shape.
    pub shape: f64,
}

/// Coverage in one setting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coverage {
    /// Censoring.
    pub censoring: Censoring,
    /// Worn lives (on average).
    pub worn: usize,
    /// Nominal confidence.
    pub confidence: f64,
    /// Replicates.
    pub replicates: u64,
    /// Share of replicates without a posterior (fewer than two worn, or all at the greatest age).
    pub without_posterior: f64,
    /// Posterior, flat in ln η and ln β.
    pub posterior: Held,
    /// Likelihood ratio.
    pub likelihood: Held,
    /// Wald on the log scale.
    pub wald: Held,
}

/// One replicate: whether each interval holds B10, median and shape.
#[derive(Clone, Copy, Default)]
struct Looks {
    posterior: Option<[bool; 3]>,
    likelihood: Option<[bool; 3]>,
    wald: Option<[bool; 3]>,
}

/// Simulates one setting.
pub fn coverage(censoring: Censoring, worn: usize, confidence: f64, replicates: u64) -> Coverage {
    const SHAPE: f64 = 2.0;
    const SCALE: f64 = 400.0;
    let looks: Vec<Looks> = (0..replicates)
        .into_par_iter()
        .map(|replicate| {
            let mut random = stream(0x636f_7665_7200 + worn as u64, replicate);
            let lives = censoring.simulate(worn, SHAPE, SCALE, &mut random);
            look(&LogLives::new(&lives), SHAPE, SCALE, confidence)
        })
        .collect();
    let held = |of: fn(&Looks) -> Option<[bool; 3]>| {
        let there: Vec<[bool; 3]> = looks.iter().filter_map(of).collect();
        let share = |k: usize| {
            let held = there.iter().filter(|held| held[k]).count();
            held as f64 / there.len().max(1) as f64
        };
        Held {
            b10: share(0),
            median: share(1),
            shape: share(2),
        }
    };
    let without = looks.iter().filter(|l| l.posterior.is_none()).count();
    Coverage {
        censoring,
        worn,
        confidence,
        replicates,
        without_posterior: without as f64 / replicates.max(1) as f64,
        posterior: held(|l| l.posterior),
        likelihood: held(|l| l.likelihood),
        wald: held(|l| l.wald),
    }
}

/// Coverage of the ways of making intervals that refit many samples, in one setting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ResampledCoverage {
    /// Censoring.
    pub censoring: Censoring,
    /// Worn lives (on average).
    pub worn: usize,
    /// Replicates.
    pub replicates: u64,
    /// Share of replicates without bootstrap limits.
    pub without_bootstrap: f64,
    /// Bootstrap by fractional random weights, calibrated.
    pub bootstrap: Held,
    /// Share of replicates without limits for a line through ranks.
    pub without_line: f64,
    /// Simulated limits for the line of time on median rank.
    pub line: Held,
}

/// Simulates one setting with the intervals that refit; slow, so with fewer replicates.
pub fn resampled_coverage(
    censoring: Censoring,
    worn: usize,
    confidence: f64,
    replicates: u64,
) -> ResampledCoverage {
    const SHAPE: f64 = 2.0;
    const SCALE: f64 = 400.0;
    let looks: Vec<[Option<[bool; 3]>; 2]> = (0..replicates)
        .map(|replicate| {
            let mut random = stream(0x636f_7665_7300 + worn as u64, replicate);
            let lives = censoring.simulate(worn, SHAPE, SCALE, &mut random);
            let median = SCALE * std::f64::consts::LN_2.powf(1.0 / SHAPE);
            let b10 = SCALE * (-(0.9_f64.ln())).powf(1.0 / SHAPE);
            [
                (Method::Likelihood, IntervalMethod::Bootstrap),
                (Method::TimeOnRank, IntervalMethod::Simulation),
            ]
            .map(|(method, interval)| {
                let asked = FitRequest {
                    method,
                    interval,
                    confidence,
                    ..FitRequest::weibull()
                };
                let answer = fit(&lives, &asked).ok()?;
                let holds = |low: Option<f64>, high: Option<f64>, truth: f64| {
                    Some(low? <= truth && truth <= high?)
                };
                let q = |k: usize, truth| {
                    let q = answer.quantiles.get(k)?;
                    holds(q.lower, q.upper, truth)
                };
                let shape = answer.parameters.first()?;
                Some([
                    q(0, b10)?,
                    q(1, median)?,
                    holds(shape.lower, shape.upper, SHAPE)?,
                ])
            })
        })
        .collect();
    let held = |method: usize| {
        let there: Vec<[bool; 3]> = looks.iter().filter_map(|look| look[method]).collect();
        let share = |k: usize| {
            let held = there.iter().filter(|held| held[k]).count();
            held as f64 / there.len().max(1) as f64
        };
        let without = 1.0 - there.len() as f64 / replicates.max(1) as f64;
        let held = Held {
            b10: share(0),
            median: share(1),
            shape: share(2),
        };
        (held, without)
    };
    let ((bootstrap, without_bootstrap), (line, without_line)) = (held(0), held(1));
    ResampledCoverage {
        censoring,
        worn,
        replicates,
        without_bootstrap,
        bootstrap,
        without_line,
        line,
    }
}

/// Looks at where the truth lies without working out the limits.
fn look(lives: &LogLives, shape: f64, scale: f64, confidence: f64) -> Looks {
    let kernel = Kernel::SmallestExtreme;
    let Ok(optimum) = maximise(lives, kernel) else {
        return Looks::default();
    };
    let tail = 0.5 * (1.0 - confidence);
    let points = [kernel.quantile(0.1), kernel.quantile(0.5)];
    let truth = points.map(|c| scale.ln() + c / shape);
    let inside = |p: f64| p >= tail && p <= 1.0 - tail;
    let posterior = Posterior::new(kernel, lives, None, 1.0 / optimum.sigma, 2.3).ok();
    let posterior = posterior.map(|posterior| {
        let below = |k: usize| {
            posterior.life_cdf(truth[k], |beta| {
                Offset::Quantile(points[k]).at(kernel, 1.0 / beta)
            })
        };
        [
            inside(below(0)),
            inside(below(1)),
            inside(posterior.shape_cdf(shape.ln())),
        ]
    });
    let ratio = LikelihoodRatio {
        likelihood: Likelihood { kernel, lives },
        optimum,
        known_sigma: false,
        chi_square: chi_square_1_quantile(confidence),
    };
    let likelihood = [
        ratio.holds_life(truth[0] - lives.shift, points[0]),
        ratio.holds_life(truth[1] - lives.shift, points[1]),
        ratio.holds_shape(shape),
    ];
    let v = optimum.covariance;
    let reach = two_sided_normal(confidence);
    let near = |estimate: f64, truth: f64, variance: f64| {
        (estimate - truth).abs() <= reach * variance.max(0.0).sqrt()
    };
    let wald_life = |k: usize| {
        let d = points[k] * optimum.sigma;
        near(
            optimum.mu + lives.shift + d,
            truth[k],
            v.aa + d * (2.0 * v.ab + d * v.bb),
        )
    };
    Looks {
        posterior,
        likelihood: Some(likelihood),
        wald: Some([
            wald_life(0),
            wald_life(1),
            near(-optimum.sigma.ln(), shape.ln(), v.bb),
        ]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// For complete and type II samples the flat posterior's intervals are exact; the Wald ones for
    /// B10 at 5 worn of 10 hold far less.
    #[test]
    fn posterior_limits_hold_their_level_and_wald_limits_do_not() {
        let few = coverage(Censoring::TypeII, 5, 0.95, 1500);
        // Four binomial errors of 0.95 in 1,500.
        for held in [few.posterior.b10, few.posterior.median, few.posterior.shape] {
            assert!((held - 0.95).abs() < 0.0226, "{few:?}");
        }
        assert!(few.wald.b10 < 0.88, "{few:?}");
        assert_eq!(few.without_posterior, 0.0);
    }

    /// Both move with the ages, so that without censoring they hold their level but for simulation.
    #[test]
    fn resampled_limits_hold_their_level_with_few_lives() {
        let few = resampled_coverage(Censoring::Complete, 5, 0.9, 100);
        // Four binomial errors of 0.9 in 100, and in 80 below.
        for held in [few.bootstrap, few.line] {
            for share in [held.b10, held.median, held.shape] {
                assert!((share - 0.9).abs() < 0.12, "{few:?}");
            }
        }
        assert_eq!((few.without_bootstrap, few.without_line), (0.0, 0.0));
        let stopped = resampled_coverage(Censoring::TypeII, 4, 0.9, 80);
        for held in [stopped.bootstrap, stopped.line] {
            for share in [held.b10, held.median, held.shape] {
                assert!((share - 0.9).abs() < 0.134, "{stopped:?}");
            }
        }
    }
}

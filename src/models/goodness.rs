//! Does the family fit? Anderson–Darling distance with a p-value that knows the parameters were
//! estimated, and the correlation of the probability plot.

use rayon::prelude::*;

use crate::numerics::streams::stream;

use super::kernel::Kernel;
use super::log_lives::LogLives;
use super::maximise::{Optimum, maximise, maximise_known_sigma};
use super::resample::{Censoring, sorted};

/// Refits behind a simulated p-value, and lives × refits that it may cost.
const REPLICATES: u64 = 499;
const MOST_WORK: u64 = 250_000;
const SEED: u64 = 0x0061_6e64_6572_736f;

/// Anderson–Darling distance between the product-limit estimate `F_n` and the fitted F,
/// `A² = n ∫ (F_n − F)²/(F (1 − F)) dF` from 0 to F at the last age seen (to 1 when the last life is
/// worn). Without censoring this is the classical statistic, `−n − Σ (2i − 1)(ln F_i + ln(1 −
/// F_(n+1−i)))/n`. `None` unless lives are exact or right-censored, seen from new, two or more worn.
///
/// Sources: T. W. Anderson & D. A. Darling, Annals of Mathematical Statistics 23 (1952); for
/// right-censored samples A. N. Pettitt & M. A. Stephens, Biometrika 63 (1976) (both from memory).
pub(crate) fn anderson_darling(
    lives: &LogLives,
    kernel: Kernel,
    mu: f64,
    sigma: f64,
) -> Option<f64> {
    if lives.condensed || !lives.exact_or_right() {
        return None;
    }
    if !lives.all_from_new() || lives.exact.total() < 2.0 {
        return None;
    }
    let exact = sorted(&lives.exact);
    let right = sorted(&lives.right);
    let total = lives.exact.total() + lives.right.total();
    let mut at_risk = total;
    // F_n is the step c; between two worn ages (u_a, u_b) the integral is
    // c² ln(u_b/u_a) − (1−c)² ln((1−u_b)/(1−u_a)) − (u_b − u_a).
    let mut survival = 1.0;
    let mut sum = 0.0;
    let mut before = Point::at_zero();
    let mut censored = right.iter().peekable();
    for &(y, weight) in &exact {
        while let Some(c) = censored.next_if(|c| c.0 < y) {
            at_risk -= c.1;
        }
        let here = Point::new(kernel, (y - mu) / sigma);
        sum += piece(&before, &here, survival);
        survival *= ((at_risk - weight) / at_risk).max(0.0);
        at_risk -= weight;
        before = here;
    }
    if survival < 1e-12 {
        // All have worn out: the last piece reaches to 1 with c = 1, leaving −ln u − (1 − u).
        sum += -before.ln_f - before.s;
    } else if let Some(&(y, _)) = right.last() {
        let end = Point::new(kernel, (y - mu) / sigma);
        if end.s < before.s {
            sum += piece(&before, &end, survival);
        }
    }
    let a2 = total * sum;
    a2.is_finite().then_some(a2)
}

/// F and S at one age, with their logs.
struct Point {
    ln_f: f64,
    ln_s: f64,
    s: f64,
    f: f64,
}

impl Point {
    fn at_zero() -> Self {
        Self {
            ln_f: f64::NEG_INFINITY,
            ln_s: 0.0,
            s: 1.0,
            f: 0.0,
        }
    }

    fn new(kernel: Kernel, z: f64) -> Self {
        Self {
            ln_f: kernel.ln_cdf(z).value,
            ln_s: kernel.ln_survival(z).value,
            s: kernel.survival(z),
            f: kernel.cdf(z),
        }
    }
}

fn piece(a: &Point, b: &Point, survival: f64) -> f64 {
    let c = 1.0 - survival;
    let left = if c > 1e-15 {
        c * c * (b.ln_f - a.ln_f)
    } else {
        0.0
    };
    left - survival * survival * (b.ln_s - a.ln_s) - (b.f - a.f)
}

/// Chance of a distance at least this large when the family is right, by refitting simulated lives
/// (499 seeded replicates; `(1 + exceeding)/(1 + replicates)`).
///
/// Worn lives get the censoring they might have met from the product-limit estimate of censoring
/// ages beyond their own; where none was seen, they stay uncensored. `None` for samples so large
/// that it would take long, and where the statistic itself does not exist.
pub(crate) fn p_value(
    lives: &LogLives,
    kernel: Kernel,
    optimum: &Optimum,
    known_sigma: bool,
    statistic: f64,
) -> Option<f64> {
    let n = (lives.exact.total() + lives.right.total()).round() as u64;
    if n * REPLICATES > MOST_WORK {
        return None;
    }
    let censoring = Censoring::new(lives);
    let outcomes: Vec<bool> = (0..REPLICATES)
        .into_par_iter()
        .filter_map(|replicate| {
            let mut random = stream(SEED, replicate);
            let simulated = censoring.simulate(kernel, optimum.mu, optimum.sigma, &mut random);
            let refit = if known_sigma {
                maximise_known_sigma(&simulated, kernel, optimum.sigma)
            } else {
                maximise(&simulated, kernel)
            };
            let refit = refit.ok()?;
            let a2 = anderson_darling(&simulated, kernel, refit.mu, refit.sigma)?;
            Some(a2 >= statistic)
        })
        .collect();
    if (outcomes.len() as u64) < REPLICATES / 2 {
        return None;
    }
    let exceeding = outcomes.iter().filter(|o| **o).count() as f64;
    Some((1.0 + exceeding) / (1.0 + outcomes.len() as f64))
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::lives::Observations;

    /// The classical sum for complete samples, written out.
    #[test]
    fn a_complete_sample_gives_the_classical_sum() {
        let ages = [31.0, 45.0, 58.0, 62.0, 80.0, 111.0];
        let mut o = Observations::default();
        for t in ages {
            o.push(t, t, 0.0, 1.0);
        }
        let lives = LogLives::new(&o);
        let (mu, sigma) = (70_f64.ln() - lives.shift, 0.4);
        for kernel in [Kernel::SmallestExtreme, Kernel::Normal, Kernel::Logistic] {
            let z = |t: f64| (t.ln() - 70_f64.ln()) / sigma;
            let n = ages.len();
            let sum: f64 = (0..n)
                .map(|i| {
                    let weight = (2 * i + 1) as f64;
                    weight
                        * (kernel.cdf(z(ages[i])).ln() + kernel.survival(z(ages[n - 1 - i])).ln())
                })
                .sum();
            let classical = -(n as f64) - sum / n as f64;
            let ours = anderson_darling(&lives, kernel, mu, sigma).unwrap();
            assert_relative_eq!(ours, classical, max_relative = 1e-12);
        }
    }

    #[test]
    fn a_censored_sample_is_integrated_to_its_end() {
        let mut o = Observations::default();
        for (low, high) in [(20.0, 20.0), (35.0, 35.0), (50.0, f64::INFINITY)] {
            o.push(low, high, 0.0, 1.0);
        }
        let lives = LogLives::new(&o);
        let kernel = Kernel::SmallestExtreme;
        let (mu, sigma) = (40_f64.ln() - lives.shift, 0.5);
        let f = |t: f64| kernel.cdf((t.ln() - 40_f64.ln()) / sigma);
        // The integral by plain midpoint summation.
        let end = f(50.0);
        let cells = 200_000;
        let sum: f64 = (0..cells)
            .map(|k| {
                let u = end * (f64::from(k) + 0.5) / f64::from(cells);
                let step = if u < f(20.0) {
                    0.0
                } else if u < f(35.0) {
                    1.0 / 3.0
                } else {
                    2.0 / 3.0
                };
                (step - u).powi(2) / (u * (1.0 - u)) * end / f64::from(cells)
            })
            .sum();
        let ours = anderson_darling(&lives, kernel, mu, sigma).unwrap();
        assert_relative_eq!(ours, 3.0 * sum, max_relative = 1e-5);
    }
}

//! The likelihood at one shape, for many scales.
//!
//! Of Weibull lives, what exact, right-censored and late-entry rows spend hangs on the scale by one factor:
//! with τ = 1/σ, `Σ w e^(τ(y − μ)) = e^(τ(c − μ)) Σ w e^(τ(y − c))` for any c. So those rows are gone
//! through once, however many scales are asked for; c is the greatest of their ages, so that no term
//! overflows and the sum does not vanish. Rows known within bounds have no such factor.

use super::extreme;
use super::kernel::{Jet, Kernel};
use super::likelihood::Likelihood;

/// A likelihood held at one τ = 1/σ (the Weibull shape), in shifted log hours.
pub(crate) struct AtShape<'a> {
    likelihood: Likelihood<'a>,
    tau: f64,
    /// `None` for other kernels, whose terms do not factor.
    spent: Option<Spent>,
}

/// What exact, right-censored and late-entry rows come to.
struct Spent {
    /// c.
    latest: f64,
    /// `Σ w e^(τ(y − c))`, late entries subtracted.
    sum: f64,
    /// Σ w of exact rows.
    worn: f64,
    /// Σ w y of exact rows.
    sum_worn: f64,
}

impl<'a> AtShape<'a> {
    pub(super) fn new(likelihood: Likelihood<'a>, tau: f64) -> Self {
        let spent = (likelihood.kernel == Kernel::SmallestExtreme).then(|| {
            let lives = likelihood.lives;
            let columns = [&lives.exact, &lives.right, &lives.entry];
            let ages = columns.iter().flat_map(|column| &column.y);
            let latest = ages.copied().fold(f64::NEG_INFINITY, f64::max);
            let [exact, right, entry] = columns.map(|column| extreme::power(column, latest, tau));
            let (worn, sum_worn) = extreme::weight_and_mean(&lives.exact);
            Spent {
                latest,
                sum: exact + right - entry,
                worn,
                sum_worn,
            }
        });
        Self {
            likelihood,
            tau,
            spent,
        }
    }

    /// At one γ = μ/σ: value, slope and bend in γ.
    pub(crate) fn at(&self, gamma: f64) -> Jet {
        let mut jet = self.placed(gamma / self.tau);
        let unplaced = &self.likelihood.lives.unplaced;
        if !unplaced.is_empty() {
            let more = unplaced.at_tau(gamma, self.tau);
            jet.value += more.value;
            jet.first += more.first;
            jet.second += more.second;
        }
        jet
    }

    /// Log-likelihood at several μ.
    pub(crate) fn values<const N: usize>(&self, mus: &[f64; N]) -> [f64; N] {
        if self.spent.is_none() {
            return self.likelihood.values(mus, 1.0 / self.tau);
        }
        let mut values = mus.map(|mu| self.placed(mu).value);
        let unplaced = &self.likelihood.lives.unplaced;
        if !unplaced.is_empty() {
            let more = unplaced.values(&mus.map(|mu| (mu, self.tau)));
            for (value, more) in values.iter_mut().zip(more) {
                *value += more;
            }
        }
        values
    }

    /// Without lives whose positions are not told.
    fn placed(&self, mu: f64) -> Jet {
        let Some(spent) = &self.spent else {
            return self.likelihood.placed_at_tau(mu, self.tau);
        };
        let (tau, lives) = (self.tau, self.likelihood.lives);
        // Without rows c is −∞, and nothing is spent.
        let so_far = if spent.sum == 0.0 {
            0.0
        } else {
            spent.sum * (tau * (spent.latest - mu)).exp()
        };
        let sum_z = tau * (spent.sum_worn - mu * spent.worn);
        let of_worn = spent.worn * (tau.ln() - lives.shift) - spent.sum_worn;
        let mut jet = Jet {
            value: sum_z + of_worn - so_far,
            first: so_far - spent.worn,
            second: -so_far,
        };
        let bounded = self.likelihood.bounded_sums(mu, 1.0 / tau);
        jet.value += bounded.value;
        jet.first -= bounded.g;
        jet.second += bounded.h;
        jet
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lives::Observations;
    use crate::models::log_lives::LogLives;

    const RUNNING: f64 = f64::INFINITY;

    /// Against the sums that go through the rows anew at each (μ, ln σ), where ∂/∂γ = σ ∂/∂μ.
    #[test]
    fn rows_taken_at_once_are_the_rows_one_by_one() {
        // (low, high, entry), hours: of every kind, the longest life exact, running or between.
        let kinds = [
            (110.0, 110.0, 0.0),
            (240.0, 240.0, 100.0),
            (450.0, RUNNING, 0.0),
            (550.0, RUNNING, 300.0),
            (0.0, 250.0, 0.0),
            (300.0, 400.0, 0.0),
            (600.0, 900.0, 400.0),
        ];
        for left_out in 0..=kinds.len() {
            let mut rows = Observations::default();
            for (k, (low, high, entry)) in kinds.into_iter().enumerate() {
                if k != left_out {
                    rows.push(low, high, entry, 1.0 + k as f64);
                }
            }
            let lives = LogLives::new(&rows);
            for kernel in [Kernel::SmallestExtreme, Kernel::Normal, Kernel::Logistic] {
                let likelihood = Likelihood {
                    kernel,
                    lives: &lives,
                };
                for (mu, tau) in [(-0.5, 2.0), (0.3, 0.01), (-1.0, 12.0), (-0.2, 40.0)] {
                    let sigma = 1.0 / tau;
                    let along = likelihood.at_shape(tau);
                    let jet = along.at(mu * tau);
                    let local = likelihood.in_mu_s(mu, sigma);
                    let [value] = along.values(&[mu]);
                    for (ours, rows) in [
                        (value, likelihood.value(mu, sigma)),
                        (jet.value, local.value),
                        (jet.first, local.first[0] * sigma),
                        (jet.second, local.second.aa * sigma * sigma),
                    ] {
                        let near = 1e-11 * rows.abs().max(1.0);
                        assert!(
                            (ours - rows).abs() <= near,
                            "{kernel:?} {mu} {tau}: {ours} {rows}"
                        );
                    }
                }
            }
        }
    }

    /// A sharp shape whose longest life is known within bounds only: `Σ t^β`, counted from the longest,
    /// is 0 in floating point, yet the worn life weighs. At η = 100 h its term is `ln β − 1 − ln 100`, and
    /// the other, over before 2,000 h, adds `ln F = 0`.
    #[test]
    fn short_lives_count_at_a_sharp_shape() {
        let mut rows = Observations::default();
        rows.push(100.0, 100.0, 0.0, 1.0);
        rows.push(0.0, 2000.0, 0.0, 1.0);
        let (lives, tau) = (LogLives::new(&rows), 500.0_f64);
        let likelihood = Likelihood {
            kernel: Kernel::SmallestExtreme,
            lives: &lives,
        };
        let mu = (100.0_f64 / 2000.0).ln();
        let [value] = likelihood.at_shape(tau).values(&[mu]);
        let exact = tau.ln() - 1.0 - 100.0_f64.ln();
        assert!((value - exact).abs() < 1e-9, "{value} {exact}");
    }
}

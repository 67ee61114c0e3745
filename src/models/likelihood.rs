//! The log-likelihood of one log-location-scale model with its derivatives.
//!
//! With z = (y − μ)/σ, a life adds: exact `ln f(z) − ln σ − ln t`; right-censored `ln S(z)`;
//! left-censored `ln F(z)`; interval `ln(F(b) − F(a))`; late entry `−ln S(z_entry)`. An interval that
//! begins at the age of entry is taken with it as one piece.
//!
//! One pass gathers sums from which the derivatives follow in any of three coordinates:
//! - `(μ, s = ln σ)`: what errors and Wald limits are stated in;
//! - `(γ = μ/σ, τ = 1/σ)`: z = τy − γ is linear, the log-likelihood concave (without late entry);
//! - τ alone with the curve held through one point: `z = τ(y − ψ) + c`.

use rayon::prelude::*;

use super::at_shape::AtShape;
use super::extreme::{self, Powers, Within};
use super::kernel::{Jet, Kernel, PairJet};
use super::log_lives::{Between, LogLives};

/// Interval-censored rows from which both cores are used.
const MANY: usize = 8_000;
/// Rows of a block.
const BLOCK: usize = 2_048;

/// Symmetric second derivatives of a function of two variables.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Second {
    pub(crate) aa: f64,
    pub(crate) ab: f64,
    pub(crate) bb: f64,
}

impl Second {
    pub(crate) fn determinant(self) -> f64 {
        self.aa * self.bb - self.ab * self.ab
    }

    /// Inverse of a matrix of full rank.
    pub(crate) fn inverse(self) -> Self {
        let d = self.determinant();
        Self {
            aa: self.bb / d,
            ab: -self.ab / d,
            bb: self.aa / d,
        }
    }
}

/// Log-likelihood with first and second derivatives in two coordinates.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Local {
    pub(crate) value: f64,
    pub(crate) first: [f64; 2],
    pub(crate) second: Second,
}

/// Sums over lives at one (μ, σ); g stands for the derivative of a life's term in z, h for the
/// second one. For intervals, both ends are in.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sums {
    pub(super) value: f64,
    exact: f64,
    pub(super) g: f64,
    gz: f64,
    pub(super) h: f64,
    hz: f64,
    hzz: f64,
}

impl Sums {
    fn join(&mut self, other: &Self) {
        self.value += other.value;
        self.g += other.g;
        self.gz += other.gz;
        self.h += other.h;
        self.hz += other.hz;
        self.hzz += other.hzz;
    }

    fn add_within(&mut self, within: Within) {
        self.value += within.value;
        self.g += within.g;
        self.gz += within.gz;
        self.h += within.h;
        self.hz += within.hz;
        self.hzz += within.hzz;
    }

    fn add_between(
        &mut self,
        p: &Between,
        mu: f64,
        sigma: f64,
        term: impl Fn(f64, f64) -> PairJet,
    ) {
        let (a, b) = ((p.a - mu) / sigma, (p.b - mu) / sigma);
        let w = p.weight;
        let jet = term(a, b);
        self.value += w * jet.value;
        self.g += w * (jet.a + jet.b);
        self.gz += w * (jet.a * a + jet.b * b);
        self.h += w * (jet.aa + 2.0 * jet.ab + jet.bb);
        self.hz += w * (jet.aa * a + jet.ab * (a + b) + jet.bb * b);
        self.hzz += w * (jet.aa * a * a + 2.0 * jet.ab * a * b + jet.bb * b * b);
    }

    /// Adds a function of (γ, τ): it has the same derivatives as sums over lives whose g, h and
    /// moments in z = τy − γ are these.
    fn add_local(&mut self, local: &Local, mu: f64, sigma: f64) {
        let (gamma, tau) = (mu / sigma, 1.0 / sigma);
        let [first_gamma, first_tau] = local.first;
        let Second { aa, ab, bb } = local.second;
        self.value += local.value;
        self.g -= first_gamma;
        self.gz += tau * first_tau + gamma * first_gamma;
        let hz = -tau * ab - gamma * aa;
        self.h += aa;
        self.hz += hz;
        self.hzz += tau * tau * bb - gamma * (2.0 * hz + gamma * aa);
    }

    fn add(&mut self, z: f64, weight: f64, jet: Jet) {
        self.value += weight * jet.value;
        let (g, h) = (weight * jet.first, weight * jet.second);
        self.g += g;
        self.gz += g * z;
        self.h += h;
        self.hz += h * z;
        self.hzz += h * z * z;
    }
}

/// The likelihood of one kernel on one set of lives, in shifted log hours.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Likelihood<'a> {
    pub(crate) kernel: Kernel,
    pub(crate) lives: &'a LogLives,
}

impl<'a> Likelihood<'a> {
    fn sums(&self, mu: f64, sigma: f64) -> Sums {
        let mut sums = self.placed_sums(mu, sigma);
        let unplaced = &self.lives.unplaced;
        if !unplaced.is_empty() {
            sums.add_local(&unplaced.in_gamma_tau(mu / sigma, 1.0 / sigma), mu, sigma);
        }
        sums
    }

    /// Without lives whose positions are not told.
    fn placed_sums(&self, mu: f64, sigma: f64) -> Sums {
        if self.kernel == Kernel::SmallestExtreme {
            return self.extreme_sums(mu, sigma);
        }
        let (lives, kernel) = (self.lives, self.kernel);
        let mut sums = Sums::default();
        for (y, weight) in lives.exact.iter() {
            let z = (y - mu) / sigma;
            sums.add(z, weight, kernel.ln_density(z));
            sums.exact += weight;
            sums.value -= weight * (y + lives.shift);
        }
        for (y, weight) in lives.right.iter() {
            let z = (y - mu) / sigma;
            sums.add(z, weight, kernel.ln_survival(z));
        }
        for (y, weight) in lives.left.iter() {
            let z = (y - mu) / sigma;
            sums.add(z, weight, kernel.ln_cdf(z));
        }
        sums.join(&self.between_sums(mu, sigma));
        sums.join(&self.since_sums(mu, sigma));
        for (y, weight) in lives.entry.iter() {
            let z = (y - mu) / sigma;
            sums.add(z, -weight, kernel.ln_survival(z));
        }
        sums
    }

    /// Interval-censored rows; blocks of one size, added in order, so that the number of threads
    /// does not show.
    fn between_sums(&self, mu: f64, sigma: f64) -> Sums {
        let rows = &self.lives.between;
        let block = |range: std::ops::Range<usize>| {
            let mut sums = Sums::default();
            if self.kernel == Kernel::SmallestExtreme {
                let tau = 1.0 / sigma;
                if let Some(within) = extreme::between(rows, range.clone(), mu, tau) {
                    sums.add_within(within);
                    return sums;
                }
            }
            for p in rows.rows(range) {
                sums.add_between(&p, mu, sigma, |a, b| self.kernel.ln_between(a, b));
            }
            sums
        };
        if rows.len() <= MANY {
            return block(0..rows.len());
        }
        let blocks: Vec<Sums> = (0..rows.len().div_ceil(BLOCK))
            .into_par_iter()
            .map(|k| block(k * BLOCK..((k + 1) * BLOCK).min(rows.len())))
            .collect();
        let mut sums = Sums::default();
        for part in &blocks {
            sums.join(part);
        }
        sums
    }

    /// Weibull lives: the same sums by whole columns.
    fn extreme_sums(&self, mu: f64, sigma: f64) -> Sums {
        let lives = self.lives;
        let tau = 1.0 / sigma;
        // Worn lives add w (z − e^z), censored ones −w e^z, entries + w e^z.
        let mut spent = extreme::powers(&lives.exact, mu, tau);
        spent.add(1.0, extreme::powers(&lives.right, mu, tau));
        spent.add(-1.0, extreme::powers(&lives.entry, mu, tau));
        let Powers {
            zeroth,
            first,
            second,
        } = spent;
        let (worn, sum) = extreme::weight_and_mean(&lives.exact);
        let sum_z = tau * (sum - mu * worn);
        let mut sums = Sums {
            value: sum_z - zeroth - sum - worn * lives.shift,
            exact: worn,
            g: worn - zeroth,
            gz: sum_z - first,
            h: -zeroth,
            hz: -first,
            hzz: -second,
        };
        sums.join(&self.bounded_sums(mu, sigma));
        sums
    }

    /// Weibull lives known within bounds or to have ended before an age.
    pub(super) fn bounded_sums(&self, mu: f64, sigma: f64) -> Sums {
        let lives = self.lives;
        let mut sums = Sums::default();
        sums.add_within(extreme::before(&lives.left, mu, 1.0 / sigma));
        if !lives.between.is_empty() {
            sums.join(&self.between_sums(mu, sigma));
        }
        if !lives.since.is_empty() {
            sums.join(&self.since_sums(mu, sigma));
        }
        sums
    }

    fn since_sums(&self, mu: f64, sigma: f64) -> Sums {
        let mut sums = Sums::default();
        for p in self.lives.since.iter() {
            sums.add_between(&p, mu, sigma, |a, b| self.kernel.ln_between_since(a, b));
        }
        sums
    }

    /// Log-likelihood only.
    pub(crate) fn value(&self, mu: f64, sigma: f64) -> f64 {
        self.values(&[mu], sigma)[0]
    }

    /// Log-likelihood at several μ.
    pub(crate) fn values<const N: usize>(&self, mus: &[f64; N], sigma: f64) -> [f64; N] {
        let mut values = mus.map(|mu| self.placed_value(mu, sigma));
        if !self.lives.unplaced.is_empty() {
            let points = mus.map(|mu| (mu, 1.0 / sigma));
            for (value, more) in values.iter_mut().zip(self.lives.unplaced.values(&points)) {
                *value += more;
            }
        }
        values
    }

    fn placed_value(&self, mu: f64, sigma: f64) -> f64 {
        let (lives, kernel) = (self.lives, self.kernel);
        if kernel == Kernel::SmallestExtreme && lives.exact_or_right() {
            let tau = 1.0 / sigma;
            let spent = extreme::power(&lives.exact, mu, tau)
                + extreme::power(&lives.right, mu, tau)
                - extreme::power(&lives.entry, mu, tau);
            let (worn, sum) = extreme::weight_and_mean(&lives.exact);
            let sum_z = tau * (sum - mu * worn);
            return sum_z - sum + worn * (tau.ln() - lives.shift) - spent;
        }
        if kernel == Kernel::SmallestExtreme {
            return self.extreme_sums(mu, sigma).value - lives.worn_exactly() * sigma.ln();
        }
        let z = |y: f64| (y - mu) / sigma;
        let mut value = 0.0;
        for (y, w) in lives.exact.iter() {
            value += w * (kernel.ln_density(z(y)).value - y - lives.shift);
        }
        value -= lives.worn_exactly() * sigma.ln();
        for (y, w) in lives.right.iter() {
            value += w * kernel.ln_survival(z(y)).value;
        }
        for (y, w) in lives.left.iter() {
            value += w * kernel.ln_cdf(z(y)).value;
        }
        for p in lives.between.iter() {
            value += p.weight * kernel.ln_between(z(p.a), z(p.b)).value;
        }
        for p in lives.since.iter() {
            value += p.weight * kernel.ln_between_since(z(p.a), z(p.b)).value;
        }
        for (y, w) in lives.entry.iter() {
            value -= w * kernel.ln_survival(z(y)).value;
        }
        value
    }

    /// In `(μ, s = ln σ)`: ∂z/∂μ = −1/σ, ∂z/∂s = −z.
    pub(crate) fn in_mu_s(&self, mu: f64, sigma: f64) -> Local {
        let n = self.sums(mu, sigma);
        Local {
            value: n.value - n.exact * sigma.ln(),
            first: [-n.g / sigma, -n.gz - n.exact],
            second: Second {
                aa: n.h / (sigma * sigma),
                ab: (n.hz + n.g) / sigma,
                bb: n.hzz + n.gz,
            },
        }
    }

    /// In `(γ, τ)`: ∂z/∂γ = −1, ∂z/∂τ = y = (z + γ)/τ.
    pub(crate) fn in_gamma_tau(&self, gamma: f64, tau: f64) -> Local {
        let n = self.sums(gamma / tau, 1.0 / tau);
        let gy = (n.gz + gamma * n.g) / tau;
        let hy = (n.hz + gamma * n.h) / tau;
        let hyy = (n.hzz + gamma * (2.0 * n.hz + gamma * n.h)) / (tau * tau);
        Local {
            value: n.value + n.exact * tau.ln(),
            first: [-n.g, gy + n.exact / tau],
            second: Second {
                aa: n.h,
                ab: -hy,
                bb: hyy - n.exact / (tau * tau),
            },
        }
    }

    /// Along the curves through one point: `z = τ(y − ψ) + c`, as value, slope and bend in τ.
    pub(crate) fn through_point(&self, psi: f64, c: f64, tau: f64) -> Jet {
        let sigma = 1.0 / tau;
        let n = self.sums(psi - c * sigma, sigma);
        Jet {
            value: n.value + n.exact * tau.ln(),
            first: (n.gz - c * n.g + n.exact) / tau,
            second: (n.hzz - c * (2.0 * n.hz - c * n.h) - n.exact) / (tau * tau),
        }
    }

    /// At one τ, for many μ.
    pub(crate) fn at_shape(self, tau: f64) -> AtShape<'a> {
        AtShape::new(self, tau)
    }

    /// At one τ without lives whose positions are not told, as value, slope and bend in γ.
    pub(super) fn placed_at_tau(&self, mu: f64, tau: f64) -> Jet {
        let n = self.placed_sums(mu, 1.0 / tau);
        Jet {
            value: n.value + n.exact * tau.ln(),
            first: -n.g,
            second: n.h,
        }
    }
}

//! Sampling distributions of the Weibull maximum likelihood estimates of complete samples, by
//! simulation: how far estimates of n worn lives stray from the truth, whatever the truth is.
//!
//! The estimates move with the ages, so `β̂/β` and `β̂ ln(η̂/η)` have one distribution for all β and η,
//! and so has the Anderson–Darling distance at the estimates. Sources of the definitions: D. R. Thoman,
//! L. J. Bain & C. E. Antle, Technometrics 11 (1969); R. B. D'Agostino & M. A. Stephens,
//! Goodness-of-Fit Techniques (1986) (both from memory).

use rayon::prelude::*;

use crate::numerics::streams::{Stream, stream};

/// Samples of one stream.
const BLOCK: u64 = 5_000;
const SEED: u64 = 0x7461_626c_6573;

/// Simulated sampling distributions for one sample size.
#[derive(Debug, Clone, PartialEq)]
pub struct SamplingTable {
    /// Worn lives in a sample.
    pub lives: usize,
    ratio: Vec<f64>,
    pivot: Vec<f64>,
    distance: Vec<f64>,
}

/// What one sample gives.
#[derive(Debug, Clone, Copy)]
struct Draw {
    ratio: f64,
    pivot: f64,
    distance: f64,
}

impl SamplingTable {
    /// Simulates at least so many samples of `lives` worn lives; `None` for fewer than two lives or
    /// no sample. The same numbers on every run.
    pub fn simulate(lives: usize, samples: u64) -> Option<Self> {
        if lives < 2 || samples == 0 {
            return None;
        }
        let blocks: Vec<Vec<Draw>> = (0..samples.div_ceil(BLOCK))
            .into_par_iter()
            .map(|block| {
                let mut random = stream(SEED ^ lives as u64, block);
                let mut ages = vec![0.0; lives];
                let mut powers = vec![0.0; lives];
                let one = |_| draw(&mut random, &mut ages, &mut powers);
                (0..BLOCK).map(one).collect()
            })
            .collect();
        let column = |of: fn(&Draw) -> f64| {
            let mut values: Vec<f64> = blocks.iter().flatten().map(of).collect();
            values.par_sort_unstable_by(f64::total_cmp);
            values
        };
        Some(Self {
            lives,
            ratio: column(|d| d.ratio),
            pivot: column(|d| d.pivot),
            distance: column(|d| d.distance),
        })
    }

    /// Quantile of the estimated shape over the true one.
    pub fn shape_ratio(&self, p: f64) -> f64 {
        quantile(&self.ratio, p)
    }

    /// Quantile of the estimated shape times the log of the estimated over the true scale.
    pub fn scale_pivot(&self, p: f64) -> f64 {
        quantile(&self.pivot, p)
    }

    /// Anderson–Darling distance at the estimates that a share `upper` of samples exceeds.
    pub fn anderson_darling(&self, upper: f64) -> f64 {
        quantile(&self.distance, 1.0 - upper)
    }

    /// What to multiply the estimated shape by, so that its mean is the true one: `1/E(β̂/β)`.
    pub fn unbiasing_factor(&self) -> f64 {
        self.ratio.len() as f64 / self.ratio.iter().sum::<f64>()
    }
}

/// Between the two nearest of the sorted values.
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let place = p.clamp(0.0, 1.0) * (sorted.len() as f64 - 1.0);
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (place - place.floor()) * (sorted[above] - sorted[below])
}

/// One sample from shape 1 and scale 1, its estimates and its distance from them.
fn draw(random: &mut Stream, ages: &mut [f64], powers: &mut [f64]) -> Draw {
    let n = ages.len() as f64;
    for y in ages.iter_mut() {
        *y = random.exponential().ln();
    }
    ages.sort_unstable_by(f64::total_cmp);
    let mean = ages.iter().sum::<f64>() / n;
    let spread = (ages.iter().map(|y| (y - mean) * (y - mean)).sum::<f64>() / n).sqrt();
    // Newton on 1/β + mean − Σ yt^β/Σ t^β, which falls in β; started where the spread puts it.
    let mut shape = 1.28 / spread;
    let mut total = 0.0;
    for _ in 0..60 {
        let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
        for (y, power) in ages.iter().zip(powers.iter_mut()) {
            *power = (shape * y).exp();
            s0 += *power;
            s1 += *power * y;
            s2 += *power * y * y;
        }
        total = s0;
        let weighted = s1 / s0;
        let slope = 1.0 / (shape * shape) + s2 / s0 - weighted * weighted;
        let step = (1.0 / shape + mean - weighted) / slope;
        shape = (shape + step).max(0.2 * shape);
        // The next step would be of the order of this one squared.
        if step.abs() < 1e-6 * shape {
            break;
        }
    }
    // A² with F = 1 − exp(−w), w = t^β̂/mean t^β̂, at the last but one shape: closer than 1e-6.
    let per_life = n / total;
    let last = ages.len() - 1;
    let mut sum = 0.0;
    for (i, power) in powers.iter().enumerate() {
        let ln_below = (-(-power * per_life).exp_m1()).ln();
        let ln_above = -powers[last - i] * per_life;
        sum += (2 * i + 1) as f64 * (ln_below + ln_above);
    }
    Draw {
        ratio: shape,
        pivot: (total / n).ln(),
        distance: -n - sum / n,
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::lives::Observations;
    use crate::models::{Family, FitRequest, estimate, fit};

    /// One sample against the fit that everything else uses.
    #[test]
    fn a_sample_is_estimated_as_any_other_is() {
        let mut random = stream(2, 0);
        let (mut ages, mut powers) = (vec![0.0; 7], vec![0.0; 7]);
        let found = draw(&mut random, &mut ages, &mut powers);
        let mut lives = Observations::default();
        for y in &ages {
            lives.push(y.exp(), y.exp(), 0.0, 1.0);
        }
        let curve = estimate(&lives, Family::Weibull).unwrap();
        assert_relative_eq!(found.ratio, curve.shape, max_relative = 1e-9);
        let pivot = curve.shape * curve.scale.ln();
        assert_relative_eq!(found.pivot, pivot, max_relative = 1e-5, epsilon = 1e-5);
        let distance = fit(&lives, &FitRequest::weibull()).unwrap();
        let distance = distance.goodness_of_fit.anderson_darling.unwrap();
        assert_relative_eq!(found.distance, distance, max_relative = 1e-5);
    }

    /// The shape of two lives has a closed form in their log ratio, so that its median is known:
    /// with x = ln t₂ − ln t₁, β̂x solves 2/u = tanh(u/2), u = 2.3994; x is logistic, its absolute
    /// value's median is ln 3.
    #[test]
    fn two_lives_by_hand() {
        let u = crate::numerics::roots::brent(|u| 2.0 / u - (u / 2.0).tanh(), 1.0, 4.0, 1e-13);
        let table = SamplingTable::simulate(2, 200_000).unwrap();
        let by_hand = u.unwrap() / 3_f64.ln();
        assert_relative_eq!(table.shape_ratio(0.5), by_hand, max_relative = 0.01);
    }

    #[test]
    fn nothing_to_simulate_gives_nothing() {
        assert_eq!(SamplingTable::simulate(1, 100), None);
        assert_eq!(SamplingTable::simulate(5, 0), None);
    }
}

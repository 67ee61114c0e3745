//! The posterior of a regression, flat in the coefficients and in ln σ, by weighted points.
//!
//! Points are laid evenly over the unit cube (multiples of a generalised golden ratio, so the same on
//! every run), turned into a multivariate t around the top of the likelihood, and weighted by the
//! likelihood over the density they were laid with. The intercept and coefficients are laid in units of
//! σ (`b = b̂ + δσ/σ̂`), in which they and ln σ are nearly independent; the change of variables is in the
//! weights. Any quantile follows from the weighted points.
//!
//! # When it exists
//! As σ → ∞ every life that is pinned to a finite range of ages contributes a factor 1/σ and each
//! coefficient integrated out a factor σ, so more pinned lives than coefficients (intercept included)
//! are needed. Where points are so uneven that few carry the weight, there is none either.
//!
//! Sources: importance sampling around the mode with t tails, J. Geweke, Econometrica 57 (1989) (from
//! memory); the points, M. Roberts, "The unreasonable effectiveness of quasirandom sequences", 2018
//! (from memory).

use rayon::prelude::*;

use super::newton::Top;
use super::rows::{Known, Rows};
use crate::models::Kernel;
use crate::numerics::linear::Cholesky;
use crate::numerics::special::{gamma_quantile, normal_quantile};

/// Points laid, and rows × points that they may cost.
const POINTS: usize = 16_384;
const MOST_WORK: usize = 40_000_000;
const FEWEST: usize = 2048;
/// Degrees of freedom of the t they are laid with, and how much wider than the likelihood.
const FREEDOM: f64 = 6.0;
const WIDER: f64 = 1.1;
/// Share of the points that must carry the weight (effective number over number).
const EVEN: f64 = 0.1;

/// Why a regression has no posterior; the Wald limits stand in for it, and that is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoDraws {
    /// No more worn lives than coefficients.
    TooFewWorn,
    /// More rows than can be gone through in good time.
    TooMany,
    /// The likelihood is too far from its approximation at the top.
    Uneven,
}

impl NoDraws {
    pub(super) fn text(self) -> &'static str {
        match self {
            Self::TooFewWorn => {
                "no posterior: more worn lives of known age than coefficients are needed, so the \
                 limits are Wald ones, which hold less than they say with so few"
            }
            Self::TooMany => {
                "with so many lives the limits are Wald ones, which then agree with the posterior's"
            }
            Self::Uneven => {
                "the posterior is too far from any regular form to be worked out, so the limits are \
                 Wald ones, which hold less than they say"
            }
        }
    }
}

/// Weighted points of the posterior in (intercept, coefficients, ln σ a stratum), own units.
#[derive(Debug, Clone, PartialEq)]
pub struct PosteriorPoints {
    /// One point a row.
    points: Vec<Vec<f64>>,
    /// Weights summing to 1.
    weights: Vec<f64>,
}

impl PosteriorPoints {
    /// The p-quantile of any function of the parameters (intercept, coefficients, ln σ a stratum);
    /// `None` where the function has no value at some point.
    pub fn quantile(&self, p: f64, of: impl Fn(&[f64]) -> f64) -> Option<f64> {
        let mut values: Vec<(f64, f64)> = self
            .points
            .iter()
            .zip(&self.weights)
            .map(|(point, weight)| (of(point), *weight))
            .collect();
        if values.iter().any(|v| v.0.is_nan()) {
            return None;
        }
        values.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Each point stands at the middle of its weight.
        let mut before = 0.0;
        let mut last: Option<(f64, f64)> = None;
        for (value, weight) in values {
            let middle = before + 0.5 * weight;
            if middle >= p {
                return Some(match last {
                    Some((m, v)) if middle > m => v + (value - v) * (p - m) / (middle - m),
                    _ => value,
                })
                .filter(|v| v.is_finite());
            }
            before += weight;
            last = Some((middle, value));
        }
        last.map(|l| l.1).filter(|v| v.is_finite())
    }

    /// Two limits with equal tails.
    pub fn limits(
        &self,
        confidence: f64,
        of: impl Fn(&[f64]) -> f64,
    ) -> (Option<f64>, Option<f64>) {
        let tail = 0.5 * (1.0 - confidence);
        (self.quantile(tail, &of), self.quantile(1.0 - tail, &of))
    }
}

/// What the points are laid for.
pub(super) struct Posed<'a> {
    pub(super) rows: &'a Rows,
    pub(super) kernel: Kernel,
    pub(super) top: &'a Top,
    /// Which parameters are free, ascending.
    pub(super) free: &'a [usize],
    /// Covariance of the free ones at the top, row by row.
    pub(super) covariance: &'a [f64],
    /// Weight of lives pinned to a finite range of ages.
    pub(super) pinned: f64,
}

impl Posed<'_> {
    /// Lays the points; `own` turns scaled parameters into own units.
    pub(super) fn points(
        &self,
        own: impl Fn(&[f64]) -> Vec<f64> + Sync,
    ) -> Result<PosteriorPoints, NoDraws> {
        let (p, d) = (self.rows.p(), self.free.len());
        let sigma_free = d > p;
        if sigma_free && self.pinned < p as f64 + 0.5 + self.rows.strata as f64 - 1.0 {
            return Err(NoDraws::TooFewWorn);
        }
        let count = POINTS.min(MOST_WORK / self.rows.len().max(1));
        if count < FEWEST {
            return Err(NoDraws::TooMany);
        }
        let wider: Vec<f64> = self.covariance.iter().map(|c| WIDER * c).collect();
        let factor = Cholesky::new(wider, d).ok_or(NoDraws::Uneven)?;
        // One shape for all: coefficients in units of σ, and the middle moved by what the change of
        // variables, −p·ln(σ̂/σ), does to the top.
        let turned = sigma_free && self.rows.strata == 1;
        let mut middle: Vec<f64> = self.free.iter().map(|&a| self.top.at[a]).collect();
        if turned {
            for (k, m) in middle.iter_mut().enumerate() {
                *m -= p as f64 * self.covariance[k * d + p];
            }
        }
        let steps = golden_steps(d + 1);
        let laid: Vec<(Vec<f64>, f64)> = (0..count)
            .into_par_iter()
            .map(|i| {
                let unit = |k: usize| {
                    let x = (0.5 + steps[k] * (i as f64 + 1.0)).fract();
                    x.clamp(1e-12, 1.0 - 1e-12)
                };
                let mut z: Vec<f64> = (0..d).map(|k| normal_quantile(unit(k))).collect();
                let chi_square = 2.0 * gamma_quantile(unit(d), 0.5 * FREEDOM);
                let stretch = (FREEDOM / chi_square).sqrt();
                let squares: f64 = z.iter().map(|z| z * z).sum::<f64>() * stretch * stretch;
                for z in &mut z {
                    *z *= stretch;
                }
                let moved = factor.lower_times(&z);
                let mut at = self.top.at.clone();
                for (k, &a) in self.free.iter().enumerate() {
                    at[a] = middle[k] + moved[k];
                }
                let mut ln_weight = 0.5 * (FREEDOM + d as f64) * (squares / FREEDOM).ln_1p();
                if turned {
                    // at[p] is ln α = −ln σ: σ/σ̂ = exp(α̂ − α).
                    let wider = (self.top.at[p] - at[p]).exp();
                    for (x, top) in at.iter_mut().zip(&self.top.at).take(p) {
                        *x = top + (*x - top) * wider;
                    }
                    ln_weight += p as f64 * wider.ln();
                }
                ln_weight += self.rows.value(self.kernel, &at) - self.top.sums.value;
                (at, ln_weight)
            })
            .collect();
        let greatest = laid
            .iter()
            .map(|l| l.1)
            .filter(|w| w.is_finite())
            .fold(f64::NEG_INFINITY, f64::max);
        let mut weights: Vec<f64> = laid
            .iter()
            .map(|l| {
                let weight = (l.1 - greatest).exp();
                if weight.is_finite() { weight } else { 0.0 }
            })
            .collect();
        let total: f64 = weights.iter().sum();
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        if total.is_nan() || total <= 0.0 || total * total < EVEN * count as f64 * squares {
            return Err(NoDraws::Uneven);
        }
        let mut points = Vec::new();
        let mut kept = Vec::new();
        for ((at, _), weight) in laid.iter().zip(weights.drain(..)) {
            if weight > 1e-12 * total {
                points.push(own(at));
                kept.push(weight / total);
            }
        }
        Ok(PosteriorPoints {
            points,
            weights: kept,
        })
    }
}

/// `1/g, 1/g², …` for the positive root g of `g^(d+1) = g + 1`: multiples of these modulo 1 fill the
/// unit cube evenly.
fn golden_steps(dimensions: usize) -> Vec<f64> {
    let power = dimensions as f64 + 1.0;
    let mut g = 1.5_f64;
    for _ in 0..200 {
        g = (1.0 + g).powf(1.0 / power);
    }
    let mut step = 1.0;
    let each = (0..dimensions).map(|_| {
        step /= g;
        step
    });
    each.collect()
}

impl Rows {
    /// Log-likelihood alone, in natural coordinates.
    pub(super) fn value(&self, kernel: Kernel, at: &[f64]) -> f64 {
        let p = self.p();
        let mut value = self.constant;
        for i in 0..self.len() {
            let linear = self.linear(i, at);
            let stratum = self.stratum.get(i).map_or(0, |&s| s as usize);
            let alpha = at[p + stratum].exp();
            value += self.weight(i) * self.jet_value(kernel, i, alpha, alpha * linear);
        }
        value
    }
}

/// Weight of the lives that pin an age.
pub(super) fn pinned(rows: &Rows) -> f64 {
    let pins = |i: &usize| matches!(rows.known[*i], Known::Exactly | Known::Between);
    (0..rows.len()).filter(pins).map(|i| rows.weight(i)).sum()
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use crate::lives::Observations;
    use crate::models::regression::{Covariate, Errors, RegressionRequest, regress};
    use crate::models::{Family, FitRequest, fit};
    use crate::numerics::special::chi_square_quantile;
    use crate::numerics::streams::stream;
    use crate::numerics::student_t::t_multiplier;

    fn asked(family: Family, covariates: Vec<Covariate>) -> RegressionRequest {
        RegressionRequest {
            family,
            errors: Errors::Posterior,
            ..RegressionRequest::weibull(covariates)
        }
    }

    /// Complete lognormal lives are a linear model: with the flat prior, coefficients are Student's t
    /// with n − p degrees of freedom about least squares and (n − p)s²/σ² is chi-square (any textbook
    /// of linear models), here in closed form for one covariate.
    #[test]
    fn complete_lognormal_lives_have_a_closed_form() {
        let x = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0];
        let y = [4.1, 4.9, 4.6, 5.6, 5.2, 6.1, 5.9, 6.0, 6.9];
        let n = x.len() as f64;
        let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
        let xx: f64 = x.iter().map(|x| (x - mx) * (x - mx)).sum();
        let xy: f64 = x.iter().zip(&y).map(|(x, y)| (x - mx) * (y - my)).sum();
        let slope = xy / xx;
        let rest: f64 = x
            .iter()
            .zip(&y)
            .map(|(x, y)| (y - my - slope * (x - mx)).powi(2))
            .sum();
        let df = n - 2.0;
        let reach = t_multiplier(0.95, df) * (rest / df / xx).sqrt();
        let mut lives = Observations::default();
        for y in y {
            lives.push(f64::exp(y), f64::exp(y), 0.0, 1.0);
        }
        let request = asked(Family::Lognormal, vec![Covariate::number("x", x.to_vec())]);
        let found = regress(&lives, &request).unwrap();
        let c = &found.coefficients[0];
        let width = 2.0 * reach;
        assert!(
            (c.lower.unwrap() - (slope - reach)).abs() < 0.01 * width,
            "{c:?}"
        );
        assert!(
            (c.upper.unwrap() - (slope + reach)).abs() < 0.01 * width,
            "{c:?}"
        );
        let shape = &found.shapes[0].shape;
        for (ours, p) in [(shape.lower, 0.025), (shape.upper, 0.975)] {
            // 1/σ² = χ²/rest.
            let exact = (chi_square_quantile(p, df) / rest).sqrt();
            assert_relative_eq!(ours.unwrap(), exact, max_relative = 0.01);
        }
    }

    /// Without covariates it is the posterior that the quadrature gives.
    #[test]
    fn without_covariates_it_is_the_two_parameter_posterior() {
        let mut lives = Observations::default();
        for (low, high, entry) in [
            (120.0, 120.0, 0.0),
            (310.0, 310.0, 0.0),
            (455.0, 455.0, 200.0),
            (610.0, 610.0, 0.0),
            (700.0, 900.0, 0.0),
            (800.0, f64::INFINITY, 0.0),
            (350.0, f64::INFINITY, 100.0),
            (0.0, 200.0, 0.0),
        ] {
            lives.push(low, high, entry, 1.0);
        }
        for family in [Family::Weibull, Family::Lognormal, Family::Loglogistic] {
            let one = fit(
                &lives,
                &FitRequest {
                    family,
                    ..FitRequest::weibull()
                },
            )
            .unwrap();
            let found = regress(&lives, &asked(family, Vec::new())).unwrap();
            assert_eq!(found.errors, Errors::Posterior, "{family:?}");
            let find = |name: &str| one.parameters.iter().find(|p| p.name == name);
            let shape = find("shape");
            let (low, high) = if let Some(shape) = shape {
                (shape.lower, shape.upper)
            } else {
                let sigma = find("sigma").unwrap();
                (sigma.upper.map(f64::recip), sigma.lower.map(f64::recip))
            };
            let ours = &found.shapes[0].shape;
            assert_relative_eq!(ours.lower.unwrap(), low.unwrap(), max_relative = 0.02);
            assert_relative_eq!(ours.upper.unwrap(), high.unwrap(), max_relative = 0.02);
            let (low, high) = if let Some(mu) = find("mu") {
                (mu.lower, mu.upper)
            } else {
                let scale = find("scale").unwrap();
                (scale.lower.map(f64::ln), scale.upper.map(f64::ln))
            };
            let width = high.unwrap() - low.unwrap();
            let ours = &found.intercept;
            let off = [
                (ours.lower.unwrap() - low.unwrap()) / width,
                (ours.upper.unwrap() - high.unwrap()) / width,
            ];
            assert!(off.iter().all(|off| off.abs() < 0.03), "{family:?} {off:?}");
        }
    }

    /// An independent sampler: random-walk Metropolis on the Weibull likelihood written out, for
    /// Edmonson's ovarian cancer trial (12 of 26 ended).
    #[test]
    fn a_random_walk_finds_the_same_limits() {
        let path = format!("{}/datasets/ovarian/data.csv", env!("CARGO_MANIFEST_DIR"));
        let mut rows: Vec<[f64; 4]> = Vec::new();
        let mut reader = csv::Reader::from_path(path).unwrap();
        let headings = reader.headers().unwrap().clone();
        let column = |name: &str| headings.iter().position(|h| h == name).unwrap();
        let places = ["time", "status", "ecog_ps", "rx"].map(column);
        for record in reader.records() {
            let record = record.unwrap();
            let [time, status, ecog, rx] = places.map(|place| record[place].to_owned());
            let worn = f64::from(u8::from(status == "failure"));
            let number = |text: String| text.parse::<f64>().unwrap();
            rows.push([number(time), worn, number(ecog), number(rx)]);
        }
        let mut lives = Observations::default();
        for [time, worn, ..] in &rows {
            let high = if *worn == 1.0 { *time } else { f64::INFINITY };
            lives.push(*time, high, 0.0, 1.0);
        }
        let of = |k: usize| rows.iter().map(|row| row[k]).collect();
        let covariates = vec![
            Covariate::number("ecog", of(2)),
            Covariate::number("rx", of(3)),
        ];
        let found = regress(&lives, &asked(Family::Weibull, covariates)).unwrap();
        assert_eq!(found.errors, Errors::Posterior);

        let ln_density = |at: &[f64; 4]| {
            let shape = (-at[3]).exp();
            let terms = rows.iter().map(|[time, worn, ecog, rx]| {
                // Centred, so that the walk mixes.
                let mu = at[0] + at[1] * (ecog - 1.5) + at[2] * (rx - 1.5);
                let z = shape * (time.ln() - mu);
                worn * (shape.ln() + z) - z.exp()
            });
            terms.sum::<f64>()
        };
        let mut random = stream(17, 0);
        let mut at = [7.0, -0.4, 0.5, -0.1];
        let mut value = ln_density(&at);
        let step = [0.3, 0.45, 0.45, 0.22];
        let mut kept: Vec<[f64; 4]> = Vec::new();
        for k in 0..400_000 {
            let mut next = at;
            for (x, s) in next.iter_mut().zip(step) {
                *x += s * random.normal();
            }
            let there = ln_density(&next);
            if random.uniform().ln() < there - value {
                (at, value) = (next, there);
            }
            if k >= 20_000 && k % 4 == 0 {
                kept.push(at);
            }
        }
        let limits = |k: usize| {
            let mut values: Vec<f64> = kept.iter().map(|at| at[k]).collect();
            values.sort_by(f64::total_cmp);
            let n = values.len() as f64;
            (values[(0.025 * n) as usize], values[(0.975 * n) as usize])
        };
        for (k, c) in found.coefficients.iter().enumerate() {
            let (low, high) = limits(k + 1);
            let within = 0.03 * (high - low);
            assert!(
                (c.lower.unwrap() - low).abs() < within,
                "{c:?} {low} {high}"
            );
            assert!(
                (c.upper.unwrap() - high).abs() < within,
                "{c:?} {low} {high}"
            );
        }
        let (low, high) = limits(3);
        let shape = &found.shapes[0].shape;
        assert_relative_eq!(shape.lower.unwrap(), (-high).exp(), max_relative = 0.03);
        assert_relative_eq!(shape.upper.unwrap(), (-low).exp(), max_relative = 0.03);
    }

    /// Two worn lives and two coefficients: no posterior, and the answer says which limits it has.
    #[test]
    fn too_few_worn_lives_leave_wald_limits_and_say_so() {
        let mut lives = Observations::default();
        for (t, high) in [
            (100.0, 100.0),
            (150.0, f64::INFINITY),
            (300.0, 300.0),
            (90.0, f64::INFINITY),
        ] {
            lives.push(t, high, 0.0, 1.0);
        }
        let x = Covariate::number("x", vec![0.0, 0.0, 1.0, 1.0]);
        if let Ok(found) = regress(&lives, &asked(Family::Weibull, vec![x])) {
            assert_eq!(found.errors, Errors::Wald);
            assert!(
                found
                    .cautions
                    .iter()
                    .any(|c| c.text.contains("no posterior"))
            );
        }
    }
}

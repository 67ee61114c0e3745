//! The posterior of a Weibull model by deterministic quadrature: flat in ln η and ln β, or with a
//! belief's prior.
//!
//! Over x = ln β: Gauss–Legendre panels laid around the mode until the density has fallen by e⁻³⁰.
//! Given β, the scale is integrated out
//! - in closed form when lives are exact or right-censored: with r worn, `A = Σ t^β` (less the
//!   same at ages of late entry), `A η^−β` is gamma-distributed with shape r and rate 1, and
//!   `p(x) ∝ β^(r−1) e^(β Σ ln t) / A^r`;
//! - on panels over ln η otherwise.
//!
//! # When it exists
//! As β → 0 every life sees the same `v = (t/η)^β`; a life pinned to a finite range of ages (worn
//! at a known age, or between two ages above 0) contributes a factor β, any other none. So
//! `p(x) ~ β^(k−1)` for k pinned lives, and the flat prior gives a posterior only for k ≥ 2. With
//! one worn life, or only left- and right-censored ones, or when all lives entered late, the
//! integral diverges at β → 0. As β → ∞ it converges unless one single age explains every life.
//! Where the divergence lies far below anything that the lives allow (the density has fallen to
//! 1/10,000 of its top before it rises again), shapes from there down are left out; otherwise
//! there is no posterior, and [`NoPosterior`] says so. A belief always gives one.

use std::sync::{LazyLock, OnceLock};

use crate::numerics::gamma_curve::GammaCurve;
use crate::numerics::interpolate::lagrange;
use crate::numerics::quadrature::{Rule, gauss_legendre, integral_at, integral_through};
use crate::numerics::roots::{brent, maximum};
use crate::numerics::special::ln_gamma;

use super::at_shape::AtShape;
use super::belief::Prior;
use super::kernel::Kernel;
use super::likelihood::Likelihood;
use super::likelihood_ratio::FARTHEST_HOURS;
use super::log_lives::LogLives;
use super::maximise::{PowerSums, top};

/// Shape, ln scale in hours, weight.
pub(crate) type CurvePoint = (f64, f64, f64);

/// Why there is no posterior.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoPosterior {
    /// Fewer than two lives pin an age: the flat prior stays improper at small shapes.
    #[error(
        "too little is known of how long it lasts: two or more worn lives at known ages, seen from new, are needed, or a stated belief (the lives leave the shape open towards 0, and a flat prior gives no posterior)"
    )]
    OpenTowardsZero,
    /// One age explains all lives.
    #[error(
        "all lives agree with wearing out at one single age, which says nothing of how ages spread: worn lives at different ages are needed, or a stated belief (the shape is open towards infinity, and a flat prior gives no posterior)"
    )]
    OpenTowardsInfinity,
    /// Nothing wore out and nothing is believed.
    #[error("no life ended by wearing out and no belief is stated")]
    NoWorn,
}

/// Density, as a log, below which the quadrature stops, relative to the top.
const CUT: f64 = 30.0;
/// Fall, as a log, after which an improper tail is left out rather than fatal: e⁻⁹·² ≈ 1/10,000.
const LEFT_OUT: f64 = 9.2;
/// ln β below which shapes open towards 0 are not followed: e⁻¹⁴ is about one in a million, where all ages
/// weigh the same.
const LEAST_LN_SHAPE: f64 = -14.0;
/// Change of the log density from one panel to the next under which it has levelled off.
const LEVEL: f64 = 0.1;
/// Fall, as a log, within two standard deviations of a top (2 for a normal) from which they are taken for
/// too wide.
const STEEP: f64 = 8.0;
/// Points of a panel.
const POINTS: usize = 10;
/// Most points of μ given β.
const MOST_EVENLY: f64 = 1_000.0;

static RULE: LazyLock<Rule> = LazyLock::new(|| gauss_legendre(POINTS));

/// Distribution of μ = ln η given β.
#[derive(Debug, Clone)]
enum Conditional {
    /// `A η^−β` is gamma with this shape and rate 1.
    Gamma { shape: f64, ln_a: f64 },
    /// Panels over μ: the log density less its top.
    Panels(Panels),
}

/// A density on panels, with the integral up to each panel; total 1.
#[derive(Debug, Clone, Default)]
struct Panels {
    edges: Vec<f64>,
    density: Vec<[f64; POINTS]>,
    /// The density's integral from the panel's start, as coefficients.
    integral: Vec<[f64; POINTS]>,
    before: Vec<f64>,
}

impl Panels {
    /// Normalises densities given as logs less a common top; gives the log of the integral too.
    fn new(edges: Vec<f64>, ln_density: Vec<[f64; POINTS]>) -> (Self, f64) {
        let mut before = Vec::with_capacity(ln_density.len() + 1);
        let mut total = 0.0;
        let mut density = ln_density;
        for (panel, edge) in density.iter_mut().zip(edges.windows(2)) {
            before.push(total);
            let half = 0.5 * (edge[1] - edge[0]);
            for (value, weight) in panel.iter_mut().zip(&RULE.weights) {
                *value = value.exp();
                total += half * weight * *value;
            }
        }
        before.push(total);
        for value in density.iter_mut().flatten().chain(before.iter_mut()) {
            *value /= total;
        }
        (
            Self {
                edges,
                integral: density.iter().map(|d| integral_through(&RULE, d)).collect(),
                density,
                before,
            },
            total.ln(),
        )
    }

    /// Density at x: between the points of its panel the log is a polynomial.
    fn at(&self, x: f64) -> f64 {
        let after = self.edges.partition_point(|&e| e <= x);
        let Some(k) = after.checked_sub(1).filter(|k| *k < self.density.len()) else {
            return 0.0;
        };
        let (a, b) = (self.edges[k], self.edges[k + 1]);
        let weights = lagrange(&RULE.nodes, 2.0 * (x - a) / (b - a) - 1.0);
        let logs = self.density[k].iter().map(|density| density.ln());
        let ln: f64 = weights.iter().zip(logs).map(|(w, ln)| w * ln).sum();
        if ln.is_nan() { 0.0 } else { ln.exp() }
    }

    /// Points of μ given β at even distances, with weights summing to 1, by the trapezoid rule: later stages ask
    /// for curves between them. A density falls off no faster than that of one life, over 1/β.
    fn evenly(&self, beta: f64) -> Vec<(f64, f64)> {
        let mean_of = |of: &dyn Fn(f64) -> f64| -> f64 {
            let panels = self.density.iter().zip(self.edges.windows(2));
            let panels = panels.map(|(density, edge)| {
                let (middle, half) = (0.5 * (edge[0] + edge[1]), 0.5 * (edge[1] - edge[0]));
                let rule = RULE.nodes.iter().zip(&RULE.weights).zip(density);
                let each = rule.map(|((node, w), density)| w * density * of(middle + half * node));
                half * each.sum::<f64>()
            });
            panels.sum()
        };
        let mean = mean_of(&|mu| mu);
        let sd = mean_of(&|mu| (mu - mean).powi(2)).sqrt();
        let width = self.edges.last().copied().unwrap_or(mean) - self.edges[0];
        let step = (0.5 * sd).min(0.45 / beta).max(width / MOST_EVENLY);
        let count = (width / step).ceil();
        let first = mean - ((mean - self.edges[0]) / step).floor() * step;
        let points = (0..=count as usize).map(|k| first + k as f64 * step);
        let mut points: Vec<(f64, f64)> = points.map(|mu| (mu, step * self.at(mu))).collect();
        let seen = |point: &(f64, f64)| point.1 > 1e-7;
        let from = points.iter().position(seen).unwrap_or(0);
        let to = points.iter().rposition(seen).map_or(0, |last| last + 1);
        points = points[from..to.max(from)].to_vec();
        let all: f64 = points.iter().map(|p| p.1).sum();
        for point in &mut points {
            point.1 /= all;
        }
        points
    }

    /// Probability below x.
    fn cdf(&self, x: f64) -> f64 {
        let Some((&first, &last)) = self.edges.first().zip(self.edges.last()) else {
            return f64::NAN;
        };
        if x <= first {
            return 0.0;
        }
        if x >= last {
            return 1.0;
        }
        let k = self.edges.partition_point(|&e| e <= x) - 1;
        let (a, b) = (self.edges[k], self.edges[k + 1]);
        let local = 2.0 * (x - a) / (b - a) - 1.0;
        let part = 0.5 * (b - a) * integral_at(&self.integral[k], local);
        (self.before[k] + part).clamp(0.0, 1.0)
    }
}

/// One value of x = ln β with its weight and what it says about the scale.
#[derive(Debug, Clone)]
struct Slice {
    beta: f64,
    weight: f64,
    conditional: Conditional,
}

impl Slice {
    /// About the middle of μ, and about two standard deviations.
    fn middle(&self) -> (f64, f64) {
        match &self.conditional {
            Conditional::Gamma { shape, ln_a } => (
                (ln_a - shape.ln()) / self.beta,
                2.0 / (self.beta * shape.sqrt()),
            ),
            Conditional::Panels(panels) => {
                let half = panels.before.partition_point(|p| *p < 0.5).max(1);
                let edge = panels.edges.get(half).copied().unwrap_or(0.0);
                let before = panels.edges.get(half - 1).copied().unwrap_or(edge - 1.0);
                (edge, edge - before)
            }
        }
    }

    /// P(μ ≤ m | β) and P(μ ≥ m | β), in shifted log hours; `gamma` is the curve of the slices' shape.
    fn around(&self, m: f64, gamma: &OnceLock<GammaCurve>) -> (f64, f64) {
        match &self.conditional {
            // μ ≤ m ⇔ A e^(−βμ) ≥ A e^(−βm).
            Conditional::Gamma { shape, ln_a } => {
                let curve = gamma.get_or_init(|| GammaCurve::new(*shape));
                let (below, above) = curve.at(ln_a - self.beta * m);
                (above, below)
            }
            Conditional::Panels(panels) => {
                let below = panels.cdf(m);
                (below, 1.0 - below)
            }
        }
    }
}

/// The posterior of (ln η, ln β).
#[derive(Debug, Clone)]
pub(crate) struct Posterior {
    kernel: Kernel,
    shift: f64,
    slices: Vec<Slice>,
    /// Gamma distribution of all slices in closed form (they share its shape), made when first used.
    gamma: OnceLock<GammaCurve>,
    marginal: Panels,
    /// Whether shapes near 0 were left out.
    pub(crate) small_shapes_left_out: bool,
}

/// What the posterior is made of.
struct Problem<'a> {
    kernel: Kernel,
    lives: &'a LogLives,
    /// Age of the belief in shifted log hours beside it.
    prior: Option<(Prior, f64)>,
    worn: f64,
    sum_worn: f64,
    conjugate: bool,
}

impl<'a> Problem<'a> {
    fn new(kernel: Kernel, lives: &'a LogLives, prior: Option<Prior>) -> Self {
        Self {
            kernel,
            lives,
            prior: prior.map(|p| (p, p.age.ln() - lives.shift)),
            worn: lives.worn_exactly(),
            sum_worn: lives.exact.iter().map(|(y, w)| w * y).sum(),
            conjugate: kernel == Kernel::SmallestExtreme && lives.exact_or_right(),
        }
    }

    /// Log marginal density of x = ln β up to a constant, and the scale given it.
    fn slice(&self, x: f64) -> Option<(f64, Conditional)> {
        let beta = x.exp();
        if self.conjugate {
            let mut ln_a = if self.lives.rows() == 0 {
                f64::NEG_INFINITY
            } else {
                PowerSums::ln_sum(self.lives, beta)
            };
            let (mut shape, mut ln_density) = (self.worn, beta * self.sum_worn);
            if let Some((prior, age)) = &self.prior {
                let w = prior.worth;
                ln_a = crate::numerics::special::ln_add_exp(ln_a, w.ln() + beta * age);
                shape += w;
                ln_density += w * beta * age + x + prior.ln_shape_density(x);
            }
            ln_density += (self.worn - 1.0) * x - shape * ln_a;
            ln_density
                .is_finite()
                .then_some((ln_density, Conditional::Gamma { shape, ln_a }))
        } else {
            self.panels(x)
        }
    }

    fn ln_joint<const N: usize>(&self, likelihood: &AtShape, mus: &[f64; N], x: f64) -> [f64; N] {
        let mut values = likelihood.values(mus);
        if let Some((prior, _)) = self.prior {
            for (value, mu) in values.iter_mut().zip(mus) {
                *value += prior.ln_density(mu + self.lives.shift, x);
            }
        }
        values
    }

    fn panels(&self, x: f64) -> Option<(f64, Conditional)> {
        let tau = x.exp();
        let likelihood = Likelihood {
            kernel: self.kernel,
            lives: self.lives,
        }
        .at_shape(tau);
        // In γ = βμ; the prior adds w(ln v − v) with ln v = β·age − γ.
        let objective = |gamma: f64| {
            let mut jet = likelihood.at(gamma);
            if let Some((prior, age)) = &self.prior {
                let v = (tau * age - gamma).exp();
                jet.value += prior.worth * (tau * age - gamma - v);
                jet.first += prior.worth * (v - 1.0);
                jet.second -= prior.worth * v;
            }
            jet
        };
        let (start, _) = self.lives.rough();
        let gamma = top(objective, start * tau, 1.0, f64::NEG_INFINITY)?;
        let at_top = objective(gamma);
        let bend = at_top.second;
        let mut sd = if bend < 0.0 {
            (-bend).sqrt().recip()
        } else {
            1.0
        };
        // A top of two straight slopes hardly bends: there the fall on either side tells the width.
        let fall = |step: f64| at_top.value - objective(gamma + step).value;
        while fall(2.0 * sd).max(fall(-2.0 * sd)) > STEEP && sd > 1e-12 {
            sd *= 0.5;
        }
        let (mode, sd) = (gamma / tau, sd / tau);
        let [peak] = self.ln_joint(&likelihood, &[mode], x);
        if !peak.is_finite() {
            return None;
        }
        let density =
            |mus: &[f64; POINTS]| self.ln_joint(&likelihood, mus, x).map(|value| value - peak);
        let (edges, values) = lay_panels(density, mode, 1.6 * sd)?;
        let (panels, ln_total) = Panels::new(edges, values);
        Some((peak + ln_total, Conditional::Panels(panels)))
    }
}

/// Lays panels from the mode outward until the log density (0 at the mode) is below −CUT on both
/// sides; panels widen from the fifth on. `None` when it does not fall.
fn lay_panels(
    mut ln_density: impl FnMut(&[f64; POINTS]) -> [f64; POINTS],
    mode: f64,
    width: f64,
) -> Option<(Vec<f64>, Vec<[f64; POINTS]>)> {
    let mut side = |direction: f64| {
        let mut panels = Vec::new();
        let (mut edge, mut step) = (mode, width);
        loop {
            let next = edge + direction * step;
            let (middle, half) = (0.5 * (edge + next), 0.5 * step);
            let values = ln_density(&std::array::from_fn(|i| middle + half * RULE.nodes[i]));
            let values = values.map(|v| if v.is_nan() { f64::NEG_INFINITY } else { v });
            panels.push((next, values));
            let outermost = if direction > 0.0 {
                values[POINTS - 1]
            } else {
                values[0]
            };
            if outermost < -CUT {
                return Some(panels);
            }
            if panels.len() > 60 {
                return None;
            }
            if panels.len() > 4 {
                step *= 1.3;
            }
            edge = next;
        }
    };
    let (left, right) = (side(-1.0)?, side(1.0)?);
    let mut edges: Vec<f64> = left.iter().rev().map(|p| p.0).collect();
    edges.push(mode);
    edges.extend(right.iter().map(|p| p.0));
    let values = left.iter().rev().chain(&right).map(|p| p.1).collect();
    Some((edges, values))
}

impl Posterior {
    /// The posterior; `shape` is a first guess of β (the maximum likelihood estimate or the
    /// belief's), `sharpest` the largest |c| of the quantiles `μ + cσ` that will be asked for.
    pub(crate) fn new(
        kernel: Kernel,
        lives: &LogLives,
        prior: Option<Prior>,
        shape: f64,
        sharpest: f64,
    ) -> Result<Self, NoPosterior> {
        let lives = &*lives.around_top(kernel);
        let problem = Problem::new(kernel, lives, prior);
        let range = problem.range(shape, sharpest)?;
        let mut edges = range.edges;
        edges.dedup();
        let mut slices = Vec::new();
        let mut ln_density = Vec::new();
        for edge in edges.windows(2) {
            let (middle, half) = (0.5 * (edge[0] + edge[1]), 0.5 * (edge[1] - edge[0]));
            let mut values = [f64::NEG_INFINITY; POINTS];
            let rule = RULE.nodes.iter().zip(&RULE.weights);
            for (ln_value, (node, weight)) in values.iter_mut().zip(rule) {
                let x = middle + half * node;
                let Some((value, conditional)) = problem.slice(x) else {
                    continue;
                };
                *ln_value = value - range.top;
                slices.push(Slice {
                    beta: x.exp(),
                    weight: half * weight * ln_value.exp(),
                    conditional,
                });
            }
            ln_density.push(values);
        }
        let total: f64 = slices.iter().map(|s| s.weight).sum();
        for slice in &mut slices {
            slice.weight /= total;
        }
        slices.retain(|s| s.weight > 1e-16);
        Ok(Self {
            kernel,
            shift: lives.shift,
            slices,
            gamma: OnceLock::new(),
            marginal: Panels::new(edges, ln_density).0,
            small_shapes_left_out: range.cut_below,
        })
    }

    /// The posterior of the scale alone, with the shape known.
    pub(crate) fn known_shape(
        kernel: Kernel,
        lives: &LogLives,
        shape: f64,
    ) -> Result<Self, NoPosterior> {
        if lives.worn() <= 0.0 {
            return Err(NoPosterior::NoWorn);
        }
        let problem = Problem::new(kernel, lives, None);
        let (_, conditional) = problem
            .slice(shape.ln())
            .ok_or(NoPosterior::OpenTowardsZero)?;
        Ok(Self {
            kernel,
            shift: lives.shift,
            slices: vec![Slice {
                beta: shape,
                weight: 1.0,
                conditional,
            }],
            gamma: OnceLock::new(),
            marginal: Panels::default(),
            small_shapes_left_out: false,
        })
    }

    /// Probability that ln β ≤ x.
    pub(crate) fn shape_cdf(&self, x: f64) -> f64 {
        self.marginal.cdf(x)
    }

    /// Quantile of the shape.
    pub(crate) fn shape(&self, p: f64) -> Option<f64> {
        let (&a, &b) = self
            .marginal
            .edges
            .first()
            .zip(self.marginal.edges.last())?;
        brent(|x| self.shape_cdf(x) - p, a, b, 1e-13).map(f64::exp)
    }

    /// Probability that a time (see [`Self::life`]) is at most `e^ln_hours`.
    pub(crate) fn life_cdf(&self, ln_hours: f64, offset: impl Fn(f64) -> f64) -> f64 {
        let y = ln_hours - self.shift;
        let below = |s: &Slice| s.weight * s.around(y - offset(s.beta), &self.gamma).0;
        self.slices.iter().map(below).sum()
    }

    /// Quantile of `exp(μ + offset(β))` in hours: life quantiles with offset `ln(−ln(1 − p))/β`,
    /// the scale with 0, the mean life with `ln Γ(1 + 1/β)`.
    pub(crate) fn life(&self, p: f64, offset: impl Fn(f64) -> f64) -> Option<f64> {
        let offsets: Vec<f64> = self.slices.iter().map(|s| offset(s.beta)).collect();
        let miss = |y: f64| {
            // Summed on the side asked for, so that small tail areas keep their digits.
            let (mut below, mut above) = (0.0, 0.0);
            for (slice, offset) in self.slices.iter().zip(&offsets) {
                if p <= 0.5 {
                    below += slice.weight * slice.around(y - offset, &self.gamma).0;
                } else {
                    above += slice.weight * slice.around(y - offset, &self.gamma).1;
                }
            }
            if p <= 0.5 {
                below - p
            } else {
                (1.0 - p) - above
            }
        };
        // From the middle of the heaviest slice; a step is about two of its standard deviations.
        let heaviest = self.slices.iter().zip(&offsets);
        let (slice, offset) = heaviest.max_by(|a, b| a.0.weight.total_cmp(&b.0.weight))?;
        let (middle, step) = slice.middle();
        let start = middle + offset;
        if !start.is_finite() {
            return None;
        }
        let direction = if miss(start) > 0.0 { -step } else { step };
        crate::numerics::roots::walk_to_root(miss, start, direction, 24, 1e-12)
            .filter(|y| y.abs() <= FARTHEST_HOURS)
            .map(|y| (y + self.shift).exp())
            .filter(|hours| hours.is_finite() && *hours > 0.0)
    }

    /// Quantile of the reliability at an age.
    pub(crate) fn reliability(&self, p: f64, hours: f64) -> Option<f64> {
        let y = hours.ln() - self.shift;
        // R ≥ S(ζ) ⇔ z ≤ ζ ⇔ μ ≥ y − ζσ. R is below its p-quantile with probability p.
        let miss = |zeta: f64| {
            let above: f64 = self
                .slices
                .iter()
                .map(|s| s.weight * s.around(y - zeta / s.beta, &self.gamma).1)
                .sum();
            above - (1.0 - p)
        };
        let direction = if miss(0.0) > 0.0 { -0.5 } else { 0.5 };
        crate::numerics::roots::walk_to_root(miss, 0.0, direction, 14, 1e-13)
            .map(|zeta| self.kernel.survival(zeta))
    }

    /// Weighted curves whose mixture is the predictive distribution, coarse enough to compute with:
    /// `(shape, ln scale in hours, weight)`; and the log of the evidence, the integral of prior and
    /// likelihood, each exact life counted as `ln(t·f(t))` so that its unit of time does not show. Up to a
    /// constant that is the same for lives whose hours are multiplied by whatever factors.
    pub(crate) fn curves(
        lives: &LogLives,
        prior: Option<Prior>,
        shape: f64,
    ) -> Result<(Vec<CurvePoint>, f64), NoPosterior> {
        let lives = &*lives.around_top(Kernel::SmallestExtreme);
        let problem = Problem::new(Kernel::SmallestExtreme, lives, prior);
        let range = problem.range(shape, 0.0)?;
        let (Some(&low), Some(&high)) = (range.edges.first(), range.edges.last()) else {
            return Err(NoPosterior::OpenTowardsZero);
        };
        // The trapezoid rule converges exponentially for smooth densities that die at both ends.
        let step = 0.65 * range.sd;
        let count = ((high - low) / step).ceil() as usize;
        let mut curves = Vec::new();
        for k in 0..=count {
            let x = low + step * k as f64;
            let Some((value, conditional)) = problem.slice(x) else {
                continue;
            };
            let weight = (value - range.top).exp();
            if weight < 1e-9 {
                continue;
            }
            let beta = x.exp();
            for (mu, share) in conditional.points(beta) {
                curves.push((beta, mu + lives.shift, weight * share));
            }
        }
        let total: f64 = curves.iter().map(|c| c.2).sum();
        let mut ln_evidence = range.top + (step * total).ln();
        if !problem.conjugate {
            // Densities there are of t; the closed form leaves 1/t out.
            let ln_hours = lives.exact.iter().map(|(y, w)| w * (y + lives.shift));
            ln_evidence += ln_hours.sum::<f64>();
        }
        curves.retain(|c| c.2 > 1e-9 * total);
        let total: f64 = curves.iter().map(|c| c.2).sum();
        for curve in &mut curves {
            curve.2 /= total;
        }
        Ok((curves, ln_evidence))
    }
}

impl Conditional {
    /// Points in μ with weights summing to about 1, by the trapezoid rule.
    fn points(&self, beta: f64) -> Vec<(f64, f64)> {
        match self {
            Self::Gamma { shape, ln_a } => {
                // Over u = ln g for g ~ gamma(shape): density e^(shape·u − e^u)/Γ(shape).
                // The error of the rule is 2·abs Γ(shape + 2πi/step)/Γ(shape): below 1e-7 with these.
                let step = (0.7 / shape.sqrt()).min(0.45);
                let ln_front = step.ln() - ln_gamma(*shape);
                let mode = shape.ln();
                let top = shape * mode - shape;
                let density = |u: f64| shape * u - u.exp();
                let mut points = Vec::new();
                for direction in [-1.0, 1.0] {
                    let mut k = if direction < 0.0 { 0.0 } else { 1.0 };
                    loop {
                        let u = mode + direction * k * step;
                        let value = density(u);
                        if value < top - 18.0 {
                            break;
                        }
                        points.push(((ln_a - u) / beta, (value + ln_front).exp()));
                        k += 1.0;
                    }
                }
                points
            }
            Self::Panels(panels) => panels.evenly(beta),
        }
    }
}

/// Where the marginal density of x = ln β lives.
struct Range {
    edges: Vec<f64>,
    top: f64,
    sd: f64,
    cut_below: bool,
}

impl Problem<'_> {
    fn range(&self, shape: f64, sharpest: f64) -> Result<Range, NoPosterior> {
        if self.prior.is_none() {
            if self.lives.worn() <= 0.0 {
                return Err(NoPosterior::NoWorn);
            }
            if self.lives.one_age_explains_all() {
                return Err(NoPosterior::OpenTowardsInfinity);
            }
        }
        let ln_density = |x: f64| self.slice(x).map_or(f64::NEG_INFINITY, |s| s.0);
        let guess = shape.ln();
        // The guess is the top of the likelihood where that is interpolated around it.
        let near = self.prior.is_none() && self.lives.unplaced.is_interpolated();
        let reach = if near { 4 } else { 12 };
        let coarse = (-reach..=reach).map(|k| guess + 0.25 * f64::from(k));
        let mut best = (guess, f64::NEG_INFINITY);
        for x in coarse {
            let value = ln_density(x);
            if value > best.1 {
                best = (x, value);
            }
        }
        let (mode, top) = maximum(ln_density, best.0 - 0.3, best.0 + 0.3, 1e-6);
        if !top.is_finite() {
            return Err(NoPosterior::OpenTowardsZero);
        }
        // Half-width where the density has fallen by e^(−1/2), both sides averaged, is one sd.
        let fall = |direction: f64| {
            let mut step = 0.02;
            while step < 4.0 && ln_density(mode + direction * step) > top - 0.5 {
                step *= 1.3;
            }
            step
        };
        let sd = (0.5 * (fall(-1.0) + fall(1.0))).min(0.6);
        let width = sd * (4.0 / (1.0 + sharpest)).clamp(0.1, 1.2);
        // Each pinned life brings a factor β at small shapes, and integrating over the scale takes one away.
        let open = self.prior.is_none() && self.lives.pinned() <= 1.0;
        let walk = |direction: f64| {
            let open = open && direction < 0.0;
            walk(&ln_density, mode, top, direction * width, open)
        };
        let (mut left, cut_below) = walk(-1.0).ok_or(NoPosterior::OpenTowardsZero)?;
        let (right, cut_above) = walk(1.0).ok_or(NoPosterior::OpenTowardsInfinity)?;
        if cut_above {
            return Err(NoPosterior::OpenTowardsInfinity);
        }
        left.reverse();
        left.push(mode);
        left.extend(right);
        Ok(Range {
            edges: left,
            top,
            sd,
            cut_below,
        })
    }
}

/// Panel edges from the mode to one side, until the density is below −CUT, or (cut) rises
/// again after it has fallen by `LEFT_OUT`. `None` when it stays up. On an `open` side the density tends
/// to a constant: there it is cut where it levels off.
fn walk(
    ln_density: &impl Fn(f64) -> f64,
    mode: f64,
    top: f64,
    step: f64,
    open: bool,
) -> Option<(Vec<f64>, bool)> {
    let (mut edges, mut edge, mut step) = (Vec::new(), mode, step);
    let (mut lowest, mut lowest_at) = (0.0_f64, 0);
    let mut before = 0.0;
    for k in 0..400 {
        edge += step;
        let value = ln_density(edge) - top;
        edges.push(edge);
        if value < -CUT {
            return Some((edges, open));
        }
        if open {
            if value < -LEFT_OUT && value > before - LEVEL {
                return Some((edges, true));
            }
            if edge < LEAST_LN_SHAPE {
                return None;
            }
            before = value;
        }
        if value.is_nan() || value > lowest + 0.5 {
            // It rises again: an improper tail.
            edges.truncate(lowest_at);
            return (lowest < -LEFT_OUT).then_some((edges, true));
        }
        if value < lowest {
            (lowest, lowest_at) = (value, k + 1);
        }
        if (edge - mode).abs() > 80.0 {
            return None;
        }
        if k > 5 {
            step *= 1.15;
            step = step.clamp(-1.5, 1.5);
        }
    }
    None
}

//! Lives at several levels of one covariate (hose sizes, say): one shape, a scale a level.
//!
//! `ln T = μ_l + W/β` with W standard smallest extreme value, so an hour at level l wears as much as
//! `η_r/η_l` hours at the level of reference r. The scales of the levels are taken to lie around a common one:
//! `ln η_l ~ N(μ, s²)` with s stated (how far levels are believed to lie apart), μ and ln β flat, or with the
//! belief's prior for the mean of `ln η_l`. So a level with few lives, or none, borrows from the others as much as s
//! allows, and is as wide as s where it has none (partial pooling with a known spread; D. V. Lindley & A. F. M.
//! Smith, J. R. Statist. Soc. B 34 (1972), 1–41, from memory).
//!
//! Given the ratios `δ_l = ln(η_l/η_r)`, all lives are lives at the level of reference once their hours are
//! multiplied by `exp(−δ_l)`, and the posterior of `(β, η_r)` is that of one kind of life, which
//! [`Posterior`] gives with its evidence. What is left is an average over δ, in as many dimensions as there are
//! other levels: around the top of its density by the trapezoid rule in one dimension, on a lattice in more, turned
//! into points of Student's t with four degrees of freedom. On every axis the points of the lattice lie evenly, which
//! matters most: the chance to outlast an age turns within a factor e^(1/β) of the scale. Source of such lattices:
//! N. M. Korobov, 1959 (from memory).

use std::collections::BTreeMap;

use serde::Serialize;

use super::belief::Prior;
use super::life_model::{LifeModel, WeibullNode, first_shape, node};
use super::log_lives::LogLives;
use super::posterior::{NoPosterior, Posterior};
use super::{Kernel, LifeCounts};
use crate::lives::Observations;
use crate::numerics::linear::Cholesky;
use crate::numerics::roots::brent;
use crate::numerics::special::normal_quantile;

/// Most levels, those without a life included.
pub(super) const MOST_LEVELS: usize = 9;

/// Points in one dimension: so many either way, at the hyperbolic sines of these steps, in standard deviations at
/// the top. Few worn lives leave tails that fall off slowly.
const EITHER_WAY: i32 = 12;
const STEP: f64 = 0.28;

/// Points in more dimensions, a prime, and what spreads them: multiples of its powers modulo the number, the one
/// whose points lie furthest apart in two to eight dimensions (found by trying all).
const LAID: u64 = 127;
const GENERATOR: u64 = 12;

/// How much wider those are laid than the density is at its top.
const WIDER: f64 = 1.4;

/// Alternatives of less weight are left out.
const NEGLIGIBLE: f64 = 1e-6;

/// Lives at one level.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelLives {
    /// Name of the level; empty where the rows do not tell it.
    pub name: String,
    /// Lives at it; may be none.
    pub lives: Observations,
}

/// One level of a life model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Level {
    /// Name; empty where the rows do not tell it.
    pub name: String,
    /// Lives behind it.
    pub lives: LifeCounts,
    /// Mean life over that at the level of reference: 5, 50 and 95 % of the posterior.
    pub ratio: [f64; 3],
}

/// One possibility of how long parts last at each level, with what is left open given it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alternative {
    /// Weight, > 0; those of a model sum to 1.
    pub weight: f64,
    /// Hours at the level of reference that one hour at each level is worth.
    pub pace: Vec<f64>,
    /// Curves at the level of reference, weights summing to 1.
    pub nodes: Vec<WeibullNode>,
}

/// How lives differ by the levels of a covariate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ByLevel {
    /// The covariate.
    pub column: String,
    /// 90 % of levels are believed to lie within this factor of the typical one.
    pub within_factor: f64,
    /// Levels, in order of name.
    pub levels: Vec<Level>,
    /// Index of the level of reference: the one with most worn lives.
    pub reference: usize,
    /// Level of what is fitted, by machine and position; that of reference where it is not told.
    #[serde(skip)]
    pub fitted: BTreeMap<(String, String), usize>,
    /// What the ratios may be.
    #[serde(skip)]
    pub alternatives: Vec<Alternative>,
}

impl ByLevel {
    /// Index of a level by its name, case and outer blanks aside.
    pub fn level(&self, name: &str) -> Option<usize> {
        let wanted = name.trim().to_lowercase();
        self.levels
            .iter()
            .position(|level| level.name.trim().to_lowercase() == wanted)
    }

    /// Curves as they are at a level, all alternatives together.
    pub fn nodes_at(&self, level: usize) -> Vec<WeibullNode> {
        let each = self.alternatives.iter().flat_map(|alternative| {
            let scaled = move |node: &WeibullNode| WeibullNode {
                shape: node.shape,
                scale: node.scale / alternative.pace[level],
                weight: node.weight * alternative.weight,
            };
            alternative.nodes.iter().map(scaled)
        });
        each.collect()
    }
}

/// Lives of all levels, each hour counted as `pace(level)` hours.
pub(super) fn together(levels: &[LevelLives], pace: impl Fn(usize) -> f64) -> Observations {
    let mut all = Observations::default();
    for (number, level) in levels.iter().enumerate() {
        let (of, pace) = (&level.lives, pace(number));
        for i in 0..of.len() {
            let entry = of.entry.get(i).copied().unwrap_or(0.0);
            let count = of.count.get(i).copied().unwrap_or(1.0);
            all.push(of.low[i] * pace, of.high[i] * pace, entry * pace, count);
        }
    }
    all
}

/// What is asked for.
struct Problem<'a> {
    levels: &'a [LevelLives],
    reference: usize,
    prior: Option<Prior>,
    /// Standard deviation of `ln η_l`.
    spread: f64,
    shape: f64,
}

impl Problem<'_> {
    /// All lives at the level of reference, given `ln(η_l/η_r)` of every level.
    fn lives(&self, ratios: &[f64]) -> LogLives {
        LogLives::new(&together(self.levels, |level| (-ratios[level]).exp()))
    }

    /// The belief speaks of the mean of `ln η_l`.
    fn prior(&self, ratios: &[f64]) -> Option<Prior> {
        let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
        self.prior.map(|prior| Prior {
            age: prior.age * (-mean).exp(),
            ..prior
        })
    }

    fn all_ratios(&self, others: &[f64]) -> Vec<f64> {
        let mut ratios = others.to_vec();
        ratios.insert(self.reference, 0.0);
        ratios
    }

    /// Log density of the ratios up to a constant, and the curves given them.
    fn given(&self, others: &[f64]) -> Result<(f64, Vec<WeibullNode>), NoPosterior> {
        let ratios = self.all_ratios(others);
        let lives = self.lives(&ratios);
        let (curves, ln_evidence) = Posterior::curves(&lives, self.prior(&ratios), self.shape)?;
        let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
        let apart: f64 = ratios.iter().map(|r| (r - mean).powi(2)).sum();
        let ln_density = ln_evidence - 0.5 * apart / self.spread.powi(2);
        let nodes = curves.into_iter().map(|c| node(c, lives.shift)).collect();
        Ok((ln_density, nodes))
    }

    fn ln_density(&self, others: &[f64]) -> f64 {
        self.given(others)
            .map_or(f64::NEG_INFINITY, |found| found.0)
    }

    /// The top of the density, and minus its second derivatives there.
    fn top(&self) -> Option<(Vec<f64>, Cholesky)> {
        let d = self.levels.len() - 1;
        let step = 0.05 * self.spread;
        let mut at = vec![0.0; d];
        let mut value = self.ln_density(&at);
        if !value.is_finite() {
            return None;
        }
        for _ in 0..25 {
            let (slope, bend) = self.differences(&at, value, step);
            let factor = Cholesky::new(bend, d)?;
            let mut stride = slope;
            factor.solve(&mut stride);
            let largest = stride.iter().fold(0.0, |m: f64, s| m.max(s.abs()));
            if largest < 1e-3 * self.spread {
                return Some((at, factor));
            }
            // No further than the differences tell, and never downhill.
            let mut share = (2.0 * self.spread / largest).min(1.0);
            loop {
                let next: Vec<f64> = at.iter().zip(&stride).map(|(a, s)| a + share * s).collect();
                let there = self.ln_density(&next);
                if there >= value - 1e-9 {
                    (at, value) = (next, there);
                    break;
                }
                share *= 0.5;
                if share < 1e-3 {
                    return Some((at, factor));
                }
            }
        }
        None
    }

    /// Slope and minus second derivatives by central differences; where the density is not bent enough, as much
    /// is added as the spread of the levels alone would bend it.
    fn differences(&self, at: &[f64], value: f64, step: f64) -> (Vec<f64>, Vec<f64>) {
        let d = at.len();
        let moved = |changes: &[(usize, f64)]| {
            let mut there = at.to_vec();
            for (k, by) in changes {
                there[*k] += by * step;
            }
            self.ln_density(&there)
        };
        let sides: Vec<[f64; 2]> = (0..d)
            .map(|k| [moved(&[(k, -1.0)]), moved(&[(k, 1.0)])])
            .collect();
        let slope = sides.iter().map(|s| (s[1] - s[0]) / (2.0 * step)).collect();
        let mut bend = vec![0.0; d * d];
        // ln η_l − ln η_r given the rest: what the spread alone says.
        let least = 0.5 * (1.0 - 1.0 / (d as f64 + 1.0)) / self.spread.powi(2);
        for k in 0..d {
            let own = (2.0 * value - sides[k][0] - sides[k][1]) / (step * step);
            bend[k * d + k] = own.max(least);
            for l in 0..k {
                let both = moved(&[(k, 1.0), (l, 1.0)]) + moved(&[(k, -1.0), (l, -1.0)]);
                let sum = sides[k][0] + sides[k][1] + sides[l][0] + sides[l][1];
                let mixed = (sum - both - 2.0 * value) / (2.0 * step * step);
                bend[k * d + l] = mixed;
                bend[l * d + k] = mixed;
            }
        }
        (slope, bend)
    }
}

/// Why lives cannot be told apart by level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(super) enum NotByLevel {
    /// No posterior.
    #[error(transparent)]
    NoPosterior(#[from] NoPosterior),
    /// The average over the ratios does not come out.
    #[error("what the levels' lives leave open cannot be averaged over")]
    NoTop,
}

/// The posterior by level: two levels or more, of which one has a life; `spread` is the standard deviation of
/// ln η from level to level.
pub(super) fn by_level(
    levels: &[LevelLives],
    reference: usize,
    prior: Option<Prior>,
    spread: f64,
) -> Result<(Vec<Alternative>, Shapes), NotByLevel> {
    let mut problem = Problem {
        levels,
        reference,
        prior,
        spread,
        shape: 1.0,
    };
    let of_one_age = |level: &LevelLives| {
        level.lives.is_empty() || LogLives::new(&level.lives).one_age_explains_all()
    };
    if prior.is_none() && levels.iter().all(of_one_age) {
        // Scales of their own explain all lives, however sharp the shape.
        return Err(NoPosterior::OpenTowardsInfinity.into());
    }
    let alike = vec![0.0; levels.len() - 1];
    let lives = problem.lives(&problem.all_ratios(&alike));
    problem.shape = first_shape(&lives, prior.as_ref());
    // Why there is none, if there is none.
    problem.given(&alike)?;
    let (top, bend) = problem.top().ok_or(NotByLevel::NoTop)?;
    let d = top.len();
    let mut found = Vec::new();
    for (mut step, ln_weight) in laid(d) {
        // bend = LLᵀ: L⁻ᵀz has its inverse as covariance.
        bend.backward(&mut step);
        let at: Vec<f64> = top.iter().zip(&step).map(|(t, s)| t + s).collect();
        let Ok((ln_density, nodes)) = problem.given(&at) else {
            continue;
        };
        found.push((ln_weight + ln_density, at, nodes));
    }
    let greatest = found.iter().map(|f| f.0).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = found.iter().map(|f| (f.0 - greatest).exp()).sum();
    found.retain(|f| (f.0 - greatest).exp() > NEGLIGIBLE * total);
    let total: f64 = found.iter().map(|f| (f.0 - greatest).exp()).sum();
    if !total.is_finite() || found.is_empty() {
        return Err(NotByLevel::NoTop);
    }
    let mut shapes = Shapes(Vec::new());
    let mut alternatives = Vec::new();
    for (ln_weight, at, nodes) in found {
        let weight = (ln_weight - greatest).exp() / total;
        let ratios = problem.all_ratios(&at);
        let lives = problem.lives(&ratios);
        let posterior = Posterior::new(
            Kernel::SmallestExtreme,
            &lives,
            problem.prior(&ratios),
            problem.shape,
            0.0,
        )?;
        shapes.0.push((weight, posterior));
        alternatives.push(Alternative {
            weight,
            pace: ratios.iter().map(|r| (-r).exp()).collect(),
            nodes,
        });
    }
    Ok((alternatives, shapes))
}

/// The shape given each alternative.
pub(super) struct Shapes(Vec<(f64, Posterior)>);

impl Shapes {
    /// A quantile of the shape over all alternatives.
    pub(super) fn quantile(&self, p: f64) -> Option<f64> {
        let of = |(_, posterior): &(f64, Posterior)| posterior.shape(p);
        let each: Option<Vec<f64>> = self.0.iter().map(of).collect();
        let each = each?;
        let low = each.iter().copied().fold(f64::INFINITY, f64::min).ln();
        let high = each.iter().copied().fold(0.0, f64::max).ln();
        let cdf = |x: f64| -> f64 {
            let each = self
                .0
                .iter()
                .map(|(w, posterior)| w * posterior.shape_cdf(x));
            each.sum::<f64>() - p
        };
        brent(cdf, low - 1e-3, high + 1e-3, 1e-9).map(f64::exp)
    }

    /// Whether shapes near 0 were left out under any.
    pub(super) fn small_left_out(&self) -> bool {
        self.0
            .iter()
            .any(|(_, posterior)| posterior.small_shapes_left_out)
    }
}

/// Points in d dimensions around the top, in standard deviations there, with the logs of what the density is to be
/// multiplied by.
fn laid(d: usize) -> Vec<(Vec<f64>, f64)> {
    if d == 1 {
        let point = |k: i32| {
            let u = STEP * f64::from(k);
            (vec![u.sinh()], u.cosh().ln())
        };
        return (-EITHER_WAY..=EITHER_WAY).map(point).collect();
    }
    let generators: Vec<u64> = std::iter::successors(Some(1), |g| Some(g * GENERATOR % LAID))
        .take(d)
        .collect();
    let point = |i: u64| {
        let axis = |g: &u64| student_4((((i * g) % LAID) as f64 + 0.5) / LAID as f64);
        let t: Vec<f64> = generators.iter().map(axis).collect();
        let ln_weight: f64 = t.iter().map(|t| 2.5 * (0.25 * t * t).ln_1p()).sum();
        (t.iter().map(|t| WIDER * t).collect(), ln_weight)
    };
    (0..LAID).map(point).collect()
}

/// Quantile of Student's t with four degrees of freedom, whose density is as `(1 + t²/4)^(−5/2)`; closed form
/// (W. T. Shaw, J. Comput. Finance 9 (2006), from memory).
fn student_4(p: f64) -> f64 {
    let root = (4.0 * p * (1.0 - p)).sqrt();
    let q = (root.acos() / 3.0).cos() / root;
    (p - 0.5).signum() * 2.0 * (q - 1.0).max(0.0).sqrt()
}

/// Ratio of mean lives to the level of reference, 5, 50 and 95 %: each alternative stands at the middle of its
/// weight.
pub(super) fn ratio(alternatives: &[Alternative], level: usize) -> [f64; 3] {
    let mut values: Vec<(f64, f64)> = (alternatives.iter())
        .map(|a| (-a.pace[level].ln(), a.weight))
        .collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    // From mean and spread: few points hardly tell tails.
    let mean: f64 = values.iter().map(|(v, w)| w * v).sum();
    let variance: f64 = values.iter().map(|(v, w)| w * (v - mean).powi(2)).sum();
    [0.05, 0.5, 0.95].map(|p| (mean + variance.sqrt() * normal_quantile(p)).exp())
}

/// The level with most worn lives, the first of several.
pub(super) fn reference(levels: &[LevelLives]) -> usize {
    let worn = |level: &LevelLives| LogLives::new(&level.lives).worn();
    let most = (0..levels.len()).max_by(|&a, &b| {
        let (a_worn, b_worn) = (worn(&levels[a]), worn(&levels[b]));
        a_worn
            .partial_cmp(&b_worn)
            .unwrap_or(std::cmp::Ordering::Equal)
            .then(b.cmp(&a))
    });
    most.unwrap_or(0)
}

impl LifeModel {
    /// What is known of one level alone; unchanged where lives do not differ by level.
    #[must_use]
    pub fn at_level(&self, level: usize) -> Self {
        let Some(by) = &self.by_level else {
            return self.clone();
        };
        Self {
            part: self.part.clone(),
            basis: self.basis,
            nodes: by.nodes_at(level),
            lives: by.levels[level].lives,
            shape_interval: self.shape_interval,
            by_level: None,
            cautions: self.cautions.clone(),
        }
    }
}

#[cfg(test)]
#[path = "by_level_tests.rs"]
mod tests;

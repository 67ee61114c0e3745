//! Fewer curves that say the same.
//!
//! A posterior comes as rows of curves: for each of a row of shapes a row of scales. Of one shape, averages
//! over ln η are taken by the Gauss rule of those very points and weights: k curves that keep all moments of
//! ln η up to the power 2k − 1 (Golub & Welsch, Mathematics of Computation 23, 1969). Over shapes likewise, by
//! the Gauss rule of ln β with the weights of the rows; a shape of that rule lies between two rows, and where
//! its scales lie and how they spread is interpolated between the rows around it.
//!
//! How few are enough depends on what is averaged. The chances of one part change slowly from curve to
//! curve; the demand of many positions, given the curve, has a sharp distribution. So both are tried on a
//! ladder of rules, and the first is taken that leaves every chance as it was: those of one part within
//! [`ONE_PART`], worked out in full, and those of the demand within [`DEMAND`], on a sketch of it.

use super::demand::{to_one, without_negligible};
use super::first_life::FirstLife;
use super::mixture::Mixture;
use super::remaining::curve;
use super::sum::FEW;
use crate::models::WeibullNode;
use crate::numerics::interpolate::lagrange;
use crate::numerics::linear::tridiagonal_eigen;
use crate::numerics::vector::{exp, widest};

/// Shapes, and curves of each.
const LADDER: [(usize, usize); 5] = [(5, 5), (6, 6), (6, 9), (7, 12), (9, 14)];

/// Largest change of a chance of one part.
const ONE_PART: f64 = 3e-4;

/// Largest change of a chance of the demand, on the sketch.
const DEMAND: f64 = 3e-4;

/// Curves between those of one shape, as many as there are points for.
const FINER: [usize; 4] = [24, 16, 12, 9];

/// Scales beyond so many standard deviations are taken as at that many.
const FURTHEST: f64 = 4.5;

/// Weight that may be left out where there is no shorter rule.
const NEGLIGIBLE: f64 = 1e-4;

/// Share of the weight at either end that has no say in a rule: it would draw points far out.
const FAR_OUT: f64 = 3e-6;

/// Variance above which the demand of many positions is interpolated between curves.
const MANY: f64 = 20.0;

/// Variance above which a demand may be sharp, and by how many of its standard deviations curves must differ
/// then. The Edgeworth series is less exact there, but what it misses changes sign from curve to curve.
const SHARP: f64 = 6.0;
const SPREAD: f64 = 1.5;

/// Rows between which scales are interpolated.
const NEIGHBOURS: usize = 4;

/// Most positions that the sketch looks at; the rest are taken to be like them.
const SKETCHED: usize = 24;

/// Chances at which the sketches are compared.
const COMPARED: u32 = 32;

/// What one position asks of the curves: what is fitted, and the hours ahead.
pub(super) type Asked = (FirstLife, f64);

/// As few curves as give the demand, and the finer ones between them.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Curves {
    pub(super) nodes: Vec<WeibullNode>,
    /// Empty where the nodes are all.
    pub(super) between: Vec<Between>,
}

/// A curve between those of one shape: what changes slowly with ln η is interpolated (Lagrange).
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Between {
    pub(super) weight: f64,
    /// The first of the curves between which it lies, and their weights.
    pub(super) from: usize,
    pub(super) weights: Vec<f64>,
}

impl Between {
    /// The values there.
    pub(super) fn of<const N: usize>(&self, values: &[[f64; N]]) -> [f64; N] {
        let mut sum = [0.0; N];
        for (weight, values) in self.weights.iter().zip(&values[self.from..]) {
            for (sum, value) in sum.iter_mut().zip(values) {
                *sum += weight * value;
            }
        }
        sum
    }
}

impl Curves {
    /// Every so manieth curve from the `number`-th on, with their share of the weight; all of them where they are
    /// not shared out.
    pub(super) fn hand(&self, number: usize, hands: usize) -> (f64, Self) {
        if hands <= 1 || self.nodes.len() < hands {
            return (1.0, self.clone());
        }
        let own = self.nodes.iter().skip(number % hands).step_by(hands);
        let mut own: Vec<WeibullNode> = own.copied().collect();
        let weight = to_one(&mut own);
        (weight, own.into())
    }

    /// So many of them, of equal weight, taken evenly along their weights from a `start` in [0, 1) of a step on:
    /// over many evenly spread starts each is taken as its weight says. All of them where that is no fewer.
    pub(super) fn taken_evenly(&self, count: usize, start: f64) -> Self {
        if self.nodes.len() <= count {
            return self.clone();
        }
        let each = 1.0 / count as f64;
        let (mut taken, mut before, mut next) = (Vec::new(), 0.0, start * each);
        for node in &self.nodes {
            before += node.weight;
            let mut times = 0.0;
            while next < before && taken.len() < count {
                times += each;
                next += each;
            }
            if times > 0.0 {
                taken.push(WeibullNode {
                    weight: times,
                    ..*node
                });
            }
        }
        to_one(&mut taken);
        taken.into()
    }
}

impl From<Vec<WeibullNode>> for Curves {
    fn from(nodes: Vec<WeibullNode>) -> Self {
        Self {
            nodes,
            between: Vec::new(),
        }
    }
}

/// Curves for the chances of one part, and curves for the demand of all positions.
pub(super) fn thinned(
    nodes: &[WeibullNode],
    per_change: u32,
    positions: &[Asked],
) -> (Vec<WeibullNode>, Curves) {
    let rows = rows(nodes);
    let mut first = fewer(&rows, LADDER[0].0, LADDER[0].1, false);
    let rule = first.as_ref().map_or(nodes, |rule| &rule.nodes);
    let one = OnePart::new(nodes, rule, per_change);
    let demand = Sketch::new(nodes, per_change, positions);
    let mut for_one = None;
    for (shapes, curves) in LADDER {
        let few = (first.take()).or_else(|| fewer(&rows, shapes, curves, false));
        let Some(few) = few else {
            continue;
        };
        if few.nodes.len() >= nodes.len() || one.change(&few.nodes, per_change) > ONE_PART {
            continue;
        }
        let for_one = for_one.get_or_insert_with(|| few.nodes.clone());
        if demand.change(&few.nodes, per_change) <= DEMAND {
            // The same once more, with the curves between.
            let few = fewer(&rows, shapes, curves, true).unwrap_or(few);
            return (std::mem::take(for_one), few);
        }
    }
    let (enough, _) = without_negligible(nodes, NEGLIGIBLE);
    (for_one.unwrap_or_else(|| nodes.to_vec()), enough.into())
}

/// Points, rising, with weights.
type Points = Vec<(f64, f64)>;

/// Curves of one shape.
#[derive(Debug, Clone)]
struct Row {
    ln_shape: f64,
    weight: f64,
    /// Mean and standard deviation of ln η.
    middle: f64,
    spread: f64,
    /// (ln η − mean)/sd, with weights summing to 1.
    points: Points,
}

impl Row {
    fn new(nodes: &[WeibullNode]) -> Self {
        let mut points: Points = nodes.iter().map(|n| (n.scale.ln(), n.weight)).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let points = points[not_far_out(&points, |p| p.1)].to_vec();
        let (weight, middle, spread, points) = standard(&points);
        Self {
            ln_shape: nodes[0].shape.ln(),
            weight,
            middle,
            spread,
            points,
        }
    }
}

/// Total weight, mean, standard deviation, and the points less the mean in units of it.
fn standard(points: &Points) -> (f64, f64, f64, Points) {
    let all: f64 = points.iter().map(|p| p.1).sum();
    let mean = points.iter().map(|(x, w)| w * x).sum::<f64>() / all;
    let square = points
        .iter()
        .map(|(x, w)| w * (x - mean).powi(2))
        .sum::<f64>();
    let sd = (square / all).sqrt();
    let unit = sd.max(1e-300);
    let points = points.iter().map(|(x, w)| ((x - mean) / unit, w / all));
    (all, mean, sd, points.collect())
}

/// Those that have a say.
fn not_far_out<T>(all: &[T], weight: impl Fn(&T) -> f64) -> std::ops::Range<usize> {
    let allowed = FAR_OUT * all.iter().map(&weight).sum::<f64>();
    let little = |sum: &mut f64, one: &T| {
        *sum += weight(one);
        (*sum < allowed).then_some(())
    };
    let before = all.iter().scan(0.0, little).count();
    let after = all.iter().rev().scan(0.0, little).count();
    before..(all.len() - after).max(before)
}

/// By shape.
fn rows(nodes: &[WeibullNode]) -> Vec<Row> {
    let mut rows: Vec<Row> = (nodes.chunk_by(|a, b| a.shape == b.shape))
        .map(Row::new)
        .collect();
    rows.sort_by(|a, b| a.ln_shape.total_cmp(&b.ln_shape));
    let these = not_far_out(&rows, |row| row.weight);
    rows[these].to_vec()
}

/// So many shapes with so many curves of each, and the finer ones between them where they are wanted; `None`
/// where the rows do not bear that.
fn fewer(rows: &[Row], shapes: usize, curves: usize, and_between: bool) -> Option<Curves> {
    if rows.len() < shapes + 2 || rows.windows(2).any(|r| r[0].ln_shape >= r[1].ln_shape) {
        return None;
    }
    let by_shape: Points = rows.iter().map(|row| (row.ln_shape, row.weight)).collect();
    let (_, middle, spread, by_shape) = standard(&by_shape);
    let mut few = Vec::with_capacity(shapes * curves);
    let mut between = Vec::new();
    let heaviest = rows.iter().max_by(|a, b| a.weight.total_cmp(&b.weight))?;
    let usual = heaviest.middle;
    for (z, weight) in gauss(&by_shape, shapes)? {
        let ln_shape = middle + spread * z;
        let above = rows.partition_point(|row| row.ln_shape < ln_shape);
        let (low, high) = (rows.get(above.checked_sub(1)?)?, rows.get(above)?);
        let share = (ln_shape - low.ln_shape) / (high.ln_shape - low.ln_shape);
        let near = &rows[above.saturating_sub(2).min(rows.len() - NEIGHBOURS)..][..NEIGHBOURS];
        let shapes: Vec<f64> = near.iter().map(|row| row.ln_shape).collect();
        let weights = lagrange(&shapes, ln_shape);
        // β times the mean (from the heaviest row's on) and the deviation: those change least with β.
        let at_shape = |of: &dyn Fn(&Row) -> f64| -> f64 {
            let each = near.iter().zip(&weights);
            let each = each.map(|(row, weight)| weight * of(row) * row.ln_shape.exp());
            each.sum::<f64>() / ln_shape.exp()
        };
        let (middle, spread) = (at_shape(&|r| r.middle - usual), at_shape(&|r| r.spread));
        let rule = |count: usize| -> Option<Points> {
            let (a, b) = (gauss(&low.points, count)?, gauss(&high.points, count)?);
            let mix = |a: f64, b: f64| a + share * (b - a);
            let each = a.iter().zip(&b);
            Some(each.map(|(a, b)| (mix(a.0, b.0), mix(a.1, b.1))).collect())
        };
        let coarse = rule(curves)?;
        let at: Vec<f64> = coarse.iter().map(|(z, _)| *z).collect();
        let from = few.len();
        few.extend(coarse.iter().map(|(z, share)| WeibullNode {
            shape: ln_shape.exp(),
            scale: (usual + middle + spread * z).exp(),
            weight: weight * share,
        }));
        if !and_between {
            continue;
        }
        let fine = FINER.into_iter().filter(|n| *n > curves).find_map(rule);
        between.extend(fine.iter().flatten().map(|(z, share)| Between {
            weight: weight * share,
            from,
            weights: lagrange(&at, z.clamp(-FURTHEST, FURTHEST)),
        }));
        if fine.is_none() {
            between.extend(coarse.iter().map(|(z, share)| Between {
                weight: weight * share,
                from,
                weights: lagrange(&at, *z),
            }));
        }
    }
    to_one(&mut few);
    let all: f64 = between.iter().map(|b| b.weight).sum();
    for between in &mut between {
        between.weight /= all;
    }
    between.retain(|b| b.weight > 1e-8);
    let good = |n: &WeibullNode| n.scale.is_finite() && n.scale > 0.0 && n.weight > 0.0;
    few.iter().all(good).then_some(Curves {
        nodes: few,
        between,
    })
}

/// The Gauss rule of points with mean 0, standard deviation 1 and weights summing to 1: the eigenvalues of
/// the matrix of their recurrence are its points, the squares of the first components of its eigenvectors
/// the weights. `None` where there are too few points.
fn gauss(points: &Points, count: usize) -> Option<Points> {
    if points.len() <= count {
        return None;
    }
    // p₀ = 1, and `b pₖ₊₁ = (x − a) pₖ − b′ pₖ₋₁` with unit norms.
    let (mut diagonal, mut beside) = (Vec::with_capacity(count), Vec::with_capacity(count));
    let mut before = vec![0.0; points.len()];
    let mut p = vec![1.0; points.len()];
    let mut b = 0.0;
    for k in 0..count {
        let a: f64 = (points.iter().zip(&p))
            .map(|((x, w), p)| w * x * p * p)
            .sum();
        diagonal.push(a);
        if k + 1 == count {
            break;
        }
        let next = (points.iter().zip(&p).zip(&before))
            .map(|(((x, _), p), before)| (x - a) * p - b * before);
        let mut next: Vec<f64> = next.collect();
        let norm: f64 = (points.iter().zip(&next))
            .map(|((_, w), p)| w * p * p)
            .sum();
        b = norm.sqrt();
        if b < 1e-9 || b.is_nan() {
            return None;
        }
        beside.push(b);
        for p in &mut next {
            *p /= b;
        }
        before = std::mem::replace(&mut p, next);
    }
    let (values, firsts) = tridiagonal_eigen(diagonal, &beside)?;
    let mut rule: Points = (values.into_iter().zip(firsts))
        .map(|(x, first)| (x, first * first))
        .collect();
    rule.sort_by(|a, b| a.0.total_cmp(&b.0));
    Some(rule)
}

/// Chances of one part, new and of some age, at a row of hours.
struct OnePart {
    asked: Vec<(FirstLife, f64)>,
    chances: Vec<f64>,
}

impl OnePart {
    /// `rule` tells where to ask: it need not be as exact.
    fn new(nodes: &[WeibullNode], rule: &[WeibullNode], per_change: u32) -> Self {
        let [mixture, rule] = [nodes, rule].map(|nodes| Mixture::new(nodes, per_change));
        let new = rule.ahead(&FirstLife::Aged(0.0));
        let mut asked = Vec::new();
        for age in [0.0, 0.3, 0.6].map(|p| if p > 0.0 { new.quantile(p) } else { Some(0.0) }) {
            let first = FirstLife::Aged(age.unwrap_or(0.0));
            let ahead = rule.ahead(&first);
            let hours = [0.01, 0.05, 0.2, 0.5, 0.8, 0.95].map(|p| ahead.quantile(p));
            asked.extend(
                hours
                    .into_iter()
                    .flatten()
                    .map(|hours| (first.clone(), hours)),
            );
        }
        let chances = asked.iter().map(|(first, x)| mixture.within(first, *x));
        Self {
            chances: chances.collect(),
            asked,
        }
    }

    /// Largest change of any of them.
    fn change(&self, few: &[WeibullNode], per_change: u32) -> f64 {
        let mixture = Mixture::new(few, per_change);
        (self.asked.iter().zip(&self.chances))
            .map(|((first, x), chance)| (mixture.within(first, *x) - chance).abs())
            .fold(0.0, f64::max)
    }
}

/// A sketch of the demand: under each curve normal, with the mean and variance of independent positions
/// that are each renewed about as often as the hours allow.
struct Sketch {
    /// ln age, ln (age + hours) and ln (hours/2) of each position; parts of unknown age count as new.
    positions: Vec<[f64; 3]>,
    alike: f64,
    at: Vec<f64>,
    chances: Vec<f64>,
}

impl Sketch {
    fn new(nodes: &[WeibullNode], per_change: u32, positions: &[Asked]) -> Self {
        let every = positions.len().div_ceil(SKETCHED).max(1);
        let few: Vec<[f64; 3]> = (positions.iter().step_by(every))
            .map(|(first, hours)| {
                let age = first.age().unwrap_or(0.0);
                [age, age + hours, 0.5 * hours].map(f64::ln)
            })
            .collect();
        let mut sketch = Self {
            alike: positions.len() as f64 / few.len().max(1) as f64,
            positions: few,
            at: Vec::new(),
            chances: Vec::new(),
        };
        let mut by_curve = sketch.by_curve(nodes, per_change);
        // A sharp demand of many positions is interpolated between curves: what is asked of the rule is the
        // sharpest that is not.
        if positions.len() > FEW as usize {
            let (variance, spread) = variance_and_spread(by_curve.iter().copied());
            let most = (SHARP / variance).max(SPREAD * SPREAD * variance / (spread * spread));
            let share = most.min(MANY / variance);
            if share < 1.0 {
                sketch.alike *= share;
                by_curve = sketch.by_curve(nodes, per_change);
            }
        }
        let low = (by_curve.iter()).fold(f64::INFINITY, |low, c| low.min(c.1 - 2.0 * c.2));
        let high = by_curve
            .iter()
            .fold(0.0_f64, |high, c| high.max(c.1 + 2.0 * c.2));
        let low = low.max(0.0);
        let share = |i: u32| (f64::from(i) + 0.5) / f64::from(COMPARED);
        sketch.at = (0..COMPARED)
            .map(|i| low + (high - low) * share(i))
            .collect();
        sketch.chances = sketch.chances_of(&by_curve);
        sketch
    }

    /// Weight, mean and standard deviation under each curve.
    fn by_curve(&self, nodes: &[WeibullNode], per_change: u32) -> Vec<(f64, f64, f64)> {
        let one = |node: &WeibullNode| {
            let life = curve(node, per_change);
            let ln_scale = life.scale.ln();
            let (mut mean, mut variance) = (0.0, 0.0);
            for logs in &self.positions {
                let [now, then, half] = logs.map(|ln| exp(life.shape * (ln - ln_scale)));
                let ahead = if then > now { then - now } else { 0.0 };
                let p = 1.0 - exp(-ahead);
                let renewals = 0.5 * exp(logs[2] - ln_scale);
                let more = p * (1.0 - exp(-half)) * if renewals > 1.0 { renewals } else { 1.0 };
                mean += self.alike * (p + more);
                variance += self.alike * (p * (1.0 - p) + 0.3 * more);
            }
            (node.weight, mean, variance.max(0.05).sqrt())
        };
        nodes.iter().map(one).collect()
    }

    fn chances_of(&self, by_curve: &[(f64, f64, f64)]) -> Vec<f64> {
        let mut chances = vec![0.0; self.at.len()];
        widest(
            #[inline(always)]
            || {
                for (weight, mean, sd) in by_curve {
                    for (chance, s) in chances.iter_mut().zip(&self.at) {
                        // The normal distribution to 2e-4.
                        let z = (s - mean) / sd;
                        *chance += weight / (1.0 + exp(-z * (1.5976 + 0.070_56 * z * z)));
                    }
                }
            },
        );
        chances
    }

    /// Largest change of a cumulative chance.
    fn change(&self, few: &[WeibullNode], per_change: u32) -> f64 {
        let chances = self.chances_of(&self.by_curve(few, per_change));
        (chances.iter().zip(&self.chances))
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f64::max)
    }
}

/// Whether a demand of many positions is to be interpolated between curves, given the weight, mean and
/// standard deviation under each: where it has many parts, or fewer but curves that differ by more than
/// the demand under one of them does.
pub(super) fn is_sharp(by_curve: impl Iterator<Item = (f64, f64, f64)>) -> bool {
    let (variance, spread) = variance_and_spread(by_curve);
    variance > MANY || (variance > SHARP && spread > SPREAD * variance.sqrt())
}

/// Mean variance under the curves, and the standard deviation of the means.
fn variance_and_spread(by_curve: impl Iterator<Item = (f64, f64, f64)>) -> (f64, f64) {
    let [mut mean, mut square, mut variance] = [0.0; 3];
    for (weight, m, sd) in by_curve {
        mean += weight * m;
        square += weight * m * m;
        variance += weight * sd * sd;
    }
    (variance, (square - mean * mean).max(1e-12).sqrt())
}

#[cfg(test)]
#[path = "thin_tests.rs"]
mod tests;

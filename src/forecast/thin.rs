//! Fewer curves that say the same.
//!
//! A posterior comes as rows of curves: for each of a row of shapes a row of scales. Of one shape, averages
//! over ln η are taken by the Gauss rule of those very points and weights: k curves that keep all moments of
//! ln η up to the power 2k − 1 (Golub & Welsch, Mathematics of Computation 23, 1969). Over shapes likewise, by
//! the Gauss rule of ln β with the weights of the rows; a shape of that rule lies between two rows, and where
//! its scales lie and how they spread is interpolated between the rows around it.
//!
//! A wide posterior, of few worn lives, bears no rule over its shapes: then every shape is kept, each with as
//! few curves as its weight and its spread ask for.
//!
//! How few are enough depends on what is averaged. The chances of one part change slowly from curve to
//! curve; the demand of many positions, given the curve, has a sharp distribution. So rules are tried from the
//! shortest on, and the first is taken that leaves every chance as it was: those of one part, worked out in full,
//! within [`ONE_PART`]; and those of the demand, on a sketch of it, within [`DEMAND`].

use super::demand::{to_one, without_negligible};
use super::first_life::FirstLife;
use super::mixture::Mixture;
use super::remaining::curve;
use super::sum::FEW;
use crate::models::WeibullNode;
use crate::numerics::interpolate::lagrange;
use crate::numerics::linear::tridiagonal_eigen;
use crate::numerics::vector::{exp, exp_m1, widest};

/// Shapes, and curves of each.
const LADDER: [(usize, usize); 4] = [(5, 5), (6, 6), (7, 8), (8, 10)];

/// Curves of each shape where all shapes are kept: for one part, and for the demand of few positions.
const FOR_ONE: [usize; 4] = [4, 6, 9, 12];
const FOR_DEMAND: [usize; 12] = [1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 19, 24];

/// What each shape may change of a chance, in units of its share of [`DEMAND`]: not all change the same chance, nor
/// the same way.
const SHARES: [f64; 2] = [4.0, 1.0];

/// Largest change of a chance of one part.
const ONE_PART: f64 = 3e-4;

/// Largest change of a chance of the demand, on the sketch.
const DEMAND: f64 = 3e-4;

/// The same where there are more positions than are convolved. The sketch is as sharp as any demand that is not
/// interpolated between curves; those of a schedule's windows changed by a fifth of that at most.
const DEMAND_OF_MANY: f64 = 1e-2;

/// Curves between those of one shape; where their density is not known, as many as there are points for.
const EVENLY: usize = 48;
const FINER: [usize; 4] = [24, 16, 12, 9];

/// Every so manieth of them, where that is enough.
const STRIDES: [usize; 2] = [4, 2];

/// Normal distributions so many standard deviations apart add up to a smooth one: the ripple is
/// 2 exp(−2π²/STEP²) of it, 3e-4.
const STEP: f64 = 1.5;

/// Weight of two neighbours that may be further apart.
const LIGHT: f64 = 1e-6;

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
const COMPARED: usize = 64;

/// Standard deviations off what the curves expect.
const DEVIATIONS: [f64; 4] = [-1.5, -0.5, 0.5, 1.5];

/// Shares of the hours ahead by which a position is looked at: what happens between two of them is their difference.
const SINGLY: [f64; 9] = [0.03, 0.08, 0.15, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0];

/// Shares of the hours ahead by which they are sketched.
const LOOKED_AHEAD: [f64; 3] = [1.0, 0.5, 0.2];

/// What one position asks of the curves: what is fitted, and the hours ahead.
pub(super) type Asked = (FirstLife, f64);

/// As few curves as give the demand, and the finer ones between them.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Curves {
    pub(super) nodes: Vec<WeibullNode>,
    /// Of each shape in turn; empty where the nodes are all.
    pub(super) between: Vec<Between>,
}

/// Curves between those of one shape, by rising scale: what changes slowly with ln η is interpolated (Lagrange).
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Between {
    /// The first of the curves between which they lie.
    from: usize,
    /// Whether they lie evenly over ln η, so that every second stands for its neighbours too.
    even: bool,
    /// Weight, and the weights of those curves.
    points: Vec<(f64, Vec<f64>)>,
}

/// Weight of a curve, and values under it.
type Under<const N: usize> = (f64, [f64; N]);

impl Between {
    /// Weight and values there.
    fn of<const N: usize>(&self, values: &[[f64; N]]) -> Vec<Under<N>> {
        let at = |(weight, own): &(f64, Vec<f64>)| {
            let mut sum = [0.0; N];
            for (weight, values) in own.iter().zip(&values[self.from..]) {
                for (sum, value) in sum.iter_mut().zip(values) {
                    *sum += weight * value;
                }
            }
            (*weight, sum)
        };
        self.points.iter().map(at).collect()
    }

    /// How few of them are enough: every so manieth.
    fn stride<const N: usize>(&self, all: &[Under<N>]) -> usize {
        let is_near = |(here, next): (&Under<N>, &Under<N>)| {
            here.0 + next.0 < LIGHT
                || (0..N / 5).all(|s| {
                    let (mean, variance) = (5 * s, 5 * s + 1);
                    let narrow = f64::min(here.1[variance], next.1[variance]);
                    (next.1[mean] - here.1[mean]).powi(2) <= STEP * STEP * narrow
                })
        };
        let is_enough = |stride: &usize| {
            let next = all.iter().skip(*stride);
            self.even && all.iter().zip(next).all(is_near)
        };
        STRIDES.into_iter().find(is_enough).unwrap_or(1)
    }
}

/// Widens the sums under each curve to what lies halfway to its neighbours, where they are narrower.
fn widen<const N: usize>(all: &mut [Under<N>]) {
    let sums = N / 5;
    let means: Vec<[f64; N]> = all.iter().map(|curve| curve.1).collect();
    for (i, (_, here)) in all.iter_mut().enumerate() {
        let (before, after) = (i.saturating_sub(1), (i + 1).min(means.len() - 1));
        let mut wider = [0.0; 2];
        for (s, wider) in wider[..sums].iter_mut().enumerate() {
            let (mean, variance) = (5 * s, 5 * s + 1);
            let step = (means[after][mean] - means[before][mean]) / (after - before).max(1) as f64;
            *wider = ((step / STEP).powi(2) - here[variance]).max(0.0);
            here[variance] += *wider;
        }
        if sums > 1 {
            here[5 * sums] += (wider[0] * wider[1]).sqrt();
        }
    }
}

impl Curves {
    /// One sum of many positions, or two, under as many curves between the nodes as make one smooth distribution of
    /// them: weights, and each sum's five cumulants one after another, then the covariance of two. Neighbours are to
    /// expect numbers that differ by no more than [`STEP`] standard deviations of the sum; where even the finest do,
    /// each stands for what lies halfway to its neighbours, and is widened to that.
    pub(super) fn smooth<const N: usize>(&self, values: &[[f64; N]]) -> Vec<Under<N>> {
        let mut smooth = Vec::new();
        for between in &self.between {
            let mut all = between.of(values);
            let stride = between.stride(&all);
            if stride == 1 {
                widen(&mut all);
            }
            let each = all.into_iter().skip(stride / 2).step_by(stride);
            smooth.extend(each.map(|(weight, sums)| (weight * stride as f64, sums)));
        }
        let all: f64 = smooth.iter().map(|s| s.0).sum();
        for curve in &mut smooth {
            curve.0 /= all;
        }
        smooth
    }

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
    let by_gauss = |(shapes, curves)| {
        let shapes = between_rows(&rows, shapes, curves)?;
        fewer(&shapes, false).map(|few| (shapes, few))
    };
    let mut first = by_gauss(LADDER[0]);
    let rule = first.as_ref().map_or(nodes, |(_, few)| &few.nodes);
    let one = OnePart::new(nodes, rule, per_change);
    let demand = Sketch::new(nodes, per_change, positions);
    let enough = if demand.many { DEMAND_OF_MANY } else { DEMAND };
    let (mut for_one, mut for_demand) = (None, None);
    for rule in LADDER {
        let Some((shapes, few)) = first.take().or_else(|| by_gauss(rule)) else {
            continue;
        };
        if for_one.is_none() && one.change(&few.nodes, per_change) <= ONE_PART {
            for_one = Some(few.nodes.clone());
        }
        if for_demand.is_none() && demand.change(&few.nodes, per_change) <= enough {
            // The same once more, with the curves between.
            for_demand = Some(fewer(&shapes, true).unwrap_or(few));
        }
        if for_one.is_some() && for_demand.is_some() {
            break;
        }
    }
    let every_shape = |curves: usize| -> Vec<OneShape<'_>> {
        let each = rows.iter().map(|row| OneShape::of_row(row, curves));
        each.collect()
    };
    let of_each = |curves: usize| {
        let few = fewer(&every_shape(curves), false)?.nodes;
        (one.change(&few, per_change) <= ONE_PART).then_some(few)
    };
    let (all, _) = without_negligible(nodes, NEGLIGIBLE);
    let by_row = |share: f64| {
        let few = fewer(&demand.by_row(&rows, per_change, share), false)?;
        let is_worth_it = 3 * few.nodes.len() < 2 * all.len();
        (is_worth_it && demand.change(&few.nodes, per_change) <= DEMAND).then_some(few)
    };
    let for_one = for_one.or_else(|| FOR_ONE.into_iter().find_map(of_each));
    // The curves of many positions are to be one as good as the other, with others between them.
    let for_demand = match for_demand {
        None if demand.many => fewer(&every_shape(LADDER[LADDER.len() - 1].1), true),
        None => SHARES.into_iter().find_map(by_row),
        found => found,
    };
    (
        for_one
            .filter(|few| few.len() < nodes.len())
            .unwrap_or_else(|| nodes.to_vec()),
        for_demand
            .filter(|few| demand.many || few.nodes.len() < all.len())
            .unwrap_or_else(|| all.into()),
    )
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

    /// The density that its points stand for, up to a factor, where they lie evenly: ln of their weights is
    /// interpolated.
    fn density(&self, z: f64) -> Option<f64> {
        let (first, last) = (self.points.first()?.0, self.points.last()?.0);
        let count = self.points.len();
        let step = (last - first) / (count - 1) as f64;
        let at = (z - first) / step;
        let off = |(i, point): (usize, &(f64, f64))| (point.0 - first) / step - i as f64;
        let is_even = self.points.iter().enumerate().all(|p| off(p).abs() < 1e-6);
        if count < NEIGHBOURS || !is_even {
            return None;
        }
        if at < -0.5 || at > count as f64 - 0.5 {
            return Some(0.0);
        }
        let from = (at.max(0.0) as usize).saturating_sub(NEIGHBOURS / 2 - 1);
        let from = from.min(count - NEIGHBOURS);
        let near: [f64; NEIGHBOURS] = std::array::from_fn(|i| (from + i) as f64);
        let weights = lagrange(&near, at);
        let logs = self.points[from..].iter().map(|p| p.1.ln());
        let ln: f64 = weights.iter().zip(logs).map(|(w, ln)| w * ln).sum();
        Some(if ln.is_finite() { ln.exp() / step } else { 0.0 })
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

/// The curves of some shapes, and the finer ones between them where they are wanted; `None` where the rows do not
/// bear that.
fn fewer(shapes: &[OneShape<'_>], and_between: bool) -> Option<Curves> {
    let mut few = Vec::new();
    let mut between = Vec::new();
    for shape in shapes {
        let coarse = shape.scales(shape.curves)?;
        let from = few.len();
        few.extend(shape.nodes(&coarse));
        if !and_between {
            continue;
        }
        let at: Vec<f64> = coarse.iter().map(|(z, _)| *z).collect();
        let even = shape.evenly();
        let mut finer = FINER.into_iter().filter(|n| *n > shape.curves);
        let fine = (even.clone())
            .or_else(|| finer.find_map(|n| shape.scales(n)))
            .unwrap_or(coarse);
        let point = |(z, share): &(f64, f64)| {
            let own = lagrange(&at, z.clamp(-FURTHEST, FURTHEST));
            (shape.weight * share, own)
        };
        between.push(Between {
            from,
            even: even.is_some(),
            points: fine.iter().map(point).collect(),
        });
    }
    to_one(&mut few);
    let good = |n: &WeibullNode| n.scale.is_finite() && n.scale > 0.0 && n.weight > 0.0;
    few.iter().all(good).then_some(Curves {
        nodes: few,
        between,
    })
}

/// One shape, with so many curves.
#[derive(Debug, Clone)]
struct OneShape<'a> {
    ln_shape: f64,
    weight: f64,
    /// Mean and standard deviation of ln η.
    middle: f64,
    spread: f64,
    curves: usize,
    /// The rows on either side, and how far it lies from the one to the other.
    near: [&'a Row; 2],
    share: f64,
}

impl<'a> OneShape<'a> {
    fn of_row(row: &'a Row, curves: usize) -> Self {
        Self {
            ln_shape: row.ln_shape,
            weight: row.weight,
            middle: row.middle,
            spread: row.spread,
            curves,
            near: [row, row],
            share: 0.0,
        }
    }

    /// So many scales, as deviations from the mean.
    fn scales(&self, count: usize) -> Option<Points> {
        if self.share == 0.0 && self.near[0].points.len() <= count {
            return Some(self.near[0].points.clone());
        }
        let [low, high] = self.near.map(|row| gauss(&row.points, count));
        let mix = |a: f64, b: f64| a + self.share * (b - a);
        let (low, high) = (low?, high?);
        let each = low.iter().zip(&high);
        Some(each.map(|(a, b)| (mix(a.0, b.0), mix(a.1, b.1))).collect())
    }

    /// Scales at even deviations, weighed by the density that the rows' points stand for; `None` where these do not
    /// lie evenly.
    fn evenly(&self) -> Option<Points> {
        let step = 2.0 * FURTHEST / EVENLY as f64;
        let point = |i: usize| {
            let z = (i as f64 + 0.5) * step - FURTHEST;
            let [low, high] = self.near.map(|row| row.density(z));
            let (low, high) = (low?, high?);
            Some((z, low + self.share * (high - low)))
        };
        let mut points: Points = (0..EVENLY).map(point).collect::<Option<_>>()?;
        let all: f64 = points.iter().map(|p| p.1).sum();
        for point in &mut points {
            point.1 /= all;
        }
        (all > 0.0).then_some(points)
    }

    fn nodes<'b>(&'b self, scales: &'b Points) -> impl Iterator<Item = WeibullNode> + 'b {
        scales.iter().map(|(z, share)| WeibullNode {
            shape: self.ln_shape.exp(),
            scale: (self.middle + self.spread * z).exp(),
            weight: self.weight * share,
        })
    }
}

/// So many shapes by the Gauss rule of the rows: they lie between these.
fn between_rows(rows: &[Row], shapes: usize, curves: usize) -> Option<Vec<OneShape<'_>>> {
    if rows.len() < shapes + 2 || rows.windows(2).any(|r| r[0].ln_shape >= r[1].ln_shape) {
        return None;
    }
    let by_shape: Points = rows.iter().map(|row| (row.ln_shape, row.weight)).collect();
    let (_, middle, spread, by_shape) = standard(&by_shape);
    let heaviest = rows.iter().max_by(|a, b| a.weight.total_cmp(&b.weight))?;
    let usual = heaviest.middle;
    let shape = |(z, weight): (f64, f64)| {
        let ln_shape = middle + spread * z;
        let above = rows.partition_point(|row| row.ln_shape < ln_shape);
        let (low, high) = (rows.get(above.checked_sub(1)?)?, rows.get(above)?);
        let around = &rows[above.saturating_sub(2).min(rows.len() - NEIGHBOURS)..][..NEIGHBOURS];
        let shapes: Vec<f64> = around.iter().map(|row| row.ln_shape).collect();
        let weights = lagrange(&shapes, ln_shape);
        // β times the mean (from the heaviest row's on) and the deviation: those change least with β.
        let at_shape = |of: &dyn Fn(&Row) -> f64| -> f64 {
            let each = around.iter().zip(&weights);
            let each = each.map(|(row, weight)| weight * of(row) * row.ln_shape.exp());
            each.sum::<f64>() / ln_shape.exp()
        };
        Some(OneShape {
            ln_shape,
            weight,
            middle: usual + at_shape(&|r| r.middle - usual),
            spread: at_shape(&|r| r.spread),
            curves,
            near: [low, high],
            share: (ln_shape - low.ln_shape) / (high.ln_shape - low.ln_shape),
        })
    };
    gauss(&by_shape, shapes)?.into_iter().map(shape).collect()
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

/// Chances of one part, new and of some age, at a row of hours, and how many are needed an hour in the long run.
struct OnePart {
    asked: Vec<(FirstLife, f64)>,
    chances: Vec<f64>,
    an_hour: f64,
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
            an_hour: Self::an_hour(nodes, per_change),
        }
    }

    fn an_hour(nodes: &[WeibullNode], per_change: u32) -> f64 {
        let each = nodes.iter().map(|n| n.weight / curve(n, per_change).mean());
        each.sum()
    }

    /// Largest change of any of them: of a chance, or of the number an hour as a share of it.
    fn change(&self, few: &[WeibullNode], per_change: u32) -> f64 {
        let mixture = Mixture::new(few, per_change);
        let an_hour = Self::an_hour(few, per_change) / self.an_hour - 1.0;
        (self.asked.iter().zip(&self.chances))
            .map(|((first, x), chance)| (mixture.within(first, *x) - chance).abs())
            .fold(an_hour.abs(), f64::max)
    }
}

/// A sketch of the demand over all hours ahead and over the first of them: under each curve normal, with the mean
/// and variance of independent positions that are each renewed about as often as the hours allow. Beside it the
/// chances of some positions by some hours.
struct Sketch {
    times: Vec<Time>,
    /// How many positions each of those stands for.
    alike: f64,
    /// Too many for sums by convolution.
    many: bool,
    /// ln age and ln (age + hours).
    single: Vec<[f64; 2]>,
    chances: Vec<f64>,
}

/// Weight, mean and standard deviation under each curve.
type Normals = Vec<(f64, f64, f64)>;

/// The demand by a share of each position's hours.
struct Time {
    /// ln age, ln (age + hours) and ln (hours/2) of each position; parts of unknown age count as new.
    positions: Vec<[f64; 3]>,
    at: Vec<f64>,
}

impl Sketch {
    fn new(nodes: &[WeibullNode], per_change: u32, positions: &[Asked]) -> Self {
        let every = positions.len().div_ceil(SKETCHED).max(1);
        let few: Vec<(f64, f64)> = (positions.iter().step_by(every))
            .map(|(first, hours)| (first.age().unwrap_or(0.0), *hours))
            .collect();
        let many = positions.len() > FEW as usize;
        // Of many positions it is the whole time that is made as sharp as any time is that is not interpolated.
        let looked_ahead = &LOOKED_AHEAD[..if many { 1 } else { LOOKED_AHEAD.len() }];
        let times = looked_ahead.iter().map(|share| Time {
            positions: (few.iter())
                .map(|(age, hours)| [*age, age + share * hours, 0.5 * share * hours].map(f64::ln))
                .collect(),
            at: Vec::new(),
        });
        let mut by_age = few.clone();
        by_age.sort_by(|a, b| a.0.total_cmp(&b.0));
        let some = [0.0, 0.5, 1.0].map(|p| (p * by_age.len().saturating_sub(1) as f64) as usize);
        let single = some.into_iter().filter_map(|i| by_age.get(i));
        let single = single
            .flat_map(|(age, hours)| SINGLY.map(|share| [*age, age + share * hours].map(f64::ln)));
        let mut sketch = Self {
            times: times.collect(),
            alike: positions.len() as f64 / few.len().max(1) as f64,
            many,
            single: single.collect(),
            chances: Vec::new(),
        };
        let mut by_curve = sketch.by_curve(nodes, per_change);
        // A sharp demand of many positions is interpolated between curves: what is asked of the rule is the
        // sharpest that is not.
        if sketch.many {
            let (variance, spread) = variance_and_spread(by_curve[0].iter().copied());
            let most = (SHARP / variance).max(SPREAD * SPREAD * variance / (spread * spread));
            let share = most.min(MANY / variance);
            if share < 1.0 {
                sketch.alike *= share;
                by_curve = sketch.by_curve(nodes, per_change);
            }
        }
        for (time, by_curve) in sketch.times.iter_mut().zip(&by_curve) {
            time.look_at(by_curve);
        }
        sketch.chances = sketch.chances_from(&by_curve, nodes, per_change);
        sketch
    }

    /// The demand by each of the times.
    fn by_curve(&self, nodes: &[WeibullNode], per_change: u32) -> Vec<Normals> {
        let times = self.times.iter();
        let each = times.map(|time| time.by_curve(nodes, per_change, self.alike));
        each.collect()
    }

    /// Weighted sums over curves, of every chance.
    fn chances_of(&self, nodes: &[WeibullNode], per_change: u32) -> Vec<f64> {
        self.chances_from(&self.by_curve(nodes, per_change), nodes, per_change)
    }

    /// The same, given the demand by each of the times.
    fn chances_from(
        &self,
        by_curve: &[Normals],
        nodes: &[WeibullNode],
        per_change: u32,
    ) -> Vec<f64> {
        let mut chances = Vec::new();
        for (time, by_curve) in self.times.iter().zip(by_curve) {
            time.chances_of(by_curve, &mut chances);
        }
        let singly = chances.len();
        chances.resize(singly + self.single.len(), 0.0);
        for node in nodes {
            let life = curve(node, per_change);
            let ln_scale = life.scale.ln();
            let each = chances[singly..].iter_mut().zip(&self.single);
            widest(
                #[inline(always)]
                || {
                    for (chance, [now, then]) in each {
                        let now = exp(life.shape * (now - ln_scale));
                        let then = exp(life.shape * (then - ln_scale));
                        let ahead = if then > now { then - now } else { 0.0 };
                        *chance -= node.weight * exp_m1(-ahead);
                    }
                },
            );
        }
        chances
    }

    /// Every shape with as few curves as change no chance by more than `share` of what falls to each.
    fn by_row<'a>(&self, rows: &'a [Row], per_change: u32, share: f64) -> Vec<OneShape<'a>> {
        let allowed = share * DEMAND / rows.len() as f64;
        let chances = |shape: &OneShape<'_>, scales: &Points| {
            let nodes: Vec<WeibullNode> = shape.nodes(scales).collect();
            self.chances_of(&nodes, per_change)
        };
        let of_row = |row: &'a Row| {
            let mut shape = OneShape::of_row(row, row.points.len());
            let all = chances(&shape, &row.points);
            let enough = |count: &usize| {
                shape.scales(*count).is_some_and(|scales| {
                    let few = chances(&shape, &scales);
                    let mut each = few.iter().zip(&all);
                    each.all(|(a, b)| (a - b).abs() <= allowed)
                })
            };
            if let Some(count) = FOR_DEMAND.into_iter().find(enough) {
                shape.curves = count;
            }
            shape
        };
        rows.iter().map(of_row).collect()
    }

    /// Largest change of a chance.
    fn change(&self, few: &[WeibullNode], per_change: u32) -> f64 {
        let chances = self.chances_of(few, per_change);
        (chances.iter().zip(&self.chances))
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f64::max)
    }
}

impl Time {
    /// Where each position stands for `alike` of them.
    fn by_curve(&self, nodes: &[WeibullNode], per_change: u32, alike: f64) -> Normals {
        let lives = nodes.iter().map(|node| curve(node, per_change));
        // Shape, ln scale, and the square of a life's coefficient of variation, roughly.
        let lives: Vec<[f64; 3]> = lives
            .map(|life| {
                let spread = (1.5 / (life.shape * life.shape)).min(1.0);
                [life.shape, life.scale.ln(), spread]
            })
            .collect();
        let mut sums = vec![[0.0; 2]; nodes.len()];
        widest(
            #[inline(always)]
            || {
                for logs in &self.positions {
                    for ([shape, ln_scale, spread], [mean, variance]) in lives.iter().zip(&mut sums)
                    {
                        let now = exp(shape * (logs[0] - ln_scale));
                        let then = exp(shape * (logs[1] - ln_scale));
                        let half = exp(shape * (logs[2] - ln_scale));
                        let ahead = if then > now { then - now } else { 0.0 };
                        let p = 1.0 - exp(-ahead);
                        let renewals = 0.5 * exp(logs[2] - ln_scale);
                        let second = 1.0 - exp(-half);
                        let more = p * second * if renewals > 1.0 { renewals } else { 1.0 };
                        *mean += p + more;
                        *variance += p * (1.0 - p) + p * second * (1.0 - second) + spread * more;
                    }
                }
            },
        );
        let each = nodes.iter().zip(sums);
        each.map(|(node, [mean, variance])| {
            let sd = (alike * variance).max(0.05).sqrt();
            (node.weight, alike * mean, sd)
        })
        .collect()
    }

    /// Settles between which numbers chances are compared: around what the curves expect, where their weight is.
    fn look_at(&mut self, by_curve: &[(f64, f64, f64)]) {
        let mut by_curve = by_curve.to_vec();
        by_curve.sort_by(|a, b| a.1.total_cmp(&b.1));
        let all: f64 = by_curve.iter().map(|c| c.0).sum();
        let mut curves = by_curve.into_iter();
        let (mut here, mut before) = ((0.0, 0.0, 0.0), 0.0);
        self.at.clear();
        for i in 0..COMPARED {
            let share = (i as f64 + 0.5) / COMPARED as f64;
            while before < share * all {
                let Some(next) = curves.next() else { break };
                (here, before) = (next, before + next.0);
            }
            let z = DEVIATIONS[i % DEVIATIONS.len()];
            self.at.push((here.1 + z * here.2).max(0.0).floor() + 0.5);
        }
        self.at.sort_by(f64::total_cmp);
        self.at.dedup();
    }

    /// Adds them.
    fn chances_of(&self, by_curve: &[(f64, f64, f64)], chances: &mut Vec<f64>) {
        let before = chances.len();
        chances.resize(before + self.at.len(), 0.0);
        let chances = &mut chances[before..];
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

//! Nonparametric maximum likelihood for lives known within bounds, with late entry.
//!
//! The estimate puts its mass on innermost intervals (Turnbull 1976; with the correction of Frydman
//! 1994 for late entry). With `h_j ≥ 0` the cumulative hazard spent in innermost interval j, and
//! `H_i` the sum of h over the intervals inside the bounds of life i, the log-likelihood is
//!
//! `f(h) = −Σ_j c_j·h_j + Σ_i w_i·ln(1 − e^(−H_i))`,
//!
//! with `c_j` the weight of lives that were under observation and lasted through j. It is concave,
//! late entry included, so one local optimum is the answer. Found by growing and shrinking the set
//! of intervals that carry mass, with Newton steps on that set (after Wang 2007, "On fast
//! computation of the non-parametric maximum likelihood estimate of a mixing distribution"), or by
//! extrapolated self-consistency where that set is large.

use super::reliability::median_of;
use super::risk_set::{check, two_sided_z};
use super::{Convergence, Curve, CurveError, CurveMethod, CurveStep, MedianLife};
use crate::lives::Observations;
use crate::models::{Caution, CautionCode};
use crate::numerics::linear::{Cholesky, solve_damped};

/// Stop when no more than this much log-likelihood can be missing.
const GAP: f64 = 1e-9;
/// Newton steps solve a dense system; above this many mass points self-consistency is used.
const DENSE: usize = 500;
/// Relative rounding of a log-likelihood.
const ROUNDING: f64 = 1e-12;
/// Rounds of growing the set of mass points.
const ROUNDS: usize = 200;
/// Steps of self-consistency where the set is large.
const STEPS: usize = 20_000;

/// An innermost interval: mass can lie in `(from, to]`, or at `from == to`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Cell {
    from: f64,
    to: f64,
}

/// A life known to have ended within cells `first..=last`, by weight.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Ended {
    first: usize,
    last: usize,
    weight: f64,
}

/// The likelihood in cells.
#[derive(Debug, Clone)]
struct Problem {
    cells: Vec<Cell>,
    ended: Vec<Ended>,
    /// Weight that lasted through each cell under observation.
    lasted: Vec<f64>,
    /// Where everyone under observation wore out: the curve falls to 0 there.
    end: Option<(Cell, f64)>,
    /// Lives that entered after that, about which the curve says nothing.
    beyond_end: bool,
}

/// Turnbull's reliability curve. Errors and limits come from the observed information on the mass
/// points (Greenwood's where the bounds form a grid) and are rough with few lives or when each life
/// was looked at once only.
///
/// # Errors
/// See [`CurveError`].
pub fn turnbull(lives: &Observations, confidence: f64) -> Result<Curve, CurveError> {
    let z = two_sided_z(confidence)?;
    check(lives)?;
    let problem = Problem::new(lives);
    let solution = problem.solve();
    let variance = problem.log_variances(&solution.h);
    let (at_risk, worn_here) = problem.expected(&solution.h);
    let mut steps = Vec::new();
    let mut hazard = 0.0;
    for (j, &h) in solution.h.iter().enumerate() {
        if h > 0.0 {
            hazard += h;
            steps.push(CurveStep::new(
                (problem.cells[j].from, problem.cells[j].to),
                at_risk[j],
                worn_here[j],
                f64::exp(-hazard),
                variance.as_ref().map(|v| v[j]),
            ));
        }
    }
    if let Some((cell, weight)) = problem.end {
        steps.push(CurveStep::new(
            (cell.from, cell.to),
            weight,
            weight,
            0.0,
            None,
        ));
    }
    let weight = |i: usize| lives.count.get(i).copied().unwrap_or(1.0);
    let last_hours = (lives.low.iter().copied())
        .chain(lives.high.iter().copied().filter(|h| h.is_finite()))
        .fold(0.0, f64::max);
    let mut cautions = Vec::new();
    if solution.gap > 1e-4 {
        cautions.push(Caution::new(
            CautionCode::FlatLikelihood,
            format!(
                "The curve had not fully settled: its log-likelihood may be short of the maximum by \
                 up to {:.2e}.",
                solution.gap
            ),
        ));
    }
    if problem.beyond_end {
        cautions.push(Caution::new(
            CautionCode::Note,
            "At some age every life then under observation had worn out, so the curve is at 0 from \
             there on although later entrants lived longer.",
        ));
    }
    if variance.is_none() {
        cautions.push(Caution::new(
            CautionCode::Note,
            "Limits are not given: the curve has too many steps for the interval-censored error.",
        ));
    }
    Ok(Curve {
        method: CurveMethod::Turnbull,
        confidence,
        z,
        lives: (0..lives.low.len()).map(weight).sum(),
        worn: (0..lives.low.len())
            .filter(|&i| lives.high[i].is_finite())
            .map(weight)
            .sum(),
        last_hours,
        median: MedianLife {
            hours: median_of(&steps, last_hours, |s| Some(s.reliability)),
            lower: median_of(&steps, last_hours, |s| s.limits(z).map(|l| l.0)),
            upper: median_of(&steps, last_hours, |s| s.limits(z).map(|l| l.1)),
        },
        steps,
        convergence: Some(Convergence {
            log_likelihood: solution.log_likelihood,
            gap: solution.gap,
            iterations: solution.iterations,
        }),
        cautions,
    })
}

struct Solution {
    h: Vec<f64>,
    log_likelihood: f64,
    gap: f64,
    iterations: usize,
}

/// Value of the likelihood and what the optimality conditions need.
struct Gradient {
    value: f64,
    g: Vec<f64>,
    gap: f64,
}

impl Problem {
    fn new(lives: &Observations) -> Self {
        let n = lives.low.len();
        let entry = |i: usize| lives.entry.get(i).copied().unwrap_or(0.0);
        let low = |i: usize| lives.low[i].max(entry(i));
        let exact = |i: usize| lives.low[i] == lives.high[i];
        let mut cells = innermost(lives, low);

        // Cells wholly at or before an age.
        let before = |cells: &[Cell], age: f64| cells.partition_point(|c| c.to <= age);
        let mut ended = Vec::new();
        // Difference array of the weight that lasted through each cell.
        let mut change = vec![0.0; cells.len() + 1];
        for i in 0..n {
            let weight = lives.count.get(i).copied().unwrap_or(1.0);
            if weight == 0.0 {
                continue;
            }
            let entered = before(&cells, entry(i));
            let first = if exact(i) {
                cells.partition_point(|c| (c.from, c.to) < (lives.low[i], lives.low[i]))
            } else {
                before(&cells, low(i))
            };
            if first > entered {
                change[entered] += weight;
                change[first] -= weight;
            }
            if lives.high[i].is_finite() {
                let last = before(&cells, lives.high[i]);
                if last > first {
                    ended.push(Ended {
                        first,
                        last: last - 1,
                        weight,
                    });
                }
            }
        }
        let mut lasted = Vec::with_capacity(cells.len());
        let mut running = 0.0;
        for change in &change[..cells.len()] {
            running += change;
            lasted.push(if running > 1e-9 { running } else { 0.0 });
        }
        // Where nobody lasted, all the remaining mass goes.
        let covered = {
            let mut change = vec![0.0; cells.len() + 1];
            for e in &ended {
                change[e.first] += e.weight;
                change[e.last + 1] -= e.weight;
            }
            running_sum(&change)
        };
        let end = (0..cells.len()).find(|&j| lasted[j] == 0.0 && covered[j] > 1e-9);
        let mut beyond_end = false;
        let mut end_cell = None;
        if let Some(end) = end {
            beyond_end =
                ended.iter().any(|e| e.first > end) || lasted[end..].iter().any(|&c| c > 0.0);
            end_cell = Some((cells[end], covered[end]));
            ended.retain(|e| e.last < end);
            cells.truncate(end);
            lasted.truncate(end);
        }
        // Lives with the same bounds count together.
        ended.sort_by_key(|e| (e.first, e.last));
        ended.dedup_by(|next, kept| {
            let same = (next.first, next.last) == (kept.first, kept.last);
            if same {
                kept.weight += next.weight;
            }
            same
        });
        Self {
            cells,
            ended,
            lasted,
            end: end_cell,
            beyond_end,
        }
    }

    /// Log-likelihood, gradient in h, and an upper bound on what is missing.
    ///
    /// At the optimum `Σ c_j·h_j ≤ Σ w_i` (each `H/(e^H − 1) ≤ 1`), so by concavity
    /// `f* − f ≤ Σ g_j(h*_j − h_j) ≤ (Σ w_i)·max_j(g_j/c_j)⁺ − Σ g_j·h_j`.
    fn gradient(&self, h: &[f64]) -> Gradient {
        let cumulative = cumulative(h);
        let mut value = -self.lasted.iter().zip(h).map(|(c, h)| c * h).sum::<f64>();
        let mut change = vec![0.0; h.len() + 1];
        let mut weight = 0.0;
        for e in &self.ended {
            let spent = cumulative[e.last + 1] - cumulative[e.first];
            value += e.weight * (-(-spent).exp_m1()).ln();
            let slope = e.weight / spent.exp_m1();
            change[e.first] += slope;
            change[e.last + 1] -= slope;
            weight += e.weight;
        }
        let mut g = running_sum(&change);
        let mut steepest = 0.0_f64;
        let mut along = 0.0;
        for (j, g) in g.iter_mut().enumerate() {
            *g -= self.lasted[j];
            steepest = steepest.max(*g / self.lasted[j]);
            along += *g * h[j];
        }
        Gradient {
            value,
            gap: (weight * steepest - along).max(0.0),
            g,
        }
    }

    fn value(&self, h: &[f64]) -> f64 {
        let cumulative = cumulative(h);
        let ended = self
            .ended
            .iter()
            .map(|e| e.weight * (-(-(cumulative[e.last + 1] - cumulative[e.first])).exp_m1()).ln())
            .sum::<f64>();
        ended - self.lasted.iter().zip(h).map(|(c, h)| c * h).sum::<f64>()
    }

    /// Expected lives at risk and worn in each cell, given the curve.
    fn expected(&self, h: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let cumulative = cumulative(h);
        let m = h.len();
        let (mut inverse, mut beyond) = (vec![0.0; m + 1], vec![0.0; m + 1]);
        for e in &self.ended {
            // Scaled by the reliability at the start of the bounds, so that nothing underflows;
            // the scale is undone per cell below only in ratios of the same life, so keep logs.
            let spent = cumulative[e.last + 1] - cumulative[e.first];
            let share = -(-spent).exp_m1();
            let scale = cumulative[e.first].exp() / share * e.weight;
            inverse[e.first] += scale;
            inverse[e.last + 1] -= scale;
            let tail = scale * (-cumulative[e.last + 1]).exp();
            beyond[e.first] += tail;
            beyond[e.last + 1] -= tail;
        }
        let (inverse, beyond) = (running_sum(&inverse), running_sum(&beyond));
        let mut at_risk = Vec::with_capacity(m);
        let mut worn = Vec::with_capacity(m);
        for j in 0..m {
            let reliable = (-cumulative[j]).exp();
            at_risk.push((self.lasted[j] + inverse[j] * reliable - beyond[j]).max(0.0));
            worn.push((inverse[j] * reliable * -(-h[j]).exp_m1()).max(0.0));
        }
        (at_risk, worn)
    }

    /// One step of self-consistency: hazard = expected worn / expected at risk.
    fn consistent(&self, h: &[f64]) -> Vec<f64> {
        let (at_risk, worn) = self.expected(h);
        at_risk
            .iter()
            .zip(&worn)
            .map(|(&n, &d)| {
                if d > 0.0 {
                    -(-(d / n).min(1.0 - 1e-12)).ln_1p()
                } else {
                    0.0
                }
            })
            .collect()
    }

    fn solve(&self) -> Solution {
        let mut h = self.start();
        let mut iterations = 0;
        for _ in 0..3 {
            h = self.consistent(&h);
            iterations += 1;
        }
        let mut now = self.gradient(&h);
        for _ in 0..ROUNDS {
            if now.gap <= GAP {
                break;
            }
            iterations += 1;
            let candidates = candidates(&h, &now.g);
            if candidates.len() > DENSE {
                return self.extrapolate(h, iterations);
            }
            let Some(target) = self.newton_target(&h, &now.g, &candidates) else {
                return self.extrapolate(h, iterations);
            };
            let Some(next) = self.line_search(&h, &target, &now) else {
                break;
            };
            let then = self.gradient(&next);
            // Within rounding of the top only a smaller gap tells a better curve.
            let settled = then.value - now.value <= ROUNDING * now.value.abs();
            if settled && then.gap >= now.gap {
                break;
            }
            h = next;
            now = then;
        }
        Solution {
            log_likelihood: now.value,
            gap: now.gap,
            h,
            iterations,
        }
    }

    /// As few mass points as give every life a positive chance, all of equal hazard.
    fn start(&self) -> Vec<f64> {
        let mut h = vec![0.0; self.cells.len()];
        let mut by_last: Vec<&Ended> = self.ended.iter().collect();
        by_last.sort_by_key(|e| e.last);
        let mut placed: Option<usize> = None;
        let mut points = 0.0;
        for e in by_last {
            if placed.is_none_or(|p| p < e.first) {
                placed = Some(e.last);
                h[e.last] = 1.0;
                points += 1.0;
            }
        }
        for h in &mut h {
            *h /= f64::max(points, 1.0);
        }
        h
    }

    /// Optimum of the quadratic model over `h ≥ 0` on the candidate cells (or near it: any point
    /// better than h will do).
    fn newton_target(&self, h: &[f64], g: &[f64], candidates: &[usize]) -> Option<Vec<f64>> {
        let s = candidates.len();
        let information = self.information(h, candidates);
        // From here on a cell is its place among the candidates.
        let old: Vec<f64> = candidates.iter().map(|&j| h[j]).collect();
        let mut x = old.clone();
        let mut free: Vec<usize> = (0..s).collect();
        // Slope of the quadratic model at x: g − I(x − h).
        let slope = |x: &[f64], a: usize| {
            let row = &information[a * s..(a + 1) * s];
            let moved = row
                .iter()
                .zip(x.iter().zip(&old))
                .map(|(r, (x, h))| r * (x - h));
            g[candidates[a]] - moved.sum::<f64>()
        };
        for _ in 0..3 * s + 10 {
            let mut matrix = Vec::with_capacity(free.len() * free.len());
            for &a in &free {
                matrix.extend(free.iter().map(|&b| information[a * s + b]));
            }
            let mut step: Vec<f64> = free.iter().map(|&a| slope(&x, a)).collect();
            solve_damped(&matrix, &mut step)?;
            // Points at 0 that want to be negative leave at once; else as far as the first that
            // would become negative.
            let blocked = |a: usize, d: f64| d < 0.0 && x[a] <= 0.0;
            if free.iter().zip(&step).any(|(&a, &d)| blocked(a, d)) {
                let mut wants = step.iter();
                free.retain(|&a| !wants.next().is_some_and(|&d| blocked(a, d)));
                continue;
            }
            let length = free
                .iter()
                .zip(&step)
                .filter(|(_, d)| **d < 0.0)
                .map(|(&a, d)| -x[a] / d)
                .fold(1.0, f64::min);
            for (&a, &d) in free.iter().zip(&step) {
                x[a] += length * d;
                if length < 1.0 && x[a] <= 1e-15 * d.abs() {
                    x[a] = 0.0;
                }
            }
            if length < 1.0 {
                free.retain(|&a| x[a] > 0.0);
                continue;
            }
            // Optimal on the free points; one that was dropped may be wanted after all.
            let wanted = (0..s)
                .filter(|a| !free.contains(a))
                .map(|a| (a, slope(&x, a) / self.lasted[candidates[a]]))
                .filter(|(_, gain)| *gain > 1e-10)
                .max_by(|a, b| a.1.total_cmp(&b.1));
            match wanted {
                Some((a, _)) => {
                    free.push(a);
                    free.sort_unstable();
                }
                None => break,
            }
        }
        let mut target = h.to_vec();
        for (&j, x) in candidates.iter().zip(x) {
            target[j] = x;
        }
        Some(target)
    }

    /// Observed information in h between cells: `Σ_i w_i·e^H/(e^H − 1)²` over lives whose bounds
    /// hold both.
    fn information(&self, h: &[f64], cells: &[usize]) -> Vec<f64> {
        let cumulative = cumulative(h);
        let s = cells.len();
        // corner[a][b]: lives whose bounds hold exactly cells a..=b of the set.
        let mut corner = vec![0.0; s * s];
        for e in &self.ended {
            let a = cells.partition_point(|&c| c < e.first);
            let b = cells.partition_point(|&c| c <= e.last);
            if b > a {
                let spent = cumulative[e.last + 1] - cumulative[e.first];
                // e^H/(e^H − 1)² = 1/(4 sinh²(H/2))
                let half = (spent / 2.0).sinh();
                corner[a * s + b - 1] += e.weight / (4.0 * half * half);
            }
        }
        // I[u][v], u ≤ v: all corners with a ≤ u and b ≥ v.
        for a in 0..s {
            for b in (0..s).rev() {
                let up = if a > 0 { corner[(a - 1) * s + b] } else { 0.0 };
                let right = if b + 1 < s {
                    corner[a * s + b + 1]
                } else {
                    0.0
                };
                let both = if a > 0 && b + 1 < s {
                    corner[(a - 1) * s + b + 1]
                } else {
                    0.0
                };
                corner[a * s + b] += up + right - both;
            }
        }
        for u in 0..s {
            for v in 0..u {
                corner[u * s + v] = corner[v * s + u];
            }
        }
        corner
    }

    /// Halves the step until the likelihood rises enough; none when it no longer can.
    fn line_search(&self, h: &[f64], target: &[f64], now: &Gradient) -> Option<Vec<f64>> {
        let slope: f64 = (0..h.len()).map(|j| now.g[j] * (target[j] - h[j])).sum();
        if slope <= 0.0 {
            return None;
        }
        let mut length = 1.0;
        for _ in 0..60 {
            let next: Vec<f64> = h
                .iter()
                .zip(target)
                .map(|(h, t)| (h + length * (t - h)).max(0.0))
                .collect();
            let value = self.value(&next);
            let rounding = if slope <= ROUNDING * now.value.abs() {
                ROUNDING * now.value.abs()
            } else {
                0.0
            };
            if value.is_finite() && value >= now.value + 0.1 * length * slope - rounding {
                return Some(next);
            }
            length /= 2.0;
        }
        None
    }

    /// Self-consistency with squared extrapolation (Varadhan & Roland 2008) in ln h.
    fn extrapolate(&self, start: Vec<f64>, already: usize) -> Solution {
        // Every cell must be able to take mass again.
        let mut h = start;
        let floor = 1e-3 / self.cells.len() as f64;
        for (j, h) in h.iter_mut().enumerate() {
            if *h <= 0.0 && self.lasted[j] > 0.0 {
                *h = floor;
            }
        }
        let mut iterations = already;
        let mut best = self.gradient(&h);
        while iterations < STEPS && best.gap > 1e-7 {
            iterations += 3;
            let one = self.consistent(&h);
            let two = self.consistent(&one);
            let (mut r2, mut v2) = (0.0, 0.0);
            let ln = |x: f64| x.max(1e-290).ln();
            for j in 0..h.len() {
                let r = ln(one[j]) - ln(h[j]);
                let v = ln(two[j]) - ln(one[j]) - r;
                r2 += r * r;
                v2 += v * v;
            }
            let mut next = two.clone();
            if v2 > 0.0 {
                let alpha = -f64::sqrt(r2 / v2);
                if alpha < -1.0 {
                    let guess: Vec<f64> = (0..h.len())
                        .map(|j| {
                            let r = ln(one[j]) - ln(h[j]);
                            let v = ln(two[j]) - ln(one[j]) - r;
                            (ln(h[j]) - 2.0 * alpha * r + alpha * alpha * v)
                                .min(4.0)
                                .exp()
                        })
                        .collect();
                    let guess = self.consistent(&guess);
                    if self.value(&guess) >= self.value(&two) {
                        next = guess;
                    }
                }
            }
            h = next;
            best = self.gradient(&h);
        }
        Solution {
            log_likelihood: best.value,
            gap: best.gap,
            h,
            iterations,
        }
    }

    /// Variance of ln S after each cell, from the inverse information on the mass points; none
    /// where that is too large or singular.
    fn log_variances(&self, h: &[f64]) -> Option<Vec<f64>> {
        let support: Vec<usize> = (0..h.len()).filter(|&j| h[j] > 0.0).collect();
        let s = support.len();
        if s > DENSE {
            return None;
        }
        let factor = Cholesky::new(self.information(h, &support), s)?;
        let mut variance = vec![0.0; h.len()];
        // Var(Σ_{j ≤ k} h_j) = |L⁻¹·1_{≤k}|².
        for (k, &cell) in support.iter().enumerate() {
            let mut y: Vec<f64> = (0..s).map(|i| f64::from(u8::from(i <= k))).collect();
            factor.forward(&mut y);
            variance[cell] = y.iter().map(|y| y * y).sum();
        }
        Some(variance)
    }
}

/// Innermost intervals: a left end followed at once by a right end.
fn innermost(lives: &Observations, low: impl Fn(usize) -> f64) -> Vec<Cell> {
    // At one age a closed left end (exact life) comes first, then right ends, then open left ends.
    const CLOSED_LEFT: u8 = 0;
    const RIGHT: u8 = 1;
    const OPEN_LEFT: u8 = 2;
    let mut ends: Vec<(u64, u8)> = Vec::with_capacity(2 * lives.low.len());
    let bits = |x: f64| (x + 0.0).to_bits();
    for i in 0..lives.low.len() {
        let exact = lives.low[i] == lives.high[i];
        ends.push((bits(low(i)), if exact { CLOSED_LEFT } else { OPEN_LEFT }));
        if lives.high[i].is_finite() {
            ends.push((bits(lives.high[i]), RIGHT));
        }
    }
    ends.extend(
        lives
            .entry
            .iter()
            .filter(|&&e| e > 0.0)
            .map(|&e| (bits(e), RIGHT)),
    );
    ends.sort_unstable();
    ends.dedup();
    ends.windows(2)
        .filter(|w| w[0].1 != RIGHT && w[1].1 == RIGHT)
        .map(|w| Cell {
            from: f64::from_bits(w[0].0),
            to: f64::from_bits(w[1].0),
        })
        .collect()
}

/// Mass points, and between each two of them the cell where more mass would help most.
fn candidates(h: &[f64], g: &[f64]) -> Vec<usize> {
    let mut chosen = Vec::new();
    let mut best: Option<usize> = None;
    for j in 0..h.len() {
        if h[j] > 0.0 {
            chosen.extend(best.take());
            chosen.push(j);
        } else if g[j] > 0.0 && best.is_none_or(|b| g[j] > g[b]) {
            best = Some(j);
        }
    }
    chosen.extend(best);
    chosen
}

fn cumulative(h: &[f64]) -> Vec<f64> {
    let mut sums = Vec::with_capacity(h.len() + 1);
    let mut running = 0.0;
    sums.push(0.0);
    for h in h {
        running += h;
        sums.push(running);
    }
    sums
}

/// Running sums of a difference array, without its last place.
fn running_sum(change: &[f64]) -> Vec<f64> {
    let mut running = 0.0;
    change[..change.len() - 1]
        .iter()
        .map(|c| {
            running += c;
            running
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    use super::super::kaplan_meier;
    use super::*;

    const INF: f64 = f64::INFINITY;

    fn lives(rows: &[(f64, f64, f64)]) -> Observations {
        Observations {
            low: rows.iter().map(|r| r.0).collect(),
            high: rows.iter().map(|r| r.1).collect(),
            count: rows.iter().map(|r| r.2).collect(),
            entry: Vec::new(),
        }
    }

    /// Cracks in 432 turbine wheels, each inspected once (Nelson 1982, from memory); expected values
    /// by pool-adjacent-violators with scipy 1.17.1.
    #[test]
    fn turbine_wheels_agree_with_pooling_of_violators() {
        let rows = [
            (4., 39., 0.),
            (10., 49., 4.),
            (14., 31., 2.),
            (18., 66., 7.),
            (22., 25., 5.),
            (26., 30., 9.),
            (30., 33., 9.),
            (34., 7., 6.),
            (38., 12., 22.),
            (42., 19., 21.),
            (46., 15., 21.),
        ];
        let mut data = Vec::new();
        for (hours, good, cracked) in rows {
            data.push((hours, INF, good));
            if cracked > 0.0 {
                data.push((0.0, hours, cracked));
            }
        }
        let curve = turnbull(&lives(&data), 0.95).unwrap();
        for (hours, share) in [
            (4., 0.),
            (10., 0.0697674418605),
            (14., 0.0697674418605),
            (18., 0.0958904109589),
            (22., 0.166666666667),
            (26., 0.222222222222),
            (30., 0.222222222222),
            (34., 0.461538461538),
            (38., 0.581081081081),
            (42., 0.581081081081),
            (46., 0.583333333333),
        ] {
            let reliability = curve.reliability_at(hours).unwrap();
            assert_abs_diff_eq!(1.0 - reliability, share, epsilon = 1e-7);
        }
        assert!(curve.convergence.unwrap().gap < 1e-9);
    }

    /// 300 heat-exchanger tubes (Meeker & Escobar 1998, tables 3.2 and 3.4, from memory, confirmed by
    /// recomputation with scipy 1.17.1).
    #[test]
    fn heat_exchanger_tubes_have_greenwood_errors_on_a_grid() {
        let curve = turnbull(
            &lives(&[
                (0., 1., 4.),
                (1., 2., 5.),
                (2., 3., 2.),
                (1., INF, 99.),
                (2., INF, 95.),
                (3., INF, 95.),
            ]),
            0.95,
        )
        .unwrap();
        for (hours, share, error) in [
            (1., 0.0133333333333, 0.00662207307811),
            (2., 0.0383756345178, 0.0128021151962),
            (3., 0.0582029410226, 0.0187006295033),
        ] {
            let point = curve.point_at(hours).unwrap();
            assert_abs_diff_eq!(1.0 - point.reliability, share, epsilon = 1e-10);
            assert_relative_eq!(point.standard_error.unwrap(), error, max_relative = 1e-8);
        }
        assert_eq!(curve.steps[0].at_risk.round(), 300.0);
        assert_eq!(curve.steps[0].worn.round(), 4.0);
    }

    fn random(seed: u64, n: usize, exact_share: f64, late: bool) -> Observations {
        use rand::{RngExt, SeedableRng};
        let mut rng = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut lives = Observations::default();
        for _ in 0..n {
            let t = 1500.0 * (-f64::ln(rng.random::<f64>())).powf(1.0 / 2.3) + 1.0;
            let entry = if late {
                (rng.random::<f64>() * t * 1.2 - 0.3 * t).clamp(0.0, 0.9 * t)
            } else {
                0.0
            };
            let (mut low, mut high) = (t, t);
            if rng.random::<f64>() >= exact_share {
                let step = 100.0 + 500.0 * rng.random::<f64>();
                let offset = step * rng.random::<f64>();
                let k = ((t - offset) / step).floor();
                low = if k < 0.0 {
                    0.0
                } else {
                    (offset + k * step).round()
                };
                high = (offset + (k + 1.0) * step).round().max(low + 1.0);
            }
            if rng.random::<f64>() < 0.2 && low > entry {
                high = INF;
            }
            lives.low.push(low);
            lives.high.push(high.max(entry + 1.0));
            lives.entry.push(entry);
            lives.count.push(1.0);
        }
        lives
    }

    #[test]
    fn the_optimality_gap_closes_on_random_lives_of_every_kind() {
        for seed in 0..40 {
            let data = random(
                seed,
                5 + 7 * seed as usize,
                0.3 * f64::from(seed as u32 % 3),
                seed % 2 == 1,
            );
            let curve = turnbull(&data, 0.95).unwrap();
            let convergence = curve.convergence.unwrap();
            assert!(convergence.gap < 1e-6, "seed {seed}: {convergence:?}");
            assert!(
                curve
                    .steps
                    .windows(2)
                    .all(|w| w[0].reliability >= w[1].reliability)
            );
            assert!(
                curve
                    .steps
                    .iter()
                    .all(|s| (0.0..=1.0).contains(&s.reliability))
            );
        }
    }

    #[test]
    fn exact_and_censored_lives_with_late_entry_give_kaplan_meier() {
        let mut data = random(3, 60, 1.0, true);
        // A first worn life while many are watched, so that the early curve is not at 0.
        data.entry.iter_mut().take(20).for_each(|e| *e = 0.0);
        let (a, b) = (
            turnbull(&data, 0.95).unwrap(),
            kaplan_meier(&data, 0.95).unwrap(),
        );
        for step in &b.steps {
            let other = a.step_at(step.hours).unwrap();
            assert_abs_diff_eq!(other.reliability, step.reliability, epsilon = 1e-6);
            if let (Some(x), Some(y)) = (other.log_variance(), step.log_variance()) {
                assert_relative_eq!(x, y, max_relative = 1e-4);
            }
        }
    }

    #[test]
    fn when_none_outlives_the_last_bound_the_curve_ends_at_zero() {
        let curve = turnbull(&lives(&[(0., 2., 1.), (1., 3., 1.), (5., 9., 2.)]), 0.95).unwrap();
        let last = curve.steps.last().unwrap();
        assert_eq!(
            (last.from_hours, last.hours, last.reliability),
            (5.0, 9.0, 0.0)
        );
        assert_abs_diff_eq!(curve.reliability_at(3.0).unwrap(), 0.5, epsilon = 1e-9);
    }

    #[test]
    #[ignore = "timing by hand: cargo test --release -- --ignored turnbull_ten_thousand"]
    fn turnbull_ten_thousand() {
        for n in [1_000, 10_000] {
            let data = random(12, n, 0.0, false);
            let start = std::time::Instant::now();
            let curve = turnbull(&data, 0.95).unwrap();
            println!(
                "{n}: {:?} {:?} {}",
                start.elapsed(),
                curve.convergence,
                curve.steps.len()
            );
        }
    }
}

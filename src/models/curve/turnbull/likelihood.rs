//! The likelihood of a step curve, in the cells that can carry mass.

use super::DENSE;
use crate::lives::Observations;
use crate::numerics::linear::Cholesky;

/// An innermost interval: mass can lie in `(from, to]`, or at `from == to`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cell {
    pub(super) from: f64,
    pub(super) to: f64,
}

/// A life known to have ended within cells `first..=last`, by weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ended {
    pub(super) first: usize,
    pub(super) last: usize,
    pub(super) weight: f64,
}

/// The likelihood in cells.
#[derive(Debug, Clone)]
pub(super) struct Problem {
    pub(super) cells: Vec<Cell>,
    pub(super) ended: Vec<Ended>,
    /// Weight that lasted through each cell under observation.
    pub(super) lasted: Vec<f64>,
    /// Where everyone under observation wore out: the curve falls to 0 there.
    pub(super) end: Option<(Cell, f64)>,
    /// Lives that entered after that, about which the curve says nothing.
    pub(super) beyond_end: bool,
}

/// Value of the likelihood and what the optimality conditions need.
pub(super) struct Gradient {
    pub(super) value: f64,
    pub(super) g: Vec<f64>,
    pub(super) gap: f64,
}

impl Problem {
    pub(super) fn new(lives: &Observations) -> Self {
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
    pub(super) fn gradient(&self, h: &[f64]) -> Gradient {
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

    pub(super) fn value(&self, h: &[f64]) -> f64 {
        let cumulative = cumulative(h);
        let ended = self
            .ended
            .iter()
            .map(|e| e.weight * (-(-(cumulative[e.last + 1] - cumulative[e.first])).exp_m1()).ln())
            .sum::<f64>();
        ended - self.lasted.iter().zip(h).map(|(c, h)| c * h).sum::<f64>()
    }

    /// Expected lives at risk and worn in each cell, given the curve.
    pub(super) fn expected(&self, h: &[f64]) -> (Vec<f64>, Vec<f64>) {
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

    /// Observed information in h between cells: `Σ_i w_i·e^H/(e^H − 1)²` over lives whose bounds
    /// hold both.
    pub(super) fn information(&self, h: &[f64], cells: &[usize]) -> Vec<f64> {
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

    /// Variance of ln S after each cell, from the inverse information on the mass points; none
    /// where that is too large or singular.
    pub(super) fn log_variances(&self, h: &[f64]) -> Option<Vec<f64>> {
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

pub(super) fn cumulative(h: &[f64]) -> Vec<f64> {
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
pub(super) fn running_sum(change: &[f64]) -> Vec<f64> {
    let mut running = 0.0;
    change[..change.len() - 1]
        .iter()
        .map(|c| {
            running += c;
            running
        })
        .collect()
}

//! How many times one position needs a new part, under one Weibull curve: renewal through the cells of
//! a machine's hours, with changes ahead of time where they are planned.
//!
//! A part renewed at u is next renewed either where it wears out or at the first job start at which it
//! has reached the age stated for it. So with `G_n(u)` the chance that the n-th part is needed at u,
//! `G_{n+1} = K G_n` with one matrix: `K(u, v) = F(v⁺ − u) − F(v⁻ − u)` for a cell v in which the part
//! may still be in, and `R(s − u)` at the start s at which it is changed. `P(N(0, t] ≥ n)` is the sum
//! of `G_n` up to t; for a window (s, e] the first renewal in it follows from `Σ G_n`, and the number
//! after that from the same matrix taken from the end backwards (renewal theory as in Cox, Renewal
//! Theory, 1962; without planned changes these are the sums of his chapter 3).
//!
//! A part renewed within a cell is as likely renewed at any moment of it, and K is averaged over that
//! exactly (by the integral of F), also within the cell itself. What is missed is the slope of the
//! renewal density across a cell, so the error falls as the square of the cell. Job starts, ends of
//! windows and the moments from which a new part reaches a stated age are edges of cells, so nothing
//! jumps within one. The caller works with three grids and extrapolates; see `refine`.

use super::first_life::{FirstLife, WeibullCurve};
use super::table::Table;
use super::track::Grid;

/// No position is followed through more renewals than this.
const MOST_RENEWALS: usize = 4000;

/// `Σ aᵢ bᵢ` over the shorter length, in eight running sums.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len());
    let (a, b) = (&a[..n], &b[..n]);
    let mut sums = [0.0; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let (a_rest, b_rest) = (a8.remainder(), b8.remainder());
    for (x, y) in a8.zip(b8) {
        for i in 0..8 {
            sums[i] += x[i] * y[i];
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(x, y)| x * y).sum();
    sums.iter().sum::<f64>() + rest
}

/// The renewal matrix of one curve on one grid, row by row: row k holds, for each point of
/// `low..high`, the chance that a part renewed there is next renewed at k.
#[derive(Debug, Clone)]
pub(super) struct Kernel<'a> {
    grid: &'a Grid,
    rows: Vec<f64>,
}

impl<'a> Kernel<'a> {
    pub(super) fn new(table: &Table, grid: &'a Grid) -> Self {
        let life = table.life();
        let mut rows = Vec::with_capacity(grid.size);
        // ∫_0^{e − q} F from each edge q up to the edge e, for the end of the cell and its start.
        let mut before: Vec<f64> = vec![0.0; grid.edges.len() + 1];
        let mut after: Vec<f64> = vec![0.0; grid.edges.len() + 1];
        for point in &grid.points {
            let first_edge = grid.points[point.low..point.high]
                .first()
                .map_or(point.from, |p| p.from);
            if point.is_planned() {
                for p in &grid.points[point.low..point.high] {
                    let good = if p.is_planned() {
                        life.reliability(grid.edges[point.from] - grid.edges[p.from])
                    } else {
                        let width = grid.edges[p.to] - grid.edges[p.from];
                        1.0 - (before[p.from] - before[p.to]) / width
                    };
                    rows.push(good.clamp(0.0, 1.0));
                }
                continue;
            }
            let (start, end) = (grid.edges[point.from], grid.edges[point.to]);
            for (sum, edge) in after[first_edge..point.to]
                .iter_mut()
                .zip(&grid.edges[first_edge..])
            {
                *sum = table.at(end - edge);
            }
            after[point.to] = 0.0;
            for p in &grid.points[point.low..point.high] {
                let worn = if p.is_planned() {
                    let new = grid.edges[p.from];
                    life.reliability(start - new) - life.reliability(end - new)
                } else {
                    let width = grid.edges[p.to] - grid.edges[p.from];
                    ((after[p.from] - after[p.to]) - (before[p.from] - before[p.to])) / width
                };
                rows.push(worn.max(0.0));
            }
            std::mem::swap(&mut before, &mut after);
            before[point.to + 1..].fill(0.0);
        }
        Self { grid, rows }
    }

    /// Row k from `low` on.
    fn row(&self, k: usize) -> &[f64] {
        let point = &self.grid.points[k];
        &self.rows[point.row..point.row + (point.high - point.low)]
    }

    /// `(K g)(k)` with the renewals before `until` only.
    fn at(&self, k: usize, g: &[f64], until: usize) -> f64 {
        let point = &self.grid.points[k];
        let high = point.high.min(until);
        if high <= point.low {
            return 0.0;
        }
        dot(self.row(k), &g[point.low..high])
    }
}

/// One position: the chance of each renewal at each point.
#[derive(Debug, Clone)]
pub(super) struct Course {
    /// `G_n`, n = 1, 2, ….
    by_number: Vec<Vec<f64>>,
    /// `Σ_n G_n`.
    all: Vec<f64>,
}

impl Course {
    /// Renewals of a total chance below `negligible` are not followed.
    pub(super) fn new(
        kernel: &Kernel<'_>,
        life: &WeibullCurve,
        first: FirstLife,
        negligible: f64,
    ) -> Self {
        let grid = kernel.grid;
        let age = match first {
            FirstLife::Aged(age) => Some(age),
            FirstLife::Met { .. } => None,
        };
        let change = grid.first_change(age);
        let worn = first.cdf_at(life, &grid.edges);
        let mut own: Vec<f64> = grid
            .points
            .iter()
            .map(|p| (worn[p.to] - worn[p.from]).max(0.0))
            .collect();
        if let Some(change) = change {
            own[change..].fill(0.0);
            own[change] = 1.0 - worn[grid.points[change].from];
        }
        let mut all = own.clone();
        let mut by_number = vec![own];
        while by_number.len() < MOST_RENEWALS {
            let last = &by_number[by_number.len() - 1];
            let next: Vec<f64> = (0..last.len())
                .map(|k| kernel.at(k, last, usize::MAX))
                .collect();
            if next.iter().sum::<f64>() < negligible {
                break;
            }
            for (sum, p) in all.iter_mut().zip(&next) {
                *sum += p;
            }
            by_number.push(next);
        }
        Self { by_number, all }
    }

    /// `P(N ≥ 1), P(N ≥ 2), …` in a window.
    pub(super) fn at_least(&self, kernel: &Kernel<'_>, window: &Window) -> Vec<f64> {
        if window.from == 0 && window.used {
            return self
                .by_number
                .iter()
                .map(|g| g[..window.to].iter().sum())
                .collect();
        }
        let entering: Vec<f64> = (window.from..window.to)
            .map(|k| self.by_number[0][k] + kernel.at(k, &self.all, window.from))
            .collect();
        window.after(kernel.grid, &entering)
    }

    /// Rows i = 0..=first: `P(i parts used before the window, ≥ n in it)` for n = 0, 1, ….
    pub(super) fn joint(
        &self,
        kernel: &Kernel<'_>,
        window: &Window,
        first: usize,
    ) -> Vec<Vec<f64>> {
        let before = |i: usize| -> f64 {
            match i {
                0 => 1.0,
                i => self
                    .by_number
                    .get(i - 1)
                    .map_or(0.0, |g| g[..window.from].iter().sum()),
            }
        };
        (0..=first)
            .map(|i| {
                let mut row = vec![(before(i) - before(i + 1)).max(0.0)];
                let entering: Option<Vec<f64>> = if i == 0 {
                    Some(self.by_number[0][window.from..window.to].to_vec())
                } else {
                    self.by_number.get(i - 1).map(|g| {
                        (window.from..window.to)
                            .map(|k| kernel.at(k, g, window.from))
                            .collect()
                    })
                };
                if window.from == 0 {
                    if i == 0 {
                        row.extend(self.at_least(kernel, window));
                    }
                } else if let Some(entering) = entering {
                    row.extend(window.after(kernel.grid, &entering));
                }
                row
            })
            .collect()
    }

    /// `P(N(0, t] ≥ n)` at the edges of each stretch between planned changes, every `stride` cells,
    /// for n = 1, 2, ….
    pub(super) fn curve(&self, grid: &Grid, stride: usize) -> Vec<Vec<f64>> {
        let stretches = grid.stretches();
        self.by_number
            .iter()
            .map(|g| {
                let mut values = Vec::with_capacity(g.len() / stride + stretches.len() + 1);
                let (mut sum, mut done) = (0.0, 0);
                for cells in &stretches {
                    sum += g[done..cells.start].iter().sum::<f64>();
                    values.push(sum);
                    for some in g[cells.clone()].chunks(stride) {
                        sum += some.iter().sum::<f64>();
                        values.push(sum);
                    }
                    done = cells.end;
                }
                values
            })
            .collect()
    }
}

/// A window (s, e] of operating hours on one grid under one curve, prepared once for all positions.
#[derive(Debug, Clone)]
pub(super) struct Window {
    /// First point in it.
    from: usize,
    /// First point after it.
    to: usize,
    /// Whether planned changes count.
    used: bool,
    /// `P(≥ m more in the window | renewed at the point)`, by m = 0, 1, …, then by point from `from`.
    more: Vec<Vec<f64>>,
}

impl Window {
    /// Both times are edges. Chances below `negligible` are not followed.
    pub(super) fn new(
        kernel: &Kernel<'_>,
        (start, end): (f64, f64),
        used: bool,
        negligible: f64,
    ) -> Self {
        let grid = kernel.grid;
        let (from, to) = (grid.point_at(start), grid.point_at(end));
        let mut window = Self {
            from,
            to,
            used,
            more: Vec::new(),
        };
        if from == 0 && used {
            return window;
        }
        window.more.push(vec![1.0; to - from]);
        while window.more.len() < MOST_RENEWALS {
            let before = &window.more[window.more.len() - 1];
            let mut more = vec![0.0; to - from];
            for k in (from..to).rev() {
                let point = &grid.points[k];
                let next = if used || !point.is_planned() {
                    before[k - from]
                } else {
                    more[k - from]
                };
                let low = point.low.max(from);
                if next == 0.0 || low >= point.high {
                    continue;
                }
                let row = &kernel.row(k)[low - point.low..];
                for (sum, chance) in more[low - from..].iter_mut().zip(row) {
                    *sum += chance * next;
                }
            }
            if more.iter().copied().fold(0.0, f64::max) < negligible {
                break;
            }
            window.more.push(more);
        }
        window
    }

    /// `P(≥ n)` for n = 1, 2, …, from the chance of the first renewal in the window at each point.
    fn after(&self, grid: &Grid, entering: &[f64]) -> Vec<f64> {
        let points = &grid.points[self.from..self.to];
        if self.used {
            return self.more.iter().map(|more| dot(more, entering)).collect();
        }
        (0..self.more.len())
            .map(|m| {
                let next = self.more.get(m + 1);
                let chance = |(k, (point, entering)): (usize, (&super::track::Point, &f64))| {
                    if point.is_planned() {
                        entering * next.map_or(0.0, |n| n[k])
                    } else {
                        entering * self.more[m][k]
                    }
                };
                points.iter().zip(entering).enumerate().map(chance).sum()
            })
            .collect()
    }
}

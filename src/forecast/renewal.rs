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

#![expect(
    clippy::inline_always,
    reason = "a loop becomes vector instructions only as one piece"
)]

use super::first_life::{FirstLife, WeibullCurve};
use super::rows::Rows;
use super::table::Table;
use super::track::Grid;
use crate::numerics::vector::{exp, ln_all, widest};

/// No position is followed through more renewals than this.
const MOST_RENEWALS: usize = 4000;

/// `Σ aᵢ bᵢ` over the shorter length, in eight running sums.
#[inline(always)]
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
        let mut rows = Vec::with_capacity(grid.size);
        let fresh = Fresh::new(table.life(), grid);
        // ∫_0^{e − q} F from each edge q up to the edge e, for the end of the cell and its start.
        let mut before: Vec<f64> = vec![0.0; grid.edges.len() + 1];
        let mut after: Vec<f64> = vec![0.0; grid.edges.len() + 1];
        for point in &grid.points {
            let first_edge = grid.points[point.low..point.high]
                .first()
                .map_or(point.from, |p| p.from);
            if point.is_planned() {
                for (i, p) in grid.points[point.low..point.high].iter().enumerate() {
                    let good = if p.is_planned() {
                        fresh.good(point.low + i, point.from)
                    } else {
                        let width = grid.edges[p.to] - grid.edges[p.from];
                        1.0 - (before[p.from] - before[p.to]) / width
                    };
                    rows.push(good.clamp(0.0, 1.0));
                }
                continue;
            }
            let end = grid.edges[point.to];
            for (sum, edge) in after[first_edge..point.to]
                .iter_mut()
                .zip(&grid.edges[first_edge..])
            {
                *sum = table.at(end - edge);
            }
            after[point.to] = 0.0;
            for (i, p) in grid.points[point.low..point.high].iter().enumerate() {
                let worn = if p.is_planned() {
                    let new = point.low + i;
                    fresh.good(new, point.from) - fresh.good(new, point.to)
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
    #[inline(always)]
    fn row(&self, k: usize) -> &[f64] {
        let point = &self.grid.points[k];
        &self.rows[point.row..point.row + (point.high - point.low)]
    }

    /// `(K g)(k)` for several g side by side.
    #[inline(always)]
    fn at_each<const L: usize>(&self, k: usize, g: &[[f64; L]]) -> [f64; L] {
        let point = &self.grid.points[k];
        let row = self.row(k);
        let g = &g[point.low..point.high];
        // Two running sums of each: one would wait for itself.
        let (mut even, mut odd) = ([0.0; L], [0.0; L]);
        let pairs = row.chunks_exact(2).zip(g.chunks_exact(2));
        for (row, g) in pairs {
            for l in 0..L {
                even[l] += row[0] * g[0][l];
                odd[l] += row[1] * g[1][l];
            }
        }
        if row.len() % 2 == 1
            && let (Some(row), Some(g)) = (row.last(), g.last())
        {
            for l in 0..L {
                even[l] += row * g[l];
            }
        }
        for l in 0..L {
            even[l] += odd[l];
        }
        even
    }

    /// `(K g)(k)` with the renewals before `until` only.
    #[inline(always)]
    fn at(&self, k: usize, g: &[f64], until: usize) -> f64 {
        let point = &self.grid.points[k];
        let high = point.high.min(until);
        if high <= point.low {
            return 0.0;
        }
        dot(self.row(k), &g[point.low..high])
    }
}

/// Parts that are new at planned changes: their reliability at each edge.
struct Fresh<'a> {
    grid: &'a Grid,
    good: Vec<f64>,
}

impl<'a> Fresh<'a> {
    fn new(life: &WeibullCurve, grid: &'a Grid) -> Self {
        let edges = &grid.edges;
        let mut good = Vec::with_capacity(grid.planned.len() * edges.len());
        for &point in &grid.planned {
            let new = grid.points[point].from;
            good.extend(edges.iter().map(|edge| (edge - edges[new]).max(0.0)));
        }
        let level = life.shape * life.scale.ln();
        let mut good = ln_all(&good);
        widest(
            #[inline(always)]
            || {
                for good in &mut good {
                    *good = exp(-exp(life.shape * *good - level));
                }
            },
        );
        Self { grid, good }
    }

    fn good(&self, point: usize, edge: usize) -> f64 {
        let number = self.grid.planned.partition_point(|p| *p < point);
        self.good[number * self.grid.edges.len() + edge]
    }
}

/// One position: the chance of each renewal at each point.
#[derive(Debug, Clone)]
pub(super) struct Course {
    /// Number of points.
    points: usize,
    /// `G_n`, n = 1, 2, …, one after another.
    by_number: Vec<f64>,
    /// `Σ_n G_n`.
    all: Vec<f64>,
}

impl Course {
    /// The courses of several first lives: renewals of a total chance below `negligible` are not followed.
    /// `worn` is space for working in.
    pub(super) fn each(
        kernel: &Kernel<'_>,
        life: &WeibullCurve,
        firsts: &[FirstLife],
        negligible: f64,
        worn: &mut Vec<f64>,
    ) -> Vec<Self> {
        let mut courses = Vec::with_capacity(firsts.len());
        let mut left = firsts;
        while left.len() > 2 {
            let (some, rest) = left.split_at(left.len().min(8));
            let started = some
                .iter()
                .map(|first| Self::started(kernel, life, first, worn));
            courses.extend(started);
            let at = courses.len() - some.len();
            if some.len() > 4 {
                Self::follow::<8>(kernel, &mut courses[at..], negligible);
            } else {
                Self::follow::<4>(kernel, &mut courses[at..], negligible);
            }
            left = rest;
        }
        courses.extend(
            left.iter()
                .map(|first| Self::new(kernel, life, first, negligible, worn)),
        );
        courses
    }

    /// Follows the renewals of up to `L` courses side by side, each of which has its first.
    fn follow<const L: usize>(kernel: &Kernel<'_>, courses: &mut [Self], negligible: f64) {
        let points = kernel.grid.points.len();
        let mut last = vec![[0.0; L]; points];
        for (lane, course) in courses.iter().enumerate() {
            for (last, p) in last.iter_mut().zip(&course.by_number) {
                last[lane] = *p;
            }
        }
        let mut next = vec![[0.0; L]; points];
        let mut followed = vec![true; courses.len()];
        for _ in 1..MOST_RENEWALS {
            let mut sums = [0.0; L];
            widest(
                #[inline(always)]
                || {
                    for (k, next) in next.iter_mut().enumerate() {
                        *next = kernel.at_each(k, &last);
                        for (sum, p) in sums.iter_mut().zip(next) {
                            *sum += *p;
                        }
                    }
                },
            );
            let lanes = courses.iter_mut().zip(&mut followed).zip(sums);
            for (lane, ((course, followed), sum)) in lanes.enumerate() {
                *followed &= sum >= negligible;
                if *followed {
                    course.by_number.extend(next.iter().map(|next| next[lane]));
                    for (sum, next) in course.all.iter_mut().zip(&next) {
                        *sum += next[lane];
                    }
                }
            }
            if !followed.contains(&true) {
                break;
            }
            std::mem::swap(&mut last, &mut next);
        }
    }

    /// A course up to its first renewal.
    fn started(
        kernel: &Kernel<'_>,
        life: &WeibullCurve,
        first: &FirstLife,
        worn: &mut Vec<f64>,
    ) -> Self {
        let grid = kernel.grid;
        let change = grid.first_change(first.age());
        first.cdf_at(life, &grid.edges, worn);
        let points = grid.points.len();
        let mut by_number = Vec::with_capacity(4 * points);
        by_number.extend(
            grid.points
                .iter()
                .map(|p| (worn[p.to] - worn[p.from]).max(0.0)),
        );
        if let Some(change) = change {
            by_number[change..].fill(0.0);
            by_number[change] = 1.0 - worn[grid.points[change].from];
        }
        Self {
            points,
            all: by_number.clone(),
            by_number,
        }
    }

    fn new(
        kernel: &Kernel<'_>,
        life: &WeibullCurve,
        first: &FirstLife,
        negligible: f64,
        worn: &mut Vec<f64>,
    ) -> Self {
        let Self {
            points,
            mut by_number,
            mut all,
        } = Self::started(kernel, life, first, worn);
        widest(
            #[inline(always)]
            || {
                for number in 1..MOST_RENEWALS {
                    by_number.resize((number + 1) * points, 0.0);
                    let (done, next) = by_number.split_at_mut(number * points);
                    let last = &done[(number - 1) * points..];
                    let mut sum = 0.0;
                    for (k, next) in next.iter_mut().enumerate() {
                        *next = kernel.at(k, last, usize::MAX);
                        sum += *next;
                    }
                    if sum < negligible {
                        by_number.truncate(number * points);
                        break;
                    }
                    for (sum, p) in all.iter_mut().zip(next) {
                        *sum += *p;
                    }
                }
            },
        );
        Self {
            points,
            by_number,
            all,
        }
    }

    /// `G_n` for n = 1, 2, ….
    fn numbers(&self) -> std::slice::ChunksExact<'_, f64> {
        self.by_number.chunks_exact(self.points.max(1))
    }

    fn number(&self, n: usize) -> Option<&[f64]> {
        self.by_number.get((n - 1) * self.points..n * self.points)
    }

    /// Chance of the first renewal in a window at each of its points.
    pub(super) fn entering(&self, kernel: &Kernel<'_>, window: &Window, entering: &mut Vec<f64>) {
        entering.clear();
        entering.extend_from_slice(&self.by_number[window.from..window.to]);
        widest(
            #[inline(always)]
            || {
                for (k, entering) in (window.from..).zip(entering.iter_mut()) {
                    *entering += kernel.at(k, &self.all, window.from);
                }
            },
        );
    }

    /// Adds `P(N ≥ 1), P(N ≥ 2), …` in a window to the open row, given what enters it.
    pub(super) fn at_least(&self, grid: &Grid, window: &Window, entering: &[f64], rows: &mut Rows) {
        if window.from == 0 && window.used {
            for g in self.numbers() {
                rows.push(g[..window.to].iter().sum());
            }
        } else {
            window.after(grid, entering, rows);
        }
    }

    /// Adds rows i = 0..=first: `P(i parts used before the window, ≥ n in it)` for n = 0, 1, ….
    pub(super) fn joint(
        &self,
        kernel: &Kernel<'_>,
        window: &Window,
        first: usize,
        entering: &mut Vec<f64>,
        rows: &mut Rows,
    ) {
        let before = |i: usize| -> f64 {
            match i {
                0 => 1.0,
                i => self
                    .number(i)
                    .map_or(0.0, |g| g[..window.from].iter().sum()),
            }
        };
        for i in 0..=first {
            rows.push((before(i) - before(i + 1)).max(0.0));
            if window.from == 0 {
                if i == 0 {
                    self.at_least(kernel.grid, window, &[], rows);
                }
            } else if i == 0 {
                entering.clear();
                entering.extend_from_slice(&self.by_number[window.from..window.to]);
                window.after(kernel.grid, entering, rows);
            } else if let Some(g) = self.number(i) {
                entering.clear();
                entering.extend((window.from..window.to).map(|k| kernel.at(k, g, window.from)));
                window.after(kernel.grid, entering, rows);
            }
            rows.end();
        }
    }

    /// Adds `P(N(0, t] ≥ n)` at the edges of each stretch between planned changes, every `stride`
    /// cells: one row each for n = 1, 2, … up to `most` (empty where there is no more).
    pub(super) fn curve(&self, grid: &Grid, stride: usize, most: usize, rows: &mut Rows) {
        for n in 1..=most {
            if let Some(g) = self.number(n) {
                running_sums(g.iter().copied(), grid, stride, rows);
            }
            rows.end();
        }
    }

    /// Adds `E[N(0, t] N(0, T]]` at the same edges, T the end of the grid, from the chances of more by then
    /// (see [`Window::to_the_end`]): `Σ_{i,m} P(S_i ≤ t, S_m ≤ T)`, `S_n` the time of the n-th renewal.
    pub(super) fn product(&self, grid: &Grid, end: &Window, stride: usize, rows: &mut Rows) {
        let mut each = vec![0.0; self.points];
        for more in end.more.chunks_exact(self.points.max(1)) {
            for (sum, more) in each.iter_mut().zip(more) {
                *sum += more;
            }
        }
        for (sum, all) in each.iter_mut().zip(&self.all) {
            *sum *= all;
        }
        for (i, g) in self.numbers().enumerate() {
            for (sum, p) in each.iter_mut().zip(g) {
                *sum += i as f64 * p;
            }
        }
        running_sums(each.into_iter(), grid, stride, rows);
        rows.end();
    }

    /// Adds `P(S_i ≤ t, S_{i+j} ≤ T)` at the same edges: one row each for i = 1, … up to `most`, and within
    /// it j = 1, … up to `most` (empty where the chance is not followed).
    pub(super) fn joint_curves(
        &self,
        grid: &Grid,
        end: &Window,
        stride: usize,
        most: usize,
        rows: &mut Rows,
    ) {
        let points = self.points.max(1);
        for i in 1..=most {
            for j in 1..=most {
                let more = end.more.get(j * points..(j + 1) * points);
                let followed = self.number(i + j).is_some();
                if let (Some(g), Some(more), true) = (self.number(i), more, followed) {
                    let each = g.iter().zip(more).map(|(g, more)| g * more);
                    running_sums(each, grid, stride, rows);
                }
                rows.end();
            }
        }
    }
}

/// Sums up to each edge of each stretch between planned changes, every `stride` cells, of what lies at the
/// points.
fn running_sums(mut each: impl Iterator<Item = f64>, grid: &Grid, stride: usize, rows: &mut Rows) {
    let (mut sum, mut done) = (0.0, 0);
    let mut add = |count: usize| -> f64 {
        sum += each.by_ref().take(count).sum::<f64>();
        sum
    };
    for cells in &grid.stretches {
        rows.push(add(cells.start - done));
        let mut left = cells.len();
        while left > 0 {
            let some = left.min(stride);
            rows.push(add(some));
            left -= some;
        }
        done = cells.end;
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
    /// `P(≥ m more in the window | renewed at the point)`, for m = 0, 1, … one after another, by point
    /// from `from`.
    more: Vec<f64>,
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
        let points = to - from;
        let mut window = Self {
            from,
            to,
            used,
            more: Vec::new(),
        };
        if points > 0 && !(from == 0 && used) {
            window.look_ahead(kernel, negligible);
        }
        window
    }

    /// All points, with the chances of more up to the end.
    pub(super) fn to_the_end(kernel: &Kernel<'_>, negligible: f64) -> Self {
        let mut window = Self {
            from: 0,
            to: kernel.grid.points.len(),
            used: true,
            more: Vec::new(),
        };
        window.look_ahead(kernel, negligible);
        window
    }

    fn look_ahead(&mut self, kernel: &Kernel<'_>, negligible: f64) {
        let (from, to, used) = (self.from, self.to, self.used);
        let points = to - from;
        self.more.reserve(4 * points);
        self.more.resize(points, 1.0);
        widest(
            #[inline(always)]
            || {
                for m in 1..MOST_RENEWALS {
                    self.more.resize((m + 1) * points, 0.0);
                    let (done, more) = self.more.split_at_mut(m * points);
                    let before = &done[(m - 1) * points..];
                    for k in (from..to).rev() {
                        let point = &kernel.grid.points[k];
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
                        self.more.truncate(m * points);
                        break;
                    }
                }
            },
        );
    }

    /// Adds `P(≥ n)` for n = 1, 2, …, from the chance of the first renewal in the window at each point.
    fn after(&self, grid: &Grid, entering: &[f64], rows: &mut Rows) {
        let points = self.to - self.from;
        let each = || self.more.chunks_exact(points.max(1));
        if self.used {
            for more in each() {
                rows.push(dot(more, entering));
            }
            return;
        }
        let kinds = &grid.points[self.from..self.to];
        for (m, more) in each().enumerate() {
            let next = self.more.get((m + 1) * points..(m + 2) * points);
            let mut sum = 0.0;
            for (k, (point, entering)) in kinds.iter().zip(entering).enumerate() {
                sum += if point.is_planned() {
                    entering * next.map_or(0.0, |n| n[k])
                } else {
                    entering * more[k]
                };
            }
            rows.push(sum);
        }
    }
}

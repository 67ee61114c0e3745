//! The same counts where parts are also changed ahead of time, at job starts, once they have reached
//! a stated age.
//!
//! Between job starts a position renews itself at wear-outs only; at a start, a part that has reached
//! the age stated for it is changed. What happens next depends on the age of the part alone, so the
//! chance of each (time of the last renewal, number of parts used) is carried from cell to cell of
//! the hours ahead. A part renewed within a cell counts as renewed in its middle, with the exact chance of
//! wearing out in the cell; at a start, of the parts renewed in a cell that straddles the stated age,
//! that share is changed that lies beyond it. Both make the error fall as the square of the cell.

use super::demand::{Counting, Hours, JobStart};
use super::first_life::{FirstLife, WeibullCurve};
use super::renewal::Lattice;

/// A time of renewal: a planned one at a start, or anywhere in a cell.
#[derive(Debug, Clone, Copy)]
struct Point {
    from: f64,
    to: f64,
}

impl Point {
    fn middle(&self) -> f64 {
        0.5 * (self.from + self.to)
    }

    /// Share of the parts renewed here that have reached an age of `limit` at `time`.
    fn share_older(&self, time: f64, limit: f64) -> f64 {
        let latest = time - limit + 1e-9 * time.abs().max(1.0);
        if self.to > self.from {
            ((latest - self.from) / (self.to - self.from)).clamp(0.0, 1.0)
        } else {
            f64::from(u8::from(self.from <= latest))
        }
    }
}

/// A stretch of hours.
#[derive(Debug, Clone)]
struct Cell {
    from: f64,
    to: f64,
    /// A job that starts with it.
    start: Option<JobStart>,
    /// Points that exist when it begins (after a planned change).
    points: usize,
    /// For each of them the chance that a part renewed there and still good wears out in this cell.
    worn: Vec<f64>,
    /// The same for a part renewed in the middle of this cell.
    again: f64,
}

/// The cells of one machine's hours under one curve, shared by its positions.
#[derive(Debug, Clone)]
pub(super) struct Chain {
    cells: Vec<Cell>,
    points: Vec<Point>,
}

impl Chain {
    pub(super) fn new(lattice: &Lattice<'_>, windows: &[Hours], starts: &[JobStart]) -> Self {
        let horizon = windows
            .iter()
            .map(|w| w.end.max(w.start))
            .fold(0.0, f64::max);
        let mut breaks: Vec<f64> = windows
            .iter()
            .flat_map(|w| [w.start, w.end])
            .chain(starts.iter().map(|s| s.at))
            .chain([0.0, horizon])
            .filter(|t| (0.0..=horizon).contains(t))
            .collect();
        breaks.sort_by(f64::total_cmp);
        let near = 1e-9 * horizon;
        breaks.dedup_by(|b, a| *b - *a <= near);
        let mut chain = Self {
            cells: Vec::new(),
            points: Vec::new(),
        };
        for pair in breaks.windows(2) {
            let (from, to) = (pair[0], pair[1]);
            let mut start = starts.iter().find(|s| (s.at - from).abs() <= near).copied();
            let count = lattice.cells_in(to - from);
            let step = (to - from) / count as f64;
            for i in 0..count {
                let from = from + i as f64 * step;
                chain.push(lattice.life(), from, from + step, start.take());
            }
        }
        chain
    }

    fn push(&mut self, life: &WeibullCurve, from: f64, to: f64, start: Option<JobStart>) {
        if start.is_some() {
            self.points.push(Point { from, to: from });
        }
        let worn = self
            .points
            .iter()
            .map(|p| {
                let (young, old) = (from - p.middle(), to - p.middle());
                let ahead = life.cumulative_hazard(old) - life.cumulative_hazard(young);
                -(-ahead.max(0.0)).exp_m1()
            })
            .collect();
        self.cells.push(Cell {
            from,
            to,
            start,
            points: self.points.len(),
            worn,
            again: life.cdf(0.5 * (to - from)),
        });
        self.points.push(Point { from, to });
    }

    fn cell_at(&self, time: f64) -> usize {
        let near = 1e-9 * self.cells.last().map_or(0.0, |c| c.to);
        self.cells.partition_point(|c| c.to <= time + near)
    }

    /// `P(N ≥ 1), P(N ≥ 2), …` of one position in each window.
    pub(super) fn at_least(
        &self,
        lattice: &Lattice<'_>,
        first: FirstLife,
        windows: &[Hours],
        counting: Counting,
    ) -> Vec<Vec<f64>> {
        let position = Position::new(self, lattice, first);
        // The state at each window's start, without its past; then the counts within it.
        let mut order: Vec<usize> = (0..windows.len()).collect();
        order.sort_by(|&a, &b| windows[a].start.total_cmp(&windows[b].start));
        let mut at_least = vec![Vec::new(); windows.len()];
        let mut state = State::new(self, 1);
        let mut done = 0;
        let mut group = 0;
        while group < order.len() {
            let start = windows[order[group]].start;
            let from = self.cell_at(start);
            position.run(&mut state, done..from, counting);
            done = from;
            // Windows that start together are one run with several ends.
            let together: Vec<usize> = order[group..]
                .iter()
                .copied()
                .take_while(|&w| windows[w].start == start)
                .collect();
            group += together.len();
            let mut ends: Vec<usize> = together
                .into_iter()
                .filter(|&w| windows[w].end > start)
                .collect();
            ends.sort_by(|&a, &b| windows[a].end.total_cmp(&windows[b].end));
            let Some(&last) = ends.last() else { continue };
            let most = self.most(lattice, start, windows[last].end, counting);
            let mut counts = state.with_counts(most + 1);
            let mut at = from;
            for w in ends {
                let to = self.cell_at(windows[w].end);
                position.run(&mut counts, at..to, counting);
                at = to;
                at_least[w] = counts.at_least();
            }
        }
        at_least
    }

    /// Rows i = 0..=first: `P(i used by the start, ≥ n more by the end)` for n = 0, 1, ….
    pub(super) fn joint(
        &self,
        lattice: &Lattice<'_>,
        life: FirstLife,
        window: Hours,
        first: usize,
    ) -> Vec<Vec<f64>> {
        let position = Position::new(self, lattice, life);
        let (from, to) = (self.cell_at(window.start), self.cell_at(window.end));
        let most = self.most(lattice, 0.0, window.start, Counting::Used);
        let mut state = State::new(self, 1).with_counts(most + 1);
        position.run(&mut state, 0..from, Counting::Used);
        let more = self.most(lattice, window.start, window.end, Counting::Used);
        (0..=first)
            .map(|i| {
                if i > most {
                    return Vec::new();
                }
                let mut rest = state.only(i).with_counts(more + 1);
                let here = rest.total();
                if here > 0.0 {
                    position.run(&mut rest, from..to, Counting::Used);
                }
                let mut row = vec![here];
                row.extend(rest.at_least());
                row
            })
            .collect()
    }

    /// Most parts that matter between two times.
    fn most(&self, lattice: &Lattice<'_>, start: f64, end: f64, counting: Counting) -> usize {
        let planned = self.cells[self.cell_at(start)..self.cell_at(end)]
            .iter()
            .filter(|c| c.start.is_some_and(|s| s.change_from.is_finite()))
            .count();
        let worn = lattice.most_within(end - start) + 1;
        worn + if counting == Counting::Used {
            planned
        } else {
            0
        }
    }
}

/// One position: the chance that the part fitted now wears out in each cell, if it is still good.
struct Position<'a> {
    chain: &'a Chain,
    first: FirstLife,
    worn: Vec<f64>,
}

impl<'a> Position<'a> {
    fn new(chain: &'a Chain, lattice: &Lattice<'_>, first: FirstLife) -> Self {
        let mut good = 1.0;
        let worn = chain
            .cells
            .iter()
            .map(|cell| {
                let then = 1.0 - first.cdf(lattice.life(), cell.to);
                let worn = if good > 1e-300 {
                    1.0 - then / good
                } else {
                    1.0
                };
                good = then;
                worn.clamp(0.0, 1.0)
            })
            .collect();
        Self { chain, first, worn }
    }

    /// Carries the state through cells.
    fn run(&self, state: &mut State, cells: std::ops::Range<usize>, counting: Counting) {
        let width = state.width;
        let mut newborn = vec![0.0; width];
        for number in cells {
            let cell = &self.chain.cells[number];
            if let Some(start) = cell.start {
                self.change(state, cell, start, counting);
            }
            newborn.fill(0.0);
            wear(&mut state.original, &mut newborn, self.worn[number]);
            for (part, &chance) in state.points.chunks_exact_mut(width).zip(&cell.worn) {
                wear(part, &mut newborn, chance);
            }
            // A wear-out is one more part used; the last entry stands for all that lie beyond.
            advance(&mut newborn);
            let mut again = vec![0.0; width];
            wear(&mut newborn, &mut again, cell.again);
            advance(&mut again);
            let own = &mut state.points[cell.points * width..(cell.points + 1) * width];
            for ((own, a), b) in own.iter_mut().zip(&newborn).zip(&again) {
                *own = a + b;
            }
        }
    }

    /// Planned changes at the start of a job.
    fn change(&self, state: &mut State, cell: &Cell, start: JobStart, counting: Counting) {
        let width = state.width;
        let planned = cell.points - 1;
        let mut changed = vec![0.0; width];
        if let FirstLife::Aged(age) = self.first
            && age + start.at >= start.change_from
        {
            wear(&mut state.original, &mut changed, 1.0);
        }
        for (part, point) in state
            .points
            .chunks_exact_mut(width)
            .zip(&self.chain.points[..planned])
        {
            let share = point.share_older(cell.from, start.change_from);
            if share > 0.0 {
                wear(part, &mut changed, share);
            }
        }
        if counting == Counting::Used {
            advance(&mut changed);
        }
        state.points[planned * width..(planned + 1) * width].copy_from_slice(&changed);
    }
}

/// Moves a share of `from` to `to`.
fn wear(from: &mut [f64], to: &mut [f64], share: f64) {
    if share < 1e-12 {
        return;
    }
    for (from, to) in from.iter_mut().zip(to) {
        let moved = *from * share;
        *from -= moved;
        *to += moved;
    }
}

/// One more each.
fn advance(counts: &mut [f64]) {
    let width = counts.len();
    if width < 2 {
        return;
    }
    let beyond = counts[width - 1];
    counts.rotate_right(1);
    counts[0] = 0.0;
    counts[width - 1] += beyond;
}

/// Chance of each (time of the last renewal, number used).
#[derive(Debug, Clone)]
struct State {
    width: usize,
    /// The part fitted now is still in.
    original: Vec<f64>,
    /// Last renewed at this point.
    points: Vec<f64>,
}

impl State {
    fn new(chain: &Chain, width: usize) -> Self {
        let mut original = vec![0.0; width];
        original[0] = 1.0;
        Self {
            width,
            original,
            points: vec![0.0; width * chain.points.len()],
        }
    }

    /// Forgets what was used and counts from 0 up to `width` − 1.
    fn with_counts(&self, width: usize) -> Self {
        let spread = |counts: &[f64]| -> Vec<f64> {
            counts
                .chunks_exact(self.width)
                .flat_map(|counts| {
                    let mut spread = vec![0.0; width];
                    spread[0] = counts.iter().sum();
                    spread
                })
                .collect()
        };
        Self {
            width,
            original: spread(&self.original),
            points: spread(&self.points),
        }
    }

    /// Only the cases in which exactly `i` were used.
    fn only(&self, i: usize) -> Self {
        let pick = |counts: &[f64]| -> Vec<f64> {
            counts.chunks_exact(self.width).map(|c| c[i]).collect()
        };
        Self {
            width: 1,
            original: pick(&self.original),
            points: pick(&self.points),
        }
    }

    fn total(&self) -> f64 {
        self.original.iter().chain(&self.points).sum()
    }

    fn at_least(&self) -> Vec<f64> {
        let mut counts = self.original.clone();
        for part in self.points.chunks_exact(self.width) {
            for (sum, p) in counts.iter_mut().zip(part) {
                *sum += p;
            }
        }
        let mut above = 0.0;
        for p in counts.iter_mut().rev() {
            above += *p;
            *p = above;
        }
        counts.split_off(1)
    }
}

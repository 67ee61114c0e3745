//! The hours ahead of one machine, cut into cells: where parts may be renewed, and which of those
//! renewed earlier have been changed ahead of time by then.

use std::ops::Range;

use super::demand::{Hours, JobStart};

/// A time of renewal: somewhere in a cell between two edges, or a planned change at one edge.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    /// Index of the edge at which it begins.
    pub(super) from: usize,
    /// Index of the edge at which it ends; the same for a planned change.
    pub(super) to: usize,
    /// Points from here on, up to `high`, are the ones whose parts are renewed here: for a cell all
    /// that are still in, for a planned change those that are changed.
    pub(super) low: usize,
    /// See `low`; not included.
    pub(super) high: usize,
    /// Where its row of the renewal matrix begins.
    pub(super) row: usize,
}

impl Point {
    pub(super) fn is_planned(&self) -> bool {
        self.from == self.to
    }
}

/// A stretch of operating hours with the moments that matter in it: ends of windows, job starts at
/// which parts are changed, and times from which a new part reaches the age for that.
#[derive(Debug, Clone)]
pub(super) struct Track {
    breaks: Vec<f64>,
    /// Those at which some part is changed.
    starts: Vec<JobStart>,
    near: f64,
}

impl Track {
    pub(super) fn new(windows: &[Hours], starts: &[JobStart]) -> Self {
        let horizon = windows.iter().map(|w| w.end).fold(0.0, f64::max);
        let near = 1e-9 * horizon;
        let starts: Vec<JobStart> = starts
            .iter()
            .filter(|s| s.change_from.is_finite() && s.at >= 0.0 && s.at < horizon - near)
            .copied()
            .collect();
        let mut breaks: Vec<f64> = windows
            .iter()
            .flat_map(|w| [w.start, w.end])
            .chain(starts.iter().flat_map(|s| [s.at, s.at - s.change_from]))
            .chain([0.0, horizon])
            .filter(|t| (0.0..=horizon).contains(t))
            .collect();
        breaks.sort_by(f64::total_cmp);
        breaks.dedup_by(|b, a| *b - *a <= near);
        Self {
            breaks,
            starts,
            near,
        }
    }

    pub(super) fn horizon(&self) -> f64 {
        self.breaks.last().copied().unwrap_or(0.0)
    }

    /// Cells no longer than `longest`, each then cut into `finer` equal ones.
    pub(super) fn grid(&self, longest: f64, finer: usize) -> Grid {
        let mut edges = vec![0.0];
        for pair in self.breaks.windows(2) {
            let width = pair[1] - pair[0];
            let count = ((width / longest - 1e-9).ceil().max(1.0) as usize) * finer;
            for i in 1..count {
                edges.push(pair[0] + width * i as f64 / count as f64);
            }
            edges.push(pair[1]);
        }
        let mut grid = Grid {
            edges,
            points: Vec::new(),
            ages: Vec::new(),
            planned: Vec::new(),
            stretches: Vec::new(),
            size: 0,
            near: self.near,
        };
        let (mut low, mut starts) = (0, self.starts.iter().peekable());
        for edge in 0..grid.edges.len() - 1 {
            let at = grid.edges[edge];
            if let Some(start) = starts.next_if(|s| s.at <= at + self.near) {
                let latest = start.at - start.change_from + self.near;
                let old = grid.points[low..]
                    .iter()
                    .take_while(|p| grid.edges[p.to] <= latest)
                    .count();
                grid.push(edge, edge, low, low + old);
                grid.ages.push((grid.points.len() - 1, start.change_from));
                grid.planned.push(grid.points.len() - 1);
                low += old;
            }
            let own = grid.points.len();
            grid.push(edge, edge + 1, low, own + 1);
        }
        grid.stretches = grid.cut_in_stretches();
        grid
    }
}

/// One way of cutting a track into cells.
#[derive(Debug, Clone)]
pub(super) struct Grid {
    /// From 0 to the horizon.
    pub(super) edges: Vec<f64>,
    /// In the order of time.
    pub(super) points: Vec<Point>,
    /// Planned changes: the point, and the age from which a part is changed.
    ages: Vec<(usize, f64)>,
    /// Entries of a renewal matrix.
    pub(super) size: usize,
    /// Points at which parts are changed ahead of time.
    pub(super) planned: Vec<usize>,
    /// Cells between one planned change and the next, as ranges of points.
    pub(super) stretches: Vec<Range<usize>>,
    near: f64,
}

impl Grid {
    fn push(&mut self, from: usize, to: usize, low: usize, high: usize) {
        self.points.push(Point {
            from,
            to,
            low,
            high,
            row: self.size,
        });
        self.size += high - low;
    }

    /// The first point that is not before `time`, an edge: a planned change then is included.
    pub(super) fn point_at(&self, time: f64) -> usize {
        let edge = self.edges.partition_point(|e| *e < time - self.near);
        self.points.partition_point(|p| p.from < edge)
    }

    /// The planned change at which the part fitted now is taken out if it has not worn out by then.
    pub(super) fn first_change(&self, age: Option<f64>) -> Option<usize> {
        let age = age?;
        self.ages
            .iter()
            .find(|(point, from)| age + self.edges[self.points[*point].from] >= *from)
            .map(|(point, _)| *point)
    }

    fn cut_in_stretches(&self) -> Vec<Range<usize>> {
        let mut stretches = Vec::new();
        let mut from = 0;
        for (k, point) in self.points.iter().enumerate() {
            if point.is_planned() {
                if k > from {
                    stretches.push(from..k);
                }
                from = k + 1;
            }
        }
        stretches.push(from..self.points.len());
        stretches
    }

    /// The edges of each stretch, in the order of [`Course::curve`](super::renewal::Course::curve), and
    /// which of them belong to each.
    pub(super) fn curve_times(&self) -> (Vec<f64>, Vec<Range<usize>>) {
        let (mut times, mut stretches) = (Vec::new(), Vec::new());
        for cells in self.stretches.clone() {
            let from = times.len();
            if let Some(point) = self.points.get(cells.start) {
                times.push(self.edges[point.from]);
            } else {
                times.push(0.0);
            }
            times.extend(self.points[cells].iter().map(|p| self.edges[p.to]));
            stretches.push(from..times.len());
        }
        (times, stretches)
    }
}

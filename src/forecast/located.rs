//! Times between the edges of a grid, and what is known at the edges interpolated to them.

use super::refine::{Level, Tracks};
use crate::numerics::interpolate::lagrange;

/// Edges between which a count's distribution is interpolated.
const EDGES: usize = 6;

/// Where the edges of a group's cells lie, and when its parts are first changed.
pub(super) struct Axis {
    pub(super) times: Vec<f64>,
    /// Entries of one stretch between planned changes.
    pub(super) stretches: Vec<std::ops::Range<usize>>,
    pub(super) changed_at: Vec<f64>,
    /// ln age of each first life.
    pub(super) ln_age: Vec<f64>,
    pub(super) ages: Vec<f64>,
}

/// Where a time lies between the edges: the first entry and the weights from there on (Lagrange).
pub(super) struct Place {
    pub(super) t: f64,
    pub(super) from: usize,
    pub(super) weights: Vec<f64>,
    /// ln (age + t) of each first life.
    pub(super) ln_then: Vec<f64>,
}

impl Place {
    pub(super) fn at(&self, values: &[f64]) -> f64 {
        let near = self.weights.iter().zip(&values[self.from..]);
        near.map(|(w, p)| w * p).sum()
    }
}

/// Axes of all groups on the grids of one level, and the places of some times on them, by time and group.
pub(super) struct Located {
    pub(super) level: Level,
    pub(super) axes: Vec<Axis>,
    pub(super) places: Vec<Vec<Place>>,
}

impl Located {
    pub(super) fn new(tracks: &Tracks<'_>, level: Level, times: &[Vec<f64>]) -> Self {
        let grids = tracks.grids(level, 1);
        let axes: Vec<Axis> = (tracks.firsts.iter().zip(grids))
            .map(|(firsts, grid)| {
                let (times, stretches) = grid.curve_times();
                let changed_at = firsts.lives.iter().map(|first| {
                    grid.first_change(first.age())
                        .map_or(f64::INFINITY, |p| grid.edges[grid.points[p].from])
                });
                let ages = firsts.lives.iter().map(|first| first.age().unwrap_or(0.0));
                let ages: Vec<f64> = ages.collect();
                Axis {
                    changed_at: changed_at.collect(),
                    ln_age: ages.iter().map(|age| age.ln()).collect(),
                    ages,
                    times,
                    stretches,
                }
            })
            .collect();
        let places = times
            .iter()
            .map(|by_group| {
                let each = axes.iter().zip(by_group);
                each.map(|(axis, t)| axis.place(*t)).collect()
            })
            .collect();
        Self {
            level,
            axes,
            places,
        }
    }

    /// The one of this level.
    pub(super) fn of(all: &[Self], level: Level) -> &Self {
        let at = all.partition_point(|located| located.level < level);
        &all[at.min(all.len() - 1)]
    }
}

impl Axis {
    pub(super) fn place(&self, t: f64) -> Place {
        let near = 1e-9 * self.times.last().copied().unwrap_or(1.0);
        // At the very moment of a planned change: just before it.
        let stretch = self
            .stretches
            .iter()
            .rev()
            .find(|s| self.times[s.start] < t - near)
            .or(self.stretches.first())
            .cloned()
            .unwrap_or(0..1);
        let times = &self.times[stretch.clone()];
        let count = EDGES.min(times.len());
        let after = times.partition_point(|x| *x < t);
        let from = after.saturating_sub(count / 2).min(times.len() - count);
        let times = &times[from..from + count];
        Place {
            t,
            from: stretch.start + from,
            weights: lagrange(times, t),
            ln_then: self.ages.iter().map(|age| (age + t).ln()).collect(),
        }
    }
}

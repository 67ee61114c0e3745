//! One part kind's demand through the schedule, worked out once: in every job, over all jobs, and by
//! the end of any day.

use rayon::prelude::*;

use super::counts::{Counts, mix};
use super::demand::{
    Accuracy, Group, LEFT_OUT, Totals, WindowDemand, at_least, without_negligible,
};
use super::first_life::{FirstLife, WeibullCurve};
use super::refine::{Level, MOST_NUMBERS, OnGrid, Refined, Tracks, Values, refine};
use super::remaining::curve;
use super::rows::Rows;
use super::sum::{Term, total};
use crate::models::WeibullNode;

/// More numbers than this are not kept but worked out again: a quarter of a gigabyte.
const MOST_KEPT: usize = 32_000_000;

/// Edges between which a count's distribution is interpolated.
const EDGES: usize = 6;

/// One part kind's demand.
#[derive(Debug)]
pub(super) struct Courses {
    nodes: Vec<WeibullNode>,
    groups: Vec<Group>,
    per_change: u32,
    accuracy: Accuracy,
    /// Each window, every part used.
    pub(super) used: WindowDemand,
    /// Each window, wear-outs only.
    pub(super) worn: WindowDemand,
    left_out: f64,
    kept: Vec<Curves>,
}

/// One curve's counts from now to any time.
#[derive(Debug)]
struct Curves {
    life: WeibullCurve,
    weight: f64,
    error: f64,
    level: Level,
    /// By group, first life and number, edge.
    values: Values,
}

/// Where the edges of a group's cells lie, and when its parts are first changed.
struct Axis {
    times: Vec<f64>,
    /// Entries of one stretch between planned changes.
    stretches: Vec<std::ops::Range<usize>>,
    changed_at: Vec<f64>,
}

impl Courses {
    /// Groups with one window for each answer wanted.
    pub(super) fn new(
        nodes: &[WeibullNode],
        groups: Vec<Group>,
        per_change: u32,
        accuracy: Accuracy,
    ) -> Self {
        let windows = groups.first().map_or(0, |g| g.windows.len());
        let (nodes, left_out) = without_negligible(nodes, LEFT_OUT * accuracy.tolerance);
        let none = || WindowDemand {
            counts: vec![Counts::none(); windows],
            by_curve: vec![(1.0, vec![Counts::none(); windows])],
            error: 0.0,
        };
        let mut courses = Self {
            nodes,
            groups,
            per_change,
            accuracy,
            used: none(),
            worn: none(),
            left_out,
            kept: Vec::new(),
        };
        let tracks = Tracks::new(&courses.groups);
        if tracks.horizon() <= 0.0 {
            return courses;
        }
        let lives: usize = tracks.firsts.iter().map(|f| f.lives.len()).sum();
        let keep = lives * courses.nodes.len() * 160 <= MOST_KEPT;
        let share = 1.0 / courses.nodes.len() as f64;
        let planned = courses.groups.iter().any(Group::is_planned);
        // Each window twice where wear-outs are not all that is used.
        let twice: Vec<Group> = courses
            .groups
            .iter()
            .map(|g| {
                let mut g = g.clone();
                if planned {
                    g.windows.extend_from_within(..);
                }
                g
            })
            .collect();
        let tracks_of_both = Tracks::new(&twice);
        let answers = Totals {
            firsts: &tracks_of_both.firsts,
            windows: if planned { 2 * windows } else { windows },
        };
        let ask = |on: &OnGrid<'_>, group: &Group| at_least(on, group, |i| i < windows);
        let found: Vec<(f64, Vec<Counts>, Option<Curves>)> = courses
            .nodes
            .par_iter()
            .map(|node| {
                let life = curve(node, per_change);
                let within = (accuracy.allowed(share, node.weight), accuracy.most_cells);
                let refined = refine(life, &tracks_of_both, &ask, &answers, within, keep);
                let Refined {
                    answer,
                    error,
                    level,
                    curves,
                } = refined;
                let counts = answer.iter().map(|c| c.in_sets_of(per_change)).collect();
                let curves = keep.then_some(Curves {
                    life,
                    weight: node.weight,
                    error,
                    level,
                    values: curves,
                });
                (error, counts, curves)
            })
            .collect();
        let weights = || courses.nodes.iter().map(|n| n.weight);
        let error = left_out + weights().zip(&found).map(|(w, f)| w * f.0).sum::<f64>();
        let demand = |range: std::ops::Range<usize>| WindowDemand {
            counts: range
                .clone()
                .map(|w| mix(weights().zip(&found).map(|(weight, f)| (weight, &f.1[w]))))
                .collect(),
            by_curve: weights()
                .zip(&found)
                .map(|(weight, f)| (weight, f.1[range.clone()].to_vec()))
                .collect(),
            error,
        };
        let used = demand(0..windows);
        let worn = if planned {
            demand(windows..2 * windows)
        } else {
            used.clone()
        };
        let kept = found.into_iter().filter_map(|f| f.2).collect();
        (courses.used, courses.worn, courses.kept) = (used, worn, kept);
        courses
    }

    /// Parts used from now to a time: for each of several times, given by group.
    pub(super) fn by(&self, times: &[Vec<f64>]) -> WindowDemand {
        let tracks = Tracks::new(&self.groups);
        if tracks.horizon() <= 0.0 {
            return WindowDemand {
                counts: vec![Counts::none(); times.len()],
                by_curve: Vec::new(),
                error: 0.0,
            };
        }
        let by_curve: Vec<(f64, Vec<Counts>, f64)> = if self.kept.is_empty() {
            let windows = self.groups.first().map_or(0, |g| g.windows.len());
            let share = 1.0 / self.nodes.len() as f64;
            let ask = |on: &OnGrid<'_>, group: &Group| at_least(on, group, |_| true);
            let answers = Totals {
                firsts: &tracks.firsts,
                windows,
            };
            self.nodes
                .par_iter()
                .map(|node| {
                    let life = curve(node, self.per_change);
                    let allowed = self.accuracy.allowed(share, node.weight);
                    let within = (allowed, self.accuracy.most_cells);
                    let refined = refine(life, &tracks, &ask, &answers, within, true);
                    let curves = Curves {
                        life,
                        weight: node.weight,
                        error: refined.error,
                        level: refined.level,
                        values: refined.curves,
                    };
                    (node.weight, self.at(&tracks, &curves, times), curves.error)
                })
                .collect()
        } else {
            self.kept
                .par_iter()
                .map(|c| (c.weight, self.at(&tracks, c, times), c.error))
                .collect()
        };
        let error = self.left_out + by_curve.iter().map(|(w, _, e)| w * e).sum::<f64>();
        let counts = (0..times.len())
            .map(|i| mix(by_curve.iter().map(|(w, c, _)| (*w, &c[i]))))
            .collect();
        WindowDemand {
            counts,
            by_curve: by_curve.into_iter().map(|(w, c, _)| (w, c)).collect(),
            error,
        }
    }

    /// The sum over all positions at each of the times, under one curve.
    fn at(&self, tracks: &Tracks<'_>, curves: &Curves, times: &[Vec<f64>]) -> Vec<Counts> {
        let grids = tracks.grids(curves.level, 1);
        let axes: Vec<Axis> = tracks
            .firsts
            .iter()
            .zip(grids)
            .map(|(firsts, grid)| {
                let (times, stretches) = grid.curve_times();
                let changed_at = firsts.lives.iter().map(|first| {
                    let age = match first {
                        FirstLife::Aged(age) => Some(*age),
                        FirstLife::Met { .. } => None,
                    };
                    grid.first_change(age)
                        .map_or(f64::INFINITY, |p| grid.edges[grid.points[p].from])
                });
                Axis {
                    changed_at: changed_at.collect(),
                    times,
                    stretches,
                }
            })
            .collect();
        times
            .iter()
            .map(|by_group| {
                let mut rows = Rows::default();
                let mut starts = Vec::new();
                for (g, firsts) in tracks.firsts.iter().enumerate() {
                    starts.push(rows.len());
                    let (t, axis) = (by_group[g], &axes[g]);
                    if t <= 0.0 {
                        continue;
                    }
                    let (from, weights) = axis.interpolation(t);
                    for (i, first) in firsts.lives.iter().enumerate() {
                        for n in 0..MOST_NUMBERS {
                            let curve = curves.values.0[g].row(i * MOST_NUMBERS + n);
                            if curve.is_empty() {
                                break;
                            }
                            rows.push(if n == 0 && t <= axis.changed_at[i] {
                                first.cdf(&curves.life, t)
                            } else {
                                let near = weights.iter().zip(&curve[from..]);
                                near.map(|(w, p)| w * p).sum::<f64>().clamp(0.0, 1.0)
                            });
                        }
                        rows.end();
                    }
                }
                let sum = total(|show| {
                    let mut buffer = Vec::new();
                    for (g, firsts) in tracks.firsts.iter().enumerate() {
                        if by_group[g] <= 0.0 {
                            continue;
                        }
                        for place in &firsts.places {
                            show(Term {
                                at_least: place.row(|i| rows.row(starts[g] + i), &mut buffer),
                                alike: place.alike,
                            });
                        }
                    }
                });
                sum.in_sets_of(self.per_change)
            })
            .collect()
    }
}

impl Axis {
    /// The first entry and the weights by which entries from there on give the value at t (Lagrange).
    fn interpolation(&self, t: f64) -> (usize, Vec<f64>) {
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
        let weights = (0..count)
            .map(|i| {
                let others = (0..count).filter(|&j| j != i);
                others
                    .map(|j| (t - times[j]) / (times[i] - times[j]))
                    .product()
            })
            .collect();
        (stretch.start + from, weights)
    }
}

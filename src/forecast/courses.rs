//! One part kind's demand through the schedule, worked out once: in every job, over all jobs, by the end of
//! any day, and by the end of two days together.

use rayon::prelude::*;

use super::counts::{Counts, mix};
use super::demand::{
    Accuracy, Counting, Group, LEFT_OUT, WindowDemand, at_least, without_negligible,
};
use super::first_life::{FirstLife, WeibullCurve};
use super::firsts::Firsts;
use super::joint::{Both, both_at_most, together};
use super::located::Located;
use super::moments::{GroupMoments, Moments};
use super::refine::{AskMore, Level, MOST_NUMBERS, OnGrid, Refined, Tracks, Values, refine};
use super::remaining::curve;
use super::renewal::Window;
use super::rows::Rows;
use super::sum::{
    self, Cumulants, FEW, SMOOTH, Space, convolved_group, cumulants, cumulants_of, every, series,
    total,
};
use super::thin;
use super::totals::Totals;
use super::track::Grid;
use crate::models::WeibullNode;
use crate::numerics::vector::{exp, exp_m1};

/// Numbers followed in the chances of one number by one time and another by the end.
const MOST_TOGETHER: usize = 9;

/// One part kind's demand.
#[derive(Debug)]
pub(super) struct Courses {
    curves: thin::Curves,
    groups: Vec<Group>,
    per_change: u32,
    accuracy: Accuracy,
    /// Each window, every part used.
    pub(super) used: WindowDemand,
    /// Each window, wear-outs only where they are counted apart; else as `used`.
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
    /// `P(N(0, t] ≥ n)` by group, first life and number, edge.
    counts: Values,
    /// `E[N(0, t] N(0, T]]` by group, first life, edge.
    products: Values,
    /// `P(S_i ≤ t, S_{i+j} ≤ T)` by group, first life and i and j, edge; empty for many positions.
    together: Values,
}

/// That two stocks are both enough, under one curve.
#[derive(Debug, Clone, Copy)]
enum Enough {
    Chance(f64),
    /// Cumulants by the one time and by the other, and the covariance.
    Many(Cumulants, Cumulants, f64),
}

/// Demand in each window of some groups, as the forecast works it out: with as few curves as give the same, and
/// others between them where the positions are many. Hours; `per_change` parts are taken at each change. For every
/// curve as it is see [`demand`](super::demand).
pub fn demand_by_few_curves(
    nodes: &[WeibullNode],
    groups: Vec<Group>,
    per_change: u32,
    accuracy: Accuracy,
) -> WindowDemand {
    let asked: Vec<thin::Asked> = (groups.iter())
        .flat_map(|group| {
            let each = group.positions.iter();
            each.flat_map(|(first, alike)| {
                std::iter::repeat_n((first.clone(), group.end()), *alike as usize)
            })
        })
        .collect();
    let (_, curves) = thin::thinned(nodes, per_change, &asked);
    Courses::of_windows(&curves, groups, per_change, accuracy)
}

impl Courses {
    /// Groups with one window for each answer wanted; `wear_outs` says whether those are counted apart. What is
    /// asked later rests on up to `most_kept` numbers, and is worked out again beyond that.
    pub(super) fn new(
        curves: &thin::Curves,
        groups: Vec<Group>,
        per_change: u32,
        accuracy: Accuracy,
        (wear_outs, most_kept): (bool, usize),
    ) -> Self {
        let windows = groups.first().map_or(0, |g| g.windows.len());
        let mut curves = curves.clone();
        let positions = groups.iter().flat_map(|g| &g.positions);
        if positions.map(|(_, alike)| alike).sum::<u32>() <= FEW {
            // Convolved under each curve: none is interpolated.
            curves.between.clear();
        }
        let mut left_out = 0.0;
        if curves.between.is_empty() {
            let allowed = LEFT_OUT * accuracy.tolerance;
            (curves.nodes, left_out) = without_negligible(&curves.nodes, allowed);
        }
        let none = || WindowDemand {
            counts: vec![Counts::none(); windows],
            error: 0.0,
        };
        let mut courses = Self {
            curves,
            groups,
            per_change,
            accuracy,
            used: none(),
            worn: none(),
            left_out,
            kept: Vec::new(),
        };
        let tracks = courses.tracks();
        if tracks.horizon() <= 0.0 {
            return courses;
        }
        let lives: usize = tracks.firsts.iter().map(|f| f.lives.len()).sum();
        let keep = lives * courses.curves.nodes.len() * 160 <= most_kept;
        let twice = wear_outs && courses.groups.iter().any(Group::is_planned);
        let counting: &[Counting] = if twice {
            &[Counting::Used, Counting::WearOuts]
        } else {
            &[Counting::Used]
        };
        let answers = Totals::new(&tracks, counting.len());
        let ask_more = ask_more(is_few(&tracks));
        let ask = |on: &OnGrid<'_>, group: &Group| at_least(on, group, counting);
        let apart = |a: &Values, b: &Values, enough| answers.apart(a, b, enough);
        let found: Vec<(f64, Values, Option<Curves>)> = (courses.curves.nodes)
            .par_iter()
            .map(|node| {
                let life = curve(node, per_change);
                let within = courses.within(node);
                let more: Option<&AskMore<'_>> = if keep { Some(&ask_more) } else { None };
                let mut refined = refine(life, &tracks, (&ask, more), &apart, within);
                let values = std::mem::take(&mut refined.values);
                let error = refined.error;
                let kept = keep.then(|| Curves::new(life, node.weight, refined));
                (error, values, kept)
            })
            .collect();
        let weights = courses.curves.nodes.iter().map(|n| n.weight);
        let error = left_out + weights.zip(&found).map(|(w, f)| w * f.0).sum::<f64>();
        let counts: Vec<Counts> = (0..answers.windows())
            .into_par_iter()
            .map(|w| {
                let groups = answers.groups(w);
                let row = |c: usize, g: usize, i: usize| answers.row(&found[c].1, w, g, i);
                let sum = |c: usize| cumulants(&tracks.firsts, groups, |g, i| row(c, g, i));
                let one = |c: usize| total(&tracks.firsts, groups, |g, i| row(c, g, i));
                courses.mixed(sum, one)
            })
            .collect();
        let demand = |range: std::ops::Range<usize>| WindowDemand {
            counts: counts[range].to_vec(),
            error,
        };
        let used = demand(0..windows);
        let worn = if twice {
            demand(windows..2 * windows)
        } else {
            used.clone()
        };
        let kept = found.into_iter().filter_map(|f| f.2).collect();
        (courses.used, courses.worn, courses.kept) = (used, worn, kept);
        courses
    }

    /// The same, where no more is wanted than these windows.
    pub(super) fn of_windows(
        curves: &thin::Curves,
        groups: Vec<Group>,
        per_change: u32,
        accuracy: Accuracy,
    ) -> WindowDemand {
        Self::new(curves, groups, per_change, accuracy, (false, 0)).used
    }

    /// What all positions of some groups need, averaged over the curves: `sum(c)` are the cumulants under curve
    /// c, `one(c)` is the distribution.
    ///
    /// Given the curve, the demand of many positions has a sharp distribution, but its cumulants change
    /// slowly from curve to curve: so those are interpolated between the curves, and the distributions of
    /// many more curves averaged.
    fn mixed(
        &self,
        sum: impl Fn(usize) -> Option<Cumulants>,
        one: impl Fn(usize) -> Counts,
    ) -> Counts {
        let nodes = &self.curves.nodes;
        let each: Option<Vec<Cumulants>> = (0..nodes.len()).map(sum).collect();
        let counts: Vec<(f64, Counts)> = match each {
            Some(each) if self.is_sharp(&each) => (self.curves.smooth(&each).iter())
                .map(|(weight, sum)| (*weight, series(sum)))
                .collect(),
            _ => (nodes.iter().enumerate())
                .map(|(c, node)| (node.weight, one(c)))
                .collect(),
        };
        mix(counts.iter().map(|(w, c)| (*w, c))).in_sets_of(self.per_change)
    }

    fn tracks(&self) -> Tracks<'_> {
        Tracks::new(&self.groups, &self.curves.nodes, self.per_change)
    }

    fn is_sharp(&self, cumulants: &[Cumulants]) -> bool {
        let nodes = self.curves.nodes.iter().zip(cumulants);
        let by_curve = nodes.map(|(n, c)| (n.weight, c[0], c[1].max(0.0).sqrt()));
        !self.curves.between.is_empty() && thin::is_sharp(by_curve)
    }

    fn within(&self, node: &WeibullNode) -> (f64, usize) {
        let share = 1.0 / self.curves.nodes.len() as f64;
        let mut allowed = self.accuracy.allowed(share, node.weight);
        if !self.curves.between.is_empty() {
            // Its neighbours of more weight rest on it.
            allowed = allowed.min(10.0 * self.accuracy.tolerance);
        }
        (allowed, self.accuracy.most_cells)
    }

    /// What is asked of each curve in turn, from what is kept or worked out again.
    fn each_curve<T: Send>(
        &self,
        tracks: &Tracks<'_>,
        ask: impl Fn(&Curves) -> T + Sync,
    ) -> Vec<(f64, f64, T)> {
        let of = |curves: &Curves| (curves.weight, curves.error, ask(curves));
        if !self.kept.is_empty() {
            return self.kept.par_iter().map(of).collect();
        }
        let answers = Totals::new(tracks, 1);
        let windows = |on: &OnGrid<'_>, group: &Group| at_least(on, group, &[Counting::Used]);
        let apart = |a: &Values, b: &Values, enough| answers.apart(a, b, enough);
        let more = ask_more(is_few(tracks));
        (self.curves.nodes.par_iter())
            .map(|node| {
                let life = curve(node, self.per_change);
                let ask = (&windows as _, Some(&more as _));
                let refined = refine(life, tracks, ask, &apart, self.within(node));
                of(&Curves::new(life, node.weight, refined))
            })
            .collect()
    }

    /// Parts used from now to a time: for each of several times, given by group. From the cumulants of each group at
    /// each of its moments, and from its distribution where they do not do.
    pub(super) fn by(&self, times: &[Vec<f64>]) -> WindowDemand {
        let tracks = self.tracks();
        if tracks.horizon() <= 0.0 {
            return WindowDemand {
                counts: vec![Counts::none(); times.len()],
                error: 0.0,
            };
        }
        let located = self.located(&tracks, times);
        let moments = Moments::new(&tracks.firsts, times);
        let sum_at = |sums: &[Option<Cumulants>], at: usize| {
            let groups = moments.of_groups.iter().zip(&tracks.firsts);
            let of = |(moments, firsts): (&GroupMoments, &Firsts)| {
                Some((firsts.count, sums[moments.sum(at)]?))
            };
            sum::of_groups(groups.filter_map(of))
        };
        let is_smooth = |sum: &Cumulants| sum[1] > SMOOTH;
        let by_curve = self.each_curve(&tracks, |curves| {
            let on = Located::of(&located, curves.level);
            let mut rows = Rows::default();
            rows.reserve(6 * moments.lives, moments.lives);
            let mut sums = Vec::with_capacity(moments.all);
            for (g, moments) in moments.of_groups.iter().enumerate() {
                for at in &moments.first {
                    let before = rows.len();
                    counts_of_group(&tracks, curves, on, (*at, g), &mut rows);
                    sums.push(cumulants_of(&tracks.firsts[g], |i| rows.row(before + i)));
                }
            }
            let mut wanted = vec![false; moments.all];
            for at in
                (0..moments.times).filter(|at| !sum_at(&sums, *at).is_some_and(|s| is_smooth(&s)))
            {
                for of_group in &moments.of_groups {
                    wanted[of_group.sum(at)] = true;
                }
            }
            let (mut exact, mut space) = (Rows::default(), Space::default());
            for (g, moments) in moments.of_groups.iter().enumerate() {
                for at in &moments.first {
                    let own = if wanted[moments.sum(*at)] {
                        let row = |i| rows.row(moments.row(*at) + i);
                        convolved_group(&tracks.firsts[g], row, &mut space)
                    } else {
                        Vec::new()
                    };
                    exact.add(own);
                }
            }
            (sums, exact)
        });
        let error = self.left_out + by_curve.iter().map(|(w, e, _)| w * e).sum::<f64>();
        let counts = (0..moments.times)
            .into_par_iter()
            .map(|at| {
                let sum = |c: usize| sum_at(&by_curve[c].2.0, at);
                let one = |c: usize| {
                    if let Some(sum) = sum(c).filter(is_smooth) {
                        return series(&sum);
                    }
                    let groups = moments.of_groups.iter();
                    sum::sum_of(groups.map(|m| by_curve[c].2.1.row(m.sum(at))))
                };
                self.mixed(sum, one)
            })
            .collect();
        WindowDemand { counts, error }
    }

    /// Chance that at most `limits.0` parts are used from now to a time **and** at most `limits.1` up to
    /// the end: for each of several times, given by group.
    pub(super) fn both_enough(&self, times: &[Vec<f64>], limits: &[(u32, u32)]) -> Vec<f64> {
        let tracks = self.tracks();
        if tracks.horizon() <= 0.0 {
            return vec![1.0; times.len()];
        }
        let size = self.per_change.max(1);
        // As numbers of changes.
        let limits: Vec<(usize, usize)> = (limits.iter())
            .map(|(a, b)| ((a / size) as usize, (b / size) as usize))
            .collect();
        // The end comes last.
        let mut times = times.to_vec();
        times.push(self.groups.iter().map(Group::end).collect());
        let located = self.located(&tracks, &times);
        let (end, all) = (limits.len(), every(&tracks.firsts));
        let by_curve = self.each_curve(&tracks, |curves| {
            let on = Located::of(&located, curves.level);
            let by_end = counts_of_lives(&tracks, curves, on, end);
            let many = cumulants(&tracks.firsts, &all, |g, i| by_end[g].row(i));
            (limits.iter().enumerate())
                .map(|(at, limit)| {
                    let by_time = counts_of_lives(&tracks, curves, on, at);
                    let first = cumulants(&tracks.firsts, &all, |g, i| by_time[g].row(i));
                    if is_few(&tracks) {
                        let lives = both(&tracks, curves, on, at, [&by_time, &by_end]);
                        Enough::Chance(both_at_most(&tracks.firsts, &lives, *limit))
                    } else {
                        let covariance = covariance(&tracks, curves, on, at, [&by_time, &by_end]);
                        match (first, many) {
                            (Some(first), Some(end)) if !self.curves.between.is_empty() => {
                                Enough::Many(first, end, covariance)
                            }
                            _ => {
                                let totals =
                                    [&by_time, &by_end].map(|rows| total_of(&tracks, &all, rows));
                                let [first, end] = totals;
                                Enough::Chance(together(&first, &end, covariance, *limit))
                            }
                        }
                    }
                })
                .collect::<Vec<Enough>>()
        });
        (limits.iter().enumerate())
            .map(|(i, limit)| self.mixed_enough(*limit, |curve| by_curve[curve].2[i]))
            .map(|p| p.clamp(0.0, 1.0))
            .collect()
    }

    fn mixed_enough(&self, limit: (usize, usize), of: impl Fn(usize) -> Enough) -> f64 {
        let nodes = &self.curves.nodes;
        let each: Vec<Enough> = (0..nodes.len()).map(of).collect();
        let chance = |first: &Cumulants, end: &Cumulants, covariance: f64| {
            together(&series(first), &series(end), covariance, limit)
        };
        let many = |c: &Enough| match c {
            Enough::Many(first, end, covariance) => {
                let mut both = [*covariance; 11];
                both[..5].copy_from_slice(first);
                both[5..10].copy_from_slice(end);
                Some(both)
            }
            Enough::Chance(_) => None,
        };
        if let Some(all) = each.iter().map(many).collect::<Option<Vec<[f64; 11]>>>() {
            let smooth = self.curves.smooth(&all);
            let chances = smooth.par_iter().map(|(weight, both)| {
                let sum = |from: usize| -> Cumulants { std::array::from_fn(|k| both[from + k]) };
                weight * chance(&sum(0), &sum(5), both[10])
            });
            return chances.collect::<Vec<f64>>().iter().sum();
        }
        let each = each.iter().map(|c| match c {
            Enough::Chance(chance) => *chance,
            Enough::Many(first, end, covariance) => chance(first, end, *covariance),
        });
        nodes
            .iter()
            .zip(each)
            .map(|(n, chance)| n.weight * chance)
            .sum()
    }

    /// The times on the grids of every level that a curve may have.
    fn located(&self, tracks: &Tracks<'_>, times: &[Vec<f64>]) -> Vec<Located> {
        let mut levels: Vec<Level> = (self.curves.nodes.iter())
            .map(|node| tracks.level(&curve(node, self.per_change), self.accuracy.most_cells))
            .collect();
        levels.sort_unstable();
        levels.dedup();
        levels
            .into_iter()
            .map(|level| Located::new(tracks, level, times))
            .collect()
    }
}

impl Curves {
    fn new(life: WeibullCurve, weight: f64, refined: Refined) -> Self {
        let mut more = refined.more.into_iter();
        let mut next = || more.next().unwrap_or_default();
        Self {
            life,
            weight,
            error: refined.error,
            level: refined.level,
            counts: next(),
            products: next(),
            together: next(),
        }
    }
}

fn is_few(tracks: &Tracks<'_>) -> bool {
    tracks.firsts.iter().map(|f| f.count).sum::<u32>() <= FEW
}

/// The questions behind [`Curves`].
fn ask_more(few: bool) -> impl Fn(&OnGrid<'_>, usize) -> Vec<Rows> + Sync {
    move |on: &OnGrid<'_>, stride: usize| {
        let grid: &Grid = on.grid;
        let end = Window::to_the_end(on.kernel, on.negligible);
        let mut rows = [Rows::default(), Rows::default(), Rows::default()];
        for course in on.courses {
            course.curve(grid, stride, MOST_NUMBERS, &mut rows[0]);
            if few {
                course.joint_curves(grid, &end, stride, MOST_TOGETHER, &mut rows[2]);
            } else {
                course.product(grid, &end, stride, &mut rows[1]);
            }
        }
        rows.into()
    }
}

/// `P(N ≥ 1), P(N ≥ 2), …` of each first life of each group by one of the times.
fn counts_of_lives(tracks: &Tracks<'_>, curves: &Curves, on: &Located, at: usize) -> Vec<Rows> {
    let of_group = |(g, firsts): (usize, &Firsts)| {
        let mut rows = Rows::default();
        rows.reserve(4 * firsts.lives.len(), firsts.lives.len());
        counts_of_group(tracks, curves, on, (at, g), &mut rows);
        rows
    };
    tracks.firsts.iter().enumerate().map(of_group).collect()
}

/// Adds those of one group: a row for each first life, empty where nothing is asked of it.
fn counts_of_group(
    tracks: &Tracks<'_>,
    curves: &Curves,
    on: &Located,
    (at, g): (usize, usize),
    rows: &mut Rows,
) {
    let (axis, place, values) = (&on.axes[g], &on.places[at][g], &curves.counts.0[g]);
    let level = curves.life.shape * curves.life.scale.ln();
    let hazard = |ln_age: f64| exp(curves.life.shape * ln_age - level);
    for (i, first) in tracks.firsts[g].lives.iter().enumerate() {
        let numbers = if place.t > 0.0 { MOST_NUMBERS } else { 0 };
        for n in 0..numbers {
            let curve = values.row(i * MOST_NUMBERS + n);
            if curve.is_empty() {
                break;
            }
            rows.push(if n == 0 && place.t <= axis.changed_at[i] {
                match first {
                    FirstLife::Aged(_) => {
                        let ahead = hazard(place.ln_then[i]) - hazard(axis.ln_age[i]);
                        -exp_m1(-ahead.max(0.0))
                    }
                    FirstLife::Met { .. } | FirstLife::OneOf(_) => first.cdf(&curves.life, place.t),
                }
            } else {
                place.at(curve).clamp(0.0, 1.0)
            });
        }
        rows.end();
    }
}

fn total_of(tracks: &Tracks<'_>, groups: &[usize], lives: &[Rows]) -> Counts {
    total(&tracks.firsts, groups, |g, i| lives[g].row(i))
}

/// Covariance of the sums by one of the times and by the end.
fn covariance(
    tracks: &Tracks<'_>,
    curves: &Curves,
    on: &Located,
    at: usize,
    [by_time, by_end]: [&[Rows]; 2],
) -> f64 {
    let mut covariance = 0.0;
    for (g, firsts) in tracks.firsts.iter().enumerate() {
        let place = &on.places[at][g];
        if place.t <= 0.0 {
            continue;
        }
        for (i, share) in firsts.shares.iter().enumerate() {
            let mean = |rows: &[Rows]| rows[g].row(i).iter().sum::<f64>();
            let product = place.at(curves.products.0[g].row(i));
            covariance += share * (product - mean(by_time) * mean(by_end));
        }
    }
    covariance
}

/// Chances of every number by one of the times and every number by the end, of each first life.
///
/// `P(N(t) = i, N(T) ≥ m) = P(S_i ≤ t, S_m ≤ T) − P(S_{i+1} ≤ t, S_m ≤ T)` for m > i.
fn both(
    tracks: &Tracks<'_>,
    curves: &Curves,
    on: &Located,
    at: usize,
    [by_time, by_end]: [&[Rows]; 2],
) -> Vec<Vec<Both>> {
    let of_life = |g: usize, life: usize| {
        let (by_time, by_end) = (by_time[g].row(life), by_end[g].row(life));
        let place = &on.places[at][g];
        let number = |row: &[f64], n: usize| match n {
            0 => 1.0,
            n => row.get(n - 1).copied().unwrap_or(0.0),
        };
        // P(S_i ≤ t, S_m ≤ T), m ≥ i.
        let reached = |i: usize, m: usize| {
            if i == 0 {
                return number(by_end, m);
            }
            if place.t <= 0.0 {
                return 0.0;
            }
            if m == i {
                return number(by_time, i);
            }
            let (row, column) = (i - 1, m - i - 1);
            if row >= MOST_TOGETHER || column >= MOST_TOGETHER {
                return 0.0;
            }
            let number = (life * MOST_TOGETHER + row) * MOST_TOGETHER + column;
            let curve = curves.together.0[g].row(number);
            if curve.is_empty() {
                0.0
            } else {
                place.at(curve)
            }
        };
        let width = by_end.len() + 1;
        let mut both = Both {
            width,
            chances: vec![0.0; (by_time.len() + 1) * width],
        };
        for i in 0..=by_time.len().min(by_end.len()) {
            let mut before = reached(i, i) - reached(i + 1, i + 1);
            for m in i..width {
                let after = reached(i, m + 1) - reached(i + 1, m + 1);
                both.chances[i * width + m] = (before - after).max(0.0);
                before = after;
            }
        }
        both
    };
    (tracks.firsts.iter().enumerate())
        .map(|(g, firsts)| (0..firsts.lives.len()).map(|i| of_life(g, i)).collect())
        .collect()
}

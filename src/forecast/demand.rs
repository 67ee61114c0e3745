//! Parts needed in windows of operating hours: every position's renewal process, summed within each
//! curve of the posterior, then averaged over the curves.
//!
//! Given the curve, positions are independent and their counts convolve. What is uncertain about the
//! curve is shared by all of them, so the average over curves comes last: that keeps the dependence
//! through the shared parameters, which is what a plug-in forecast loses.

use rayon::prelude::*;

use super::counts::{Counts, mix};
use super::first_life::FirstLife;
use super::firsts::Firsts;
use super::joint::{Both, both_at_most};
use super::refine::{MOST_NUMBERS, OnGrid, Refined, Tracks, Values, refine};
use super::remaining::curve;
use super::renewal::Window;
use super::rows::{Rows, entry};
use super::totals::Totals;
use super::ways::ROUGH;
use crate::models::WeibullNode;

/// A window of operating hours of one machine; empty where `end <= start`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hours {
    /// Hours from now at its start.
    pub start: f64,
    /// Hours from now at its end.
    pub end: f64,
}

impl Hours {
    /// Whether there are any.
    pub(super) fn ahead(&self) -> bool {
        self.end > self.start
    }
}

/// Positions that run through the same hours.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// One window for each answer wanted; the same number in every group.
    pub windows: Vec<Hours>,
    /// What is fitted now, with the number of positions that are alike in it.
    pub positions: Vec<(FirstLife, u32)>,
    /// Job starts at which a part is changed once it has reached an age; empty where every part runs
    /// until it is worn.
    pub starts: Vec<JobStart>,
}

impl Group {
    /// Whether any part may be changed ahead of time.
    pub fn is_planned(&self) -> bool {
        self.starts.iter().any(|s| s.change_from.is_finite())
    }

    /// Hours at the end of its last window.
    pub(super) fn end(&self) -> f64 {
        self.windows.iter().map(|w| w.end).fold(0.0, f64::max)
    }
}

/// A job start as an occasion for a planned change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JobStart {
    /// Hours from now.
    pub at: f64,
    /// A part of at least this age is changed; infinite for never.
    pub change_from: f64,
}

/// What is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Counting {
    /// Every part used: planned changes at the starts of jobs within the window, and wear-outs.
    Used,
    /// Wear-outs in service only.
    WearOuts,
}

/// Demand in each window.
#[derive(Debug, Clone, PartialEq)]
pub struct WindowDemand {
    /// Averaged over the posterior, one per window.
    pub counts: Vec<Counts>,
    /// Bound on the error of any cumulative probability in `counts`, from comparing lattices.
    pub error: f64,
}

impl WindowDemand {
    /// The mean of some with their weights; nothing of none.
    #[must_use]
    pub fn mean(each: impl Iterator<Item = (f64, Self)>) -> Self {
        let mut each: Vec<(f64, Self)> = each.collect();
        if each.len() == 1 {
            return each.swap_remove(0).1;
        }
        let all: f64 = each.iter().map(|(weight, _)| weight).sum();
        let windows = each.first().map_or(0, |(_, d)| d.counts.len());
        let counts = (0..windows).map(|w| mix(each.iter().map(|(v, d)| (v / all, &d.counts[w]))));
        Self {
            counts: counts.collect(),
            error: each.iter().map(|(v, d)| v / all * d.error).sum(),
        }
    }

    /// The mean of some that are equally likely.
    #[must_use]
    pub fn alike(each: impl Iterator<Item = Self>) -> Self {
        Self::mean(each.map(|d| (1.0, d)))
    }

    /// Only these windows, in this order.
    #[must_use]
    pub fn windows(&self, wanted: &[usize]) -> Self {
        Self {
            counts: wanted.iter().map(|w| self.counts[*w].clone()).collect(),
            error: self.error,
        }
    }
}

/// How exact a demand distribution must be, and how far to go for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Largest error allowed in a cumulative probability.
    pub tolerance: f64,
    /// Finest lattice.
    pub most_cells: usize,
}

impl Default for Accuracy {
    fn default() -> Self {
        Self {
            tolerance: 1e-4,
            most_cells: 4096,
        }
    }
}

impl Accuracy {
    /// Whether no more than [`ROUGH`] is asked.
    pub(super) fn is_rough(&self) -> bool {
        self.tolerance >= ROUGH
    }

    /// The share of the tolerance that one curve may use up: half is spread evenly over the curves,
    /// half by weight, so a curve of little weight may be less exact.
    pub(super) fn allowed(&self, share: f64, weight: f64) -> f64 {
        self.tolerance * (share / weight).max(1.0) * 0.4
    }
}

/// Curves whose weights together are below this share of the tolerance are left out, and the rest
/// rescaled; it counts in the error.
pub(super) const LEFT_OUT: f64 = 0.5;

/// Demand of all groups in each window. `per_change` parts are taken at each wear-out (1, or the
/// size of the set), and the life of a set is that of its first to wear.
pub fn demand(
    nodes: &[WeibullNode],
    groups: &[Group],
    per_change: u32,
    accuracy: Accuracy,
) -> WindowDemand {
    demand_of(nodes, groups, per_change, accuracy, Counting::Used)
}

/// The same, counting every part used or wear-outs only.
pub fn demand_of(
    nodes: &[WeibullNode],
    groups: &[Group],
    per_change: u32,
    accuracy: Accuracy,
    counting: Counting,
) -> WindowDemand {
    let windows = groups.first().map_or(0, |g| g.windows.len());
    let (nodes, left_out) = without_negligible(nodes, LEFT_OUT * accuracy.tolerance);
    let share = 1.0 / nodes.len().max(1) as f64;
    let tracks = Tracks::new(groups, &nodes, per_change);
    if tracks.horizon() <= 0.0 {
        return WindowDemand {
            counts: vec![Counts::none(); windows],
            error: 0.0,
        };
    }
    let totals = Totals::new(&tracks, 1);
    let ask = |on_grid: &OnGrid<'_>, group: &Group| at_least(on_grid, group, &[counting]);
    let by_curve: Vec<(f64, Vec<Counts>, f64)> = nodes
        .par_iter()
        .map(|node| {
            let life = curve(node, per_change);
            let within = (accuracy.allowed(share, node.weight), accuracy.most_cells);
            let apart = |a: &Values, b: &Values, enough| totals.apart(a, b, enough);
            let Refined { values, error, .. } = refine(life, &tracks, (&ask, None), &apart, within);
            let counts = totals.make(&values);
            let counts = counts.iter().map(|c| c.in_sets_of(per_change)).collect();
            (node.weight, counts, error)
        })
        .collect();
    let error = left_out + by_curve.iter().map(|(w, _, e)| w * e).sum::<f64>();
    let counts = (0..windows)
        .map(|w| mix(by_curve.iter().map(|(weight, c, _)| (*weight, &c[w]))))
        .collect();
    WindowDemand { counts, error }
}

/// The curves that matter, weights summing to 1, and the weight left out, at most `allowed`.
pub fn without_negligible(nodes: &[WeibullNode], allowed: f64) -> (Vec<WeibullNode>, f64) {
    let mut light: Vec<f64> = nodes.iter().map(|n| n.weight).collect();
    light.sort_by(f64::total_cmp);
    let mut left_out = 0.0;
    let mut threshold = 0.0;
    for weight in light {
        if left_out + weight > allowed {
            break;
        }
        left_out += weight;
        threshold = weight;
    }
    let mut kept: Vec<WeibullNode> = nodes
        .iter()
        .filter(|n| n.weight > threshold)
        .copied()
        .collect();
    if kept.is_empty() {
        kept = nodes.to_vec();
    }
    let sum = to_one(&mut kept);
    let whole: f64 = nodes.iter().map(|n| n.weight).sum();
    (kept, (1.0 - sum / whole).max(0.0))
}

/// Brings the weights of curves to a sum of 1; gives what it was.
pub(super) fn to_one(nodes: &mut [WeibullNode]) -> f64 {
    let all: f64 = nodes.iter().map(|node| node.weight).sum();
    for node in nodes {
        node.weight /= all;
    }
    all
}

/// `P(N ≥ 1), P(N ≥ 2), …` of each first life, for each way of counting and each window that has hours.
pub(super) fn at_least(on_grid: &OnGrid<'_>, group: &Group, counting: &[Counting]) -> Rows {
    let ahead: Vec<&Hours> = group.windows.iter().filter(|w| w.ahead()).collect();
    let window = |count: &Counting, w: &Hours| {
        let used = *count == Counting::Used;
        Window::new(on_grid.kernel, (w.start, w.end), used, on_grid.negligible)
    };
    let windows: Vec<Vec<Window>> = (counting.iter())
        .map(|count| ahead.iter().map(|w| window(count, w)).collect())
        .collect();
    let (mut rows, mut space) = (Rows::default(), Vec::new());
    let each = ahead.len();
    let count = on_grid.courses.len() * each * counting.len();
    rows.reserve(4 * count, count);
    let mut entering: Vec<Vec<f64>> = vec![Vec::new(); each];
    for course in on_grid.courses {
        for (number, windows) in windows.iter().enumerate() {
            for (window, entering) in windows.iter().zip(&mut entering) {
                // The same for every way of counting.
                if number == 0 {
                    course.entering(on_grid.kernel, window, &mut space);
                    std::mem::swap(entering, &mut space);
                }
                course.at_least(on_grid.grid, window, entering, &mut rows);
                rows.end();
            }
        }
    }
    rows
}

/// Chance that two stocks are both enough: at most `limits.0` parts needed by the start of each
/// window **and** at most `limits.1` by its end, both counted from now. Averaged over the posterior;
/// with a bound on its error.
pub fn both_enough(
    nodes: &[WeibullNode],
    groups: &[Group],
    limits: &[(u32, u32)],
    per_change: u32,
    accuracy: Accuracy,
) -> (Vec<f64>, f64) {
    let (nodes, left_out) = without_negligible(nodes, LEFT_OUT * accuracy.tolerance);
    let share = 1.0 / nodes.len().max(1) as f64;
    let size = per_change.max(1);
    // As numbers of changes.
    let limits: Vec<(usize, usize)> = limits
        .iter()
        .map(|(a, b)| ((a / size) as usize, (b / size) as usize))
        .collect();
    let tracks = Tracks::new(groups, &nodes, per_change);
    if tracks.horizon() <= 0.0 {
        return (vec![1.0; limits.len()], 0.0);
    }
    let followed: Vec<usize> = limits.iter().map(|l| l.0.min(MOST_NUMBERS)).collect();
    let ask = |on_grid: &OnGrid<'_>, group: &Group| -> Rows {
        let windows: Vec<Window> = group
            .windows
            .iter()
            .map(|w| {
                let times = (w.start, w.end.max(w.start));
                Window::new(on_grid.kernel, times, true, on_grid.negligible)
            })
            .collect();
        let (mut rows, mut space) = (Rows::default(), Vec::new());
        for course in on_grid.courses {
            for (window, first) in windows.iter().zip(&followed) {
                course.joint(on_grid.kernel, window, *first, &mut space, &mut rows);
            }
        }
        rows
    };
    let both = BothEnough {
        firsts: &tracks.firsts,
        limits: &limits,
        followed: &followed,
    };
    let by_curve: Vec<(f64, Vec<f64>, f64)> = nodes
        .par_iter()
        .map(|node| {
            let life = curve(node, per_change);
            let within = (accuracy.allowed(share, node.weight), accuracy.most_cells);
            let apart = |a: &Values, b: &Values, _| both.apart(a, b);
            let refined = refine(life, &tracks, (&ask, None), &apart, within);
            (node.weight, both.make(&refined.values), refined.error)
        })
        .collect();
    let error = left_out + by_curve.iter().map(|(w, _, e)| w * e).sum::<f64>();
    let mixed = (0..limits.len())
        .map(|k| {
            let sum: f64 = by_curve.iter().map(|(weight, c, _)| weight * c[k]).sum();
            sum.clamp(0.0, 1.0)
        })
        .collect();
    (mixed, error)
}

/// `P(at most first by the start and at most second by the end)` for each pair of limits.
struct BothEnough<'a> {
    firsts: &'a [Firsts],
    limits: &'a [(usize, usize)],
    /// Numbers by the start that are followed.
    followed: &'a [usize],
}

impl BothEnough<'_> {
    fn make(&self, values: &Values) -> Vec<f64> {
        let each: usize = self.followed.iter().map(|first| first + 1).sum();
        let mut row = 0;
        let pairs = self.limits.iter().zip(self.followed);
        pairs
            .map(|(limit, first)| {
                let rows = row..row + first + 1;
                row = rows.end;
                let of_life = |values: &Rows, life: usize| {
                    let rows = rows.clone().map(|row| values.row(life * each + row));
                    by_both(&rows.collect::<Vec<_>>())
                };
                let lives: Vec<Vec<Both>> = (self.firsts.iter().zip(&values.0))
                    .map(|(firsts, values)| {
                        let lives = 0..firsts.lives.len();
                        lives.map(|life| of_life(values, life)).collect()
                    })
                    .collect();
                both_at_most(self.firsts, &lives, *limit)
            })
            .collect()
    }

    fn apart(&self, a: &Values, b: &Values) -> f64 {
        let (a, b) = (self.make(a), self.make(b));
        let apart = a.iter().zip(&b).map(|(a, b)| (a - b).abs());
        apart.fold(0.0, f64::max)
    }
}

/// From `P(i by the start, ≥ n more)`, one row for each i.
fn by_both(rows: &[&[f64]]) -> Both {
    let width = rows.iter().enumerate().map(|(i, row)| i + row.len()).max();
    let width = width.unwrap_or(0) + 1;
    let mut both = Both {
        width,
        chances: vec![0.0; rows.len() * width],
    };
    for (i, row) in rows.iter().enumerate() {
        for (n, p) in row.iter().enumerate() {
            both.chances[i * width + i + n] = (p - entry(row, n + 1)).max(0.0);
        }
    }
    both
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const EXACT: Accuracy = Accuracy {
        tolerance: 1e-7,
        most_cells: 2048,
    };

    fn fixed(shape: f64, scale: f64) -> [WeibullNode; 1] {
        [WeibullNode {
            shape,
            scale,
            weight: 1.0,
        }]
    }

    fn run(shape: f64, ages: &[f64], windows: &[(f64, f64)], accuracy: Accuracy) -> WindowDemand {
        let group = Group {
            windows: windows
                .iter()
                .map(|&(start, end)| Hours { start, end })
                .collect(),
            positions: ages.iter().map(|&a| (FirstLife::Aged(a), 1)).collect(),
            starts: Vec::new(),
        };
        demand(&fixed(shape, 1.0), &[group], 1, accuracy)
    }

    /// Weibull renewal function, η = 1. Values computed two ways outside this project (power series
    /// of Smith & Leadbetter 1963 in mpmath; extrapolated Stieltjes grid), case `renewal_open`.
    #[test]
    fn renewal_function() {
        for (shape, t, m) in [
            (0.8, 0.25, 0.341184043038),
            (0.8, 0.5, 0.607953852091),
            (0.8, 1.0, 1.09850883211),
            (0.8, 2.0, 2.02354797026),
            (0.8, 5.0, 4.70165902978),
            (1.5, 0.25, 0.121901501447),
            (1.5, 0.5, 0.330269844472),
            (1.5, 1.0, 0.84157813665),
            (1.5, 2.0, 1.94550079993),
            (1.5, 5.0, 5.26915995219),
            (3.0, 0.25, 0.015515726985),
            (3.0, 0.5, 0.118262668991),
            (3.0, 1.0, 0.672329100238),
            (3.0, 2.0, 1.80107525689),
            (3.0, 5.0, 5.16527453639),
        ] {
            let got = run(shape, &[0.0], &[(0.0, t)], EXACT);
            assert_abs_diff_eq!(got.counts[0].mean(), m, epsilon = 1e-6);
        }
    }

    /// The same with a first part of some age: case `renewal_delayed_open`.
    #[test]
    fn renewal_function_from_an_age() {
        for (shape, age, m) in [
            (1.5, 0.5, 1.10088408686),
            (2.0, 0.5, 1.15158655055),
            (3.0, 0.5, 1.1780906859),
            (0.8, 1.0, 0.874170752406),
        ] {
            let got = run(shape, &[age], &[(0.0, 1.0)], EXACT);
            assert_abs_diff_eq!(got.counts[0].mean(), m, epsilon = 1e-6);
        }
    }

    /// Whole distributions: case `renewal_counts_open`, computed two ways outside this project.
    #[test]
    fn renewal_counts() {
        let cases: [(f64, f64, f64, &[f64]); 4] = [
            (
                1.5,
                0.0,
                1.0,
                &[
                    0.367879441171,
                    0.453306231881,
                    0.151118251931,
                    0.0249512942949,
                    0.00255290494984,
                    0.000181787959672,
                ],
            ),
            (
                3.0,
                0.0,
                2.0,
                &[
                    0.000335462627903,
                    0.317931485464,
                    0.567894391797,
                    0.108122612218,
                    0.005594441356,
                ],
            ),
            (
                1.5,
                1.2,
                2.0,
                &[
                    0.0121576110143,
                    0.195514244202,
                    0.380099187135,
                    0.273250827253,
                    0.106555584498,
                    0.0268573057548,
                    0.00482810131024,
                ],
            ),
            (
                3.0,
                0.9,
                2.0,
                &[
                    5.30386845554e-11,
                    0.0180926974694,
                    0.512379025274,
                    0.415988082429,
                    0.0514957463577,
                    0.00200914671816,
                ],
            ),
        ];
        for (shape, age, t, pmf) in cases {
            let got = run(shape, &[age], &[(0.0, t)], EXACT);
            for (n, &p) in pmf.iter().enumerate() {
                assert_abs_diff_eq!(got.counts[0].pmf()[n], p, epsilon = 1e-7);
            }
        }
    }

    /// A part with exponential life forgets its age: counts are Poisson in any window.
    #[test]
    fn exponential_lives_give_poisson_counts() {
        let got = run(1.0, &[0.7], &[(0.0, 1.3), (0.4, 1.9), (1.0, 1.05)], EXACT);
        for (counts, width) in got.counts.iter().zip([1.3_f64, 1.5, 0.05]) {
            let mut p = (-width).exp();
            for n in 0..counts.pmf().len().min(12) {
                assert_abs_diff_eq!(counts.pmf()[n], p, epsilon = 1e-7);
                p *= width / (n + 1) as f64;
            }
        }
    }

    /// Reported errors hold: coarse answers are within their bound of the exact ones.
    #[test]
    fn the_error_bound_holds() {
        let loose = Accuracy {
            tolerance: 1e-3,
            most_cells: 4096,
        };
        for shape in [0.6, 0.9, 1.2, 2.0, 4.5, 12.0] {
            for age in [0.0, 0.3, 1.1] {
                let windows = [(0.0, 2.2), (0.5, 0.9), (1.3, 2.2)];
                let rough = run(shape, &[age, 0.05], &windows, loose);
                let exact = run(shape, &[age, 0.05], &windows, EXACT);
                for (a, b) in rough.counts.iter().zip(&exact.counts) {
                    for s in 0..10 {
                        let off = (a.at_most(s) - b.at_most(s)).abs();
                        assert!(
                            off <= rough.error + exact.error + 1e-9,
                            "shape {shape} age {age} s {s}: off {off}, bound {}",
                            rough.error
                        );
                    }
                }
                assert!(rough.error <= 1e-3, "{shape} {age} {}", rough.error);
            }
        }
    }

    /// Splitting a window in two changes no expectation.
    #[test]
    fn windows_add_up() {
        for shape in [0.8, 1.7, 3.5] {
            let got = run(
                shape,
                &[0.6, 0.0, 0.2],
                &[(0.0, 2.0), (0.0, 0.7), (0.7, 2.0), (0.7, 1.1), (1.1, 2.0)],
                Accuracy {
                    tolerance: 1e-6,
                    most_cells: 4096,
                },
            );
            let m: Vec<f64> = got.counts.iter().map(Counts::mean).collect();
            assert_abs_diff_eq!(m[0], m[1] + m[2], epsilon = 1e-5);
            assert_abs_diff_eq!(m[2], m[3] + m[4], epsilon = 1e-5);
        }
    }

    /// Stock for small fleets: case `stock_fleet_open`, computed two ways outside this project.
    #[test]
    fn fleet_stock_levels() {
        type Case = (f64, f64, &'static [f64], f64, f64, [(f64, u32, f64); 3]);
        let cases: [Case; 4] = [
            (
                2.0,
                1.0,
                &[0.0; 4],
                3.01476511,
                1.784982973,
                [
                    (0.9, 5, 0.9649521957),
                    (0.95, 5, 0.9649521957),
                    (0.99, 6, 0.9930647885),
                ],
            ),
            (
                3.0,
                1.5,
                &[0.2, 0.2, 0.6, 0.6, 0.9],
                8.461673767,
                1.74148851,
                [
                    (0.9, 10, 0.9388597503),
                    (0.95, 11, 0.987664093),
                    (0.99, 12, 0.9982518696),
                ],
            ),
            (
                3.0,
                0.8,
                &[0.0; 6],
                2.474422801,
                1.595255294,
                [
                    (0.9, 4, 0.9424499727),
                    (0.95, 5, 0.9899910482),
                    (0.99, 6, 0.9989820108),
                ],
            ),
            (
                5.0,
                1.0,
                &[0.1, 0.3, 0.5, 0.7, 0.9],
                5.517099496,
                0.7448977509,
                [
                    (0.9, 7, 0.987488183),
                    (0.95, 7, 0.987488183),
                    (0.99, 8, 0.9995180384),
                ],
            ),
        ];
        for (shape, t, ages, mean, variance, levels) in cases {
            let got = run(shape, ages, &[(0.0, t)], EXACT);
            let counts = &got.counts[0];
            assert_abs_diff_eq!(counts.mean(), mean, epsilon = 1e-6);
            assert_abs_diff_eq!(counts.variance(), variance, epsilon = 1e-5);
            for (level, stock, reached) in levels {
                assert_eq!(counts.quantile(level), stock);
                assert_abs_diff_eq!(counts.at_most(stock), reached, epsilon = 1e-6);
            }
        }
    }
}

//! How many times one position needs a new part, under one Weibull curve: a delayed renewal
//! process on a lattice of operating hours.
//!
//! The part fitted now fails after a first life with distribution `F₁`; each successor lives a full
//! life with distribution `F`. With `F^(n)` the distribution of the sum of n full lives
//! (`F^(0) = 1`), and `N(s, e]` the number of wear-outs between s and e hours from now,
//!
//! * `P(N(0, e] ≥ n) = ∫_0^e F^(n−1)(e − x) dF₁(x)`,
//! * `P(N(s, e] ≥ n) = ∫_s^e F^(n−1)(e − x) dF₁(x) + ∫_0^s z_n(u) dm(u)`, where
//!   `m(u) = E N(0, u] = F₁(u) + ∫_0^u m₀(u − x) dF₁(x)`, `m₀ = F + F ∗ m₀`, and
//!   `z_n(u) = ∫_s^e F^(n−1)(e − x) dF(x − u)` is the chance that the last renewal before s, at u, is
//!   followed by none up to s and by n or more up to e (Cox, Renewal Theory, 1962, for the
//!   modified process; the second integral sums over which renewal is the last before s).
//!
//! Every integral is a Stieltjes sum with the trapezoidal rule for the integrand: the masses of
//! `dF` are exact, only the curvature of the other factor within a cell is missed, so the error
//! falls with the square of the cell (slower near 0 for shapes below 1). The caller works on three
//! lattices and extrapolates; see `demand`.

use super::first_life::{FirstLife, WeibullCurve};

/// Chances below this are not carried on: far below every error bound in use.
const NEGLIGIBLE: f64 = 1e-12;

/// No position is followed through more renewals than this; a schedule that long against a life
/// that short is refused before it gets here.
const MOST_RENEWALS: usize = 4000;

/// A full life and the sums of several, tabulated.
#[derive(Debug, Clone)]
pub(super) struct Lattice {
    life: WeibullCurve,
    step: f64,
    cells: usize,
    /// `F(i·h)`, i = 0..=cells.
    cdf: Vec<f64>,
    /// `F(i·h) − F((i−1)·h)`, entry 0 is 0; cut after `F` has reached 1.
    mass: Vec<f64>,
    /// `F^(n)(i·h)` for n = 1, 2, … as far as they matter within the horizon.
    sums: Vec<Vec<f64>>,
    /// `m₀(i·h)`.
    renewals: Vec<f64>,
}

impl Lattice {
    pub(super) fn new(life: WeibullCurve, horizon: f64, cells: usize) -> Self {
        let step = horizon / cells as f64;
        let cdf: Vec<f64> = (0..=cells).map(|i| life.cdf(i as f64 * step)).collect();
        let mut mass = vec![0.0];
        for i in 1..=cells {
            mass.push(cdf[i] - cdf[i - 1]);
            if 1.0 - cdf[i] < 1e-16 {
                break;
            }
        }
        // Trapezoid: the mass of a cell sits half at either end.
        let at_points: Vec<f64> = (0..mass.len())
            .map(|i| 0.5 * (mass[i] + mass.get(i + 1).copied().unwrap_or(0.0)))
            .collect();
        let mut sums = vec![cdf.clone()];
        while sums.len() < MOST_RENEWALS && sums[sums.len() - 1][cells] > NEGLIGIBLE {
            let next = convolve(&at_points, &sums[sums.len() - 1]);
            sums.push(next);
        }
        let mut renewals = vec![0.0; cells + 1];
        let own = 1.0 / (1.0 - at_points[0]);
        for k in 1..=cells {
            let reach = at_points.len().min(k);
            let earlier: f64 = at_points[1..reach]
                .iter()
                .zip(renewals[k + 1 - reach..k].iter().rev())
                .map(|(a, b)| a * b)
                .sum();
            renewals[k] = (cdf[k] + earlier) * own;
        }
        Self {
            life,
            step,
            cells,
            cdf,
            mass,
            sums,
            renewals,
        }
    }

    /// Most wear-outs that matter for a part that starts at any age.
    pub(super) fn most(&self) -> usize {
        self.sums.len()
    }

    /// `F^(n)(t)` anywhere within the horizon.
    fn sum_at(&self, n: usize, t: f64) -> f64 {
        match n {
            0 => 1.0,
            1 => self.life.cdf(t),
            _ => self
                .sums
                .get(n - 1)
                .map_or(0.0, |s| between(s, t / self.step)),
        }
    }
}

/// `(q ∗ A)(k) = Σ_{j<k} q_j A(k−j)`, with `A(0) = 0`.
fn convolve(q: &[f64], a: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; a.len()];
    for (shift, &weight) in q.iter().enumerate().take(a.len()) {
        if weight == 0.0 {
            continue;
        }
        for (to, from) in out[shift..].iter_mut().zip(a) {
            *to += weight * from;
        }
    }
    out
}

/// Cubic interpolation at the fractional index `at`.
fn between(values: &[f64], at: f64) -> f64 {
    let last = values.len() - 1;
    let at = at.clamp(0.0, last as f64);
    let k = (at.floor() as usize).min(last);
    let x = at - k as f64;
    if x < 1e-9 {
        return values[k];
    }
    if last < 3 {
        return values[k] + x * (values[k + 1] - values[k]);
    }
    let first = k.saturating_sub(1).min(last - 3);
    let u = at - first as f64;
    let [a, b, c, d] = [
        values[first],
        values[first + 1],
        values[first + 2],
        values[first + 3],
    ];
    let (u1, u2, u3) = (u - 1.0, u - 2.0, u - 3.0);
    -a * u1 * u2 * u3 / 6.0 + b * u * u2 * u3 / 2.0 - c * u * u1 * u3 / 2.0 + d * u * u1 * u2 / 6.0
}

/// One end of a window, with everything tabulated backwards from it.
#[derive(Debug, Clone)]
struct Boundary {
    at: f64,
    /// Last lattice point not after `at`.
    index: usize,
    /// `F^(n)(at − i·h)` for n = 0, 1, …; i = 0..=index.
    back: Vec<Vec<f64>>,
    /// `m₀(at − i·h)`.
    renewals_back: Vec<f64>,
}

impl Boundary {
    fn new(lattice: &Lattice, at: f64, most: usize) -> Self {
        let position = (at / lattice.step).min(lattice.cells as f64);
        // A boundary that is a lattice point up to rounding is that point.
        let index = ((position + 1e-9).floor() as usize).min(lattice.cells);
        let offset = (position - index as f64).max(0.0);
        let hours_back = |i: usize| (at - i as f64 * lattice.step).max(0.0);
        let mut back = vec![vec![1.0; index + 1]];
        back.push(
            (0..=index)
                .map(|i| lattice.life.cdf(hours_back(i)))
                .collect(),
        );
        let shifted = |values: &[f64]| -> Vec<f64> {
            (0..=index)
                .map(|i| between(values, (index - i) as f64 + offset))
                .collect()
        };
        for sum in lattice.sums.iter().take(most).skip(1) {
            back.push(shifted(sum));
        }
        Self {
            at,
            index,
            back,
            renewals_back: shifted(&lattice.renewals),
        }
    }

    /// `F^(n)(at − i·h)`.
    fn back(&self, n: usize) -> &[f64] {
        self.back.get(n).map_or(&[], Vec::as_slice)
    }
}

/// A window `(start, end]` of operating hours, prepared once for all positions that share it.
#[derive(Debug, Clone)]
pub(super) struct Window {
    start: Option<Boundary>,
    end: Boundary,
    /// Most wear-outs that matter.
    most: usize,
    /// `z_n` at lattice points up to the start, then at the start itself; n = 1, 2, ….
    after_renewal: Vec<Vec<f64>>,
}

impl Window {
    pub(super) fn new(lattice: &Lattice, start: f64, end: f64) -> Self {
        let width = end - start;
        // `F^(n)(width)`: a new part at the very start of the window; an aged first part can add
        // one more.
        let mut most = 1;
        while most <= lattice.most() && lattice.sum_at(most, width) > NEGLIGIBLE {
            most += 1;
        }
        let end = Boundary::new(lattice, end, most);
        if start <= 0.0 {
            return Self {
                start: None,
                end,
                most,
                after_renewal: Vec::new(),
            };
        }
        let start = Boundary::new(lattice, start, 1);
        let after_renewal = (1..=most)
            .map(|n| renewal_then(lattice, &start, &end, n))
            .collect();
        Self {
            start: Some(start),
            end,
            most,
            after_renewal,
        }
    }
}

/// `z_n(u)` at the lattice points u = i·h up to the start, then at the start.
fn renewal_then(lattice: &Lattice, start: &Boundary, end: &Boundary, n: usize) -> Vec<f64> {
    let width = end.at - start.at;
    let cdf_to_start = start.back(1);
    let cdf_to_end = end.back(1);
    let mut z = Vec::with_capacity(start.index + 2);
    if n == 1 {
        z.extend((0..=start.index).map(|i| cdf_to_end[i] - cdf_to_start[i]));
        z.push(lattice.life.cdf(width));
        return z;
    }
    let left = end.back(n - 1);
    let whole = |t: f64| lattice.sum_at(n - 1, t);
    let first = first_point_from(lattice, start);
    let mean_in_cell: Vec<f64> = (first + 1..=end.index)
        .map(|l| 0.5 * (left[l - 1] + left[l]))
        .collect();
    for i in 0..=start.index {
        let value = if first > end.index {
            0.5 * whole(width) * (cdf_to_end[i] - cdf_to_start[i])
        } else {
            let mut sum =
                0.5 * (whole(width) + left[first]) * (lattice.cdf[first - i] - cdf_to_start[i]);
            let from = first + 1 - i;
            if from < lattice.mass.len() {
                sum += lattice.mass[from..]
                    .iter()
                    .zip(&mean_in_cell)
                    .map(|(m, a)| m * a)
                    .sum::<f64>();
            }
            sum + 0.5 * left[end.index] * (cdf_to_end[i] - lattice.cdf[end.index - i])
        };
        z.push(value);
    }
    z.push(lattice.sum_at(n, width));
    z
}

/// First lattice point not before a window's start.
fn first_point_from(lattice: &Lattice, start: &Boundary) -> usize {
    if start.at - start.index as f64 * lattice.step > 1e-9 * lattice.step {
        start.index + 1
    } else {
        start.index
    }
}

/// One position's first life on the lattice, with its expected renewals.
#[derive(Debug, Clone)]
pub(super) struct Position {
    first: FirstLife,
    cdf: Vec<f64>,
    /// `m(i·h)`.
    renewals: Vec<f64>,
}

impl Position {
    /// `with_renewals` is needed for windows that start later than now.
    pub(super) fn new(lattice: &Lattice, first: FirstLife, with_renewals: bool) -> Self {
        let cdf: Vec<f64> = (0..=lattice.cells)
            .map(|i| first.cdf(&lattice.life, i as f64 * lattice.step))
            .collect();
        let renewals = if with_renewals {
            let masses = point_masses(&cdf);
            let mut m = convolve(&masses, &lattice.renewals);
            for (m, f) in m.iter_mut().zip(&cdf) {
                *m += f;
            }
            m
        } else {
            Vec::new()
        };
        Self {
            first,
            cdf,
            renewals,
        }
    }

    /// `P(N ≥ 1), P(N ≥ 2), …` in the window.
    pub(super) fn at_least(&self, lattice: &Lattice, window: &Window) -> Vec<f64> {
        let mut at_least = self.first_in(lattice, window);
        if let Some(start) = &window.start {
            let by_start = self.first.cdf(&lattice.life, start.at) + self.renewals_of_later(start);
            let tail = by_start - self.renewals[start.index];
            for (p, z) in at_least.iter_mut().zip(&window.after_renewal) {
                for k in 1..=start.index {
                    *p += 0.5 * (z[k - 1] + z[k]) * (self.renewals[k] - self.renewals[k - 1]);
                }
                *p += 0.5 * (z[start.index] + z[start.index + 1]) * tail;
            }
        }
        at_least
    }

    /// `∫_s^e F^(n−1)(e − x) dF₁(x)` for n = 1, 2, …: the part fitted now wears out in the window,
    /// and at least n − 1 successors with it.
    fn first_in(&self, lattice: &Lattice, window: &Window) -> Vec<f64> {
        let end = &window.end;
        let cdf_end = self.first.cdf(&lattice.life, end.at);
        let (start_at, cdf_start, first) = match &window.start {
            Some(start) => (
                start.at,
                self.first.cdf(&lattice.life, start.at),
                first_point_from(lattice, start),
            ),
            None => (0.0, 0.0, 0),
        };
        let width = end.at - start_at;
        (1..=window.most)
            .map(|n| {
                if n == 1 {
                    return cdf_end - cdf_start;
                }
                let whole = lattice.sum_at(n - 1, width);
                if first > end.index {
                    return 0.5 * whole * (cdf_end - cdf_start);
                }
                let left = end.back(n - 1);
                let mut sum = 0.5 * (whole + left[first]) * (self.cdf[first] - cdf_start);
                for l in first + 1..=end.index {
                    sum += 0.5 * (left[l - 1] + left[l]) * (self.cdf[l] - self.cdf[l - 1]);
                }
                sum + 0.5 * left[end.index] * (cdf_end - self.cdf[end.index])
            })
            .collect()
    }

    /// `∫_0^s m₀(s − x) dF₁(x)` at a boundary s.
    fn renewals_of_later(&self, at: &Boundary) -> f64 {
        let back = &at.renewals_back;
        let mut sum = 0.0;
        for l in 1..=at.index {
            sum += 0.5 * (back[l - 1] + back[l]) * (self.cdf[l] - self.cdf[l - 1]);
        }
        sum
    }
}

fn point_masses(cdf: &[f64]) -> Vec<f64> {
    let mass = |i: usize| {
        if i == 0 || i >= cdf.len() {
            0.0
        } else {
            cdf[i] - cdf[i - 1]
        }
    };
    (0..cdf.len())
        .map(|i| 0.5 * (mass(i) + mass(i + 1)))
        .collect()
}

/// Two moments, s and e, for the chance of so many wear-outs by s and so many more by e.
#[derive(Debug, Clone)]
pub(super) struct JointWindow {
    start: f64,
    /// From the start to the end; none where they coincide.
    window: Option<Window>,
    /// From now to the start, for the number by then alone.
    by_start: Option<Window>,
    /// Most wear-outs by the start that are asked for.
    first: usize,
}

impl JointWindow {
    pub(super) fn new(lattice: &Lattice, start: f64, end: f64, first: usize) -> Self {
        Self {
            start,
            window: (end > start).then(|| Window::new(lattice, start, end)),
            by_start: (start > 0.0).then(|| Window::new(lattice, 0.0, start)),
            first,
        }
    }
}

/// One position with the distributions of its successive wear-outs on the lattice.
#[derive(Debug, Clone)]
pub(super) struct JointPosition {
    position: Position,
    /// `P(i-th wear-out by k·h)` for i = 1, 2, ….
    times: Vec<Vec<f64>>,
}

impl JointPosition {
    pub(super) fn new(lattice: &Lattice, first: FirstLife, windows: &[JointWindow]) -> Self {
        let position = Position::new(lattice, first, false);
        let masses = point_masses(&position.cdf);
        let most = windows
            .iter()
            .filter(|w| w.start > 0.0 && w.window.is_some())
            .map(|w| w.first)
            .max()
            .unwrap_or(0)
            .min(lattice.most());
        let mut times = vec![position.cdf.clone()];
        for n in 1..most {
            times.push(convolve(&masses, &lattice.sums[n - 1]));
        }
        Self { position, times }
    }

    /// Rows i = 0..=first: `P(N(0, s] = i, N(s, e] ≥ n)` for n = 0, 1, ….
    ///
    /// For i = 0 the first life ends after s: the first integral of the module's notes. For i ≥ 1
    /// the last renewal before s is the i-th: `∫_0^s z_n(u) dG_i(u)`, `G_i` the distribution of its
    /// time.
    pub(super) fn joint(&self, lattice: &Lattice, joint: &JointWindow) -> Vec<Vec<f64>> {
        let by_start = joint
            .by_start
            .as_ref()
            .map_or_else(Vec::new, |w| self.position.at_least(lattice, w));
        let at_least = |i: usize| {
            if i == 0 {
                1.0
            } else {
                by_start.get(i - 1).copied().unwrap_or(0.0)
            }
        };
        let mut rows: Vec<Vec<f64>> = (0..=joint.first)
            .map(|i| vec![(at_least(i) - at_least(i + 1)).max(0.0)])
            .collect();
        let Some(window) = &joint.window else {
            return rows;
        };
        rows[0].extend(self.position.first_in(lattice, window));
        let Some(start) = &window.start else {
            return rows;
        };
        for (i, row) in rows.iter_mut().enumerate().skip(1) {
            let Some(time) = self.times.get(i - 1) else {
                break;
            };
            let tail = (at_least(i) - time[start.index]).max(0.0);
            row.extend(window.after_renewal.iter().map(|z| {
                let whole: f64 = (1..=start.index)
                    .map(|k| 0.5 * (z[k - 1] + z[k]) * (time[k] - time[k - 1]))
                    .sum();
                whole + 0.5 * (z[start.index] + z[start.index + 1]) * tail
            }));
        }
        rows
    }
}

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

/// Chances below this share of the error allowed are not carried on.
const NEGLIGIBLE: f64 = 1e-3;

/// No position is followed through more renewals than this.
const MOST_RENEWALS: usize = 2000;

/// Points next to 0 at which distribution functions are computed rather than interpolated: for
/// shapes that are not whole they are not smooth there.
const NEAR_ZERO: usize = 3;

/// `Σ aᵢ bᵢ` over the shorter length, in four running sums.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len());
    let (a, b) = (&a[..n], &b[..n]);
    let mut sums = [0.0; 4];
    let (a4, b4) = (a.chunks_exact(4), b.chunks_exact(4));
    let (a_rest, b_rest) = (a4.remainder(), b4.remainder());
    for (x, y) in a4.zip(b4) {
        for (s, (x, y)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *s += x * y;
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(x, y)| x * y).sum();
    sums.iter().sum::<f64>() + rest
}

/// Distribution functions at the points of the finest lattice in use; coarser ones take every second
/// or fourth of them.
#[derive(Debug, Clone)]
pub(super) struct Finest {
    life: WeibullCurve,
    step: f64,
    /// Step of the coarsest lattice that was used.
    coarsest: f64,
    /// `F` of a full life.
    full: Vec<f64>,
    /// `F₁` of each first life, in the caller's order.
    first: Vec<(FirstLife, Vec<f64>)>,
}

impl Finest {
    pub(super) fn new(
        life: WeibullCurve,
        firsts: impl Iterator<Item = FirstLife>,
        horizon: f64,
        cells: usize,
        coarsest: f64,
    ) -> Self {
        let step = horizon / cells as f64;
        let at = |i: usize| i as f64 * step;
        Self {
            life,
            step,
            coarsest,
            full: (0..=cells).map(|i| life.cdf(at(i))).collect(),
            first: firsts
                .map(|first| (first, first.cdf_at(&life, step, cells)))
                .collect(),
        }
    }
}

/// A full life and the sums of several, tabulated.
#[derive(Debug, Clone)]
pub(super) struct Lattice<'a> {
    finest: &'a Finest,
    /// Every so many points of the finest lattice.
    stride: usize,
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
    /// Chances below this are not carried on.
    negligible: f64,
}

impl<'a> Lattice<'a> {
    /// `tolerance` is the error that the caller allows in a probability.
    pub(super) fn new(finest: &'a Finest, stride: usize, tolerance: f64) -> Self {
        let life = finest.life;
        let negligible = NEGLIGIBLE * tolerance;
        let cdf: Vec<f64> = finest.full.iter().step_by(stride).copied().collect();
        let cells = cdf.len() - 1;
        let mut mass = vec![0.0];
        for i in 1..=cells {
            mass.push(cdf[i] - cdf[i - 1]);
            if 1.0 - cdf[i] < 1e-16 {
                break;
            }
        }
        let at_points = point_masses(&mass);
        let mut sums = vec![cdf.clone()];
        while sums.len() < MOST_RENEWALS && sums[sums.len() - 1][cells] > negligible {
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
            finest,
            stride,
            life,
            step: finest.step * stride as f64,
            cells,
            cdf,
            mass,
            sums,
            renewals,
            negligible,
        }
    }

    pub(super) fn life(&self) -> &WeibullCurve {
        &self.life
    }

    /// Cells for a stretch of hours on its own; twice as many on a lattice twice as fine.
    pub(super) fn cells_in(&self, hours: f64) -> usize {
        let coarsest = self.finest.coarsest;
        let finer = (coarsest / self.step).round().max(1.0) as usize;
        ((hours / coarsest - 1e-9).ceil().max(1.0) as usize) * finer
    }

    /// Most wear-outs that matter within so many hours of a new part.
    pub(super) fn most_within(&self, hours: f64) -> usize {
        let mut most = 1;
        while most <= self.most() && self.sum_at(most, hours) > self.negligible {
            most += 1;
        }
        most
    }

    /// Most wear-outs that matter for a part that starts at any age.
    fn most(&self) -> usize {
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

/// Trapezoid: the mass of a cell sits half at either end.
fn point_masses(mass: &[f64]) -> Vec<f64> {
    (0..mass.len())
        .map(|i| 0.5 * (mass[i] + mass.get(i + 1).copied().unwrap_or(0.0)))
        .collect()
}

/// Masses of the cells; entry 0 is 0.
fn increments(cdf: &[f64]) -> Vec<f64> {
    std::iter::once(0.0)
        .chain(cdf.windows(2).map(|w| w[1] - w[0]))
        .collect()
}

/// Means over the cells from values at points; one entry less.
fn cell_means(values: &[f64]) -> Vec<f64> {
    values.windows(2).map(|w| 0.5 * (w[0] + w[1])).collect()
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

/// Weights of the four points around a fraction x of a cell, for cubic interpolation: points at −1,
/// 0, 1, 2.
fn cubic(x: f64) -> [f64; 4] {
    let (m, p, q) = (x + 1.0, x - 1.0, x - 2.0);
    [
        -x * p * q / 6.0,
        m * p * q / 2.0,
        -m * x * q / 2.0,
        m * x * p / 6.0,
    ]
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
    let weights = cubic(at - (first + 1) as f64);
    values[first..first + 4]
        .iter()
        .zip(weights)
        .map(|(v, w)| v * w)
        .sum()
}

/// One end of a window.
#[derive(Debug, Clone, Copy)]
struct Boundary {
    at: f64,
    /// Last lattice point not after `at`.
    index: usize,
    /// From there to `at`, in cells.
    offset: f64,
}

impl Boundary {
    fn new(lattice: &Lattice<'_>, at: f64) -> Self {
        let position = (at / lattice.step).min(lattice.cells as f64);
        // A boundary that is a lattice point up to rounding is that point.
        let index = ((position + 1e-9).floor() as usize).min(lattice.cells);
        Self {
            at,
            index,
            offset: (position - index as f64).max(0.0),
        }
    }

    /// `values` looked back upon from here, at `at − i·h` for i = 0..=index.
    fn back(&self, values: &[f64]) -> Vec<f64> {
        if self.offset < 1e-9 {
            return values[..=self.index].iter().rev().copied().collect();
        }
        let weights = cubic(self.offset);
        (0..=self.index)
            .map(|i| {
                let k = self.index - i;
                if k >= 1 && k + 2 < values.len() {
                    weights[0] * values[k - 1]
                        + weights[1] * values[k]
                        + weights[2] * values[k + 1]
                        + weights[3] * values[k + 2]
                } else {
                    between(values, k as f64 + self.offset)
                }
            })
            .collect()
    }

    /// `F(at − i·h)`.
    fn cdf_back(&self, lattice: &Lattice<'_>) -> Vec<f64> {
        let mut back = self.back(&lattice.cdf);
        let from = (self.index + 1).saturating_sub(NEAR_ZERO);
        for (i, value) in back.iter_mut().enumerate().skip(from) {
            let hours = (self.at - i as f64 * lattice.step).max(0.0);
            *value = lattice.life.cdf(hours);
        }
        back
    }
}

/// What a first life that ends in a window at x adds to `P(N ≥ n)` there: `F^(n−1)(e − x)`, by where
/// in the window x lies.
#[derive(Debug, Clone)]
struct Ending {
    /// From the start to the first lattice point.
    head: f64,
    /// Each whole cell.
    cells: Vec<f64>,
    /// From the last lattice point to the end.
    tail: f64,
}

/// A window `(start, end]` of operating hours, prepared once for all positions that share it.
#[derive(Debug, Clone)]
pub(super) struct Window {
    start: Option<Boundary>,
    end: Boundary,
    /// First lattice point not before the start.
    first: usize,
    /// For n = 1, 2, ….
    endings: Vec<Ending>,
    /// `z_n`, mean over each cell up to the start, and over what remains to the start; n = 1, 2, ….
    after_renewal: Vec<Vec<f64>>,
    /// `m₀(s − u)`, mean over each cell up to the start.
    renewals_back: Vec<f64>,
}

impl Window {
    pub(super) fn new(lattice: &Lattice<'_>, start: f64, end: f64) -> Self {
        let width = end - start;
        // `F^(n)(width)`: a new part at the very start of the window; an aged first part can add
        // one more.
        let most = lattice.most_within(width);
        let end = Boundary::new(lattice, end);
        let start = (start > 0.0).then(|| Boundary::new(lattice, start));
        let first = start.map_or(0, |s| s.index + usize::from(s.offset > 1e-9));
        // F^(n−1)(e − i·h) for n = 1, 2, …, backwards in i.
        let mut backs = vec![vec![1.0; end.index + 1]];
        if most > 1 {
            backs.push(end.cdf_back(lattice));
        }
        for sum in lattice.sums.iter().take(most - 1).skip(1) {
            backs.push(end.back(sum));
        }
        let endings: Vec<Ending> = backs
            .iter()
            .enumerate()
            .map(|(less, back)| {
                let whole = lattice.sum_at(less, width);
                if first > end.index {
                    return Ending {
                        head: 0.5 * (whole + if less == 0 { 1.0 } else { 0.0 }),
                        cells: Vec::new(),
                        tail: 0.0,
                    };
                }
                let at_end = if less == 0 { 1.0 } else { 0.0 };
                Ending {
                    head: 0.5 * (whole + back[first]),
                    cells: cell_means(&back[first..]),
                    tail: 0.5 * (back[end.index] + at_end),
                }
            })
            .collect();
        let Some(boundary) = start else {
            return Self {
                start,
                end,
                first,
                endings,
                after_renewal: Vec::new(),
                renewals_back: Vec::new(),
            };
        };
        let to_start = boundary.cdf_back(lattice);
        let to_end = match backs.get(1) {
            Some(back) => back.clone(),
            None => end.cdf_back(lattice),
        };
        let after_renewal = endings
            .iter()
            .enumerate()
            .map(|(less, ending)| {
                let mut z: Vec<f64> = (0..=boundary.index)
                    .map(|i| {
                        let (from, to) = (to_start[i], to_end[i]);
                        if less == 0 {
                            to - from
                        } else if first > end.index {
                            ending.head * (to - from)
                        } else {
                            ending.head * (lattice.cdf[first - i] - from)
                                + dot(
                                    &ending.cells,
                                    lattice.mass.get(first + 1 - i..).unwrap_or(&[]),
                                )
                                + ending.tail * (to - lattice.cdf[end.index - i])
                        }
                    })
                    .collect();
                z.push(lattice.sum_at(less + 1, width));
                cell_means(&z)
            })
            .collect();
        Self {
            renewals_back: cell_means(&boundary.back(&lattice.renewals)),
            start,
            end,
            first,
            endings,
            after_renewal,
        }
    }
}

/// One position's first life on the lattice, with its expected renewals.
#[derive(Debug, Clone)]
pub(super) struct Position {
    first: FirstLife,
    cdf: Vec<f64>,
    /// `F₁(i·h) − F₁((i−1)·h)`, entry 0 is 0.
    mass: Vec<f64>,
    /// `m(i·h)`, and its increments.
    renewals: Vec<f64>,
    renewal_mass: Vec<f64>,
}

impl Position {
    /// The `number`-th first life of the finest lattice. `with_renewals` is needed for windows that
    /// start later than now.
    pub(super) fn new(lattice: &Lattice<'_>, number: usize, with_renewals: bool) -> Self {
        let (first, finest) = &lattice.finest.first[number];
        let cdf: Vec<f64> = finest.iter().step_by(lattice.stride).copied().collect();
        let mass = increments(&cdf);
        let (renewals, renewal_mass) = if with_renewals {
            let mut m = convolve(&point_masses(&mass), &lattice.renewals);
            for (m, f) in m.iter_mut().zip(&cdf) {
                *m += f;
            }
            let mass = increments(&m);
            (m, mass)
        } else {
            (Vec::new(), Vec::new())
        };
        Self {
            first: *first,
            cdf,
            mass,
            renewals,
            renewal_mass,
        }
    }

    /// `F₁` at a boundary.
    fn cdf_at(&self, lattice: &Lattice<'_>, boundary: &Boundary) -> f64 {
        if boundary.index < NEAR_ZERO {
            self.first.cdf(&lattice.life, boundary.at)
        } else {
            between(&self.cdf, boundary.index as f64 + boundary.offset)
        }
    }

    /// `P(N ≥ 1), P(N ≥ 2), …` in the window.
    pub(super) fn at_least(&self, lattice: &Lattice<'_>, window: &Window) -> Vec<f64> {
        let mut at_least = self.first_in(lattice, window);
        if let Some(start) = &window.start {
            let by_start = self.cdf_at(lattice, start)
                + dot(&window.renewals_back, self.mass.get(1..).unwrap_or(&[]));
            let tail = by_start - self.renewals[start.index];
            for (p, z) in at_least.iter_mut().zip(&window.after_renewal) {
                *p += dot(&z[..start.index], &self.renewal_mass[1..]) + z[start.index] * tail;
            }
        }
        at_least
    }

    /// `∫_s^e F^(n−1)(e − x) dF₁(x)` for n = 1, 2, …: the part fitted now wears out in the window,
    /// and at least n − 1 successors with it.
    fn first_in(&self, lattice: &Lattice<'_>, window: &Window) -> Vec<f64> {
        let end = &window.end;
        let at_end = self.cdf_at(lattice, end);
        let at_start = window
            .start
            .as_ref()
            .map_or(0.0, |start| self.cdf_at(lattice, start));
        let first = window.first;
        window
            .endings
            .iter()
            .enumerate()
            .map(|(less, ending)| {
                if less == 0 || first > end.index {
                    ending.head * (at_end - at_start)
                } else {
                    ending.head * (self.cdf[first] - at_start)
                        + dot(&ending.cells, &self.mass[first + 1..])
                        + ending.tail * (at_end - self.cdf[end.index])
                }
            })
            .collect()
    }
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
    pub(super) fn new(lattice: &Lattice<'_>, start: f64, end: f64, first: usize) -> Self {
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
    /// `P(i-th wear-out by k·h)` for i = 1, 2, …: values and increments.
    times: Vec<(Vec<f64>, Vec<f64>)>,
}

impl JointPosition {
    pub(super) fn new(lattice: &Lattice<'_>, number: usize, windows: &[JointWindow]) -> Self {
        let position = Position::new(lattice, number, false);
        let masses = point_masses(&position.mass);
        let most = windows
            .iter()
            .filter(|w| w.start > 0.0 && w.window.is_some())
            .map(|w| w.first)
            .max()
            .unwrap_or(0)
            .min(lattice.most());
        let mut times = vec![(position.cdf.clone(), position.mass.clone())];
        for n in 1..most {
            let time = convolve(&masses, &lattice.sums[n - 1]);
            let mass = increments(&time);
            times.push((time, mass));
        }
        Self { position, times }
    }

    /// Rows i = 0..=first: `P(N(0, s] = i, N(s, e] ≥ n)` for n = 0, 1, ….
    ///
    /// For i = 0 the first life ends after s: the first integral of the module's notes. For i ≥ 1
    /// the last renewal before s is the i-th: `∫_0^s z_n(u) dG_i(u)`, `G_i` the distribution of its
    /// time.
    pub(super) fn joint(&self, lattice: &Lattice<'_>, joint: &JointWindow) -> Vec<Vec<f64>> {
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
            let Some((time, mass)) = self.times.get(i - 1) else {
                break;
            };
            let tail = (at_least(i) - time[start.index]).max(0.0);
            row.extend(
                window
                    .after_renewal
                    .iter()
                    .map(|z| dot(&z[..start.index], &mass[1..]) + z[start.index] * tail),
            );
        }
        rows
    }
}
